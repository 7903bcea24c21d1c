"""The commands ``toothcheck logbook …``: each module of this package adds some to the group."""

import importlib

import typer

from toothcheck.cli.logbook.group import group

_MODULES = ("fitting", "entering", "correcting", "looking", "carrying")
"""In the order in which their commands are listed."""


def register(app: typer.Typer) -> None:
    """Add the group to the command."""
    for name in _MODULES:
        importlib.import_module(f"{__name__}.{name}")
    app.add_typer(group, name="logbook")
