"""Teeth that are not there: told from covered ones by what is seen in their place.

A tooth is called broken or missing when the seats on both its sides lie on the form (nothing covers them), what stands
in its place looks like what is seen through the gaps beside it and not like the other teeth, and no edge follows its
outline.  Any of these alone is common: dirt looks like dark ground, a chain hides seats, a shadow hides an edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toothcheck.edges import sample
from toothcheck.geometry import Floats
from toothcheck.tracing.follow import Paths
from toothcheck.tracing.rims import Rims, Wheel

_CLEAR_SEAT = 0.3
_LIKE_GROUND = 0.75
"""Share of the points in a tooth's place that must look more like ground than like teeth."""
_SAME = 7.8
"""Squared distance in luma and both chroma, in spreads, within which two looks are the same: 95 of 100 points of one
look (χ² of 3 degrees of freedom)."""
_DIRT = 0.03
"""Share of the face that may look like what stands in a tooth's place."""
_APART = 2.5
"""How many of their own spreads teeth and ground must differ by, or nothing can be said."""
_MOST = 0.3
"""If more of the teeth than this look missing, the picture is misread instead."""


def missing_teeth(planes: NDArray[np.uint8], wheel: Wheel, frame: Rims, paths: Paths, trust: Floats) -> set[int]:
    """Indices of teeth that are broken off or missing.

    Parameters
    ----------
    planes
        (height, width, 3) luma and chroma of the photo.
    wheel
        As fitted.
    frame, paths
        Where its outline stands and what was followed.
    trust
        (z,) of the gaps.
    """
    z, radius = wheel.form.teeth, wheel.form.pitch_radius_mm
    place = np.arange(z, dtype=np.float64)
    body = _looks(planes, wheel, place + 0.5, radius + np.linspace(-0.6, 1.4, 6), 0.5)
    # through the gaps the ground is seen at the same radii, a little towards the tip where pockets are widest
    ground = _looks(planes, wheel, place, radius + np.linspace(-1.0, 1.4, 6), 1.6)
    root = radius - 0.5 * wheel.form.roller_diameter_mm
    rings = [_looks(planes, wheel, place, np.linspace(d - 1.5, d, 4), 2.5) for d in (root - 1.5, root - 6.0)]
    face = np.concatenate([patch for ring in rings for patch in ring])
    edge = _edge_share(frame, paths, radius)
    usual_edge = float(np.median(edge[trust > _CLEAR_SEAT])) if (trust > _CLEAR_SEAT).any() else 0.0
    clear = [i for i in range(z) if min(trust[i], trust[(i + 1) % z]) > _CLEAR_SEAT]
    if len(clear) < 4:
        return set()
    teeth = np.concatenate([body[i] for i in clear])
    middle, spread = _middle(teeth)
    out = set()
    for i in clear:
        beside = np.concatenate([ground[i], ground[(i + 1) % z]])
        beside_middle, beside_spread = _middle(beside)
        apart = np.abs(beside_middle - middle) / np.hypot(spread, beside_spread)
        if apart.max() < _APART:
            continue
        to_teeth = (((body[i] - middle) / spread) ** 2).sum(1)
        to_ground = (((body[i] - beside_middle) / beside_spread) ** 2).sum(1)
        like = float(np.mean((to_ground < to_teeth) & (to_ground < _SAME)))
        # what also lies on the face is dirt, not ground
        look, look_spread = _middle(body[i])
        on_face = float(np.mean((((face - look) / look_spread) ** 2).sum(1) < _SAME))
        if like >= _LIKE_GROUND and edge[i] < 0.5 * usual_edge and on_face < _DIRT:
            out.add(i)
    return out if len(out) <= _MOST * len(clear) else set()


def _looks(planes: NDArray[np.uint8], wheel: Wheel, at: Floats, radii: Floats, half_width_mm: float) -> list[Floats]:
    """For each place on the wheel (in pitches from gap 0's axis) the luma and chroma of a patch, (n, 3) each."""
    across = np.linspace(-half_width_mm, half_width_mm, 5)
    r, w = np.meshgrid(radii, across)
    angle = wheel.phase + at[:, None] * wheel.form.pitch_angle + (w / r).ravel()
    points = np.stack([r.ravel() * np.cos(angle), r.ravel() * np.sin(angle)], axis=-1)
    px = wheel.plane.project(points)
    values = sample(planes, px[..., 0], px[..., 1]).astype(np.float64)
    return [np.nan_to_num(v, nan=128.0) for v in values]


def _middle(values: Floats) -> tuple[Floats, Floats]:
    middle = np.median(values, axis=0)
    spread = 1.4826 * np.median(np.abs(values - middle), axis=0) + (4.0, 1.5, 1.5)
    return middle, spread


def _edge_share(frame: Rims, paths: Paths, radius: float) -> Floats:
    """(z,) how much edge follows the clearer of each tooth's flanks above the pitch circle, within a millimetre.

    A tooth in shadow or dirt may show no edge on one flank; one that is not there shows none on either.
    """
    above = np.hypot(frame.outline.points_mm[:, 0], frame.outline.points_mm[:, 1]) > radius - 0.2
    left, right = above & (frame.outline.points_mm[:, 0] < 0), above & (frame.outline.points_mm[:, 0] > 0)
    strength = np.where(np.abs(paths.offset_mm) < 1.0, paths.near_evidence, 0.0)
    # tooth i stands at -x of gap i and at +x of gap i + 1
    out: Floats = np.maximum(strength[:, left].mean(1), np.roll(strength[:, right].mean(1), -1))
    return out
