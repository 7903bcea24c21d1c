"""The sprocket's plane, place and form together, from the edges that drive wear leaves alone.

Unknowns: centre, phase, height over the card and two tilts (priors from how the card lies), the form's place between
the two limit forms, root depth, a common bias of all edges (exposure), thickness.  A near-rim point is projected on the
face, a far-rim point on the back; what is asked is that it lies on the ideal outline.  Robust (Tukey), Gauss-Newton
with numerical derivatives: a dozen unknowns, thousands of points.

The drive flank never votes.  The drive half of the seats does, but only on how it varies round the wheel: its even wear
is an unknown (a line along the seat) of its own.  Without it, coast sides alone cannot tell a shifted centre from a
tilted plane, whose effects they see with the same sign and drive sides with opposite ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from toothcheck.geometry import Bools, Floats, readonly
from toothcheck.pose import Camera, PlanePose
from toothcheck.toothform import Faced
from toothcheck.tracing.locate import Edges
from toothcheck.tracing.rims import Wheel

UNKNOWNS = (
    "x",
    "y",
    "phase",
    "height",
    "tilt_x",
    "tilt_y",
    "blend",
    "root",
    "bias",
    "thickness",
    "coast",
    "seat",
    "seat_slope",
)
_TEXTURE_MM, _TEXTURE_LENGTH_MM = 0.035, 0.8
"""What dirt, shading and bevels move an edge by, and over what length they do so alike."""
_CONVEX_SWEEPS, _HUBER_MM = 5, 0.05
_STEP = np.array([0.01, 0.01, 0.0005, 0.05, 0.002, 0.002, 0.02, 0.01, 0.01, 0.05, 0.05, 0.05, 0.05])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Priors:
    """Standard deviations of the unknowns about their start; infinite where there is none."""

    pivot_mm: Floats
    """(2,) about what the card's plane may be tilted: the card's middle, in the start's plane."""
    height_mm: float
    """At the pivot."""
    tilt: float
    """Radians, for each axis."""
    thickness_mm: float
    root_mm: float = 0.08
    bias_mean_mm: float = 0.0
    """How far all edges are expected to stand outside the metal (exposure)."""
    bias_mm: float = 0.03
    coast_mm: float = 0.06
    """Even loss of all coast flanks: little, since the chain loads them only under engine braking."""
    blend: float = 0.29
    """That of the uniform distribution between the limit forms, about the middle."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WheelFit:
    """A fitted wheel, and how well each unknown is determined."""

    wheel: Wheel
    unknowns: Floats
    """Against the start of the fit, in the order of UNKNOWNS."""
    covariance: Floats
    """(k, k) of the unknowns."""


def apply(start: Wheel, v: Floats, pivot_mm: Floats) -> Wheel:
    """The wheel moved by the unknowns ``v``."""
    plane: PlanePose = start.plane.moved(centre_mm=v[:2], height_mm=float(v[3]), tilt=v[4:6], pivot_mm=pivot_mm)
    form = replace(
        start.form,
        blend=float(np.clip(start.form.blend + v[6], -0.5, 1.5)),
        seat_offset_mm=start.form.seat_offset_mm + float(v[7]),
    )
    return Wheel(plane=plane, form=form, phase=start.phase + float(v[2]), thickness_mm=start.thickness_mm + float(v[9]))


def _on_wheel(wheel: Wheel, edges: Edges, rays: Floats) -> Floats:
    """(m, 2) the edges on the wheel's face or back, in its plane; no unknown of the fit moves their ``rays`` (m, 3)."""
    return wheel.plane.met_by(rays, np.where(edges.far, -wheel.thickness_mm, 0.0))


def depths(wheel: Wheel, edges: Edges) -> Floats:
    """How deep each edge lies in the wheel's ideal metal, mm."""
    on_wheel = _on_wheel(wheel, edges, wheel.plane.camera.rays(edges.px))
    return wheel.form.metal_depth_mm(wheel.to_gap(on_wheel, edges.gap), with_tip=False)


def _misfit(v: Floats, edges: Edges, ideal: Faced) -> Floats:
    """Depths less what the common bias and the even loss of the coast flanks explain."""
    even = np.where(edges.drive, v[11] + v[12] * ideal.seat_share, v[10] * ideal.flank_share)
    out: Floats = ideal.depth_mm + v[8] - even
    return out


