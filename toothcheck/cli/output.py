"""What every command does with its results: whole files or none, JSON alone on stdout, text for people."""

from __future__ import annotations

import contextlib
import errno
import json
import mmap
import os
import re
import stat
import sys
import textwrap
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothcheck.errors import OutputError, UsageError
from toothcheck.marks import ANY_JSON, signs

if TYPE_CHECKING:
    from rich.console import Console

SHOWN_AFTER_S = 1.0
"""A command that is done sooner shows no progress, s."""
_SAME_KIND = {".jpeg": ".jpg", ".htm": ".html"}
_HELD = re.compile(
    r"(?<=[0-9]) (?=(?:%|°|±|mm|km|miles|px/mm)(?!\w))|(?<=[0-9]) (?=[0-9]{3}(?![0-9]))"
    r"|(?<=[±=]) (?=[0-9])| (?== [0-9])"
)
"""Blanks at which no line ends: a number with its thousands, its uncertainty and its unit stay together."""
_BLANK = "\ue000"
"""Stands for such a blank while lines are made."""
_MOST_LINKS = 40
"""Links that lead on to links; the system follows no more either."""


def write_whole(target: Path, data: bytes) -> None:
    """Write a file so that it is there as a whole or not at all.

    The bytes go into a file beside the target, which then takes the target's place and keeps its permissions.  A link
    stays, and what it points to is written; what is no plain file (a device, a pipe, ``/dev/stdout``) is written to.

    Raises
    ------
    OutputError
        When the file cannot be written there; nothing is left behind.
    """
    with _refusals_told(target):
        descriptor = _own_descriptor(target)
        if descriptor is not None:
            sys.stdout.flush()  # what was said before it stands before it
            with os.fdopen(os.dup(descriptor), "wb") as out:
                out.write(data)
        elif _is_stream(target):
            target.write_bytes(data)
        else:
            place = target.resolve()
            with _part_of(place) as part:
                part.write_bytes(data)
                if place.exists():
                    part.chmod(stat.S_IMODE(place.stat().st_mode))
                part.replace(place)


def check_writable(target: Path) -> None:
    """Find out whether a file can be written there, before the work that makes it; nothing is left behind.

    Raises
    ------
    OutputError
        As for `write_whole`.
    """
    with _refusals_told(target):
        if _own_descriptor(target) is None and not _is_stream(target):
            with _part_of(target.resolve()) as probe:
                probe.touch()
        elif not os.access(target, os.W_OK):  # opening a pipe would wait for its reader
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


def _is_stream(target: Path) -> bool:
    """Whether something is there already that is neither file nor folder: its place must not be taken."""
    try:
        mode = target.stat().st_mode
    except FileNotFoundError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISDIR(mode))


def _own_descriptor(target: Path) -> int | None:
    """The number of a file that this process has open already, where the target is another word for it.

    ``/dev/stdout``, ``/dev/fd/N`` and a shell's ``>(…)`` are such words.  The file behind one may be a plain one, and
    still its place must not be taken: the shell would go on writing to the old one.
    """
    ours = {Path(name).resolve() for name in ("/dev/fd", "/proc/self/fd")}
    for _ in range(_MOST_LINKS):
        if target.name.isdecimal() and target.parent.resolve() in ours:
            return int(target.name) if target.exists() else None
        if not target.is_symlink():
            break
        target = target.parent / target.readlink()
    return None


def check_targets(
    *, read: Mapping[str, Path | None], written: Mapping[str, Path | str | None], json_kind: str = ""
) -> None:
    """Find out, before the work, whether every result can be written without taking the place of anything else.

    A result may take the place of one of its kind that toothcheck wrote, so that a command can be given again.

    Parameters
    ----------
    read
        What the command reads, by the words for it ("the photo itself"); None and what is not there are passed over.
    written
        Where results go, by option; None and ``-`` (stdout) are passed over.
    json_kind
        As of `toothcheck.marks.signs`.

    Raises
    ------
    UsageError
        When a target is a file that is read, two targets are the same file, or ``--json`` is no name of a JSON file.
    OutputError
        As for `check_writable` and `check_replaceable`.
    """
    taken = [(path, what) for what, path in read.items() if path is not None]
    for option, target in written.items():
        if target is None or target == "-":
            continue
        path = Path(target)
        for other, what in taken:
            if same_file(path, other):
                raise UsageError(f"{option} {path} is {what}.", hint="Give it a name of its own.")
        taken.append((path, f"what {option} writes"))
        check_writable(path)
        if option == "--json" and _own_descriptor(path) is None and not _is_stream(path):
            check_ending(option, path, (".json",))
        check_replaceable(option, path, signs(json_kind))


def check_replaceable(option: str, target: Path, allowed: Mapping[str, bytes], data: bytes | None = None) -> None:
    """Find out whether what would be replaced there, if anything, is a result of toothcheck's own.

    Parameters
    ----------
    option
        What is said of the name, such as ``--json``.
    target
        Where the result goes.
    allowed
        By its ending, what finds the mark of what may be replaced.
    data
        What will be written, where it is known already: a file that is the same is no loss.

    Raises
    ------
    OutputError
        When nothing in what is there already says that toothcheck wrote it, it is JSON of another kind, or it cannot be
        read.
    """
    with _refusals_told(target):
        place = target.resolve()
        if _own_descriptor(target) is not None or not place.is_file() or place.stat().st_size == 0:
            return  # nothing that could be lost
        kind = target.suffix.lower()
        with place.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as there:
            if re.search(_mark(_SAME_KIND.get(kind, kind), allowed), there, re.DOTALL) is not None:
                return
            if data is not None and there[:] == data:
                return
            other = re.search(ANY_JSON + rb'([^"/]*)', there)
            held = "does not look like anything that toothcheck wrote"
            if other is not None:
                held = f"holds something else that toothcheck wrote ({other[1].decode(errors='replace')})"
    raise OutputError(f"{option} {target} is there already, and {held}.", hint="Give another name, or remove it first.")


