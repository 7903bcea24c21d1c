"""README.md keeps its word: its commands run, in order, and every command of the app stands in it."""

import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import typer.main

import toothcheck
from toothcheck.cli import app

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"
SAMPLES = ROOT / "sample_images_synthetic"
BEGINNINGS = ("toothcheck ", ".venv/bin/toothcheck ")
SECONDS = 900  # a watchdog against what never ends, not a timing: other tests may run beside it


def readme_commands(text):
    """The app's own commands in ```sh blocks with the status that each must end with, in order.

    A comment behind a command states another status than 0 (``# exit 3``), or that the command goes on until it is
    stopped (``# Ctrl-C``), given as None.  A backslash at the end of a line goes on in the next.
    """
    commands = []
    for block in re.findall(r"^ *```sh\n(.*?)^ *```", text, re.M | re.S):
        for line in block.replace("\\\n", " ").splitlines():
            if line.strip().startswith(BEGINNINGS):
                said = re.search(r"#.*?\bexit (\d+)\b", line)
                stopped = re.search(r"#.*\bCtrl-C\b", line)
                commands.append((line.strip(), None if stopped else int(said[1]) if said else 0))
    return commands


@pytest.fixture
def place(tmp_path):
    """A folder to run README's commands in: the made photos, and the app's name on the path."""
    programs = [tmp_path / "bin", tmp_path / "work" / ".venv" / "bin"]
    for folder in programs:
        folder.mkdir(parents=True)
        # this very package with this very interpreter, whether or not it is installed
        script = f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m toothcheck "$@"\n'
        (folder / "toothcheck").write_text(script)
        (folder / "toothcheck").chmod(0o755)
    if SAMPLES.is_dir():
        shutil.copytree(SAMPLES, tmp_path / "work" / SAMPLES.name)
    return tmp_path


def environment(place):
    """As a user has it, but with a home of its own and the app's name on the path."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("XDG_", "TOOTHCHECK_"))}
    home = place / "home"
    home.mkdir(exist_ok=True)
    paths = {
        "PATH": f"{place / 'bin'}{os.pathsep}{kept['PATH']}",
        "PYTHONPATH": str(Path(toothcheck.__file__).parent.parent),
    }
    return kept | paths | {"HOME": str(home), "COLUMNS": "100"}


def fault(command, status, place):
    """Run one command; gives what is wrong with how it went, or None."""
    process = subprocess.Popen(
        ["bash", "-o", "pipefail", "-c", command],
        cwd=place / "work", env=environment(place), stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace", start_new_session=True,
        # a test runner's own processes ignore Ctrl-C, and what they start inherits that
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    watchdog = threading.Timer(SECONDS, os.killpg, [process.pid, signal.SIGKILL])
    watchdog.start()
    try:
        text = ""
        if status is None:
            text = process.stdout.readline()  # it has something to say once it runs
            os.killpg(process.pid, signal.SIGINT)
        text += process.communicate()[0]
    finally:
        watchdog.cancel()
    ended = process.returncode
    wanted = {0, 130, -signal.SIGINT} if status is None else {status}
    if ended not in wanted or "Traceback" in text:
        return f"$ {command}\nended with {ended}, not {status if status is not None else 'by Ctrl-C'}:\n{text[-2000:]}"
    return None


def test_every_command_of_the_readme_runs(place):
    commands = readme_commands(README.read_text("utf-8"))
    assert commands
    faults = [fault(command, status, place) for command, status in commands]
    assert not any(faults), "\n\n".join(f for f in faults if f)


def test_the_readme_has_the_two_commands_for_a_fresh_machine():
    text = README.read_text("utf-8")
    lines = [line for line in text.splitlines() if line.startswith("python3 -m venv .venv && ")]
    assert lines == [
        "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/toothcheck demo",
        "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && "
        ".venv/bin/python -m pytest -n auto --dist loadfile",
    ]


def test_what_the_readme_points_at_is_there():
    text = README.read_text("utf-8")
    targets = re.findall(r"\]\(([^)#\s]+)[^)]*\)", text) + re.findall(
        r"<(?:img|a)\b[^>]*(?:src|href)=\"([^\"#]+)", text
    )
    local = [t for t in targets if "://" not in t and not t.startswith("mailto:")]
    assert [t for t in local if not (ROOT / t).exists()] == []


def walk(command, path=("toothcheck",)):
    """Every command that can be called, with the words that call it."""
    children = getattr(command, "commands", None)
    if children is None:
        yield path, command
        return
    for name, child in children.items():
        yield from walk(child, (*path, name))


COMMANDS = [*walk(typer.main.get_command(app))]
every_command = pytest.mark.parametrize(("path", "command"), COMMANDS, ids=[" ".join(p) for p, _ in COMMANDS])


@every_command
def test_command_has_help_for_itself_and_every_option(path, command):
    assert command.help
    without = [p.name for p in command.params if not getattr(p, "help", None)]
    assert without == []


@every_command
def test_command_has_an_example_that_its_own_parser_takes(path, command):
    words = re.search(rf"(?s)Example.*?({' '.join(map(re.escape, path))}\b[^\n]*)", command.epilog or "")
    assert words, f"{' '.join(path)} has no example in its epilog"
    given = shlex.split(words[1], comments=True)[len(path) :]
    redirects = [i for i, word in enumerate(given) if word in {">", "|"}]
    command.make_context(path[-1], given[: redirects[0]] if redirects else given)


@every_command
def test_command_stands_in_the_readme(path, command):
    assert re.search(rf"{' '.join(map(re.escape, path))}\b", README.read_text("utf-8"))


# --- the reader of READMEs itself --------------------------------------------------------------------------------
SCRATCH = """
# A tool