def fit(
    start: Wheel,
    edges: Edges,
    votes: Floats,
    priors: Priors,
    *,
    begin: Floats | None = None,
    sweeps: int = 13,
    wide_mm: float = 0.5,
    free: tuple[str, ...] = UNKNOWNS,
) -> WheelFit:
    """Fit the wheel to the edges with ``votes`` (m,) above zero.

    Parameters
    ----------
    start
        The wheel that the priors are about; its blend should be 0.5.
    begin
        (k,) unknowns to begin with, from an earlier fit with the same ``start``.
    votes
        Weight of each edge before robustness, 0…1.
    free
        The unknowns that may move.
    wide_mm
        Width of the robust loss in the first sweeps; narrows to the scatter found.

    Raises
    ------
    numpy.linalg.LinAlgError
        When no edge votes, or those that do leave the place undetermined.
    """
    px_mm = 1.0 / start.plane.px_per_mm
    std = edges.std_px * px_mm
    # neighbours on an edge share texture and shading: points count as if one stood on each millimetre or so
    share = min(1.0, edges.spacing_mm / _TEXTURE_LENGTH_MM)
    prior_std = np.array(
        [np.inf, np.inf, np.inf, priors.height_mm, priors.tilt, priors.tilt, priors.blend, priors.root_mm,
         priors.bias_mm,
         priors.thickness_mm, priors.coast_mm, 0.3, 0.5]
    )  # fmt: skip
    prior = 1.0 / prior_std**2
    middle = np.zeros(len(UNKNOWNS))
    middle[UNKNOWNS.index("bias")] = priors.bias_mean_mm
    held = np.array([name not in free for name in UNKNOWNS])
    moving = np.flatnonzero(~held).tolist()
    v = np.zeros(len(UNKNOWNS)) if begin is None else begin.copy()
    voting = votes > 0
    if not voting.any():
        raise np.linalg.LinAlgError("no edge votes")
    width = wide_mm
    used = _Subset(edges, voting, start.plane.camera)
    used_votes, variance = votes[voting], np.hypot(std[voting], _TEXTURE_MM) ** 2
    for sweep in range(sweeps):
        d, jac = _linearised(start, v, priors.pivot_mm, used.edges, used.rays, moving)
        spread = 1.4826 * float(np.median(np.abs(d - np.median(d)))) + 0.01
        width = max(min(width, wide_mm * 0.7 ** max(0, sweep - _CONVEX_SWEEPS)), 3.5 * spread, 0.06)
        # convex (Huber) first, so that a poor start is not taken for outliers; then redescending (Tukey)
        if sweep < _CONVEX_SWEEPS:
            tukey = _HUBER_MM / np.maximum(np.abs(d), _HUBER_MM)
        else:
            tukey = np.clip(1 - (d / width) ** 2, 0, None) ** 2
        w = used_votes * tukey * share / variance
        information = (jac.T * w) @ jac + np.diag(prior)
        gradient = (jac.T * w) @ d + prior * (v - middle)
        information[held, :] = information[:, held] = 0.0
        information[held, held] = 1e12
        gradient[held] = 0.0
        step = np.linalg.solve(information + 1e-9 * np.diag(np.diag(information)) + 1e-6 * np.eye(len(v)), -gradient)
        limit = np.array([1.0, 1.0, 0.05, 2.0, 0.03, 0.03, 0.4, 0.2, 0.1, 0.6, 0.2, 0.3, 0.3])
        v = v + np.clip(step, -limit, limit)
        v[6] = np.clip(v[6], -0.1 - start.form.blend, 1.1 - start.form.blend)
    return WheelFit(
        wheel=apply(start, v, priors.pivot_mm),
        unknowns=readonly(v),
        covariance=readonly(np.linalg.inv(information)),
    )


def slopes(start: Wheel, unknowns: Floats, priors: Priors, edges: Edges, names: tuple[str, ...]) -> Floats:
    """(m, k) change of each edge's depth (mm) for a change of those of the unknowns that are named."""
    columns = [UNKNOWNS.index(name) for name in names]
    rays = start.plane.camera.rays(edges.px)
    return _linearised(start, unknowns, priors.pivot_mm, edges, rays, columns)[1][:, columns]


class _Subset:
    def __init__(self, edges: Edges, keep: Bools, camera: Camera) -> None:
        self.edges = replace(
            edges, gap=edges.gap[keep], place=edges.place[keep], far=edges.far[keep], px=edges.px[keep],
            std_px=edges.std_px[keep], offset_mm=edges.offset_mm[keep], step=edges.step[keep], drive=edges.drive[keep],
        )  # fmt: skip
        self.rays = camera.rays(self.edges.px)


_OF_THE_FORM = tuple(UNKNOWNS.index(name) for name in ("blend", "root"))
"""Unknowns that move no point."""
_OF_THE_LOSS = tuple(UNKNOWNS.index(name) for name in ("bias", "coast", "seat", "seat_slope"))
"""Unknowns that change nothing of the ideal wheel."""
_TURNING = UNKNOWNS.index("phase")
"""The unknown that turns the wheel in its plane."""


def _linearised(
    start: Wheel, v: Floats, pivot_mm: Floats, edges: Edges, rays: Floats, moving: list[int]
) -> tuple[Floats, Floats]:
    """The misfit (m,) and its slopes (m, k) by small steps of the unknowns ``moving``; nothing for the others."""
    wheel = apply(start, v, pivot_mm)
    on_wheel = _on_wheel(wheel, edges, rays)
    ideal = wheel.form.faced(wheel.to_gap(on_wheel, edges.gap))
    at = _misfit(v, edges, ideal)
    jac = np.zeros((len(at), len(UNKNOWNS)))
    for k in moving:
        moved = v.copy()
        moved[k] += _STEP[k]
        there = ideal
        if k not in _OF_THE_LOSS:
            wheel = apply(start, moved, pivot_mm)
            if k in _OF_THE_FORM:
                points = ideal.points_mm
            else:
                points = wheel.to_gap(on_wheel if k == _TURNING else _on_wheel(wheel, edges, rays), edges.gap)
            there = wheel.form.faced(points)
        jac[:, k] = (_misfit(moved, edges, there) - at) / _STEP[k]
    return at, jac
