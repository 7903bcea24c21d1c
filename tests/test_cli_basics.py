"""What holds for the command as a whole: version, help, colour, completion, exit statuses."""

import errno
import json
import os
import pty
import re
import shlex
import signal
import stat
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import typer

import toothcheck.__main__
from toothcheck import cli, errors
from toothcheck.cli.books import file_of
from toothcheck.cli.output import check_targets, check_writable, made_folder, write_whole
from toothcheck.cli.reading import inside

PACKAGE_FOLDER = str(Path(toothcheck.__file__).parent.parent)
# as the installed script does it, also where the package is only on the path
SCRIPT = [sys.executable, "-c", "import sys; sys.argv[0] = 'toothcheck'; from toothcheck.__main__ import main; main()"]
MODULE = [sys.executable, "-m", "toothcheck"]
FORM = ["form", "--chain", "520", "--teeth", "15"]


def environment(**more):
    kept = {k: v for k, v in os.environ.items() if k not in {"NO_COLOR", "FORCE_COLOR", "PY_COLORS", "CI", "COLUMNS"}}
    return kept | {"PYTHONPATH": PACKAGE_FOLDER, "TERM": "xterm-256color"} | more


def run(command, *words, **more):
    return subprocess.run(
        [*command, *words],
        capture_output=True,
        text=True,
        env=environment(**more),
        stdin=subprocess.DEVNULL,
        timeout=60,
    )


def on_a_terminal(*words, **more):
    """What a command writes to a terminal."""
    ours, theirs = pty.openpty()
    with subprocess.Popen([*SCRIPT, *words], stdout=theirs, stderr=theirs, env=environment(**more)):
        os.close(theirs)
        text = b""
        while True:
            try:
                piece = os.read(ours, 65536)
            except OSError:  # the terminal's other end is closed
                break
            if not piece:
                break
            text += piece
    os.close(ours)
    return text.decode()


