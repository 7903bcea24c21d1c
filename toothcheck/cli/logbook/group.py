"""The group ``toothcheck logbook``, which its modules add their commands to."""

from __future__ import annotations

from typing import Annotated

import typer

group = typer.Typer(
    name="logbook",
    help="Keep what was fitted to which machine when, and every reading. Nothing is ever overwritten.",
    no_args_is_help=True,
)


ChainSize = Annotated[str | None, typer.Option("--chain", help="Chain size, such as 520.")]
Teeth = Annotated[int | None, typer.Option("--teeth", help="Tooth count of a sprocket.")]
Links = Annotated[int | None, typer.Option("--links", help="Number of links of a chain.")]
