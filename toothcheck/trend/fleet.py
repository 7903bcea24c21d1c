"""From the logbook to trends: one part's, one machine's, and what falls due in a fleet."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from toothcheck.advice import Halt
from toothcheck.geometry import Bools, Floats
from toothcheck.grade import GRADES, band, halt_until
from toothcheck.logbook import History, Judged, Reading, judged, nearest, once_a_photo
from toothcheck.trend.model import fit
from toothcheck.trend.result import BANDS, Crossing, Point, Trend

STALE_DAYS = 90
"""After so many days without an entry a machine's odometer is asked for (our convention)."""
UP_TO_DATE = "Bring the odometer up to date: toothcheck logbook note MACHINE TEXT --at DISTANCE"
"""What to do then."""
_LEAST_STD = 0.05  # %; a reading entered by hand with no uncertainty must not rule out all others


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartTrend:
    """The trend of one part, where it is fitted, and how the machine is ridden."""

    part: str
    machine: str | None
    position: str
    start_known: bool
    readings: tuple[Reading, ...]
    """Those that hold a number, one for each photo."""
    judged: Judged | None
    """Which of all its readings, with a number or not, counts; None when there is none."""
    retired_on: str | None
    """The day on which it was taken out of service for good."""
    trend: Trend
    km_per_day: float | None
    rate_days: int
    """Over how many days of entries the riding rate was taken."""
    counted_from: str | None
    """The day of the machine's newest distance, from which dates are counted; None when the part is fitted nowhere."""

    def full_name(self, machines: Iterable[str]) -> str:
        """The part's name, with the machine it is on where the name does not begin with that machine's.

        Of machines K and K 1 the longer one is meant by ``K 1 front 1``.
        """
        named_after = max((name for name in machines if self.part.startswith(f"{name} ")), key=len, default=None)
        return self.part if self.machine in (None, named_after) else f"{self.part} (on {self.machine})"

    def ahead_km(self, own_km: float | None) -> float | None:
        """Distance still to go to a distance of the part's own."""
        return None if own_km is None else max(0.0, own_km - self.trend.now_km)

    def ahead_km_on(self, day: dt.date, own_km: float | None) -> float | None:
        """Distance still to go on a day, when the machine is ridden on as before; below 0 once it has been passed.

        As `ahead_km` where the riding rate is not known.
        """
        ahead = self.ahead_km(own_km)
        if ahead is None or self.km_per_day is None or self.counted_from is None:
            return ahead
        return ahead - self.km_per_day * max(0, (day - dt.date.fromisoformat(self.counted_from)).days)

    def date_at(self, own_km: float | None) -> str | None:
        """The day on which the part will have run that far at the present riding rate; None when not known.

        It may lie in the past where the machine's last entry does.  More than fifty years ahead counts as not known.
        """
        ahead = self.ahead_km(own_km)
        if ahead is None or self.km_per_day is None or self.counted_from is None:
            return None
        days = ahead / self.km_per_day
        if days > 365.25 * 50:
            return None
        return (dt.date.fromisoformat(self.counted_from) + dt.timedelta(days=math.ceil(days))).isoformat()

    def days_from(self, today: dt.date) -> str | None:
        """From when days are counted, where that is long ago or some that are foretold have passed."""
        days = (self.date_at(km) for c in self.crossings for km in (c.early_km, c.median_km, c.late_km))
        if passed(self.counted_from, today, days=STALE_DAYS) or any(passed(day, today) for day in days):
            return f"{self.machine} was last read on {self.counted_from}, and days are counted from then. {UP_TO_DATE}"
        return None

    def overtaken(self, today: dt.date) -> str | None:
        """That by the forecast the part is in a worse band by now than its photo saw; None where it need not be."""
        gone = [c for c in self.crossings if passed(self.date_at(c.median_km), today)]
        if not gone or self.grade not in GRADES or GRADES.index(gone[-1].grade) <= GRADES.index(self.grade):
            return None
        early, middle, late = (self.date_at(km) for km in (gone[-1].early_km, gone[-1].median_km, gone[-1].late_km))
        return (
            f"By the trend, at the riding until then, {gone[-1].grade} was reached about {middle} (8 times out of 10 "
            f"between {early} and {late or 'a day that is not foretold'}): take another photo before you go by the "
            "grade."
        )

    @property
    def next_action(self) -> Crossing | None:
        """The next band that asks for parts: ``replace-set``, or ``replace-now`` beyond it."""
        return next((c for c in self.crossings if c.grade in GRADES[2:]), None)

    def still_to_go(self, crossing: Crossing, far: Callable[[float], str], today: dt.date) -> list[str]:
        """How far off a band is, early, middle and late, in words, with days; ``far`` puts km into words."""
        out = []
        for km in (crossing.early_km, crossing.median_km, crossing.late_km):
            ahead, day = self.ahead_km(km), self.date_at(km)
            on = "" if day is None else f" ({dated(day, today)})"
            out.append("beyond what is foretold" if ahead is None else far(ahead) + on)
        return out

    def expected(self, crossing: Crossing, far: Callable[[float], str], today: dt.date) -> str:
        """When a band is reached, in a sentence; parameters as for `still_to_go`."""
        early, middle, late = self.still_to_go(crossing, far, today)
        riding = ", at the present riding" if self.date_at(crossing.early_km) else ""
        return (
            f"{crossing.grade} from {crossing.percent:.0f} %: in about {middle}; 8 times out of 10 between {early} "
            f"and {late}{riding}."
        )

    def foretold(self, far: Callable[[float], str], today: dt.date) -> str | None:
        """When parts will be due, in a line beside the grade; None where the readings alone do not tell it.

        They do not where too few are there, where they contradict one another or leave their line, or where parts are
        due already.
        """
        action, jumps = self.next_action, self.trend.jumps
        if self.is_due or self.telling is None or self.mind is not None or (jumps and jumps[-1].kind != "single"):
            return None
        if self.trend.rests_on_prior or action is None or self.ahead_km(action.median_km) is None:
            return None
        return (
            f"Foretold from {len(self.readings)} readings, as of {self.counted_from} (a forecast is no approval): "
            f"{self.expected(action, far, today)} More: toothcheck trend {self.machine} {self.position}."
        )

    @property
    def grade(self) -> str | None:
        """What the part was seen to be by the photo that counts; None when none could tell."""
        return self.telling.entry.grade if self.telling is not None else None

    @property
    def telling(self) -> Reading | None:
        """The reading that counts, if its photo could tell."""
        return self.judged.counts if self.judged is not None and self.judged.told else None

    @property
    def counts(self) -> Reading | None:
        """The reading whose grade is shown: the one that counts; where none could tell, the newest."""
        return None if self.judged is None else self.judged.counts

    def drawn_at(self, km: Floats, middle_percent: Floats) -> Bools:
        """At which distances (n,) the line, ``middle_percent`` (n,) there, is drawn.

        Nothing is foretold past the last band, and nothing at all of a part that is in it.
        """
        out: Bools = km <= self.trend.now_km
        return out | (middle_percent < BANDS[-1][1]) if self.crossings else out

    @property
    def crossings(self) -> tuple[Crossing, ...]:
        """The trend's bands to come; none for a part that nobody may ride on, whatever its line says."""
        return () if self.grade == GRADES[-1] or self.halt is not None else self.trend.crossings

    @property
    def halt(self) -> Halt | None:
        """Teeth for which nobody may ride."""
        return None if self.judged is None else self.judged.halt

    @property
    def is_due(self) -> bool:
        """Whether parts, or a mechanic, are due now."""
        return self.listed_as in GRADES[2:] or self.halt is not None

    @property
    def listed_as(self) -> str:
        """The worse of the grade that counts and the band the trend stands in (a jump is not fitted away).

        It orders lists.  Of a part that no photo could grade it is by the line alone, and no statement about the part.
        """
        return max(self.trend.reached, self.grade if self.grade in GRADES else GRADES[0], key=GRADES.index)

    @property
    def worst(self) -> str | None:
        """`listed_as` where a photo could tell; None where none could: a line alone grades nothing."""
        return None if self.telling is None else self.listed_as

    @property
    def grade_sentences(self) -> tuple[str, ...]:
        """What the photos' grades say beside the line: to be told before any forecast."""
        out = [] if self.retired_on is None else [f"Retired on {self.retired_on}; what follows is as of then."]
        if self.halt is not None:
            out.append(f"{halt_until(self.halt.which)}{self.halt.photo}; {self.halt.remedy}. Nothing is foretold.")
        if self.judged is not None and self.judged.dispute is not None and self.judged.remedy is not None:
            out += [self.judged.dispute, self.judged.remedy]
        elif self.judged is not None and self.judged.remark is not None:
            out.append(self.judged.remark)
        if self.telling is not None and self.worst != self.trend.reached:
            graded = f"Graded {self.grade} on {self.telling.entry.on_date}"
            if self._fitted_as_graded(self.telling):
                out.append(
                    f"{graded}; the line through all readings is still at {self.trend.reached}. The grade counts."
                )
            else:
                out.append(f"{graded}; the line, at {self.trend.reached}, does not know of it. The grade counts.")
        if self.telling is not None and self.worst != self.grade:
            out.append(
                f"Graded {self.grade} on {self.telling.entry.on_date}; the line through all readings is at "
                f"{self.worst} already, and parts are listed as due by it: take another photo."
            )
        if self.grade == GRADES[-1]:
            out.append("Past replace-now nothing is foretold: do not ride on it.")
        if self.judged is not None and not self.judged.newest_told:
            on = f"The newest photo ({self.judged.newest.entry.on_date}) could not tell"
            out.append(
                f"{on}; the one before it that could counts." if self.judged.told else f"{on}, nor could any before."
            )
        return tuple(out)

    def _fitted_as_graded(self, reading: Reading) -> bool:
        """Whether the line was fitted to a number that alone gives the reading's grade."""
        percent = reading.entry.asymmetry_percent
        if percent is None or any(self.readings[i] is reading for i in self.trend.called_out):
            return False
        return band(percent, 0.0) == reading.entry.grade

    def line_sentences(self, unit: str = "km") -> tuple[str, ...]:
        """What to know about the line and its forecast; ``unit`` is ``km`` or ``miles``."""
        out = list(self.trend.sentences(unit))
        if self.readings and not self.start_known:
            out.append("The part's life before it joined the logbook is unknown; distances count from then.")
        return tuple(out)

    @property
    def mind(self) -> str | None:
        """What a list says beside the grade, in a few words; None when nothing."""
        if self.judged is not None and self.judged.milder is not None:
            return "readings disagree"
        if self.worst != self.grade:
            return f"line at {self.worst}"
        return "the newest photo could not tell" if self.judged is not None and self.judged.untold is not None else None


