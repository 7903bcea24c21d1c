"""Cutting photos to size for a page: bytes in, bytes out (Pillow)."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
import pillow_heif
from PIL import Image, ImageOps, UnidentifiedImageError

LARGEST_PX = 1300
"""Longest side in a page: sharp on a phone, and twelve of them stay under about 3 MB."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """A cut-out, and how it lies in the photo: pixel of the cut-out = (pixel of the photo - origin) * scale."""

    jpeg: bytes
    width_px: int
    height_px: int
    origin_px: np.ndarray[Any, Any]
    scale: float


def cropped_jpeg(photo: bytes, centre_px: np.ndarray[Any, Any], half_px: float) -> Picture:
    """The square of ``half_px`` about a centre, cut at the photo's border, without its EXIF data (place, owner).

    Raises
    ------
    ValueError
        When the bytes are no picture, or the square lies outside it.
    """
    image = _opened(photo)
    low = np.maximum(np.floor(centre_px - half_px), 0).astype(int)
    high = np.minimum(np.ceil(centre_px + half_px), [image.width, image.height]).astype(int)
    if np.any(high - low < 16):
        raise ValueError(f"centre_px must lie inside the photo, not at {centre_px.round().tolist()}")
    cut = image.crop((int(low[0]), int(low[1]), int(high[0]), int(high[1])))
    scale = min(1.0, LARGEST_PX / max(cut.size))
    if scale < 1:
        cut = cut.resize((round(cut.width * scale), round(cut.height * scale)), Image.Resampling.LANCZOS)
    return Picture(jpeg=_jpeg(cut), width_px=cut.width, height_px=cut.height, origin_px=low, scale=scale)


def scaled_jpeg(photo: bytes) -> bytes:
    """The whole photo at the size of a page, without its EXIF data (place, owner).

    Raises
    ------
    ValueError
        When the bytes are no picture.
    """
    image = _opened(photo)
    image.thumbnail((LARGEST_PX, LARGEST_PX), Image.Resampling.LANCZOS)
    return _jpeg(image)


def _opened(photo: bytes) -> Image.Image:
    pillow_heif.register_heif_opener()
    try:
        with Image.open(io.BytesIO(photo)) as opened:
            return ImageOps.exif_transpose(opened).convert("RGB")
    except (UnidentifiedImageError, OSError) as error:
        raise ValueError(f"photo must be a picture that Pillow reads: {error}") from error


def _jpeg(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=82)
    return out.getvalue()
