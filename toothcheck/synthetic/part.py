"""A made-up sprocket: what it is, and the exact outline of every tooth after wear.

The outline is a polygon with a vertex every 0.02 mm, no picture is involved: the truth is measured on it
(`toothcheck.synthetic.truth`) and the photo is traced against it (`toothcheck.synthetic.fields`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from toothcheck.chains import chain
from toothcheck.geometry import Floats, readonly, rotated
from toothcheck.synthetic.wearing import Damage, Wear, WearKind, worn_half_gap
from toothcheck.toothform import IsoForm

Position = Literal["front", "rear"]
Turning = Literal["clockwise", "counterclockwise"]
Finish = Literal["ground", "turned", "blasted", "blackened", "zinc"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One sprocket; lengths mm, angles degrees."""

    chain: str = "520"
    teeth: int = 15
    position: Position = "front"
    blend: float = 0.5
    """Place of its new form between the minimum and the maximum gap form of ISO 606."""
    tip_blend: float = 0.5
    """Place of its tip circle between da_min and da_max."""
    thickness_mm: float = 5.9
    bevel_mm: float = 0.0
    """How much of the face is taken off at the tips, on both faces."""
    wear: Wear = field(default_factory=Wear)
    bore_mm: float = 20.0
    splines: int = 0
    """Splines of the bore, which then is the circle of their tops; the grooves between them are round at the bottom."""
    spline_major_mm: float = 0.0
    """Diameter at the bottom of the grooves."""
    holes: int = 0
    hole_mm: float = 10.5
    hole_circle_mm: float = 60.0
    nut: bool = False
    finish: Finish = "ground"
    spur_gear: bool = False
    """Not a sprocket at all: an involute gear of about the same size."""

    @property
    def form(self) -> IsoForm:
        """Its ideal form."""
        size = chain(self.chain)
        plain = IsoForm(
            pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=self.teeth, blend=self.blend
        )
        low, high = plain.tip_diameter_min_mm, plain.tip_diameter_max_mm
        return IsoForm(
            pitch_mm=size.pitch_mm,
            roller_diameter_mm=size.roller_diameter_mm,
            teeth=self.teeth,
            blend=self.blend,
            tip_diameter_mm=low + self.tip_blend * (high - low),
        )


def drive_flank_side(position: Position, turning: Turning) -> Turning:
    """On which side of a tooth the drive flank lies (measures.md, section 1)."""
    if position == "front":
        return turning
    return "counterclockwise" if turning == "clockwise" else "clockwise"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wheel:
    """The outlines of one part, standing in the photo's sprocket plane (`toothcheck.geometry`)."""

    part: Part
    form: IsoForm
    turn: float
    """Angle of tooth 0's centre line, radians, counterclockwise from +x."""
    drive_flank_is: Turning
    teeth_mm: tuple[Floats, ...]
    """Each tooth in its own frame (+y the centre line, +x the drive flank), from the coast gap's bottom over the tip
    to the drive gap's bottom."""
    damage: dict[int, Damage]

    def centre_line(self, tooth: int) -> float:
        """Angle of a tooth's ideal centre line, radians."""
        return self.turn + tooth * self.form.pitch_angle

    def placed(self, tooth: int, points_mm: Floats) -> Floats:
        """Points of a tooth's frame in the sprocket's plane."""
        if self.drive_flank_is == "counterclockwise":
            points_mm = points_mm * np.array([-1.0, 1.0])
        return rotated(points_mm, self.centre_line(tooth) - math.pi / 2)

    def outline_mm(self, *, without: frozenset[int] = frozenset()) -> Floats:
        """Return the whole outline, closed (first point not repeated), counterclockwise.

        Parameters
        ----------
        without
            Teeth to leave out, down to the root (a bent tooth is traced as a body of its own).
        """
        pieces = []
        for i, tooth in enumerate(self.teeth_mm):
            shown = _cut(tooth, _root_radius(self.form) + 0.3, None) if i in without else tooth
            clockwise_first = shown[::-1] if self.drive_flank_is == "clockwise" else shown
            pieces.append(self.placed(i, clockwise_first)[:-1])
        return readonly(np.concatenate(pieces))

    def tip_mm(self, tooth: int) -> Floats:
        """Return the middle of a tooth's tip in the sprocket's plane, shape (2,)."""
        points = self.teeth_mm[tooth]
        r = np.hypot(*points.T)
        top = points[r > r.max() - 0.02]
        return self.placed(tooth, top.mean(axis=0))


