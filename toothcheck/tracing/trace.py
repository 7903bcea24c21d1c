"""From a place where the outline fits to a traced ring: follow, locate, fit, and again with the better wheel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from toothcheck.edges import Optics
from toothcheck.geometry import Bools, Floats, larger_beside, readonly
from toothcheck.tooth import GapTrace, ToothRing
from toothcheck.toothform import Outline
from toothcheck.tracing.bends import bent_teeth
from toothcheck.tracing.consensus import first_fit, how_seen, on_form
from toothcheck.tracing.fit import UNKNOWNS, Priors, WheelFit, fit, slopes
from toothcheck.tracing.follow import Paths, drawn_over_mm, follow
from toothcheck.tracing.locate import Edges, locate
from toothcheck.tracing.looks import Looks, has_colours
from toothcheck.tracing.missing import missing_teeth
from toothcheck.tracing.rims import Rims, Wheel, flank_outline, rims, worn_outline
from toothcheck.tracing.sight import in_plain_sight
from toothcheck.tracing.tips import TipsSeen, tips_apart

_SHARED = ("height", "tilt_x", "tilt_y", "thickness")
_REACH_MM = 3.4
_SETTLED = 3
"""Sweep from which on the wheel stands well enough to say what wear is to be expected where."""
_LOSS_MM, _COAST_LOSS_MM, _COAST_GAIN_MM = 3.0, 0.3, 0.15
"""How much may be gone from a drive flank of unknown wear and from a coast flank, and how far a coast flank may stand
outside the form, as standard deviations."""
_SEAT_VOTES = 0.65
"""How far up the seat, of the way from its bottom to its end, its drive half votes."""
_SCATTER_MM = 0.22
"""How much a tooth's loss may differ from its neighbours' before the photo must say so clearly."""
_DOUBT_MM, _DOUBT_EVIDENCE = 0.25, 0.45
"""Where no step stands at all a path may be anywhere within a quarter of a millimetre of its neighbours'; the doubt
fades with the evidence."""
_SEAT_TOLERANCE_MM = 0.15
_FEW, _ENOUGH = 0.25, 0.5
"""Which share of a gap's places must show an edge for it to be trusted at all, and from which on fully."""
_TRACED = 0.05
"""Trust from which a gap lies on the form far enough to be measured."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Traced:
    """What comes of tracing one wheel."""

    ring: ToothRing
    wheel: Wheel
    """As fitted last."""
    fit: WheelFit


def _coast_side(outline_x: Floats, drive_clockwise: bool) -> Bools:
    """Which points of a gap's frame belong to coast flanks and the coast halves of seats.

    In a gap's frame x points right as seen, so the tooth on the clockwise side of the gap stands at +x, and shows the
    gap its counterclockwise flank.
    """
    return outline_x > 0 if drive_clockwise else outline_x < 0


def trace(
    planes: NDArray[np.uint8], start: Wheel, priors: Priors, optics: Optics, *, drive_clockwise: bool, scale_std: float
) -> Traced:
    """Trace a wheel that a seed has placed to within a millimetre or two.

    Parameters
    ----------
    planes
        (height, width, 3) luma and chroma of the photo.
    start
        From the seed, blend 0.5.
    priors
        About the start.
    drive_clockwise
        Whether drive flanks are on the clockwise sides of teeth.
    optics
        Blur and noise of the photo.
    scale_std
        Relative uncertainty of the scale, for the ring.
    """
    z = start.form.teeth
    step = max(0.2, 1.0 / start.plane.px_per_mm)
    wheel, unknowns, result = start, None, None
    trust = np.zeros(z)
    tip: float | None = None
    worn: tuple[Floats, Floats] | None = None
    line: Floats | None = None
    for sweep in range(6):
        ideal = flank_outline(wheel.form, step, _REACH_MM)
        # worn flanks face another way than new ones: their walls come into sight, or leave it, elsewhere
        outline = ideal if worn is None else worn_outline(ideal, np.interp(_arc(ideal), *worn), step)
        coast = _coast_side(outline.points_mm[:, 0], drive_clockwise)
        frame = rims(wheel, outline, tip)
        expected: dict[str, Floats] = {}
        if sweep >= _SETTLED:
            loss, gain = np.full((2, len(coast)), _SCATTER_MM)
            if worn is None:
                loss, gain = np.full(len(coast), _LOSS_MM), drawn_over_mm(wheel.form, outline.points_mm, _COAST_GAIN_MM)
            expected = {
                "loss_std_mm": np.where(coast, _COAST_LOSS_MM, loss),
                "gain_std_mm": np.where(coast, _COAST_GAIN_MM, gain),
            }
        paths = follow(planes, frame, optics, **expected)
        edges = locate(planes, frame, paths, optics, drive_clockwise=drive_clockwise, line=line)
        line = edges.line
        # tips are bevelled: from a little above the pitch circle the near rim may leave the form
        radius = np.hypot(outline.points_mm[:, 0], outline.points_mm[:, 1])
        low = radius < min(wheel.form.bevel_free_radius_mm(tip), wheel.form.pitch_radius_mm + 0.3)
        voter = (coast & low)[edges.place]
        if sweep == 0:
            clear = (paths.near_evidence > 0.3) & (np.abs(paths.offset_mm) < 1.2)
            trust = clear[:, coast].mean(1) ** 2
            votes = voter * trust[edges.gap] * ~edges.far * 1.0
            result = first_fit(start, edges, votes, priors)
        else:
            tolerance = {1: 0.5, 2: 0.3}.get(sweep, _SEAT_TOLERANCE_MM)
            trust = _gap_trust(wheel, edges, voter & ~edges.far, int((coast & low).sum()), tolerance)
            seat = ~coast & (wheel.form.seat_share(outline.points_mm) < _SEAT_VOTES)
            votes = np.where(voter, np.where(edges.far, 0.3, 1.0), 0.5 * (seat[edges.place] & ~edges.far))
            # a gap that lies on the form alone may be a link's, or a shadow
            believed = np.where(larger_beside(trust) > _TRACED, trust, 0.0)
            votes *= (believed * how_seen(edges, trust, len(coast)))[edges.gap]
            result = fit(start, edges, votes, priors, begin=unknowns, wide_mm={1: 0.7, 2: 0.5}.get(sweep, 0.35))
        wheel, unknowns = result.wheel, result.unknowns
        if sweep >= 2:
            tip = _tip_radius(wheel, outline, paths, trust, coast)
        if sweep >= _SETTLED:
            worn = _typical_wear(outline, paths, trust, coast, ideal, tip)
    assert result is not None
    damage = _damaged(planes, wheel, frame, paths, trust, optics)
    shared = slopes(start, result.unknowns, priors, edges, _SHARED) @ _shared_root(result)
    modes = np.column_stack([-shared, _exposure(wheel, edges, priors.bias_mm)])
    ring = ToothRing(
        pitch_mm=wheel.form.pitch_mm,
        roller_diameter_mm=wheel.form.roller_diameter_mm,
        teeth=z,
        phase=wheel.phase,
        gaps=_gap_traces(frame, paths, edges, modes, trust, mm_per_px=1.0 / wheel.plane.px_per_mm),
        tooth_flags=_tooth_flags(paths, trust, damage),
        mode_names=(*_SHARED, "exposure", "glare_x", "glare_y"),
        scale_std=scale_std,
        tips_apart=tuple(damage.apart.items()),
        leaning=tuple(damage.leaning.items()),
        tip_radius_mm=tip,
    )
    return Traced(ring=ring, wheel=wheel, fit=result)


class _Damage(NamedTuple):
    """Which teeth (indices) are not there, not to be seen, or not as high as the others."""

    gone: set[int]
    faint: set[int]
    """Their edges are next to none: a path through what is seen in their place would be no outline."""
    apart: dict[int, float]
    """By how much their tips end higher than the others' that do not end with them, mm."""
    leaning: dict[int, float | None]
    """By how much those lean that may be bent, degrees; None where only their creases tell."""


