"""What every command does with its results: whole files or none, JSON alone on stdout, text for people."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothcheck.errors import OutputError

if TYPE_CHECKING:
    from rich.console import Console


def write_whole(target: Path, data: bytes) -> None:
    """Write a file so that it is there as a whole or not at all.

    The bytes go into a file beside the target, which then takes the target's place.

    Raises
    ------
    OutputError
        When the file cannot be written there; nothing is left behind.
    """
    if target.is_dir():
        raise OutputError(f"Cannot write {target}: it is a folder.", hint="Name a file.")
    part = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        try:
            part.write_bytes(data)
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise OutputError(f"Cannot write {target}: {reason}.", hint="Choose a folder that you may write to.") from error


def write_json(document: dict[str, Any], target: str) -> None:
    """Write a document as JSON to a file, or to stdout when the target is ``-``.

    Raises
    ------
    OutputError
        When the file cannot be written.
    ValueError
        When the document holds NaN or infinity: unknown is null in our JSON.
    """
    text = json.dumps(document, indent=1, allow_nan=False) + "\n"  # ASCII: any terminal takes it
    if target == "-":
        sys.stdout.write(text)
    else:
        write_whole(Path(target), text.encode())


def console() -> Console:
    """For people: colour only on a terminal, and none where NO_COLOR is set."""
    from rich.console import Console

    return Console(highlight=False)
