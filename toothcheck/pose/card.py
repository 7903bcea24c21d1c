"""Where the card stands before the camera, and where the sprocket's plane follows from it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from toothcheck.cards.detect import CardSighting
from toothcheck.geometry import Bools, Floats, readonly
from toothcheck.pose.lens import Lens, cut_lens, straightened_lens, together, whole_lenses
from toothcheck.pose.plane import Camera, PlanePose

_K1_STD = 0.04
_LENS_SURE = 0.98
"""A lens this probable is taken as the one; below, what is left of the others stays in the uncertainty."""
_CORNER_STD_PX = 0.15
"""Honest for a card that is not perfectly flat, not what the fitted sides could give (0.02 px)."""
_INK_STD_PX = 0.4
"""How far ink spread and over-exposure may move all edges of all markers alike."""
_SQUARE_DEG, _SQUARE_CHANGE = 0.2, 0.004
"""How squarely a card stands in a photo that was straightened by it: its turn, and the change of its scale across it.
Hardly anybody holds a camera so well (none of 167 made photos); whoever does is read with more doubt, no worse."""
_COVERED_PX, _COVERED_FACTOR = 1.0, 6.0
"""From which misfit on of a corner its marker is taken for covered in part, in px and against the markers' usual
worst (path-traced photos with a finger over one marker: 3.8 to 27 px, other markers 0.2 px at most)."""
_FEWEST_MARKERS = 3
"""That are enough to leave others out."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardPose:
    """The card's plane with its uncertainty."""

    plane: PlanePose
    """Origin at the card's top left corner, x along its top edge, y **up** the card."""
    covariance: Floats
    """(8, 8) of a further turn about the camera's axes (rad), origin (mm), ln focal length, k1; (10, 10) with the
    principal point (px) where the photo was cut."""
    middle_mm: Floats
    """(2,) the card's middle, on its plane."""
    ink_px: float
    """How far every marker's edges stand outside their nominal place (ink spread, exposure), px."""
    markers: int
    """How many it was fitted to."""
    bowed: bool
    """Whether the corners disagree with a plane by more than their blur explains."""

    @property
    def focal_std(self) -> float:
        """Relative standard uncertainty of the focal length."""
        return math.sqrt(float(self.covariance[6, 6]))

    @property
    def freedoms(self) -> int:
        """How many values tell where a part beside the card lies: those of the pose, a height and two leans."""
        return len(self.covariance) + 3

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
            From (`freedoms`,) standard normal values to a plane: those of the card's pose and its lens, one for the
            height, two for the lean.  All 0 is the likeliest plane.  The height is told of the card's middle, so the
            plane leans about that: about a corner, a card that leans would change its height.
        """
        n = len(self.covariance)
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0))

        def plane_of(v: Floats) -> PlanePose:
            return self._moved(root @ v[:n]).moved(
                height_mm=-card_height_mm + height_std_mm * v[n], tilt=lean_std * v[n + 1 :], pivot_mm=self.middle_mm
            )

        return plane_of

    def _moved(self, direction: Floats) -> PlanePose:
        """The plane moved by a parameter vector, in the order of ``covariance``."""
        turn = cv2.Rodrigues(np.asarray(direction[:3], dtype=np.float64))[0]
        return PlanePose(
            camera=_changed(self.plane.camera, direction[6:]),
            camera_from_plane=turn @ self.plane.camera_from_plane,
            origin_mm=self.plane.origin_mm + direction[3:6],
        )


def card_pose(sighting: CardSighting, grey: NDArray[np.uint8], focals_35mm: tuple[float, ...]) -> CardPose:
    """Pose of the card, lens and k1, jointly, most probable given the priors (robust loss).

    A marker that something covers in part may still be read, with a corner where there is none of it: such markers are
    left out.

    Parameters
    ----------
    sighting
        The card in the photo.
    grey
        (height, width) the photo; only its size is used.
    focals_35mm
        35 mm equivalents of the focal length that the file leaves possible; none where it tells nothing.

    Raises
    ------
    ValueError
        When no lens shows the card's printed side.
    """
    pose = _pose_by(sighting, grey, focals_35mm)
    whole = _whole_markers(sighting, pose)
    if whole.all() or whole.sum() < _FEWEST_MARKERS:
        return pose
    return _pose_by(sighting.only(whole), grey, focals_35mm)


def _whole_markers(sighting: CardSighting, pose: CardPose) -> Bools:
    """(n,) markers all of whose corners lie about as near to the fitted card as the others' do.

    A bowed card moves all markers' corners, a finger over one marker its own alone.
    """
    mm = sighting.corners_mm * (1, -1)
    worst = np.hypot(*np.moveaxis(pose.plane.project(mm) - sighting.corners_px, -1, 0)).max(1)
    out: Bools = worst < max(_COVERED_PX, _COVERED_FACTOR * float(np.median(worst)))
    return out


def _pose_by(sighting: CardSighting, grey: NDArray[np.uint8], focals_35mm: tuple[float, ...]) -> CardPose:
    """The pose by all markers of a sighting."""
    height, width = grey.shape
    # such programs write no focal length; where there is one, the camera really stood square on
    scale = None if focals_35mm else _straightened_by(sighting)
    if scale is not None:
        drawn = _fitted(sighting, width, height, straightened_lens(scale))
        if drawn is not None:
            return drawn.pose
    lenses = whole_lenses(width, height, focals_35mm)
    whole = [fit for lens in lenses if (fit := _fitted(sighting, width, height, lens)) is not None]
    if not whole:
        raise ValueError("sighting must show the card's printed side")
    best = max(whole, key=lambda fit: fit.evidence)
    cut = cut_lens(width, height, focals_35mm)
    # that the photo was cut explains at most all of the misfit
    if best.cost > math.log(best.lens.weight / cut.weight):
        tried = _fitted(sighting, width, height, cut)
        if tried is not None and tried.evidence > best.evidence and not tried.pose.bowed:
            return tried.pose
    likely = np.exp([fit.evidence - best.evidence for fit in whole])
    likely /= likely.sum()
    if likely.max() >= _LENS_SURE:
        return best.pose
    # seen square-on lenses look alike: one prior with the mean and the spread of those that remain
    mixed = _fitted(sighting, width, height, together([fit.lens for fit in whole], likely))
    return best.pose if mixed is None else mixed.pose


def _straightened_by(sighting: CardSighting) -> float | None:
    """Scale, px per mm, of a card that stands in the photo as no hand holds a camera; None for all others.

    Its edges run along the photo's, and near and far ends are equally large: a program has drawn it so.
    """
    mm, px = sighting.corners_mm.reshape(-1, 2), sighting.corners_px.reshape(-1, 2)
    flat, _ = cv2.findHomography(mm, px)
    if flat is None:
        return None
    middle = mm.mean(0)
    w = float(flat[2] @ [*middle, 1.0])
    at = (flat[:2] @ [*middle, 1.0]) / w
    # how the photo moves for a mm along each edge, and how much larger one end of the card is than the other
    along = (flat[:2, :2] - np.outer(at, flat[2, :2])) / w
    change = np.abs(flat[2, :2] / w) * np.ptp(mm, axis=0)
    turns = np.degrees(np.arctan2(along[1], along[0]))
    askew = np.abs((turns + 45) % 90 - 45)
    if askew.max() > _SQUARE_DEG or change.max() > _SQUARE_CHANGE:
        return None
    return math.sqrt(abs(float(np.linalg.det(along))))


def _changed(camera: Camera, by: Floats) -> Camera:
    """The camera with its ln focal length, k1 and, where told, principal point (px) changed."""
    x, y = by[2:] if len(by) > 2 else (0.0, 0.0)
    return replace(
        camera,
        focal_px=camera.focal_px * float(np.exp(by[0])),
        k1=camera.k1 + float(by[1]),
        shift_px=(camera.shift_px[0] + float(x), camera.shift_px[1] + float(y)),
    )


def _turn_per_change(vector: Floats) -> Floats:
    """(3, 3) the further turn (rad, axes of the turned-to frame) per change of a rotation vector.

    The left Jacobian of SO(3).  A card that faces the camera is turned by about π, and there the two differ much:
    across the vector by 2/π in size and by a right angle in direction.
    """
    angle = float(np.linalg.norm(vector))
    if angle < 1e-8:
        return np.eye(3)
    x, y, z = vector
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0.0]])
    return np.asarray(
        np.eye(3) + (1 - math.cos(angle)) / angle**2 * cross + (angle - math.sin(angle)) / angle**3 * cross @ cross
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitted:
    """The card's pose with one lens."""

    lens: Lens
    pose: CardPose
    cost: float
    """Half the (robust) sum of squares, priors included."""
    spread: float
    """ln of how much of what the priors left possible is still possible (Laplace's approximation)."""

    @property
    def evidence(self) -> float:
        """ln of the lens's probability, but for a constant."""
        return math.log(self.lens.weight) - self.cost + self.spread


