"""The teaching tooth: the ISO 606 form, worn by four sliders, measured by the same definitions as a real one.

Wear is applied where it is measured, as arc length at a radius: the half thickness of the drive side becomes
``h0(r) - loss·even(r) - hook·pocket(r) - thinning·tip(r)``.  So a flank loss of w reads w at the pitch circle, by
construction.  The three shapes are a teaching model, chosen to look like worn teeth and to keep the sliders apart;
they are not a law of wear.  The page's script does the same sums on the same tables (a test holds the two together).

All lengths mm, in the tooth's own frame: +y the tooth's ideal centre line, +x towards the drive flank.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from toothcheck.geometry import Floats, readonly
from toothcheck.toothform import IsoForm

SIZED_ON_MM = 15.875
"""Pitch of chain 520, on which the lesson's drawings and amounts of wear were chosen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """The sliders.

    Raises
    ------
    ValueError
        When one is negative, or the tip is thinned by more than all of it.
    """

    flank_loss_mm: float = 0.0
    """Even loss of the drive flank, from the seat to just below the tip; arc length at the pitch circle."""
    hook_mm: float = 0.0
    """Depth of the pocket under the tip, on top of the even loss."""
    tip_thinning_percent: float = 0.0
    """Share of the tip's thickness gone, half of it from each flank."""

    def __post_init__(self) -> None:
        for name in ("flank_loss_mm", "hook_mm", "tip_thinning_percent"):
            if not getattr(self, name) >= 0:
                raise ValueError(f"{name} must not be negative, not {getattr(self, name)}")
        if self.tip_thinning_percent > 100:
            raise ValueError(f"tip_thinning_percent must be at most 100, not {self.tip_thinning_percent}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToothTable:
    """One new tooth as a table over the radius, with the three shapes of wear; arrays of n rows, read-only."""

    pitch_mm: float
    roller_diameter_mm: float
    teeth: int
    pitch_radius_mm: float
    junction_radius_mm: float
    tip_probe_radius_mm: float
    """Where tip thickness is taken: R + 0.25 d1."""
    radius_mm: Floats
    """From the root to the tip; holds the junction, R and the tip probe exactly."""
    half_mm: Floats
    """Ideal half thickness h0, arc length."""
    even: Floats
    pocket: Floats
    tip: Floats

    @property
    def at_pitch(self) -> int:
        """Row of the pitch circle."""
        return int(np.argmin(np.abs(self.radius_mm - self.pitch_radius_mm)))

    @property
    def at_tip_probe(self) -> int:
        """Row of the tip probe."""
        return int(np.argmin(np.abs(self.radius_mm - self.tip_probe_radius_mm)))

    @property
    def size(self) -> float:
        """Pitch, as a multiple of `SIZED_ON_MM`."""
        return self.pitch_mm / SIZED_ON_MM

    @property
    def at_junction(self) -> int:
        """Row where seat and flank meet."""
        return int(np.argmin(np.abs(self.radius_mm - self.junction_radius_mm)))


def _smooth(x: Floats) -> Floats:
    t = np.clip(x, 0.0, 1.0)
    out: Floats = t * t * (3 - 2 * t)
    return out


def tooth_table(form: IsoForm, rows: int = 140) -> ToothTable:
    """Tabulate a form.

    The shapes over u = (r - R)/d1: `even` rises along the seat and dies out below the tip, which the roller does not
    reach; `pocket` stands about the pitch circle, where the roller of a stretched chain presses; `tip` grows from the
    pitch circle to the tip probe.

    Raises
    ------
    ValueError
        When the tooth ends below the tip probe, so that tip thickness has no meaning.
    """
    pitch, d1 = form.pitch_radius_mm, form.roller_diameter_mm
    root = form.seat_centre_radius_mm - form.seat_radius_mm
    probe = pitch + 0.25 * d1
    if form.tip_radius_mm <= probe:
        raise ValueError(
            f"the tooth must reach beyond R + 0.25 d1 = {probe:.2f} mm; it ends at {form.tip_radius_mm:.2f}"
        )
    # dense near the root, where the outline runs along the circle
    spread = np.linspace(0, 1, rows) ** 2
    radius = np.unique(
        np.concatenate([root + (form.tip_radius_mm - root) * spread, [form.junction_radius_mm, pitch, probe]])
    )
    u = (radius - pitch) / d1
    return ToothTable(
        pitch_mm=form.pitch_mm,
        roller_diameter_mm=d1,
        teeth=form.teeth,
        pitch_radius_mm=pitch,
        junction_radius_mm=form.junction_radius_mm,
        tip_probe_radius_mm=probe,
        radius_mm=readonly(radius),
        half_mm=readonly(form.half_thickness_mm(radius)),
        even=readonly(_smooth((u + 0.5) / 0.25) * (1 - _smooth((u - 0.03) / 0.22))),
        pocket=readonly(np.cos(np.clip(u / 0.22, -1, 1) * math.pi / 2) ** 2),
        tip=readonly(_smooth(u / 0.25)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WornTooth:
    """Half thicknesses of both sides over the table's radii, up to where the two sides meet."""

    table: ToothTable
    drive_mm: Floats
    coast_mm: Floats
    rows: int
    """How many rows of the table still carry metal."""

    def flank_mm(self, *, drive: bool) -> Floats:
        """(rows, 2) points of a flank from the root to the tip; x > 0 on the drive side."""
        r = self.table.radius_mm[: self.rows]
        half = (self.drive_mm if drive else -self.coast_mm)[: self.rows]
        return np.stack([r * np.sin(half / r), r * np.cos(half / r)], axis=1)

    def outline_mm(self) -> Floats:
        """(n, 2), root to root over the tip, coast side first."""
        return np.concatenate([self.flank_mm(drive=False), self.flank_mm(drive=True)[::-1]])


def worn(table: ToothTable, wear: Wear, *, coast_loss_mm: float = 0.0) -> WornTooth:
    """Apply the sliders.

    Parameters
    ----------
    table, wear
        The new tooth, and what became of it.
    coast_loss_mm
        Even loss of the coast flank, as on a part that was turned round.
    """
    thinning = table.tip * (wear.tip_thinning_percent / 100 * table.half_mm[table.at_tip_probe])
    drive = table.half_mm - wear.flank_loss_mm * table.even - wear.hook_mm * table.pocket - thinning
    coast = table.half_mm - coast_loss_mm * table.even - thinning
    gone = np.nonzero(drive + coast < 0)[0]
    rows = int(gone[0]) if len(gone) else len(drive)
    return WornTooth(table=table, drive_mm=readonly(drive), coast_mm=readonly(coast), rows=rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The measures of one tooth (measures.md, section 4), without uncertainty: this tooth is drawn, not seen."""

    drive_loss_mm: float
    coast_loss_mm: float
    thickness_mm: float
    asymmetry_percent: float
    tip_thickness_mm: float
    tip_thinning_percent: float
    overhang_mm: float
    hollow_mm: float


def reading(tooth: WornTooth) -> Reading:
    """Measure a drawn tooth."""
    table = tooth.table
    at, probe = table.at_pitch, table.at_tip_probe
    h0, drive, coast = float(table.half_mm[at]), float(tooth.drive_mm[at]), float(tooth.coast_mm[at])
    tip = max(0.0, float(tooth.drive_mm[probe] + tooth.coast_mm[probe])) if probe < tooth.rows else 0.0
    flank = tooth.flank_mm(drive=True)[table.at_junction :]
    return Reading(
        drive_loss_mm=h0 - drive,
        coast_loss_mm=h0 - coast,
        thickness_mm=drive + coast,
        asymmetry_percent=100 * (coast - drive) / (2 * coast),
        tip_thickness_mm=tip,
        tip_thinning_percent=100 * (1 - tip / (2 * float(table.half_mm[probe]))),
        overhang_mm=overhang(flank),
        hollow_mm=hollow(flank),
    )


def overhang(flank_mm: Floats) -> float:
    """The most that a point nearer the tip stands out in x past a point nearer the root, mm.

    Parameters
    ----------
    flank_mm
        (n, 2) along the drive flank from the junction to the tip.
    """
    if len(flank_mm) == 0:
        return 0.0
    x = flank_mm[:, 0]
    return float(np.max(x - np.minimum.accumulate(x)))


def hollow(flank_mm: Floats) -> float:
    """The greatest gap under a straight edge laid on the drive flank, mm.

    A straight edge rests on two points of the flank's convex hull, so the gap is the depth below the hull's outer
    chain.  The chain is Andrew's monotone scan along the flank (y rises from root to tip).
    """
    hull: list[Floats] = []
    for point in flank_mm:
        while len(hull) > 1 and _turn(hull[-2], hull[-1], point) <= 0:
            hull.pop()
        hull.append(point)
    deepest = 0.0
    for a, b in itertools.pairwise(hull):
        length = math.hypot(*(b - a))
        inside = flank_mm[(flank_mm[:, 1] >= a[1]) & (flank_mm[:, 1] <= b[1])]
        depth = ((b[0] - a[0]) * (inside[:, 1] - a[1]) - (b[1] - a[1]) * (inside[:, 0] - a[0])) / length
        deepest = max(deepest, float(np.max(depth, initial=0.0)))
    return deepest


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


@dataclass(frozen=True, slots=True, kw_only=True)
class RollerSeat:
    """Where a roller of the chain settles against the drive flank."""

    lift_mm: float
    """How far its circle stands above the pitch circle: e·R."""
    centre_mm: tuple[float, float]
    contact_mm: tuple[float, float] | None
    """None when the roller finds nothing to lean on: it passes over the tip."""
    contact_height_mm: float | None
    """Height of the contact above the pitch circle (negative: below)."""
    room_to_tip_mm: float | None
    """How much flank is left above the contact, along the radius."""


def roller_seat(tooth: WornTooth, stretch_percent: float) -> RollerSeat:
    """Let a roller of a chain stretched by ``stretch_percent`` settle against the drive flank.

    A chain whose every pitch is p(1 + e), lying evenly on the wheel, has its rollers on a circle of radius R(1 + e).
    On that circle the roller is pulled towards the tooth until it touches; found by bisection on the angle.
    Neglected: wear of rollers and bushes, the difference of inner and outer links, that only some teeth carry.
    """
    table = tooth.table
    lift = table.pitch_radius_mm * stretch_percent / 100
    circle = table.pitch_radius_mm + lift
    flank = tooth.flank_mm(drive=True)
    radius = table.roller_diameter_mm / 2

    def gap_mm(angle: float) -> float:
        centre = np.array([circle * math.sin(angle), circle * math.cos(angle)])
        return float(np.min(np.hypot(*(flank - centre).T))) - radius

    low, high = 0.0, math.pi / table.teeth
    if gap_mm(low) > 0:
        return RollerSeat(
            lift_mm=lift, centre_mm=(0.0, circle), contact_mm=None, contact_height_mm=None, room_to_tip_mm=None
        )
    # in the middle of the gap it is free (the seat is a little wider than the roller), on the tooth it is not
    for _ in range(48):
        middle = (low + high) / 2
        low, high = (low, middle) if gap_mm(middle) > 0 else (middle, high)
    centre = np.array([circle * math.sin(high), circle * math.cos(high)])
    touch = flank[int(np.argmin(np.hypot(*(flank - centre).T)))]
    height = math.hypot(*touch)
    return RollerSeat(
        lift_mm=lift,
        centre_mm=(float(centre[0]), float(centre[1])),
        contact_mm=(float(touch[0]), float(touch[1])),
        contact_height_mm=height - table.pitch_radius_mm,
        room_to_tip_mm=float(table.radius_mm[tooth.rows - 1]) - height,
    )


def drive_flank_side(position: str, turning: str) -> str:
    """On which side of each tooth the drive flank lies, worked out from who pushes whom.

    Pushing means force and motion in one direction.  The front wheel pushes the roller, so the roller is ahead of the
    tooth: leading flank.  At the rear the roller pushes the tooth, so the roller is behind it: trailing flank.

    Parameters
    ----------
    position
        ``front`` (drives the chain) or ``rear`` (driven by it).
    turning
        ``clockwise`` or ``counterclockwise`` as seen, when rolling forward.

    Raises
    ------
    ValueError
        When either word is another.
    """
    if position not in ("front", "rear"):
        raise ValueError(f"position must be front or rear, not {position!r}")
    if turning not in ("clockwise", "counterclockwise"):
        raise ValueError(f"turning must be clockwise or counterclockwise, not {turning!r}")
    motion = 1 if turning == "clockwise" else -1  # of a tooth at the top of the wheel, + to the right
    tooth_pushes_roller = position == "front"
    roller_ahead = motion if tooth_pushes_roller else -motion
    return "clockwise" if roller_ahead > 0 else "counterclockwise"
