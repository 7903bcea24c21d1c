"""Measure a row of pin ends in a photo: rims at sub-pixel, places in the plane, and how sure the plane is.

The plane is the card's, moved by the told card height.  What the card leaves open along the run (perspective, the
lens's k1) the chain itself helps to settle: its links come in two kinds, each kind of nearly one length, so the row
must be evenly spaced.  Scale never comes from the chain.

The errors by size: card print (told or not); card height (1 mm is 0.3 % at 300 mm distance, 0.1 % at 1 m); k1 and
perspective beyond the card; the rims, some hundredths of a millimetre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from toothcheck.cards.detect import CardSighting, find_card
from toothcheck.chainphoto.seek import Row, find_row
from toothcheck.chains import CHAINS, Chain
from toothcheck.edges import fit_erf, sample
from toothcheck.errors import CannotTell
from toothcheck.geometry import Floats, readonly
from toothcheck.photo import linear_light
from toothcheck.pose import CardPose, PlanePose, card_pose
from toothcheck.stretch import PinRow

LEAST_PITCHES = 8
"""Fewer pitches do not support a decision: the rims alone would cost 0.1 %."""
MOST_TILT_DEG = 25.0
LEAST_PX_PER_MM = 4.0
MOST_STD = 0.002
"""Greatest relative uncertainty of plane and lens that still supports a decision, the card's print apart."""
HEIGHT_STD_MM = 0.2
"""How well a told card height is known: by a calliper's depth rod (common practice, no source)."""
LEAN_STD = math.radians(0.4)
"""How parallel the card lies to the chain, lying on one board with it (common practice, no source)."""
_LINK_STD_MM = 0.03
_RAYS = 48


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChainSighting:
    """A measured run of chain."""

    row: PinRow
    pins_px: Floats
    """(n, 2) middles of the pin ends in the photo."""
    seen: NDArray[np.bool_]
    """(n,) False where a pin end could not be measured and its neighbours tell where it is."""
    tilt_deg: float
    px_per_mm: float
    distance_mm: float
    plane_std: float
    """Relative standard uncertainty from plane, height and lens."""
    print_std: float
    """Relative standard uncertainty from the card's print."""


def measure_run(
    grey: NDArray[np.uint8],
    focals_35mm: tuple[float, ...],
    size: Chain,
    *,
    card_height_mm: float | None = None,
    card_measured_mm: float | None = None,
) -> ChainSighting:
    """Find and measure the run of chain in a photo.

    Parameters
    ----------
    grey, focals_35mm
        The photo (`toothcheck.photo`).
    card_height_mm
        Height of the card's print over the pin ends, towards the camera; negative when it lies behind them.  0 where it
        is not told, which no mat under the chain can have.
    card_measured_mm
        Outer edge to outer edge of the print's outermost markers along its top row, as measured with a calliper;
        without it the print is taken to be true to half a per cent.

    Raises
    ------
    CannotTell
        When there is no card or no row of pins, when the card is a mat whose height was not told, or when plane, scale
        or length do not support a decision.
    """
    if card_height_mm is not None and not -50 <= card_height_mm <= 50:
        raise ValueError(f"card_height_mm must lie between -50 and 50, not {card_height_mm}")
    sighting = find_card(grey)
    if sighting is None or len(sighting.ids) < 3:
        raise CannotTell(
            "The scale card was not found, or too little of it.",
            hint="Print it (toothcheck card pocket) and lay it beside the run, flat, at the height of the pin ends.",
        )
    if card_height_mm is None and sighting.layout.is_mat:
        raise CannotTell(
            "The card is a mat, over which the pin ends stand.",
            hint="Say how far its print lies behind them (--card-height=-7), or lay a pocket card at their height.",
        )
    height_mm = card_height_mm or 0.0
    print_scale, print_std = sighting.layout.print_scale(card_measured_mm)
    sighting = sighting.printed(print_scale)
    card = card_pose(sighting, grey, focals_35mm)
    if card.bowed:
        raise CannotTell(
            "The card is not flat: its scale cannot be carried over to the chain.", hint="Glue it to something flat."
        )
    plane = card.plane.moved(height_mm=-height_mm)
    _support(plane, grey)
    row = find_row(grey, plane, size.pitch_mm, [sighting.layout.outline_mm])
    if row is None:
        raise CannotTell(
            _no_row(grey, plane, sighting, size), hint="Clean the plates, use diffuse light, check --chain."
        )
    rims = _rims(grey, plane, row, size.pitch_mm)
    if rims.seen.sum() < LEAST_PITCHES + 1 or len(rims.px) < LEAST_PITCHES + 1:
        raise CannotTell(
            f"Only {max(0, len(rims.px) - 1)} pitches could be measured; a decision needs {LEAST_PITCHES}, better 12.",
            hint="Get a longer straight run into the picture and wipe the pin ends.",
        )
    even = _even(card, rims, height_mm)
    if even.plane_std > MOST_STD:
        raise CannotTell(
            f"The plane is too uncertain ({100 * even.plane_std:.2f} % of length).",
            hint="Lay the card along the middle of the run at the height of the pin ends; step back and zoom in.",
        )
    return ChainSighting(
        row=PinRow(
            pins_mm=readonly(even.pins_mm),
            std_mm=readonly(rims.std_px / even.plane.px_per_mm),
            scale_std=math.hypot(even.plane_std, print_std),
        ),
        pins_px=readonly(rims.px),
        seen=rims.seen,
        tilt_deg=even.plane.tilt_deg,
        px_per_mm=even.plane.px_per_mm,
        distance_mm=float(even.plane.camera_in_plane()[2]),
        plane_std=even.plane_std,
        print_std=print_std,
    )