def _mark(kind: str, allowed: Mapping[str, bytes]) -> bytes:
    """What finds the mark of a result of that ending."""
    if kind == ".csv":
        from toothcheck.logbook.exchange import csv_text

        return rb"\A" + re.escape(csv_text(()).encode())
    return allowed[kind]


def same_file(one: Path, other: Path) -> bool:
    """Whether two names are of one file; not where it cannot be told: reading or writing it then says why."""
    try:
        # by its identity, too: where names differ in case only, or by a link
        return one.resolve() == other.resolve() or (one.exists() and other.exists() and one.samefile(other))
    except (OSError, RuntimeError):  # may not be looked at, too long, links that lead round
        return False


def check_ending(option: str, path: Path | None, kinds: Iterable[str]) -> None:
    """Refuse a name whose ending is none of those that the option can write.

    Raises
    ------
    UsageError
        Naming the endings.
    """
    if path is not None and path.suffix.lower() not in kinds:
        *others, last = kinds
        endings = f"{', '.join(others)} or {last}" if others else last
        raise UsageError(f"{option} must end in {endings}, not {path.name}.")


@contextlib.contextmanager
def _part_of(target: Path) -> Iterator[Path]:
    """A file beside the target to write to; whatever is left of it goes."""
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        yield part
    finally:
        part.unlink(missing_ok=True)


@contextlib.contextmanager
def _refusals_told(target: Path) -> Iterator[None]:
    """Tell what the system refuses about a target; a reader that went away is no refusal."""
    try:
        if target.is_dir():
            raise OutputError(f"Cannot write {target}: it is a folder.", hint="Name a file.")
        yield
    except BrokenPipeError:
        raise
    except (OSError, RuntimeError) as error:
        if isinstance(error, OSError):
            reason = error.strerror or type(error).__name__
        else:  # so Python before 3.13 tells of links that lead round
            reason = os.strerror(errno.ELOOP)
        full = isinstance(error, OSError) and error.errno == errno.ENOSPC
        hint = "Make room there, or name another disk." if full else "Choose a name and a folder that you may write to."
        raise OutputError(f"Cannot write {target}: {reason}.", hint=hint) from error


def made_folder(folder: Path) -> None:
    """Make a folder where there is none.

    Raises
    ------
    OutputError
        When it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        if isinstance(error, FileExistsError):
            reason = "there is a file of that name"
        raise OutputError(f"Cannot make the folder {folder}: {reason}.", hint="Name another.") from error


def counted(count: int, one: str, many: str = "") -> str:
    """``1 photo``, ``2 photos``."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def json_text(document: dict[str, Any]) -> str:
    """A document as JSON text.

    Raises
    ------
    ValueError
        When the document holds NaN or infinity: unknown is null in our JSON.
    """
    return json.dumps(document, indent=1, allow_nan=False) + "\n"  # ASCII: any terminal takes it


def write_json(document: dict[str, Any], target: str) -> None:
    """Write a document as JSON to a file, or to stdout when the target is ``-``.

    Raises
    ------
    OutputError
        When the file cannot be written.
    ValueError
        As for `json_text`.
    """
    text = json_text(document)
    if target == "-":
        sys.stdout.write(text)
    else:
        write_whole(Path(target), text.encode())


def console(*, stderr: bool = False) -> Console:
    """For people: colour only on a terminal, and none where NO_COLOR is set."""
    from rich.console import Console

    return Console(highlight=False, stderr=stderr)


def paragraph(out: Console, words: str, *, mark: str = "", head: str = "", style: str = "") -> None:
    """Print words for people over as many lines as they need; nothing is torn that is read as one.

    Parameters
    ----------
    out
        Where to; its width counts.
    words
        Plain text, no markup.
    mark
        What stands in front, such as `` - ``; the lines that follow are set in under the words.
    head
        Words in front of the others, bold.
    style
        Of all of it.
    """
    from rich.text import Text

    for number, line in enumerate(torn_nowhere(head + words, out.width, first=mark, later=" " * len(mark))):
        text = Text(line, style=style)
        if number == 0 and head:
            text.stylize("bold", len(mark), len(mark) + len(head))
        out.print(text, soft_wrap=True)


def torn_nowhere(words: str, width: int, *, first: str = "", later: str = "") -> list[str]:
    """Words over as many lines of that many columns as they need; nothing is torn that is read as one.

    Parameters
    ----------
    words
        Plain text.
    width
        Columns; a word that is longer, such as a file's name, stands in a line of its own.
    first, later
        What stands in front of the first line, and of those that follow.
    """
    lines = textwrap.wrap(
        _HELD.sub(_BLANK, words),
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,  # a file's name, say
        break_on_hyphens=False,  # a grade's name
    )
    return [line.replace(_BLANK, " ") for line in lines]


@contextlib.contextmanager
def busy(words: str) -> Iterator[Callable[[str], None]]:
    """Say on a terminal's stderr what is going on, once it takes longer; gives the way to say something new."""
    out = console(stderr=True)
    if not out.is_terminal or out.is_dumb_terminal:
        yield lambda words: None
        return
    status = out.status(words, spinner="dots" if out.encoding.lower().startswith("utf") else "line")
    later = threading.Timer(SHOWN_AFTER_S, status.start)
    later.daemon = True
    later.start()
    try:
        yield lambda words: status.update(words)
    finally:
        later.cancel()
        later.join()
        status.stop()
