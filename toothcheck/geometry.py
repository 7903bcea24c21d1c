"""Coordinates, settled once, and the small plane geometry that several rooms share.

Photo
    (x, y) in px, pixel centres at whole numbers, x right, y down, origin at the centre of the top left pixel of the
    photo after its EXIF turn.
Sprocket's plane
    (x, y) in mm, origin at the sprocket's centre, seen from the camera's side, x right, **y up**.
    Angles are mathematical: counterclockwise positive, as seen in the photo.
    Teeth and gaps are counted counterclockwise; gap ``i`` lies half a pitch clockwise of tooth ``i``.
Tooth's frame (measures.md, section 2)
    origin at the sprocket's centre, +y along the tooth's ideal centre line, **+x towards the drive flank**
    (so it is a mirror image of the sprocket's plane when the drive flank is on the counterclockwise side).
Gap's frame
    origin at the sprocket's centre, +y along the gap's axis, x as in the tooth's frame.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


def readonly(array: object) -> Floats:
    """A read-only float copy, for arrays inside frozen dataclasses."""
    copy: Floats = np.array(array, dtype=np.float64)
    copy.flags.writeable = False
    return copy


def rotated(points: Floats, angle: float) -> Floats:
    """Points of shape (…, 2) turned counterclockwise by ``angle`` (radians) about the origin."""
    c, s = math.cos(angle), math.sin(angle)
    x, y = points[..., 0], points[..., 1]
    return np.stack([c * x - s * y, s * x + c * y], axis=-1)


def larger_beside(values: Floats) -> Floats:
    """Of values round a wheel (z, …) the larger of the two beside each; same shape and unit as given."""
    out: Floats = np.maximum(np.roll(values, 1, axis=0), np.roll(values, -1, axis=0))
    return out


def wrapped(angle: Floats, period: float) -> Floats:
    """Angles brought into [−period/2, period/2); same shape and unit as given."""
    out: Floats = (np.asarray(angle, dtype=np.float64) + 0.5 * period) % period - 0.5 * period
    return out
