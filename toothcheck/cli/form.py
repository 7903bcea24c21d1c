"""``toothcheck form``: the key dimensions of a new sprocket, and its outlines as drawings."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from toothcheck.cli.books import wrong_words
from toothcheck.cli.words import JsonWord

if TYPE_CHECKING:
    from toothcheck.toothform import FormSheet


class Standard(StrEnum):
    """Whose tooth form."""

    iso = "iso"
    asme = "asme"


def register(app: typer.Typer) -> None:
    """Add the command to the app."""
    app.command(
        "form",
        epilog="Example: toothcheck form --chain 520 --teeth 15 --dxf wheel.dxf --svg wheel.svg",
    )(form)


def form(
    chain: Annotated[str, typer.Option(help="Chain size, such as 520 or 10B.")],
    teeth: Annotated[int, typer.Option(help="Tooth count, 7 to 150.")],
    standard: Annotated[
        Standard, typer.Option(help="Tooth form of ISO 606 or of ASME B29.1.", case_sensitive=False)
    ] = Standard.iso,
    blend: Annotated[
        float | None,
        typer.Option(help="Gap form between minimum (0) and maximum (1) to show instead of the middle; ISO only."),
    ] = None,
    svg: Annotated[Path | None, typer.Option(help="Write the outlines as SVG at real size.")] = None,
    dxf: Annotated[Path | None, typer.Option(help="Write the outlines as DXF in mm, with true arcs.")] = None,
    json: JsonWord = None,
) -> None:
    """Show the key dimensions of a new sprocket and what is uncertain of them; write its outlines as SVG and DXF."""
    from toothcheck import chains
    from toothcheck.cli.output import check_ending, check_targets, console, write_json, write_whole
    from toothcheck.toothform import form_sheet

    check_ending("--svg", svg, (".svg",))
    check_ending("--dxf", dxf, (".dxf",))
    check_targets(read={}, written={"--svg": svg, "--dxf": dxf, "--json": json}, json_kind="form")
    try:
        sheet = form_sheet(chains.chain(chain), teeth, standard=standard.value, blend=blend)
    except ValueError as error:
        raise wrong_words(error) from error
    written = []
    if svg or dxf:
        from toothcheck.cli.drawing import dxf_bytes, svg_bytes, wheel_drawing

        drawing = wheel_drawing(sheet)
        if dxf:
            write_whole(dxf, dxf_bytes(drawing))
            written.append(dxf)
        if svg:
            write_whole(svg, svg_bytes(drawing, sheet))
            written.append(svg)
    if json:
        write_json(sheet.document(), json)
    if json == "-":
        return
    out = console()
    _show(sheet)
    for path in written:
        out.print(f"Wrote {path}", soft_wrap=True, markup=False)


def _show(sheet: FormSheet) -> None:
    """Print the sheet for people."""
    from rich.table import Table

    from toothcheck.cli.output import console
    from toothcheck.toothform.sheet import STANDARDS

    def number(key: str, value: float) -> str:
        return f"{value:.2f}°" if key.endswith("_deg") else f"{value:.2f}"

    out = console()
    chain = sheet.chain
    out.print(f"[bold]{STANDARDS[sheet.standard]}, chain {chain.name}, {sheet.teeth} teeth[/bold]")
    out.print(
        f"Pitch {chain.pitch_mm:g}, roller {chain.roller_diameter_mm:g}, inner width {chain.inner_width_mm:g} mm. "
        f"All lengths in mm.\n"
    )
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column()
    table.add_column(style="dim")
    table.add_column(justify="right")
    for d in sheet.shared:
        table.add_row(d.label, d.symbol, number(d.key, d.values[0]))
    out.print(table)
    out.print()
    table = Table(box=None, pad_edge=False, header_style="bold", show_header=len(sheet.names) > 1)
    table.add_column("Gap form")
    table.add_column(style="dim")
    for name in sheet.names:
        table.add_column(name, justify="right")
    for d in sheet.dimensions:
        table.add_row(d.label, d.symbol, *(number(d.key, v) for v in d.values))
    out.print(table)
    out.print("\n[bold]What is uncertain[/bold]")
    notes = Table.grid(padding=(0, 1))
    for note in sheet.notes:
        notes.add_row("•", note)
    out.print(notes)