@pytest.mark.parametrize("command", [SCRIPT, MODULE], ids=["script", "module"])
def test_version(command):
    done = run(command, "--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"toothcheck {toothcheck.__version__}\n", "")


@pytest.mark.parametrize("command", [SCRIPT, MODULE], ids=["script", "module"])
def test_help_names_the_commands(command):
    done = run(command, "--help")
    assert done.returncode == 0
    assert {"form", "card"} <= set(re.findall(r"^  (\w+)", done.stdout, re.M))
    assert done.stderr == ""


def test_the_quick_help_says_what_the_commands_say_themselves():
    commands = typer.main.get_command(cli.app).commands
    said = [(name, " ".join(command.help.split("\n\n")[0].split())) for name, command in commands.items()]
    assert list(cli.COMMANDS) == said


def test_no_words_at_all_show_the_help():
    done = run(SCRIPT)
    assert "Usage: toothcheck" in done.stdout + done.stderr
    assert "Traceback" not in done.stderr


def test_importing_the_command_loads_nothing_heavy():
    heavy = [
        "numpy",
        "cv2",
        "scipy",
        "skimage",
        "matplotlib",
        "PIL",
        "sqlalchemy",
        "reportlab",
        "ezdxf",
        "pypdfium2",
        "pint",
    ]
    code = f"import sys, toothcheck.cli; toothcheck.cli.app; print(*(m for m in {heavy} if m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment(), check=True)
    assert done.stdout.split() == []


def commands(command, *names):
    """Every command below, with the words that call it."""
    yield names, command
    for name, below in getattr(command, "commands", {}).items():
        yield from commands(below, *names, name)


ALL_COMMANDS = [*commands(typer.main.get_command(cli.app))]


@pytest.mark.parametrize("columns", [80, 40])
def test_help_is_plain_and_cuts_no_name(columns, run, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(columns))
    for names, command in ALL_COMMANDS:
        status, text, _ = run(*names, "--help")
        assert status == 0
        assert not re.search("[\u2500-\u257f]", text)  # box drawing reads badly and sounds worse
        assert not re.search(r"<(bool|str|int|float|list)\b", text), names  # a program's words
        words = set(text.split())
        options = [p for p in command.params if p.param_type_name == "option"]
        below = getattr(command, "commands", {})
        assert {opt for option in options for opt in option.opts} <= {word.rstrip(",") for word in words}
        assert below.keys() <= words
        # sentences are whole, too
        assert set(" ".join(option.help for option in options).split()) <= words
        assert set(" ".join(b.help.split("\n\n")[0] for b in below.values()).split()) <= words
        # a line is longer only where one name is
        assert all(len(line) <= columns or len(line.split()) <= 2 for line in text.splitlines()), text


COLOUR = re.compile(r"\x1b\[(\d+;)*(3[0-8]|4[0-8]|9[0-7]|10[0-7])(;\d+)*m")


@pytest.mark.parametrize("words", [["--help"], FORM], ids=" ".join)
def test_no_colour_on_a_terminal_where_no_color_is_set(words):
    # the convention: NO_COLOR, set to anything, means no colour; bold is no colour
    assert not COLOUR.search(on_a_terminal(*words, NO_COLOR="1"))


def test_help_has_no_escape_codes_even_on_a_terminal():
    assert "\x1b" not in on_a_terminal("--help")


@pytest.mark.parametrize("words", [["--help"], FORM, [*FORM, "--json", "-"], ["form", "--teeth", "x"]], ids=" ".join)
def test_no_escape_codes_at_all_into_a_file(words):
    done = run(SCRIPT, *words)
    assert "\x1b" not in done.stdout + done.stderr


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_shell_completion_script(shell):
    done = run(SCRIPT, _TOOTHCHECK_COMPLETE=f"source_{shell}")
    assert done.returncode == 0
    assert "_TOOTHCHECK_COMPLETE" in done.stdout
    assert "toothcheck" in done.stdout


def test_bash_accepts_the_completion_script_and_completes_a_command(tmp_path):
    (tmp_path / "completion.sh").write_text(run(SCRIPT, _TOOTHCHECK_COMPLETE="source_bash").stdout)
    check = subprocess.run(["bash", "-n", tmp_path / "completion.sh"], capture_output=True, text=True)
    assert (check.returncode, check.stderr) == (0, "")
    done = run(SCRIPT, _TOOTHCHECK_COMPLETE="complete_bash", COMP_WORDS="toothcheck ca", COMP_CWORD="1")
    assert "card" in done.stdout.split()
    assert "form" not in done.stdout.split()


@pytest.mark.parametrize(
    "words",
    [["no-such-command"], ["--no-such-option"], ["form"], ["form", "--chain", "520", "--teeth", "many"], ["card"]],
    ids=" ".join,
)
def test_wrong_words_end_with_status_2_and_no_traceback(words):
    done = run(SCRIPT, *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert "Traceback" not in done.stderr
    assert done.stderr


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["card-height=2,5"], "--card-height: '2,5' is no number. Write it with a point: 2.5."),
        (["card-height=-2mm"], "--card-height: '-2mm' is no number. Write the number alone: -2."),
        (["card-height=2,5mm"], "--card-height: '2,5mm' is no number. Write the number alone: 2.5."),
        (["card-height=two"], "--card-height: 'two' is no number."),
        (
            ["turning=left"],
            "--turning: 'left' is not one of 'clockwise', 'counterclockwise'. See: toothcheck inspect --help",
        ),
        (["tooth=15"], "No such option: --tooth (Possible options: --teeth, --text). See: toothcheck inspect --help"),
    ],
    ids=str,
)
def test_wrong_values_are_one_clear_line(words, line, run):
    said = ["inspect", "none.jpg", "--chain", "520", "--teeth", "15", "--position", "front"]
    assert run(*said, *[f"--{word}" for word in words]) == (2, "", f"toothcheck: {line}\n")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (
            ["inspect", "none.jpg", "--chain", "520", "--teeth", "15"],
            "Missing option '--position'. Choose from: front, rear. See: toothcheck inspect --help",
        ),
        (
            ["form", "--chain", "520", "--teeth", "3.5"],
            "--teeth: '3.5' is no whole number. See: toothcheck form --help",
        ),
        (["exercise", "make", "--level", "7", "-o", "a.html"], "--level must be from 1 to 3, not 7."),
        (["synthetic", "--seed", "-1"], "--seed must be 0 or more, not -1."),
        (
            ["logbook", "chain-length", "KC-07", "-318,4", "--pitches", "20", "--at", "1km"],
            "'-318,4' begins with a hyphen and is no option; no number is negative here. "
            "Put words that begin so last, behind -- and a blank.",
        ),
        (
            ["logbook", "note", "--at", "5km", "KC-07", "- oiled"],
            "'- oiled' begins with a hyphen and is no option; no number is negative here. "
            "Put words that begin so last, behind -- and a blank.",
        ),
        (
            ["logbook", "note", "Old", "Red", "oiled", "again"],
            "Too many words: oiled again. A name or remark of several is put in quotes. "
            "See: toothcheck logbook note --help",
        ),
        (["due", "--within"], "--within needs a value behind it."),
        (["logbook", "list", "--parts=yes"], "--parts takes no value."),
        (["logbook", "note", "KC-07", "-text"], "No such option: -t. See: toothcheck logbook note --help"),
        (["logbok"], "No such command 'logbok'. Did you mean 'logbook'? See: toothcheck --help"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_words_are_one_clear_line(words, line, run):
    assert run(*words) == (2, "", f"toothcheck: {line}\n")


def all_errors(root=errors.ToothcheckError):
    yield root
    for child in root.__subclasses__():
        yield from all_errors(child)


STATUS = {"UsageError": 2, "PhotoError": 4, "OutputError": 2, "LogbookError": 2, "ToothcheckError": 1}


@pytest.mark.parametrize("error", [*all_errors()], ids=lambda e: e.__name__)
def test_our_errors_are_one_line_and_their_own_status(error, capsys, monkeypatch):
    def run(words):
        raise error("It did not work.", hint="Do it another way.")

    monkeypatch.setattr(cli, "run", run)
    with pytest.raises(SystemExit) as stop:
        cli.main()
    out, err = capsys.readouterr()
    assert (out, err) == ("", "toothcheck: It did not work. Do it another way.\n")
    assert stop.value.code == error.exit_status
    # 0 graded, 3 cannot tell, 2 the words are wrong, 4 the photo cannot be read, 1 nothing else
    assert stop.value.code == STATUS.get(error.__name__, stop.value.code)
    assert stop.value.code in {1, 2, 3, 4}


@pytest.fixture
def gone():
    """The end to write to of a pipe whose reader has gone away."""
    ours, theirs = os.pipe()
    os.close(ours)
    yield theirs
    os.close(theirs)


SIGPIPE_SAID = 128 + signal.SIGPIPE
"""What a shell says of a command that the signal ended (POSIX: a number above 128 that tells which)."""


@pytest.mark.parametrize(
    "words",
    [
        FORM,  # told by rich
        [*FORM, "--json", "-"],  # by ourselves
        ["logbook", "list", "--logbook", "book.sqlite"],  # by typer
        ["--version"],
        ["--help"],
        ["logbook", "--help"],
    ],
    ids=" ".join,
)
def test_a_reader_that_went_away_ends_a_command_quietly_and_with_no_status_of_ours(words, gone, tmp_path):
    run(SCRIPT, "logbook", "add-machine", "KC-07", "--at", "0km", "--logbook", str(tmp_path / "book.sqlite"))
    with subprocess.Popen(
        [*SCRIPT, *words], stdout=gone, stderr=subprocess.PIPE, env=environment(), cwd=tmp_path
    ) as process:
        assert process.stderr.read() == b""
        assert process.wait(timeout=60) == SIGPIPE_SAID


def test_so_does_one_that_went_away_from_what_is_said_of_wrong_words(gone):
    for words in (["form", "--chain", "520", "--teeth", "x"], []):
        done = subprocess.run([*SCRIPT, *words], stdout=subprocess.PIPE, stderr=gone, env=environment(), timeout=60)
        assert (done.returncode, done.stdout) == (SIGPIPE_SAID, b"")


def test_what_was_to_be_written_is_there_though_nobody_reads_what_is_said(gone, tmp_path):
    words = [*FORM, "--svg", "wheel.svg"]
    done = subprocess.run([*SCRIPT, *words], stdout=gone, env=environment(), cwd=tmp_path, timeout=60)
    assert done.returncode == SIGPIPE_SAID
    assert [p.name for p in tmp_path.iterdir()] == ["wheel.svg"]


def test_a_reader_that_has_read_enough_gets_no_traceback():
    pipe = f"{shlex.join([*SCRIPT, *FORM])} | head -n 1"
    done = run(["bash", "-c", f"{pipe}; exit ${{PIPESTATUS[0]}}"])
    assert (done.stdout, done.stderr) == ("ISO 606, chain 520, 15 teeth\n", "")
    assert done.returncode in {0, SIGPIPE_SAID}  # 0 when it was done before the reader left


def test_an_interruption_is_no_traceback(monkeypatch, capsys):
    def run(words):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "run", run)
    with pytest.raises(SystemExit) as stop:
        toothcheck.__main__.main()
    assert (stop.value.code, *capsys.readouterr()) == (128 + signal.SIGINT, "", "")


