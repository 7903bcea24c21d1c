"""Camera and plane: where the card stands before the camera, and where the sprocket's plane follows from it.

Camera frame as in OpenCV: x right, y down, z away from the camera; pinhole at the photo's middle, square pixels, one
radial term k1 in normalised coordinates (x' = x(1 + k1 r²)).  Neglected: a shifted principal point (a phone crops
symmetrically; 20 px of shift tilt a plane by less than a degree), k2 and tangential terms.

The focal length is a measured quantity with the EXIF value as prior, because one view square-on does not determine it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from toothcheck.cards.detect import CardSighting
from toothcheck.geometry import Floats, readonly

FOCAL_STD_EXIF = 0.03
"""Relative: a whole number of 35 mm millimetres, width or diagonal convention, and 1-3 % of focusing."""
FOCAL_STD_BLIND = 0.15
_FOCAL_BLIND_35MM = 27.0
_K1_STD = 0.04
_CORNER_STD_PX = 0.15
"""Honest for a card that is not perfectly flat, not what the fitted sides could give (0.02 px)."""
_INK_STD_PX = 0.4
"""How far ink spread and over-exposure may move all edges of all markers alike."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A pinhole with one radial term."""

    width_px: int
    height_px: int
    focal_px: float
    k1: float = 0.0

    def project(self, points: Floats) -> Floats:
        """Pixels (…, 2) of points (…, 3) in the camera's frame."""
        x = points[..., 0] / points[..., 2]
        y = points[..., 1] / points[..., 2]
        stretch = self.focal_px * (1 + self.k1 * (x * x + y * y))
        return np.stack([x * stretch + (self.width_px - 1) / 2, y * stretch + (self.height_px - 1) / 2], axis=-1)

    def rays(self, pixels: Floats) -> Floats:
        """Directions (…, 3) with z = 1 of pixels (…, 2): the inverse of `project`, by fixed-point steps."""
        xd = (pixels[..., 0] - (self.width_px - 1) / 2) / self.focal_px
        yd = (pixels[..., 1] - (self.height_px - 1) / 2) / self.focal_px
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
        r = self.camera_from_plane
        space = (
            points_mm[..., :1] * r[:, 0]
            + points_mm[..., 1:] * r[:, 1]
            + np.asarray(height_mm, dtype=np.float64)[..., None] * r[:, 2]
            + self.origin_mm
        )
        return self.camera.project(space)

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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardPose:
    """The card's plane with its uncertainty."""

    plane: PlanePose
    """Origin at the card's top left corner, x along its top edge, y **up** the card."""
    covariance: Floats
    """(8, 8) of rotation vector (rad, camera's axes), origin (mm), ln focal length, k1."""
    middle_mm: Floats
    """(2,) the card's middle, on its plane."""
    ink_px: float
    """How far every marker's edges stand outside their nominal place (ink spread, exposure), px."""
    rms_px: float
    """Root mean square distance of the corners from the fitted card."""
    markers: int
    bowed: bool
    """Whether the corners disagree with a plane by more than their blur explains."""

    def beside(self, card_height_mm: float, *, height_std_mm: float, lean_std: float) -> Callable[[Floats], PlanePose]:
        """The planes that a part may have when the card lies beside it.

        Parameters
        ----------
        card_height_mm
            Told height of the card's print over the part's plane, towards the camera.
        height_std_mm, lean_std
            Standard uncertainties of that height and of how parallel the card lies (radians about each axis).

        Returns
        -------
        Callable
            From (11,) standard normal values to a plane: eight for the card's pose and its lens, one for the height,
            two for the lean.  All 0 is the likeliest plane.  The height is told of the card's middle, so the plane
            leans about that: about a corner, a card that leans would change its height.
        """
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0))

        def plane_of(v: Floats) -> PlanePose:
            return self._moved(root @ v[:8]).moved(
                height_mm=-card_height_mm + height_std_mm * v[8], tilt=lean_std * v[9:11], pivot_mm=self.middle_mm
            )

        return plane_of

    def _moved(self, direction: Floats) -> PlanePose:
        """The plane moved by a parameter vector (8,), in the order of ``covariance``."""
        turn = cv2.Rodrigues(np.asarray(direction[:3], dtype=np.float64))[0]
        camera = replace(
            self.plane.camera,
            focal_px=self.plane.camera.focal_px * float(np.exp(direction[6])),
            k1=self.plane.camera.k1 + float(direction[7]),
        )
        return PlanePose(
            camera=camera,
            camera_from_plane=turn @ self.plane.camera_from_plane,
            origin_mm=self.plane.origin_mm + direction[3:6],
        )


