"""A camera and a plane before it.

Camera frame as in OpenCV: x right, y down, z away from the camera; pinhole, square pixels, one radial term k1 in
normalised coordinates (x' = x(1 + k1 r²)).  Neglected: k2 and tangential terms.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from toothcheck.geometry import Floats, readonly


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A pinhole with one radial term."""

    width_px: int
    height_px: int
    focal_px: float
    k1: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)
    """Of the principal point from the photo's middle: what was cut off a photo on one side more than on the other."""

    @property
    def middle_px(self) -> tuple[float, float]:
        """The principal point."""
        return (self.width_px - 1) / 2 + self.shift_px[0], (self.height_px - 1) / 2 + self.shift_px[1]

    def project(self, points: Floats) -> Floats:
        """Pixels (…, 2) of points (…, 3) in the camera's frame."""
        return self.project_axes(points[..., 0], points[..., 1], points[..., 2])

    def project_axes(self, right: Floats, down: Floats, away: Floats) -> Floats:
        """As `project`, of points whose three coordinates (…,) come apart."""
        x = right / away
        y = down / away
        stretch = self.focal_px * (1 + self.k1 * (x * x + y * y))
        cx, cy = self.middle_px
        return np.stack([x * stretch + cx, y * stretch + cy], axis=-1)

    def rays(self, pixels: Floats) -> Floats:
        """Directions (…, 3) with z = 1 of pixels (…, 2): the inverse of `project`, by fixed-point steps."""
        cx, cy = self.middle_px
        xd = (pixels[..., 0] - cx) / self.focal_px
        yd = (pixels[..., 1] - cy) / self.focal_px
        x, y = xd, yd
        for _ in range(8):
            stretch = 1 + self.k1 * (x * x + y * y)
            x, y = xd / stretch, yd / stretch
        return np.stack([x, y, np.ones_like(x)], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanePose:
    """A plane before the camera: its own frame has y up and z towards the camera (see `toothcheck.geometry`)."""

    camera: Camera
    camera_from_plane: Floats
    """(3, 3) rotation."""
    origin_mm: Floats
    """(3,) the plane's origin in the camera's frame."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "camera_from_plane", readonly(self.camera_from_plane))
        object.__setattr__(self, "origin_mm", readonly(self.origin_mm))

    def project(self, points_mm: Floats, height_mm: Floats | float = 0.0) -> Floats:
        """Pixels (…, 2) of plane points (…, 2) at a height over the plane, towards the camera."""
        x, y = points_mm[..., 0], points_mm[..., 1]
        # axis by axis: numpy is slow along a last axis of three
        right, down, away = (
            x * r[0] + y * r[1] + height_mm * r[2] + o
            for r, o in zip(self.camera_from_plane, self.origin_mm, strict=True)
        )
        return self.camera.project_axes(right, down, away)

    def on_plane(self, pixels: Floats, height_mm: float = 0.0) -> Floats:
        """Plane points (…, 2) in mm that are seen at pixels (…, 2)."""
        return self.met_by(self.camera.rays(pixels), height_mm)

    def met_by(self, rays: Floats, height_mm: Floats | float = 0.0) -> Floats:
        """Plane points (…, 2) in mm where rays (…, 3) of the camera meet the plane at heights (…,) over it."""
        normal = self.camera_from_plane[:, 2]
        reach = (self.origin_mm @ normal + height_mm) / (rays @ normal)
        local = (rays * reach[..., None] - self.origin_mm) @ self.camera_from_plane
        return np.asarray(local[..., :2])

    def moved(
        self,
        *,
        centre_mm: Floats | None = None,
        height_mm: float = 0.0,
        tilt: Floats | None = None,
        pivot_mm: Floats | None = None,
    ) -> PlanePose:
        """The plane raised and tilted about a pivot, its origin then moved within it.

        Parameters
        ----------
        centre_mm
            (2,) new origin, in this plane's coordinates.
        height_mm
            Along +z, towards the camera.
        tilt
            (2,) small rotation vector about the plane's x and y axes, radians.
        pivot_mm
            (2,) what stays where it is when the plane tilts; the origin when not given.
        """
        r = self.camera_from_plane
        turned = r
        if tilt is not None:
            turned = r @ cv2.Rodrigues(np.array([tilt[0], tilt[1], 0.0]))[0]
        pivot = np.zeros(3)
        if pivot_mm is not None:
            pivot[:2] = pivot_mm
        reach = -pivot
        if centre_mm is not None:
            reach[:2] += centre_mm
        origin = self.origin_mm + r @ (np.array([pivot[0], pivot[1], height_mm])) + turned @ reach
        return replace(self, camera_from_plane=turned, origin_mm=origin)

    def camera_in_plane(self) -> Floats:
        """(3,) the camera's centre in the plane's frame, mm."""
        return np.asarray(-self.camera_from_plane.T @ self.origin_mm)

    @property
    def tilt_deg(self) -> float:
        """Angle between the plane's normal and the line from its origin to the camera, degrees."""
        c = self.camera_in_plane()
        return float(np.degrees(np.arctan2(np.hypot(c[0], c[1]), c[2])))

    @property
    def px_per_mm(self) -> float:
        """Scale at the plane's origin, geometric mean over directions."""
        step = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        p = self.project(step)
        return float(np.sqrt(abs(np.linalg.det(np.stack([p[1] - p[0], p[2] - p[0]])))))