def test_nor_is_one_while_the_command_is_still_being_loaded(monkeypatch, capsys):
    class Interrupted:
        def find_spec(self, name, *_):
            if name == "toothcheck.cli":
                raise KeyboardInterrupt

    monkeypatch.delitem(sys.modules, "toothcheck.cli")
    monkeypatch.setattr(sys, "meta_path", [Interrupted(), *sys.meta_path])
    with pytest.raises(SystemExit) as stop:
        toothcheck.__main__.main()
    assert (stop.value.code, *capsys.readouterr()) == (128 + signal.SIGINT, "", "")
    scripts = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text("utf-8"))["project"]["scripts"]
    assert scripts == {"toothcheck": "toothcheck.__main__:main"}


@pytest.mark.parametrize("closed", ["2>&-", ">&- 2>&-", "<&- >&- 2>&-"])
def test_closed_streams_change_no_status(closed):
    for words, status in ((FORM, 0), (["form", "--chain", "520", "--teeth", "x"], 2)):
        assert run(["bash", "-c", f"{shlex.join([*SCRIPT, *words])} {closed}"]).returncode == status


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the device of a disk that is always full")
@pytest.mark.parametrize(
    "words",
    [FORM, [*FORM, "--json", "-"], ["logbook", "--help"], ["--help"], ["match", "--case", "kestrel-front"]],
    ids=" ".join,
)
def test_a_full_disk_behind_stdout_is_one_line(words):
    done = run(["bash", "-c", f"{shlex.join([*SCRIPT, *words])} > /dev/full"])
    assert done.returncode == 2
    assert done.stderr == ("toothcheck: Cannot write what is to be said: No space left on device. Send it elsewhere.\n")


