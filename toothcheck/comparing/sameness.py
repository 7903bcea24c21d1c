"""Whether two rings can be of one part, and which turns its bore, holes and marks allow."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck.errors import DifferentPartError
from toothcheck.estimate import Estimate
from toothcheck.geometry import Floats, rotated
from toothcheck.tooth import ToothRing

_GROOVE_STD_MM = 0.06
"""How well a groove's place along its circle is read (43 made photos: 0.05 mm root mean square)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Landmarks:
    """What else is known of the wheel's face, in its ring's plane, mm: these tell parts and teeth apart."""

    bore_diameter_mm: Estimate | None = None
    holes_mm: Floats | None = None
    """(n, 3): x, y and diameter of holes or painted marks."""
    std_mm: float = 0.15
    """Standard uncertainty of each of these numbers."""
    splines: int | None = None
    """Splines of the bore; 0 where it is round."""
    groove: float | None = None
    """Angle of one groove's axis, radians, where there are splines."""
    groove_mm: float = 0.0
    """Radius at which that was read."""


def check_same(before: ToothRing, after: ToothRing) -> None:
    """Compare teeth and chain.

    Raises
    ------
    DifferentPartError
        When they differ.
    """
    if before.teeth != after.teeth:
        raise DifferentPartError(
            f"These are not the same part: {before.teeth} teeth before, {after.teeth} after.", hint="Check --teeth."
        )
    for name, one, two in (
        ("pitch", before.pitch_mm, after.pitch_mm),
        ("roller diameter", before.roller_diameter_mm, after.roller_diameter_mm),
    ):
        if abs(one - two) > 1e-6:
            raise DifferentPartError(
                f"These are not the same part: {name} {one:g} mm before, {two:g} mm after.", hint="Check --chain."
            )


def turns_allowed(before: ToothRing, after: ToothRing, one: Landmarks | None, two: Landmarks | None) -> list[int]:
    """Which numbers of pitches the bore, holes and marks allow; all of them when they say nothing."""
    every = list(range(before.teeth))
    if one is None or two is None:
        return every
    bore, other = one.bore_diameter_mm, two.bore_diameter_mm
    if bore is not None and other is not None:
        allowed = 3 * math.hypot(bore.std, other.std) + 0.1
        if abs(bore.value - other.value) > allowed:
            raise DifferentPartError(
                f"These are not the same part: bore {bore.text('mm')} before, {other.text('mm')} after.",
                hint="Compare photos of one part only.",
            )
    if one.splines is not None and two.splines is not None and one.splines != two.splines:
        raise DifferentPartError(
            f"These are not the same part: {one.splines} splines before, {two.splines} after.",
            hint="Count them; where a photo miscounts, leave bore and holes out (--no-holes).",
        )
    by_splines = _turns_by_splines(before, after, one, two)
    by_holes = _turns_by_holes(before, after, one, two)
    return [k for k in by_holes if k in by_splines] or by_holes


def _turns_by_splines(before: ToothRing, after: ToothRing, one: Landmarks, two: Landmarks) -> list[int]:
    """Which numbers of pitches the splines' grooves allow; all of them where none fits, since splines wear, too."""
    every = list(range(before.teeth))
    if not one.splines or one.groove is None or two.groove is None:
        return every
    pitch = 2 * math.pi / one.splines
    turns = [before.phase - after.phase - k * 2 * math.pi / before.teeth for k in every]
    off = [(two.groove + turn - one.groove + pitch / 2) % pitch - pitch / 2 for turn in turns]
    allowed = 3 * math.hypot(_GROOVE_STD_MM, _GROOVE_STD_MM)
    return [k for k in every if abs(off[k]) * one.groove_mm < allowed] or every


def _turns_by_holes(before: ToothRing, after: ToothRing, one: Landmarks, two: Landmarks) -> list[int]:
    """Which numbers of pitches the holes allow."""
    every = list(range(before.teeth))
    if one.holes_mm is None or two.holes_mm is None or not len(one.holes_mm) or not len(two.holes_mm):
        return every
    if len(one.holes_mm) != len(two.holes_mm):
        raise DifferentPartError(
            f"These are not the same part: {len(one.holes_mm)} holes before, {len(two.holes_mm)} after.",
            hint="If some are covered, leave the holes out.",
        )
    allowed = 3 * math.hypot(one.std_mm, two.std_mm) + 0.1
    fits = [k for k in every if holes_meet(before, after, one.holes_mm, two.holes_mm, k, allowed)]
    if fits:
        return fits
    turned_over = two.holes_mm * np.array([-1.0, 1.0, 1.0])
    over = replace(after, phase=math.pi - after.phase)
    if any(holes_meet(before, over, one.holes_mm, turned_over, k, allowed) for k in every):
        raise DifferentPartError(
            "The part was turned over between the photos: its holes fit as a mirror image.",
            hint="Photograph the same face, or state the other turning for the second photo.",
        )
    circles = [2 * float(np.hypot(*h[:, :2].T).mean()) for h in (one.holes_mm, two.holes_mm)]
    if abs(circles[0] - circles[1]) > 2 * allowed:
        raise DifferentPartError(
            f"These are not the same part: hole circle {circles[0]:.1f} mm before, {circles[1]:.1f} mm after.",
            hint="Compare photos of one part only.",
        )
    raise DifferentPartError(
        "These are not the same part: the holes do not fit by any number of teeth.",
        hint="Compare photos of one part only.",
    )


def holes_meet(before: ToothRing, after: ToothRing, one: Floats, two: Floats, turned_by: int, allowed: float) -> bool:
    """Whether every hole has its like in the other ring, turned by that many pitches, within ``allowed`` mm."""
    turn = before.phase - after.phase - turned_by * 2 * math.pi / before.teeth
    there = np.column_stack([rotated(two[:, :2], turn), two[:, 2]])
    away = np.abs(one[:, None] - there[None]).max(axis=-1)
    return bool((away.min(axis=1) < allowed).all() and (away.min(axis=0) < allowed).all())