def passed(day: str | None, today: dt.date, *, days: int = 0) -> bool:
    """Whether a day lies more than ``days`` days in the past; of a forecast's: its machine was not read since."""
    return day is not None and day < (today - dt.timedelta(days=days)).isoformat()


def dated(day: str, today: dt.date) -> str:
    """A day of a forecast, marked where it has passed."""
    return f"{day}, passed" if passed(day, today) else day


def part_trend(history: History, name: str, *, curve: bool = True) -> PartTrend:
    """The trend of a part of the logbook; ``curve`` is as of `toothcheck.trend.model.fit`.

    Raises
    ------
    ValueError
        When it is not in the logbook, or is a chain.
    """
    part = history.parts.get(name)
    if part is None:
        raise ValueError(f"part {name} is not in the logbook")
    position = part.entry.position or ""
    readings = history.readings.get(name, [])
    numbered = _counted(readings)
    on = part.fittings[-1].machine if part.fittings else None
    machine = history.machines[on] if on is not None else None
    riding = machine.riding_rate() if machine is not None else None
    points = [
        Point(
            km=r.part_km,
            percent=r.entry.asymmetry_percent or 0.0,
            std_percent=max(_LEAST_STD, r.entry.asymmetry_std_percent or 0.0),
        )
        for r in numbered
    ]
    trend = fit(
        points,
        position=position,
        now_km=history.part_km(part),
        start_known=part.start_known,
        km_per_day=riding[0] if riding else None,
        curve=curve,
    )
    return PartTrend(
        part=name,
        machine=on if part.current is not None else None,
        position=position,
        start_known=part.start_known,
        readings=numbered,
        judged=judged(readings),
        retired_on=part.retired_on,
        trend=trend,
        km_per_day=riding[0] if riding else None,
        rate_days=riding[1] if riding else 0,
        counted_from=machine.totals[-1][0] if machine is not None and part.current is not None else None,
    )


