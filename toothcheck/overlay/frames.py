"""What is drawn where: from a tooth's own frame to the sprocket's plane and to the photo.

The datum says where the ideal wheel stands in the plane that was traced (`toothcheck.wear.Datum`); measured outlines
come in the frames of ideal teeth, so both go the same way into the photo.  Neglected: the shared unknowns of the
tracing (height, tilt …) that the datum fit moved once more; they move lines by a few hundredths of a millimetre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from toothcheck.cards.detect import CardSighting
from toothcheck.chains import Chain
from toothcheck.geometry import Floats, rotated
from toothcheck.grade import Verdict
from toothcheck.patterns import Pattern
from toothcheck.photo import Photo
from toothcheck.tracing.rims import Wheel
from toothcheck.tracing.trace import Traced
from toothcheck.wear import Datum, ToothWear, WheelWear


class Claimed(Protocol):
    """What the pictures need of what the user said."""

    @property
    def chain(self) -> Chain | None:
        """The chain's size, None where it was left open."""

    @property
    def position(self) -> str:
        """``front`` or ``rear``."""


class Inspected(Protocol):
    """What the pictures need to know: an inspection, or whatever else holds these."""

    @property
    def photo(self) -> Photo:
        """As loaded."""

    @property
    def claim(self) -> Claimed:
        """What was said about the part."""

    @property
    def card(self) -> CardSighting | None:
        """The card found in the photo."""

    @property
    def traced(self) -> Traced | None:
        """Where the sprocket stands."""

    @property
    def wear(self) -> WheelWear | None:
        """What was measured."""

    @property
    def verdict(self) -> Verdict:
        """What is said of it."""

    @property
    def flags(self) -> tuple[str, ...]:
        """Codes raised on the photo and what was said of it."""

    @property
    def patterns(self) -> tuple[Pattern, ...]:
        """What was tested for coming back once per turn."""


class View(Protocol):
    """A picture made from the photo."""

    def shown(self, pixels: Floats) -> Floats:
        """Pixels (…, 2) of the photo in this picture."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placement:
    """Where the ideal wheel and its teeth stand before the camera."""

    wheel: Wheel
    datum: Datum
    drive_clockwise: bool
    drive_known: bool = True
    """Whether that was told or seen, not only taken for granted."""

    def in_plane(self, points_mm: Floats, tooth: int) -> Floats:
        """Points (n, 2) of a tooth's frame, in the plane that was traced; mm, y up."""
        side = 1.0 if self.drive_clockwise else -1.0  # +x points to the drive flank
        as_seen = np.stack([side * points_mm[..., 0], points_mm[..., 1]], axis=-1)
        pitch_angle = self.wheel.form.pitch_angle
        angle = self.wheel.phase + (tooth + 0.5) * pitch_angle + self.datum.turn - math.pi / 2
        return rotated(as_seen, angle) / self.datum.scale + self.datum.shift_mm

    def in_photo(self, points_mm: Floats, tooth: int, height_mm: float = 0.0) -> Floats:
        """The same, in pixels (n, 2) of the photo, at a height over the face."""
        return self.wheel.plane.project(self.in_plane(points_mm, tooth), height_mm)

    def middle_px(self) -> Floats:
        """(2,) the ideal wheel's centre in the photo."""
        return np.asarray(self.wheel.plane.project(self.datum.shift_mm[None])[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriveFlank:
    """A measured drive flank beside the ideal one, root first, in the tooth's frame."""

    measured_mm: Floats
    """(n, 2)."""
    ideal_mm: Floats
    """(n, 2) on the ideal flank, at the same distances from the wheel's centre."""
    loss_mm: Floats
    """(n,) from the ideal flank to the metal along its normal; negative where metal stands out."""


def flanks(outline_mm: Floats) -> tuple[Floats, Floats]:
    """A measured outline's coast and drive flank, each (n, 2) from the root up; either may be empty.

    They end where they cross: above that there is no metal left between them.
    """
    cut = _drive_begins(outline_mm)
    coast, drive = outline_mm[:cut], outline_mm[cut:][::-1]
    if len(coast) < 2 or len(drive) < 2:
        return coast, drive
    rc, rd = np.hypot(*coast.T), np.hypot(*drive.T)
    ac, ad = np.arctan2(coast[:, 0], coast[:, 1]), np.arctan2(drive[:, 0], drive[:, 1])
    crossed = (np.interp(rd, rc, ac) >= ad) & (rd >= rc[0]) & (rd <= rc[-1])
    end = float(rd[crossed][0]) if crossed.any() else math.inf
    return coast[rc < end], drive[rd < end]


def _drive_begins(outline_mm: Floats) -> int:
    """Where in an outline from coast root to drive root the drive flank begins.

    Radii rise along the coast flank and fall along the drive flank; which of them the highest point belongs to shows
    in which neighbour it lies closer to.
    """
    r = np.hypot(outline_mm[:, 0], outline_mm[:, 1])
    top = int(np.argmax(r))
    if top == 0:
        return 0
    if top == len(r) - 1:
        return len(r)
    before, after = (float(np.hypot(*(outline_mm[top] - outline_mm[top + k]))) for k in (-1, 1))
    return top if after < before else top + 1


def drive_flank(tooth: ToothWear, datum: Datum) -> DriveFlank | None:
    """The drive flank of a tooth, or None where it was not measured."""
    if tooth.outline_mm is None:
        return None
    measured = flanks(tooth.outline_mm)[1]
    if len(measured) < 2:
        return None
    form = datum.form
    r = np.hypot(measured[:, 0], measured[:, 1])
    angle = form.half_thickness_mm(r) / r
    ideal = np.stack([r * np.sin(angle), r * np.cos(angle)], axis=1)
    # the gap on the drive side has its axis half a pitch from the tooth's centre line
    depth = form.metal_depth_mm(rotated(measured, math.pi / form.teeth), with_tip=False)
    return DriveFlank(measured_mm=measured, ideal_mm=ideal, loss_mm=depth)


def ideal_thickness_mm(datum: Datum) -> float:
    """Thickness of the ideal tooth at the pitch circle, arc length."""
    return 2 * float(datum.form.half_thickness_mm(datum.form.pitch_radius_mm))


def loss_stds(wear: WheelWear) -> tuple[float, float]:
    """Median standard uncertainty of the coast and the drive loss of one tooth at the pitch circle, mm."""
    pairs = [(t.coast_loss_mm, t.drive_loss_mm) for t in wear.teeth if t.measured]
    stds = np.array([(c.std, d.std) for c, d in pairs if c is not None and d is not None])
    if len(stds) == 0:
        return 0.0, 0.0
    coast, drive = np.median(stds, axis=0)
    return float(coast), float(drive)
