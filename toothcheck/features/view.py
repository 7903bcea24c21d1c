"""The part of a photo round a sprocket, with the plane it is read on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothcheck.edges import sample
from toothcheck.geometry import Floats
from toothcheck.photo import linear_light
from toothcheck.pose import PlanePose


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """The part of a photo round a sprocket, and its plane."""

    light: NDArray[np.float32]
    plane: PlanePose
    thickness_mm: float
    left: int
    top: int

    def at(self, points: Floats, height: float = 0.0) -> Floats:
        """Light at plane points (…, 2)."""
        px = self.plane.project(points.reshape(-1, 2), height)
        x, y = px[:, 0] - self.left, px[:, 1] - self.top
        columns = points.shape[-2]
        values = sample(self.light, x.reshape(-1, columns), y.reshape(-1, columns))
        return np.asarray(values.reshape(points.shape[:-1]), dtype=np.float64)


def view_round(grey: NDArray[np.uint8], plane: PlanePose, radius: float, thickness_mm: float = 6.0) -> View:
    """The part of a photo within a radius (mm) of the plane's origin."""
    left, top, right, bottom = frame_of(plane, radius * rays_of(48), 4, grey.shape)
    return View(
        light=linear_light(grey[top : max(bottom, top + 2), left : max(right, left + 2)]),
        plane=plane,
        thickness_mm=thickness_mm,
        left=left,
        top=top,
    )


def frame_of(plane: PlanePose, rim: Floats, margin: int, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    """Left, top, right and bottom of what a photo of that shape shows of a rim (n, 2) and some pixels about it."""
    px = plane.project(rim)
    left, top = np.maximum(np.floor(px.min(0)).astype(int) - margin, 0).tolist()
    right, bottom = np.minimum(np.ceil(px.max(0)).astype(int) + margin + 1, shape[1::-1]).tolist()
    return left, top, right, bottom


def rays_of(count: int) -> Floats:
    """Unit vectors (count, 2) all round."""
    return rays_at(np.linspace(0, 2 * math.pi, count, endpoint=False))


def rays_at(angles: Floats) -> Floats:
    """Unit vectors (n, 2) at angles, radians."""
    return np.stack([np.cos(angles), np.sin(angles)], axis=1)


ABOUT: Floats = np.array([[i, j] for i in (-1, 0, 1) for j in (-1, 0, 1)], dtype=np.float64)
"""(9, 2) a place and its eight neighbours, one apart: where a search steps to."""
