"""What happens to photos between the camera and toothcheck: messengers, screenshots, editors, scanning programs.

None of it moves the sprocket, so the numbers should stay what they were.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, get_args

import cv2
import numpy as np

from toothcheck.geometry import Floats
from toothcheck.synthetic.fields import Box
from toothcheck.synthetic.photo_truth import MadePhoto
from toothcheck.synthetic.scene import Stage
from toothcheck.synthetic.sensor import Picture, encode

Handling = Literal[
    "as taken", "focal length lost", "cut", "cut, focal length lost", "straightened", "without colours", "sharpened",
    "sent",
]  # fmt: skip
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
    """Return the photo of a stage, with a sprocket, after ``handling``.

    Parameters
    ----------
    quality
        JPEG quality of what is not made smaller to be sent.
    """
    picture, moved = made.picture, np.eye(3)
    lost = handling.endswith("focal length lost") or handling in ("straightened", "sent")
    if handling.startswith("cut"):
        picture, moved = _cut(made, stage)
    elif handling == "straightened":
        picture, moved = _straightened(made, stage)
    elif handling == "without colours":
        picture = np.repeat(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)[..., None], 3, axis=-1).astype(np.uint8)
    elif handling == "sharpened":
        soft = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), _SHARPEN_PX)
        picture = np.clip(picture + _SHARPEN * (picture - soft), 0, 255).astype(np.uint8)
    elif handling == "sent":
        small = cv2.resize(picture, None, fx=_SENT_SIZE, fy=_SENT_SIZE, interpolation=cv2.INTER_AREA)
        picture, quality = small.astype(np.uint8), min(quality, _SENT_QUALITY)
        moved = np.diag([_SENT_SIZE, _SENT_SIZE, 1.0])
        moved[:2, 2] = 0.5 * (_SENT_SIZE - 1)  # pixel centres are whole numbers
    tips = np.array(made.truth["tip_px"])
    # by how much a homography enlarges: the root of its Jacobian's determinant
    depth = float(moved[2] @ [*tips.mean(axis=0), 1.0])
    growth = math.sqrt(abs(float(np.linalg.det(moved)) / depth**3))
    return Handled(
        encoded=encode(picture, "jpg", focal_35mm=None if lost else made.focal_35mm, quality=quality),
        truth=made.truth | {"tip_px": _through(moved, tips).tolist(), "mm_per_px": made.truth["mm_per_px"] / growth},
    )


def _through(moved: Floats, px: Floats) -> Floats:
    """Points (n, 2) through a homography."""
    out: Floats = cv2.perspectiveTransform(px[None], moved)[0].astype(np.float64)
    return out


def _from_corner(left: float, top: float) -> Floats:
    """The homography of a picture that now begins at this place."""
    return np.array([[1.0, 0.0, -left], [0.0, 1.0, -top], [0.0, 0.0, 1.0]])


def _card_corners(stage: Stage) -> tuple[Floats, Floats] | None:
    """The card's corners, (4, 2) mm in its plane (y up) and (4, 2) px, or None without one."""
    if stage.card is None:
        return None
    assert isinstance(stage.card.field, Box)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(stage.card.field.size_mm) / 2
    return corners, stage.camera.project(stage.card.pose.world(np.column_stack([corners, np.zeros(4)])))


def _wanted(made: MadePhoto, stage: Stage) -> Floats:
    """(n, 2) px that must stay in the photo: teeth, and the card's corners."""
    tips = np.array(made.truth["tip_px"])
    card = _card_corners(stage)
    return tips if card is None else np.concatenate([tips, card[1]])


def _cut(made: MadePhoto, stage: Stage) -> tuple[Picture, Floats]:
    """The photo without what is to spare on two sides, the wider ones, and how its points have moved."""
    height, width = made.picture.shape[:2]
    at = _wanted(made, stage)
    spare = np.concatenate([at.min(0), (width, height) - at.max(0)]) - _MARGIN * max(width, height)
    left, top, right, bottom = np.maximum(spare, 0).astype(int)
    left, right = (left, 0) if left >= right else (0, right)
    top, bottom = (top, 0) if top >= bottom else (0, bottom)
    return np.ascontiguousarray(made.picture[top : height - bottom, left : width - right]), _from_corner(left, top)


def _straightened(made: MadePhoto, stage: Stage) -> tuple[Picture, Floats]:
    """The photo as a scanning program makes it: the card's corners drawn to a rectangle, the rest along with them.

    A photo without a card stays as it is.
    """
    card = _card_corners(stage)
    if card is None:
        return made.picture, np.eye(3)
    mm, px = card
    scale = math.sqrt(abs(cv2.contourArea(px.astype(np.float32)) / cv2.contourArea(mm.astype(np.float32))))
    flat = np.asarray(cv2.findHomography(px, mm * [scale, -scale])[0], dtype=np.float64)
    at = _through(flat, _wanted(made, stage))
    margin = _MARGIN * float(np.ptp(at, axis=0).max())
    corner, size = at.min(0) - margin, np.ceil(np.ptp(at, axis=0) + 2 * margin).astype(int)
    moved = _from_corner(*corner) @ flat
    drawn = cv2.warpPerspective(made.picture, moved, (int(size[0]), int(size[1])), flags=cv2.INTER_CUBIC)
    return drawn.astype(np.uint8), moved