def focal_prior(width_px: int, height_px: int, focal_35mm: float | None) -> tuple[float, float]:
    """Focal length in px and its relative standard uncertainty.

    The 35 mm equivalent is taken over the photo's longer side (36 mm); the diagonal convention differs by 4 % at 4:3,
    which the uncertainty covers.
    """
    long_side = max(width_px, height_px)
    if focal_35mm is None:
        return _FOCAL_BLIND_35MM / 36 * long_side, FOCAL_STD_BLIND
    return focal_35mm / 36 * long_side, FOCAL_STD_EXIF


def card_pose(sighting: CardSighting, grey: NDArray[np.uint8], focal_35mm: float | None) -> CardPose:
    """Pose of the card, focal length and k1, jointly, most probable given the priors (robust loss)."""
    height, width = grey.shape
    focal, focal_std = focal_prior(width, height, focal_35mm)
    mm = sighting.corners_mm.reshape(-1, 2)
    px = sighting.corners_px.reshape(-1, 2)
    flat = np.column_stack([mm[:, 0], -mm[:, 1], np.zeros(len(mm))])  # y up the card
    corner_std = max(_CORNER_STD_PX, 0.1 * sighting.blur_px)
    # one unknown for all edges: a marker may look larger or smaller than it was drawn, its middle stays
    outward = (sighting.corners_mm - sighting.corners_mm.mean(1, keepdims=True)).reshape(-1, 2)
    outward = np.sign(outward) * (1, -1)

    def plane_of(v: Floats) -> PlanePose:
        camera = Camera(width_px=width, height_px=height, focal_px=focal * float(np.exp(v[6])), k1=float(v[7]))
        return PlanePose(camera=camera, camera_from_plane=readonly(cv2.Rodrigues(v[:3])[0]), origin_mm=v[3:6])

    def residuals(v: Floats) -> Floats:
        seen = plane_of(v).project(flat[:, :2] + v[8] * outward)
        priors = [v[6] / focal_std, v[7] / _K1_STD, v[8] / ink_std_mm]
        return np.concatenate([((seen - px) / corner_std).ravel(), priors])

    matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    count, turns, shifts, _ = cv2.solvePnPGeneric(flat, px.copy(), matrix, None, flags=cv2.SOLVEPNP_IPPE)
    rough = np.hypot(*(sighting.corners_px[:, 1] - sighting.corners_px[:, 0]).T).mean()
    ink_std_mm = _INK_STD_PX * float(np.hypot(*(mm[1] - mm[0]))) / float(rough)
    best = None
    for k in range(count):
        start = np.concatenate([np.ravel(turns[k]), np.ravel(shifts[k]), [0.0, 0.0, 0.0]])
        scale = np.array([0.01, 0.01, 0.01, 1, 1, 3, 0.03, 0.02, 0.05])
        fit = least_squares(residuals, start, loss="soft_l1", f_scale=2.0, x_scale=scale, max_nfev=60)
        if plane_of(fit.x).camera_in_plane()[2] > 0 and (best is None or fit.cost < best.cost):
            best = fit
    if best is None:
        raise ValueError("sighting must show the card's printed side")
    # scipy's jac already carries the robust weights
    information = best.jac.T @ best.jac
    misfit = residuals(best.x)[:-3]
    rms = float(np.sqrt((misfit**2).mean())) * corner_std
    inflate = max(1.0, rms / corner_std) ** 2
    return CardPose(
        plane=plane_of(best.x),
        middle_mm=readonly(sighting.layout.middle_mm),
        covariance=readonly((np.linalg.pinv(information) * inflate)[:8, :8]),
        ink_px=float(best.x[8]) * float(rough) / float(np.hypot(*(mm[1] - mm[0]))),
        rms_px=rms,
        markers=len(sighting.ids),
        bowed=rms > max(0.6, 0.5 * sighting.blur_px),
    )
