"""Invented cases that come with the package, so that every command can be tried without a machine."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

from toothcheck.errors import UsageError


def case(command: str, name: str) -> dict[str, Any]:
    """The bundled case of that name for a command.

    Raises
    ------
    UsageError
        When there is none; the message lists them.
    """
    table = json.loads(files("toothcheck.cli.cases").joinpath(f"{command}.json").read_text("utf-8"))
    names = [key for key in table if not key.startswith("_")]
    if name not in names:
        raise UsageError(f"There is no case {name!r}.", hint=f"The cases are: {', '.join(names)}.")
    found = table[name]
    if not isinstance(found, dict):
        raise TypeError(f"case {name} must be an object")
    return found