def test_a_closed_stdout_is_no_reason_not_to_write_files(tmp_path):
    done = run(["bash", "-c", f"{shlex.join([*SCRIPT, *FORM])} --json {tmp_path / 'a.json'} >&-"])
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads((tmp_path / "a.json").read_text())["teeth"] == 15


@pytest.mark.parametrize(
    "target",
    [
        ">(cat > seen.json; echo > done)",  # a shell's word for a pipe: /dev/fd/63
        "pipe",
        "through-a-link",
    ],
)
def test_a_pipe_is_written_to_and_stays_one(target, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "through-a-link").symlink_to("pipe")
    reader = "" if target.startswith(">") else "(cat pipe > seen.json; echo > done) & "
    wait = "while [ ! -e done ]; do sleep 0.05; done"
    line = (
        f"cd {tmp_path}; {reader}{shlex.join([*SCRIPT, *FORM])} --json {target} > text; status=$?; {wait}; exit $status"
    )
    done = run(["bash", "-c", line])
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "pipe").is_fifo()
    assert (tmp_path / "through-a-link").is_symlink()
    assert json.loads((tmp_path / "seen.json").read_text())["teeth"] == 15


@pytest.mark.parametrize("word", ["/dev/stdout", "/dev/fd/1", "/proc/self/fd/1"])
def test_words_for_stdout_go_where_the_shell_sends_it(word, tmp_path):
    if not Path(word).parent.exists():
        pytest.skip("not a word of this system")
    done = run(["bash", "-c", f"{shlex.join([*SCRIPT, *FORM])} --json {word} > {tmp_path / 'both'}"])
    text = (tmp_path / "both").read_text()
    assert (done.returncode, done.stderr) == (0, "")
    document, end = json.JSONDecoder().raw_decode(text)
    assert document["teeth"] == 15
    assert "ISO 606, chain 520, 15 teeth" in text[end:]
    assert [p.name for p in tmp_path.iterdir()] == ["both"]


