"""Where the rims of an ideal sprocket stand in the photo: the near rim on its face, the far rim behind it.

For each point of the nominal outline: its pixel, the pixel step per mm along its normal, and how far along that
normal the far rim crosses (``wall_mm``: positive where the side wall is turned to the camera, negative where the face
hides it).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from toothcheck.geometry import Bools, Floats, Ints, readonly
from toothcheck.pose import PlanePose
from toothcheck.toothform import IsoForm, Outline

_BETWEEN = (0.2, 0.4, 0.6, 0.8)
"""Shares of the thickness at which the side wall is looked at between its rims."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wheel:
    """A posed ideal sprocket: everything that says where its outline stands before the camera."""

    plane: PlanePose
    """The face's plane, origin at the sprocket's centre."""
    form: IsoForm
    phase: float
    """Angle of gap 0's axis, radians, counterclockwise from the plane's x axis."""
    thickness_mm: float

    def gap_axis(self, index: Floats | Ints) -> Floats:
        """Angles by which to turn a gap's frame (+y its axis) into the plane, radians."""
        out: Floats = self.phase + np.asarray(index, dtype=np.float64) * self.form.pitch_angle - np.pi / 2
        return out

    def to_gap(self, points_mm: Floats, index: Ints) -> Floats:
        """Plane points (n, 2) into the frames of gaps (n,)."""
        # a few dozen gaps, thousands of points
        a = self.gap_axis(np.arange(self.form.teeth))
        c, s = np.cos(a)[index], np.sin(a)[index]
        x, y = points_mm[:, 0], points_mm[:, 1]
        return np.stack([c * x + s * y, -s * x + c * y], axis=1)

    def from_gap(self, points_mm: Floats, index: Floats | Ints) -> Floats:
        """Points (n, …, 2) in the frames of gaps (n,) into the plane."""
        a = self.gap_axis(index).reshape((-1,) + (1,) * (points_mm.ndim - 2))
        c, s = np.cos(a), np.sin(a)
        x, y = points_mm[..., 0], points_mm[..., 1]
        return np.stack([c * x - s * y, s * x + c * y], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rims:
    """The nominal outline of all z gaps in the photo; g gaps, n points each."""

    outline: Outline
    """One gap in its own frame, n points, x right as seen."""
    points_mm: Floats
    """(g, n, 2) in the plane."""
    normals: Floats
    """(g, n, 2) in the plane, out of the metal."""
    near_px: Floats
    """(g, n, 2) the near rim."""
    step_px: Floats
    """(g, n, 2) pixels per mm along the normal, on the face."""
    wall_mm: Floats
    """(g, n) from near to far rim along the normal, in mm on the face."""
    wall_seen: Bools
    """(g, n) whether the far rim of this very wall is in sight."""


def flank_outline(form: IsoForm, step_mm: float, reach_mm: float) -> Outline:
    """One gap without the tip's land, flanks drawn out to ``reach_mm`` beyond the pitch circle where they go so far."""
    tall = replace(form, tip_diameter_mm=2 * (form.pitch_radius_mm + reach_mm))
    gap = tall.gap(step_mm)
    keep = gap.part < 1.5
    return Outline(points_mm=gap.points_mm[keep], normals=gap.normals[keep], part=gap.part[keep])


def rims(wheel: Wheel, outline: Outline, tip_radius_mm: float | None = None) -> Rims:
    """Project the nominal outline of every gap of a wheel.

    ``tip_radius_mm``: where the metal ends, if it was seen; what the outline draws beyond hides nothing.
    """
    z = wheel.form.teeth
    index = np.arange(z)
    n = len(outline.points_mm)
    points = wheel.from_gap(np.broadcast_to(outline.points_mm, (z, n, 2)), index)
    normals = wheel.from_gap(np.broadcast_to(outline.normals, (z, n, 2)), index)
    plane = wheel.plane
    near = plane.project(points)
    ahead = plane.project(points + 0.5 * normals)
    step = 2 * (ahead - near)
    radius = np.hypot(outline.points_mm[:, 0], outline.points_mm[:, 1])
    metal = radius <= (np.inf if tip_radius_mm is None else tip_radius_mm)
    # the far rim, as it appears on the face's plane, is the same outline moved by a slowly varying vector
    far_on_face = plane.on_plane(plane.project(points, -wheel.thickness_mm))
    wall = _crossing(points, normals, far_on_face, metal)
    met = np.isfinite(wall)
    # where the normal passes the far rim's ends, the point that belongs to it says how far off it is
    wall = np.where(met, wall, ((far_on_face - points) * normals).sum(-1))
    # seen along a tooth, its far tip stands short of the near one: between them the tip's own wall is in sight, and
    # behind a hollow flank it stands out past the near rim
    for share in _BETWEEN:
        between = plane.on_plane(plane.project(points, -share * wheel.thickness_mm))
        out = _crossing(points, normals, between, metal)
        beyond = np.isfinite(out) & (out > np.where(met, np.maximum(wall, 0.0), 0.0))
        wall, met = np.where(beyond, out, wall), met | beyond
    return Rims(
        outline=outline,
        points_mm=points,
        normals=normals,
        near_px=near,
        step_px=step,
        wall_mm=wall,
        wall_seen=met & (wall > 0),
    )


def _crossing(points: Floats, normals: Floats, other: Floats, metal: Bools) -> Floats:
    """How far along its straight normal each point (g, n, 2) meets the polyline ``other`` (g, n, 2), nearest crossing.

    Of the polyline only what lies between points that are ``metal`` (n,) counts; infinite where there is no crossing.
    """
    change = np.empty((*points.shape[:2], points.shape[1] - 1), dtype=bool)
    ends = metal[:-1] & metal[1:]
    # gap by gap, which stays in a processor's cache: thrice as quick as all at once
    for one, of, to, normal in zip(change, *(np.moveaxis(a, -1, 1) for a in (points, other, normals)), strict=True):
        across = _across(to[0] - of[0, :, None], to[1] - of[1, :, None], normal[..., None])
        np.logical_and(across[:, :-1] * across[:, 1:] <= 0, ends, out=one)
    # crossings are few: only there is it worth knowing how far along the normal they stand
    g, i, j = np.unravel_index(np.flatnonzero(change), change.shape)
    n = normals[g, i]
    here, there = ((other[g, k] - points[g, i]) for k in (j, j + 1))
    before, after = (_across(way[:, 0].copy(), way[:, 1].copy(), n.T) for way in (here, there))
    span = before - after
    f = before / np.where(np.abs(span) < 1e-12, 1.0, span)
    at = (here[:, 0] * n[:, 0] + here[:, 1] * n[:, 1]) * (1 - f) + (there[:, 0] * n[:, 0] + there[:, 1] * n[:, 1]) * f
    out = np.full(points.shape[:2], np.inf)
    farthest_first = np.argsort(-np.abs(at), kind="stable")  # of several values for a place the last one stays
    out[g[farthest_first], i[farthest_first]] = at[farthest_first]
    return out


def _across(right: Floats, up: Floats, normal: Floats) -> Floats:
    """How far ways to the right and up (…,) lead aside of normals (2, …); in the ways' own place."""
    right *= -normal[1]
    up *= normal[0]
    right += up
    return right


def worn_outline(outline: Outline, offset_mm: Floats, step_mm: float) -> Outline:
    """An outline moved along its normals by a smooth offset (n,), drawn anew at equal steps with its own normals."""
    moved = outline.points_mm + offset_mm[:, None] * outline.normals
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(moved, axis=0).T))])
    s = np.linspace(0, along[-1], max(20, round(along[-1] / step_mm)))
    points = np.stack([np.interp(s, along, moved[:, 0]), np.interp(s, along, moved[:, 1])], axis=1)
    reach = max(2, round(0.5 / step_mm))  # tangents over a millimetre: finer ones would follow the tracing's noise
    index = np.arange(len(s))
    a, b = np.clip(index - reach, 0, None), np.clip(index + reach, None, len(s) - 1)
    tangent = points[b] - points[a]
    tangent /= np.hypot(tangent[:, 0], tangent[:, 1])[:, None]
    normals = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)  # the gap lies on the left of -x to +x
    part = np.interp(s, along, outline.part).round()
    return Outline(points_mm=readonly(points), normals=readonly(normals), part=readonly(part))
