"""``toothcheck advise``: one plan, and the papers for it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.books import Unit, Where, file_of, named, unit_of, wrong_words
from toothcheck.cli.reading import json_object_of
from toothcheck.cli.words import JsonWord, Paper, PaperWord, refuse_typed
from toothcheck.errors import InputError, UsageError

if TYPE_CHECKING:
    from toothcheck.advice import InWords, Plan, Seen, Situation, SprocketState
    from toothcheck.chains import Chain
    from toothcheck.logbook import Part as LoggedPart
    from toothcheck.matching import Part
    from toothcheck.sheets import Sheet

_PAPERS = (".md", ".pdf")
_OTHER_PITCH_MM = 0.5
"""The sizes of `toothcheck.chains` that are not of one pitch lie at least 1.5 mm apart; what is measured is nearer."""
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
        Path | None, typer.Option(help="JSON of the front part's values, for the order sheet.", show_default=False)
    ] = None,
    rear_part: Annotated[
        Path | None, typer.Option(help="JSON of the rear part's values, for the order sheet.", show_default=False)
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
    from toothcheck.cli.output import check_ending, check_targets, write_json

    unit = unit_of(units)
    for option, path in (("--order-sheet", order_sheet), ("--checklist", checklist)):
        check_ending(option, path, _PAPERS)
    check_targets(
        read={
            "the front sprocket's inspection": _json_file(front),
            "the rear sprocket's inspection": _json_file(rear),
            "the front part's values": front_part,
            "the rear part's values": rear_part,
            "the logbook": file_of(logbook),
        },
        written={"--order-sheet": order_sheet, "--checklist": checklist, "--json": json_to},
    )
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
    typed: dict[str, Any] = {
        "front": _sprocket(front, front_teeth, front_confidence, _km(front_distance), "front"),
        "rear": _sprocket(rear, rear_teeth, rear_confidence, _km(rear_distance), "rear"),
        "elongation_percent": None if stretch is None else _percent(stretch),
        "limit": limit,
        "chain": chain,
        "links": links,
        "chain_km": _km(chain_distance),
        "age_years": age_years,
        "adjuster_left_percent": adjuster_left,
        "stiff": stiff or None,
        "damaged": damaged or None,
    }
    given = {key: value for key, value in typed.items() if value is not None}
    source, parts = "", dict[str, str]()
    if case is not None:
        from toothcheck.cli.cases import case as load

        found = {k: v for k, v in load("advise", case).items() if k != "about"}
        machine = found.pop("machine")
        given = _over_case(found, given, f"--case {case}")
    elif machine is not None:
        kept = _from_logbook(machine, logbook, given, unit)
        retired, parts = kept.pop("retired_on", None), kept.pop("parts", {})
        source = "" if kept else f"{machine} is not in the logbook: this is of what was typed."
        if retired is not None:
            source = f"{machine} was retired on {retired}: it is in use no longer, by the logbook."
        given = _merged(kept, given)
    if not given:
        raise UsageError(
            "Nothing is known yet.", hint="Name a machine of the logbook, or give grades: toothcheck advise --help"
        )
    from toothcheck.advice import plan_for
    from toothcheck.logbook import distance_text
    from toothcheck.torque import Torque

    def far(km: float) -> str:
        return distance_text(km, unit)

    try:
        situation = _situation(given)
        plan = plan_for(situation, far=far)
        torques = [Torque.parse(text) for text in torque or []]
        name = machine or "this machine"
        sheets: list[tuple[Path, Sheet]] = []
        if order_sheet is not None:
            sheets.append((order_sheet, _order(name, situation, plan, far, model, frame, front_part, rear_part)))
        if checklist is not None:
            from toothcheck.sheets import work_checklist

            sheets.append((checklist, work_checklist(plan, machine=name, torques=torques, date=_today())))
        files = [(path, _rendered(sheet, path, paper)) for path, sheet in sheets]
    except ValueError as error:
        raise wrong_words(error) from error
    _write(files)
    if json_to is not None:
        write_json({**plan.as_json(), "machine": machine, "made_of": _made_of(situation, parts)}, json_to)
    if json_to != "-":
        _show(name, plan, source, [path for path, _ in files])
    if plan.action == "measure-first":
        raise typer.Exit(3)


def _sprocket(
    grade: str | None, teeth: int | None, confidence: float | None, km: float | None, name: str
) -> dict[str, Any] | None:
    if confidence is not None and not 0 <= confidence <= 1:
        hint = f"{confidence:g} % is {confidence / 100:g}." if 1 < confidence <= 100 else ""
        raise UsageError(f"--{name}-confidence must lie between 0 and 1, not {confidence:g}.", hint=hint)
    more = {"teeth": teeth, "confidence": confidence, "distance_km": km}
    typed = {key: value for key, value in more.items() if value is not None}
    if grade is None:
        return typed or None  # known but not graded: still worth its notes
    path = _json_file(grade)
    if path is None:
        return {"grade": grade, **typed}
    made = f"--{name} takes a grade, or what toothcheck inspect … --json FILE wrote."
    from toothcheck.advice import Halt, SprocketState
    from toothcheck.estimate import Estimate
    from toothcheck.logbook.entries import facts_of, halts_of, renewal_of

    document = json_object_of(path, hint=made)
    try:
        facts, halts = facts_of(document), halts_of(document)
        asymmetry = None
        if facts["asymmetry_percent"] is not None:
            asymmetry = {"value": facts["asymmetry_percent"], "std": facts["asymmetry_std_percent"]}
        told = {"grade": facts["grade"], "teeth": facts["teeth"], "asymmetry_percent": asymmetry}
        told["chain_size"] = facts["chain"]
        told["renew"] = renewal_of(document)
        told["halt"] = Halt(teeth=halts) if halts else None
        if facts["grade"] != "cannot-tell":  # then it is simply not graded, which needs no confidence
            told["confidence"] = facts["confidence"]
        SprocketState(**{**told, "asymmetry_percent": None if asymmetry is None else Estimate(**asymmetry)})
    except (ValueError, TypeError) as error:
        raise InputError(f"{grade} is not an inspection's JSON: {error}.", hint=made) from None
    if facts["position"] not in (None, name):
        raise UsageError(f"{grade} is of a {facts['position']} sprocket, not of the {name} one.")
    _check_teeth(name, teeth, told, grade)
    return {**told, **typed}


def _check_teeth(name: str, typed: int | None, known: dict[str, Any], source: str) -> None:
    """Refuse a typed tooth count beside a grade that is of a sprocket with another."""
    counted = known["teeth"]
    if known["grade"] != "cannot-tell" and None not in (typed, counted) and typed != counted:
        raise UsageError(
            f"--{name}-teeth is {typed}, but the grade {known['grade']} is of a sprocket of {counted} teeth "
            f"({source}).",
            hint=f"Leave it out, or give the grade of the one of {typed} teeth with --{name}.",
        )


def _check_fitted(
    machine: str, position: str, told: int | None, fitted: LoggedPart | None, state: SprocketState | None
) -> None:
    """Refuse a tooth count, typed or of an inspection, that is not that of the sprocket fitted by the logbook."""
    count = None if fitted is None else fitted.entry.teeth
    if count is None and state is not None and state.grade != "cannot-tell":
        count = state.teeth  # what a photo that could tell counted
    if None not in (told, count) and told != count:
        raise UsageError(
            f"The {position} sprocket is told to have {told} teeth, but the one fitted to {machine} has {count} by the "
            "logbook.",
            hint="If it was changed, or counted wrong, tell the logbook first (add-part --replace, correct --teeth).",
        )


def _km(words: str | None) -> float | None:
    """A distance in km; a bare number is one already."""
    from toothcheck.cli.books import kilometres

    if words is None:
        return None
    return kilometres(words if words.strip()[-1:].isalpha() else f"{words}km")


def _json_file(grade: str | None) -> Path | None:
    """The inspection's file that stands in place of a grade."""
    return Path(grade) if grade is not None and grade.lower().endswith(".json") else None


