"""``toothcheck compare``: two photos of one part, and what it lost between them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from toothcheck.cli.output import paragraph
from toothcheck.cli.words import (
    CardHeightWord,
    ChainWord,
    JsonWord,
    PositionWord,
    TeethWord,
    ThicknessWord,
    TurningWord,
    claim_of,
)
from toothcheck.errors import CannotTell, DifferentPartError, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from toothcheck.comparing import Comparison
    from toothcheck.inspection import Inspection

_COLUMNS = 80
_LONGEST_BAR = 28
"""The bar of the greatest loss, columns, where the terminal is wide enough."""
_GAP = 2
"""Blanks between two columns of the table."""
_PICTURE = {".png": "png", ".svg": "svg"}
_DISAGREE = "Cannot tell: the photos and what is said of them do not agree."
"""Stands in place of a loss that is not claimed, in the answer and in the picture."""
_CAUTION = (
    "What is lost says nothing of cracks, bolts, splines or the chain: look at them by hand, engine off. The machine's "
    "manual and a qualified mechanic decide."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        epilog="Example: toothcheck compare new.jpg later.jpg --chain 520 --teeth 15 --position front"
        " --turning clockwise --picture loss.png"
    )(compare)


def compare(
    before: Annotated[Path, typer.Argument(help="The earlier photo.", readable=False, show_default=False)],
    after: Annotated[
        Path, typer.Argument(help="The later photo, of the same face.", readable=False, show_default=False)
    ],
    chain: ChainWord,
    teeth: TeethWord,
    position: PositionWord,
    turning: TurningWord = None,
    card_height: CardHeightWord = None,
    card_height_before: Annotated[
        float | None,
        typer.Option(
            "--card-height-before", metavar="MM", help="--card-height of the earlier photo, where it differs."
        ),
    ] = None,
    card_height_after: Annotated[
        float | None,
        typer.Option("--card-height-after", metavar="MM", help="--card-height of the later photo, where it differs."),
    ] = None,
    thickness: ThicknessWord = None,
    turned_by: Annotated[
        int | None,
        typer.Option(
            "--turned-by", metavar="N", help="Tooth 0 of BEFORE is tooth N of AFTER, where a mark on the part tells."
        ),
    ] = None,
    holes: Annotated[
        bool, typer.Option("--holes/--no-holes", help="Whether bore, splines and fixing holes are compared, too.")
    ] = True,
    picture: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw both outlines and each tooth's loss: .png or .svg."),
    ] = None,
    json: JsonWord = None,
) -> None:
    """Lay two photos of one part on each other and say what each tooth lost.

    Exit status: 0 compared, 3 cannot tell, 2 wrong words or not the same part, 4 a photo cannot be read.
    """
    from toothcheck.cli.output import busy, check_ending, check_targets, console, same_file, write_json, write_whole

    claims = [
        claim_of(
            chain=chain, teeth=teeth, position=position, turning=turning,
            card_height=card_height if own is None else own, thickness=thickness,
        )
        for own in (card_height_before, card_height_after)
    ]  # fmt: skip
    _check_turn(turned_by, claims[0].teeth)
    check_ending("--picture", picture, _PICTURE)
    if same_file(before, after):
        raise UsageError("BEFORE and AFTER are the same file.", hint="Name two photos.")
    check_targets(
        read={"BEFORE": before, "AFTER": after},
        written={"--picture": picture, "--json": json},
        json_kind="comparison",
    )

    from toothcheck.grade import CANNOT_TELL
    from toothcheck.inspection import inspect
    from toothcheck.pairing import knowing_the_turning, loss_between
    from toothcheck.photo import load

    with busy("Reading the photos") as tell:
        photos = [load(path) for path in (before, after)]
        if photos[0].sha256 == photos[1].sha256:
            raise UsageError("BEFORE and AFTER are the same photo.", hint="Name two photos.")
        seen = []
        for photo, claim, which in zip(photos, claims, ("earlier", "later"), strict=True):
            tell(f"Finding and measuring the teeth of the {which} photo")
            seen.append(inspect(photo, claim))
        for i, claim in enumerate(claims):
            seen[i] = knowing_the_turning(photos[i], claim, seen[i], seen[1 - i])
        tell("Laying one on the other")
        damage = _damage_in_words(seen[0], seen[1])
        try:
            _check_turn(turned_by, seen[0].claim.teeth)  # with --teeth auto it is known only now
            result = loss_between(seen[0], seen[1], turned_by=turned_by, with_landmarks=holes)
        except (CannotTell, DifferentPartError, UsageError) as error:
            if json is not None and isinstance(error, CannotTell):
                write_json(document(None, seen[0], seen[1], why=" ".join(error.args)), json)
            # what cannot be compared may be broken all the same
            raise type(error)(" ".join([*damage, *error.args]), hint=error.hint) from error
        answer = document(result, seen[0], seen[1])
        doubted = answer["result"] == CANNOT_TELL
        drawing = None
        if picture is not None:
            from toothcheck.comparing.chart import drawn

            title = "\n".join([f"{photos[0].name} and {photos[1].name}", *([_DISAGREE] if doubted else []), *damage])
            drawing = drawn(result, title=title, form=_PICTURE[picture.suffix.lower()], claimed=not doubted)
    written = []
    if picture is not None and drawing is not None:
        write_whole(picture, drawing)
        written.append(str(picture))
    if json is not None:
        write_json(answer, json)
        written += [json] if json != "-" else []
    if json != "-":
        out = console()
        _told(result, seen[0], seen[1], damage, out, claimed=not doubted)
        for name in written:
            out.print(f"Wrote {name}", soft_wrap=True, markup=False)
    if doubted:
        raise typer.Exit(3)


def _check_turn(turned_by: int | None, teeth: int | None) -> None:
    if turned_by is not None and teeth is not None and not 0 <= turned_by < teeth:
        raise UsageError(f"--turned-by must lie between 0 and {teeth - 1}, not {turned_by}.")


def document(
    result: Comparison | None, before: Inspection, after: Inspection, *, why: str | None = None
) -> dict[str, object]:
    """The result as JSON, with the photos it came from; without one, ``why`` the photos cannot be compared."""
    from toothcheck.comparing import NOT_COMPARED
    from toothcheck.grade import CANNOT_TELL
    from toothcheck.pairing import broken_since, damaged, doubts

    doubted = result is None or doubts(result.flags, before.flags, after.flags)
    return (NOT_COMPARED if result is None else result.document()) | {
        "result": CANNOT_TELL if doubted else "compared",
        "why": why,
        "broken_since": broken_since(before, after),
        "photos": {
            name: {
                "name": i.photo.name,
                "sha256": i.photo.sha256,
                "grade": i.verdict.grade,
                "confidence": i.verdict.confidence,
                "damaged_teeth": [{"index": k, "flags": list(codes)} for k, codes in damaged(i).items()],
                "flags": list(i.flags),
            }
            for name, i in (("before", before), ("after", after))
        },
    }


def _damage_in_words(before: Inspection, after: Inspection) -> list[str]:
    """A sentence for each photo and kind of damage, the later photo first: no loss matters more."""
    from toothcheck.pairing import broken_since, damaged
    from toothcheck.tooth import teeth_in_words

    said = ["Broken since the earlier photo: do not ride on it."] if broken_since(before, after) else []
    for which, inspection in (("later", after), ("earlier", before)):
        hurt = damaged(inspection)
        gone = [k for k, codes in hurt.items() if "broken" in codes]
        doubtful = [k for k in hurt if k not in gone]
        if gone:
            advice = "." if said else ": do not ride on it."
            are = "is" if len(gone) == 1 else "are"
            said.append(
                f"{teeth_in_words(gone).capitalize()} of the {which} photo {are} broken, missing or bent{advice}"
            )
        if doubtful:
            them = teeth_in_words(doubtful).capitalize()
            said.append(f"{them} of the {which} photo may be bent or broken: look before you ride.")
    return said


def _told(
    result: Comparison, before: Inspection, after: Inspection, damage: list[str], out: Console, *, claimed: bool
) -> None:
    """Print the result for people; no number where no loss is claimed, since it would be taken for a loss."""
    from toothcheck.flags import flag

    out.width = min(out.width, _COLUMNS)
    if not claimed:
        out.print(_DISAGREE, style="bold", markup=False)
    out.print(f"{before.photo.name} -> {after.photo.name}", style="bold", markup=False, soft_wrap=True)
    for sentence in damage:
        paragraph(out, sentence, style="bold")
    if claimed:
        _losses(result, out)
    own = [code for code in result.flags if claimed or code != "teeth-not-told-apart"]  # which says what loss holds
    for codes, whose in ((own, ""), (before.flags, "Earlier photo: "), (after.flags, "Later photo: ")):
        for code in codes:
            f = flag(code)
            paragraph(out, f"{whose}{f.sentence} {f.remedy}", mark=" - ")
    paragraph(out, _CAUTION, style="dim")


def _losses(result: Comparison, out: Console) -> None:
    from rich.table import Table

    paragraph(out, f"Median loss of the drive flanks at the pitch circle: {result.median_loss_mm.text('mm')}")
    note = "± is one standard uncertainty."
    if result.teeth:
        # so the greatest may be the smaller number of the two
        note = f"Loss: along the pitch circle; greatest: anywhere on the flank, square to it. {note}"
        paragraph(out, f"Tooth 0 of the earlier photo is tooth {result.turned_by} of the later one.")
        head = ("tooth", "later", "loss, mm", "greatest, mm")
        rows = [
            (str(t.index), str(t.index_after), t.drive_loss_mm.text(), t.greatest_loss_mm.text()) for t in result.teeth
        ]
        table = Table(box=None, pad_edge=False, header_style="bold")
        for name in head:
            table.add_column(name, justify="right")
        table.add_column("")
        # a bar that was cut off would look like all the others
        taken = sum(max(map(len, column)) + _GAP for column in zip(head, *rows, strict=True))
        longest = min(_LONGEST_BAR, max(0, out.width - taken))
        most = max(0.1, *(t.drive_loss_mm.value for t in result.teeth))
        for t, row in zip(result.teeth, rows, strict=True):
            table.add_row(*row, "#" * round(longest * max(0.0, t.drive_loss_mm.value) / most))
        out.print(table)
    else:
        values = result.losses_mm
        edge = len(values) // 10
        middle = values[edge : len(values) - edge]
        paragraph(
            out,
            f"{len(values)} teeth lost between {values[0]:.2f} and {values[-1]:.2f} mm, most of them "
            f"{middle[0]:.2f} to {middle[-1]:.2f} mm, if they were alike before (noise included).",
        )
    paragraph(out, note, style="dim")
