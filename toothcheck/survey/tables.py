"""Records counted up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.stats import binom

from toothcheck.geometry import Floats
from toothcheck.grade import CANNOT_TELL, GRADES
from toothcheck.patterns import FEWEST, KINDS
from toothcheck.survey.cases import MEASURES

Record = dict[str, Any]

_QUIET = {"card-cut", "teeth-out-of-frame", "burnt-out", "dark", "plane-uncertain", "few-teeth"}
"""Flags that say nothing against a claim."""


def wrong_claim_rows(records: Sequence[Record]) -> list[Record]:
    """For each kind and for all: cases, flagged, refused, graded right, and what must not be.

    ``wrong_sure`` counts wrong grades with a confidence above one half; ``named`` the wrong tooth counts for which the
    right one came out as the most probable.
    """
    rows = []
    kinds = list(dict.fromkeys(r["kind"] for r in records))
    for kind in [*kinds, "all"]:
        mine = [r for r in records if kind in (r["kind"], "all")]
        counts = [r for r in mine if r["kind"] == "teeth"]
        rows.append(
            {
                "kind": kind,
                "cases": len(mine),
                "flagged": sum(bool(set(r["flags"]) - _QUIET) for r in mine),
                "cannot_tell": sum(r["grade"] == CANNOT_TELL for r in mine),
                "right_grade": sum(r["grade"] == r["true_grade"] != CANNOT_TELL for r in mine),
                "wrong_sure": sum(
                    r["grade"] not in (CANNOT_TELL, r["true_grade"]) and r["confidence"] > 0.5 for r in mine
                ),
                "named": sum(r["count_named"] == r["true_teeth"] for r in counts) if counts else None,
                "named_of": len(counts) if counts else None,
            }
        )
    return rows


def damage_rows(records: Sequence[Record]) -> list[Record]:
    """For each kind of damage and for all: photos, damaged teeth named, sound teeth named, and graded too well."""
    rows = []
    for kind in [*dict.fromkeys(r["kind"] for r in records), "all"]:
        mine = [r for r in records if kind in (r["kind"], "all")]
        rows.append(
            {
                "kind": kind,
                "photos": len(mine),
                "named": sum(r["named"] for r in mine),
                "sound": sum(r["sound"] for r in mine),
                "sound_named": sum(r["sound_named"] for r in mine),
                "too_well": sum(r["grade"] not in (CANNOT_TELL, r["true_grade"]) for r in mine),
            }
        )
    return rows


def bore_rows(records: Sequence[Record]) -> list[Record]:
    """For splined and for round bores: parts found, splines told rightly and wrongly, errors of the diameters, mm."""
    rows = []
    for kind, is_splined in (("splined", True), ("round", False)):
        mine = [r for r in records if bool(r["true_splines"]) == is_splined]
        told = [r for r in mine if r["splines"] is not None]
        row = {
            "kind": kind,
            "photos": len(mine),
            "found": sum(r["found"] for r in mine),
            "right": sum(r["splines"] == r["true_splines"] for r in told),
            "wrong": sum(r["splines"] != r["true_splines"] for r in told),
        }
        for key in ("bore_mm", "spline_major_mm"):
            error, std = _errors(mine, key)
            rms = math.sqrt(_mean(error**2)) if len(error) else None
            row[key] = {"told": len(error), "rms_mm": rms, "within_95_percent": _within(error, std)}
        rows.append(row)
    return rows


def accuracy_rows(records: Sequence[Record], by: str = "tier") -> list[Record]:
    """For each tier or handling: graded, exact, far off, errors of loss and asymmetry, 95 % statement, confidence."""
    rows = []
    for tier in dict.fromkeys(r[by] for r in records):
        mine = [r for r in records if r[by] == tier]
        graded = [r for r in mine if r["grade"] != CANNOT_TELL]
        off = [abs(GRADES.index(r["grade"]) - GRADES.index(r["true_grade"])) for r in graded]
        drive, std = _errors(mine, "drive_loss_mm")
        asymmetry, _ = _errors(mine, "asymmetry_percent")
        rows.append(
            {
                by: tier,
                "photos": len(mine),
                "graded": len(graded),
                "exact": sum(k == 0 for k in off),
                "two_off": sum(k >= 2 for k in off),
                "teeth": len(drive),
                "teeth_visible": sum(r["visible"] for r in mine),
                "false_teeth": sum(r["false_teeth"] for r in mine),
                "drive_bias_mm": _mean(drive),
                "drive_rms_mm": math.sqrt(_mean(drive**2)) if len(drive) else None,
                "asymmetry_rms_percent": math.sqrt(_mean(asymmetry**2)) if len(asymmetry) else None,
                "within_95_percent": _within(drive, std),
                "confidence_mean": _mean(np.array([r["confidence"] for r in graded])),
                "right_share": _mean(np.array([k == 0 for k in off])),
            }
        )
    return rows


def measure_rows(records: Sequence[Record]) -> list[Record]:
    """For each measure of a tooth: of how many teeth it was taken, its error, and whether its uncertainty holds.

    ``bias`` and ``rms`` are in the measure's own unit, which its name ends in.
    """
    teeth = sum(r["measured"] for r in records)
    rows = []
    for name in MEASURES:
        error, std = _errors(records, name)
        rows.append(
            {
                "measure": name,
                "taken": len(error),
                "teeth": teeth,
                "bias": _mean(error),
                "rms": math.sqrt(_mean(error**2)) if len(error) else None,
                "within_95_percent": _within(error, std),
            }
        )
    return rows


def _errors(records: Sequence[Record], measure: str) -> tuple[Floats, Floats]:
    """Errors and stated standard uncertainties of all teeth of which it was taken, (n,) each."""
    both = np.array([pair for r in records for pair in r["errors"][measure]]).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def _within(error: Floats, std: Floats) -> float | None:
    """Per cent of errors within 1.96 standard uncertainties; None of none."""
    return 100 * _mean(np.abs(error) <= 1.96 * std) if len(error) else None


_HOOKED_MM = 0.1
"""From which true overhang a wheel counts as hooked in `hooks`, and below half of which as not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hooks:
    """The wheels' median overhang against the truth, mm."""

    hooked: int
    bias_mm: float
    rms_mm: float
    within_95_percent: float | None
    """Of the hooked; None where there are none."""
    plain: int
    most_mm: float
    """The largest overhang read on a wheel without a hook."""


