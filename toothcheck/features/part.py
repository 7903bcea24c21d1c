"""A sprocket off the machine, flat beside the card, as a part: without being told what it is.

The middle comes from votes along the edges' normals and then from the bore, which is turned in one clamping with the
teeth; the tooth count from the angular harmonics of the rim; the pitch from the root circle that goes with this count.
Scale is the card's and the pitch's together, each by its weight.  The photo is not asked for thickness, offset, or the
fit on the shaft.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.cards.detect import CardSighting, find_card
from toothcheck.cards.layout import PRINT_STD_UNCHECKED
from toothcheck.chains import CHAINS, Chain
from toothcheck.errors import CannotTell
from toothcheck.estimate import Estimate
from toothcheck.features.circles import Seen, View, find_circles, fit_hole, rays_of, steps_on
from toothcheck.geometry import Floats
from toothcheck.matching import Count, Part
from toothcheck.photo import linear_light
from toothcheck.pose import CardPose, PlanePose, card_pose
from toothcheck.toothform import MIN_TEETH, IsoForm
from toothcheck.tracing.centres import meeting_places

LEAST_PX_PER_MM = 3.0
MOST_TILT_DEG = 30.0
HEIGHT_STD_MM = 0.3
LEAN_STD = math.radians(0.25)
"""How parallel card and face lie: both flat on one table."""
_SEARCH_MM = 0.5
_CIRCLES_MM = 8.0, 130.0
"""Radii of the smallest and the largest circle that may show the middle."""
_BEYOND_CARD_MM = 3.0
_TURNS = 2048
_PHASES = 96
_BAND = 64
"""Radii sampled at a time; what it is changes nothing but the time."""
_USUAL_THICKNESS_MM = 6.0


def part_from_photo(
    grey: NDArray[np.uint8],
    focals_35mm: tuple[float, ...],
    *,
    name: str,
    card_height_mm: float = 0.0,
    card_measured_mm: float | None = None,
    size: Chain | None = None,
    thickness_mm: float | None = None,
) -> Part:
    """Read what can be seen of the sprocket in a photo.

    Parameters
    ----------
    grey, focals_35mm
        The photo.
    card_height_mm
        Height of the card's print over the face.
    card_measured_mm
        As in `toothcheck.cards.layout.CardLayout.print_scale`.
    size
        Chain size when it is told (from a stamp): gives the roller, is checked against the pitch seen.
    thickness_mm
        At the bore; the nominal tooth width when not given.

    Raises
    ------
    CannotTell
        When there is no card, the photo is too oblique or too coarse, or no sprocket with a free bore is found.
    """
    sighting = find_card(grey)
    if sighting is None or len(sighting.ids) < 3:
        raise CannotTell(
            f"{name}: the scale card was not found, or too little of it.",
            hint="Lay the printed card beside the part, at the height of its face.",
        )
    print_scale, print_std = sighting.layout.print_scale(card_measured_mm)
    sighting = sighting.printed(print_scale)
    card = card_pose(sighting, grey, focals_35mm)
    plane = card.plane.moved(height_mm=-card_height_mm)
    # gravel makes circles, too: the first middle with teeth round it is the one
    rim: _Rim | None = None
    any_bore = False
    for middle, bore_radius in _middles(grey, plane, sighting):
        any_bore = True
        rim = _rim(grey, middle, bore_radius, size)
        if rim is not None:
            plane = middle
            break
    if not any_bore:
        raise CannotTell(
            f"{name}: no sprocket with a free, round bore was found.",
            hint="Take the part off, lay it flat on something plain, whole in the picture; or type its values.",
        )
    if rim is not None and (plane.tilt_deg > MOST_TILT_DEG or plane.px_per_mm < LEAST_PX_PER_MM):
        raise CannotTell(
            f"{name}: taken {plane.tilt_deg:.0f}° from the side at {plane.px_per_mm:.1f} px/mm.",
            hint=f"Hold the camera square on (under {MOST_TILT_DEG:.0f}°), closer (over {LEAST_PX_PER_MM:g} px/mm).",
        )
    if rim is None:
        raise CannotTell(
            f"{name}: no toothed rim "
            + ("of a chain size known " if size is None else f"for a {size.name} chain ")
            + "was found around the bore.",
            hint="Use a plain background, wipe the teeth, check the chain size and the card height given, and measure "
            "the card's print (--card-measured).",
        )
    table = rim.size
    thickness = thickness_mm if thickness_mm is not None else table.tooth_width_mm
    alike = [c for c in CHAINS.values() if c.pitch_mm == table.pitch_mm] if size is None else [size]
    rollers = [c.roller_diameter_mm for c in alike]
    card_std = math.hypot(_scale_std(card, plane, card_height_mm), print_std)
    plane, rim, scale_std = _settle_scale(plane, rim, table.pitch_mm, (min(rollers), max(rollers)), card_std)
    seen = find_circles(grey, plane, root_radius_mm=rim.root_mm, thickness_mm=thickness, scale_std=scale_std)
    return _part(name, rim, seen, table, size, scale_std)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rim:
    teeth: int
    probability: float
    root_mm: float
    tip_mm: float
    std_mm: float
    size: Chain
    """The size of the best outline; others of the same pitch are not told apart by it."""


def _part(name: str, rim: _Rim, seen: Seen, table: Chain, told: Chain | None, scale_std: float) -> Part:
    z = rim.teeth
    d1 = table.roller_diameter_mm
    pitch = (2 * rim.root_mm + d1) * math.sin(math.pi / z)
    # the seat may stand up to 0.2 mm off the pitch circle and the roller of this pitch may be another
    pitch_std = math.hypot(2 * math.hypot(rim.std_mm, 0.25) * math.sin(math.pi / z), pitch * scale_std)
    reasons = dict(seen.reasons)
    reasons["splines"] = "count them by eye and type them; a round bore is splines=0"
    if told is None:
        reasons["roller_diameter_mm"] = "the seats do not tell the roller finely enough: type the chain size"
    return Part(
        name=name,
        teeth=Count(value=z, probability=rim.probability),
        pitch_mm=Estimate(value=pitch, std=pitch_std),
        roller_diameter_mm=None if told is None else Estimate(value=d1, std=0.0),
        outer_diameter_mm=Estimate(value=2 * rim.tip_mm, std=math.hypot(0.3, 2 * rim.tip_mm * scale_std)),
        root_diameter_mm=Estimate(value=2 * rim.root_mm, std=math.hypot(2 * rim.std_mm, 2 * rim.root_mm * scale_std)),
        bore_mm=seen.bore_mm,
        # a rim that is round all the way has no splines
        splines=None if seen.bore_mm is None else Count(value=0, probability=0.99),
        holes=seen.holes,
        hole_circle_mm=seen.hole_circle_mm,
        hole_mm=seen.hole_mm,
        unknown_because=reasons,
    )


def _scale_std(card: CardPose, plane: PlanePose, card_height_mm: float) -> float:
    """Relative standard uncertainty of lengths at the sprocket, the card's print apart."""
    plane_of = card.beside(card_height_mm, height_std_mm=HEIGHT_STD_MM, lean_std=LEAN_STD)
    ring = 30.0 * rays_of(12)
    px = plane.project(ring)

    def size(v: Floats) -> float:
        points = plane_of(v).on_plane(px)
        return float(np.hypot(*(points - points.mean(0)).T).mean())

    base = size(np.zeros(card.freedoms))
    slope = np.array([(size(0.5 * e) - size(-0.5 * e)) / base for e in np.eye(card.freedoms)])
    return float(np.sqrt((slope**2).sum()))