def _support(plane: PlanePose, grey: NDArray[np.uint8]) -> None:
    h, w = grey.shape
    middle = plane.on_plane(np.array([(w - 1) / 2, (h - 1) / 2]))
    here = plane.moved(centre_mm=middle)
    if here.tilt_deg > MOST_TILT_DEG:
        raise CannotTell(
            f"The photo was taken {here.tilt_deg:.0f}° from the side; over {MOST_TILT_DEG:.0f}° plates hide pins.",
            hint="Hold the camera square on to the run.",
        )
    if here.px_per_mm < LEAST_PX_PER_MM:
        raise CannotTell(
            f"The chain is too small in the picture ({here.px_per_mm:.1f} px/mm; {LEAST_PX_PER_MM:g} are needed).",
            hint="Zoom in until run and card fill the picture, or use more megapixels.",
        )


def _no_row(grey: NDArray[np.uint8], plane: PlanePose, sighting: CardSighting, size: Chain) -> str:
    """Say which other pitch the picture would support."""
    hidden = [sighting.layout.outline_mm]
    for pitch in (15.875, 12.7, 19.05, 9.525):  # the common ones: each search takes its time
        if pitch == size.pitch_mm:
            continue
        row = find_row(grey, plane, pitch, hidden)
        if row is not None and row.seen.sum() >= 8:
            names = ", ".join(c.name for c in CHAINS.values() if c.pitch_mm == pitch)
            return f"No row of pins {size.pitch_mm:g} mm apart was found, but one with {pitch:g} mm ({names})."
    return f"No row of pin ends {size.pitch_mm:g} mm apart was found in the picture."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rims:
    px: Floats
    std_px: Floats
    seen: NDArray[np.bool_]


