"""What tests of several rooms share."""

import os
import sys

if "PYTEST_XDIST_WORKER" in os.environ:  # tests beside one another: each keeps to one core, with all that it starts
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest

from toothcheck.cli import main


@pytest.fixture
def run(capsys, monkeypatch):
    """Run a command in this process; gives exit status, stdout and stderr."""

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["toothcheck", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            main()
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return stop.value.code or 0, out, err

    return run
