"""A made-up fleet: Kestrel Couriers, who deliver parcels in a harbour town and do not exist.

Nothing here was measured.  The riding and the wear are invented so that a forecast can be held against a truth that
its own model does not share: weather that comes in spells, salt in winter, weeks without chain care, a rate that
rises with the wear, photographs whose errors have heavy tails and whose stated uncertainty is a little off.
All numbers of the process are our own choice; the middle rate is the common practice named in `toothcheck.trend`.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from toothcheck.chains import chain
from toothcheck.estimate import Estimate
from toothcheck.geometry import Floats, readonly
from toothcheck.grade import BANDS_PERCENT, CANNOT_TELL, GRADES, LEAST_CONFIDENCE, MOST_CONFIDENCE, band
from toothcheck.logbook.documents import dumped, facts_of
from toothcheck.logbook.entries import Entry
from toothcheck.marks import INSPECTION_SCHEMA
from toothcheck.toothform import IsoForm

MADE_BY = "made-up demo data"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Riding:
    """Day by day: distance ridden, and how hard each km was on the sprockets (1 is the middle)."""

    km: Floats
    harshness: Floats


def made_riding(rng: np.random.Generator, days: int, *, km_per_day: float, first_day: int = 0) -> Riding:
    """Some years of riding; ``first_day`` is the day of the year (0 … 364) on which it begins."""
    season = 1 + 0.35 * np.cos(2 * math.pi * (np.arange(days) + first_day - 20) / 365.25)  # salt and grit in winter
    wet = np.zeros(days)
    state = 0.0
    for day, dice in enumerate(rng.random(days)):  # weather comes in spells
        state = 1.0 if dice < (0.7 if state else 0.12) else 0.0
        wet[day] = state
    uncared = np.zeros(days)
    day = 0
    while (day := day + int(rng.exponential(150))) < days:  # nobody oils the chain for a while
        weeks = int(rng.integers(10, 45))
        uncared[day : day + weeks] = 1
        day += weeks
    at_work = (np.arange(days) % 7 < 6) & (rng.random(days) > 0.06)
    load = np.exp(np.repeat(rng.normal(0, 0.25, days // 60 + 1), 60)[:days])  # tours change every two months
    km = at_work * rng.gamma(4.0, km_per_day / 4.0, days) * 7 / 6
    return Riding(km=readonly(km), harshness=readonly(season * (1 + 0.8 * wet) * (1 + 0.6 * uncared) * load / 1.5))


def made_rate(rng: np.random.Generator, position: str) -> float:
    """A part's own rate in % of asymmetry per 1000 km at middle harshness, while new."""
    front = 0.36 * math.exp(rng.normal(0, 0.3)) * float(rng.choice([0.8, 1.0, 1.3]))
    return front if position == "front" else front / 2.41


def made_wear(riding: Riding, rate: float) -> tuple[Floats, Floats]:
    """Own distance in km and true asymmetry in % at each day's end; the rate grows by 3 % for each % of wear."""
    exposure = np.cumsum(rate * riding.harshness * riding.km / 1000)
    return readonly(np.cumsum(riding.km)), readonly(np.expm1(0.03 * exposure) / 0.03)


def made_reading(rng: np.random.Generator, true_percent: float, bias_percent: float) -> tuple[float, float]:
    """Measured asymmetry and its stated standard uncertainty, %."""
    std = float(np.clip(0.6 * math.exp(rng.normal(0, 0.3)), 0.25, 1.5))
    error = std * float(rng.standard_t(5)) * math.sqrt(3 / 5)
    stated = std * math.exp(rng.normal(0, 0.15))
    return true_percent * (1 + rng.normal(0, 0.02)) + bias_percent + error, stated