def _rims(grey: NDArray[np.uint8], plane: PlanePose, row: Row, pitch_mm: float) -> _Rims:
    """Middles of the pin ends, from circles fitted to rims at sub-pixel.

    A pin stands a little out of its plate, so on the side turned to the camera its wall is seen, and the rim found
    there is a mixture of top and foot: farther out where the wall is as bright as the pin, farther in where it is
    darker than the plate, in proportion to the view angle.  That one proportion is fitted for the whole row together
    with the common radius (the radius would seem to grow along the row); the middles are those of the top rims.
    """
    a = np.linspace(0, 2 * math.pi, _RAYS, endpoint=False)
    out = np.stack([np.cos(a), np.sin(a)], axis=1)
    centres, radius = row.places_mm.copy(), row.radius_mm
    n = len(centres)
    camera = plane.camera_in_plane()
    foot = 0.0
    good = np.zeros((n, _RAYS), bool)
    weight = np.zeros((n, _RAYS))
    scatter = np.full(n, 1.0)
    step = 0.5 / plane.px_per_mm
    left, top, light = _crop(grey, plane.project(centres), pitch_mm * plane.px_per_mm)
    for reach in (0.09 * pitch_mm, 0.06 * pitch_mm, 0.045 * pitch_mm):
        m = 2 * max(4, round(reach / step)) + 1
        t = np.linspace(-reach, reach, m)
        lean = (camera[:2] - centres) / camera[2]
        wall = np.maximum(lean @ out.T, 0.0)
        r0 = radius + 0.5 * foot * wall
        at = centres[:, None, None] + (r0[..., None] + t)[..., None] * out[None, :, None]
        px = plane.project(at.reshape(-1, 2)) - (left, top)
        profiles = sample(light, px[:, 0].reshape(-1, m), px[:, 1].reshape(-1, m)).astype(np.float64)
        inside = np.isfinite(profiles).all(1)
        fit = fit_erf(np.where(np.reshape(inside, (-1, 1)), profiles, 0.0), blur=1.6)
        sign = -1.0 if row.brighter else 1.0
        ok = inside & fit.good & (sign * fit.step > 1.0)
        found = (r0.ravel() + fit.position * (t[1] - t[0])).reshape(n, _RAYS)
        good = np.asarray(ok).reshape(n, _RAYS)
        centres, radius, foot, weight, scatter = _circles(centres, found, good, out, wall, radius)
    effective = weight.sum(1)
    seen = row.seen & (effective >= 12) & (scatter < 0.05 * pitch_mm)
    # neighbouring rays share pixels: fewer are independent than were sampled
    independent = np.minimum(effective, 2 * math.pi * radius * plane.px_per_mm / 2)
    std = np.sqrt((scatter**2 + 0.005**2) * 2 / np.maximum(independent, 2)) * plane.px_per_mm
    std = np.hypot(std, 0.03)  # px: what pixels and blur leave even of a perfect rim
    if seen.any():  # dirt that looks like a rim is far less even than a rim
        seen = seen & (std < max(0.15, 4 * float(np.median(std[seen]))))
    keep = slice(int(np.argmax(seen)), n - int(np.argmax(seen[::-1]))) if seen.any() else slice(0, 0)
    middles, seen, std = plane.project(centres)[keep], seen[keep], std[keep]
    for i in np.flatnonzero(~seen):
        before, after = np.flatnonzero(seen[:i])[-1], i + 1 + np.flatnonzero(seen[i + 1 :])[0]
        f = (i - before) / (after - before)
        middles[i] = (1 - f) * middles[before] + f * middles[after]
        std[i] = 0.02 * pitch_mm * plane.px_per_mm
    return _Rims(px=middles, std_px=std, seen=seen)


def _crop(grey: NDArray[np.uint8], px: Floats, margin: float) -> tuple[int, int, NDArray[np.float32]]:
    left, top = np.maximum(np.floor(px.min(0) - margin).astype(int), 0)
    right, bottom = np.ceil(px.max(0) + margin).astype(int) + 1
    return int(left), int(top), linear_light(grey[top:bottom, left:right])


