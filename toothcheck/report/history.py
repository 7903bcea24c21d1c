"""What a logbook adds to a report: the newest reading of a machine, and the trend of each of its sprockets."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from typing import TYPE_CHECKING

from toothcheck.advice import PHOTO_HOLDS_KM, said_of
from toothcheck.drive import chain_in_short, situation_of
from toothcheck.grade import CANNOT_TELL
from toothcheck.lessons.scale import GRADES
from toothcheck.logbook import distance_rough, distance_text, in_unit, judged
from toothcheck.marks import INSPECTION_SCHEMA
from toothcheck.pages import tied
from toothcheck.report.content import Origin, ReportInput, TrendShown

if TYPE_CHECKING:
    from toothcheck.advice import Situation
    from toothcheck.logbook import Entry, History, Reading
    from toothcheck.trend import PartTrend


_WORSE = (GRADES[0], CANNOT_TELL, *GRADES[1:])
"""From best to worst; what could not be told is no good one."""


def from_logbook(
    history: History,
    machine: str,
    part: str | None = None,
    *,
    whole: Callable[[int], Entry],
    today: dt.date,
    unit: str = "km",
) -> ReportInput:
    """The reading that counts of a machine's worse sprocket, with the trends of all that are meant.

    A newer photo that could not tell takes the place of a ``good``, and of nothing worse; one with a tooth that nobody
    may ride on that of all but a ``replace-now``.

    Parameters
    ----------
    history
        The logbook.
    machine
        Its name there.
    part
        ``front``, ``rear`` or a part's name; both sprockets fitted now when not given.
    whole
        Gives the entry of a number with its document, as `toothcheck.logbook.Logbook.entry` does: a history is read
        without documents.
    today
        For what was seen too long ago to count.
    unit
        Of the distances shown, ``km`` or ``miles``.

    Raises
    ------
    ValueError
        When machine or part are not known, or no reading holds its inspection.
    """
    from toothcheck.trend import part_trend, parts_of

    names = parts_of(history, machine, part)
    found = [judged(history.readings.get(name, [])) for name in names]
    # of each sprocket the grade that counts, and a newer photo that could not tell: it doubts a good one
    judged_ = [one for one in found if one is not None]
    last = [reading for one in judged_ for reading in (one.counts, one.newest, one.halted) if reading is not None]
    if not last:
        raise ValueError(
            f"the logbook holds no reading of {', '.join(names)}, so there is nothing to report; record one "
            "(toothcheck inspect PHOTO --log MACHINE --at DISTANCE), or see what else is known "
            "(toothcheck advise MACHINE)"
        )
    newest = max(last, key=lambda r: (_rank(r), r.entry.on_date))  # the worse sprocket decides
    trends = [part_trend(history, name) for name in names]
    known = situation_of(history, machine, today=today)
    shown_one = next(t for t in trends if t.part == newest.entry.part)
    document = whole(newest.entry.number).document
    return ReportInput(
        document=_document(newest.entry) if document is None else json.loads(document),
        origin=Origin.UNTOLD,
        machine=shown_one.full_name(history.machines),
        date=newest.entry.on_date,
        doubts=_doubts(newest, known, shown_one, today, unit),
        drive=_drive(known, unit),
        trends=tuple((t.full_name(history.machines), shown(t, today, unit)) for t in trends),
        unit=unit,
    )


def _doubts(reading: Reading, known: Situation, part: PartTrend, today: dt.date, unit: str) -> tuple[str, ...]:
    """What stands against the grade of a reading today: its age, and where the trend has it by now."""
    state = {"front": known.front, "rear": known.rear}.get(part.position) if part.machine is not None else None
    if state is None or state.seen is None or reading.entry.grade != state.grade:
        return ()
    why = state.seen.why_lapsed("a photo", PHOTO_HOLDS_KM, lambda km: _exactly(km, unit))
    return (
        *([f"Too old to go by: {why}"] if state.old else []),
        *([said] if (said := part.overtaken(today)) is not None else []),
    )


def _drive(known: Situation, unit: str) -> tuple[str, ...]:
    """Both sprockets and the chain of a machine, whichever of them the report is about."""
    sprockets = [
        said
        for name, state in (("Front", known.front), ("Rear", known.rear))
        for said in said_of(name, state, lambda km: _exactly(km, unit))
    ]
    return (*sprockets, f"Chain: {chain_in_short(known.chain) or 'not measured'}.")


def _document(entry: Entry) -> dict[str, object]:
    """An inspection document with what the entry itself holds, for readings kept without theirs."""

    def value(number: float | None, std: float | None) -> dict[str, float] | None:
        return None if number is None else {"value": number, "std": std or 0.0}

    held = "grade" if entry.asymmetry_percent is None and entry.overhang_mm is None else "numbers"
    return {
        "schema": INSPECTION_SCHEMA,
        "photo": {"sha256": entry.photo_sha256},
        "sprocket": {"chain": entry.chain, "teeth": entry.teeth, "position": entry.position},
        "scale": {},
        "teeth": [],
        "wear": {
            "asymmetry_percent": value(entry.asymmetry_percent, entry.asymmetry_std_percent),
            "overhang_mm": value(entry.overhang_mm, entry.overhang_std_mm),
        },
        "verdict": {
            "grade": entry.grade,
            "confidence": entry.confidence,
            "reasons": [f"The logbook holds the {held} of this reading, not the whole inspection tooth by tooth."],
        },
        "flags": [],
    }


def shown(part: PartTrend, today: dt.date, unit: str = "km") -> TrendShown:
    """A part's trend with its forecast in words, days that have passed marked, distances in ``km`` or ``miles``."""
    trend = part.trend
    per = 1000 / in_unit(1000.0, unit)
    low, high = (rate * per for rate in trend.rate_interval)
    now = f"Wear now {trend.now_percent:.1f} %" if part.readings else "Wear now not known, no photo measured it"
    words = [
        *part.grade_sentences,
        f"{now}; rate from {_far(trend.rate_from_km, unit)} to "
        f"{_far(trend.rate_to_km, unit)} {trend.rate * per:.2f} % per 1000 {unit} (8 times out of 10 between {low:.2f} "
        f"and {high:.2f}).",
    ]
    words += [part.expected(crossing, lambda km: _far(km, unit), today) for crossing in part.crossings]
    if (from_when := part.days_from(today)) is not None:
        words.append(from_when)
    told = part.drawn_at(trend.curve_km, trend.curve_percent[1])
    return TrendShown(
        points=trend.points,
        called_out=trend.called_out,
        curve_km=trend.curve_km[told],
        curve_percent=trend.curve_percent[:, told],
        sentences=tuple(map(tied, (*words, *part.line_sentences(unit)))),
    )


def _rank(reading: Reading) -> float:
    grade = reading.entry.grade
    rank = _WORSE.index(grade) if grade in _WORSE else -1
    return max(rank, len(_WORSE) - 1.5) if reading.halts else rank  # only what is to be renewed at once is worse


def _exactly(km: float, unit: str) -> str:
    return distance_text(km, unit).replace(" ", "\u202f")


def _far(km: float, unit: str) -> str:
    return distance_rough(km, unit).replace(" ", "\u202f")
