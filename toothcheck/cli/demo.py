"""``toothcheck demo``: the main job on a photo that comes with the package."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from toothcheck.cli.words import Position, Turning, claim_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from toothcheck.inspection import Inspection

PHOTO = "kestrel-front-hooked.jpg"
"""The sample of that name (see `toothcheck synthetic samples`), as JPEG."""
_CHAIN, _TEETH, _CARD_HEIGHT_MM = "428", "14", 2.03
_POSITION, _TURNING = Position.front, Turning.counterclockwise
_STORY = (
    "A computer-made photo of an invented part: the front sprocket of courier machine 12 at Kestrel Couriers,"
    " chain 428, 14 teeth, photographed beside the pocket card held 2 mm over its face."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog="Example: toothcheck demo --out try-it")(demo)


def demo(
    out: Annotated[Path, typer.Option(help="Folder for the results; made where there is none.")] = Path(
        "toothcheck-demo"
    ),
) -> None:
    """Inspect a made photo that comes with the package; leave photo, pictures, numbers and report in a folder."""
    from importlib import resources

    from toothcheck.cli.output import (
        busy,
        check_replaceable,
        check_writable,
        console,
        json_text,
        made_folder,
        write_whole,
    )
    from toothcheck.marks import signs

    made_folder(out)
    names = ("photo", "picture", "teeth", "worst-tooth", "result", "report")
    kinds = (Path(PHOTO).suffix, ".png", ".png", ".png", ".json", ".html")
    paths = {name: out / f"{name}{kind}" for name, kind in zip(names, kinds, strict=True)}
    encoded = (resources.files("toothcheck") / "demo" / PHOTO).read_bytes()
    for name, path in paths.items():
        check_writable(path)
        check_replaceable(f"The {name}", path, signs("inspection"), encoded if name == "photo" else None)

    from toothcheck import inspection, overlay
    from toothcheck.cli.answer import answer
    from toothcheck.photo import decode

    claim = claim_of(
        chain=_CHAIN, teeth=_TEETH, position=_POSITION, turning=_TURNING, card_height=_CARD_HEIGHT_MM, thickness=None
    )
    with busy("Finding and measuring the teeth") as tell:
        result = inspection.inspect(decode(encoded, paths["photo"].name), claim)
        tell("Drawing")
        drawn = overlay.picture(result)
        files = {"photo": encoded, "picture": drawn}
        if result.wear is not None and result.wear.worst_tooth is not None:
            files["teeth"] = overlay.teeth_chart(result)
            files["worst-tooth"] = overlay.tooth_pair(result)
        files["result"] = json_text(result.document()).encode()
        files["report"] = _report(result, drawn, overlay.tips_shown(result))
    for name, data in files.items():
        write_whole(paths[name], data)

    to_people = console()
    to_people.print(_STORY, width=min(80, to_people.width))
    words = (
        f"$ toothcheck inspect {shlex.quote(str(paths['photo']))} --chain {_CHAIN} --teeth {_TEETH}"
        f" --position {_POSITION} --turning {_TURNING} --card-height {_CARD_HEIGHT_MM}"
    )
    to_people.print(f"\n{words}\n", soft_wrap=True, markup=False, style="dim")
    answer(result, to_people)
    to_people.print()
    said = {
        "photo": "the photo",
        "picture": "what was measured, drawn on it",
        "teeth": "all teeth in one chart",
        "worst-tooth": "the most worn tooth beside the ideal one",
        "result": "every number, as JSON",
        "report": "the report; open it in a browser",
    }
    for name in files:
        to_people.print(f"Wrote {paths[name]}: {said[name]}", soft_wrap=True, markup=False)
    raise typer.Exit(3 if result.verdict.grade == "cannot-tell" else 0)


def _report(result: Inspection, drawn: bytes, tips_shown: Mapping[int, tuple[float, float]]) -> bytes:
    from toothcheck.report import Origin, ReportInput, outlines_of, report_page

    given = ReportInput(
        document=result.document(),
        origin=Origin.MADE,
        picture=drawn,
        outlined=True,
        tips_shown=tips_shown,
        outlines=outlines_of(result.wear) if result.wear else (),
        machine="Kestrel Couriers, courier machine 12 (invented)",
    )
    return report_page(given).encode()
