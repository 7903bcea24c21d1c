"""A pinhole camera with one term of radial distortion, standing over the sprocket's plane.

World: the sprocket's plane (`toothcheck.geometry`: x right, y up) with z towards the camera; z = 0 is the face.
Camera: x right, y down, z forwards.  Distortion as OpenCV defines k1: with (x, y) in units of the focal length,
distorted = undistorted · (1 + k1 r²).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.geometry import Floats, readonly


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """Where the camera stands and how it draws."""

    width_px: int
    height_px: int
    focal_px: float
    k1: float
    camera_from_world: Floats
    """(3, 3) rotation."""
    place_mm: Floats
    """(3,) the lens in the world."""

    @property
    def middle_px(self) -> tuple[float, float]:
        """The principal point: the middle of the photo, pixel centres at whole numbers."""
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    def project(self, points_mm: Floats) -> Floats:
        """World points (…, 3) to photo px (…, 2)."""
        seen = (np.asarray(points_mm, dtype=float) - self.place_mm) @ self.camera_from_world.T
        flat = seen[..., :2] / seen[..., 2:]
        bent = flat * (1 + self.k1 * np.sum(flat**2, axis=-1, keepdims=True))
        out: Floats = bent * self.focal_px + np.array(self.middle_px)
        return out

    def rays(self, px: Floats) -> Floats:
        """Photo px (…, 2) to directions in the world (…, 3), scaled so that their depth along the axis is 1."""
        bent = (np.asarray(px, dtype=float) - np.array(self.middle_px)) / self.focal_px
        # undistorted = share · bent, and so share (1 + q share²) = 1: Newton, whose error is squared by each round
        q = self.k1 * (bent[..., 0] ** 2 + bent[..., 1] ** 2)
        share = np.ones_like(q)
        for _ in range(6):
            bending = q * share**2
            change = (share * (1 + bending) - 1) / (1 + 3 * bending)
            share -= change
            if np.abs(change).max(initial=0) < 1e-9:
                break
        bent *= share[..., None]
        out: Floats = bent @ self.camera_from_world[:2] + self.camera_from_world[2]
        return out


def place_camera(
    *,
    size_px: tuple[int, int],
    focal_px: float,
    k1: float = 0.0,
    look_at_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    distance_mm: float,
    tilt_deg: float = 0.0,
    azimuth_deg: float = 0.0,
    roll_deg: float = 0.0,
) -> Camera:
    """Return a camera that looks at a point.

    Parameters
    ----------
    size_px
        Width and height.
    tilt_deg
        Angle between the optical axis and the face's normal.
    azimuth_deg
        Towards which side of the plane the camera has moved, counterclockwise from +x.
    roll_deg
        Turn about the optical axis; at 0 the photo's right is the plane's +x when tilt is 0.
    """
    tilt, azimuth = math.radians(tilt_deg), math.radians(azimuth_deg)
    back = np.array([math.sin(tilt) * math.cos(azimuth), math.sin(tilt) * math.sin(azimuth), math.cos(tilt)])
    # turn the square-on camera about the axis in the plane, so that a small tilt does not roll the photo
    axis = np.array([-math.sin(azimuth), math.cos(azimuth), 0.0])
    square_on = np.array([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]])
    k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
    turned = np.eye(3) + math.sin(tilt) * k + (1 - math.cos(tilt)) * (k @ k)  # takes +z to `back`
    roll = math.radians(roll_deg)
    c, s = math.cos(roll), math.sin(roll)
    rolled = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    return Camera(
        width_px=size_px[0],
        height_px=size_px[1],
        focal_px=focal_px,
        k1=k1,
        camera_from_world=readonly(rolled @ square_on @ turned.T),
        place_mm=readonly(np.array(look_at_mm) + distance_mm * back),
    )
