"""Teeth bent out of the plane: seen where a tooth leaned by some angle about its root would stand.

A lean moves a tooth's whole outline at once: it is foreshortened, and what stands above or below the face's plane is
seen aside of its place, away from the camera or towards it, the more the higher up the tooth.  One angle says where
both flanks and the tip must be, so that flanks which each moved less than wear and light move them tell together.

The outline that the wheel's other teeth show is leaned by each angle, and it is asked how much likelier the edges are
that stand there and do not stand where the others' would, were this tooth bent, than were it sound.  The photo itself
says how clear edges are where they are (the clear teeth's own places), and how clear where there is no reason for one
(their leaned places).  Edges within a millimetre share their errors, and count as one.  Of a sound tooth, too, wear,
dirt or a shadow may draw a flank or the tip astray, or any two of the three: none of these counts for more than how
seldom that is, so that it takes all three.  And light may show another edge on several teeth side by side: what a
neighbour shows at the same lean is taken off.

Straight from the front a lean moves next to nothing.  There a crease at the root tells (`toothcheck.tracing.creases`),
unless the outline speaks against every lean.

Neglected: where a bend begins (it is taken to begin at the root), teeth twisted or bent along the wheel, teeth side by
side bent alike, and that a leaned tooth may show its side walls.
"""

from __future__ import annotations

import math
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from toothcheck.edges import Optics, sample
from toothcheck.geometry import Floats, Ints, larger_beside, rotated
from toothcheck.tracing.creases import creased
from toothcheck.tracing.follow import Paths, colour_evidence
from toothcheck.tracing.rims import Rims, Wheel
from toothcheck.tracing.sight import MANY, Sight, usual_edge
from toothcheck.tracing.tips import COLUMN_MM, TipsSeen

_LEAST_DEG, _MOST_DEG, _STEP_DEG = 10, 30, 2
"""Leans that are asked for, each way, all as likely as one another: smaller ones hide in wear."""
_FOOT_MM = 1.5
"""From where over the root an outline counts: below it nothing moves."""
_CORNER_MM = 0.6
"""From how far below the others' tips an edge is the tip's."""
_FROM_AXIS_MM = 0.15
"""Up to how near the tooth's middle a flank reaches: beyond lies the other one, where teeth are pointed."""
_USUAL_EDGE = 0.35
"""The least evidence of the others' outline."""
_MOVED_MM, _ASIDE_MM = 0.1, 0.25
"""How far a point must move for its edges to tell, and how far for its leaned place to be one without an edge."""
_LEVELS = (0.1, 0.2, 0.3, 0.45, 0.6, 0.75, 0.85, 0.95, 1.05)
"""Between which clearnesses of an edge, of the usual, how often they come is counted."""
_REACH_MM = 0.6
"""How far to both sides of a place its edge is looked at."""
_TOGETHER_MM = 1.0
"""Within which distance edges share their errors (of clear teeth in 50 made photos neighbouring points correlate by
0.8, points a millimetre apart by half)."""
_ASTRAY = 0.03
"""How often a flank of a sound tooth, its tip, or two of these are seen elsewhere than the others' (as in
`wear.pooling`)."""
_LIKELIER = math.log(30)
"""Log likelihood ratio from which a tooth may be bent (photos of three renderers: 24 of 50 bent teeth, none of 7,000
sound ones)."""
_CREASE = math.log(200)
"""How much likelier a crease is on a bent tooth (13 of 24) than on a sound one (none of 948), at the least."""


def bent_teeth(
    planes: NDArray[np.uint8],
    wheel: Wheel,
    frame: Rims,
    paths: Paths,
    sight: Sight,
    tips: TipsSeen,
    optics: Optics,
) -> dict[int, float | None]:
    """By how many degrees those teeth lean that may be bent; positive: towards the camera.

    None where a crease tells of the bend, and the outline not of the angle.

    Parameters
    ----------
    planes, wheel, frame, paths, sight, optics
        As for `toothcheck.tracing.missing.missing_teeth`.
    tips
        Where the tips end.
    """
    shape = _usual_shape(wheel, frame, paths, sight, tips)
    degrees = np.arange(_LEAST_DEG, _MOST_DEG + 1, _STEP_DEG, dtype=np.float64)
    leans = np.concatenate([-degrees[::-1], degrees])
    still, unmoved = _edges(planes, wheel, shape, 0.0, optics)
    usual = np.median(still[sight.clear], axis=0)
    telling = usual > _USUAL_EDGE
    if not telling.any():
        return {}
    leaned = [_edges(planes, wheel, shape, math.radians(degree), optics) for degree in leans]
    usual, part = usual[telling], shape.part[telling]
    still = still[:, telling] / usual
    edge = np.stack([evidence[:, telling] for evidence, _ in leaned], axis=1) / usual
    moved = np.nan_to_num(np.abs(np.stack([off[:, telling] for _, off in leaned], axis=1) - unmoved[:, None, telling]))
    says = _by_level(still[sight.clear], edge[sight.clear][moved[sight.clear] > _ASIDE_MM])
    more = (says[np.digitize(edge, _LEVELS)] - says[np.digitize(still, _LEVELS)][:, None]) * (moved > _MOVED_MM)
    parts = [more[..., part == k].sum(-1) * shape.spacing_mm[k] / _TOGETHER_MM for k in range(3)]
    # what may be astray on a sound tooth would then look as likely
    astray = (*parts, *(a + b for a, b in combinations(parts, 2)))
    causes = np.stack([np.zeros_like(parts[0]), *(math.log(_ASTRAY) + seen for seen in astray)])
    ratio = sum(parts) - np.logaddexp.reduce(causes, axis=0)
    likelier = np.log(np.exp(ratio - np.maximum(larger_beside(ratio), 0.0)).mean(axis=1))
    by_crease = _CREASE * creased(planes, wheel, optics, usual_edge(paths, sight))
    bent = np.flatnonzero((likelier + by_crease > _LIKELIER) & sight.plain)
    if len(bent) > MANY * len(sight.clear):
        return {}
    return {int(i): float(leans[np.argmax(ratio[i])]) if likelier[i] > _LIKELIER else None for i in bent}


