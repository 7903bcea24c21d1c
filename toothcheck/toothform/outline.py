"""Drawn lines with normals, and how half a gap becomes a gap, a tooth and a wheel: the same for every form."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toothcheck.geometry import Floats, readonly, rotated

SEAT, FLANK, TIP = 0, 1, 2
"""Parts of an outline: seating curve, flank, tip (land on the tip circle)."""

MIN_TEETH, MAX_TEETH = 7, 150
"""The range of tooth counts in which the forms are defined here."""

_MIRROR = np.array([-1.0, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """A drawn line in mm with its outward normals; arrays of n rows, read-only."""

    points_mm: Floats
    """(n, 2), in the frame that the maker of the outline names."""
    normals: Floats
    """(n, 2), unit vectors out of the metal."""
    part: Floats
    """(n,), one of SEAT, FLANK, TIP."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One arc or straight of a half gap, in the order of the outline; for drawings that know true arcs."""

    start_mm: tuple[float, float]
    """(x, y) in the gap's frame."""
    sweep: float
    """Angle that the arc turns through, radians, counterclockwise positive; 0 for a straight."""


def gap_from_half(half: Outline) -> Outline:
    """From tooth centre line to tooth centre line, in the gap's frame, -x side first."""
    return Outline(
        points_mm=readonly(np.concatenate([half.points_mm[:0:-1] * _MIRROR, half.points_mm])),
        normals=readonly(np.concatenate([half.normals[:0:-1] * _MIRROR, half.normals])),
        part=readonly(np.concatenate([half.part[:0:-1], half.part])),
    )


def tooth_from_half(half: Outline, teeth: int) -> Outline:
    """From gap bottom to gap bottom, in the tooth's frame, -x side (coast) first."""
    a = math.pi / teeth  # the gap on a tooth's -x side has its axis half a pitch counterclockwise of the tooth's
    points, normals = rotated(half.points_mm, a), rotated(half.normals, a)
    return Outline(
        points_mm=readonly(np.concatenate([points, points[-2::-1] * _MIRROR])),
        normals=readonly(np.concatenate([normals, normals[-2::-1] * _MIRROR])),
        part=readonly(np.concatenate([half.part, half.part[-2::-1]])),
    )


def wheel_from_half(half: Outline, teeth: int) -> Outline:
    """The whole wheel, closed (first point not repeated), clockwise from tooth 0 at +y, y up."""
    tooth = tooth_from_half(half, teeth)
    turns = [-2 * math.pi * i / teeth for i in range(teeth)]
    return Outline(
        points_mm=readonly(np.concatenate([rotated(tooth.points_mm[:-1], a) for a in turns])),
        normals=readonly(np.concatenate([rotated(tooth.normals[:-1], a) for a in turns])),
        part=readonly(np.tile(tooth.part[:-1], teeth)),
    )


def wheel_from_pieces(pieces: Sequence[Piece], teeth: int) -> Floats:
    """The whole wheel as true arcs, closed, clockwise from gap 0 at +y, y up.

    Parameters
    ----------
    pieces
        Of a half gap: seat first, land of the tip last.
    teeth
        Tooth count.

    Returns
    -------
    numpy.ndarray
        (n, 3): x and y in mm of each corner, and the sweep (radians, counterclockwise positive) of the arc that
        leaves it.  Seats and lands are one arc each; a land of no length (a pointed tooth) is left out.
    """
    seat, *flank, land = pieces
    right = [(*p.start_mm, p.sweep) for p in flank]  # from the junction up, +x side
    corner = land.start_mm
    # the -x side runs down: each arc mirrored and reversed, so it keeps its sense and leaves from its upper end
    upper_ends = [p.start_mm for p in flank[1:]] + [corner]
    left = [(-x, y, p.sweep) for (x, y), p in zip(upper_ends, flank, strict=True)][::-1]
    bottom = (-flank[0].start_mm[0], flank[0].start_mm[1], 2 * seat.sweep)
    pointed = abs(land.sweep) < 1e-9
    gap = np.array([*left, bottom, *right] + ([] if pointed else [(*corner, 2 * land.sweep)]))
    turns = [-2 * math.pi * i / teeth for i in range(teeth)]
    return np.concatenate([np.column_stack([rotated(gap[:, :2], a), gap[:, 2]]) for a in turns])


def checked_wheel(pitch_mm: float, roller_diameter_mm: float, teeth: int) -> None:
    """Raise ``ValueError`` unless the three make a wheel that the forms are defined for."""
    if not MIN_TEETH <= teeth <= MAX_TEETH:
        raise ValueError(f"teeth must lie between {MIN_TEETH} and {MAX_TEETH}, not {teeth}")
    if not (pitch_mm > 0 and 0 < roller_diameter_mm < pitch_mm):
        raise ValueError(f"roller_diameter_mm must lie between 0 and pitch_mm, not {roller_diameter_mm} of {pitch_mm}")
