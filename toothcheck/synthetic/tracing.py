"""Rays against flat bodies: first hits and what stands between a point and the light.

A body is a field between two planes of its own frame.  A ray enters through the upper plane; from there it is
sphere-traced inside the slab, so the side wall of a sprocket is met where it really is, not where a projected outline
would put it.  The camera must stand above every body.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.geometry import Floats
from toothcheck.synthetic.camera import Camera
from toothcheck.synthetic.fields import Singles, length_of
from toothcheck.synthetic.scenery import Bools, Light, Setting, Solid

TOUCH = np.float32(0.002)
"""A ray this near to the outline (mm) has met it."""
STEPS = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hits:
    """Where n rays ended."""

    body: np.ndarray
    """(n,) int: index of the solid, -1 the ground, -2 nothing."""
    wall: Bools
    """(n,) the side wall (or a bevel) rather than the top."""
    bevel: Bools
    """(n,) the bevelled part of the top."""
    depth: Singles
    """(n,) along the ray, in units of its direction."""

    def of(self, at: np.ndarray) -> Hits:
        """Those of some of the rays."""
        return Hits(body=self.body[at], wall=self.wall[at], bevel=self.bevel[at], depth=self.depth[at])


def _enter(solid: Solid, z: Singles, dz: Singles, first: float) -> tuple[Singles, Singles]:
    """Between which depths rays in the body's frame are inside its slab; empty where the first is the greater."""
    safe = np.where(np.abs(dz) < 1e-9, np.float32(1e-9), dz)
    a, b = (np.float32(solid.top_mm) - z) / safe, (np.float32(solid.bottom_mm) - z) / safe
    return np.maximum(np.minimum(a, b), np.float32(first)), np.maximum(a, b)


def march(
    solid: Solid, origin: Singles, direction: Singles, *, until: Singles | None = None, first: float = 0.0,
    rough: bool = False,
) -> tuple[Singles, Bools, Bools]:  # fmt: skip
    """Depth of the first hit of rays (columns in the body's frame) with a solid; infinite for none.

    Parameters
    ----------
    origin
        (3, n), or (3, 1) for rays from one place.
    direction
        (3, n).
    until
        (n,) depth from which on a hit is not asked for.
    first
        Depth at which the rays begin.
    rough
        For shadows: rays along a wall are not followed in the finest steps.

    Returns
    -------
    depth, wall, bevel
        Each of shape (n,); ``wall`` where the side was met, ``bevel`` where the slanting part of the top was.
    """
    n = direction.shape[1]
    depth = np.full(n, np.inf, np.float32)
    wall, bevel = np.zeros(n, bool), np.zeros(n, bool)
    t, last = _enter(solid, origin[2], direction[2], first)
    if until is not None:
        last = np.minimum(last, until)
    pace = length_of(direction[0], direction[1])
    # a ray that passes the body's bounding circle is done at once
    mx, my = solid.field.middle_mm
    half = 0.5 * (last - t)
    cx = origin[0] + direction[0] * (t + half) - np.float32(mx)
    cy = origin[1] + direction[1] * (t + half) - np.float32(my)
    within = np.float32(solid.field.reach_mm + 0.05) + half * pace
    live = np.flatnonzero((last > t) & (cx * cx + cy * cy < within * within))
    # what is still under way is kept together: most rays end within few steps
    ox, oy, oz = origin[:, live] if origin.shape[1] > 1 else origin
    dx, dy, dz = direction[:, live]
    t, last, pace = t[live], last[live], pace[live]
    bevelled = solid.bevel_mm > 0
    shortest = np.float32(0.04 if rough else 5e-4)
    for step in range(STEPS):
        if len(live) == 0:
            break
        x, y = ox + dx * t, oy + dy * t
        flat = solid.field.at(x, y)
        if bevelled:
            z = oz + dz * t
            drop = solid.drop(x, y)
            over = np.maximum(z - np.float32(solid.top_mm) + drop, np.float32(solid.bottom_mm) + drop - z)
            distance = np.maximum(flat, over * np.float32(0.9))
            met = distance < TOUCH
            slanting = met & (over * np.float32(0.9) >= flat) & (drop > 1e-4)
            side = met & ~slanting & (flat > -0.02) & (z < np.float32(solid.top_mm) - 2 * TOUCH)
            bevel[live[slanting]] = True
            advance = distance / np.sqrt(pace * pace + dz * dz)
        else:
            met = flat < TOUCH
            # where a ray starts inside the slab, whatever is met there is a wall
            side = met if step > 0 else met & (t <= np.float32(first)) if first > 0 else np.zeros(len(live), bool)
            advance = flat / np.maximum(pace, np.float32(1e-6))
        hit = np.flatnonzero(met)
        depth[live[hit]] = t[hit]
        wall[live[hit]] = side[hit]
        t = t + np.maximum(advance, shortest)
        rest = np.flatnonzero(~met & (t < last))
        if len(rest) < len(live):
            live, t, last, pace = live[rest], t[rest], last[rest], pace[rest]
            dx, dy, dz = dx[rest], dy[rest], dz[rest]
            if origin.shape[1] > 1:
                ox, oy, oz = ox[rest], oy[rest], oz[rest]
    return depth, wall, bevel