def made_document(
    rng: np.random.Generator, *, chain_name: str, teeth: int, position: str, asymmetry: float, std: float, name: str
) -> dict[str, Any]:
    """An inspection document with these medians, teeth scattered about them, as `inspect` would print it."""
    size = chain(chain_name)
    form = IsoForm(pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=teeth)
    half = float(form.half_thickness_mm(form.pitch_radius_mm))
    percent = 2 * half / 100  # mm of drive loss for one percent of asymmetry

    def value(v: float, s: float) -> dict[str, float]:
        return {"value": round(v, 3), "std": round(s, 3)}

    overhang = max(0.0, 0.02 * (asymmetry - 12))
    free = 8 if position == "front" else 18
    rows: list[dict[str, Any]] = []
    for index in range(teeth):
        if index >= free:
            rows.append({"index": index, "measured": False, "flags": ["covered"], "tip_px": None})
            continue
        a = asymmetry + rng.normal(0, 1.2 * std)
        loss = a * percent
        s = 1.5 * std * percent
        rows.append(
            {
                "index": index,
                "measured": True,
                "flags": [],
                "tip_px": None,
                "drive_loss_mm": value(loss, s),
                "coast_loss_mm": value(rng.normal(0, s), s),
                "thickness_mm": value(2 * half - loss, s),
                "asymmetry_percent": value(a, 1.5 * std),
                "tip_thickness_mm": None,
                "tip_thinning_percent": None,
                "overhang_mm": value(overhang, 0.03),
                "hollow_mm": None,
                "greatest_loss_mm": value(1.1 * loss, s),
            }
        )
    # as `toothcheck.wear.worst_of` chooses it
    worst = max((row for row in rows if row["measured"]), key=lambda row: float(row["drive_loss_mm"]["value"]))
    grade, confidence = _grade(asymmetry, std, overhang)
    return {
        "schema": INSPECTION_SCHEMA,
        "photo": {
            "name": name,
            "sha256": bytes(rng.integers(0, 256, 32, dtype=np.uint8)).hex(),
            "width_px": 4032,
            "height_px": 3024,
        },
        "sprocket": {
            "chain": size.name,
            "pitch_mm": size.pitch_mm,
            "roller_diameter_mm": size.roller_diameter_mm,
            "teeth": teeth,
            "position": position,
            "drive_flank": "clockwise",
            "gap_form": value(0.5, 0.1),
        },
        "scale": {
            "source": "card",
            "card": "pocket",
            "markers": 4,
            "px_per_mm": 20.0,
            "tilt_deg": 8.0,
            "card_to_pitch_percent": 0.1,
        },
        "teeth": rows,
        "wear": {
            "measured_teeth": free,
            "asymmetry_percent": value(asymmetry, std),
            "worst_tooth": worst["index"],
            "tip_thinning_percent": None,
            "overhang_mm": value(overhang, 0.03),
            "pattern": None,
        },
        "verdict": {
            "grade": grade,
            "confidence": round(confidence, 2),
            "renew_anyway": None,
            "reasons": [MADE_BY],
            "next_steps": [],
            "cautions": [],
        },
        "flags": [],
    }


def _grade(asymmetry: float, std: float, overhang: float) -> tuple[str, float]:
    edges = (-math.inf, *BANDS_PERCENT, math.inf)
    read = Estimate(value=asymmetry, std=std)
    share = [read.below(high) - read.below(low) for low, high in itertools.pairwise(edges)]
    name = band(asymmetry, overhang)
    sure = share[GRADES.index(name)]
    return (name, min(sure, MOST_CONFIDENCE)) if sure >= LEAST_CONFIDENCE else (CANNOT_TELL, sure)


class _Fleet:
    """Entries in the making."""

    def __init__(self, rng: np.random.Generator, first: dt.date) -> None:
        self.rng, self.first, self.entries = rng, first, list[Entry]()

    def add(self, kind: str, day: int, **values: Any) -> None:  # noqa: ANN401 - the fields of Entry
        on = self.first + dt.timedelta(days=day)
        self.entries.append(
            Entry(
                uid=bytes(self.rng.integers(0, 256, 16, dtype=np.uint8)).hex(),
                recorded_at=f"{on.isoformat()}T17:00:00Z",
                kind=kind,
                on_date=on.isoformat(),
                tool_version=MADE_BY,
                **values,
            )
        )