def _counted(readings: Iterable[Reading]) -> tuple[Reading, ...]:
    """The readings that hold a number, one for each photo."""
    return tuple(once_a_photo([r for r in readings if r.entry.asymmetry_percent is not None]))


def parts_of(history: History, machine: str, which: str | None = None) -> list[str]:
    """Names of a machine's parts: those fitted now, or the one named or standing at the position named.

    Raises
    ------
    ValueError
        When machine or part are not known.
    """
    if machine in history.parts and machine not in history.machines:
        on = dict.fromkeys(f.machine for f in history.parts[machine].fittings)
        raise ValueError(
            f"{machine} is a part, not a machine: name the machine, and the part beside it (it was on: {', '.join(on)})"
        )
    if machine not in history.machines:
        raise ValueError(f"machine {machine} is not in the logbook ({nearest(machine, history.machines)})")
    fitted, retired_on = history.machines[machine].fitted, history.machines[machine].retired_on
    retired = "" if retired_on is None else f", which was retired on {retired_on}"
    if which is None:
        found = [fitted[p] for p in ("front", "rear") if p in fitted]
        if not found:
            add = "" if retired else "; add one (toothcheck logbook add-part MACHINE front|rear)"
            raise ValueError(
                f"no sprocket is fitted to {machine}{retired}{_were(history, machine, 'front', 'rear') or add}"
            )
        return found
    which = fitted.get(which, which)
    if which in history.parts and history.parts[which].entry.position == "chain":
        raise ValueError(f"{which} is a chain, and the trend is of a sprocket; toothcheck stretch judges a chain")
    if which in history.parts and any(f.machine == machine for f in history.parts[which].fittings):
        return [which]
    if which in ("front", "rear"):
        raise ValueError(f"no {which} sprocket is fitted to {machine}{retired}{_were(history, machine, which)}")
    raise ValueError(f"part must be front, rear or the name of a part that was on {machine}, not {which!r}")


