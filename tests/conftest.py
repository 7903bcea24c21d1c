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


def pytest_configure(config):
    """The file that takes longest goes to a worker first, or it would be left alone with it at the end."""
    # pytest-xdist would begin with the files of most tests; those of few, long ones are what takes the time
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


def pytest_collection_modifyitems(items):
    # README's commands are one test, a third of a worker's time; all others as they were collected
    items.sort(key=lambda item: item.path.name != "test_readme.py")
