"""How teeth wear: three models, different in kind, each acting on half a gap.

None of them is the model by which wear is measured, and none was fitted to real parts: they only have to cover the
shapes that workshops describe (a pocket under the tip, a smooth hollow, an evenly thinned tooth).

``climb``
    A chain that lengthens runs on a larger circle: its roller presses on the flank further and further out.  What a
    roller of diameter d1 sweeps at each of many contact points is taken away, so the pocket has the roller's own
    curvature, a sharp upper lip, and the tip above it stays.
``grit``
    Grinding paste between roller and flank: at every contact point a wide, soft pressure bump takes a little, the
    whole flank and the drive half of the seat are thinned by a share of it, and the result is smoothed.
``even``
    The flank is moved towards the tooth by the same arc length at every radius: no shape changes.  Not lifelike;
    it is there because its truth can be written down without calculating.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from toothcheck.geometry import Floats
from toothcheck.toothform import IsoForm

WearKind = Literal["climb", "grit", "even"]
Damage = Literal["chipped", "broken", "missing", "bent"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """What use has done to a wheel; lengths mm, shares 0…1.

    ``depth_mm`` is about the loss at the pitch circle of the drive flank; the truth is measured on the outline that
    comes out, never taken from here.
    """

    kind: WearKind = "climb"
    depth_mm: float = 0.0
    coast_depth_mm: float = 0.0
    climb: float = 0.6
    """How far up the flank the contact has wandered: 0 near the pitch circle, 1 to the tip."""
    scatter: float = 0.0
    """Relative standard deviation from tooth to tooth."""
    eccentric: float = 0.0
    """Relative amplitude of a once-per-turn change, as of a wheel bored off centre."""
    eccentric_at: float = 0.0
    """Which tooth carries most of it, as an angle in radians from tooth 0."""
    alternate: float = 0.0
    """Odd teeth wear less by this share (an even tooth count meeting inner and outer links in turn)."""
    tip_loss_mm: float = 0.0
    """Shortening of the tips."""
    lean_mm: float = 0.0
    """How far the rollers have drawn the tips over towards the drive flank; nothing moves at the pitch circle."""
    damage: tuple[tuple[int, Damage], ...] = ()
    """(tooth, what happened to it)."""

    def __post_init__(self) -> None:
        for name in ("depth_mm", "coast_depth_mm", "scatter", "tip_loss_mm", "lean_mm"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} must not be negative, not {getattr(self, name)}")

    def depths_mm(self, teeth: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Depth wanted at each tooth's drive and coast flank, two arrays of shape (teeth,)."""
        i = np.arange(teeth)
        share = 1 + self.eccentric * np.cos(2 * np.pi * i / teeth - self.eccentric_at)
        share = share * (1 - self.alternate * (i % 2))
        drive = self.depth_mm * share * (1 + self.scatter * rng.standard_normal(teeth))
        coast = self.coast_depth_mm * (1 + self.scatter * rng.standard_normal(teeth))
        return np.maximum(drive, 0.0), np.maximum(coast, 0.0)


def _along(points: Floats) -> Floats:
    steps = np.hypot(*np.diff(points, axis=0).T)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _contacts(form: IsoForm, points: Floats, climb: float, count: int) -> Floats:
    """Arc lengths at which the roller has pressed, from the first contact outwards."""
    s, r = _along(points), np.hypot(*points.T)
    # a new chain's roller touches where seat and flank meet; the last contact cannot lie past the tip
    first = form.junction_radius_mm + 0.02 * form.roller_diameter_mm
    top = form.pitch_radius_mm + 0.30 * form.roller_diameter_mm
    last = form.pitch_radius_mm + climb * (min(top, form.tip_radius_mm) - form.pitch_radius_mm)
    return np.interp(np.linspace(first, last, count), r, s)