def hooks(records: Sequence[Record]) -> Hooks:
    """How hooks are read where teeth were measured."""
    seen = [r for r in records if r["overhang_mm"] is not None and r["true_overhang_mm"] is not None]
    there = [r for r in seen if r["true_overhang_mm"] >= _HOOKED_MM]
    error = np.array([r["overhang_mm"]["value"] - r["true_overhang_mm"] for r in there])
    std = np.array([r["overhang_mm"]["std"] for r in there])
    plain = [r["overhang_mm"]["value"] for r in seen if r["true_overhang_mm"] < _HOOKED_MM / 2]
    return Hooks(
        hooked=len(there),
        bias_mm=_mean(error),
        rms_mm=math.sqrt(_mean(error**2)),
        within_95_percent=_within(error, std),
        plain=len(plain),
        most_mm=max(plain, default=math.nan),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What comes back once per turn, of one kind: photos that have it, those of them named, and false names."""

    kind: str
    photos: int
    named: int
    others: int
    false: int


def patterns_found(records: Sequence[Record]) -> list[Found]:
    """How patterns are named in photos in which at least six teeth were measured."""
    asked = [r for r in records if r["measured"] >= FEWEST]
    out = []
    for kind in KINDS:
        there = [r for r in asked if kind in r["true_patterns"]]
        others = [r for r in asked if kind not in r["true_patterns"]]
        named = sum(r["pattern"] == kind for r in there)
        false = sum(r["pattern"] == kind for r in others)
        out.append(Found(kind=kind, photos=len(there), named=named, others=len(others), false=false))
    return out


def _mean(values: Any) -> float:  # noqa: ANN401 - any array
    return float(np.mean(values)) if len(values) else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Reliability:
    """Stated confidence against the share graded right."""

    count: int
    brier: float
    """Mean square of confidence less outcome; 0 is perfect, 0.25 a coin's."""
    gap: float
    """Mean confidence less the share graded right."""
    confidence: tuple[float, ...]
    """Mean of each bin."""
    right: tuple[float, ...]
    """Share graded right in each bin."""
    band: tuple[tuple[float, float], ...]
    """Where 95 of 100 such shares would lie were the confidence true (binomial)."""
    bin_counts: tuple[int, ...]


def reliability(records: Sequence[Record], bins: int = 4) -> Reliability:
    """Few bins of about equal mass: with n photos a bin's share is good to √(p(1-p)/n).

    Photos of one confidence stay in one bin: where they are parted, no order among them is a fair one.  There may then
    be fewer bins, and none of equal mass, as where many have the most that is ever stated.

    Raises
    ------
    ValueError
        When no record was graded.
    """
    graded = sorted((r for r in records if r["grade"] != CANNOT_TELL), key=lambda r: r["confidence"])
    if not graded:
        raise ValueError("records must hold at least one graded photo, not none")
    p = np.array([r["confidence"] for r in graded])
    hit = np.array([r["grade"] == r["true_grade"] for r in graded], dtype=np.float64)
    ends = np.array([*np.flatnonzero(np.diff(p)) + 1, len(p)])  # of the runs of one confidence
    wanted = np.arange(1, bins) * len(p) / bins
    cuts = {int(ends[np.argmin(np.abs(ends - at))]) for at in wanted} - {len(p)}
    parts = np.split(np.arange(len(p)), sorted(cuts))
    bands = []
    for part in parts:
        n, mean = len(part), float(p[part].mean())
        bands.append((float(binom.ppf(0.025, n, mean)) / n, float(binom.ppf(0.975, n, mean)) / n))
    return Reliability(
        count=len(p),
        brier=float(((p - hit) ** 2).mean()),
        gap=float(p.mean() - hit.mean()),
        confidence=tuple(float(p[part].mean()) for part in parts),
        right=tuple(float(hit[part].mean()) for part in parts),
        band=tuple(bands),
        bin_counts=tuple(len(part) for part in parts),
    )