def _settle_scale(
    plane: PlanePose, rim: _Rim, pitch_mm: float, rollers_mm: tuple[float, float], card_std: float
) -> tuple[PlanePose, _Rim, float]:
    """Bring the card's scale and the pitch's together, each by its weight: plane and rim in it, and how sure it is.

    The root circle that goes with count and pitch is known to ± 0.25 mm of diameter (form, seat); on a large sprocket
    that is better than a card that may lie a little higher or lower than told, or be printed a little too small.  Where
    the size is not told, the roller is any that goes with the pitch, all values alike (JCGM 100:2008, 4.3.7): the
    outline does not tell them apart.
    """
    least, most = rollers_mm
    expected = pitch_mm / math.sin(math.pi / rim.teeth) - (least + most) / 2 - 0.15
    pitch_std = math.hypot(0.25, 2 * rim.std_mm, (most - least) / math.sqrt(12)) / expected
    ratio = expected / (2 * rim.root_mm)
    weight = card_std**2 / (card_std**2 + pitch_std**2)
    factor = 1 + weight * (ratio - 1)
    # lengths grow by the factor when the plane is that much farther away
    away = float(plane.camera_in_plane()[2]) * (factor - 1)
    moved = plane.moved(height_mm=-away)
    # the middle stays where it is seen
    pixel = plane.project(np.zeros((1, 2)))
    settled = replace(rim, root_mm=factor * rim.root_mm, tip_mm=factor * rim.tip_mm)
    scale_std = card_std * pitch_std / math.hypot(card_std, pitch_std)
    return moved.moved(centre_mm=moved.on_plane(pixel)[0]), settled, scale_std


