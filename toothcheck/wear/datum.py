"""The datum: where the ideal wheel stands, from what drive wear leaves alone.

The fit turns, moves and scales the ring and places the ideal form between the two limit forms so that coast flanks and
the coast halves of the seats lie on it.  The drive flank never votes, or it would turn the datum by half its wear and
hide it; the drive halves of the seats vote on how they vary round the wheel, not on their even wear, and what that has
taken at the bottom is carried on over the coast half, where it fades.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.geometry import Bools, Floats, Ints, readonly
from toothcheck.tooth import GapTrace, ToothRing
from toothcheck.toothform import Faced, IsoForm

_TEXTURE_MM, TEXTURE_LENGTH_MM = 0.035, 0.8
"""What dirt, shading and bevels move an edge by, and over what length they do so alike."""
_SEAT_VOTES = 0.65
"""How far up the seat, of the way from its bottom to its end, its drive half votes."""
_SEAT_MOST = 0.3, 0.5
"""The largest standard deviations of the seats' even loss, mm."""
_SETTLED = 7
"""From which sweep on the fit has settled enough to say what a seat's bottom has lost."""
_BOTTOM_MM, _BOTTOM_SHARE = 0.01, 0.3
"""From which loss at a seat's bottom, and how far up its coast half, wear of the drive half is carried over the gap's
axis: a roller that is drawn up the drive flank rests on both sides of it."""
_BEVEL_TURN_MM = 0.15
"""Over what height an edge turns from the flank to the bevel's slant."""
_UNKNOWNS = {
    "x": (0.01, 1.0),
    "y": (0.01, 1.0),
    "phase": (0.0005, 0.05),
    "scale": (0.001, 0.02),
    "blend": (0.02, 0.4),
    "root": (0.01, 0.2),
    "bias": (0.01, 0.1),
    "coast": (0.01, 0.2),
    "seat": (0.05, 0.3),
    "seat_slope": (0.05, 0.3),
    "coast_seat": (0.01, 0.1),
    "carried": (0.1, 0.3),
    "bevel": (0.05, 0.3),
    "bevel_light": (0.05, 0.3),
    "bevel_from": (0.05, 0.3),
}
"""Step of the numerical derivative, and the most that one sweep may move it; mm, radians, shares."""
_MODE = (0.2, 2.0)
"""The same for each of the ring's shared modes, which follow."""
(
    X, Y, PHASE, SCALE, BLEND, ROOT, BIAS, COAST, SEAT, SEAT_SLOPE, COAST_SEAT, CARRIED,
    BEVEL, BEVEL_LIGHT, BEVEL_FROM
) = range(len(_UNKNOWNS))  # fmt: skip
_OF_THE_PLACE = (X, Y, PHASE, SCALE)
"""Unknowns that move all points alike."""
_OF_THE_BEVEL = (BEVEL, BEVEL_LIGHT, BEVEL_FROM)
OF_THE_LOSS = (BIAS, COAST, SEAT, SEAT_SLOPE, COAST_SEAT, CARRIED, *_OF_THE_BEVEL)
"""Unknowns that change nothing of the ideal wheel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DatumPriors:
    """Standard deviations of what the datum fit may change, besides place and phase, which are free."""

    blend: float = 0.29
    """That of the uniform distribution between the limit forms, about their middle."""
    root_mm: float = 0.08
    """Makers and sources differ on the seat's centre by 0.05-0.2 mm (see `toothcheck.toothform`)."""
    bias_mean_mm: float = 0.0
    """How far all edges are expected to stand outside the metal (exposure)."""
    bias_mm: float = 0.03
    """All edges alike: exposure, threshold."""
    coast_share: float = 0.05
    """Even loss of all coast flanks against the drive flanks' (common practice, no source): the chain loads them only
    under engine braking."""
    coast_share_std: float = 0.08
    coast_seat_share_std: float = 0.045
    """A coast loss that grows from the gap's bottom, against the drive flanks' loss; hard to tell from a turned datum,
    so mostly doubt."""
    coast_floor_mm: float = 0.02
    """Standard deviation of that loss on an unworn part."""
    seat_mm: tuple[float, float] = (0.02, 0.03)
    """Standard deviations on an unworn part of the even loss of the seats' drive halves, at the bottom and for each
    share of the way to the seat's end."""
    seat_share: tuple[float, float] = (0.5, 1.0)
    """What the drive flanks' loss adds to each, as a share of it: seats wear with the flanks (common practice, no
    source).  Without it a turned datum passes for wear of the seats."""
    carried: float = 0.45
    carried_std: float = 0.15
    """How much of a seat's loss at its bottom goes on beyond the gap's axis: nothing where rollers were drawn up one
    flank, all of it where they settle (common practice, no source).  No photo tells, since a turned datum looks the
    same, so the fit is held near the middle."""
    bevel: float = 0.25
    bevel_std: float = 0.25
    """How far the face's own edge stands back behind the flank for each millimetre above where the tip's bevel begins,
    mm (seen on made photos: 0 to 0.5)."""
    bevel_light: float = 0.1
    bevel_light_std: float = 0.15
    """The same for edges before a lighter ground, which are mostly the outline's."""
    bevel_from_std_mm: float = 0.4
    """Of where the bevel begins, about `IsoForm.bevel_free_radius_mm` of the tip as seen."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Datum:
    """Where the ideal wheel stands in the ring's plane."""

    form: IsoForm
    shift_mm: Floats
    """(2,) the ideal centre, in the ring's plane."""
    turn: float
    """Radians, ideal against the ring's nominal phase."""
    scale: float
    """True mm per ring mm."""
    bias_mm: float
    coast_mm: float
    gap_form: Estimate
    turn_mm: Estimate
    """The turn as arc length at the pitch circle, with its standard uncertainty."""
    unknowns: Floats
    """(k,) fitted values: place, phase, scale, blend, root, bias, losses, bevel, then the ring's modes."""
    covariance: Floats
    """(k, k) of the unknowns."""
    spread_mm: float
    """Robust standard deviation of the voting edges about the form."""


