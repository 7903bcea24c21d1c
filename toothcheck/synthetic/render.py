"""From a setting to light on the sensor: every pixel once, every pixel on an edge many times.

The sub-pixel places are a Fibonacci lattice shifted at random in each pixel: 21 different columns and 21 different
rows, so that an edge along a row or a column is placed to a 42nd of a pixel and not to an eighth, as a 4 × 4 grid
would.  Soft shadows are sampled on every fourth pixel and spread within the same surface only; on edges and side walls
they are sampled where they are needed.
"""

from __future__ import annotations

import cv2
import numpy as np

from toothcheck.geometry import Floats
from toothcheck.synthetic.camera import Camera
from toothcheck.synthetic.fields import Singles, look_up
from toothcheck.synthetic.scenery import Bools, CardFace, Look, Setting
from toothcheck.synthetic.tracing import Hits, first_hits, light_reaching

SUB = 21
"""Rays in a pixel on an edge of the sprocket or the card."""
SUB_ELSEWHERE = 5
"""Rays in a pixel on any other edge: nothing is measured there."""
STRIDE = 4
"""Soft shadows are sampled on every so many pixels each way."""
CHUNK = 400_000
BLOCK = 16_384
"""Pixels worked on at once where nothing is drawn by lot: what is known of them fits into the processor's cache."""
MEASURED = ("sprocket", "bent tooth", "card")


def _surface(
    setting: Setting, camera: Camera, directions: Singles, hits: Hits, cover: Singles | None
) -> tuple[Singles, Singles, Look, Singles]:
    """World points and normals of hits, how they reflect, and the brushing as a direction in the world."""
    n = len(directions)
    points = (camera.place_mm.astype(np.float32) + directions * hits.depth[:, None]).astype(np.float32)
    normals = np.zeros((n, 3), np.float32)
    normals[:, 2] = 1
    matt, shine = np.zeros((n, 3), np.float32), np.zeros((n, 3), np.float32)
    along, across = np.ones(n, np.float32), np.ones(n, np.float32)
    brush = np.zeros((n, 3), np.float32)
    brush[:, 0] = 1
    for k in np.unique(hits.body):
        at = np.flatnonzero(hits.body == k)
        if k == -2:
            matt[at] = 0.6  # past the ground's horizon
            continue
        if k == -1:
            skin, turn, own = setting.ground, np.eye(3, dtype=np.float32), points[at]
            side = slant = np.zeros(len(at), bool)
        else:
            solid = setting.solids[k]
            skin, turn = solid.skin, solid.pose.turn.astype(np.float32)
            own = points[at] if solid.pose.upright else solid.pose.own(points[at])
            side, slant = hits.wall[at], hits.bevel[at]
        x, y = own[:, 0], own[:, 1]
        if isinstance(skin, CardFace) and cover is not None:
            look = skin.look_with(x, y, cover[at])
        else:
            look = skin.look(x, y, own[:, 2], side)
        normal = np.zeros((len(at), 3), np.float32)
        normal[:, 2] = 1
        normal[:, :2] += look.lean
        if side.any():
            field, e = setting.solids[k].field, np.float32(0.03)
            gx = field.at(x[side] + e, y[side]) - field.at(x[side] - e, y[side])
            gy = field.at(x[side], y[side] + e) - field.at(x[side], y[side] - e)
            normal[side] = np.stack([gx, gy, np.zeros_like(gx)], axis=1)
        if slant.any():
            solid, e = setting.solids[k], np.float32(0.05)
            xs, ys = x[slant], y[slant]
            normal[slant, 0] = (solid.drop(xs + e, ys) - solid.drop(xs - e, ys)) / (2 * e)
            normal[slant, 1] = (solid.drop(xs, ys + e) - solid.drop(xs, ys - e)) / (2 * e)
        normal /= np.maximum(_lengths(normal), 1e-6)[:, None]
        normals[at] = normal @ turn.T
        matt[at], shine[at], along[at], across[at] = look.matt, look.shine, look.along, look.across
        tangent = np.concatenate([look.brush, np.zeros((len(at), 1), np.float32)], axis=1)
        tangent[side] = [0, 0, 1]  # a cut flank is marked along the thickness
        brush[at] = tangent @ turn.T
    return (
        points,
        normals,
        Look(matt=matt, shine=shine, along=along, across=across, brush=brush[:, :2], lean=np.zeros((n, 2), np.float32)),
        brush,
    )