def _damaged(
    planes: NDArray[np.uint8], wheel: Wheel, frame: Rims, paths: Paths, trust: Floats, optics: Optics
) -> _Damage:
    sight = in_plain_sight(wheel, frame, paths, trust)
    faint = set(np.flatnonzero(sight.faint).tolist())
    if not sight.plain.any():
        return _Damage(set(), faint, {}, {})
    looks = Looks(planes, wheel, sight.clear)
    gone, perhaps = missing_teeth(planes, wheel, frame, paths, sight, looks, optics)
    tips = TipsSeen(planes, wheel, sight, optics)
    apart = {i: mm for i, mm in tips_apart(tips, sight, looks).items() if i not in gone}
    bent = bent_teeth(planes, wheel, frame, paths, sight, tips, optics)
    leaning = {i: degrees for i, degrees in bent.items() if i not in gone}
    if not has_colours(planes):
        # dirt as grey as the ground looks like a gap, too: all that is said is that the tooth seems to end much lower
        gone, perhaps = set(), perhaps | gone
    whole = wheel.form.pitch_radius_mm - wheel.form.tip_radius_mm
    return _Damage(gone, faint, dict.fromkeys(perhaps, whole) | apart, leaning)


def _arc(outline: Outline) -> Floats:
    """Arc length along an outline, 0 at the gap's bottom, negative towards -x."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(outline.points_mm, axis=0).T))])
    out: Floats = along - np.interp(0.0, outline.points_mm[:, 0], along)
    return out


def _tip_radius(wheel: Wheel, outline: Outline, paths: Paths, trust: Floats, coast: Bools) -> float | None:
    """Where the coast flanks' edges end: the evidence for a step falls to half of what it is below the pitch circle.

    Good to about 0.3 mm; the outline's reach where the flanks go on beyond it.  None where too few gaps are trusted.
    """
    good = trust > 0.3
    if good.sum() < 3:
        return None
    above = np.hypot(outline.points_mm[:, 0], outline.points_mm[:, 1]) - wheel.form.pitch_radius_mm
    evidence = paths.near_evidence[good]
    base = float(np.median(evidence[:, coast & (above > -1.5) & (above < 0)]))
    for low in np.arange(0.6, _REACH_MM - 0.2, 0.1):
        here = coast & (above >= low) & (above < low + 0.25)
        if here.any() and float(np.median(evidence[:, here])) < 0.5 * base:
            return float(wheel.form.pitch_radius_mm + low + 0.05)
    return wheel.form.pitch_radius_mm + _REACH_MM


def _typical_wear(
    outline: Outline, paths: Paths, trust: Floats, coast: Bools, ideal: Outline, tip: float | None
) -> tuple[Floats, Floats] | None:
    """Arc lengths on the ideal outline and the median offset there over trusted gaps; none on the coast side.

    Beyond the tip, where there is no metal to follow, it stays what it was below.
    """
    good = trust > 0.2
    if good.sum() < 3:
        return None
    moved = outline.points_mm + paths.offset_mm[..., None] * outline.normals
    # offsets from the ideal outline, whatever outline was followed
    right, up = (moved[good][..., None, axis] - ideal.points_mm[::2, axis] for axis in (0, 1))
    nearest = np.argmin(right**2 + up**2, axis=-1)
    base = ideal.points_mm[::2][nearest]
    offset = ((moved[good] - base) * ideal.normals[::2][nearest]).sum(-1)
    arc = _arc(ideal)[::2]
    middle = np.zeros(len(arc))
    for k in range(len(arc)):
        here = np.abs(nearest - k) <= 1
        if here.sum() >= 3:
            middle[k] = np.median(offset[here])
    drive_at_minus = bool(outline.points_mm[~coast][0, 0] < 0)
    drive = (ideal.points_mm[::2, 0] < 0) == drive_at_minus
    middle = np.where(drive, middle, 0.0)
    radius = np.hypot(*ideal.points_mm[::2].T)
    metal = drive & (radius < (math.inf if tip is None else tip))
    if metal.any():
        middle[drive & ~metal] = middle[metal][np.argmax(radius[metal])]
    return arc, gaussian_filter1d(middle, 0.6 / max(float(np.diff(arc).mean()), 0.05))


def _gap_trust(wheel: Wheel, edges: Edges, voter: Bools, expected: int, tolerance_mm: float) -> Floats:
    """How far each gap's voting edges lie on the form, 0…1; less where few of those ``expected`` are seen."""
    share, count = on_form(wheel, edges, voter, tolerance_mm)
    out: Floats = np.where(count > _FEW * expected, share * np.minimum(1.0, count / (_ENOUGH * expected)), 0.0)
    return out


