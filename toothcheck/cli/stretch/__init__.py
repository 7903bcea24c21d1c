"""``toothcheck stretch``: chain elongation from readings, or from a photo."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from toothcheck.cli.books import (
    MaybeAt,
    On,
    Replaced,
    Where,
    distance_said,
    file_of,
    named,
    wrong_words,
)
from toothcheck.cli.output import check_ending, check_targets
from toothcheck.cli.stretch.log import ChainLog, lower_bound_refused
from toothcheck.cli.stretch.photo import PICTURE, from_photo
from toothcheck.cli.stretch.readings import from_readings
from toothcheck.cli.stretch.verdict import Question
from toothcheck.cli.words import CardMeasuredWord, JsonWord, one_of, refuse_typed
from toothcheck.errors import UsageError

_EPILOG = "Example: toothcheck stretch 319.2 319.6 319.0 --chain 520 --pitches 20 --tool calliper"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=_EPILOG)(stretch)


def stretch(
    context: typer.Context,
    readings: Annotated[
        list[str] | None,
        typer.Argument(
            help="Places in mm: SPAN pin centre to pin centre, or INNER/OUTER over the same two pins; "
            "add :joint when the joining link lies within.",
            show_default=False,
        ),
    ] = None,
    chain: Annotated[str | None, typer.Option(help="Chain size, e.g. 520.", show_default=False)] = None,
    pitches: Annotated[
        int | None, typer.Option(help="Pitches measured over: n rollers are n − 1 pitches.", show_default=False)
    ] = None,
    rollers: Annotated[
        int | None,
        typer.Option(
            help="Rollers counted from end to end, both ends included: one more than the pitches; asked for on a long "
            "run, where the length does not show a wrong count.",
            show_default=False,
        ),
    ] = None,
    tool: Annotated[str, typer.Option(help="What was read with: calliper (or caliper), rule or tape.")] = "rule",
    read_to: Annotated[
        float | None,
        typer.Option(help="Your own ± error of one reading, mm, in place of the tool's.", show_default=False),
    ] = None,
    over: Annotated[str, typer.Option(help="INNER/OUTER were taken at: pins or rollers.")] = "pins",
    slack: Annotated[bool, typer.Option("--slack", help="The run was not pulled straight.")] = False,
    limit: Annotated[
        str | None,
        typer.Option(
            help="The model's limit with its source: 'MM over PITCHES @ manual and page', or 'PERCENT % @ …'.",
            show_default=False,
        ),
    ] = None,
    rear_teeth: Annotated[
        int | None,
        typer.Option(
            min=1,
            help="Teeth of the rear sprocket, for the general figures that are shown where no limit is known.",
            show_default=False,
        ),
    ] = None,
    photo: Annotated[
        Path | None,
        typer.Option(help="A photo of a straight, pulled run beside the card.", readable=False, show_default=False),
    ] = None,
    card_height: Annotated[
        float | None,
        typer.Option(
            help="Height of the card over the pin ends, towards the camera, mm. Default: 0; of a mat it must be told.",
            show_default=False,
        ),
    ] = None,
    card_measured: CardMeasuredWord = None,
    picture: Annotated[
        Path | None, typer.Option(help="Write the photo with the pins marked: .png or .jpg.", show_default=False)
    ] = None,
    log: Annotated[
        str | None,
        typer.Option(
            callback=named,
            metavar="MACHINE",
            help="Record length and limit in the logbook; its limit is used when none is typed.",
            show_default=False,
        ),
    ] = None,
    at: MaybeAt = None,
    on: On = None,
    reason: Replaced = None,
    logbook: Where = None,
    case: Annotated[str | None, typer.Option(help="Try a bundled, invented case.", show_default=False)] = None,
    json_to: JsonWord = None,
) -> None:
    """Measure how far a chain has stretched, and hold it against the limit of its model."""
    if log is None:
        refuse_typed(context, "is for --log MACHINE, which is missing", "at", "on", "reason")
    if photo is None:
        refuse_typed(context, "is for --photo, which is missing", "picture", "card_height", "card_measured")
        if not any("/" in text for text in readings or ()):  # a length over the rollers is none from centre to centre
            refuse_typed(context, "is for readings INNER/OUTER, such as 314.3/324.5; a length alone is SPAN", "over")
    else:
        refuse_typed(context, "is for readings, not for a photo", "pitches", "tool", "read_to", "over", "rollers")
    given = _given(
        context,
        case,
        readings=readings,
        chain=chain,
        pitches=pitches,
        tool=tool,
        over=over,
        limit=limit,
        rear_teeth=rear_teeth,
    )
    if given["limit"] is not None:
        refuse_typed(
            context, "is for the general figures, which are shown only without a limit; leave it out", "rear_teeth"
        )
    if json_to == "-":
        refuse_typed(context, "is for the general figures, which the JSON does not hold; leave it out", "rear_teeth")
    check_ending("--picture", picture, PICTURE)
    check_targets(
        read={"the photo itself": photo, "the logbook": file_of(logbook)},
        written={"--picture": picture, "--json": json_to},
        json_kind="stretch",
    )
    try:
        question = _question(given, slack=slack, log=log, at=at, on=on, reason=reason, logbook=logbook, json_to=json_to)
        if photo is not None:
            if given["readings"]:
                raise UsageError("Give readings or a photo, not both.")
            from_photo(question, photo, card_height=card_height, card_measured=card_measured, picture=picture)
            return
        missing = [] if given["readings"] else ["Readings"]
        missing += ["--pitches"] if given["pitches"] is None else []
        if missing:
            are = "is" if missing == ["--pitches"] else "are"
            raise UsageError(f"{' and '.join(missing)} {are} missing.", hint="See: toothcheck stretch --help")
        from_readings(
            question,
            readings=given["readings"],
            pitches=int(given["pitches"]),
            tool=given["tool"],
            read_to=read_to,
            over=one_of("--over", given["over"], ("pins", "rollers")),
            rollers=rollers,
        )
    except ValueError as error:
        raise wrong_words(error) from error


def _question(
    given: dict[str, Any],
    *,
    slack: bool,
    log: str | None,
    at: str | None,
    on: str | None,
    reason: str | None,
    logbook: str | None,
    json_to: str | None,
) -> Question:
    """What is asked, and of which chain; the logbook's limit where none was typed.

    Raises
    ------
    UsageError, ValueError
        When the chain, its limit or the distance cannot be read, or a slack run is to be logged.
    """
    from toothcheck.chains import chain as chain_of
    from toothcheck.stretch import Limit

    if not given["chain"]:
        raise UsageError("The chain size is missing.", hint="Add --chain, e.g. --chain 520.")
    size = chain_of(str(given["chain"]))
    limit = None if given["limit"] is None else Limit.typed(str(given["limit"]), pitch_mm=size.pitch_mm)
    book = None
    if log is not None:
        at = distance_said(at)  # refused before anything is measured
        if slack:
            raise lower_bound_refused("of a slack run")
        book = ChainLog(machine=log, at=at, where=logbook, on=on, reason=reason)
        kept = book.limit_kept(size)  # asked either way: an unknown machine is told before anything is measured
        limit = kept if limit is None else limit
    return Question(size=size, limit=limit, rear_teeth=given["rear_teeth"], slack=slack, book=book, json_to=json_to)


def _given(
    context: typer.Context,
    case_name: str | None,
    **typed: Any,  # noqa: ANN401  # one value for each option
) -> dict[str, Any]:
    if case_name is None:
        return typed
    from toothcheck.cli.cases import case as load

    told = {k: v for k, v in load("stretch", case_name).items() if k != "about"}
    refuse_typed(context, f"is told by --case {case_name} already", *told)
    return {**typed, **told}
