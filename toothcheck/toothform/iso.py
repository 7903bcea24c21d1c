"""The ideal tooth: ISO 606 gap forms between the minimum and the maximum, by one number.

Nobody here holds the text of the standard.  The formulas were taken from several independent secondary sources that
agree; clause numbers are from its contents pages (ISO 606:2015, 5.3-5.6 and Annex A; the same form stands in
DIN 8196, BS 228 and GB/T 1243).

Two things the standard leaves open are carried as numbers and never taken as references: the root depth (with
``df = d - d1`` and a seating radius above ``d1/2`` the seat's centre would lie up to 0.2 mm outside the pitch circle;
other sources keep it on the pitch circle, as ``seat_offset_mm = 0`` does here) and the tip circle, which each maker
chooses between ``da_min`` and ``da_max``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from toothcheck.geometry import Bools, Floats, readonly
from toothcheck.toothform.outline import FLANK, SEAT, TIP, Outline, Piece, checked_wheel
from toothcheck.toothform.wheel import ToothedWheel


class Faced(NamedTuple):
    """How points of a gap's frame lie to a form."""

    points_mm: Floats
    """(…, 2)."""
    depth_mm: Floats
    """`IsoForm.metal_depth_mm`, the tip left out."""
    seat_share: Floats
    flank_share: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class IsoForm(ToothedWheel):
    """One legal tooth form of ISO 606 for a chain and a tooth count; lengths mm, angles radians.

    Parameters
    ----------
    pitch_mm, roller_diameter_mm
        Of the chain.
    teeth
        Tooth count z, 7 to 150.
    blend
        0 is the minimum gap form (thickest tooth), 1 the maximum gap form; seating radius, seating angle and flank
        radius go linearly between.  Values a little outside 0…1 are allowed, for makers who overstep.
    tip_diameter_mm
        Tip circle; the middle of ``da_min`` and ``da_max`` when not given.
    seat_offset_mm
        How far the seat's centre lies outside the pitch circle.

    Raises
    ------
    ValueError
        When an argument is out of its range.
    """

    blend: float = 0.5
    tip_diameter_mm: float | None = None
    seat_offset_mm: float = 0.0

    def __post_init__(self) -> None:
        checked_wheel(self.pitch_mm, self.roller_diameter_mm, self.teeth)
        if not -0.5 <= self.blend <= 1.5:
            raise ValueError(f"blend must lie between -0.5 and 1.5, not {self.blend}")

    # --- circles ---------------------------------------------------------------------------------------------
    @property
    def tip_diameter_min_mm(self) -> float:
        """da_min = d + p(1 - 1.6/z) - d1."""
        return self.pitch_diameter_mm + self.pitch_mm * (1 - 1.6 / self.teeth) - self.roller_diameter_mm

    @property
    def tip_diameter_max_mm(self) -> float:
        """da_max = d + 1.25 p - d1."""
        return self.pitch_diameter_mm + 1.25 * self.pitch_mm - self.roller_diameter_mm

    @property
    def tip_radius_mm(self) -> float:
        """Radius of the tip as drawn: the tip circle, or less where the tooth is pointed before it."""
        da = self.tip_diameter_mm
        if da is None:
            da = (self.tip_diameter_min_mm + self.tip_diameter_max_mm) / 2
        return min(da / 2, self.pointed_radius_mm)

    @property
    def pointed_radius_mm(self) -> float:
        """Radius at which the two flanks of a tooth meet."""
        e = np.array([math.sin(math.pi / self.teeth), math.cos(math.pi / self.teeth)])
        c = self.flank_centre_mm
        along = float(e @ c)
        return along + math.sqrt(max(0.0, along**2 - float(c @ c) + self.flank_radius_mm**2))

    # --- gap form --------------------------------------------------------------------------------------------
    @property
    def seat_radius_mm(self) -> float:
        """ri = 0.505 d1 … 0.505 d1 + 0.069 ∛d1 (the cube root carries units: never scale a profile)."""
        return 0.505 * self.roller_diameter_mm + self.blend * 0.069 * math.cbrt(self.roller_diameter_mm)

    @property
    def seat_angle(self) -> float:
        """The full seating angle α = 140° - 90°/z … 120° - 90°/z, in radians."""
        return math.radians(140 - 90 / self.teeth - 20 * self.blend)

    @property
    def flank_radius_mm(self) -> float:
        """re = 0.12 d1 (z + 2) … 0.008 d1 (z² + 180)."""
        small = 0.12 * self.roller_diameter_mm * (self.teeth + 2)
        large = 0.008 * self.roller_diameter_mm * (self.teeth**2 + 180)
        return (1 - self.blend) * small + self.blend * large

    @property
    def seat_centre_radius_mm(self) -> float:
        """Distance of the seat's centre from the sprocket's centre."""
        return self.pitch_radius_mm + self.seat_offset_mm

    @property
    def flank_centre_mm(self) -> Floats:
        """Centre of the convex flank arc in the gap's frame, on its +x side, shape (2,)."""
        reach = self.seat_radius_mm + self.flank_radius_mm
        half = self.seat_angle / 2
        return np.array([reach * math.sin(half), self.seat_centre_radius_mm - reach * math.cos(half)])

    @property
    def junction_mm(self) -> Floats:
        """T, where seat and flank meet, in the gap's frame, on its +x side, shape (2,)."""
        half = self.seat_angle / 2
        return np.array(
            [self.seat_radius_mm * math.sin(half), self.seat_centre_radius_mm - self.seat_radius_mm * math.cos(half)]
        )

    @property
    def junction_radius_mm(self) -> float:
        """Distance of T from the sprocket's centre."""
        return float(np.hypot(*self.junction_mm))

    def half_thickness_mm(self, radius_mm: Floats | float) -> Floats:
        """Half the tooth's thickness at a radius, as arc length from its centre line; 0 beyond the pointed tip.

        Parameters
        ----------
        radius_mm
            Any shape, between the root and the tip.
        """
        r = np.asarray(radius_mm, dtype=np.float64)
        seat = self.seat_centre_radius_mm
        cos_seat = (seat**2 + r**2 - self.seat_radius_mm**2) / (2 * seat * r)
        centre = self.flank_centre_mm
        reach = float(np.hypot(*centre))
        cos_flank = (reach**2 + r**2 - self.flank_radius_mm**2) / (2 * reach * r)
        from_gap = np.where(
            r < self.junction_radius_mm,
            np.arccos(np.clip(cos_seat, -1, 1)),
            math.atan2(centre[0], centre[1]) - np.arccos(np.clip(cos_flank, -1, 1)),
        )
        out: Floats = np.maximum(0.0, r * (math.pi / self.teeth - from_gap))
        return out

    def metal_depth_mm(self, points_mm: Floats, *, with_tip: bool = True) -> Floats:
        """Signed distance of points to the outline of the nearest gap: positive in the metal, negative in the gap.

        Parameters
        ----------
        points_mm
            (…, 2) in the gap's frame; only points nearer to this gap than to its neighbours make sense.
        with_tip
            Count what lies beyond the tip circle as outside.
        """
        depth = self._depth(points_mm, self.on_seat(points_mm))
        if with_tip:
            depth = np.minimum(depth, self.tip_radius_mm - np.hypot(points_mm[..., 0], points_mm[..., 1]))
        return depth

    def _depth(self, points_mm: Floats, on_seat: Bools) -> Floats:
        """Depth in the metal of points (…, 2), for which it is known whether they face the seat or a flank."""
        u, v = np.abs(points_mm[..., 0]), points_mm[..., 1]
        c = self.flank_centre_mm
        # from the centre of the one arc or of the other: distances cost more than all else here
        away = np.hypot(np.where(on_seat, u, u - c[0]), np.where(on_seat, self.seat_centre_radius_mm - v, v - c[1]))
        out: Floats = np.where(on_seat, away - self.seat_radius_mm, self.flank_radius_mm - away)
        return out

    def bevel_free_radius_mm(self, tip_radius_mm: float | None = None) -> float:
        """Up to where the edge of a face surely follows the form: bevels begin 0.10 to 0.15 p below the tip.

        Source: ISO 606:2015, 5.6.  A tenth of a millimetre more is left for how well a tip is seen.

        Parameters
        ----------
        tip_radius_mm
            Where it was measured; the smallest legal tip circle stands in.
        """
        tip = tip_radius_mm or min(self.tip_diameter_min_mm / 2, self.pointed_radius_mm)
        return tip - 0.15 * self.pitch_mm - 0.1

    def flank_share(self, points_mm: Floats) -> Floats:
        """0 on the bottom of the seat, where a roller rests, 1 on the flank, where wear of the coast side can begin.

        In between it rises over the upper quarter of the seating curve: rollers ride up there before they leave the
        seat, and where that begins is a matter of chain and load (common practice, no source).

        Parameters
        ----------
        points_mm
            (…, 2) in the gap's frame.
        """
        return _flank_share(self.seat_share(points_mm))

    def seat_share(self, points_mm: Floats) -> Floats:
        """How far up its side of the seating curve a point of the gap's frame (…, 2) faces: 0 bottom, 1 junction."""
        out: Floats = self._angle(points_mm) / (self.seat_angle / 2)
        return out

    def faced(self, points_mm: Floats) -> Faced:
        """All that a fit asks of points (…, 2) of the gap's frame; angles are found once, since it asks often."""
        angle, half = self._angle(points_mm), self.seat_angle / 2
        share: Floats = angle / half
        return Faced(points_mm, self._depth(points_mm, angle <= half), share, _flank_share(share))

    def on_seat(self, points_mm: Floats) -> Bools:
        """Which points of the gap's frame (…, 2) face the seating curve rather than a flank."""
        out: Bools = self._angle(points_mm) <= self.seat_angle / 2
        return out

    def _angle(self, points_mm: Floats) -> Floats:
        """Of points (…, 2) about the seat's centre, off the gap's axis, radians."""
        u, below = np.abs(points_mm[..., 0]), self.seat_centre_radius_mm - points_mm[..., 1]
        out: Floats = np.arctan2(u, below)
        return out

    # --- outlines --------------------------------------------------------------------------------------------
    @property
    def _tip_corner(self) -> float:
        """Clockwise angle from the gap's axis to where the flank ends at the tip, radians."""
        tip, c = self.tip_radius_mm, self.flank_centre_mm
        reach = float(np.hypot(*c))
        cos_end = (reach**2 + tip**2 - self.flank_radius_mm**2) / (2 * reach * tip)
        return math.atan2(c[0], c[1]) - math.acos(min(1.0, max(-1.0, cos_end)))

    @property
    def _flank_sweep(self) -> float:
        """Angle of the flank's arc about its centre, radians, counterclockwise positive (so it is negative)."""
        end = self.tip_radius_mm * np.array([math.sin(self._tip_corner), math.cos(self._tip_corner)])
        first = math.atan2(*(self.junction_mm - self.flank_centre_mm)[::-1])
        last = math.atan2(*(end - self.flank_centre_mm)[::-1])
        return (last - first + math.pi) % (2 * math.pi) - math.pi

    def half_gap_pieces(self) -> tuple[Piece, ...]:
        """From the gap's bottom to the next tooth's centre line as true arcs: seat, flank, land of the tip."""
        at, tip = self._tip_corner, self.tip_radius_mm
        x, y = self.junction_mm
        return (
            Piece(start_mm=(0.0, self.seat_centre_radius_mm - self.seat_radius_mm), sweep=self.seat_angle / 2),
            Piece(start_mm=(float(x), float(y)), sweep=self._flank_sweep),
            Piece(start_mm=(tip * math.sin(at), tip * math.cos(at)), sweep=at - math.pi / self.teeth),
        )

    def half_gap(self, step_mm: float = 0.1) -> Outline:
        """From the gap's bottom to the next tooth's centre line, in the gap's frame, +x side.

        The ends of the three parts are always among the points, so the corner at the tip stands twice, with both
        normals.
        """
        ri, re, half = self.seat_radius_mm, self.flank_radius_mm, self.seat_angle / 2
        a = np.linspace(0, half, max(3, math.ceil(ri * half / step_mm) + 1))
        out_of_seat = np.stack([np.sin(a), -np.cos(a)], axis=1)
        seat = np.array([0.0, self.seat_centre_radius_mm]) + ri * out_of_seat

        tip, at = self.tip_radius_mm, self._tip_corner
        first = math.atan2(*(self.junction_mm - self.flank_centre_mm)[::-1])
        sweep = self._flank_sweep
        b = first + np.linspace(0, sweep, max(3, math.ceil(re * abs(sweep) / step_mm) + 1))
        out_of_flank = np.stack([np.cos(b), np.sin(b)], axis=1)
        flank = self.flank_centre_mm + re * out_of_flank

        width = math.pi / self.teeth - at
        t = at + np.linspace(0, width, max(2, math.ceil(tip * width / step_mm) + 1))
        out_of_tip = np.stack([np.sin(t), np.cos(t)], axis=1)
        points = [seat, flank[1:], tip * out_of_tip]
        normals = [-out_of_seat, out_of_flank[1:], out_of_tip]  # out of the metal: the seat's towards its own centre
        parts = [np.full(len(seat), SEAT), np.full(len(flank) - 1, FLANK), np.full(len(t), TIP)]
        return Outline(
            points_mm=readonly(np.concatenate(points)),
            normals=readonly(np.concatenate(normals)),
            part=readonly(np.concatenate(parts)),
        )


def _flank_share(seat_share: Floats) -> Floats:
    out: Floats = np.clip((seat_share - 0.7) / 0.25, 0.0, 1.0)
    return out