def _lengths(vectors: Singles) -> Singles:
    """Lengths of (n, 3) vectors: several times as fast as `numpy.linalg.norm` along an axis."""
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", vectors, vectors)))


def _shine(half: Singles, normals: Singles, brush: Singles, look: Look) -> Singles:
    """Return an anisotropic Gaussian lobe about the normal, as a density of slopes."""
    up = np.maximum(np.einsum("ij,ij->i", half, normals), 0.05)
    tangent = brush - np.einsum("ij,ij->i", brush, normals)[:, None] * normals
    tangent /= np.maximum(_lengths(tangent), 1e-4)[:, None]
    other = np.cross(normals, tangent)
    s = np.einsum("ij,ij->i", half, tangent) / up / look.along
    t = np.einsum("ij,ij->i", half, other) / up / look.across
    return np.asarray(np.exp(-(s**2 + t**2)) / (np.pi * look.along * look.across), dtype=np.float32)


def _radiance(
    setting: Setting, directions: Singles, points: Singles, normals: Singles, look: Look, brush: Singles,
    lamp_share: Singles, sky_light: Singles,
) -> Singles:  # fmt: skip
    light = setting.light
    lamp = np.array(light.place_mm, np.float32)
    towards = lamp - points
    distance = _lengths(towards)
    towards = towards / distance[:, None]
    view = -directions / _lengths(directions)[:, None]
    falling = np.maximum(np.einsum("ij,ij->i", towards, normals), 0) * lamp_share
    falling = falling * (np.float32(np.linalg.norm(lamp)) / distance) ** 2
    key, sky = np.array(light.key, np.float32), np.array(light.sky, np.float32)
    out = look.matt * (falling[:, None] * key + sky_light[:, None] * sky)
    if float(look.shine.max(initial=0)) > 0:
        half = towards + view
        half /= _lengths(half)[:, None]
        lobe = _shine(half, normals, brush, look) * falling
        out = out + look.shine * (0.20 * np.minimum(lobe, 8))[:, None] * key
        # what polished metal mirrors: a dull sky, brighter overhead, with a few windows
        mirrored = 2 * np.einsum("ij,ij->i", view, normals)[:, None] * normals - view
        glow = 0.22 + 0.40 * np.maximum(mirrored[:, 2], 0)
        for wx, wy, wz, width, strength in light.windows:
            facing = mirrored @ np.array([wx, wy, wz], np.float32)
            blur = width + look.across
            glow = glow + 0.6 * strength * np.exp(-(np.maximum(0, 1 - facing)) / (blur**2))
        out = out + look.shine * (glow * np.minimum(sky_light, 1.2))[:, None] * sky
    return np.asarray(out, dtype=np.float32)


def _labels(setting: Setting, camera: Camera, directions: Singles, hits: Hits) -> tuple[np.ndarray, Bools]:
    """Return a number for each surface, and where ink stands, (n,)."""
    label = (hits.body.astype(np.int32) + 2) * 4 + hits.wall + 2 * hits.bevel
    ink = np.zeros(len(label), bool)
    for k, solid in enumerate(setting.solids):
        if isinstance(solid.skin, CardFace):
            at = np.flatnonzero((hits.body == k) & ~hits.wall)
            points = camera.place_mm.astype(np.float32) + directions[at] * hits.depth[at, None]
            own = solid.pose.own(points)
            ink[at] = solid.skin.inked(own[:, 0], own[:, 1])
    return label, ink