def _exposure(wheel: Wheel, edges: Edges, bias_std_mm: float) -> Floats:
    """(m, 3) how the exposure may move edges against one another, mm for a standard deviation of each way it may.

    Burnt-out metal spills over its edges: more or less depending on what it spills upon (the step's height), and more
    where the light is reflected strongest, on one side of the wheel.  Seats and coast flanks, which face every way all
    round, show it, and drive flanks are relieved of it by the datum fit.
    """
    usual = float(np.median(edges.step))
    spread = 1.4826 * float(np.median(np.abs(edges.step - usual))) + 5.0
    angle = wheel.gap_axis(edges.gap.astype(np.float64))
    ways = [np.clip((edges.step - usual) / spread, -2, 2), np.cos(angle), np.sin(angle)]
    return np.stack(ways, axis=1) * bias_std_mm


def _shared_root(result: WheelFit) -> Floats:
    """(k, k) a root of the covariance of what all edges share; the same edges are weighed again by the datum fit.

    So it has twice the variance, that they do not count double.
    """
    shared = [UNKNOWNS.index(name) for name in _SHARED]
    block = result.covariance[np.ix_(shared, shared)]
    return np.asarray(np.linalg.cholesky(2.0 * block + 1e-12 * np.eye(len(shared))), dtype=np.float64)