```sh
python3 -m venv .venv && .venv/bin/toothcheck demo
toothcheck form --chain 520 --teeth 15 \\
    --json a.json
.venv/bin/toothcheck form --chain 521 --teeth 15   # exit 2
ls
toothcheckers none
```

```
toothcheck shown output, not a command
```

  ```sh
  toothcheck card pocket -o card.png  # comes out as a PNG
  toothcheck listen --port 0 # until Ctrl-C
  ```
"""


def test_reader_takes_the_commands_of_sh_blocks_in_order_with_their_status():
    assert readme_commands(SCRATCH) == [
        ("toothcheck form --chain 520 --teeth 15      --json a.json", 0),
        (".venv/bin/toothcheck form --chain 521 --teeth 15   # exit 2", 2),
        ("toothcheck card pocket -o card.png  # comes out as a PNG", 0),
        ("toothcheck listen --port 0 # until Ctrl-C", None),
    ]


def test_runner_sees_what_a_command_does_and_how_it_ends(place):
    for command, status in readme_commands(SCRATCH)[:3]:
        assert fault(command, status, place) is None
    assert {p.name for p in (place / "work").iterdir()} >= {"a.json", "card.png"}


@pytest.mark.parametrize(
    ("command", "status"),
    [
        ("toothcheck form --chain 521 --teeth 15", 0),
        ("toothcheck form --chain 520 --teeth 15", 2),
        ("toothcheck form --chain 521 --teeth 15 | cat", 0),
        ("toothcheck no-such-command", 0),
        ("echo Traceback", 0),
    ],
)
def test_runner_is_not_content_with_another_end(place, command, status):
    assert fault(command, status, place).startswith(f"$ {command}\nended with")


def test_runner_stops_what_goes_on_until_ctrl_c(place):
    goes_on = f"exec {shlex.quote(sys.executable)} -uc \"import time; print('listening'); time.sleep(600)\" 2>/dev/null"
    assert fault(goes_on, None, place) is None
    assert "not by Ctrl-C" in fault("trap '' INT; echo listening; sleep 2; exit 5", None, place)