def made_fleet(rng: np.random.Generator, *, machines: int, years: float, last_day: dt.date) -> list[Entry]:
    """The logbook of Kestrel Couriers: services every two to four months, sets renewed when a front reads 10 %.

    The third machine's odometer is replaced once; the fifth's front sprocket is hit by a stone and jumps.

    Raises
    ------
    ValueError
        When the calendar does not reach back that far.
    """
    days = round(365.25 * years)
    if last_day.toordinal() <= days:
        raise ValueError(f"last_day must lie {days} days or more after the calendar's first, not be {last_day}")
    fleet = _Fleet(rng, last_day - dt.timedelta(days=days))
    for index in range(machines):
        _made_machine(fleet, index, days)
    order = sorted(range(len(fleet.entries)), key=lambda i: (fleet.entries[i].on_date, i))
    return [fleet.entries[i] for i in order]


def _made_machine(fleet: _Fleet, index: int, days: int) -> None:
    rng = fleet.rng
    name = f"KC-{index + 1:02d}"
    chain_name, teeth = ("520", {"front": 15, "rear": 45}) if index % 3 else ("428", {"front": 14, "rear": 42})
    riding = made_riding(
        rng, days, km_per_day=float(rng.uniform(25, 75)), first_day=fleet.first.timetuple().tm_yday - 1
    )
    start = round(float(rng.uniform(0, 30_000)))
    ridden = np.concatenate([[0.0], np.cumsum(riding.km)])
    lost = 0.0  # what a replaced odometer no longer shows
    fleet.add("machine", 0, machine=name, distance_km=float(start), text="delivery motorcycle, " + MADE_BY)

    def odometer(day: int) -> float:
        return float(round(start + float(ridden[day]) - lost))

    set_number, fitted_on = 0, 0
    parts: dict[str, tuple[str, float, float, float]] = {}  # position -> name, rate, bias, extra

    def fit(day: int) -> None:
        nonlocal set_number, fitted_on
        set_number, fitted_on = set_number + 1, day
        for position in ("front", "rear", "chain"):
            part = f"{name} {position} {set_number}"
            details = {"links": 112} if position == "chain" else {"teeth": teeth[position]}
            fleet.add("part", day, part=part, position=position, chain=chain_name, ridden_km=0.0, **details)
            fleet.add("fit", day, machine=name, part=part, position=position, distance_km=odometer(day))
            parts[position] = (part, made_rate(rng, position), float(rng.normal(0, 0.4)), 0.0)

    fit(0)
    day = 0
    while (day := day + int(rng.integers(60, 120))) < days:
        if index == 2 and lost == 0 and day > days / 2:
            fleet.add(
                "odometer",
                day,
                machine=name,
                distance_km=odometer(day),
                new_odometer_km=0.0,
                reason="speedometer replaced",
            )
            lost = start + float(ridden[day])
        worn_out = False
        for position in ("front", "rear"):
            part, rate, bias, extra = parts[position]
            since = Riding(km=riding.km[fitted_on:day], harshness=riding.harshness[fitted_on:day])
            _, wear = made_wear(since, rate)
            if index == 4 and position == "front" and set_number == 1 and extra == 0 and wear[-1] > 3:
                extra = 7.0
                parts[position] = (part, rate, bias, extra)
                fleet.add("note", day, machine=name, part=part, text="stone in the chain run last week")
            measured, std = made_reading(rng, float(wear[-1]) + extra, bias)
            document = made_document(
                rng,
                chain_name=chain_name,
                teeth=teeth[position],
                position=position,
                asymmetry=measured,
                std=std,
                name=f"{name}-{position}-{day:04d}.jpg".lower(),
            )
            fleet.add(
                "reading",
                day,
                machine=name,
                part=part,
                distance_km=odometer(day),
                operator="workshop",
                document=dumped(document),
                **facts_of(document),
            )
            worn_out = worn_out or (position == "front" and measured >= 10)
        stretch = 0.06 * (ridden[day] - ridden[fitted_on]) / 1000
        length = 20 * chain(chain_name).pitch_mm * (1 + stretch / 100) + rng.normal(0, 0.1)
        fleet.add(
            "chain-length",
            day,
            machine=name,
            part=parts["chain"][0],
            distance_km=odometer(day),
            pitches=20,
            length_mm=round(float(length), 1),
            length_std_mm=0.1,
        )
        if worn_out:
            for position in ("front", "rear", "chain"):
                fleet.add(
                    "retire",
                    day,
                    machine=name,
                    part=parts[position][0],
                    distance_km=odometer(day),
                    reason="set renewed",
                )
            fit(day)
