"""How good are the forecasts?  Made-up histories of known wear, cut off part way, held against what came after.

Run it with ``python -m toothcheck.trend.check [HISTORIES] [SEED]``; it prints a table.  The histories come from
`toothcheck.logbook.demo`, whose riding (weather in spells, salt, unoiled weeks, wear that feeds on itself, photo
errors with heavy tails) is not the model's: the intervals are not right by construction.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toothcheck.logbook.demo import made_rate, made_reading, made_riding, made_wear
from toothcheck.trend.model import fit
from toothcheck.trend.result import Point

LIMIT_PERCENT = 10.0
POSITIONS = ("front", "rear")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One history: what was foretold for the distance to 10 %, and what came; km since new."""

    position: str
    readings: int
    true_km: float
    early_km: float | None
    median_km: float | None
    late_km: float | None
    rate_held: bool
    """Whether the true rate over the newer two thirds of its distance lay in its 80 % interval."""

    @property
    def held(self) -> bool:
        """Whether the truth lay in the 80 % interval."""
        return (self.early_km or np.inf) <= self.true_km <= (self.late_km or np.inf)

    @property
    def missed_early(self) -> bool:
        """Whether the wear came sooner than the interval allowed: the side that matters."""
        return self.true_km < (self.early_km or np.inf)

    @property
    def error_percent(self) -> float:
        """Error of the middle forecast, % of the part's true life to 10 %."""
        return 100 * abs((self.median_km or np.inf) - self.true_km) / self.true_km


def outcome(rng: np.random.Generator) -> Outcome | None:
    """One made history; None when it was cut off only after the limit had been reached."""
    position = "front" if rng.random() < 0.6 else "rear"
    per_day = float(rng.uniform(12, 80))  # from a private rider to a courier
    riding = made_riding(rng, int(100_000 / per_day), km_per_day=per_day, first_day=int(rng.integers(365)))
    km, wear = made_wear(riding, made_rate(rng, position))
    if wear[-1] < LIMIT_PERCENT:
        return None
    true_km = float(np.interp(LIMIT_PERCENT, wear, km))
    bias = float(rng.normal(0, 0.4))
    wanted = int(rng.integers(1, 11))
    step = true_km * rng.uniform(0.35, 0.9) / wanted  # the last reading falls well before the limit
    points: list[Point] = []
    for i in range(1, wanted + 1):
        at = float(i * step * rng.uniform(0.85, 1.0) if i < wanted else i * step)
        percent, std = made_reading(rng, float(np.interp(at, km, wear)), bias)
        points.append(Point(km=at, percent=percent, std_percent=std))
    points.sort(key=lambda p: p.km)
    trend = fit(points, position=position, km_per_day=per_day)
    limit = next((c for c in trend.crossings if c.percent == LIMIT_PERCENT), None)
    now = points[-1].km
    early, middle, late = (limit.early_km, limit.median_km, limit.late_km) if limit else (now, now, now)
    first, last = np.interp([trend.rate_from_km, trend.rate_to_km], km, wear)
    true_rate = 1000 * float(last - first) / (trend.rate_to_km - trend.rate_from_km)
    return Outcome(
        position=position,
        readings=len(points),
        true_km=true_km,
        early_km=early,
        median_km=middle,
        late_km=late,
        rate_held=trend.rate_interval[0] <= true_rate <= trend.rate_interval[1],
    )


def outcomes(histories: int, seed: int) -> list[Outcome]:
    """That many made histories."""
    rng = np.random.default_rng(seed)
    out: list[Outcome] = []
    while len(out) < histories:
        one = outcome(rng)
        if one is not None:
            out.append(one)
    return out


def table(results: Sequence[Outcome]) -> str:
    """Coverage and median error by number of readings and by position, as a Markdown table."""
    heads = (
        "readings so far",
        "histories",
        "80 % interval held",
        "sooner than the interval",
        "80 % interval of the rate held",
        "median error, % of life",
        "median error, km",
        "median width, % of life",
    )
    rows = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    for name, low, high, positions in (
        ("1-2", 1, 2, POSITIONS),
        ("3-5", 3, 5, POSITIONS),
        ("6-10", 6, 10, POSITIONS),
        ("front", 1, 10, ("front",)),
        ("rear", 1, 10, ("rear",)),
        ("all", 1, 10, POSITIONS),
    ):
        chosen = [r for r in results if low <= r.readings <= high and r.position in positions]
        if not chosen:
            continue
        held = 100 * np.mean([r.held for r in chosen])
        sooner = 100 * np.mean([r.missed_early for r in chosen])
        error = np.median([r.error_percent for r in chosen])
        error_km = np.median([abs((r.median_km or np.inf) - r.true_km) for r in chosen])
        width = np.median([100 * ((r.late_km or np.inf) - (r.early_km or 0)) / r.true_km for r in chosen])
        rate = 100 * np.mean([r.rate_held for r in chosen])
        cells = [name, str(len(chosen)), f"{held:.0f} %", f"{sooner:.0f} %", f"{rate:.0f} %", f"{error:.0f} %"]
        rows.append("| " + " | ".join([*cells, f"{error_km:,.0f}", f"{width:.0f} %"]) + " |")
    return "\n".join(rows) + "\n"


def main(arguments: Sequence[str]) -> None:
    """Print the table."""
    histories = int(arguments[0]) if arguments else 500
    seed = int(arguments[1]) if len(arguments) > 1 else 20260301
    sys.stdout.write(table(outcomes(histories, seed)))


if __name__ == "__main__":
    main(sys.argv[1:])