def _middles(grey: NDArray[np.uint8], plane: PlanePose, sighting: CardSighting) -> Iterator[tuple[PlanePose, float]]:
    """Planes with their origin moved to what may be the bore's middle, and its radius; the likeliest first.

    Each is settled when it is asked for: the first is nearly always the one, and settling takes as long as the search.
    """
    h, w = grey.shape
    frame = np.array([[0, 0], [w - 1, 0], [w - 1, h - 1], [0, h - 1]], dtype=np.float64)
    corners = plane.on_plane(frame)
    low, high = corners.min(0), corners.max(0)
    step = _SEARCH_MM
    columns, rows = (np.ceil((high - low) / step).astype(int) + 1).tolist()
    if columns * rows > 4_000_000:
        return
    gx, gy = np.meshgrid(low[0] + step * np.arange(columns), low[1] + step * np.arange(rows))
    maps = plane.project(np.stack([gx, gy], axis=-1)).astype(np.float32)
    shrink = max(1, int(plane.px_per_mm * step))
    source = cv2.blur(grey, (shrink, shrink))
    value = cv2.remap(source, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    value = cv2.GaussianBlur(value.astype(np.float32), (0, 0), 1.6)
    dx, dy = cv2.Sobel(value, cv2.CV_32F, 1, 0), cv2.Sobel(value, cv2.CV_32F, 0, 1)
    size = np.hypot(dx, dy)
    mask = ((maps[..., 0] > 3) & (maps[..., 0] < w - 4) & (maps[..., 1] > 3) & (maps[..., 1] < h - 4)).astype(np.uint8)
    cw, ch = sighting.layout.width_mm + _BEYOND_CARD_MM, sighting.layout.height_mm + _BEYOND_CARD_MM
    if not sighting.layout.name.startswith("mat"):
        quad = np.array([[-3, 3], [cw, 3], [cw, -ch], [-3, -ch]])
        cv2.fillConvexPoly(mask, np.round((quad - low) / step).astype(np.int32), 0)
    mask = cv2.erode(mask, np.ones((5, 5), np.uint8))
    inside = size[mask > 0]
    if len(inside) < 1000:
        return
    strong = (size > np.quantile(inside, 0.9)) & (mask > 0)
    iy, ix = np.nonzero(strong)
    ux, uy = dx[iy, ix] / size[iy, ix], dy[iy, ix] / size[iy, ix]
    tried: list[tuple[float, Floats, float]] = []
    for y, x in meeting_places((iy, ix), (uy, ux), _CIRCLES_MM, (rows, columns), step, count=6):
        guess = low + step * np.array([float(x), float(y)])
        one = _bore_at(grey, plane, guess)
        if one is not None:
            tried.append(one)
    for _, middle, radius in sorted(tried, key=lambda one: -one[0]):
        settled = _settled(grey, plane, middle, radius)
        if settled is not None:
            yield settled


def _settled(
    grey: NDArray[np.uint8], plane: PlanePose, middle: Floats, radius: float
) -> tuple[PlanePose, float] | None:
    """The face's plane about a bore whose circle was seen at ``middle``."""
    # the circle that stands out most may be the near rim or the far one: try both, and believe the pair
    choice: tuple[float, PlanePose, float] | None = None
    for behind in (0.0, _USUAL_THICKNESS_MM):
        level = plane.moved(height_mm=-behind)
        # where it was seen on the face's plane, brought to this one
        seen = level.on_plane(plane.project(middle + radius * rays_of(8)))
        here = level.moved(centre_mm=seen.mean(0))
        guess = float(np.hypot(*(seen - seen.mean(0)).T).mean())
        around = _view_of(grey, here, guess + 6, 0.0)
        # the search may stand off by a millimetre or two where its middle was off
        fits = [fit_hole(around, np.zeros(2), guess + off, 180) for off in (0.0, 0.9, -0.9, 1.8)]
        fitted = min((f for f in fits if f is not None), key=lambda f: f[2], default=None)
        if fitted is None or float(np.hypot(*fitted[0])) > 2.0:
            continue
        face = here.moved(centre_mm=fitted[0]).moved(height_mm=behind)
        view = _view_of(grey, face, fitted[1] + 6)
        near, far = (
            float(np.mean(steps_on(view, np.zeros((1, 2)), np.array([fitted[1]]), rays_of(180), z)))
            for z in (0.0, -_USUAL_THICKNESS_MM)
        )
        if choice is None or near + 0.5 * far > choice[0]:
            choice = (near + 0.5 * far, face, fitted[1])
    if choice is None:
        return None
    # once more on the face, the far rim held apart
    fitted = fit_hole(_view_of(grey, choice[1], choice[2] + 6), np.zeros(2), choice[2], 180)
    if fitted is None or float(np.hypot(*fitted[0])) > 1.0:
        return None
    return choice[1].moved(centre_mm=fitted[0]), fitted[1]


def _view_of(grey: NDArray[np.uint8], plane: PlanePose, radius: float, thickness_mm: float = 6.0) -> View:
    rim = plane.project(radius * rays_of(48))
    h, w = grey.shape
    left, top = np.maximum(np.floor(rim.min(0)).astype(int) - 4, 0).tolist()
    right, bottom = np.minimum(np.ceil(rim.max(0)).astype(int) + 5, (w, h)).tolist()
    return View(
        light=linear_light(grey[top : max(bottom, top + 2), left : max(right, left + 2)]),
        plane=plane,
        thickness_mm=thickness_mm,
        left=left,
        top=top,
    )


def _bore_at(grey: NDArray[np.uint8], plane: PlanePose, guess: Floats) -> tuple[float, Floats, float] | None:
    """How much a circle stands out about a place: score, middle (plane), radius."""
    rays = rays_of(120)
    best: tuple[float, Floats, float] | None = None
    radii = np.arange(5.0, 75.0, 0.4)
    for reach in (1.5, 0.5, 0.2):
        start = guess if best is None else best[1]
        here = plane.moved(centre_mm=start)
        view = _view_of(grey, here, float(radii[-1]) + 3)
        offsets = np.array([[i, j] for i in (-1, 0, 1) for j in (-1, 0, 1)], dtype=np.float64) * reach
        like = steps_on(view, offsets, radii, rays, 0.0)
        for o, row in zip(offsets, like, strict=True):
            i = int(row.argmax())
            score = float(row[i] - np.median(row))
            if best is None or score > best[0]:
                best = (score, start + o, float(radii[i]))
        if best is None or best[0] < 0.15:
            return None
    return best


def _polar(grey: NDArray[np.uint8], plane: PlanePose, start_mm: float) -> tuple[Floats, Floats] | None:
    """Light on (turns, radii) about the plane's origin, as far out as the picture goes; and the radii."""
    step = max(0.1, 0.5 / plane.px_per_mm)
    radii = np.arange(start_mm, 165.0, step)
    view = _view_of(grey, plane, float(radii[-1]))
    rays = rays_of(_TURNS)[:, None, :]
    bands: list[Floats] = []
    # band by band: the picture mostly ends long before the largest sprocket there is
    for start in range(0, len(radii), _BAND):
        light = view.at(radii[start : start + _BAND, None] * rays)
        whole = np.isfinite(light).mean(0) > 0.9
        if not whole.all():
            bands.append(light[:, : int(np.argmin(whole))])
            break
        bands.append(light)
    shown = np.concatenate(bands, axis=1)
    stop = shown.shape[1]
    if stop < 30:
        return None
    return np.nan_to_num(shown, nan=float(np.median(shown[np.isfinite(shown)]))), radii[:stop]


def _field(light: Floats, radii: Floats) -> NDArray[np.complex128]:
    """Double-angle field of the edges on (turns, radii): exp(2iψ)·strength, ψ from the radial direction.

    The double angle forgets which side is darker: a sprocket may be darker than the ground on one side and brighter on
    the other.  Strength saturates at 1.
    """
    step = radii[1] - radii[0]
    soft = cv2.GaussianBlur(light, (0, 0), sigmaX=max(0.6, 0.25 / step), sigmaY=1.2, borderType=cv2.BORDER_REPLICATE)
    along = np.gradient(soft, step, axis=1)
    across = (np.roll(soft, -1, 0) - np.roll(soft, 1, 0)) / (2 * 2 * np.pi / _TURNS * radii)
    size2 = along**2 + across**2
    floor = 1.0 + 2.0 * float(np.median(size2))
    return np.asarray((along + 1j * across) ** 2 / (size2 + floor))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Candidate:
    score: float
    teeth: int
    size: Chain
    phase: float
    """Angle of a gap's axis, radians."""


def _rim(grey: NDArray[np.uint8], plane: PlanePose, bore_radius: float, told: Chain | None) -> _Rim | None:
    """Tooth count and chain size whose ideal outline fits the edges best, and the circles found there."""
    polar = _polar(grey, plane, bore_radius + 1.5)
    if polar is None:
        return None
    light, radii = polar
    field = _field(light, radii)
    spectrum = np.fft.fft(field, axis=0)
    distinct = {(c.pitch_mm, c.roller_diameter_mm): c for c in reversed(list(CHAINS.values()))}
    sizes = list(distinct.values()) if told is None else [told]
    found: list[_Candidate] = []
    for z in range(MIN_TEETH, 91):
        # the field folded tooth on tooth: harmonics of z only
        orders = np.concatenate([np.arange(0, _TURNS // 2, z), np.arange(-z, -_TURNS // 2, -z)])
        kept = spectrum[orders % _TURNS]
        use = np.abs(orders) <= 14 * z
        orders, kept = orders[use], kept[use] / _TURNS
        phases = np.arange(_PHASES) / _PHASES * (2 * math.pi / z)
        turned = np.exp(1j * np.outer(orders, phases))
        for size in sizes:
            form = IsoForm(pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=z)
            if form.tip_radius_mm > radii[-1] - 0.5 or form.root_diameter_mm / 2 < radii[0] + 1:
                continue
            score = _fit_of(form, orders, kept, radii, turned)
            k = int(score.argmax())
            found.append(_Candidate(score=float(score[k]), teeth=z, size=size, phase=float(phases[k])))
    if not found:
        return None
    found.sort(key=lambda c: -c.score)
    best = found[0]
    rival = next((c.score for c in found if c.teeth != best.teeth), 0.0)
    other = next((c.score for c in found if c.size.pitch_mm != best.size.pitch_mm), 0.0)
    if best.score < 0.35 or best.score < 1.5 * max(rival, other):
        return None
    return _circles_of_rim(field, radii, best, 0.995 if best.score > 2.5 * max(rival, other) else 0.96)


@cache
def _normals_of(form: IsoForm) -> tuple[Floats, Floats, NDArray[np.complex128]]:
    """Radius, angle and conjugate double-angle normal (n,) along a gap of an ideal outline.

    Kept, because every middle that is tried and every photo asks for the same few hundred outlines.
    """
    outline = form.gap(0.6)
    x, y = outline.points_mm.T
    r = np.hypot(x, y)
    angle = np.arctan2(-x, y)  # counterclockwise from the gap's axis
    radial = (outline.normals[:, 0] * x + outline.normals[:, 1] * y) / r
    tangent = (-outline.normals[:, 0] * y + outline.normals[:, 1] * x) / r
    return r, angle, np.conj((radial + 1j * tangent) ** 2)


def _fit_of(
    form: IsoForm,
    orders: NDArray[np.int64],
    kept: NDArray[np.complex128],
    radii: Floats,
    turned: NDArray[np.complex128],
) -> Floats:
    """How well an ideal outline's normals agree with the folded field, at each phase; -1…1."""
    r, angle, normal = _normals_of(form)
    column = np.clip(np.round((r - radii[0]) / (radii[1] - radii[0])).astype(int), 0, len(radii) - 1)
    # folded field at (angle + phase): Σ_k F_k(r) exp(i k (angle + phase)); all phases at once
    weighted = kept[:, column] * normal * np.exp(1j * np.outer(orders, angle))
    coefficient = weighted.mean(1)
    return np.asarray((coefficient[:, None] * turned).sum(0).real)


def _circles_of_rim(field: NDArray[np.complex128], radii: Floats, best: _Candidate, probability: float) -> _Rim | None:
    """Root and tip: where the edges that run round the middle are strongest on the gaps' and the teeth's axes."""
    z, size = best.teeth, best.size
    form = IsoForm(pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=z)
    width = 0.1 * form.pitch_angle
    places = []
    for axis, expected, reach in (
        # a card printed 2 % wrong moves the root of a large sprocket by more than the form leaves open
        (best.phase, form.root_diameter_mm / 2, max(0.9, 4 * PRINT_STD_UNCHECKED * form.root_diameter_mm / 2)),
        (best.phase + form.pitch_angle / 2, form.tip_radius_mm, 0.12 * size.pitch_mm),
    ):
        angles = axis + form.pitch_angle * np.arange(z)[:, None] + np.linspace(-width, width, 7)
        rows = np.round(angles / (2 * np.pi) * _TURNS).astype(int) % _TURNS
        strength = np.clip(field[rows].real, 0, None).mean((0, 1))
        near = np.flatnonzero(np.abs(radii - expected) < reach)
        if len(near) < 3:
            return None
        k = int(near[np.argmax(strength[near])])
        low, high = max(0, k - 3), min(len(radii), k + 4)
        w = strength[low:high] - strength[low:high].min() + 1e-9
        places.append(float((w * radii[low:high]).sum() / w.sum()))
    return _Rim(teeth=z, probability=probability, root_mm=places[0], tip_mm=places[1], std_mm=0.15, size=size)