def _columns(vectors: Singles | Floats) -> Singles:
    """(n, 3) as (3, n): each coordinate in one piece, which numpy walks through several times faster."""
    return np.ascontiguousarray(vectors.T, dtype=np.float32)


def _in_frame(solid: Solid, origin: Singles, direction: Singles) -> tuple[Singles, Singles]:
    if solid.pose.upright:
        return origin, direction
    # row by row, as `Pose.own` has it, also for rays from one place: the other way round rounds otherwise
    rows = np.ascontiguousarray(np.broadcast_to(origin, direction.shape).T)
    turned = np.ascontiguousarray(direction.T) @ solid.pose.turn.astype(np.float32)
    return _columns(solid.pose.own(rows)), _columns(turned)


def _window(solid: Solid, camera: Camera) -> tuple[int, int, int, int]:
    """Return the part of the photo in which a body can stand: first and last column and row (exclusive)."""
    a = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    mx, my = solid.field.middle_mm
    r = solid.field.reach_mm * 1.03
    ring = np.stack([mx + r * np.cos(a), my + r * np.sin(a)], axis=1)
    points = np.concatenate([np.column_stack([ring, np.full(len(ring), z)]) for z in (solid.top_mm, solid.bottom_mm)])
    px = camera.project(solid.pose.world(points))
    low, high = np.floor(px.min(axis=0) - 3), np.ceil(px.max(axis=0) + 4)
    return (
        int(np.clip(low[0], 0, camera.width_px)),
        int(np.clip(high[0], 0, camera.width_px)),
        int(np.clip(low[1], 0, camera.height_px)),
        int(np.clip(high[1], 0, camera.height_px)),
    )


def first_hits(setting: Setting, camera: Camera, px: Floats, directions: Singles) -> Hits:
    """Return what each ray from the lens meets first.

    Parameters
    ----------
    px
        (n, 2) where the rays pass the photo: bodies are only tried inside their own window.
    directions
        (n, 3) from `Camera.rays`.
    """
    n = len(directions)
    lens = camera.place_mm.astype(np.float32)
    direction = _columns(directions)
    down = direction[2] < -1e-6
    depth = np.where(
        down, (np.float32(setting.ground_mm) - lens[2]) / np.where(down, direction[2], -1), np.float32(np.inf)
    ).astype(np.float32)
    body = np.where(down, -1, -2).astype(np.int16)
    wall, bevel = np.zeros(n, bool), np.zeros(n, bool)
    column, row = px.T.astype(np.float32)
    for k, solid in enumerate(setting.solids):
        x0, x1, y0, y1 = _window(solid, camera)
        tried = np.flatnonzero((column >= x0) & (column < x1) & (row >= y0) & (row < y1))
        if len(tried) == 0:
            continue
        known = depth[tried]
        t, side, slant = march(solid, *_in_frame(solid, lens[:, None], direction[:, tried]), until=known)
        nearer = np.flatnonzero(t < known)
        at = tried[nearer]
        depth[at], body[at], wall[at], bevel[at] = t[nearer], k, side[nearer], slant[nearer]
    return Hits(body=body, wall=wall, bevel=bevel, depth=depth)