def _circles(
    centres: Floats, found: Floats, good: NDArray[np.bool_], out: Floats, wall: Floats, radius: float
) -> tuple[Floats, float, float, Floats, Floats]:
    """Fit circles of one common radius to rims found on rays, and the one proportion of the walls; robust."""
    n, rays = found.shape
    weight = good.astype(np.float64)
    foot = 0.0
    shift = np.zeros((n, 2))
    scale = np.full(n, 0.15)
    common = radius
    rest = np.zeros((n, rays))
    for _ in range(12):
        # each pin's middle, given radius and proportion
        rest = found - common - foot * wall
        for i in range(n):
            w = weight[i]
            if w.sum() < 5:
                continue
            normal = (out * w[:, None]).T @ out + 1e-6 * np.eye(2)
            shift[i] = np.linalg.solve(normal, out.T @ (w * rest[i]))
        rest = found - shift @ out.T
        # radius and proportion, given the middles; 0 ± 0.4 mm is what stand-outs of up to 0.8 mm can do
        w = weight / scale[:, None] ** 2
        sums = np.array([[w.sum(), (w * wall).sum()], [(w * wall).sum(), (w * wall**2).sum() + _RAYS / 2 / 0.4**2]])
        right = np.array([(w * rest).sum(), (w * wall * rest).sum()])
        common, foot = np.linalg.solve(sums + 1e-9 * np.eye(2), right).tolist()
        foot = min(max(foot, -1.0), 1.0)
        rest = rest - common - foot * wall
        for i in range(n):
            if good[i].sum() >= 5:
                scale[i] = max(0.01, 1.4826 * float(np.median(np.abs(rest[i][good[i]]))))
        weight = np.clip(1 - (rest / (4.5 * scale[:, None])) ** 2, 0, None) ** 2 * good
    spread = np.sqrt((weight * rest**2).sum(1) / np.maximum(weight.sum(1) - 2, 1))
    return centres + shift, common, foot, weight, np.where(weight.sum(1) >= 5, spread, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Even:
    pins_mm: Floats
    plane: PlanePose
    plane_std: float


def _even(card: CardPose, rims: _Rims, card_height_mm: float) -> _Even:
    """The plane of the pin ends, most probable given the card and that the row is evenly spaced.

    Unknown: the card's pose with its lens (prior: the card's own covariance), height and lean of the pins' plane
    against it (prior: what a hand can do), and the row: start, heading, sag, pitch, alternation.
    """
    plane_of = card.beside(card_height_mm, height_std_mm=HEIGHT_STD_MM, lean_std=LEAN_STD)
    free = card.freedoms
    n = len(rims.px)
    i = np.arange(n) - (n - 1) / 2

    first = plane_of(np.zeros(free))
    pins = first.on_plane(rims.px)
    chord = pins[-1] - pins[0]
    heading = math.atan2(chord[1], chord[0])
    pitch = float(np.hypot(*chord)) / (n - 1)
    std = np.hypot(rims.std_px, _LINK_STD_MM * first.px_per_mm)

    def residuals(v: Floats) -> Floats:
        x0, y0, h, p, alternate, sag = v[free:]
        along = p * i + alternate * 0.25 * (-1.0) ** np.arange(n)
        across = sag * ((2 * i / (n - 1)) ** 2 - 1)
        c, s = math.cos(h), math.sin(h)
        places = np.stack([x0 + c * along - s * across, y0 + s * along + c * across], axis=1)
        off = (plane_of(v).project(places) - rims.px) / std[:, None]
        return np.concatenate([off.ravel(), v[:free]])

    start = np.concatenate([np.zeros(free), pins.mean(0), [heading, pitch, 0.0, 0.0]])
    scale = np.concatenate([np.ones(free), [1, 1, 0.01, 0.1, 0.1, 0.5]])
    fit = least_squares(residuals, start, loss="soft_l1", f_scale=3.0, x_scale=scale, max_nfev=40)
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac)[:free, :free]

    def length(v: Floats) -> float:
        steps = np.diff(plane_of(v).on_plane(rims.px), axis=0)
        return float(np.hypot(steps[:, 0], steps[:, 1]).sum())

    base = length(fit.x)
    slope = np.array([(length(fit.x + 0.5 * e) - length(fit.x - 0.5 * e)) / base for e in np.eye(len(fit.x))[:free]])
    plane = plane_of(fit.x)
    here = plane.on_plane(rims.px)
    return _Even(
        pins_mm=here - here.mean(0),
        plane=plane.moved(centre_mm=here.mean(0)),
        plane_std=math.sqrt(float(slope @ covariance @ slope)),
    )