def _gap_traces(
    frame: Rims, paths: Paths, edges: Edges, modes: Floats, trust: Floats, *, mm_per_px: float
) -> tuple[GapTrace, ...]:
    """What was traced of the near rim in each gap that lies on the form."""
    gaps = []
    for g in np.flatnonzero(trust > _TRACED):
        mine = (edges.gap == g) & ~edges.far
        place = edges.place[mine]
        gaps.append(
            GapTrace(
                index=int(g),
                nominal_mm=readonly(frame.outline.points_mm[place]),
                normals=readonly(frame.outline.normals[place]),
                offset_mm=readonly(edges.offset_mm[mine]),
                std_mm=readonly(edges.std_px[mine] * mm_per_px),
                doubt_mm=readonly(_DOUBT_MM * np.exp(-paths.near_evidence[g, place] / _DOUBT_EVIDENCE)),
                modes_mm=readonly(modes[mine]),
                darker=edges.step[mine] < 0,
            )
        )
    return tuple(gaps)


def _tooth_flags(paths: Paths, trust: Floats, damage: _Damage) -> tuple[tuple[str, ...], ...]:
    """For each tooth why it cannot be measured; nothing where it can."""
    outside = np.logical_not(paths.in_frame.any(axis=1))
    flags: list[tuple[str, ...]] = []
    for i in range(len(trust)):
        sides = (i, (i + 1) % len(trust))
        if any(outside[g] for g in sides):
            flags.append(("out-of-frame",))
        elif i in damage.gone:
            flags.append(("broken",))
        elif any(trust[g] <= _TRACED for g in sides):
            flags.append(("covered",))
        elif i in damage.faint:
            flags.append(("unclear-edge",))
        else:
            flags.append(())
    return tuple(flags)
