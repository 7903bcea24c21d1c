"""``toothcheck inspect``: one photo to a grade."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from toothcheck.errors import UsageError


def inspect(
    photo: Annotated[Path, typer.Argument(help="The photo: JPEG, PNG, WebP, TIFF or HEIC.", show_default=False)],
    chain: Annotated[str, typer.Option(help="Chain size, e.g. 520.", show_default=False)],
    teeth: Annotated[str, typer.Option(help="Tooth count.", show_default=False)],
    position: Annotated[str, typer.Option(help="front (drives the chain) or rear (is driven).", show_default=False)],
    turning: Annotated[
        Optional[str],  # noqa: UP045 - typer evaluates annotations at run time
        typer.Option(help="Which way the sprocket turns in this photo, rolling forward.", show_default=False),
    ] = None,
    card_height: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(
            help="Card over the sprocket's face, mm, towards the camera; negative behind it.", show_default=False
        ),
    ] = None,
    thickness: Annotated[
        Optional[float],  # noqa: UP045
        typer.Option(help="Thickness of the teeth, mm, where known.", show_default=False),
    ] = None,
    near: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="X,Y: a pixel on the sprocket meant, where there are several.", show_default=False),
    ] = None,
    json: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(help="Write the result as JSON to a file, or to stdout with -.", show_default=False),
    ] = None,
) -> None:
    """Measure a sprocket's teeth in a photo and grade their wear."""
    from toothcheck import inspection
    from toothcheck.chains import chain as chain_of
    from toothcheck.cli.output import write_json
    from toothcheck.photo import load

    try:
        size = chain_of(chain)
    except ValueError as error:
        raise UsageError(f"--chain: {error}.") from error
    claim = inspection.Claim(
        chain=size, teeth=int(teeth), position=position, turning=turning, card_height_mm=card_height,
        thickness_mm=thickness,
    )  # fmt: skip
    result = inspection.inspect(load(photo), claim)
    if json is not None:
        write_json(result.document(), json)
    raise typer.Exit(3 if result.verdict.grade == "cannot-tell" else 0)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog="Example: toothcheck inspect photo.jpg --chain 520 --teeth 15 --position front")(inspect)