def steps(count: int) -> Floats:
    """(count,) steps of the numerical derivatives, for the fit's unknowns and then the ring's modes."""
    return _each(count)[:, 0]


def _each(count: int) -> Floats:
    return np.array([*_UNKNOWNS.values(), *[_MODE] * (count - len(_UNKNOWNS))])


def form_of(ring: ToothRing, v: Floats) -> IsoForm:
    """The ideal form of the ring's chain and count, for unknowns ``v``."""
    return IsoForm(
        pitch_mm=ring.pitch_mm,
        roller_diameter_mm=ring.roller_diameter_mm,
        teeth=ring.teeth,
        blend=float(np.clip(v[BLEND], -0.5, 1.5)),
        seat_offset_mm=float(v[ROOT]),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """All edge points of a ring in one set of arrays."""

    gap: Ints
    nominal: Floats
    normals: Floats
    offset: Floats
    std: Floats
    doubt: Floats
    modes: Floats
    drive: Bools
    darker: Bools
    spacing: float


def points_of(ring: ToothRing, drive_clockwise: bool) -> Points:
    """All edge points of all gaps."""
    gaps: tuple[GapTrace, ...] = ring.gaps
    spacing = [np.median(np.hypot(*np.diff(g.nominal_mm, axis=0).T)) for g in gaps if len(g.offset_mm) > 3]
    return Points(
        gap=np.concatenate([np.full(len(g.offset_mm), g.index) for g in gaps]),
        nominal=np.concatenate([g.nominal_mm for g in gaps]),
        normals=np.concatenate([g.normals for g in gaps]),
        offset=np.concatenate([g.offset_mm for g in gaps]),
        std=np.concatenate([g.std_mm for g in gaps]),
        doubt=np.concatenate([g.doubt_mm for g in gaps]),
        modes=np.concatenate([g.modes_mm for g in gaps]),
        drive=np.concatenate([(g.nominal_mm[:, 0] < 0) == drive_clockwise for g in gaps]),
        darker=np.concatenate([g.darker for g in gaps]),
        spacing=float(np.median(spacing)) if spacing else 0.2,
    )


def _subset(p: Points, keep: Bools) -> Points:
    """Some of the points."""
    return Points(
        gap=p.gap[keep], nominal=p.nominal[keep], normals=p.normals[keep], offset=p.offset[keep],
        std=p.std[keep], doubt=p.doubt[keep], modes=p.modes[keep], drive=p.drive[keep], darker=p.darker[keep],
        spacing=p.spacing,
    )  # fmt: skip


def placed(ring: ToothRing, p: Points, v: Floats) -> Floats:
    """Points in their gaps' frames of the ideal wheel, for unknowns ``v``."""
    return _on_ideal(ring, p, _in_ring(ring, p, v), v)


def _in_ring(ring: ToothRing, p: Points, v: Floats) -> tuple[Floats, Floats]:
    """The points in the ring's plane, x and y (n,), where its own modes alone move them."""
    offset = p.offset + p.modes @ v[len(_UNKNOWNS) :]
    local = p.nominal + offset[:, None] * p.normals
    c, s = _axes(ring, p, 0.0)
    return c * local[:, 0] - s * local[:, 1], s * local[:, 0] + c * local[:, 1]


def _on_ideal(ring: ToothRing, p: Points, in_ring: tuple[Floats, Floats], v: Floats) -> Floats:
    """(n, 2) points of the ring's plane in their gaps' frames of the ideal wheel."""
    x, y = in_ring
    x, y = (x - v[X]) * (1 + v[SCALE]), (y - v[Y]) * (1 + v[SCALE])
    c, s = _axes(ring, p, v[PHASE])
    return np.stack([c * x + s * y, -s * x + c * y], axis=1)


def _axes(ring: ToothRing, p: Points, turn: float) -> tuple[Floats, Floats]:
    """Cosine and sine (n,) of the angles of the points' gaps' frames in the ring's plane, on a wheel turned so."""
    # a few dozen gaps, thousands of points
    a = ring.phase + np.arange(ring.teeth) * (2 * math.pi / ring.teeth) - math.pi / 2 + turn
    return np.cos(a)[p.gap], np.sin(a)[p.gap]


def bevel_mm(ring: ToothRing, form: IsoForm, p: Points, at: Floats, v: Floats) -> Floats:
    """How far the followed edges (n,) draw back behind the flank where the tip's bevel begins below them.

    The face's own edge, darker beyond, leaves the flank at a slant; towards a lighter ground the outline is seen, which
    the bevel takes little from.  Where no tip was seen nothing says where a bevel begins, and none is taken off.
    """
    if ring.tip_radius_mm is None:
        return np.zeros(len(at))
    beyond = np.hypot(at[:, 0], at[:, 1]) - form.bevel_free_radius_mm(ring.tip_radius_mm) - v[BEVEL_FROM]
    slant = 0.5 * (beyond + np.hypot(beyond, _BEVEL_TURN_MM))
    out: Floats = np.where(p.darker, v[BEVEL], v[BEVEL_LIGHT]) * slant
    return out


def _depth(ring: ToothRing, p: Points, v: Floats) -> Floats:
    """Depth in the ideal metal."""
    form = form_of(ring, v)
    return form.metal_depth_mm(placed(ring, p, v), with_tip=False)


def _misfit(p: Points, v: Floats, believed: float, ideal: Faced, bevel: Floats) -> Floats:
    """Depth in the ideal metal, less what common bias, even coast loss and ``bevel`` explain.

    ``believed``, 0…1: whether the drive half's loss at the bottom may go on beyond it at all.
    """
    share = ideal.seat_share
    coast = v[COAST] * ideal.flank_share + v[COAST_SEAT] * np.minimum(share, 1.0)
    coast += bevel
    # metal is smooth: what the drive half of a seat has lost at its bottom fades out over the coast half
    coast += believed * v[CARRIED] * max(0.0, v[SEAT] - _BOTTOM_MM) * np.maximum(0.0, 1.0 - share / _BOTTOM_SHARE)
    even = np.where(p.drive, v[SEAT] + v[SEAT_SLOPE] * share, coast)
    out: Floats = ideal.depth_mm + v[BIAS] - even
    return out


def fit_datum(ring: ToothRing, *, drive_clockwise: bool, priors: DatumPriors | None = None) -> Datum:
    """Fit the ideal wheel to coast flanks and the coast halves of seats.

    Raises
    ------
    ValueError
        When the ring has no traced gap.
    """
    if not ring.gaps:
        raise ValueError("ring must have at least one traced gap")
    priors = priors or DatumPriors()
    p = points_of(ring, drive_clockwise)
    k = len(_UNKNOWNS) + p.modes.shape[1]
    v = np.zeros(k)
    v[BLEND] = 0.5
    middle_form = form_of(ring, v)
    radius = middle_form.pitch_radius_mm
    # tips are bevelled: from a little above the pitch circle a face's edge may leave the form
    low = np.hypot(p.nominal[:, 0], p.nominal[:, 1]) < radius + 0.3
    # drive halves of the seats vote on how they vary round the wheel, not on their even wear (seat, seat_slope)
    seat = p.drive & (middle_form.seat_share(p.nominal) < _SEAT_VOTES)
    voting = (~p.drive & low) | seat
    middle = v.copy()
    middle[BIAS] = priors.bias_mean_mm
    middle[CARRIED] = v[CARRIED] = priors.carried
    middle[[BEVEL, BEVEL_LIGHT]] = priors.bevel, priors.bevel_light
    prior_std = np.ones(k)
    prior_std[CARRIED] = priors.carried_std
    prior_std[[X, Y, PHASE]] = np.inf
    prior_std[[SCALE, BLEND, ROOT]] = ring.scale_std, priors.blend, priors.root_mm
    prior_std[BIAS] = priors.bias_mm
    prior_std[[BEVEL, BEVEL_LIGHT, BEVEL_FROM]] = priors.bevel_std, priors.bevel_light_std, priors.bevel_from_std_mm
    limit = _each(k)[:, 1]
    share = min(1.0, p.spacing / TEXTURE_LENGTH_MM)
    sub = _subset(p, voting)
    # drive flanks near the pitch circle say how worn the wheel is, and so how much the coast flanks may be
    r = np.hypot(p.nominal[:, 0], p.nominal[:, 1])
    worn = _subset(p, p.drive & (np.abs(r - radius + 0.3) < 0.6))
    information = np.eye(k)
    d = np.zeros(0)
    width = 0.5
    for sweep in range(14):
        loss = max(0.0, float(np.median(_depth(ring, worn, v)))) if len(worn.offset) else 0.0
        middle[COAST] = priors.coast_share * loss
        prior_std[COAST] = math.hypot(priors.coast_floor_mm, priors.coast_share_std * loss)
        prior_std[[SEAT, SEAT_SLOPE]] = np.minimum(_SEAT_MOST, priors.seat_mm + loss * np.array(priors.seat_share))
        prior_std[COAST_SEAT] = 0.002 + priors.coast_seat_share_std * loss
        prior = 1.0 / prior_std**2
        # where the coast flanks are worn, too, the drive side may have been told wrong, and what the seats' bottoms
        # seem to have lost be a datum turned by the wear: then nothing is carried
        little = 1.5 - 5.0 * max(0.0, float(v[COAST])) / max(loss, 0.05)
        believed = float(np.clip(little, 0.0, 1.0)) if sweep >= _SETTLED else 0.0
        d, jac = _linearised(ring, sub, v, believed)
        spread = 1.4826 * float(np.median(np.abs(d - np.median(d)))) + 0.01
        width = max(min(width, 0.5 * 0.7**sweep), 3.5 * spread, 0.06)
        tukey = np.clip(1 - (d / width) ** 2, 0, None) ** 2
        w = tukey * share * np.where(sub.drive, 0.5, 1.0) / np.hypot(sub.std, _TEXTURE_MM) ** 2
        information = (jac.T * w) @ jac + np.diag(prior) + 1e-6 * np.eye(k)
        gradient = (jac.T * w) @ d + prior * (v - middle)
        v = v - np.clip(np.linalg.solve(information, gradient), -limit, limit)
        v[BLEND] = float(np.clip(v[BLEND], -0.05, 1.05))
    covariance = np.linalg.inv(information)
    form = form_of(ring, v)
    return Datum(
        form=form,
        shift_mm=readonly(v[[X, Y]]),
        turn=float(v[PHASE]),
        scale=1 + float(v[SCALE]),
        bias_mm=float(v[BIAS]),
        coast_mm=float(v[COAST]),
        gap_form=Estimate(value=float(v[BLEND]), std=math.sqrt(covariance[BLEND, BLEND])),
        turn_mm=Estimate(value=float(v[PHASE]) * radius, std=math.sqrt(covariance[PHASE, PHASE]) * radius),
        unknowns=readonly(v),
        covariance=readonly(covariance),
        spread_mm=1.4826 * float(np.median(np.abs(d))),
    )


def _linearised(ring: ToothRing, p: Points, v: Floats, believed: float) -> tuple[Floats, Floats]:
    """The misfit (n,) and its slopes (n, k) by small steps of the unknowns."""
    form, in_ring = form_of(ring, v), _in_ring(ring, p, v)
    ideal = form.faced(_on_ideal(ring, p, in_ring, v))
    bevel = bevel_mm(ring, form, p, ideal.points_mm, v)
    at = _misfit(p, v, believed, ideal, bevel)
    columns = []
    for j, h in enumerate(steps(len(v))):
        moved = v.copy()
        moved[j] += h
        there, taken = ideal, bevel
        if j in (BLEND, ROOT):  # no point moves
            there = form_of(ring, moved).faced(ideal.points_mm)
        elif j not in OF_THE_LOSS:
            own = in_ring if j in _OF_THE_PLACE else _in_ring(ring, p, moved)
            there = form.faced(_on_ideal(ring, p, own, moved))
        if j in _OF_THE_BEVEL or there.points_mm is not ideal.points_mm:
            taken = bevel_mm(ring, form, p, there.points_mm, moved)
        columns.append((_misfit(p, moved, believed, there, taken) - at) / h)
    return at, np.stack(columns, axis=1)