def _climb_depth(form: IsoForm, points: Floats, normals: Floats, depth: float, climb: float) -> Floats:
    s = _along(points)
    at = _contacts(form, points, climb, 40)
    u = np.linspace(-1, 1, len(at))
    pressed = depth * (1 - 0.45 * u**2)  # most of the life is spent between the first contact and the last
    radius = form.roller_diameter_mm / 2
    x, y = np.interp(at, s, points[:, 0]), np.interp(at, s, points[:, 1])
    nx, ny = np.interp(at, s, normals[:, 0]), np.interp(at, s, normals[:, 1])
    centres = np.stack([x + nx * (radius - pressed), y + ny * (radius - pressed)], axis=1)
    # leaving a disc along the inward normal: |p - t n - c| = radius, the farther root
    away = points[:, None, :] - centres[None, :, :]
    along = np.einsum("ijk,ik->ij", away, normals)
    inside = along**2 - np.einsum("ijk,ijk->ij", away, away) + radius**2
    leave = np.where(inside > 0, along + np.sqrt(np.maximum(inside, 0)), 0.0)
    out: Floats = np.maximum(leave.max(axis=1), 0.0)
    # the other half of the seat belongs to the neighbour: nothing is taken at the gap's bottom
    return out * np.clip(s / (0.5 * form.roller_diameter_mm * form.seat_angle / 2), 0, 1)


def _grit_depth(form: IsoForm, points: Floats, depth: float, climb: float) -> Floats:
    s = _along(points)
    at = _contacts(form, points, climb, 16)
    width = 0.20 * form.roller_diameter_mm
    worn = np.zeros(len(s))
    for k, where in enumerate(at):
        grown = width * (1 + 0.9 * k / len(at))  # the pocket fits the roller better and better
        worn += np.exp(-0.5 * ((s - where) / grown) ** 2) * (0.6 + 0.8 * k / len(at))
    at_pitch = float(np.interp(form.pitch_radius_mm, np.hypot(*points.T), s))
    worn = worn / np.interp(at_pitch, s, worn)
    worn = 0.82 * worn + 0.18
    seat_end = form.seat_radius_mm * form.seat_angle / 2
    fade = np.clip(s / seat_end, 0, 1)
    return depth * worn * fade**2 * (3 - 2 * fade)


def worn_half_gap(form: IsoForm, kind: WearKind, depth_mm: float, climb: float, *, beyond_mm: float = 2.5) -> Floats:
    """Half a gap after wear, from the gap's bottom outwards past the tip circle, in the gap's frame, +x side.

    Parameters
    ----------
    form
        The new form.
    kind, depth_mm, climb
        See `Wear`.
    beyond_mm
        How far the flank is drawn past the tip circle, so that what comes of it can be cut there.

    Returns
    -------
    (n, 2) mm, every 0.02 mm; no tip land.
    """
    longer = IsoForm(
        pitch_mm=form.pitch_mm,
        roller_diameter_mm=form.roller_diameter_mm,
        teeth=form.teeth,
        blend=form.blend,
        tip_diameter_mm=2 * (form.tip_radius_mm + beyond_mm),
        seat_offset_mm=form.seat_offset_mm,
    ).half_gap(0.02)
    on = longer.part < 2
    points, normals = np.array(longer.points_mm[on]), np.array(longer.normals[on])
    if depth_mm <= 0:
        return points
    if kind == "even":
        s = _along(points)
        share = np.clip(s / (form.seat_radius_mm * form.seat_angle / 2), 0, 1)
        turn = -share * depth_mm / form.pitch_radius_mm  # clockwise: towards the tooth on the +x side
        c, sn = np.cos(turn), np.sin(turn)
        return np.stack([c * points[:, 0] - sn * points[:, 1], sn * points[:, 0] + c * points[:, 1]], axis=1)

    def worn(depth: float) -> Floats:
        if kind == "climb":
            taken = _climb_depth(form, points, normals, depth, climb)
        else:
            taken = _grit_depth(form, points, depth, climb)
        return points - taken[:, None] * normals

    # the depth is told along the circle but taken along the normal: one correction brings them together roughly
    first = worn(depth_mm)
    r = np.maximum.accumulate(np.hypot(*first.T))
    angle = np.arctan2(first[:, 0], first[:, 1])
    new_angle = math.pi / form.teeth - float(form.half_thickness_mm(form.pitch_radius_mm)) / form.pitch_radius_mm
    lost = (float(np.interp(form.pitch_radius_mm, r, angle)) - new_angle) * form.pitch_radius_mm
    return worn(depth_mm * min(2.0, depth_mm / max(lost, 0.3 * depth_mm)))
