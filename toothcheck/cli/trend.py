"""The commands ``toothcheck trend`` and ``toothcheck due``."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.books import (
    ODOMETER_COLUMNS,
    Unit,
    Where,
    columns,
    file_of,
    looked_into,
    maybe_kilometres,
    named,
    opened,
    say,
    telling,
    unit_of,
)
from toothcheck.cli.output import check_ending, check_targets, write_json, write_whole
from toothcheck.cli.words import JsonWord

if TYPE_CHECKING:
    from toothcheck.logbook import History
    from toothcheck.trend import PartTrend

CAUTION = (
    "A forecast is no approval: look at the chain and both sprockets at every service, engine off, and follow the "
    "machine's manual; when in doubt ask a qualified mechanic."
)
_MOST_NAMED = 10
_THREE = ("early (10 %)", "middle", "late (90 %)")


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(epilog="Example: toothcheck trend KC-07 front --chart trend.png")(trend)
    app.command(epilog="Example: toothcheck due --within 2000km")(due)


def trend(
    machine: Annotated[str, typer.Argument(callback=named, help="The machine.")],
    part: Annotated[
        str | None,
        typer.Argument(callback=named, help="front, rear, or a part's name. Default: both sprockets fitted now."),
    ] = None,
    chart: Annotated[
        list[Path] | None,
        typer.Option("--chart", metavar="FILE", help="Draw it; ends in .png or .svg; may be repeated."),
    ] = None,
    units: Unit = "km",
    json_: JsonWord = None,
    where: Where = None,
) -> None:
    """Wear against distance: rate, and when each band is reached, with an 80 % interval."""
    from toothcheck.logbook import POSITIONS
    from toothcheck.trend import part_trend, parts_of

    unit = unit_of(units)
    for file in chart or []:
        check_ending("--chart", file, (".png", ".svg"))
    one: Path | None
    for one in chart or (None,):
        check_targets(
            read={"the logbook": file_of(where)}, written={"--chart": one, "--json": json_}, json_kind="trend"
        )
    with opened(where) as book:
        history = book.history()
    with telling():
        which = part.lower() if part is not None and part.lower() in POSITIONS else part
        trends = [part_trend(history, name) for name in parts_of(history, machine, which)]
    if json_ is not None:
        write_json({"schema": "toothcheck/trend/1", "machine": machine, "parts": [_json(t) for t in trends]}, json_)
    if json_ != "-":
        for t in trends:
            _tell(t, unit)
        say(CAUTION)
    for file in chart or []:
        from toothcheck.trend.chart import drawn

        write_whole(file, drawn(trends, title=machine, form=file.suffix.lower().lstrip("."), unit=unit))
        if json_ != "-":
            say(f"Chart written to {file}.")


def _tell(t: PartTrend, unit: str) -> None:
    from toothcheck.logbook import distance_rough, in_unit

    today = dt.date.today()
    per = 1000 / in_unit(1000.0, unit)
    low, high = (r * per for r in t.trend.rate_interval)
    count = f"{len(t.readings)} reading{'' if len(t.readings) == 1 else 's'}"
    say(f"{t.part}: {count} with a number; own distance {distance_rough(t.trend.now_km, unit)}")
    if t.counts is not None:
        say(f"  last seen  {t.counts.entry.grade} on {t.counts.entry.on_date}")
    for sentence in t.grade_sentences:
        say(f"  - {sentence}")
    a, b = t.trend.now_interval
    now = f"{t.trend.now_percent:.1f} % (80 %: {a:.1f} … {b:.1f})" if t.readings else "not known, no photo measured it"
    say(f"  wear now   {now}")
    since = f"from {distance_rough(t.trend.rate_from_km, unit)} to {distance_rough(t.trend.rate_to_km, unit)}"
    say(f"  rate       {t.trend.rate * per:.2f} % per 1000 {unit} (80 %: {low:.2f} … {high:.2f}), {since}")
    if t.km_per_day is not None:
        say(f"  ridden     {distance_rough(7 * t.km_per_day, unit)} a week over the last {t.rate_days} days")
    rows = [
        [f"  {c.grade} from {c.percent:.0f} %" if n == 0 else "", name, far]
        for c in t.crossings
        for n, (name, far) in enumerate(
            zip(_THREE, t.still_to_go(c, lambda km: distance_rough(km, unit), today), strict=True)
        )
    ]
    if rows:
        columns(["  still to go", "", ""], rows)
    from_when = t.days_from(today)
    for sentence in (*([] if from_when is None else [from_when]), *t.line_sentences(unit)):
        say(f"  - {sentence}")


def _json(t: PartTrend) -> dict[str, Any]:
    trend_ = t.trend
    return {
        "part": t.part,
        "machine": t.machine,
        "position": t.position,
        "readings": len(t.readings),
        "last_grade": t.counts.entry.grade if t.counts else None,
        "newest_could_tell": None if t.judged is None else t.judged.newest_told,
        "readings_disagree": t.judged is not None and t.judged.milder is not None,
        "worst": t.worst,
        "due_now": t.is_due,
        "do_not_ride_teeth": [] if t.halt is None else list(t.halt.teeth),
        "now": {
            "part_km": round(trend_.now_km),
            # where no photo gave a number the line is common practice alone and says nothing of this part
            "asymmetry_percent": _three(trend_.now_interval[0], trend_.now_percent, trend_.now_interval[1], digits=2)
            if t.readings
            else None,
        },
        "rate_percent_per_1000_km": _three(trend_.rate_interval[0], trend_.rate, trend_.rate_interval[1], digits=3),
        "rate_over_km": [round(trend_.rate_from_km), round(trend_.rate_to_km)],
        "rests_on_prior": trend_.rests_on_prior,
        "counted_from": t.counted_from,
        "km_per_day": None if t.km_per_day is None else round(t.km_per_day, 1),
        "crossings": [
            {
                "grade": c.grade,
                "from_percent": c.percent,
                "part_km": _three(c.early_km, c.median_km, c.late_km, digits=0),
                "ahead_km": _three(t.ahead_km(c.early_km), t.ahead_km(c.median_km), t.ahead_km(c.late_km), digits=0),
                "date": {
                    name: t.date_at(km)
                    for name, km in zip(("early", "median", "late"), (c.early_km, c.median_km, c.late_km), strict=True)
                },
            }
            for c in t.crossings
        ],
        "jumps": [
            {
                "entry": t.readings[j.index].entry.number,
                "kind": j.kind,
                "percent": round(j.percent, 2),
                "std_percent": round(j.std_percent, 2),
            }
            for j in trend_.jumps
        ],
        "notes": [*t.grade_sentences, *t.line_sentences()],
    }


def _three(early: float | None, median: float | None, late: float | None, *, digits: int) -> dict[str, float | None]:
    values = {"early": early, "median": median, "late": late}
    return {name: None if v is None else round(v, digits) + 0.0 for name, v in values.items()}


def _nothing_due(history: History) -> str:
    """Why the list is empty: that nothing is known is no good news."""
    in_use = [machine for machine in history.machines.values() if machine.retired_on is None]
    if not in_use:
        return "No machine is in use by the logbook." if history.machines else "The logbook holds no machines."
    if not any({"front", "rear"} & set(machine.fitted) for machine in in_use):
        return "No sprocket is fitted to any machine by the logbook, so what falls due is not known."
    return "Nothing falls due."


def due(
    within: Annotated[
        str | None, typer.Option("--within", metavar="DISTANCE", help="Only what may ask for parts this soon.")
    ] = None,
    units: Unit = "km",
    json_: JsonWord = None,
    where: Where = None,
) -> None:
    """List every fitted sprocket of the fleet, worst first, with what falls due and when, and chains that are due."""
    from toothcheck.drive import chains_due
    from toothcheck.logbook import distance_rough
    from toothcheck.trend import STALE_DAYS, UP_TO_DATE, dated, passed, unread_since
    from toothcheck.trend import due as due_list

    unit = unit_of(units)
    with looked_into(where, json_=json_, json_kind="due") as book:
        history = book.history()
    today = dt.date.today()
    trends = due_list(history, today=today, within_km=maybe_kilometres(within, "--within"))
    chains = chains_due(history, today=today)
    unread = unread_since(history, today - dt.timedelta(days=STALE_DAYS))
    if json_ is not None:
        last = [{"machine": machine, "last_entry": on} for machine, on in unread]
        told = {"within": within, "parts": [_json(t) for t in trends], "chains": chains, "unread": last}
        write_json({"schema": "toothcheck/due/1", **told}, json_)
        if json_ == "-":
            return
    rows, some_passed = [], False
    for t in trends:
        action = t.next_action
        early, middle, late = (
            t.ahead_km(km)
            for km in ((action.early_km, action.median_km, action.late_km) if action else (0.0, 0.0, 0.0))
        )
        if t.is_due:
            when, day = "now", ""
        else:
            when = "not foretold" if middle is None else f"{distance_rough(middle, unit)}"
            when += (
                f" ({distance_rough(early or 0.0, unit)} … {'?' if late is None else distance_rough(late, unit)})"
                if middle is not None
                else ""
            )
            day = t.date_at(action.median_km) or "" if action else ""
        seen = f"{t.counts.entry.grade} {t.counts.entry.on_date}" if t.counts else "never photographed"
        wear = f"{t.trend.now_percent:.1f} %" if t.readings else "-"
        notes = ["jump, look by eye"] if t.trend.jumps and t.trend.jumps[-1].kind != "single" else []
        notes += ["common practice"] if t.trend.rests_on_prior else []
        if t.machine in chains:
            notes.insert(0, f"chain {chains[t.machine]}")
        notes += [] if t.mind is None else [t.mind]
        if t.halt is not None:
            notes.insert(0, t.halt.in_short)
        some_passed = some_passed or passed(day or None, today)
        if passed(day or None, today) or any(machine == t.machine for machine, _ in unread):
            notes.append(f"last entry {t.counted_from}")
        about = dated(day, today) if day else ""
        rows.append([t.full_name(history.machines), when, about, seen, wear, ", ".join(notes)])
    # what a narrow terminal shows in the table itself is what the list is for: which part, how soon, on which day
    columns(["part", "parts due in, middle (80 %)", "about", "last seen", "wear now", "mind"], rows)
    for name in sorted(set(chains) - {t.machine for t in trends}):  # none of its sprockets is in the table
        say(f"{name}: chain {chains[name]}")
    if not rows and not chains:
        say(_nothing_due(history))
    if some_passed:
        say("Days are counted from a machine's last entry, and some have passed.")
    if unread:
        machines = ", ".join(f"{machine} ({on})" for machine, on in unread[:_MOST_NAMED])
        more = f" and {len(unread) - _MOST_NAMED} more" if len(unread) > _MOST_NAMED else ""
        say(f"No entry for over {STALE_DAYS} days: {machines}{more}. What has been ridden since is a guess.")
    if some_passed or unread:
        say(UP_TO_DATE)
    if len(unread) > 1:
        say(f"Many at once: toothcheck logbook import FILE.csv, a table of {ODOMETER_COLUMNS}.")
    say(CAUTION)
