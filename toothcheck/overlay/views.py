"""Parts of the photo as they are shown: a square of it, or one tooth square on with its tip up."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.geometry import Floats
from toothcheck.overlay.frames import Placement
from toothcheck.pose import PlanePose
from toothcheck.toothform import IsoForm

_MOST_ENLARGED = 4.0
"""Beyond it a small sprocket is shown with more of what is around it."""
_BEYOND = (38, 42, 46)
"""RGB of what lies outside the photo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A square part of the photo, and how it is shown."""

    left_px: float
    top_px: float
    side_px: float
    shown_px: int

    @property
    def scale(self) -> float:
        """Shown pixels for a pixel of the photo."""
        return self.shown_px / self.side_px

    def shown(self, pixels: Floats) -> Floats:
        """Photo pixels (…, 2) in the shown picture; pixel centres at whole numbers in both."""
        return (pixels - (self.left_px, self.top_px) + 0.5) * self.scale - 0.5

    def cut(self, colour: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """The shown picture (shown_px, shown_px, 3); dark where the photo ends."""
        x, y, side = round(self.left_px), round(self.top_px), round(self.side_px)
        height, width = colour.shape[:2]
        inside = colour[max(0, y) : max(0, y + side), max(0, x) : max(0, x + side)]
        padded = cv2.copyMakeBorder(
            inside, max(0, -y), max(0, y + side - height), max(0, -x), max(0, x + side - width),
            cv2.BORDER_CONSTANT, value=_BEYOND,
        )  # fmt: skip
        how = cv2.INTER_AREA if self.scale < 1 else cv2.INTER_CUBIC
        return np.asarray(cv2.resize(padded, (self.shown_px, self.shown_px), interpolation=how), dtype=np.uint8)


def window_around(pixels: Floats, shown_px: int, *, margin: float = 0.12) -> Window:
    """The square window around points (n, 2), with a margin of a share of their extent on every side."""
    low, high = pixels.min(0), pixels.max(0)
    side = max(float((high - low).max()) * (1 + 2 * margin), shown_px / _MOST_ENLARGED)
    left, top = np.round((low + high - side) / 2)
    return Window(left_px=float(left), top_px=float(top), side_px=float(round(side)), shown_px=shown_px)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Upright:
    """A part of the photo seen square on, one tooth with its tip up, unmirrored."""

    image: NDArray[np.uint8]
    plane: PlanePose
    turn: Floats
    """(2, 2) from the plane to the shown axes, both y up."""
    px_per_mm: float
    middle_mm: Floats
    """(2,) what stands in the middle, in the plane."""

    def shown(self, pixels: Floats) -> Floats:
        """Photo pixels (n, 2) on the face in the shown picture."""
        local = (self.plane.on_plane(pixels) - self.middle_mm) @ self.turn.T
        height, width = self.image.shape[:2]
        return np.stack(
            [(width - 1) / 2 + self.px_per_mm * local[..., 0], (height - 1) / 2 - self.px_per_mm * local[..., 1]],
            axis=-1,
        )


def spine(form: IsoForm) -> tuple[float, float]:
    """From where to where along a tooth's centre line a single tooth is shown: tip, and some way under its root; mm."""
    return form.tip_radius_mm, form.pitch_radius_mm - 0.75 * form.roller_diameter_mm


def upright(colour: NDArray[np.uint8], place: Placement, tooth: int, width: int, height: int) -> Upright:
    """The photo around a tooth, square on and tip up, so wide that the neighbours' flanks just come in."""
    form = place.datum.form
    ends = place.in_plane(np.array([[0.0, y] for y in spine(form)]), tooth)
    up = (ends[0] - ends[1]) / np.hypot(*(ends[0] - ends[1]))
    turn = np.array([[up[1], -up[0]], [up[0], up[1]]])
    px_per_mm = height / (1.25 * float(np.hypot(*(ends[0] - ends[1]))))
    middle = ends.mean(0)
    v, u = np.mgrid[0:height, 0:width].astype(np.float64)
    local = np.stack([(u - (width - 1) / 2) / px_per_mm, -(v - (height - 1) / 2) / px_per_mm], axis=-1)
    at = place.wheel.plane.project(local @ turn + middle).astype(np.float32)
    image = cv2.remap(
        colour,
        at[..., 0],
        at[..., 1],
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=_BEYOND,
    )
    return Upright(
        image=np.asarray(image, dtype=np.uint8),
        plane=place.wheel.plane,
        turn=turn,
        px_per_mm=px_per_mm,
        middle_mm=middle,
    )