def _percent(text: str) -> dict[str, float]:
    words, _, more = text.replace("%", "").replace("±", "+-").partition("+-")
    hint = "Write 0.45 or 0.45+-0.05 (per cent)."
    try:
        # without its own uncertainty: what a rule over 20 pitches of 520 gives
        value, std = float(words), float(more) if more.strip() else 0.09
    except ValueError:
        raise UsageError(f"--stretch {text!r} cannot be read.", hint=hint) from None
    if not (math.isfinite(value) and 0 <= std < math.inf):
        raise UsageError(f"--stretch must be finite, its uncertainty not below 0, not {text!r}.", hint=hint)
    return {"value": value, "std": std}


def _situation(given: dict[str, Any]) -> Situation:
    from toothcheck.advice import ChainState, Situation
    from toothcheck.chains import chain as chain_of
    from toothcheck.estimate import Estimate
    from toothcheck.stretch import Limit

    size = None if given.get("chain") is None else chain_of(str(given["chain"]))
    limit = given.get("limit")
    if isinstance(limit, str):
        limit = Limit.parse(limit, pitch_mm=None if size is None else size.pitch_mm)
    if limit is not None and not isinstance(limit, Limit):
        raise TypeError("limit must be text or a Limit")
    e = given.get("elongation_percent")

    def state(one: dict[str, Any] | None) -> SprocketState | None:
        from toothcheck.advice import SprocketState

        if one is None:
            return None
        a = one.get("asymmetry_percent")
        return SprocketState(
            **{"grade": "cannot-tell", **one, "asymmetry_percent": None if a is None else Estimate(**a)}
        )

    return Situation(
        front=state(given.get("front")),
        rear=state(given.get("rear")),
        chain=ChainState(
            elongation_percent=None if e is None else Estimate(**e),
            if_one_fewer_percent=given.get("if_one_fewer"),
            misread=given.get("misread"),
            dispute=given.get("chain_dispute"),
            remark=given.get("chain_remark"),
            size=given["chain_own"] if "chain_own" in given else None if size is None else size.name,
            limit=limit,
            links=given.get("links"),
            distance_km=given.get("chain_km"),
            seen=given.get("chain_seen"),
            age_years=given.get("age_years"),
            stiff_or_uneven=bool(given.get("stiff")),
            damaged=bool(given.get("damaged")),
        ),
        size=size,
        adjuster_left_percent=given.get("adjuster_left_percent"),
    )