def _root_radius(form: IsoForm) -> float:
    return form.seat_centre_radius_mm - form.seat_radius_mm


def _tooth(form: IsoForm, coast: Floats, drive: Floats, tip_radius: float) -> Floats:
    """Two worn halves (gap's frame, +x side) put together to a tooth and cut at the tip."""
    half = math.pi / form.teeth
    chains = []
    for points in (coast, drive):
        r, from_gap = np.hypot(*points.T), np.arctan2(points[:, 0], points[:, 1])
        chains.append((r, half - from_gap))  # angle from the tooth's centre line, positive in the half's own side
    start = form.junction_radius_mm + 0.02
    end = min(tip_radius, *(float(r.max()) for r, _ in chains))
    grid = np.linspace(start, end, 2000)
    width = np.zeros_like(grid)
    for r, a in chains:
        outer = r >= form.junction_radius_mm - 0.5
        width = width + np.interp(grid, np.maximum.accumulate(r[outer]), a[outer])
    gone = np.flatnonzero(width <= 0)
    cut = float(grid[gone[0]]) if len(gone) else end  # pointed before the tip circle
    sides = []
    for r, a in chains:
        stop = int(np.argmax(r > cut)) if np.any(r > cut) else len(r)
        if 0 < stop < len(r):
            f = (cut - r[stop - 1]) / (r[stop] - r[stop - 1])
            last = a[stop - 1] + f * (a[stop] - a[stop - 1])
        else:
            last = a[-1]
        sides.append((np.append(r[:stop], cut), np.append(a[:stop], last)))
    (rc, ac), (rd, ad) = sides
    land = np.linspace(-ac[-1], ad[-1], max(2, math.ceil(cut * abs(ac[-1] + ad[-1]) / 0.02) + 1))[1:-1]
    angle = np.concatenate([-ac, land, ad[::-1]])
    radius = np.concatenate([rc, np.full(len(land), cut), rd[::-1]])
    return np.stack([radius * np.sin(angle), radius * np.cos(angle)], axis=1)


def _leaned(form: IsoForm, tooth: Floats, lean_mm: float) -> Floats:
    """Return a tooth whose metal above the pitch circle has flowed towards the drive flank, most at the tip."""
    r = np.hypot(*tooth.T)
    low = form.pitch_radius_mm + 0.04 * form.roller_diameter_mm
    share = np.clip((r - low) / (form.tip_radius_mm - low), 0, None) ** 2
    angle = np.arctan2(tooth[:, 0], tooth[:, 1]) + lean_mm * share / r
    return np.stack([r * np.sin(angle), r * np.cos(angle)], axis=1)


def _cut(tooth: Floats, height: float, rng: np.random.Generator | None, slope: float = 0.0) -> Floats:
    """Return what is left of a tooth below the line y = height + slope·x; ragged when ``rng`` is given."""
    beyond = tooth[:, 1] - height - slope * tooth[:, 0]
    out = np.flatnonzero(beyond > 0)
    if len(out) == 0:
        return tooth
    i, j = int(out[0]), int(out[-1])
    ends = []
    for inside, outside in ((i - 1, i), (j + 1, j)):
        f = beyond[inside] / (beyond[inside] - beyond[outside])
        ends.append(tooth[inside] + f * (tooth[outside] - tooth[inside]))
    t = np.linspace(0, 1, max(3, math.ceil(float(np.hypot(*(ends[1] - ends[0]))) / 0.02) + 1))
    chord = ends[0] + t[:, None] * (ends[1] - ends[0])
    if rng is not None:
        knots = np.linspace(0, 1, 7)
        ragged = rng.normal(0, 0.25, 7) * np.sin(np.pi * knots)
        chord = chord + np.outer(np.interp(t, knots, ragged), [0.0, 1.0])
    return np.concatenate([tooth[:i], chord, tooth[j + 1 :]])


