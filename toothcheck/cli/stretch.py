"""``toothcheck stretch``: chain elongation from readings, or from a photo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from toothcheck.cli.books import (
    MaybeAt,
    On,
    Replaced,
    Where,
    distance_said,
    file_of,
    named,
    note,
    number_of,
    wrong_words,
)
from toothcheck.cli.chainlog import ChainLog, lower_bound_refused
from toothcheck.cli.words import CardMeasuredWord, JsonWord, refuse_typed
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.chainphoto import ChainSighting
    from toothcheck.chains import Chain
    from toothcheck.stretch import Decision, Elongation, Limit, Reading, Run, Tool, Trap

_PICTURE = {".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg"}
_WAYS = "Write 319.4 or 314.3/324.5 (inner/outer), in mm."
_NEXT = {
    "beyond": "renew the chain, and look at both sprockets before the new one goes on (toothcheck advise). Do not ride "
    "on this one until then; the machine's manual decides.",
    "too-near": "measure again with a calliper, over more pitches and at more places; until that settles it, treat the "
    "chain as due (toothcheck advise).",
}
"""What to do, by the side of the limit."""
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
        int | None, typer.Option(min=1, help="Teeth of the rear sprocket, for the general figures.", show_default=False)
    ] = None,
    photo: Annotated[
        Path | None,
        typer.Option(help="A photo of a straight, pulled run beside the card.", readable=False, show_default=False),
    ] = None,
    card_height: Annotated[
        float, typer.Option(help="Height of the card over the pin ends, towards the camera, mm.")
    ] = 0.0,
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
    from toothcheck.chains import chain as chain_of
    from toothcheck.cli.output import check_ending, check_targets
    from toothcheck.stretch import Limit

    check_ending("--picture", picture, _PICTURE)
    check_targets(
        read={"the photo itself": photo, "the logbook": file_of(logbook)},
        written={"--picture": picture, "--json": json_to},
    )
    try:
        if not given["chain"]:
            raise UsageError("The chain size is missing.", hint="Add --chain, e.g. --chain 520.")
        size = chain_of(str(given["chain"]))
        the_limit = None if given["limit"] is None else Limit.parse(str(given["limit"]), pitch_mm=size.pitch_mm)
        book = None
        if log is not None:
            at = distance_said(at)  # refused before anything is measured
            if slack:
                raise lower_bound_refused("of a slack run")
            book = ChainLog(machine=log, at=at, where=logbook, on=on, reason=reason)
            if the_limit is None:
                the_limit = book.limit_kept(size)
        if photo is not None:
            if given["readings"]:
                raise UsageError("Give readings or a photo, not both.")
            _from_photo(
                photo, size, the_limit, card_height, card_measured, picture, given["rear_teeth"], slack, json_to, book
            )
            return
        if not given["readings"] or given["pitches"] is None:
            raise UsageError("Readings and --pitches are missing.", hint="See: toothcheck stretch --help")
        if given["over"] not in ("pins", "rollers"):
            raise UsageError(f"--over must be pins or rollers, not {given['over']!r}.")
        _from_readings(given, size, the_limit, read_to, slack, rollers, json_to, book)
    except ValueError as error:
        raise wrong_words(error) from error


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


def _reading(text: str) -> Reading:
    from toothcheck.stretch import Reading

    body, colon, tag = text.partition(":")
    if colon and tag not in ("joint", "joining-link"):
        raise UsageError(f"The reading {text!r} cannot be read.", hint="After the colon only 'joint' may stand.")
    try:
        numbers = [number_of(part) for part in body.split("/")]
    except UsageError as error:
        raise UsageError(f"The reading {text!r} cannot be read.", hint=error.hint or _WAYS) from None
    if len(numbers) == 1:
        return Reading(span_mm=numbers[0], over_joining_link=bool(colon))
    if len(numbers) == 2:
        if numbers[0] >= numbers[1]:
            raise UsageError(
                f"The reading {text!r} cannot be: the length between the pins must be shorter than the one over them.",
                hint="Write INNER/OUTER, such as 314.3/324.5.",
            )
        return Reading.over_pins(inner_mm=numbers[0], outer_mm=numbers[1], over_joining_link=bool(colon))
    raise UsageError(f"The reading {text!r} cannot be read.", hint=_WAYS)


def _tool(name: str, read_to: float | None) -> Tool:
    from toothcheck.stretch import TOOLS, Tool

    name = "calliper" if name == "caliper" else name  # one country's spelling
    if read_to is not None:
        return Tool(name=name, half_width_mm=read_to)
    if name not in TOOLS:
        raise UsageError(f"--tool must be one of {', '.join(TOOLS)}, not {name!r}.")
    return TOOLS[name]


def _from_readings(
    given: dict[str, Any],
    size: Chain,
    limit: Limit | None,
    read_to: float | None,
    slack: bool,
    rollers: int | None,
    json_to: str | None,
    book: ChainLog | None,
) -> None:
    from toothcheck.cli.output import console, paragraph, write_json
    from toothcheck.stretch import decide, elongation_of

    e = elongation_of(
        [_reading(r) for r in given["readings"]],
        pitches=int(given["pitches"]),
        size=size,
        tool=_tool(given["tool"], read_to),
        under_pull=not slack,
        over_rollers=given["over"] == "rollers",
        rollers=rollers,
    )
    if book is not None and e.lower_bound:
        raise lower_bound_refused("over the joining link")
    if book is not None and e.believable and e.if_one_fewer is not None:
        raise UsageError(
            f"A length over {e.pitches} pitches does not show whether rollers were counted as pitches.",
            hint=f"Count the rollers from end to end; if they are {e.pitches + 1}, add --rollers {e.pitches + 1}.",
        )
    decision = (
        decide(e.percent, limit, lower_bound=e.lower_bound, if_one_fewer=e.if_one_fewer) if e.believable else None
    )
    kept = () if book is None or not e.believable else book.record(e.pitches, e.percent, size, limit, rollers=rollers)
    if json_to is not None:
        write_json(_readings_json(e, decision, limit), json_to)
    if json_to != "-":
        out = console()
        places = ", ".join(f"{p:+.2f} %" for p in e.places_percent)
        head = f"Chain {e.chain}, {e.pitches} pitches, {e.tool}"
        paragraph(out, f" (± {e.limits_percent:.2f} % each reading)", head=head)
        paragraph(out, f"Places: {places}; place {e.worst_place + 1} decides")
        if decision is not None:
            _say(decision, limit, given["rear_teeth"])
        for trap in e.traps:
            paragraph(out, trap.sentence, mark="! " if trap.spoils else "· ")
        if not e.believable:
            paragraph(out, f"Cannot tell: clear this up first.{'' if book is None else ' Nothing was recorded.'}")
        _say_kept(kept)
        _cautions()
    else:
        note(*kept)
    if decision is None or decision.side in ("too-near", "cannot-tell"):
        raise typer.Exit(3)


def _say(decision: Decision, limit: Limit | None, rear_teeth: int | None) -> None:
    from toothcheck.cli.output import console, paragraph
    from toothcheck.stretch.published import general_figures

    out = console()
    word: dict[str, str] = {
        "beyond": "BEYOND THE LIMIT",
        "within": "within the limit",
        "too-near": "TOO NEAR TO TELL",
        "no-limit": "no limit",
        "cannot-tell": "CANNOT TELL",
    }
    paragraph(out, f": {decision.sentence}", head=word[decision.side])
    if decision.side in _NEXT:
        paragraph(out, f"Next: {_NEXT[decision.side]}")
    if limit is None:
        for sentence in general_figures(rear_teeth):
            paragraph(out, sentence, mark="  general figure: ")


def _say_kept(lines: tuple[str, ...]) -> None:
    from toothcheck.cli.output import console

    for line in lines:
        console().print(line, soft_wrap=True, markup=False)


def _cautions() -> None:
    from toothcheck.cli.output import console, paragraph

    paragraph(
        console(),
        "Engine off, hands out of the run of the chain, measure under pull at several places. A chain can be within "
        "its limit and still be unsafe: stiff links, cracked or missing rollers, loose joining link.",
        style="dim",
    )


def _readings_json(e: Elongation, decision: Decision | None, limit: Limit | None) -> dict[str, Any]:
    return {
        "schema": "toothcheck/stretch/1",
        "source": "readings",
        "chain": e.chain,
        "pitches": e.pitches,
        "tool": e.tool,
        "elongation_percent": e.percent.as_json() if e.believable else None,
        "if_one_pitch_fewer_percent": None if e.if_one_fewer is None or not e.believable else e.if_one_fewer.as_json(),
        "tool_limits_percent": round(e.limits_percent, 3),
        "places_percent": [round(p, 3) for p in e.places_percent],
        "worst_place": e.worst_place + 1,  # counted as people count, like the text
        "lower_bound": e.lower_bound,
        "traps": [_trap_json(t) for t in e.traps],
        **_decision_json(decision, limit),
    }


def _trap_json(trap: Trap) -> dict[str, Any]:
    return {"code": trap.code, "sentence": trap.sentence, "spoils": trap.spoils}


def _decision_json(decision: Decision | None, limit: Limit | None) -> dict[str, Any]:
    return {
        "limit": None
        if limit is None
        else {
            "elongation_percent": round(limit.elongation_percent, 3),
            "given_as": limit.given_as,
            "source": limit.source,
        },
        "side": "cannot-tell" if decision is None else decision.side,
        "probability_beyond": None
        if decision is None or decision.probability_beyond is None
        else round(decision.probability_beyond, 3),
    }


def _from_photo(
    photo: Path,
    size: Chain,
    limit: Limit | None,
    card_height: float,
    card_measured: float | None,
    picture: Path | None,
    rear_teeth: int | None,
    slack: bool,
    json_to: str | None,
    book: ChainLog | None,
) -> None:
    from toothcheck.chainphoto import measure_run
    from toothcheck.cli.output import console, paragraph, write_json, write_whole
    from toothcheck.estimate import Estimate
    from toothcheck.photo import load
    from toothcheck.stretch import SLACK, decide, length_mm, run_of

    loaded = load(photo)
    seen = measure_run(
        loaded.grey, loaded.focals_35mm, size, card_height_mm=card_height, card_measured_mm=card_measured
    )
    run = run_of(seen.row, size)
    decision = decide(run.percent, limit, lower_bound=slack)
    traps = [SLACK] if slack else []
    drawn = None
    if picture is not None:
        from toothcheck.overlay import chain_picture

        drawn = chain_picture(loaded.colour(), seen, run, size, kind=_PICTURE[picture.suffix.lower()])
    kept = () if book is None else book.record(run.pitches, run.percent, size, limit, rollers=run.pitches + 1)
    if picture is not None and drawn is not None:
        write_whole(picture, drawn)
    if json_to is not None:
        write_json(_photo_json(loaded.name, size.name, seen, run, decision, limit, traps), json_to)
    if json_to != "-":
        out = console()
        paragraph(out, f"Chain {size.name}, {run.pitches} pitches from {photo.name}", style="bold")
        _say(decision, limit, rear_teeth)
        length, new = length_mm(run.percent, run.pitches, size), run.pitches * size.pitch_mm
        paragraph(out, f"Pin to pin over {run.pitches} pitches: {length.text('mm')} ({new:g} mm when new).")
        known = [bool(seen.seen[k.index] and seen.seen[k.index + 1]) for k in run.links]
        bars = "".join(_bar(k.elongation_percent) if ok else "?" for k, ok in zip(run.links, known, strict=True))
        shown = [k.elongation_percent for k, ok in zip(run.links, known, strict=True) if ok] or [run.percent.value]
        out.print(f"Link by link: {bars}  ({min(shown):+.2f} … {max(shown):+.2f} %)")
        play = Estimate(value=abs(run.alternation_mm.value), std=run.alternation_mm.std)
        alternating = f"Every second link is {play.text('mm')} longer than its neighbours: the play of pins and bushes."
        paragraph(out, alternating)
        for link in run.uneven:
            odd = f"Link {link.index + 1} differs from its kind: {link.elongation_percent:+.2f} %. Look at it."
            paragraph(out, odd, mark="! ")
        for kink in run.kinks:
            bent = f"The joint at pin {kink.pin + 1} is bent by {kink.angle_deg:+.1f}°: a stiff link."
            paragraph(out, bent, mark="! ")
        for trap in traps:
            paragraph(out, trap.sentence, mark="· ")
        if not seen.seen.all():
            hidden = int((~seen.seen).sum())
            words = f"{hidden} pin ends could not be measured (dirt); their neighbours tell their place."
            paragraph(out, words, mark="· ")
        paragraph(
            out,
            f"Photo: {seen.px_per_mm:.1f} px/mm, {seen.tilt_deg:.0f}° tilt, {seen.distance_mm:.0f} mm away; "
            f"uncertainty from plane {100 * seen.plane_std:.2f} %, from the card's print {100 * seen.print_std:.2f} %.",
        )
        if card_measured is None:
            paragraph(out, "The card's print was not measured: give --card-measured to be surer.", mark="· ")
        if picture is not None:
            out.print(f"Wrote {picture}", soft_wrap=True, markup=False)
        _say_kept(kept)
        _cautions()
    else:
        note(*kept)
    if decision.side in ("too-near", "cannot-tell"):
        raise typer.Exit(3)


def _bar(percent: float) -> str:
    marks = "▁▂▃▄▅▆▇█"
    return marks[min(7, max(0, int(percent / 0.6)))]


def _photo_json(
    name: str,
    size: str,
    seen: ChainSighting,
    run: Run,
    decision: Decision,
    limit: Limit | None,
    traps: list[Trap],
) -> dict[str, Any]:
    source: Literal["photo"] = "photo"
    return {
        "schema": "toothcheck/stretch/1",
        "source": source,
        "photo": name,
        "chain": size,
        "pitches": run.pitches,
        "elongation_percent": run.percent.as_json(),
        "links": [
            {"elongation_percent": round(k.elongation_percent, 2), "std": round(100 * k.std_mm / k.length_mm, 2),
             "uneven": k.uneven}
            for k in run.links
        ],
        "alternation_mm": run.alternation_mm.as_json(),
        "kinks": [{"pin": k.pin + 1, "angle_deg": round(k.angle_deg, 1)} for k in run.kinks],
        "pins_px": [[round(float(x), 2), round(float(y), 2)] for x, y in seen.pins_px],
        "pins_measured": [bool(s) for s in seen.seen],
        "scale": {"px_per_mm": round(seen.px_per_mm, 2), "tilt_deg": round(seen.tilt_deg, 1),
                  "plane_std_percent": round(100 * seen.plane_std, 3),
                  "print_std_percent": round(100 * seen.print_std, 3)},
        "lower_bound": bool(traps),
        "traps": [_trap_json(t) for t in traps],
        **_decision_json(decision, limit),
    }  # fmt: skip
