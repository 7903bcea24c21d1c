"""Cutting photos to size for a page: pixels in, JPEG out (Pillow).  Reading files is the business of ``photo``."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

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


def cropped_jpeg(colour: NDArray[np.uint8], centre_px: np.ndarray[Any, Any], half_px: float) -> Picture:
    """The square of ``half_px`` about a centre, cut at the border of a photo (height, width, 3) in RGB.

    Raises
    ------
    ValueError
        When the square lies outside the photo.
    """
    image = Image.fromarray(colour)
    low = np.maximum(np.floor(centre_px - half_px), 0).astype(int)
    high = np.minimum(np.ceil(centre_px + half_px), [image.width, image.height]).astype(int)
    if np.any(high - low < 16):
        raise ValueError(f"centre_px must lie inside the photo, not at {centre_px.round().tolist()}")
    cut = image.crop((int(low[0]), int(low[1]), int(high[0]), int(high[1])))
    scale = min(1.0, LARGEST_PX / max(cut.size))
    if scale < 1:
        cut = cut.resize((round(cut.width * scale), round(cut.height * scale)), Image.Resampling.LANCZOS)
    return Picture(jpeg=_jpeg(cut), width_px=cut.width, height_px=cut.height, origin_px=low, scale=scale)


def _jpeg(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=82)
    return out.getvalue()