def _differs(image: np.ndarray) -> Bools:
    small = image.astype(np.float32)
    kernel = np.ones((3, 3), np.uint8)
    return np.asarray(cv2.dilate(small, kernel) != cv2.erode(small, kernel))


def _sub_pixels(px: Floats, rng: np.random.Generator, count: int = SUB) -> Floats:
    """(n·count, 2) places in the pixels at ``px``."""
    i = np.arange(count)
    step = {SUB: 8, SUB_ELSEWHERE: 2}[count]  # Fibonacci numbers: 8 of 21, 2 of 5
    lattice = np.stack([(i + 0.5) / count, ((i * step) % count + 0.5) / count], axis=1)
    shift = rng.random((len(px), 1, 2))
    return (px[:, None, :] + (lattice + shift) % 1.0 - 0.5).reshape(-1, 2)


def render(setting: Setting, camera: Camera, rng: np.random.Generator) -> Singles:
    """Return the light on every pixel, linear, shape (height, width, 3), red first; no blur and no noise yet."""
    h, w = camera.height_px, camera.width_px
    yy, xx = np.mgrid[0:h, 0:w]
    px = np.stack([xx.ravel(), yy.ravel()], axis=1).astype(np.float64)
    directions = np.empty((h * w, 3), np.float32)
    for start in range(0, h * w, BLOCK):
        directions[start : start + BLOCK] = camera.rays(px[start : start + BLOCK])
    hits = first_hits(setting, camera, px, directions)
    label, ink = _labels(setting, camera, directions, hits)
    edge = _differs(label.reshape(h, w)).ravel()
    printed = _differs(ink.reshape(h, w)).ravel() & ~edge

    # how much of each pixel on a border of ink is black: the plane of the card is known there
    cover = ink.astype(np.float32)
    for k, solid in enumerate(setting.solids):
        at = np.flatnonzero(printed & (hits.body == k))
        if len(at) == 0 or not isinstance(solid.skin, CardFace):
            continue
        rays = camera.rays(_sub_pixels(px[at], rng)).astype(np.float32) @ solid.pose.turn.astype(np.float32)
        lens = solid.pose.own(camera.place_mm.astype(np.float32)[None])[0]
        t = (np.float32(solid.top_mm) - lens[2]) / rays[:, 2]
        on = solid.skin.inked(lens[0] + rays[:, 0] * t, lens[1] + rays[:, 1] * t)
        cover[at] = on.reshape(-1, SUB).mean(axis=1)

    out = np.zeros((h * w, 3), np.float32)
    inner = np.flatnonzero(~edge)
    lamp_share, sky_light = _soft_light(setting, camera, px, directions, hits, label, edge, rng)
    for start in range(0, len(inner), CHUNK):
        at = inner[start : start + CHUNK]
        # by themselves, though they are looked at again below: lots are drawn here, and their order must not hang on
        # how many pixels are worked on at once
        direct = at[hits.wall[at] | hits.bevel[at]]
        if len(direct):
            points, normals, _, _ = _surface(setting, camera, directions[direct], hits.of(direct), cover[direct])
            lamp_share[direct], sky_light[direct] = light_reaching(
                setting, points, normals, rng, lamp_rays=4, sky_rays=6
            )
    for start in range(0, len(inner), BLOCK):
        at = inner[start : start + BLOCK]
        rays = directions[at]
        points, normals, look, brush = _surface(setting, camera, rays, hits.of(at), cover[at])
        out[at] = _radiance(setting, rays, points, normals, look, brush, lamp_share[at], sky_light[at])

    measured = [k for k, s in enumerate(setting.solids) if s.name in MEASURED]
    beside = cv2.dilate(np.isin(hits.body, measured).reshape(h, w).astype(np.uint8), np.ones((3, 3), np.uint8))
    fine = beside.ravel().astype(bool)
    for count, border in ((SUB, np.flatnonzero(edge & fine)), (SUB_ELSEWHERE, np.flatnonzero(edge & ~fine))):
        _draw_border(setting, camera, px, border, count, out, rng)
    return out.reshape(h, w, 3)