def _blocked(setting: Setting, points: Singles, directions: Singles, each: int) -> Bools:
    """Which of the rays (columns; each point has ``each`` of them in a row) meet a body."""
    out = np.zeros(directions.shape[1], bool)
    for solid in setting.solids:
        top = solid.pose.world(np.array([*solid.field.middle_mm, solid.top_mm]))
        thick = solid.top_mm - solid.bottom_mm
        rise = np.float32(top[2]) - points[2]
        if not solid.pose.upright:
            rise = rise + np.float32(solid.field.reach_mm * math.sqrt(max(0.0, 1 - solid.pose.turn[2, 2] ** 2)))
        apart = length_of(points[0] - np.float32(top[0]), points[1] - np.float32(top[1]))
        # beyond three times its height a body is only seen low over the horizon
        near = (rise > 0.01) & (apart < solid.field.reach_mm + 3.0 * np.maximum(rise, 0) + np.float32(thick))
        rays = np.flatnonzero(np.repeat(near, each) & ~out)
        if len(rays) == 0:
            continue
        origin, direction = _in_frame(solid, points[:, rays // each], directions[:, rays])
        t, _, _ = march(solid, origin, direction, first=0.01, rough=True)
        out[rays[np.isfinite(t)]] = True
    return out


def light_reaching(
    setting: Setting, points: Singles, normals: Singles, rng: np.random.Generator, *, lamp_rays: int, sky_rays: int
) -> tuple[Singles, Singles]:
    """Share of the lamp seen, and the light of the sky collected (1 under an open sky), at n points.

    Parameters
    ----------
    points, normals
        (n, 3) in the world.
    rng
        For the places on the lamp and the directions of the sky that are tried.
    """
    n = len(points)
    normal = _columns(normals)
    start = _columns(points) + np.float32(0.02) * normal
    light: Light = setting.light
    lamp = np.array(light.place_mm, np.float32)
    towards = np.repeat(lamp[:, None] - start, lamp_rays, axis=1)
    towards += _columns(rng.normal(0, light.radius_mm / 1.7, (n * lamp_rays, 3)))
    towards /= np.sqrt(np.einsum("ij,ij->j", towards, towards))
    seen = ~_blocked(setting, start, towards, lamp_rays)
    lamp_share = seen.reshape(n, lamp_rays).mean(axis=1, dtype=np.float32)

    u = (rng.random((n, sky_rays)) + np.arange(sky_rays)) / sky_rays  # stratified in the polar angle
    a = 2 * np.pi * rng.random((n, sky_rays))
    s, up = np.sqrt(u), np.sqrt(1 - u)
    nx, ny, nz = normal
    level = np.abs(nz) < 0.9  # a side that is not along the normal: from the vertical, or from the world's x
    side = np.where(level, [-ny, nx, 0 * nz], [0 * nx, -nz, ny])
    side /= np.sqrt(np.einsum("ij,ij->j", side, side))
    other = np.cross(normal, side, axis=0)
    along, across = s * np.cos(a), s * np.sin(a)
    out = np.stack([along * side[i, :, None] + across * other[i, :, None] + up * normal[i, :, None] for i in range(3)])
    flat = out.reshape(3, -1).astype(np.float32)
    met = _blocked(setting, start, flat, sky_rays)
    # a blocked ray sees a body in half light; one that goes down sees the ground: one bounce, guessed
    ground = np.float32(0.55 * setting.ground_tone)
    bright = np.where(met, np.float32(0.16), np.where(flat[2] < 0, ground, 0.75 + 0.5 * np.abs(flat[2])))
    return lamp_share, bright.reshape(n, sky_rays).mean(axis=1)
