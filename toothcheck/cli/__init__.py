"""The ``toothcheck`` command: every group of commands is a module of this package with a ``register(app)``.

Modules are imported for their signatures only; numpy, OpenCV and the rest are imported inside the commands.  ``--help``
does not even need the signatures and shows `COMMANDS`, so that it stays quick.
"""

from __future__ import annotations

import functools
import importlib
import os
import sys
from pathlib import Path
from typing import Annotated, NoReturn, TextIO, cast

import typer
from typer.core import TyperGroup

from toothcheck import __version__
from toothcheck.cli.books import beginning_with
from toothcheck.cli.letters import take_all_letters
from toothcheck.cli.plain import WRONG_WORDS, options_of, refusal_of, with_plain_help
from toothcheck.cli.summary import COMMANDS
from toothcheck.errors import LogbookError, OutputError, ToothcheckError, UsageError

_READER_WENT_AWAY = 128 + 13
"""What a shell says of a command that SIGPIPE (13) ended; the signal itself is not let through, which would end the
command in the middle of a file or of what it records."""
_GROUPS = (
    "inspect",
    "compare",
    "demo",
    "logbook",
    "trend",
    "stretch",
    "match",
    "advise",
    "report",
    "teach",
    "form",
    "card",
    "synthetic",
    "survey",
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"toothcheck {__version__}")
        raise typer.Exit


def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


def _empty() -> typer.Typer:
    made = typer.Typer(
        name="toothcheck",
        help="How worn is this sprocket, how sure is one photo, and what next?",
        no_args_is_help=True,
    )
    made.callback()(_root)
    return made


@functools.cache
def whole() -> typer.Typer:
    """The command with all that it can do; also ``app`` of this module."""
    made = _empty()
    for name in _GROUPS:
        importlib.import_module(f"toothcheck.cli.{name}").register(made)
    return made


@functools.cache
def front() -> typer.Typer:
    """The commands by name and first line."""
    made = _empty()
    for name, line in COMMANDS:
        made.command(name, help=line)(_nothing)
    return made


def _nothing() -> None:
    pass


def __getattr__(name: str) -> typer.Typer:
    if name == "app":
        return whole()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


@functools.cache
def _parser(made: typer.Typer) -> TyperGroup:
    """What takes the words apart; once, since reading all signatures takes a quarter of a second."""
    command = cast(TyperGroup, typer.main.get_command(made))
    with_plain_help(command)
    return command


def run(words: list[str]) -> int:
    """Do what the words say; gives the exit status.

    Raises
    ------
    UsageError
        When there is no such command or option, or a value cannot be taken.
    ToothcheckError
        As the command raises it; what a room calls a field goes by the name of the command's option.
    """
    asked_by_the_shell = "_TOOTHCHECK_COMPLETE" in os.environ
    command = _parser(front() if words == ["--help"] and not asked_by_the_shell else whole())
    try:
        return int(command.main(words, prog_name="toothcheck", standalone_mode=False) or 0)
    except (UsageError, LogbookError) as error:
        raise type(error)(beginning_with(options_of(command, words), error.args[0]), hint=error.hint) from error
    except WRONG_WORDS as error:
        if str(error).startswith("Usage: "):  # no words at all: the whole help
            sys.stderr.write(f"{error}\n")
            return UsageError.exit_status
        raise refusal_of(error, words) from error


def main() -> None:
    """Run the command; errors of ours become one line on stderr and their own exit status."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by the caller (>&-)
            setattr(sys, name, Path(os.devnull).open("w"))
        take_all_letters(getattr(sys, name))
    try:
        _run_and_end()
    except BrokenPipeError:
        _reader_went_away()
    except SystemExit as end:
        # typer and rich take it for themselves, and end with 1
        if not isinstance(end.__context__, BrokenPipeError):
            raise
        _reader_went_away()


def _run_and_end() -> NoReturn:
    try:
        try:
            status = run(sys.argv[1:])
        finally:
            sys.stdout.flush()  # here, where a full disk can still be told
    except ToothcheckError as error:
        _end(error)
    except BrokenPipeError:
        raise
    except OSError as error:
        if error.filename is not None:
            raise  # not what was said, but a file of the command's own
        _silence(sys.stdout)
        _end(OutputError(f"Cannot write what is to be said: {error.strerror}.", hint="Send it elsewhere."))
    sys.exit(status)


def _end(error: ToothcheckError) -> NoReturn:
    sys.stderr.write(f"toothcheck: {error}\n")
    sys.exit(error.exit_status)


def _reader_went_away() -> NoReturn:
    """End without a word, as programs do that the system ends with SIGPIPE (| head)."""
    _silence(sys.stdout)
    _silence(sys.stderr)
    sys.exit(_READER_WENT_AWAY)


def _silence(stream: TextIO) -> None:
    """Let go of what could not be said: Python would try it again at exit, and complain."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