def _draw_border(
    setting: Setting, camera: Camera, px: Floats, border: np.ndarray, count: int, out: Singles,
    rng: np.random.Generator,
) -> None:  # fmt: skip
    """Fill in the pixels of ``border``, each from ``count`` rays."""
    for start in range(0, len(border), CHUNK // count):
        at = border[start : start + CHUNK // count]
        places = _sub_pixels(px[at], rng, count)
        rays = camera.rays(places).astype(np.float32)
        few = first_hits(setting, camera, places, rays)
        points, normals, look, brush = _surface(setting, camera, rays, few, None)
        lamp, sky = light_reaching(setting, points, normals, rng, lamp_rays=1, sky_rays=1)
        light = _radiance(setting, rays, points, normals, look, brush, lamp, sky)
        # each ray carries one draw of the shadow; what a pixel sees of it is their mean
        out[at] = light.reshape(len(at), count, 3).mean(axis=1)


def _soft_light(
    setting: Setting, camera: Camera, px: Floats, directions: Singles, hits: Hits, label: np.ndarray, edge: Bools,
    rng: np.random.Generator,
) -> tuple[Singles, Singles]:  # fmt: skip
    """Lamp and sky at every pixel, sampled sparsely and spread within each surface."""
    h, w = camera.height_px, camera.width_px
    rows, columns = np.arange(STRIDE // 2, h, STRIDE), np.arange(STRIDE // 2, w, STRIDE)
    some = (rows[:, None] * w + columns[None, :]).ravel()
    surface = np.where(edge[some], -9, label[some])
    lamp, sky = np.ones(len(some), np.float32), np.ones(len(some), np.float32)
    used = np.flatnonzero((surface >= 0) & ~hits.wall[some] & (hits.body[some] >= -1))
    for start in range(0, len(used), CHUNK // 8):
        at = used[start : start + CHUNK // 8]
        i = some[at]
        points = (camera.place_mm.astype(np.float32) + directions[i] * hits.depth[i, None]).astype(np.float32)
        normals = np.zeros((len(i), 3), np.float32)
        normals[:, 2] = 1
        lamp[at], sky[at] = light_reaching(setting, points, normals, rng, lamp_rays=8, sky_rays=8)
    shape = (len(rows), len(columns))
    lamp_all, sky_all = np.ones(h * w, np.float32), np.ones(h * w, np.float32)
    # the pixels of each surface in one go, instead of looking through the whole photo for each
    order = np.argsort(label.astype(np.int16), kind="stable")
    ends = np.cumsum(np.bincount(label))
    for k in np.unique(surface[surface >= 0]):
        at = order[ends[k - 1] if k else 0 : ends[k]]
        if hits.wall[at[0]]:  # a wall's label is its own
            continue
        mine = (surface == k).reshape(shape).astype(np.float32)
        row = ((at // w - rows[0]) / STRIDE).astype(np.float32)
        column = ((at % w - columns[0]) / STRIDE).astype(np.float32)
        narrow = cv2.GaussianBlur(mine, (0, 0), 0.9)
        wide = cv2.GaussianBlur(mine, (0, 0), 5.0)
        for values, into in ((lamp, lamp_all), (sky, sky_all)):
            v = values.reshape(shape) * mine
            near = cv2.GaussianBlur(v, (0, 0), 0.9) + 1e-3 * cv2.GaussianBlur(v, (0, 0), 5.0)
            spread = near / np.maximum(narrow + 1e-3 * wide, 1e-9)
            known = ((narrow + 1e-3 * wide) > 1e-7).astype(np.float32)
            spread = np.where(known > 0, spread, float(v.sum() / mine.sum())).astype(np.float32)
            into[at] = look_up(spread, column, row)
    return lamp_all, sky_all