def test_what_a_link_points_to_is_written_and_keeps_its_permissions(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    real, link, fresh = tmp_path / "elsewhere" / "real.json", tmp_path / "link.json", tmp_path / "fresh.json"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    fresh.symlink_to("elsewhere/made.json")
    for target in (link, fresh):
        check_writable(target)
        write_whole(target, b"new")
        assert target.is_symlink()
        assert target.read_bytes() == b"new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    assert {p.name for p in real.parent.iterdir()} == {"real.json", "made.json"}


def test_a_link_that_leads_to_itself_is_refused(tmp_path):
    (tmp_path / "loop").symlink_to("loop")
    for refused in (check_writable, lambda target: write_whole(target, b"new")):
        with pytest.raises(errors.OutputError, match=re.escape(f"Cannot write {tmp_path / 'loop'}: ")):
            refused(tmp_path / "loop")


@pytest.fixture
def closed(tmp_path):
    """A folder into which this process may not look."""
    folder = tmp_path / "closed"
    folder.mkdir(mode=0)
    root = os.geteuid() == 0
    if root:  # who may look everywhere
        os.seteuid(65534)
    yield folder
    if root:
        os.seteuid(0)
    folder.chmod(0o700)


def refused_names(folder):
    (folder / "loop").symlink_to("loop")
    return folder / f"{'a' * 300}.json", folder / "loop"


def test_a_result_in_a_folder_that_may_not_be_looked_into_is_refused(closed):
    for path in (closed / "made.json", closed / "deeper" / "made.json"):
        with pytest.raises(errors.OutputError, match=r"Permission denied\. Choose a name and a folder"):
            check_targets(read={"the photo itself": Path("photo.jpg")}, written={"--json": path})
    with pytest.raises(errors.OutputError, match=r"^Cannot make the folder .*: Permission denied"):
        made_folder(closed / "made")


def test_a_full_disk_asks_for_room_and_keeps_what_was_there(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    target = tmp_path / "made.json"
    target.write_bytes(b"before")
    with monkeypatch.context() as patch:
        patch.setattr(Path, "write_bytes", full)
        with pytest.raises(errors.OutputError, match=r"No space left on device\. Make room there"):
            write_whole(target, b"after")
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("made.json", b"before")]


def test_what_lies_in_a_folder_that_may_not_be_looked_into_is_not_read(closed):
    for path in (closed, closed / "deeper"):
        with pytest.raises(errors.InputError, match=r"cannot be read: Permission denied\. Check its permissions\.$"):
            inside(path)
    with pytest.raises(errors.LogbookError, match=r"^The logbook cannot be at .*: Permission denied"):
        file_of(str(closed / "deeper" / "made.sqlite"))


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (["exercise", "make", "-o", "e.html", "--photos", "a" * 300], 4),
        (["exercise", "collect", "a" * 300], 4),
        (["logbook", "demo", "--out", "a" * 300], 2),
    ],
)
def test_a_name_that_nothing_can_have_is_one_line(words, status):
    done = run(MODULE, *words)
    assert (done.returncode, done.stdout) == (status, "")
    assert re.fullmatch(r"toothcheck: .*a{300}.*: File name too long\..*\n", done.stderr)


def test_a_name_that_no_result_can_have_is_refused(tmp_path):
    photo = tmp_path / "photo.jpg"
    photo.touch()
    for path in refused_names(tmp_path):
        with pytest.raises(errors.OutputError, match=r"(File name too long|levels of symbolic links)\. Choose a name"):
            check_targets(read={"the photo itself": photo}, written={"--json": path})
    with pytest.raises(errors.OutputError, match=r"^Cannot make the folder .*: File name too long"):
        made_folder(tmp_path / ("a" * 300))


def test_a_file_that_is_read_under_a_name_that_no_file_can_have_hinders_no_result(tmp_path):
    for path in refused_names(tmp_path):
        check_targets(read={"the photo itself": path}, written={"--json": tmp_path / "made.json"})


def test_json_alone_stands_on_stdout():
    done = run(SCRIPT, *FORM, "--json", "-")
    assert done.stdout.startswith("{\n")
    assert done.stdout.endswith("}\n")
    assert done.stderr == ""


def test_file_names_need_not_be_ascii(tmp_path):
    done = run(SCRIPT, "card", "pocket", "-o", str(tmp_path / "Maß 1:1.pdf"), PYTHONIOENCODING="utf-8")
    assert done.returncode == 0
    assert [p.name for p in tmp_path.iterdir()] == ["Maß 1:1.pdf"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["form", "--chain", "520", "--teeth", "15"], "Seating angle                            alpha   134.00 deg"),
        (["stretch", "--case", "harbour-school-7"], "20 pitches, rule (+- 0.16 % each reading)"),
        (["match", "--case", "kestrel-front"], "!= DIFFERS"),
        (
            ["inspect", "Höhe ±5 中.jpg", "--chain", "520", "--teeth", "15", "--position", "front"],
            "Hohe +-5 ?.jpg does",
        ),
        (["stretch", "--help"], "Your own +- error"),
        (["logbook", "add-machine", "Höhe", "--at", "5km", "--logbook", "FOLDER/b.sqlite"], "Hohe"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_signs_that_a_terminal_lacks_are_written_out(words, said, tmp_path):
    done = run(SCRIPT, *[word.replace("FOLDER", str(tmp_path)) for word in words], PYTHONIOENCODING="ascii")
    assert said in done.stdout + done.stderr
    assert "Traceback" not in done.stderr
