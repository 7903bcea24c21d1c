"""Help and wrong words in plain lines, for eye and ear: no frames, no name cut, nothing in a programmer's words."""

from __future__ import annotations

import functools
import inspect
import re
import shutil
import sys
import textwrap
from typing import TYPE_CHECKING, Any, cast

import typer

from toothcheck.cli.books import number_of
from toothcheck.cli.letters import shown_on
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from typer.core import TyperArgument, TyperCommand, TyperGroup, TyperOption

WRONG_WORDS = cast("type[Exception]", typer.BadParameter.__bases__[0])
"""What typer raises at words that it cannot take; it has no public name there."""
_KINDS = {
    "<str>": "<text>", "<list[str]>": "<text>", "<list[Path]>": "<path>", "<int>": "<number>",
    "<int range>": "<number>", "<float>": "<number>", "<float range>": "<number>",
}  # fmt: skip
"""What typer writes behind an option's name, and what it is called outside of programs."""
_IN_PLAIN_WORDS = {
    r"^Option '(.+)' requires an argument\.$": r"\1 needs a value behind it.",
    r"^Option '(.+)' does not take a value\.$": r"\1 takes no value.",
    r"^Got unexpected extra arguments?(?:\(s\))? \((.+)\)$": (
        r"Too many words: \1. A name or remark of several is put in quotes."
    ),
}
"""What typer says of words, as people say it."""
_COLUMNS = 80
_FEWEST_COLUMNS = 30


def with_plain_help(command: TyperCommand | TyperGroup) -> None:
    """Give a command, and all below it, the help of `help_of`."""
    command.get_help = functools.partial(help_of, command)  # type: ignore[method-assign]  # one command, not its class
    for below in getattr(command, "commands", {}).values():
        with_plain_help(below)


def help_of(command: TyperCommand | TyperGroup, context: typer.Context) -> str:
    """All that a command's help says, as wide as the terminal and at most 80 columns."""
    width = max(min(shutil.get_terminal_size().columns, _COLUMNS), _FEWEST_COLUMNS)
    usage = " ".join([context.command_path, *command.collect_usage_pieces(context)])
    parts = [_filled(f"Usage: {usage}", width, hanging=4)]
    parts += [_filled(text, width, indent=2) for text in _paragraphs(command.help)]
    kinds: dict[str, list[tuple[str, str]]] = {"argument": [], "option": []}
    for param in command.get_params(context):
        record = cast("TyperArgument | TyperOption", param).get_help_record(context)
        if record is not None:
            name, bracket, kind = record[0].partition("<")
            kinds[param.param_type_name].append((name + _KINDS.get(bracket + kind, bracket + kind), record[1]))
    below = getattr(command, "commands", {})
    lists = {
        "Arguments": kinds["argument"],
        "Options": kinds["option"],
        "Commands": [(name, _paragraphs(c.help)[0]) for name, c in below.items()],
    }
    parts += [f"{heading}:\n{_listed(rows, width)}" for heading, rows in lists.items() if rows]
    parts += [_filled(text, width, indent=2) for text in _paragraphs(command.epilog)]
    return shown_on(sys.stdout, "\n\n".join(parts))


def _paragraphs(text: str | None) -> list[str]:
    return inspect.cleandoc(text).split("\n\n") if text else []


def _listed(rows: Iterable[tuple[str, str]], width: int) -> str:
    """Names to the left, what they mean to the right; a name that is too long stands alone on its line."""
    rows = list(rows)
    left = 2 + min(max(len(name) for name, _ in rows), width * 3 // 8) + 2
    lines = []
    for name, meaning in rows:
        text = _filled(meaning, width, indent=left)
        lines.append(f"  {name}".ljust(left) + text[left:] if 2 + len(name) + 2 <= left else f"  {name}\n{text}")
    return "\n".join(lines)


def _filled(text: str, width: int, *, indent: int = 0, hanging: int = 0) -> str:
    # no option is broken at its hyphens
    return textwrap.fill(
        " ".join(text.split()), width, initial_indent=" " * indent, subsequent_indent=" " * (indent + hanging),
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


def options_of(command: TyperCommand | TyperGroup, words: Sequence[str]) -> dict[str, str]:
    """The options, by their parameters' names, of the command that the words call."""
    for word in words:
        below = getattr(command, "commands", {})
        if word not in below:
            break
        command = below[word]
    return {param.name or "": param.opts[0] for param in command.params if param.param_type_name == "option"}


def refusal_of(error: Exception, words: Sequence[str]) -> UsageError:
    """One line of ours for one of `WRONG_WORDS`, at those words of the command line."""
    context = getattr(error, "ctx", None)
    hint = "" if context is None else f"See: {context.command_path} --help"
    param, cause = getattr(error, "param", None), error.__cause__
    if (
        param is not None and cause is not None and hasattr(cause, "errors")
    ):  # pydantic's, which typer reads values with
        return _wrong_value(param, cause.errors()[0], hint)
    meant = _no_option_meant(error, words)
    if meant is not None:
        return UsageError(
            f"{meant!r} begins with a hyphen and is no option; no number is negative here.",
            hint="Put words that begin so last, behind -- and a blank.",
        )
    said = " ".join(error.format_message().split())  # type: ignore[attr-defined]  # see WRONG_WORDS
    for theirs, ours in _IN_PLAIN_WORDS.items():
        said = re.sub(theirs, ours, said)
    return UsageError(said if said.endswith((".", "?")) else f"{said}.", hint=hint)


def _no_option_meant(error: Exception, words: Sequence[str]) -> str | None:
    """The word that was taken for an unknown option though no option looks like it: a number, or several words."""
    begins = getattr(error, "option_name", None) if hasattr(error, "possibilities") else None
    if begins is None:
        return None
    word = next((word for word in words if word.startswith(begins)), begins)
    return word if not re.match("--?[a-z]", word, re.IGNORECASE) or len(word.split()) > 1 else None


def _wrong_value(param: Any, told: dict[str, Any], hint: str) -> UsageError:  # noqa: ANN401 - typer's, by its kind
    """A value that an option or argument cannot take; ``told`` is what pydantic says of it."""
    given, kind = told["input"], told["type"]
    name = "/".join(param.opts) if param.param_type_name == "option" else param.name
    if kind.startswith(("greater_than", "less_than")):
        allowed = {(True, True): f"from {param.min} to {param.max}", (True, False): f"{param.min} or more"}
        return UsageError(f"{name} must be {allowed[param.min is not None, param.max is not None]}, not {given}.")
    if kind.startswith("float"):
        try:
            number_of(given)
        except UsageError as no_number:
            return UsageError(f"{name}: {no_number}")
    why = told["msg"].removeprefix("Value error, ").rstrip(".")
    if kind.startswith("int"):
        why = f"{given!r} is no whole number"
    return UsageError(f"{name}: {why}.", hint=hint)
