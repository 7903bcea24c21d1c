"""The ideal tooth of ASME B29.1: one form, drawn with two concave arcs, a straight and a convex arc.

Nobody here holds the text of the standard.  The formulas come from several independent secondary sources that agree;
JIS B 1801's form "S" is the same.  Some copies print ``Ds = 1.0005 d1``: a misprint, it breaks ``E = ac + R``.
The standard works in inches; its two fixed allowances are 0.003 in and 0.0015 in, here in mm.  The seat as drawn lies
deeper than the standard's bottom diameter by half a percent of d1 and more.

Names in the gap's frame, +x side (letters as the standard draws them on the other side):
``a`` seat centre on the pitch circle; seat of radius R about ``a`` down to ``x``; working curve of radius E about ``c``
from ``x`` to ``y``; straight from ``y`` to ``z``; topping curve of radius F about ``b`` from ``z`` to the tip.
``b`` lies on the chord between neighbouring seat centres, 1.4 d1 from ``a``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.geometry import Bools, Floats, readonly
from toothcheck.toothform.outline import FLANK, SEAT, TIP, Outline, Piece, checked_wheel
from toothcheck.toothform.wheel import ToothedWheel

SEAT_ALLOWANCE_MM = 0.003 * 25.4
ARC_ALLOWANCE_MM = 0.0015 * 25.4


def _sin(degrees: float) -> float:
    return math.sin(math.radians(degrees))


def _cos(degrees: float) -> float:
    return math.cos(math.radians(degrees))


@dataclass(frozen=True, slots=True, kw_only=True)
class AsmeForm(ToothedWheel):
    """The tooth form of ASME B29.1 for a chain and a tooth count; lengths mm, angles degrees where they end so.

    Parameters
    ----------
    pitch_mm, roller_diameter_mm
        Of the chain.
    teeth
        Tooth count z, 7 to 150.
    tip_diameter_mm
        Tip circle; the standard's ``p (0.6 + cot(180°/z))`` when not given.

    Raises
    ------
    ValueError
        When an argument is out of its range.
    """

    tip_diameter_mm: float | None = None

    def __post_init__(self) -> None:
        checked_wheel(self.pitch_mm, self.roller_diameter_mm, self.teeth)
        if self.topping_radius_mm <= 0 or self.topping_radius_mm <= abs(self._past_middle):
            raise ValueError(
                f"roller_diameter_mm {self.roller_diameter_mm} does not make a tooth of this form at pitch_mm "
                f"{self.pitch_mm}"
            )

    # --- circles ---------------------------------------------------------------------------------------------
    @property
    def outside_diameter_mm(self) -> float:
        """OD = p (0.6 + cot(180°/z))."""
        return self.pitch_mm * (0.6 + 1 / math.tan(math.pi / self.teeth))

    @property
    def pointed_radius_mm(self) -> float:
        """Radius at which the two flanks of a tooth meet: (p/2) cot(180°/z) + H."""
        return self.pitch_mm / 2 / math.tan(math.pi / self.teeth) + self.tip_height_mm

    @property
    def tip_radius_mm(self) -> float:
        """Radius of the tip as drawn: the tip circle, or less where the tooth is pointed before it."""
        da = self.outside_diameter_mm if self.tip_diameter_mm is None else self.tip_diameter_mm
        return min(da / 2, self.pointed_radius_mm)

    # --- the standard's letters ------------------------------------------------------------------------------
    @property
    def seat_diameter_mm(self) -> float:
        """Ds = 1.005 d1 + 0.003 in."""
        return 1.005 * self.roller_diameter_mm + SEAT_ALLOWANCE_MM

    @property
    def seat_radius_mm(self) -> float:
        """R = Ds / 2."""
        return self.seat_diameter_mm / 2

    @property
    def seat_half_angle_deg(self) -> float:
        """A = 35° + 60°/z: the working curve begins at this angle *below the horizontal* through the seat centre."""
        return 35 + 60 / self.teeth

    @property
    def working_angle_deg(self) -> float:
        """B = 18° - 56°/z, the angle of the working curve."""
        return 18 - 56 / self.teeth

    @property
    def working_radius_mm(self) -> float:
        """E = 1.3025 d1 + 0.0015 in."""
        return 1.3025 * self.roller_diameter_mm + ARC_ALLOWANCE_MM

    @property
    def working_centre_offset_mm(self) -> tuple[float, float]:
        """(M, T) = 0.8 d1 (cos A, sin A): how far c lies from a, across and outwards."""
        ac = 0.8 * self.roller_diameter_mm
        return ac * _cos(self.seat_half_angle_deg), ac * _sin(self.seat_half_angle_deg)

    @property
    def working_chord_mm(self) -> float:
        """Chord xy = 2 E sin(B/2) of the working curve."""
        return 2 * self.working_radius_mm * _sin(self.working_angle_deg / 2)

    @property
    def straight_mm(self) -> float:
        """Length yz = d1 [1.4 sin(17° - 64°/z) - 0.8 sin(18° - 56°/z)] of the straight."""
        z = self.teeth
        return self.roller_diameter_mm * (1.4 * _sin(17 - 64 / z) - 0.8 * _sin(18 - 56 / z))

    @property
    def topping_centre_offset_mm(self) -> tuple[float, float]:
        """(W, V) = 1.4 d1 (cos(180°/z), sin(180°/z)): how far b lies from a, across and inwards."""
        ab = 1.4 * self.roller_diameter_mm
        return ab * math.cos(math.pi / self.teeth), ab * math.sin(math.pi / self.teeth)

    @property
    def topping_radius_mm(self) -> float:
        """F = d1 [0.8 cos(18° - 56°/z) + 1.4 cos(17° - 64°/z) - 1.3025] - 0.0015 in."""
        z = self.teeth
        return self.roller_diameter_mm * (0.8 * _cos(18 - 56 / z) + 1.4 * _cos(17 - 64 / z) - 1.3025) - ARC_ALLOWANCE_MM

    @property
    def _past_middle(self) -> float:
        """How far b lies past the middle of the chord between two seat centres, mm: ab - p/2."""
        return 1.4 * self.roller_diameter_mm - self.pitch_mm / 2

    @property
    def tip_height_mm(self) -> float:
        """H = √(F² - (1.4 d1 - p/2)²), height of the pointed tip over the chord between two seat centres."""
        return math.sqrt(self.topping_radius_mm**2 - self._past_middle**2)

    @property
    def tip_from_axis_mm(self) -> float:
        """S = (p/2) cos(180°/z) + H sin(180°/z), from the gap's axis to the pointed tip."""
        a = math.pi / self.teeth
        return self.pitch_mm / 2 * math.cos(a) + self.tip_height_mm * math.sin(a)

    # --- points in the gap's frame, +x side ------------------------------------------------------------------
    @property
    def seat_centre_radius_mm(self) -> float:
        """Distance of the seat's centre from the sprocket's centre: on the pitch circle."""
        return self.pitch_radius_mm

    @property
    def junction_mm(self) -> Floats:
        """x, where seat and working curve meet, shape (2,)."""
        a, r = self.seat_half_angle_deg, self.seat_radius_mm
        return np.array([r * _cos(a), self.pitch_radius_mm - r * _sin(a)])

    @property
    def junction_radius_mm(self) -> float:
        """Distance of x from the sprocket's centre."""
        return float(np.hypot(*self.junction_mm))

    @property
    def working_centre_mm(self) -> Floats:
        """c, centre of the concave working curve, on the far side of the gap's axis, shape (2,)."""
        m, t = self.working_centre_offset_mm
        return np.array([-m, self.pitch_radius_mm + t])

    @property
    def topping_centre_mm(self) -> Floats:
        """b, centre of the convex topping curve, inside the tooth, shape (2,)."""
        w, v = self.topping_centre_offset_mm
        return np.array([w, self.pitch_radius_mm - v])

    @property
    def _straight_normal(self) -> Floats:
        """Unit normal of the straight, from c into the metal, shape (2,)."""
        slope = self.seat_half_angle_deg - self.working_angle_deg
        return np.array([_cos(slope), -_sin(slope)])

    @property
    def straight_start_mm(self) -> Floats:
        """y, where the working curve goes over into the straight, shape (2,)."""
        out: Floats = self.working_centre_mm + self.working_radius_mm * self._straight_normal
        return out

    @property
    def straight_end_mm(self) -> Floats:
        """z, where the straight goes over into the topping curve, shape (2,)."""
        out: Floats = self.topping_centre_mm - self.topping_radius_mm * self._straight_normal
        return out

    # --- the form as numbers ---------------------------------------------------------------------------------
    def half_thickness_mm(self, radius_mm: Floats | float) -> Floats:
        """Half the tooth's thickness at a radius, as arc length from its centre line; 0 beyond the pointed tip.

        Parameters
        ----------
        radius_mm
            Any shape, between the root and the tip.
        """
        r = np.asarray(radius_mm, dtype=np.float64)
        y, z = self.straight_start_mm, self.straight_end_mm
        along = np.array([-self._straight_normal[1], self._straight_normal[0]])  # outwards, from y to z
        foot = float(y @ along)
        on_line = np.sqrt(np.maximum(0.0, r**2 - float(y @ y) + foot**2)) - foot
        line = np.arctan2(y[0] + on_line * along[0], y[1] + on_line * along[1])
        from_gap = np.select(
            [r < self.junction_radius_mm, r < np.hypot(*y), r < np.hypot(*z)],
            [
                _angle_on_circle(r, np.array([0.0, self.pitch_radius_mm]), self.seat_radius_mm, side=1),
                _angle_on_circle(r, self.working_centre_mm, self.working_radius_mm, side=1),
                line,
            ],
            _angle_on_circle(r, self.topping_centre_mm, self.topping_radius_mm, side=-1),
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
        p = np.stack([np.abs(points_mm[..., 0]), points_mm[..., 1]], axis=-1)
        n = self._straight_normal
        along = np.array([-n[1], n[0]])

        def distance(centre: Floats) -> Floats:
            out: Floats = np.hypot(p[..., 0] - centre[0], p[..., 1] - centre[1])
            return out

        seat = np.array([0.0, self.pitch_radius_mm])
        depth: Floats = np.select(
            [
                self.on_seat(points_mm),
                (p - self.straight_start_mm) @ along < 0,
                (p - self.straight_end_mm) @ along < 0,
            ],
            [
                distance(seat) - self.seat_radius_mm,
                distance(self.working_centre_mm) - self.working_radius_mm,
                (p - self.straight_start_mm) @ n,
            ],
            self.topping_radius_mm - distance(self.topping_centre_mm),
        )
        if with_tip:
            depth = np.minimum(depth, self.tip_radius_mm - np.hypot(p[..., 0], p[..., 1]))
        return depth

    def on_seat(self, points_mm: Floats) -> Bools:
        """Which points of the gap's frame (…, 2) face the seating curve rather than a flank."""
        u, below = np.abs(points_mm[..., 0]), self.pitch_radius_mm - points_mm[..., 1]
        out: Bools = np.arctan2(u, below) <= math.radians(90 - self.seat_half_angle_deg)
        return out

    # --- outlines --------------------------------------------------------------------------------------------
    @property
    def _tip_corner(self) -> float:
        """Clockwise angle from the gap's axis to where the topping curve ends at the tip, radians."""
        tip = np.array(self.tip_radius_mm)
        return float(_angle_on_circle(tip, self.topping_centre_mm, self.topping_radius_mm, side=-1))

    @property
    def _topping_end_deg(self) -> float:
        """How far over the horizontal through b the topping curve ends."""
        at = self._tip_corner
        end = self.tip_radius_mm * np.array([math.sin(at), math.cos(at)]) - self.topping_centre_mm
        return math.degrees(math.atan2(end[1], -end[0]))

    def half_gap_pieces(self) -> tuple[Piece, ...]:
        """From the gap's bottom to the next tooth's centre line: seat, working curve, straight, topping curve, land."""
        at, tip = self._tip_corner, self.tip_radius_mm
        a, b = self.seat_half_angle_deg, self.working_angle_deg
        corners = [self.junction_mm, self.straight_start_mm, self.straight_end_mm]
        sweeps = [math.radians(b), 0.0, math.radians(a - b - self._topping_end_deg)]
        return (
            Piece(start_mm=(0.0, self.pitch_radius_mm - self.seat_radius_mm), sweep=math.radians(90 - a)),
            *(Piece(start_mm=(float(x), float(y)), sweep=s) for (x, y), s in zip(corners, sweeps, strict=True)),
            Piece(start_mm=(tip * math.sin(at), tip * math.cos(at)), sweep=at - math.pi / self.teeth),
        )

    def half_gap(self, step_mm: float = 0.1) -> Outline:
        """From the gap's bottom to the next tooth's centre line, in the gap's frame, +x side.

        The ends of all parts are always among the points, so the corner at the tip stands twice, with both normals.
        """
        a, b = self.seat_half_angle_deg, self.working_angle_deg
        tip, at, corner = self.tip_radius_mm, self._tip_corner, self._topping_end_deg

        def fan(start_deg: float, end_deg: float, radius_mm: float) -> Floats:
            """Unit vectors at these angles below +x, as close as a circle of this radius asks for."""
            n = max(3, math.ceil(radius_mm * math.radians(abs(end_deg - start_deg)) / step_mm) + 1)
            angle = np.radians(np.linspace(start_deg, end_deg, n))
            return np.stack([np.cos(angle), -np.sin(angle)], axis=1)

        seat = fan(90, a, self.seat_radius_mm)
        working = fan(a, a - b, self.working_radius_mm)[1:]
        n_straight = max(2, math.ceil(self.straight_mm / step_mm) + 1)
        straight = np.linspace(self.straight_start_mm, self.straight_end_mm, n_straight)[1:]
        topping = -fan(a - b, corner, self.topping_radius_mm)[1:]
        width = math.pi / self.teeth - at
        t = at + np.linspace(0, width, max(2, math.ceil(tip * width / step_mm) + 1))
        land = np.stack([np.sin(t), np.cos(t)], axis=1)
        points = [
            np.array([0.0, self.pitch_radius_mm]) + self.seat_radius_mm * seat,
            self.working_centre_mm + self.working_radius_mm * working,
            straight,
            self.topping_centre_mm + self.topping_radius_mm * topping,
            tip * land,
        ]
        normals = [-seat, -working, np.tile(-self._straight_normal, (len(straight), 1)), topping, land]
        flank = len(working) + len(straight) + len(topping)
        return Outline(
            points_mm=readonly(np.concatenate(points)),
            normals=readonly(np.concatenate(normals)),
            part=readonly(np.repeat([SEAT, FLANK, TIP], [len(seat), flank, len(land)])),
        )


def _angle_on_circle(radius_mm: Floats, centre_mm: Floats, circle_mm: float, *, side: int) -> Floats:
    """Clockwise angle from +y, radians, where circles of these radii about the origin cut a circle about a centre.

    ``side`` picks the crossing clockwise (+1) or counterclockwise (-1) of the centre.
    """
    reach = float(np.hypot(*centre_mm))
    cos = (reach**2 + radius_mm**2 - circle_mm**2) / (2 * reach * radius_mm)
    out: Floats = math.atan2(centre_mm[0], centre_mm[1]) + side * np.arccos(np.clip(cos, -1, 1))
    return out
