"""How many teeth, on which pitch, at which scale: asked of the photo round one centre, whatever was claimed.

The double-angle field of gradients (`toothcheck.tracing.seed`) is unwound about a centre, its angles taken against the
radius, and Fourier transformed along the circle once.  A wheel of z teeth lives in the orders 0, ±z, ±2z … alone:
summing these gives the mean gap of all z, over which the ideal gap's outline of that count is laid at every radius and
phase.  So one transform answers for every count, chain and scale, each in a few milliseconds, where the search of the
whole plane answers for one.

The centre comes from the seed, or, when the seed is in doubt, from where the gradients' lines meet: bore, hub, seats
and tips are concentric, whatever their number.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

from toothcheck.geometry import Floats
from toothcheck.toothform import TIP, IsoForm
from toothcheck.tracing.centres import meeting_places
from toothcheck.tracing.seed import PlaneView

_PHASES = 48
_ORDERS = np.arange(-6, 7)
_STEP_MM = 0.4
_SAME_MM = 0.01
_ASIDE_MM, _ASIDE_WORTH, _ASIDE_GAIN = 2.5, 0.5, 0.01
"""How far aside of a place another is looked for, mm; the share of its score that is worth a closer look there; by how
much more of the outline must match."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ring:
    """The field round a centre: Fourier coefficients along the circle at equal steps of radius."""

    centre_mm: tuple[float, float]
    coefficients: NDArray[np.complex64]
    """(radii, n); where one count alone is asked about, (radii, orders) of its own waves."""
    first_mm: float
    step_mm: float
    teeth: int | None
    """The only count that may be asked about; None: any."""

    @property
    def last_mm(self) -> float:
        """Radius of the last row."""
        return self.first_mm + self.step_mm * (len(self.coefficients) - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How well one form fits a ring."""

    form: IsoForm
    scale: float
    """What the form had to be enlarged by."""
    phase: float
    """Angle of a gap's axis, radians."""
    score: float
    """Share of the outline with a matching edge, -1…1."""
    centre_mm: tuple[float, float]


def unwound(
    view: PlaneView, centre_mm: tuple[float, float], first_mm: float, last_mm: float, *, teeth: int | None = None
) -> Ring:
    """Unwind a view about a centre between two radii.

    Parameters
    ----------
    teeth
        The only count that will be asked about, which takes a third of the time; None: any.
    """
    step = max(_STEP_MM, 0.8 * view.step_mm)
    radii = np.arange(first_mm, last_mm + step, step)
    n = 1 << math.ceil(math.log2(2 * math.pi * last_mm / step) - 0.3)
    along_x, along_y, back = _turns(n)
    x = (((centre_mm[0] - view.x_min_mm) + radii[:, None] * along_x) / view.step_mm).astype(np.float32)
    y = (((centre_mm[1] - view.y_min_mm) + radii[:, None] * along_y) / view.step_mm).astype(np.float32)
    pairs = view.field.view(np.float32).reshape(*view.field.shape, 2)
    values = cv2.remap(pairs, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    field = np.ascontiguousarray(values).view(np.complex64)[..., 0]
    return Ring(
        centre_mm=centre_mm,
        coefficients=_spectrum(field * back) if teeth is None else field @ _own_waves(n, teeth),
        first_mm=first_mm,
        step_mm=step,
        teeth=teeth,
    )


def _spectrum(along: NDArray[np.complex64]) -> NDArray[np.complex64]:
    """(radii, n) all waves of a field along circles (radii, n)."""
    out: NDArray[np.complex64] = fft.fft(along, axis=1, overwrite_x=True) / np.float32(along.shape[1])
    return out


@functools.lru_cache(maxsize=8)
def _turns(n: int) -> tuple[Floats, Floats, NDArray[np.complex64]]:
    """``n`` directions round a circle, x and y, and what takes doubled angles back to the radius there."""
    turn = np.exp(2j * np.pi * np.arange(n) / n)
    return turn.real.copy(), turn.imag.copy(), np.conj(turn**2).astype(np.complex64)


@functools.lru_cache(maxsize=64)
def _own_waves(n: int, teeth: int) -> NDArray[np.complex64]:
    """(n, orders) what gives the waves of a count, as `mean_gap` has them, of ``n`` doubled angles round a circle."""
    order = _ORDERS * teeth
    back = _turns(n)[2]
    waves = np.exp(-2j * np.pi / n * ((np.arange(n)[:, None] * order) % n)) * (np.abs(order) < n // 2)
    out: NDArray[np.complex64] = (back[:, None] * waves / n).astype(np.complex64)
    return out


def mean_gap(ring: Ring, teeth: int) -> NDArray[np.complex64]:
    """(radii, orders) the mean field over the gaps of a wheel of so many teeth, as its first waves along a gap.

    Raises
    ------
    ValueError
        When the ring was unwound for another count.
    """
    if ring.teeth is not None:
        if ring.teeth != teeth:
            raise ValueError(f"teeth must be {ring.teeth}, for which the ring was unwound, got {teeth}")
        return ring.coefficients
    n = ring.coefficients.shape[1]
    there = np.abs(_ORDERS) * teeth < n // 2
    out: NDArray[np.complex64] = np.where(there, ring.coefficients[:, (_ORDERS * teeth) % n], np.complex64(0))
    return out


@functools.lru_cache(maxsize=512)
def _template(form: IsoForm) -> tuple[Floats, NDArray[np.complex64]]:
    """One gap's outline: radii (mm), and what to weigh each of the field's waves with there (points, orders)."""
    gap = form.gap(0.8)
    x, y = gap.points_mm.T
    doubled = np.exp(2j * (np.arctan2(gap.normals[:, 1], gap.normals[:, 0]) - np.arctan2(y, x)))
    strength = np.where(gap.part == TIP, 0.3, 1.0)
    weight = strength / strength.sum() * np.conj(doubled)
    place = np.arctan2(-x, y) / form.pitch_angle  # counterclockwise
    return np.hypot(x, y), (weight[:, None] * np.exp(2j * np.pi * place[:, None] * _ORDERS)).astype(np.complex64)


def fit_form(ring: Ring, form: IsoForm, scales: Floats) -> Fit:
    """The best scale and phase of a form on a ring."""
    radius, weight = _template(form)
    waves = mean_gap(ring, form.teeth)
    row = (radius * scales[:, None] - ring.first_mm) / ring.step_mm
    inside = (row >= 0) & (row <= len(waves) - 1.001)
    low = np.clip(row, 0, len(waves) - 2).astype(int)
    part = np.clip(row - low, 0, 1)[..., None].astype(np.float32)
    values = waves[low] * (1 - part) + waves[low + 1] * part
    table = np.zeros((len(scales), _PHASES), np.complex64)
    table[:, _ORDERS] = np.einsum("spk,pk->sk", np.where(inside[..., None], values, 0), weight)
    score = np.fft.ifft(table, axis=1).real * _PHASES
    s, m = np.unravel_index(int(score.argmax()), score.shape)
    return Fit(
        form=form, scale=float(scales[s]), phase=float(m) / _PHASES * form.pitch_angle, score=float(score[s, m]),
        centre_mm=ring.centre_mm,
    )  # fmt: skip


def concentric(
    view: PlaneView, reach_mm: float, count: int = 4, *, least_share: float = 0.0
) -> list[tuple[float, float]]:
    """Where the gradients' lines meet most: likely centres, best first.

    Parameters
    ----------
    reach_mm
        Of the largest circle.
    least_share
        Of the best centre's votes that another must have.
    """
    step = max(1, round(1.0 / view.step_mm))
    field = view.field[::step, ::step]
    cell = view.step_mm * step
    strong = np.abs(field)
    i, j = np.nonzero(strong > 0.55)
    if len(i) > 20000:
        keep = np.argsort(-strong[i, j], kind="stable")[:20000]
        i, j = i[keep], j[keep]
    turned = np.sqrt(field[i, j] / strong[i, j])
    along, reach = (turned.imag, turned.real), (6.0, reach_mm)
    found = meeting_places((i, j), along, reach, field.shape, cell, count=count, least_share=least_share)
    return [(view.x_min_mm + int(column) * cell, view.y_min_mm + int(row) * cell) for row, column in found]


def ring_for(view: PlaneView, form: IsoForm, scale: float, centre_mm: tuple[float, float]) -> Ring:
    """The part of a view that an enlarged form touches, unwound."""
    root = form.pitch_radius_mm - 0.6 * form.roller_diameter_mm
    first, last = max(2.0, root * scale - 0.5), form.tip_radius_mm * scale + 1.0
    return unwound(view, centre_mm, first, last, teeth=form.teeth)


def around(view: PlaneView, start: Fit, *, reach_mm: float = 1.2, scale_std: float = 0.0) -> Fit:
    """The best centre near a fit for the same form: steps uphill, from ``reach_mm`` down to a quarter of a millimetre.

    Parameters
    ----------
    scale_std
        By how much the scale may change with each step, relative; 0 holds it.
    """
    best, step = start, reach_mm
    been: set[tuple[float, int, int]] = set()
    while step > 0.2:
        moved = False
        for dx, dy in ((step, 0), (-step, 0), (0, step), (0, -step)):
            centre = (best.centre_mm[0] + dx, best.centre_mm[1] + dy)
            place = (best.scale, round(centre[0] / _SAME_MM), round(centre[1] / _SAME_MM))
            if place in been:
                continue  # no better then, so none now
            been.add(place)
            ring = ring_for(view, best.form, best.scale, centre)
            scales = best.scale * (1 + scale_std * np.array([-1.0, -0.5, 0.0, 0.5, 1.0]) if scale_std else np.ones(1))
            tried = fit_form(ring, best.form, scales)
            if tried.score > best.score + 1e-4:
                best, moved = tried, True
        if not moved:
            step /= 2
    return best


def beside(view: PlaneView, fit: Fit) -> Fit:
    """The better one of a fit and of what lies a few millimetres aside of it.

    On a ground a lamp draws the outline again, as far aside as the part is thick, and where the metal is as light as
    the paper more clearly than the metal itself.  Seen coarsely both are one place, and uphill from between them leads
    to either.
    """
    best = fit
    x, y = fit.centre_mm
    for turn in np.arange(8) * math.pi / 4:
        centre = (x + _ASIDE_MM * math.cos(turn), y + _ASIDE_MM * math.sin(turn))
        start = fit_form(ring_for(view, fit.form, fit.scale, centre), fit.form, fit.scale * np.ones(1))
        if start.score < _ASIDE_WORTH * fit.score:
            continue
        other = around(view, start)
        if other.score > best.score + _ASIDE_GAIN and math.dist(other.centre_mm, fit.centre_mm) > _ASIDE_MM / 2:
            best = other
    return best


def gap_scores(view: PlaneView, fit: Fit) -> Floats:
    """(z,) share of each gap's outline with a matching edge, -1…1, gap by gap from the fit's phase on."""
    gap = fit.form.gap(0.8)
    points = (gap.points_mm[:, 1] - 1j * gap.points_mm[:, 0]) * fit.scale  # gap's axis on +x
    doubled = np.conj((gap.normals[:, 1] - 1j * gap.normals[:, 0]) ** 2)
    turn = _gap_directions(fit)
    at = points * turn[:, None] + complex(*fit.centre_mm)
    j = np.rint((at.real - view.x_min_mm) / view.step_mm).astype(int)
    i = np.rint((at.imag - view.y_min_mm) / view.step_mm).astype(int)
    rows, columns = view.field.shape
    inside = (i >= 0) & (j >= 0) & (i < rows) & (j < columns)
    field = np.where(inside, view.field[np.clip(i, 0, rows - 1), np.clip(j, 0, columns - 1)], 0)
    out: Floats = (field * doubled * np.conj(turn[:, None]) ** 2).real.mean(1)
    return out


def _gap_directions(fit: Fit) -> NDArray[np.complex128]:
    """(z,) unit vectors from the centre along the gaps' axes."""
    out: NDArray[np.complex128] = np.exp(1j * (fit.phase + np.arange(fit.form.teeth) * fit.form.pitch_angle))
    return out


def matched_side(view: PlaneView, fit: Fit) -> complex:
    """Direction from a fit's centre to the gaps that match best, and how one-sided they are (length 0…1)."""
    score = np.clip(gap_scores(view, fit), 0, None) ** 2
    return complex((score * _gap_directions(fit)).sum() / max(float(score.sum()), 1e-9))


def rivals(view: PlaneView, fit: Fit, others: Sequence[tuple[IsoForm, float]], *, keep: int = 5) -> list[Fit]:
    """The best fits of other forms (each with its scale) in the same place, best first.

    A wheel of the wrong size finds its place where part of its outline lies on part of the right one; there the two
    circles touch, which says where the other's centre must be.
    """
    side = matched_side(view, fit)
    unit = side / max(abs(side), 1e-9)
    radius = fit.form.pitch_radius_mm * fit.scale
    rough = []
    for form, scale in others:
        shift = (radius - form.pitch_radius_mm * scale) * unit
        best: Fit | None = None
        for share in (1.0, 0.5, 0.0):  # 0: the same centre, where all of the outline was seen
            centre = (fit.centre_mm[0] + share * shift.real, fit.centre_mm[1] + share * shift.imag)
            tried = fit_form(ring_for(view, form, scale, centre), form, np.array([scale]))
            if best is None or tried.score > best.score:
                best = tried
        if best is not None:
            rough.append(best)
    rough.sort(key=lambda f: -f.score)
    return sorted((around(view, f) for f in rough[:keep]), key=lambda f: -f.score)
