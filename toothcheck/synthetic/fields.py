"""Signed distances in a body's plane: negative in the metal, positive outside, mm.

A body of the scene is such a field between two heights.  The field of a wheel is exact near its outline: distances
to the polygon's own segments, on a grid in polar coordinates (a square grid fine enough for a 240 mm wheel would not
fit into memory).  Away from the outline it is only a safe lower bound, which is all that sphere tracing needs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toothcheck.geometry import Floats

Singles = NDArray[np.float32]


class Field(Protocol):
    """A signed distance in the plane."""

    @property
    def middle_mm(self) -> tuple[float, float]:
        """Centre of a circle round all metal."""
        ...

    @property
    def reach_mm(self) -> float:
        """Radius of that circle."""
        ...

    def at(self, x: Singles, y: Singles) -> Singles:
        """Signed distances at points; all of shape (n,), mm."""
        ...


def length_of(x: Singles, y: Singles) -> Singles:
    """Length of vectors in the plane: to the last bit as `numpy.hypot` has it, but vectorised.

    To the last bit, because one pixel more or less on a border shifts all that is drawn by lot after it.
    """
    squares, more = x.astype(np.float64), y.astype(np.float64)
    squares *= squares
    more *= more
    squares += more
    return np.sqrt(squares, out=squares).astype(np.float32)


def look_up(grid: Singles, column: Singles, row: Singles, *, border: int = cv2.BORDER_REPLICATE) -> Singles:
    """Linear interpolation in a grid at (column, row), all of shape (n,), as OpenCV continues it past its border."""
    out = np.empty(len(column), np.float32)
    width = 4096  # OpenCV limits both sides of a map to 32767
    whole = len(column) // width * width
    for part, shape in ((slice(whole), (-1, width)), (slice(whole, None), (1, -1))):
        if len(out[part]):
            u, v = column[part].reshape(shape), row[part].reshape(shape)
            cv2.remap(grid, u, v, cv2.INTER_LINEAR, dst=out[part].reshape(shape), borderMode=border)
    return out


def distance_to_polygon(points: Floats, polygon: Floats) -> Floats:
    """Exact signed distance (negative inside) to a closed counterclockwise polygon of short segments.

    Only right for points that lie within a few segment lengths of the outline or nearer to a vertex than the outline
    bends: the nearest vertex decides which two segments are tried.
    """
    _, nearest = cKDTree(polygon).query(points)
    n = len(polygon)
    following = np.roll(polygon, -1, axis=0) - polygon
    length = np.maximum(np.hypot(*following.T), 1e-9)
    normal = np.stack([following[:, 1], -following[:, 0]], axis=1) / length[:, None]
    best = np.full(len(points), np.inf)
    signed = np.zeros(len(points))
    for segment in (nearest, (nearest - 1) % n):
        a, d = polygon[segment], following[segment]
        t = np.clip(np.einsum("ij,ij->i", points - a, d) / length[segment] ** 2, 0, 1)
        off = points - a - t[:, None] * d
        size = np.hypot(off[:, 0], off[:, 1])
        # at a vertex the side is told by the mean of the two normals, along a segment by its own
        other = np.where(t <= 0, (segment - 1) % n, np.where(t >= 1, (segment + 1) % n, segment))
        side = np.einsum("ij,ij->i", off, normal[segment] + normal[other])
        better = size < best
        best = np.where(better, size, best)
        signed = np.where(better, np.where(side >= 0, size, -size), signed)
    return signed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WheelField:
    """A wheel's outline with round holes in it."""

    grid: Singles
    inner_mm: float
    step_mm: float
    per_radian: float
    tip_mm: float
    holes: Floats
    """(k, 3): centre and radius."""
    middle_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def reach_mm(self) -> float:
        """Radius of the tips."""
        return self.tip_mm + 0.01

    def outline_at(self, x: Singles, y: Singles) -> Singles:
        """As ``at`` without the holes."""
        r = length_of(x, y)
        inner, outer = np.float32(self.inner_mm), np.float32(self.tip_mm + 1)
        # only the teeth are worth the arc tangent and the grid: below and beyond them a bound is enough
        d = np.where(r > outer, r - np.float32(self.tip_mm + 0.2), (r - inner) * np.float32(0.5) - 1)
        rim = np.flatnonzero((r >= inner) & (r <= outer))
        turn = np.arctan2(y[rim], x[rim])
        turn = np.where(turn < 0, turn + np.float32(2 * np.pi), turn)
        row = (r[rim] - inner) / np.float32(self.step_mm)
        d[rim] = look_up(self.grid, turn * np.float32(self.per_radian) + 1, row)
        return d

    def at(self, x: Singles, y: Singles) -> Singles:
        """Signed distances at points; all of shape (n,), mm."""
        d = self.outline_at(x, y)
        for cx, cy, radius in self.holes:
            d = np.maximum(d, np.float32(radius) - length_of(x - np.float32(cx), y - np.float32(cy)))
        return d


