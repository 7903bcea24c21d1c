"""``toothcheck advise``: one plan, and the papers for it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.advise.known import Known, known_of
from toothcheck.cli.advise.merging import situation_from
from toothcheck.cli.advise.papers import papers_of
from toothcheck.cli.advise.typed import case_of, elongation, json_file, km_of, over_case, sprocket_of
from toothcheck.cli.books import Unit, Where, file_of, named, unit_of, wrong_words
from toothcheck.cli.output import check_ending, check_targets, console, paragraph, write_json, write_whole
from toothcheck.cli.words import JsonWord, Paper, PaperWord, refuse_typed
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.advice import Plan, Situation, SprocketState

_PAPERS = (".md", ".pdf")
_EPILOG = "Example: toothcheck advise --case harbour-set --order-sheet order.pdf --checklist work.md"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=_EPILOG)(advise)


def advise(
    context: typer.Context,
    machine: Annotated[
        str | None,
        typer.Argument(callback=named, help="Its name, in the logbook or for the papers.", show_default=False),
    ] = None,
    front: Annotated[
        str | None, typer.Option(help="Grade of the front sprocket, or an inspection's JSON file.", show_default=False)
    ] = None,
    rear: Annotated[str | None, typer.Option(help="Grade of the rear sprocket, likewise.", show_default=False)] = None,
    front_teeth: Annotated[int | None, typer.Option(help="Teeth of the front sprocket.", show_default=False)] = None,
    rear_teeth: Annotated[int | None, typer.Option(help="Teeth of the rear sprocket.", show_default=False)] = None,
    front_confidence: Annotated[
        float | None, typer.Option(help="Confidence of the front grade, 0 to 1.", show_default=False)
    ] = None,
    rear_confidence: Annotated[
        float | None, typer.Option(help="Confidence of the rear grade, 0 to 1.", show_default=False)
    ] = None,
    front_distance: Annotated[
        str | None,
        typer.Option(
            "--front-distance",
            "--front-km",
            metavar="DISTANCE",
            show_default=False,
            help="Distance on the front sprocket: 21000km or 13000mi; a bare number is km.",
        ),
    ] = None,
    rear_distance: Annotated[
        str | None,
        typer.Option(
            "--rear-distance",
            "--rear-km",
            metavar="DISTANCE",
            show_default=False,
            help="Distance on the rear sprocket: 21000km or 13000mi; a bare number is km.",
        ),
    ] = None,
    stretch: Annotated[
        str | None, typer.Option(help="Chain elongation, PERCENT or PERCENT+-STD.", show_default=False)
    ] = None,
    limit: Annotated[
        str | None, typer.Option(help="Its limit with source: 'MM over PITCHES @ manual and page'.", show_default=False)
    ] = None,
    chain: Annotated[str | None, typer.Option(help="Chain size, e.g. 520.", show_default=False)] = None,
    links: Annotated[int | None, typer.Option(help="Links of the chain.", show_default=False)] = None,
    chain_distance: Annotated[
        str | None,
        typer.Option(
            "--chain-distance",
            "--chain-km",
            metavar="DISTANCE",
            show_default=False,
            help="Distance on the chain, likewise.",
        ),
    ] = None,
    age_years: Annotated[float | None, typer.Option(help="Age of the chain, years.", show_default=False)] = None,
    adjuster_left: Annotated[
        float | None,
        typer.Option(help="Adjuster travel left, per cent: 0 at its end or the renew mark.", show_default=False),
    ] = None,
    stiff: Annotated[bool, typer.Option("--stiff", help="Stiff links, or a tight and a slack part.")] = False,
    damaged: Annotated[bool, typer.Option("--damaged", help="Cracked or missing rollers, plates, rings.")] = False,
    torque: Annotated[
        list[str] | None,
        typer.Option(help="From the manual: 'FASTENER=VALUE UNIT @ manual and page'.", show_default=False),
    ] = None,
    model: Annotated[str, typer.Option(help="Make, model and year, for the order sheet.")] = "",
    frame: Annotated[str, typer.Option(help="Frame number, for the order sheet.")] = "",
    front_part: Annotated[
        Path | None,
        typer.Option(help="JSON of the front part's values, for the order sheet.", readable=False, show_default=False),
    ] = None,
    rear_part: Annotated[
        Path | None,
        typer.Option(help="JSON of the rear part's values, for the order sheet.", readable=False, show_default=False),
    ] = None,
    order_sheet: Annotated[
        Path | None, typer.Option(help="Write the order sheet: .md or .pdf.", show_default=False)
    ] = None,
    checklist: Annotated[
        Path | None, typer.Option(help="Write the work checklist: .md or .pdf.", show_default=False)
    ] = None,
    paper: PaperWord = Paper.A4,
    case: Annotated[str | None, typer.Option(help="Try a bundled, invented case.", show_default=False)] = None,
    units: Unit = "km",
    logbook: Where = None,
    json_to: JsonWord = None,
) -> None:
    """Make one plan of grades, chain, adjuster, age and distance: nothing, watch, chain only, set."""
    unit = unit_of(units)
    for option, path in (("--order-sheet", order_sheet), ("--checklist", checklist)):
        check_ending(option, path, _PAPERS)
    check_targets(
        read={
            "the front sprocket's inspection": json_file(front),
            "the rear sprocket's inspection": json_file(rear),
            "the front part's values": front_part,
            "the rear part's values": rear_part,
            "the logbook": file_of(logbook),
        },
        written={"--order-sheet": order_sheet, "--checklist": checklist, "--json": json_to},
        json_kind="plan",
    )
    _refuse_idle(context, machine=machine, case=case, order_sheet=order_sheet, checklist=checklist)
    typed: dict[str, Any] = {
        "front": sprocket_of(front, front_teeth, front_confidence, km_of(front_distance, "--front-distance"), "front"),
        "rear": sprocket_of(rear, rear_teeth, rear_confidence, km_of(rear_distance, "--rear-distance"), "rear"),
        "elongation_percent": None if stretch is None else elongation(stretch),
        "limit": limit,
        "chain": chain,
        "links": links,
        "chain_km": km_of(chain_distance, "--chain-distance"),
        "age_years": age_years,
        "adjuster_left_percent": adjuster_left,
        "stiff": stiff or None,
        "damaged": damaged or None,
    }
    given = {key: value for key, value in typed.items() if value is not None}
    known = None
    if case is not None:
        machine, found = case_of(case)
        given = over_case(found, given, f"--case {case}")
    elif machine is not None:
        known = known_of(machine, logbook, given, unit)
    if not given and known is None:
        raise UsageError(
            "Nothing is known yet.", hint="Name a machine of the logbook, or give grades: toothcheck advise --help"
        )
    from toothcheck.advice import plan_for
    from toothcheck.logbook import distance_text

    def far(km: float) -> str:
        return distance_text(km, unit)

    name = machine or "this machine"
    try:
        situation = situation_from(given, None if known is None else known.situation)
        plan = plan_for(situation, far=far)
        files = papers_of(
            name,
            situation,
            plan,
            far,
            order_sheet=order_sheet,
            checklist=checklist,
            torque=torque or [],
            paper=paper,
            model=model,
            frame=frame,
            front_part=front_part,
            rear_part=rear_part,
        )
    except ValueError as error:
        raise wrong_words(error) from error
    for path, data in files:
        write_whole(path, data)
    if json_to is not None:
        made_of = _made_of(situation, {} if known is None else known.parts)
        write_json({**plan.as_json(), "machine": machine, "made_of": made_of}, json_to)
    if json_to != "-":
        remark = "" if machine is None or case is not None else _remark(machine, known)
        _show(name, plan, remark, [path for path, _ in files])
    if plan.action == "measure-first":
        raise typer.Exit(3)


def _refuse_idle(
    context: typer.Context, *, machine: str | None, case: str | None, order_sheet: Path | None, checklist: Path | None
) -> None:
    """Refuse words that would do nothing beside the others."""
    if order_sheet is None:
        refuse_typed(context, "is for --order-sheet, which is missing", "model", "frame", "front_part", "rear_part")
    if checklist is None:
        refuse_typed(context, "is for --checklist, which is missing", "torque")
    if not any(path is not None and path.suffix.lower() == ".pdf" for path in (order_sheet, checklist)):
        refuse_typed(context, "is for an --order-sheet or a --checklist that ends in .pdf", "paper")
    if case is not None:  # its numbers are invented, and no machine's
        refuse_typed(context, f"is told by --case {case} already", "machine", "logbook")
    if machine is None:
        refuse_typed(context, "is for MACHINE, which is missing", "logbook")


def _remark(machine: str, known: Known | None) -> str:
    """What to know of a machine that the logbook does not have, or has no longer in use; else nothing."""
    if known is None:
        return f"{machine} is not in the logbook: this is of what was typed."
    if known.retired_on is not None:
        return f"{machine} was retired on {known.retired_on}: it is in use no longer, by the logbook."
    return ""


def _made_of(situation: Situation, parts: dict[str, str]) -> dict[str, Any]:
    """What a plan was made from, for programs; parts by their names in the logbook."""

    def told(position: str, one: SprocketState | None) -> dict[str, Any] | None:
        if one is None:
            return None
        a = one.asymmetry_percent
        return {
            "part": parts.get(position),
            "grade": one.grade,
            "confidence": one.confidence,
            "on": None if one.seen is None else one.seen.on,
            "teeth": one.teeth,
            "asymmetry_percent": None if a is None else a.as_json(),
            "own_km": one.distance_km,
        }

    chain = situation.chain
    e = chain.elongation_percent
    return {
        "front": told("front", situation.front),
        "rear": told("rear", situation.rear),
        "chain": {
            "part": parts.get("chain"),
            "elongation_percent": None if e is None else e.as_json(),
            "limit_percent": None if chain.limit is None else round(chain.limit.elongation_percent, 3),
            "on": None if chain.seen is None else chain.seen.on,
            "own_km": chain.distance_km,
        },
    }


def _show(name: str, plan: Plan, remark: str, written: list[Path]) -> None:
    word = "NOTHING NOW" if plan.action == "nothing" else plan.action.replace("-", " ").upper()
    out = console()
    paragraph(out, f"{name}: {word}", style="bold")
    paragraph(out, plan.headline, style="bold")
    if remark:
        paragraph(out, remark)
    for title, lines in (
        ("Why", plan.reasons),
        ("Measure next", plan.measure_next),
        ("Good to know", plan.notes),
        ("Cautions", plan.cautions),
    ):
        if lines:
            out.print(f"[bold]{title}[/bold]")
            for line in lines:
                paragraph(out, line, mark="  · ")
    for path in written:
        out.print(f"Wrote {path}", soft_wrap=True, markup=False)