class _Shape(NamedTuple):
    """The outline that the clear teeth show, n points in the tooth's frame: +y its centre line, x right as seen."""

    points: Floats
    """(n, 2) mm."""
    normals: Floats
    """(n, 2) out of the metal."""
    part: Ints
    """(n,) 0 and 1 the flanks, 2 the tip."""
    spacing_mm: tuple[float, float, float]
    """Of the points of each part."""
    root_mm: float
    """Where a bend begins, from the wheel's centre."""


def _usual_shape(wheel: Wheel, frame: Rims, paths: Paths, sight: Sight, tips: TipsSeen) -> _Shape:
    form = wheel.form
    root, half = form.seat_centre_radius_mm - form.seat_radius_mm, math.pi / form.teeth
    normals = frame.outline.normals
    moved = frame.outline.points_mm + np.median(paths.offset_mm[sight.whole], axis=0)[:, None] * normals
    spacing = float(np.hypot(*np.diff(frame.outline.points_mm, axis=0).T).mean())
    tip = tips.usual_tip_mm()
    top = float(tip[:, 1].max(initial=-math.inf)) if len(tip) else math.inf
    points, out, part = [], [], []
    # a gap has its tooth at -x, half a pitch counterclockwise of it, and the next tooth at +x
    for k, (side, turn) in enumerate(((moved[:, 0] <= 0, -half), (moved[:, 0] > 0, half))):
        at = rotated(moved[side], turn)
        own = at[:, 0] > _FROM_AXIS_MM if k == 0 else at[:, 0] < -_FROM_AXIS_MM
        keep = own & (at[:, 1] > root + _FOOT_MM) & (np.hypot(at[:, 0], at[:, 1]) < top - _CORNER_MM)
        points.append(at[keep])
        out.append(rotated(normals[side], turn)[keep])
        part.append(np.full(int(keep.sum()), k))
    points.append(tip)
    out.append(np.tile([0.0, 1.0], (len(tip), 1)))
    part.append(np.full(len(tip), 2))
    spacings = (spacing, spacing, COLUMN_MM)
    return _Shape(np.concatenate(points), np.concatenate(out), np.concatenate(part), spacings, root)


def _edges(
    planes: NDArray[np.uint8], wheel: Wheel, shape: _Shape, lean: float, optics: Optics
) -> tuple[Floats, Floats]:
    """(z, n) each: evidence for an edge at all teeth's outlines leaned by an angle, and how far aside they are seen.

    ``lean`` in radians; how far aside in mm along the outline's normals, on the face's plane, NaN beyond the photo.
    """
    over = shape.points[:, 1] - shape.root_mm
    leaned = np.stack([shape.points[:, 0], shape.root_mm + over * math.cos(lean)], axis=1)
    height = over * math.sin(lean)
    # a tooth's centre line is half a pitch on from its gap's axis
    index = np.arange(wheel.form.teeth, dtype=np.float64) + 0.5
    at, normals, upright = (
        wheel.from_gap(np.broadcast_to(p, (len(index), *p.shape)), index) for p in (leaned, shape.normals, shape.points)
    )
    step = 0.5 / wheel.plane.px_per_mm
    reach = round(_REACH_MM / step)
    along = np.arange(-reach, reach + 1) * step
    px = wheel.plane.project(at[:, :, None] + along[:, None] * normals[:, :, None], height[:, None])
    values = sample(planes, *(px[..., k].reshape(-1, len(along)) for k in (0, 1)))
    evidence = colour_evidence(values, 0.5, optics)[:, reach]
    framed = np.isfinite(values).all(axis=(1, 2))  # the photo's border is no edge, and no lack of one
    aside = ((wheel.plane.on_plane(px[:, :, reach]) - upright) * normals).sum(-1)
    return evidence.reshape(at.shape[:2]), np.where(framed.reshape(at.shape[:2]), aside, math.nan)


def _by_level(there: Floats, aside: Floats) -> Floats:
    """(levels,) how much likelier an edge of each clearness is at a place where there is one, log.

    From how clear edges are, of the usual, at places where they are, and at places without a reason for one.
    """
    often = []
    for edge in (there, aside):
        count = np.bincount(np.digitize(edge, _LEVELS).ravel(), minlength=len(_LEVELS) + 1) + 1.0  # none is impossible
        often.append(count / count.sum())
    return np.asarray(np.log(often[0] / often[1]))