def wheel_field(outline_mm: Floats, holes: Floats | None = None, *, step_mm: float = 0.04) -> WheelField:
    """Return the field of a closed, counterclockwise outline about the origin.

    Parameters
    ----------
    outline_mm
        (n, 2), a vertex every 0.05 mm or closer.
    holes
        (k, 3) of x, y, radius.
    step_mm
        Grid step, radially and along the circle of the tips.
    """
    r = np.hypot(*outline_mm.T)
    inner, tip = float(r.min()) - 2.0, float(r.max())
    rows = math.ceil((tip + 1.5 - inner) / step_mm)
    columns = math.ceil(2 * np.pi * tip / step_mm)
    per_radian = columns / (2 * np.pi)
    # a rough mask and distance in the unrolled grid: only good away from the outline, there a bound is enough
    px = np.stack([np.arctan2(outline_mm[:, 1], outline_mm[:, 0]) * per_radian, (r - inner) / step_mm], axis=1)
    px[:, 0] -= px[0, 0]
    px[:, 0] = (px[:, 0] + columns / 2) % columns - columns / 2
    px[:, 0] = np.unwrap(px[:, 0], period=columns)
    start = math.atan2(outline_mm[0, 1], outline_mm[0, 0]) * per_radian
    closed = np.concatenate([[[px[0, 0], -9.0]], px, [[px[0, 0] + columns, px[0, 1]], [px[0, 0] + columns, -9.0]]])
    mask = np.zeros((rows, columns), np.uint8)
    for shift in (-columns, 0, columns):
        moved = closed + np.array([start + shift, 0.0])
        cv2.fillPoly(mask, [np.round(moved * 16).astype(np.int32)], 1, shift=4)
    wide = np.concatenate([mask[:, -200:], mask, mask[:, :200]], axis=1)
    out = cv2.distanceTransform(1 - wide, cv2.DIST_L2, 5) - cv2.distanceTransform(wide, cv2.DIST_L2, 5)
    rough = out[:, 200:-200]
    cell = min(step_mm, inner / per_radian)
    grid = np.asarray(rough * np.float32(0.9 * cell), dtype=np.float32)
    near = np.abs(rough) < 9
    row, column = np.nonzero(near)
    radius, angle = inner + row * step_mm, column / per_radian
    points = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
    grid[near] = distance_to_polygon(points, outline_mm)
    grid = np.concatenate([grid[:, -1:], grid, grid[:, :2]], axis=1)
    return WheelField(
        grid=grid,
        inner_mm=inner,
        step_mm=step_mm,
        per_radian=per_radian,
        tip_mm=tip,
        holes=np.zeros((0, 3)) if holes is None else np.asarray(holes, dtype=float),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridField:
    """Any field sampled on a square grid; linear in between."""

    grid: Singles
    left_mm: float
    low_mm: float
    step_mm: float

    @property
    def middle_mm(self) -> tuple[float, float]:
        """Centre of the grid."""
        h, w = self.grid.shape
        return self.left_mm + w * self.step_mm / 2, self.low_mm + h * self.step_mm / 2

    @property
    def reach_mm(self) -> float:
        """Half the diagonal."""
        h, w = self.grid.shape
        return math.hypot(h, w) * self.step_mm / 2

    def at(self, x: Singles, y: Singles) -> Singles:
        """Signed distances at points; all of shape (n,), mm."""
        step = np.float32(self.step_mm)
        column, row = (x - np.float32(self.left_mm)) / step, (y - np.float32(self.low_mm)) / step
        d = look_up(self.grid, column, row)
        h, w = self.grid.shape
        out = np.flatnonzero((column < 0) | (column > w - 1) | (row < 0) | (row > h - 1))
        column, row = column[out], row[out]
        outside = length_of(
            np.maximum(np.maximum(-column, column - (w - 1)), 0), np.maximum(np.maximum(-row, row - (h - 1)), 0)
        )
        d[out] = np.maximum(d[out], np.float32(0.05)) + outside * step * np.float32(0.7)
        return d


def polygon_field(polygon: Floats, *, step_mm: float = 0.05, margin_mm: float = 1.0) -> GridField:
    """Return the field of a small counterclockwise polygon with a vertex every 0.05 mm or closer."""
    low, high = polygon.min(axis=0) - margin_mm, polygon.max(axis=0) + margin_mm
    xs, ys = np.arange(low[0], high[0], step_mm), np.arange(low[1], high[1], step_mm)
    grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
    # the nearest vertex decides: right as long as the segments are short against the distance or against the bends
    d = distance_to_polygon(grid, polygon).reshape(len(ys), len(xs)).astype(np.float32)
    return GridField(grid=d, left_mm=float(low[0]), low_mm=float(low[1]), step_mm=step_mm)


def link_field(
    pins_mm: Floats, links: list[tuple[int, int]], radius_mm: float, waist_mm: float, *, step_mm: float = 0.1
) -> GridField:
    """Link plates from pin to pin: discs of ``radius_mm`` joined by a bar of half width ``waist_mm``.

    Parameters
    ----------
    pins_mm
        (n, 2) in the body's plane.
    links
        Which pins each plate joins; a pin joined with itself is a disc (a roller, a pin's head).
    """
    used = np.array(sorted({i for link in links for i in link}))
    low = pins_mm[used].min(axis=0) - radius_mm - 1.0
    high = pins_mm[used].max(axis=0) + radius_mm + 1.0
    columns, rows = np.ceil((high - low) / step_mm).astype(int) + 1
    grid = np.full((rows, columns), 0.9, np.float32)
    for i, j in links:
        a, b = pins_mm[i], pins_mm[j]
        lo = np.maximum(((np.minimum(a, b) - radius_mm - 0.9 - low) / step_mm).astype(int), 0)
        hi = np.minimum(((np.maximum(a, b) + radius_mm + 0.9 - low) / step_mm).astype(int) + 1, [columns, rows])
        x, y = np.meshgrid(low[0] + step_mm * np.arange(lo[0], hi[0]), low[1] + step_mm * np.arange(lo[1], hi[1]))
        d = np.minimum(np.hypot(x - a[0], y - a[1]), np.hypot(x - b[0], y - b[1])) - radius_mm
        if i != j:
            along = (b - a) / np.hypot(*(b - a))
            u = (x - a[0]) * along[0] + (y - a[1]) * along[1]
            v = np.abs(-(x - a[0]) * along[1] + (y - a[1]) * along[0])
            bar = np.maximum(v - waist_mm, np.maximum(-u, u - float(np.hypot(*(b - a)))))
            d = np.minimum(d, bar)
        window = grid[lo[1] : hi[1], lo[0] : hi[0]]
        np.minimum(window, d.astype(np.float32), out=window)
    return GridField(grid=grid, left_mm=float(low[0]), low_mm=float(low[1]), step_mm=step_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rounded rectangle."""

    middle_mm: tuple[float, float]
    size_mm: tuple[float, float]
    turn: float = 0.0
    corner_mm: float = 0.0

    @property
    def reach_mm(self) -> float:
        """Half the diagonal."""
        return math.hypot(*self.size_mm) / 2

    def at(self, x: Singles, y: Singles) -> Singles:
        """Signed distances at points; all of shape (n,), mm."""
        c, s = math.cos(self.turn), math.sin(self.turn)
        dx, dy = x - np.float32(self.middle_mm[0]), y - np.float32(self.middle_mm[1])
        u = np.abs(c * dx + s * dy) - np.float32(self.size_mm[0] / 2 - self.corner_mm)
        v = np.abs(-s * dx + c * dy) - np.float32(self.size_mm[1] / 2 - self.corner_mm)
        outside = length_of(np.maximum(u, 0), np.maximum(v, 0))
        d = outside + np.minimum(np.maximum(u, v), 0) - np.float32(self.corner_mm)
        return np.asarray(d, dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """A disc, with a hole if ``hole_mm`` is given."""

    middle_mm: tuple[float, float]
    radius_mm: float
    hole_mm: float = 0.0

    @property
    def reach_mm(self) -> float:
        """Its radius."""
        return self.radius_mm

    def at(self, x: Singles, y: Singles) -> Singles:
        """Signed distances at points; all of shape (n,), mm."""
        r = length_of(x - np.float32(self.middle_mm[0]), y - np.float32(self.middle_mm[1]))
        return np.asarray(np.maximum(r - np.float32(self.radius_mm), np.float32(self.hole_mm) - r), dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hexagon:
    """A nut's outline: across flats, and the turn of one flat's normal."""

    middle_mm: tuple[float, float]
    flats_mm: float
    turn: float = 0.0

    @property
    def reach_mm(self) -> float:
        """Radius of the corners."""
        return self.flats_mm / math.sqrt(3)

    def at(self, x: Singles, y: Singles) -> Singles:
        """Signed distances at points (a bound outside the corners); all of shape (n,), mm."""
        dx, dy = x - np.float32(self.middle_mm[0]), y - np.float32(self.middle_mm[1])
        d = np.full(len(x), -np.inf, np.float32)
        for k in range(3):
            a = self.turn + k * math.pi / 3
            d = np.maximum(d, np.abs(math.cos(a) * dx + math.sin(a) * dy))
        chamfer = length_of(dx, dy) - np.float32(self.flats_mm * 0.56)
        return np.asarray(np.maximum(d - np.float32(self.flats_mm / 2), chamfer), dtype=np.float32)