def _merged(kept: dict[str, Any], typed: dict[str, Any]) -> dict[str, Any]:
    """What was typed over what the logbook knows; a new grade takes the place of the old reading, not of the teeth."""
    from toothcheck.estimate import Estimate
    from toothcheck.logbook import longer_in_logbook

    out = {**kept, **typed}
    if "elongation_percent" in typed:
        # those were about the logbook's reading
        out["misread"] = out["if_one_fewer"] = out["chain_seen"] = out["chain_dispute"] = None
        known, seen = kept.get("elongation_percent"), kept.get("chain_seen")
        if known is not None and seen is not None and not kept["misread"]:
            now = Estimate(**typed["elongation_percent"])
            out["chain_remark"] = longer_in_logbook(Estimate(**known), seen.on, now)
    elif "chain_km" in typed:
        out["chain_seen"] = _ridden_to(out.get("chain_seen"), typed["chain_km"])
    for name in ("front", "rear"):
        old, new = kept.get(name), typed.get(name)
        if old is not None and new is not None:
            out[name] = _judged_anew(old, new)
            if "distance_km" in new:
                out[name]["seen"] = _ridden_to(out[name].get("seen"), new["distance_km"])
    return out


def _judged_anew(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    """One sprocket as the logbook has it, with what was typed of it or an inspection's file says.

    A tooth that halts does so whatever is typed: only the withdrawal of its reading takes that back.
    """
    from toothcheck.logbook import halted_in_logbook, outweighed_photo, renewal_in_logbook, worse_in_logbook

    told = {key: value for key, value in new.items() if value is not None}
    if "grade" not in new:
        return {**old, **told}
    of_a_photo = "halt" in new
    beside = {key: value for key, value in told.items() if key in ("teeth", "distance_km", "chain_size", "halt")}
    if new["grade"] == "cannot-tell" and old["grade"] != "cannot-tell":  # as a newer reading that could not tell
        return {**old, "untold_on": _today(), "renew": new.get("renew"), **beside}
    if of_a_photo and old["seen"] is not None:
        outweighed = outweighed_photo(old["grade"], old["seen"].on, new["grade"])
        if outweighed is not None:
            return {**old, "remark": outweighed, **beside}
    said = [] if old["seen"] is None else [worse_in_logbook(old["grade"], old["seen"].on, new["grade"])]
    if old["renew"] is not None:
        said.append(renewal_in_logbook(new["grade"]))
    if old["halt"] is not None and not of_a_photo:
        said.append(halted_in_logbook(old["halt"]))
    lasting = {key: old[key] for key in ("teeth", "distance_km", "chain_size", "halt")}
    return {**lasting, "remark": " ".join(one for one in said if one is not None) or None, **told}


def _over_case(found: dict[str, Any], typed: dict[str, Any], source: str) -> dict[str, Any]:
    """What was typed over an invented case; a new grade takes the place of the old one as in `_merged`."""
    out = {**found, **typed}
    for name in {"front", "rear"} & set(found) & set(typed):
        old, new = found[name], typed[name]
        if "grade" in new:
            old = {key: old[key] for key in ("teeth", "distance_km") if key in old}
        else:
            _check_teeth(name, new.get("teeth"), old, source)
        out[name] = {**old, **new}
    return out


def _ridden_to(seen: Seen | None, part_km: float) -> Seen | None:
    """When a part was seen, with its distance told anew."""
    from dataclasses import replace

    if seen is None or seen.part_km is None:
        return seen
    return replace(seen, since_km=max(0.0, part_km - seen.part_km), unread_days=0)


def _from_logbook(machine: str, where: str | None, typed: dict[str, Any], unit: str) -> dict[str, Any]:
    """What the logbook knows; nothing when the name is for the papers only.

    That it is where everything was typed, or where there is no logbook at all.  Else a name that the logbook does not
    have is more likely misspelt, and the plan would leave out what is known.
    """
    import datetime as dt

    from toothcheck.chains import chain as chain_of
    from toothcheck.cli.books import opened
    from toothcheck.drive import situation_of
    from toothcheck.logbook import distance_rough
    from toothcheck.trend import part_trend

    complete = "elongation_percent" in typed and all("grade" in typed.get(name, {}) for name in ("front", "rear"))
    file = file_of(where)
    if file is not None and not file.exists() and (complete or (typed and not where)):
        return {}
    with opened(where) as book:
        history = book.history()
    if machine not in history.machines and complete:
        return {}
    try:
        size = None if "chain" not in typed else chain_of(typed["chain"])
        s = situation_of(history, machine, today=dt.date.today(), size=size)
    except ValueError as error:
        raise UsageError(f"{error}.") from error

    for position, state in (("front", s.front), ("rear", s.rear)):
        fitted = history.parts.get(history.machines[machine].fitted.get(position, ""))
        _check_fitted(machine, position, typed.get(position, {}).get("teeth"), fitted, state)

    def told(position: str, one: SprocketState | None) -> dict[str, Any] | None:
        if one is None:
            return None
        a = one.asymmetry_percent
        foretold = None
        if "distance_km" not in typed.get(position, {}):  # then it is not the logbook's
            trend = part_trend(history, history.machines[machine].fitted[position])
            foretold = trend.foretold(lambda km: distance_rough(km, unit), dt.date.today())
        return {
            "grade": one.grade,
            "confidence": one.confidence,
            "teeth": one.teeth,
            "asymmetry_percent": None if a is None else {"value": a.value, "std": a.std},
            "distance_km": one.distance_km,
            "seen": one.seen,
            "untold_on": one.untold_on,
            "chain_size": one.chain_size,
            "dispute": one.dispute,
            "halt": one.halt,
            "renew": one.renew,
            "remark": one.remark,
            "foretold": foretold,
        }

    e = s.chain.elongation_percent
    return {
        "front": told("front", s.front),
        "rear": told("rear", s.rear),
        "elongation_percent": None if e is None else {"value": e.value, "std": e.std},
        "misread": s.chain.misread,
        "if_one_fewer": s.chain.if_one_fewer_percent,
        "chain_dispute": s.chain.dispute,
        "chain_own": s.chain.size,
        "limit": s.chain.limit,
        "chain": None if s.size is None else s.size.name,
        "links": s.chain.links,
        "chain_km": s.chain.distance_km,
        "chain_seen": s.chain.seen,
        "age_years": s.chain.age_years,
        "retired_on": history.machines[machine].retired_on,
        "parts": history.machines[machine].fitted,
    }


def _today() -> str:
    import datetime

    return datetime.date.today().isoformat()


def _order(
    name: str,
    situation: Situation,
    plan: Plan,
    far: InWords,
    model: str,
    frame: str,
    front_part: Path | None,
    rear_part: Path | None,
) -> Sheet:
    from dataclasses import replace

    from toothcheck.chains import chain as chain_of
    from toothcheck.matching import Count, Part, part_from_mapping
    from toothcheck.sheets import OrderFacts, SprocketOrder, order_sheet

    def size(own: str | None) -> Chain | None:
        """A part's own size; where it is not known the others', as long as these agree."""
        return chain_of(own) if own is not None else None if situation.clash is not None else situation.size

    def part(which: str, path: Path | None, state: SprocketState | None) -> SprocketOrder:
        number, known = "", Part(name="part")
        made_for, teeth = size(None if state is None else state.chain_size), None if state is None else state.teeth
        if path is not None:
            told = json_object_of(path, hint="It holds a part's values; keys: see the README.")
            number = str(told.pop("part_number", ""))
            known = part_from_mapping(told)
            own = None if told.get("chain") is None else chain_of(str(told["chain"]))
            _check_part(which, path, known, own, made_for, teeth)
            made_for = made_for or own
        if known.teeth is None and teeth is not None:
            known = replace(known, teeth=Count(value=teeth))
        return SprocketOrder(part=known, part_number=number, size=made_for)

    return order_sheet(
        OrderFacts(
            machine=name,
            model_and_year=model,
            frame_number=frame,
            distance="" if situation.chain.distance_km is None else f"{far(situation.chain.distance_km)} on the chain",
            size=size(situation.chain.size),
            links=situation.chain.links,
            front=part("front", front_part, situation.front),
            rear=part("rear", rear_part, situation.rear),
            plan=plan.headline,
        ),
        date=_today(),
    )


def _check_part(
    which: str, path: Path, part: Part, own: Chain | None, made_for: Chain | None, teeth: int | None
) -> None:
    """Refuse a part's file that contradicts what is known of the sprocket: both would stand on one order sheet."""
    hint = f"Correct the file or what was typed; the sheet is for a part like the {which} sprocket."
    if part.teeth is not None and teeth is not None and part.teeth.value != teeth:
        raise UsageError(f"{path} is of {part.teeth.value} teeth, but the {which} sprocket has {teeth}.", hint=hint)
    said = None
    if made_for is not None and own is not None and own.name != made_for.name:
        said = f"chain {own.name}"
    elif made_for is not None and part.pitch_mm and abs(part.pitch_mm.value - made_for.pitch_mm) > _OTHER_PITCH_MM:
        said = f"a pitch of {part.pitch_mm.value:g} mm"
    if made_for is not None and said is not None:
        raise UsageError(f"{path} is for {said}, but the {which} sprocket is for chain {made_for.name}.", hint=hint)


def _made_of(situation: Situation, parts: dict[str, str]) -> dict[str, Any]:
    """What a plan was made from, for programs; parts by their names in the logbook."""

    def sprocket(position: str, one: SprocketState | None) -> dict[str, Any] | None:
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
        "front": sprocket("front", situation.front),
        "rear": sprocket("rear", situation.rear),
        "chain": {
            "part": parts.get("chain"),
            "elongation_percent": None if e is None else e.as_json(),
            "limit_percent": None if chain.limit is None else round(chain.limit.elongation_percent, 3),
            "on": None if chain.seen is None else chain.seen.on,
            "own_km": chain.distance_km,
        },
    }


def _rendered(sheet: Sheet, path: Path, paper: Paper) -> bytes:
    from toothcheck.sheets import to_markdown, to_pdf

    if path.suffix.lower() == ".md":
        return to_markdown(sheet).encode()
    return to_pdf(sheet, paper=paper.value)


def _write(files: list[tuple[Path, bytes]]) -> None:
    from toothcheck.cli.output import write_whole

    for path, data in files:
        write_whole(path, data)


def _show(name: str, plan: Plan, source: str, written: list[Path]) -> None:
    from toothcheck.cli.output import console, paragraph

    word = "NOTHING NOW" if plan.action == "nothing" else plan.action.replace("-", " ").upper()
    out = console()
    paragraph(out, f"{name}: {word}", style="bold")
    paragraph(out, plan.headline, style="bold")
    if source:
        paragraph(out, source)
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
