"""``toothcheck inspect``: one photo to a grade."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.after_inspect import baseline_of, held, is_reading, recorded
from toothcheck.cli.books import (
    Again,
    MaybeAt,
    On,
    Replaced,
    Text,
    Where,
    distance_said,
    file_of,
    kilometres,
    note,
    opened,
    telling,
)
from toothcheck.cli.words import (
    CardHeightWord,
    ChainWord,
    JsonWord,
    NearWord,
    PositionWord,
    TeethWord,
    ThicknessWord,
    TurningWord,
    card_height_within,
    claim_of,
    refuse_typed,
)
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.inspection import Inspection

_PICTURE = {".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg"}
_CHART = {".png": "png", ".svg": "svg"}


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        epilog="Example: toothcheck inspect photo.jpg --chain 520 --teeth 15 --position front --turning clockwise"
        " --picture seen.png"
    )(inspect)


def inspect(
    context: typer.Context,
    photo: Annotated[
        Path, typer.Argument(help="The photo: JPEG, PNG, WebP, TIFF or HEIC.", readable=False, show_default=False)
    ],
    chain: ChainWord,
    teeth: TeethWord,
    position: PositionWord,
    turning: TurningWord = None,
    card_height: CardHeightWord = None,
    thickness: ThicknessWord = None,
    near: NearWord = None,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write the photo with the measurement drawn on it: .png or .jpg."),
    ] = None,
    teeth_chart: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a chart of all measured teeth: .png or .svg."),
    ] = None,
    json: JsonWord = None,
    log: Annotated[
        str | None,
        typer.Option(metavar="MACHINE", help="Record the result in the logbook for this machine; needs --at."),
    ] = None,
    at: MaybeAt = None,
    on: On = None,
    part: Annotated[
        str | None, typer.Option("--part", help="With --log: the part; default: the one fitted at --position.")
    ] = None,
    text: Text = None,
    keep_photo: Annotated[
        bool, typer.Option("--keep-photo", help="With --log: keep a copy of the photo, without place, owner and time.")
    ] = False,
    operator: Annotated[
        str | None, typer.Option(metavar="NAME", help="With --log: who took the reading, if that shall be kept.")
    ] = None,
    reason: Replaced = None,
    again: Again = None,
    baseline: Annotated[
        str | None,
        typer.Option(metavar="FILE", help="This part when it was new: a photo, or what --json wrote of one."),
    ] = None,
    baseline_card_height: Annotated[
        float | None,
        typer.Option(metavar="MM", help="--card-height of the baseline's photo, where it is another."),
    ] = None,
    where: Where = None,
) -> None:
    """Measure a sprocket's teeth in a photo and grade their wear.

    Exit status: 0 graded, 3 cannot tell, 2 wrong words, 4 the photo cannot be read.
    """
    claim = claim_of(
        chain=chain, teeth=teeth, position=position, turning=turning, card_height=card_height, thickness=thickness,
        near=near,
    )  # fmt: skip
    for_the_log: dict[str, Any] = {
        "at": at, "on": on, "part": part, "text": text, "operator": operator, "keep_photo": keep_photo,
        "reason": reason, "again": again,
    }  # fmt: skip
    if log is None:
        refuse_typed(context, "is for --log MACHINE, which is missing", *for_the_log)
    else:
        shown = distance_said(at)
        with opened(where, said=shown) as book, telling():
            book.check_reading(
                log, kilometres(shown), on_date=on, part=part, position=claim.position,
                chain=None if claim.chain is None else claim.chain.name, teeth=claim.teeth, reason=reason,
            )  # fmt: skip
    if baseline is None:
        refuse_typed(context, "is for --baseline, which is missing", "baseline_card_height")
    elif is_reading(baseline):
        refuse_typed(context, f"is for a photo as baseline; {baseline} is a reading", "baseline_card_height")
    card_height_within("--baseline-card-height", baseline_card_height)
    read = {
        "the photo itself": photo,
        "the baseline": None if baseline is None else Path(baseline),
        "the logbook": file_of(where),
    }
    targets = Targets.of(read, picture=picture, teeth_chart=teeth_chart, json=json)

    from toothcheck import inspection
    from toothcheck.cli.output import busy
    from toothcheck.photo import load

    with busy("Reading the photo") as tell:
        loaded = load(photo)
        if claim.near_px is not None:
            x, y = claim.near_px
            if x > loaded.width_px - 1 or y > loaded.height_px - 1:
                raise UsageError(
                    f"--near {x:g},{y:g} lies outside the photo of {loaded.width_px} x {loaded.height_px} pixels."
                )
        new = None if baseline is None else baseline_of(Path(baseline), photo, claim)
        tell("Finding and measuring the teeth")
        measured = inspection.inspect(loaded, claim)
        tell("Comparing, drawing and recording")
        # before anything is written: the logbook may refuse
        after = held(measured, new, card_height_mm=baseline_card_height)
        result = after.inspection
        made = targets.made(result)
        kept = () if log is None else recorded(after, photo, log=log, logbook=where, **for_the_log)
    written = targets.written(made, after.document)
    if json != "-":
        from toothcheck.cli.answer import answer
        from toothcheck.cli.output import console

        out = console()
        answer(result, out)
        lines = (*after.lines, *kept)
        if written or lines:
            out.print()
        for line in lines:
            out.print(line, soft_wrap=True, markup=False)
        for path in written:
            out.print(f"Wrote {path}", soft_wrap=True, markup=False)
    else:
        note(*kept)
    raise typer.Exit(3 if result.verdict.grade == "cannot-tell" else 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """Where results go; found fit to be written before anything is measured."""

    picture: Path | None
    teeth_chart: Path | None
    json: str | None

    @classmethod
    def of(
        cls, read: Mapping[str, Path | None], *, picture: Path | None, teeth_chart: Path | None, json: str | None
    ) -> Targets:
        """Check the names, against one another and what is read (`toothcheck.cli.output.check_targets`).

        Raises
        ------
        UsageError
            When an ending is none of those that can be written, or a name is a file that is read or written already.
        OutputError
            When a file cannot be written there.
        """
        from toothcheck.cli.output import check_ending, check_targets

        check_ending("--picture", picture, _PICTURE)
        check_ending("--teeth-chart", teeth_chart, _CHART)
        check_targets(
            read=read,
            written={"--picture": picture, "--teeth-chart": teeth_chart, "--json": json},
            json_kind="inspection",
        )
        return cls(picture=picture, teeth_chart=teeth_chart, json=json)

    def made(self, result: Inspection) -> dict[Path, bytes]:
        """The pictures asked for; no chart where no tooth was measured."""
        if self.picture is None and self.teeth_chart is None:
            return {}  # before all that draws is loaded, which takes longer than to draw
        from toothcheck import overlay

        out = {}
        if self.picture is not None:
            out[self.picture] = overlay.picture(result, kind=_PICTURE[self.picture.suffix.lower()])
        if self.teeth_chart is not None:
            if result.wear is None or result.wear.worst_tooth is None:
                typer.echo(f"{self.teeth_chart} is not written: no tooth was measured.", err=True)
            else:
                out[self.teeth_chart] = overlay.teeth_chart(result, kind=_CHART[self.teeth_chart.suffix.lower()])
        return out

    def written(self, made: dict[Path, bytes], document: dict[str, Any]) -> list[str]:
        """Write everything; the names written."""
        from toothcheck.cli.output import write_json, write_whole

        for path, data in made.items():
            write_whole(path, data)
        if self.json is not None:
            write_json(document, self.json)
        return [*map(str, made), *([self.json] if self.json not in (None, "-") else [])]
