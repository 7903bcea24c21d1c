"""What happens to photos between the camera and toothcheck: messengers, screenshots, editors.

None of it moves the sprocket, so the numbers should stay what they were.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

import cv2
import numpy as np

from toothcheck.synthetic.fields import Box
from toothcheck.synthetic.photo_truth import MadePhoto
from toothcheck.synthetic.scene import Stage
from toothcheck.synthetic.sensor import Picture, encode

Handling = Literal[
    "as taken", "focal length lost", "cut", "cut, focal length lost", "without colours", "sharpened", "sent"
]
HANDLINGS: tuple[Handling, ...] = get_args(Handling)
_MARGIN = 0.03
"""Of the longer side: what is left around card and teeth by somebody who cuts a photo."""
_SHARPEN, _SHARPEN_PX = 1.2, 1.5
_SENT_SIZE, _SENT_QUALITY = 0.75, 70


@dataclass(frozen=True, slots=True, kw_only=True)
class Handled:
    """A photo file, and where its sprocket is in it now."""

    encoded: bytes
    truth: dict[str, Any]
    """Of the photo as taken, but for ``tip_px`` and ``mm_per_px``."""


def handled(made: MadePhoto, stage: Stage, handling: Handling, *, quality: int) -> Handled:
    """Return the photo of a stage after ``handling``.

    Parameters
    ----------
    quality
        JPEG quality of what is not made smaller to be sent.
    """
    picture, scale, corner = made.picture, 1.0, np.zeros(2)
    known = None if handling.endswith("focal length lost") or handling == "sent" else made.focal_35mm
    if handling.startswith("cut"):
        picture, corner = _cut(made, stage)
    if handling == "without colours":
        picture = np.repeat(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=-1).astype(np.uint8)
    elif handling == "sharpened":
        soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), _SHARPEN_PX)
        picture = np.clip(picture + _SHARPEN * (picture - soft), 0, 255).astype(np.uint8)
    elif handling == "sent":
        small = cv2.resize(picture, None, fx=_SENT_SIZE, fy=_SENT_SIZE, interpolation=cv2.INTER_AREA)
        picture = small.astype(np.uint8)
        scale, quality = _SENT_SIZE, min(quality, _SENT_QUALITY)
    tips = (np.array(made.truth["tip_px"]).reshape(-1, 2) - corner + 0.5) * scale - 0.5
    return Handled(
        encoded=encode(picture, "jpg", focal_35mm=known, quality=quality),
        truth=made.truth | {"tip_px": tips.tolist(), "mm_per_px": made.truth["mm_per_px"] / scale},
    )


def _cut(made: MadePhoto, stage: Stage) -> tuple[Picture, Any]:
    """The photo without what is to spare on two sides, the wider ones, and where its corner was."""
    height, width = made.picture.shape[:2]
    seen = [np.array(made.truth["tip_px"]).reshape(-1, 2)]
    if stage.card is not None:
        assert isinstance(stage.card.field, Box)
        half = np.array([*stage.card.field.size_mm, 0.0]) / 2
        corners = np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]]) * half
        seen.append(stage.camera.project(stage.card.pose.world(corners)))
    at = np.concatenate(seen)
    spare = np.concatenate([at.min(0), (width, height) - at.max(0)]) - _MARGIN * max(width, height)
    left, top, right, bottom = np.maximum(spare, 0).astype(int)
    left, right = (left, 0) if left >= right else (0, right)
    top, bottom = (top, 0) if top >= bottom else (0, bottom)
    return np.ascontiguousarray(made.picture[top : height - bottom, left : width - right]), np.array([left, top])
