"""From light to a file: lens blur, vignetting, exposure, noise, tone curve, encoding with EXIF."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.synthetic.fields import Singles

Picture = NDArray[np.uint8]
FileKind = Literal["jpg", "png", "webp", "heic"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """How the camera takes the light; lengths px of the photo."""

    blur_px: float = 0.7
    """Standard deviation of the lens's blur."""
    defocus_px: float = 0.0
    """Radius of the disc of confusion."""
    motion_px: float = 0.0
    motion_deg: float = 0.0
    exposure_ev: float = 0.0
    noise: float = 0.006
    """Standard deviation of the signal at mid grey, as a share of full scale (linear)."""
    vignetting: float = 0.15
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sharpen: float = 0.0
    jpeg_quality: int = 92


def _single(image: object) -> Singles:
    return np.asarray(image, dtype=np.float32)


def develop(light: Singles, sensor: Sensor, rng: np.random.Generator) -> Picture:
    """Return a finished photo from the light on the sensor.

    Parameters
    ----------
    light
        (height, width, 3), linear, any scale: it is metered first.
    """
    h, w = light.shape[:2]
    image = light
    if sensor.blur_px > 0:
        image = _single(cv2.GaussianBlur(image, (0, 0), sensor.blur_px, borderType=cv2.BORDER_REFLECT))
    if sensor.defocus_px > 0:
        r = math.ceil(sensor.defocus_px + 1)
        y, x = np.mgrid[-r : r + 1, -r : r + 1]
        disc = np.clip(sensor.defocus_px + 0.5 - np.hypot(x, y), 0, 1)
        image = _single(cv2.filter2D(image, -1, disc / disc.sum(), borderType=cv2.BORDER_REFLECT))
    if sensor.motion_px > 0:
        r = math.ceil(sensor.motion_px / 2 + 1)
        y, x = np.mgrid[-r : r + 1, -r : r + 1]
        a = math.radians(sensor.motion_deg)
        along, across = x * math.cos(a) + y * math.sin(a), -x * math.sin(a) + y * math.cos(a)
        line = np.clip(sensor.motion_px / 2 + 0.5 - np.abs(along), 0, 1) * np.clip(1 - np.abs(across), 0, 1)
        image = _single(cv2.filter2D(image, -1, line / line.sum(), borderType=cv2.BORDER_REFLECT))
    grey = image @ np.array([0.3, 0.6, 0.1], np.float32)
    metered = min(0.32 / max(float(grey.mean()), 1e-6), 0.88 / max(float(np.percentile(grey[::7, ::7], 98.5)), 1e-6))
    image = image * np.float32(metered * 2.0**sensor.exposure_ev) * np.array(sensor.white, np.float32)
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((xx - w / 2) ** 2 + (yy - h / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
    image = image * (1 - np.float32(sensor.vignetting) * r2)[..., None]
    if sensor.noise > 0:
        # photon noise grows with the root of the light; the camera's own smoothing leaves it a little soft
        grain = rng.standard_normal((h, w, 3), dtype=np.float32)
        grain = 0.6 * grain + 0.4 * grain.mean(axis=2, keepdims=True)
        grain = cv2.GaussianBlur(grain, (0, 0), 0.5)
        deviation = np.float32(sensor.noise) * np.sqrt(np.maximum(image, 0) / 0.18 * 0.8 + 0.2)
        image = image + grain * deviation * np.float32(1.6)
    # a soft shoulder instead of clipping, then the sRGB curve
    image = np.where(image > 0.7, 0.7 + 0.3 * np.tanh((image - 0.7) / 0.3), np.maximum(image, 0))
    coded = np.where(image <= 0.0031308, 12.92 * image, 1.055 * np.power(np.maximum(image, 1e-9), 1 / 2.4) - 0.055)
    if sensor.sharpen > 0:
        coded = coded + np.float32(sensor.sharpen) * (coded - cv2.GaussianBlur(coded, (0, 0), 1.2))
    return np.asarray(np.clip(coded * 255 + 0.5, 0, 255), dtype=np.uint8)


def encode(picture: Picture, kind: FileKind, *, focal_35mm: int | None, quality: int = 92) -> bytes:
    """Return a photo file with the focal length in its EXIF.

    Parameters
    ----------
    picture
        (height, width, 3), red first.
    focal_35mm
        35 mm equivalent focal length (EXIF tag 41989); nothing is written when None.
    """
    from PIL import Image

    if kind not in ("jpg", "png", "webp", "heic"):
        raise ValueError(f"kind must be jpg, png, webp or heic, not {kind!r}")
    image = Image.fromarray(picture)
    exif = Image.Exif()
    if focal_35mm is not None:
        exif.get_ifd(0x8769)[41989] = int(focal_35mm)
    tags = exif.tobytes()  # as bytes: an Exif that only has a sub-directory counts as empty, and PNG would drop it
    out = io.BytesIO()
    if kind == "jpg":
        image.save(out, "JPEG", quality=quality, exif=tags)
    elif kind == "png":
        image.save(out, "PNG", exif=tags)
    elif kind == "webp":
        image.save(out, "WEBP", quality=quality, exif=tags)
    else:
        import pillow_heif

        pillow_heif.register_heif_opener()
        # the same number means far less loss there than in JPEG
        image.save(out, "HEIF", quality=max(1, quality - 25), exif=tags)
    return out.getvalue()
