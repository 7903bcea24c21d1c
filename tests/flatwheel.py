"""A flat wheel shaded from the ideal form's signed distance: a picture with no renderer behind it."""

import math

import numpy as np

from toothcheck.pose import Camera, PlanePose


def facing_plane(width, height, px_per_mm, *, tilt=(0.0, 0.0), focal_35mm=28.0):
    """A plane before the camera at a scale, its origin on the optical axis."""
    focal = focal_35mm / 36 * max(width, height)
    camera = Camera(width_px=width, height_px=height, focal_px=focal)
    plane = PlanePose(
        camera=camera, camera_from_plane=np.diag([1.0, -1.0, -1.0]), origin_mm=np.array([0, 0, focal / px_per_mm])
    )
    return plane.moved(tilt=np.array(tilt, dtype=float))


def wheel_photo(
    form,
    plane,
    *,
    centre_mm=(0.0, 0.0),
    phase=0.3,
    blur_mm=0.2,
    metal=190,
    ground=70,
    noise=2.0,
    hidden=None,
    scale=1.0,
):
    """(height, width) grey: the wheel (scaled) on plain ground.

    ``hidden`` (from, to) is a range of angles, radians, painted over as a chain would.
    """
    camera = plane.camera
    y, x = np.mgrid[0 : camera.height_px, 0 : camera.width_px].astype(np.float64)
    at = (plane.on_plane(np.stack([x, y], -1)) - centre_mm) / scale
    r, a = np.hypot(at[..., 0], at[..., 1]), np.arctan2(at[..., 1], at[..., 0])
    off = (a - phase + form.pitch_angle / 2) % form.pitch_angle - form.pitch_angle / 2  # from the nearest gap's axis
    points = np.stack([-r * np.sin(off), r * np.cos(off)], axis=-1)
    depth = form.metal_depth_mm(points) * scale
    depth = np.minimum(depth, (r - 0.3 * form.pitch_radius_mm) * scale)  # the bore
    share = 0.5 + 0.5 * np.vectorize(math.erf, otypes=[float])(np.clip(depth / (blur_mm * math.sqrt(2)), -4, 4))
    if hidden is not None:
        inside = ((a - hidden[0]) % (2 * math.pi)) < (hidden[1] - hidden[0])
        share = np.where(inside & (r > 0.7 * form.pitch_radius_mm), 0.5, share)
    grey = ground + (metal - ground) * share + noise * np.random.default_rng(0).standard_normal(share.shape)
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)
