"""``report``: one inspection as a page or a PDF."""

from __future__ import annotations

import sys
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from toothcheck.cli.books import Unit, Where, file_of, named, opened, telling, unit_of
from toothcheck.cli.output import check_ending, check_targets, write_whole
from toothcheck.cli.reading import bytes_of, json_object_of
from toothcheck.cli.words import (
    CardHeightWord,
    Paper,
    PaperWord,
    Position,
    ThicknessWord,
    Turning,
    TurningWord,
    claim_of,
    refuse_typed,
)
from toothcheck.errors import InputError, LogbookError, PhotoError, UsageError

if TYPE_CHECKING:
    from toothcheck.report import ReportInput

PICTURES = {".jpg", ".jpeg", ".png", ".heic", ".heif", ".webp", ".tif", ".tiff"}


class Picture(StrEnum):
    """Where the picture comes from."""

    REAL = "real"
    MADE = "made"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog="Example: toothcheck report reading.json -o report.html")(report)


def report(
    context: typer.Context,
    subject: Annotated[
        str,
        typer.Argument(
            metavar="PHOTO|READING|MACHINE",
            help="A photo; what 'toothcheck inspect --json FILE' wrote of one; or a machine of the logbook.",
        ),
    ],
    output: Annotated[Path, typer.Option("--output", "-o", help="Where to write: a name ending in .html or .pdf.")],
    picture: Annotated[
        Path | None,
        typer.Option(
            help="A picture to show (PNG or JPEG). Default, of a photo: as inspect --picture draws it.", readable=False
        ),
    ] = None,
    origin: Annotated[
        Picture | None, typer.Option(help="Whether the picture is a real photo or a made one; it is marked so.")
    ] = None,
    machine: Annotated[str, typer.Option(help="Name of the machine, for the heading.")] = "",
    date: Annotated[str, typer.Option(help="Date to print, as it shall stand there.")] = "",
    paper: PaperWord = Paper.A4,
    chain: Annotated[str | None, typer.Option(help="Of a photo: chain size, e.g. 520, or auto.")] = None,
    teeth: Annotated[str | None, typer.Option(help="Of a photo: tooth count, or auto.")] = None,
    position: Annotated[
        Position | None, typer.Option(help="The front sprocket drives the chain, the rear one is driven.")
    ] = None,
    turning: TurningWord = None,
    card_height: CardHeightWord = None,
    thickness: ThicknessWord = None,
    part: Annotated[
        str | None,
        typer.Option(
            callback=named, help="Of a machine: front, rear or a part's name. Default: both sprockets fitted."
        ),
    ] = None,
    units: Unit = "km",
    where: Where = None,
) -> None:
    """Write a report: grade and confidence, the most worn tooth beside the ideal, every number, cautions, method.

    HTML is one file without any request; it prints on A4 and Letter and reads on a phone.  Exit status as of inspect: 3
    where the grade is cannot-tell.
    """
    from toothcheck.report import Origin, ReportInput

    unit = unit_of(units)
    check_ending("--output", output, (".html", ".htm", ".pdf"))
    marks = {None: Origin.UNTOLD, Picture.REAL: Origin.REAL, Picture.MADE: Origin.MADE}
    path = Path(subject)
    check_targets(
        read={"what is reported": path, "the picture": picture, "the logbook": file_of(where)},
        written={"--output": output},
    )
    _check_words(context, path)
    shown = None if picture is None else _picture(picture)  # before a photo is measured
    if path.suffix.lower() in PICTURES:
        given = _of_photo(path, Told(chain, teeth, position, turning, card_height, thickness))
    elif path.suffix.lower() == ".json":
        given = ReportInput(document=json_object_of(path, hint="Make one with toothcheck inspect --json FILE."))
    else:
        if subject and path.exists() and not _is_machine(subject, where):
            kind = "a folder" if path.is_dir() else "not named like a photo or a reading"
            raise InputError(
                f"{subject} is {kind}, and no machine in the logbook.",
                hint=f"Name a photo ({', '.join(sorted(PICTURES))}), a reading (.json) or a machine.",
            )
        given = _of_machine(subject, part, unit, where)
    given = replace(
        given,
        origin=marks[origin],
        picture=given.picture if shown is None else shown,
        outlined=given.outlined and shown is None,
        machine=machine or given.machine,
        date=date or given.date,
    )
    write_whole(output, _made(given, path.name, output.suffix.lower(), paper.value))
    lines = [f"{output}: grade {given.document['verdict']['grade']}", *(f" - {said}" for said in given.drive)]
    sys.stdout.write("\n".join(lines).replace("\u202f", " ") + "\n")  # a terminal's font may lack the narrow blank
    if given.document["verdict"]["grade"] == "cannot-tell":
        raise typer.Exit(3)