def _fitted(sighting: CardSighting, width: int, height: int, lens: Lens) -> _Fitted | None:
    """The most probable pose with one lens; None where the card would show its back."""
    mm = sighting.corners_mm.reshape(-1, 2)
    px = sighting.corners_px.reshape(-1, 2)
    flat = np.column_stack([mm[:, 0], -mm[:, 1], np.zeros(len(mm))])  # y up the card
    corner_std = max(_CORNER_STD_PX, 0.1 * sighting.blur_px)
    # one unknown for all edges: a marker may look larger or smaller than it was drawn, its middle stays
    outward = (sighting.corners_mm - sighting.corners_mm.mean(1, keepdims=True)).reshape(-1, 2)
    outward = np.sign(outward) * (1, -1)
    told = Camera(width_px=width, height_px=height, focal_px=lens.focal_px)

    def plane_of(v: Floats) -> PlanePose:
        return PlanePose(
            camera=_changed(told, v[6:-1]), camera_from_plane=readonly(cv2.Rodrigues(v[:3])[0]), origin_mm=v[3:6]
        )

    def residuals(v: Floats) -> Floats:
        seen = plane_of(v).project(flat[:, :2] + v[-1] * outward)
        return np.concatenate([((seen - px) / corner_std).ravel(), v[6:] / known_std])

    cx, cy = told.middle_px
    matrix = np.array([[told.focal_px, 0, cx], [0, told.focal_px, cy], [0, 0, 1.0]])
    count, turns, shifts, _ = cv2.solvePnPGeneric(flat, px.copy(), matrix, None, flags=cv2.SOLVEPNP_IPPE)
    rough = np.hypot(*(sighting.corners_px[:, 1] - sighting.corners_px[:, 0]).T).mean()
    ink_std_mm = _INK_STD_PX * float(np.hypot(*(mm[1] - mm[0]))) / float(rough)
    # of ln focal length, k1, in a photo that was cut the principal point (px), and ink (mm)
    axis = 2 if lens.shift_std_px else 0
    known_std = np.array([lens.focal_std, _K1_STD, *axis * [lens.shift_std_px], ink_std_mm])
    scale = np.array([0.01, 0.01, 0.01, 1, 1, 3, 0.03, 0.02, *axis * [20], 0.05])
    best = None
    for k in range(count):
        start = np.concatenate([np.ravel(turns[k]), np.ravel(shifts[k]), np.zeros(len(known_std))])
        fit = least_squares(residuals, start, loss="soft_l1", f_scale=2.0, x_scale=scale, max_nfev=60)
        if plane_of(fit.x).camera_in_plane()[2] > 0 and (best is None or fit.cost < best.cost):
            best = fit
    if best is None:
        return None
    # scipy's jac already carries the robust weights
    information = best.jac.T @ best.jac
    misfit = residuals(best.x)[: -len(known_std)]
    rms = float(np.sqrt((misfit**2).mean())) * corner_std
    inflate = max(1.0, rms / corner_std) ** 2
    as_turn = np.eye(len(best.x) - 1)
    as_turn[:3, :3] = _turn_per_change(best.x[:3])
    pose = CardPose(
        plane=plane_of(best.x),
        middle_mm=readonly(sighting.layout.middle_mm),
        covariance=readonly(as_turn @ (np.linalg.pinv(information) * inflate)[:-1, :-1] @ as_turn.T),
        ink_px=float(best.x[-1]) * float(rough) / float(np.hypot(*(mm[1] - mm[0]))),
        markers=len(sighting.ids),
        bowed=rms > max(0.6, 0.5 * sighting.blur_px),
    )
    spread = -0.5 * float(np.linalg.slogdet(information)[1]) - float(np.log(known_std).sum())
    return _Fitted(lens=lens, pose=pose, cost=float(best.cost), spread=spread)
