"""Where the lines of gradients meet: bore, hub, seats and tips are concentric, whatever their number and size."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.feature import peak_local_max

from toothcheck.geometry import Floats

_AT_ONCE = 1000
"""Lines that vote at once: as many as stay in a processor's cache, three times as quick as all."""
_NEAR_MM, _APART_MM = 1.5, 8.0
"""How nearly lines meet, and how far apart two meeting places are; also the surroundings that one stands out from."""


def meeting_places(
    at: tuple[NDArray[np.intp], NDArray[np.intp]],
    along: tuple[Floats, Floats],
    reach_mm: tuple[float, float],
    shape: tuple[int, int],
    cell_mm: float,
    *,
    count: int,
    least_share: float = 0.0,
) -> NDArray[np.intp]:
    """Cells (n, 2), row and column, where lines meet far more often than round about; most often first.

    Parameters
    ----------
    at
        Rows and columns (m,) of cells with a gradient.
    along
        The gradients' directions (m,): rows and columns of unit vectors.
    reach_mm
        Of the smallest and the largest circle.
    shape
        Rows and columns of cells.
    count
        How many at most.
    least_share
        Of the best place's votes that another must have.
    """
    (i, j), (di, dj), (rows, columns) = at, along, shape
    distance = np.arange(reach_mm[0] / cell_mm, reach_mm[1] / cell_mm, 1.0)
    distance = np.concatenate([-distance, distance])
    votes = np.zeros(rows * columns)
    for some in np.split(np.arange(len(i)), range(_AT_ONCE, len(i), _AT_ONCE)):
        x = np.rint(j[some, None] + distance * dj[some, None]).astype(np.int32)
        y = np.rint(i[some, None] + distance * di[some, None]).astype(np.int32)
        inside = (x >= 0) & (y >= 0) & (x < columns) & (y < rows)
        votes += np.bincount((y * columns + x)[inside], minlength=rows * columns)
    # lines cross anywhere; in a middle they cross far above its surroundings
    heat = votes.reshape(shape).astype(np.float32)
    heat = cv2.GaussianBlur(heat, (0, 0), _NEAR_MM / cell_mm) - cv2.GaussianBlur(heat, (0, 0), _APART_MM / cell_mm)
    found: NDArray[np.intp] = peak_local_max(
        heat, min_distance=max(2, int(_APART_MM / cell_mm)), threshold_abs=least_share * float(heat.max()),
        exclude_border=False, num_peaks=count,
    )  # fmt: skip
    return found