def _were(history: History, machine: str, *positions: str) -> str:
    """The parts that were at these positions once, for one who named none that is there now; empty where none was."""
    there = {(machine, position) for position in positions}
    were = [n for n, p in sorted(history.parts.items()) if any((f.machine, f.position) in there for f in p.fittings)]
    return f"; name the one meant of those that were: {', '.join(were)}" if were else ""


def due(history: History, *, today: dt.date, within_km: float | None = None) -> list[PartTrend]:
    """Every sprocket fitted now, worst first, then by what is still to go today; without their curves.

    Parameters
    ----------
    history
        The fleet's.
    today
        The day from which is counted: a machine without entries for a while has been ridden on as before.
    within_km
        Only what may ask for parts within this distance: the early end of the 80 % interval lies within it, or it
        does so already.  Parts that no photo could grade always count: nothing is known of them.
    """
    trends = [part_trend(history, name, curve=False) for name in _fitted(history)]
    if within_km is not None:
        trends = [t for t in trends if _soonest(t, today) <= within_km or t.telling is None]
    return sorted(trends, key=lambda t: (-_urgency(t), _middle(t, today), t.machine or "", t.part))


def unread_since(history: History, day: dt.date) -> list[tuple[str, str]]:
    """The machines with a sprocket whose odometer was last read before that day, with the day it was; longest first."""
    last = [
        (name, m.totals[-1][0]) for name, m in history.machines.items() if m.totals and {"front", "rear"} & {*m.fitted}
    ]
    return sorted(((name, on) for name, on in last if on < day.isoformat()), key=lambda row: (row[1], row[0]))


def _fitted(history: History) -> Iterable[str]:
    for name in sorted(history.machines):
        for position in ("front", "rear"):
            if position in history.machines[name].fitted:
                yield history.machines[name].fitted[position]


def _urgency(t: PartTrend) -> int:
    return len(GRADES) - 1 if t.halt is not None else GRADES.index(t.listed_as)


def _soonest(t: PartTrend, today: dt.date) -> float:
    if t.is_due or t.next_action is None:
        return -math.inf
    ahead = t.ahead_km_on(today, t.next_action.early_km)
    return math.inf if ahead is None else ahead


def _middle(t: PartTrend, today: dt.date) -> float:
    if t.next_action is None:
        return -math.inf
    ahead = t.ahead_km_on(today, t.next_action.median_km)
    return math.inf if ahead is None else ahead