def make_wheel(part: Part, *, turn: float, drive_flank_is: Turning, rng: np.random.Generator) -> Wheel:
    """Wear a part and place it.

    Parameters
    ----------
    part
        The sprocket and its wear.
    turn
        Angle of tooth 0's centre line in the photo, radians.
    drive_flank_is
        The side of each tooth on which the drive flank lies.
    rng
        For the scatter from tooth to tooth and for the ragged edges of damage.
    """
    form, wear = part.form, part.wear
    drive, coast = wear.depths_mm(part.teeth, rng)
    climbs = np.clip(wear.climb + 0.3 * wear.scatter * rng.standard_normal(part.teeth), 0.05, 1.0)
    damage = dict(wear.damage)
    teeth: list[Floats] = []
    for i in range(part.teeth):
        coast_kind: WearKind = "even" if wear.kind == "even" else "grit"
        one = _tooth(
            form,
            worn_half_gap(form, coast_kind, float(coast[i]), 0.4),
            worn_half_gap(form, wear.kind, float(drive[i]), float(climbs[i])),
            form.tip_radius_mm - wear.tip_loss_mm,
        )
        if wear.lean_mm > 0:
            one = _leaned(form, one, wear.lean_mm * float(drive[i]) / max(wear.depth_mm, 1e-6))
        what, r, d1 = damage.get(i), form.pitch_radius_mm, form.roller_diameter_mm
        if what == "chipped":
            one = _cut(one, form.tip_radius_mm - 0.09 * d1, rng, slope=float(rng.choice([-0.9, 0.9])))
        elif what == "broken":
            one = _cut(one, r + d1 * float(rng.uniform(-0.2, 0.02)), rng, slope=float(rng.uniform(-0.4, 0.4)))
        elif what == "missing":
            one = _cut(one, _root_radius(form) + 0.06 * d1, rng)
        teeth.append(readonly(one))
    return Wheel(part=part, form=form, turn=turn, drive_flank_is=drive_flank_is, teeth_mm=tuple(teeth), damage=damage)


def spur_gear_outline(teeth: int, module_mm: float) -> Floats:
    """Return an involute gear (20°, addendum 1, dedendum 1.25 modules), counterclockwise, tooth 0 at +x; (n, 2) mm."""
    r, alpha = teeth * module_mm / 2, math.radians(20)
    base, top, root = r * math.cos(alpha), r + module_mm, r - 1.25 * module_mm
    radii = np.linspace(max(base, root), top, 60)
    roll = np.sqrt(np.maximum((radii / base) ** 2 - 1, 0))
    involute = roll - np.arctan(roll)
    half = math.pi / (2 * teeth) + math.tan(alpha) - alpha - involute
    angle = np.concatenate([[-half[0]], -half, half[::-1], [half[0]]])
    radius = np.concatenate([[root], radii, radii[::-1], [root]])
    out = []
    for i in range(teeth):
        a = angle + 2 * math.pi * i / teeth
        out.append(np.stack([radius * np.cos(a), radius * np.sin(a)], axis=1))
    corner = np.concatenate(out)
    # a vertex every 0.05 mm or so, as the tracing expects
    following = np.roll(corner, -1, axis=0)
    fine = [
        a + np.linspace(0, 1, max(1, math.ceil(float(np.hypot(*(b - a))) / 0.05)), endpoint=False)[:, None] * (b - a)
        for a, b in zip(corner, following, strict=True)
    ]
    return np.concatenate(fine)
