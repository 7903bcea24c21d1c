"""What a logbook adds to a report: the newest reading of a machine, and the trend of each of its sprockets."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from toothcheck.lessons.scale import GRADES
from toothcheck.pages import tied
from toothcheck.report.content import SCHEMA, Origin, ReportInput, TrendShown

if TYPE_CHECKING:
    from toothcheck.logbook import Entry, History
    from toothcheck.trend import PartTrend


def from_logbook(history: History, machine: str, part: str | None = None) -> ReportInput:
    """The reading that counts of a machine's worse sprocket, with the trends of all that are meant.

    It is the newest that could tell a grade, or the newest at all where none could.

    Parameters
    ----------
    history
        The logbook.
    machine
        Its name there.
    part
        ``front``, ``rear`` or a part's name; both sprockets fitted now when not given.

    Raises
    ------
    ValueError
        When machine or part are not known, or no reading holds its inspection.
    """
    from toothcheck.logbook import newest_telling
    from toothcheck.trend import part_trend, parts_of

    names = parts_of(history, machine, part)
    read = [history.readings[name] for name in names if history.readings.get(name)]
    last = [newest_telling(readings) or readings[-1] for readings in read]
    if not last:
        raise ValueError(f"the logbook holds no reading of {', '.join(names)}")
    newest = max(last, key=lambda r: (_rank(r.entry.grade), r.entry.on_date))  # the worse sprocket decides
    return ReportInput(
        document=json.loads(newest.entry.document) if newest.entry.document else _document(newest.entry),
        origin=Origin.UNTOLD,
        machine=f"{machine}, {newest.entry.part}",
        date=newest.entry.on_date,
        trends=tuple((f"{t.part} on {machine}", shown(t)) for t in (part_trend(history, n) for n in names)),
    )


def _document(entry: Entry) -> dict[str, object]:
    """An inspection document with what the entry itself holds, for readings kept without theirs."""

    def value(number: float | None, std: float | None) -> dict[str, float] | None:
        return None if number is None else {"value": number, "std": std or 0.0}

    return {
        "schema": SCHEMA,
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
            "reasons": ["The logbook holds the numbers of this reading, not the whole inspection tooth by tooth."],
        },
        "flags": [],
    }


def shown(part: PartTrend) -> TrendShown:
    """A part's trend with its forecast in words."""
    from toothcheck.trend import BANDS

    trend = part.trend
    low, high = trend.rate_interval
    words = [
        *part.grade_sentences,
        f"Wear now {trend.now_percent:.1f} %; rate from {_far(trend.rate_from_km)} to {_far(trend.rate_to_km)} "
        f"{trend.rate:.2f} % per 1000 km (8 times out of 10 between {low:.2f} and {high:.2f}).",
    ]
    for crossing in part.crossings:
        ends = [part.ahead_km(km) for km in (crossing.early_km, crossing.median_km, crossing.late_km)]
        early, middle, late = ("beyond what is foretold" if km is None else _far(km) for km in ends)
        day = part.date_at(crossing.median_km)
        when = f", {day} at the present riding" if day else ""
        words.append(
            f"{crossing.grade} from {crossing.percent:.0f} %: in about {middle}{when} "
            f"(8 times out of 10 between {early} and {late})."
        )
    # nothing is foretold past the last band, and nothing at all of a part that is in it
    told = trend.curve_km <= trend.now_km
    if part.crossings:
        told |= trend.curve_percent[1] < BANDS[-1][1]
    return TrendShown(
        points=trend.points,
        called_out=trend.called_out,
        curve_km=trend.curve_km[told],
        curve_percent=trend.curve_percent[:, told],
        sentences=tuple(map(tied, (*words, *part.line_sentences))),
    )


def _rank(grade: str | None) -> int:
    return GRADES.index(grade) if grade in GRADES else -1


def _far(km: float) -> str:
    """A distance with no digit finer than a forecast deserves."""
    place = 100 if km >= 1000 else 10
    return f"{round(km / place) * place:,.0f} km".replace(",", "\u202f")