def _check_words(context: typer.Context, subject: Path) -> None:
    """Refuse words of another kind of subject: a photo, a reading or a machine of the logbook."""
    of_machine = ("part", "units", "where")
    if subject.suffix.lower() in PICTURES:
        refuse_typed(context, f"is for a machine; {subject} is a photo", *of_machine)
    elif subject.suffix.lower() == ".json":
        refuse_typed(context, f"is for a photo; {subject} is a reading, which brings it along", *Told._fields)
        refuse_typed(context, f"is for a machine; {subject} is a reading", *of_machine)
    else:
        refuse_typed(context, f"is for a photo; {subject} is not named like one", *Told._fields)


class Told(NamedTuple):
    """What the options say about a photo."""

    chain: str | None
    teeth: str | None
    position: Position | None
    turning: Turning | None
    card_height: float | None
    thickness: float | None


def _of_photo(path: Path, told: Told) -> ReportInput:
    from toothcheck import overlay
    from toothcheck.inspection import inspect
    from toothcheck.photo import load
    from toothcheck.report import ReportInput, outlines_of

    missing = [f"--{name}" for name in ("chain", "teeth", "position") if getattr(told, name) is None]
    if missing or told.chain is None or told.teeth is None or told.position is None:
        raise UsageError(f"A photo needs {', '.join(missing)}.", hint="A reading (NAME.json) brings them along.")
    claim = claim_of(
        chain=told.chain, teeth=told.teeth, position=told.position, turning=told.turning,
        card_height=told.card_height, thickness=told.thickness,
    )  # fmt: skip
    try:
        found = inspect(load(path), claim)
    except ValueError as error:
        raise UsageError(f"{error}.") from error
    outlines = outlines_of(found.wear) if found.wear else ()
    return ReportInput(
        document=found.document(), outlines=outlines,
        picture=overlay.picture(found, kind="jpeg"), outlined=found.wear is not None,
        tips_shown=overlay.tips_shown(found),
    )  # fmt: skip


def _is_machine(name: str, where: str | None) -> bool:
    """Whether the logbook, if there is one, knows a machine of that name: its photos may lie in a folder named so."""
    from toothcheck.logbook.entries import same_letters

    try:
        with opened(where) as book:
            return same_letters(name) in book.history().machines
    except LogbookError:
        return False


def _of_machine(machine: str, part: str | None, unit: str, where: str | None) -> ReportInput:
    import datetime as dt

    from toothcheck.logbook.entries import same_letters
    from toothcheck.report import from_logbook

    with opened(where) as book, telling():
        return from_logbook(
            book.history(), same_letters(machine), part, whole=book.entry, today=dt.date.today(), unit=unit
        )


def _made(given: ReportInput, name: str, kind: str, paper: str) -> bytes:
    from toothcheck.report import report_page, report_pdf

    try:
        return report_pdf(given, paper=paper) if kind == ".pdf" else report_page(given).encode()
    except ValueError as error:
        hint = "Write the JSON with: toothcheck inspect … --json FILE"
        raise InputError(f"The reading of {name} cannot be reported: {error}.", hint=hint) from error


def _picture(path: Path) -> bytes:
    from toothcheck.photo import check_decodes

    content = bytes_of(path)
    if not content.startswith((b"\x89PNG", b"\xff\xd8")):
        raise PhotoError(f"{path} is neither PNG nor JPEG.", hint="Save it as one of them.")
    check_decodes(content, path.name)
    return content
