"""Teeth that are not there: told from covered ones by what is seen in their place.

A tooth is called broken or missing when the bottoms of the gaps on both its sides are followed on the form and at least
one of the gaps lies on it with its flank, too; when what stands in its place looks like what is seen through the gaps
beside it, and neither like the other teeth nor like anything on the face; and when no edge follows its outline, while
the teeth beside it have theirs.  Any of these alone is common: dirt looks like dark ground, a chain hides seats, a
shadow hides an edge.  On gravel or straw there are edges everywhere: then the break itself must be seen, as an edge
across the tooth, and the look be beyond doubt.

How alike two looks are is asked of the pixels' density, not of a mean and a spread: gravel has many colours.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from toothcheck.edges import Optics, sample
from toothcheck.geometry import Bools, Floats
from toothcheck.tracing.follow import Paths, colour_evidence
from toothcheck.tracing.rims import Rims, Wheel

_CLEAR_GAP = 0.3
"""Trust from which a gap's tooth says how teeth look."""
_ON_FORM = 0.4
"""Trust of the better of a tooth's two gaps: where a tooth is gone the other one has lost its flank."""
_BOTTOM, _BOTTOM_SEEN, _STEP, _NEAR_MM = 0.45, 0.6, 0.3, 0.35
"""How far up a seat its bottom reaches, which share of each half beside the tooth must be followed, from which evidence
on, and how near to the form."""
_NO_EDGE = 0.75
"""Of the usual: less of either flank may be followed in the tooth's place."""
_EDGE_BESIDE, _GAP_BESIDE = 0.6, 0.2
"""How clear the edges of the teeth beside it must be, of the usual, and how far the gaps beyond them must lie on the
form: under a chain they do not."""
_FROM_MM, _MIDDLE_MM, _ASIDE_MM = -0.2, 1.6, 1.0
"""From where over the pitch circle a flank is looked at, to where when a break may have left its foot, and how far off
the form an edge may be its own."""
_LIKE_GROUND = 0.8
"""Share of the points in a tooth's place that must look more like ground than like teeth."""
_BREAK, _CLEAR_BESIDE, _LEAST_EDGE = 0.8, 0.7, 0.1
"""Where edges are followed all the same: of the usual, how clear the break must be, and the teeth beside it; what is
usual at the least, evidence."""
_BREAK_HALF_MM, _UNEVEN_MM = 0.7, 0.5
"""How far to both sides of a tooth's middle its break is looked for, and how uneven it may be."""
_LOOK = (8.0, 3.0, 3.0)
"""By how much luma and both chroma differ within one look, grey levels: noise, texture, light."""
_DOUBT = 1e-9
"""Density of a pixel unlike all samples."""
_MOST = 5.0
"""How much one point may say, log likelihood."""
_SAMPLES = 400
"""About how many pixels of a look are kept."""
_FEWEST = 4
_MANY = 0.3
"""If more of the teeth than this look missing, the picture is misread instead."""


class _Asked(NamedTuple):
    """What is asked of the look of a tooth's place."""

    than_tooth: float
    """By how much it must on average be more likely ground than tooth, log likelihood."""
    than_face: float
    """The same against all that is seen on the face: metal, dirt."""
    other_ground: float
    """Share of the ground beside that may look more like teeth than like the ground further along: a chain does."""


_BARE, _BEYOND_DOUBT = _Asked(0.5, 0.4, 0.08), _Asked(1.5, 2.5, 0.02)
"""Where no edge is followed, and where one is."""


def missing_teeth(
    planes: NDArray[np.uint8], wheel: Wheel, frame: Rims, paths: Paths, trust: Floats, optics: Optics
) -> set[int]:
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
    optics
        Of the photo at the sprocket.
    """
    # tooth i stands between gaps i and i + 1
    after = np.roll(trust, -1)
    clear = np.flatnonzero(np.minimum(trust, after) > _CLEAR_GAP)
    if len(clear) < _FEWEST:
        return set()
    points, step, offset = frame.outline.points_mm, paths.near_evidence, np.abs(paths.offset_mm)
    bottom = wheel.form.seat_share(points) < _BOTTOM
    above = np.hypot(points[:, 0], points[:, 1]) - wheel.form.pitch_radius_mm
    seats = _on_sides((step > _STEP) & (offset < _NEAR_MM), points, bottom).min(0)
    # a tooth in shadow or dirt may show no edge on one flank; one that is not there shows none on either
    foot = (above > _FROM_MM) & (above < _MIDDLE_MM)
    followed = _on_sides((step > _STEP) & (offset < _ASIDE_MM), points, foot).max(0)
    edge = _on_sides(np.where(offset < _ASIDE_MM, step, 0.0), points, above > _FROM_MM).max(0)
    followed, edge = (values / max(float(np.median(values[clear])), 1e-6) for values in (followed, edge))
    beside = np.minimum(np.roll(edge, 1), np.roll(edge, -1))
    suspect = (np.maximum(trust, after) > _ON_FORM) & (seats >= _BOTTOM_SEEN)
    suspect &= (beside > _EDGE_BESIDE) & (np.minimum(np.roll(trust, 1), np.roll(trust, -2)) > _GAP_BESIDE)
    bare = suspect & (followed < _NO_EDGE)
    usual = max(float(np.median(paths.near_evidence[trust > _CLEAR_GAP])), _LEAST_EDGE)
    broken_off = suspect & ~bare & (beside > _CLEAR_BESIDE) & (_breaks(planes, wheel, optics) > _BREAK * usual)
    if not (bare | broken_off).any():
        return set()
    looks = _Looks(planes, wheel, clear)
    out = {i for i in np.flatnonzero(bare).tolist() if looks.like_ground(i, _BARE)}
    out |= {i for i in np.flatnonzero(broken_off).tolist() if looks.like_ground(i, _BEYOND_DOUBT)}
    return out if len(out) <= _MANY * len(clear) else set()


class _Looks:
    """What stands in the teeth's places, between and beyond them, and on the face."""

    def __init__(self, planes: NDArray[np.uint8], wheel: Wheel, clear: NDArray[np.int64]) -> None:
        radius, roller = wheel.form.pitch_radius_mm, wheel.form.roller_diameter_mm
        place = np.arange(wheel.form.teeth, dtype=np.float64)
        self.body = _patches(planes, wheel, place + 0.5, radius + np.linspace(0.0, 1.6, 6), 0.5)
        # through the gaps the ground is seen at the same radii, a little towards the tip where pockets are widest, and
        # beyond the tips
        self.inner = _patches(planes, wheel, place, radius + np.linspace(-1.0, 1.4, 6), 1.6)
        self.outer = _patches(planes, wheel, place + 0.5, radius + roller * np.linspace(0.45, 0.65, 4), 2.0)
        root = radius - 0.5 * roller
        rings = [_patches(planes, wheel, place, np.linspace(d - 1.5, d, 4), 2.5) for d in (root - 1.5, root - 6.0)]
        self.face = _some(np.concatenate([patch for ring in rings for patch in ring]))
        self.teeth = _some(np.concatenate([self.body[i] for i in clear]))

    def like_ground(self, i: int, asked: _Asked) -> bool:
        """Whether what stands in tooth ``i``'s place is the ground beside it."""
        z, body = len(self.body), self.body[i]
        ground = np.concatenate([self.inner[i], self.inner[(i + 1) % z], self.outer[i]])
        further = np.concatenate([self.inner[(i - 1) % z], self.inner[(i + 2) % z], self.outer[i]])
        as_ground, as_tooth = _likelihood(ground, body), _likelihood(self.teeth, body)
        than_tooth, than_face = (
            float(np.clip(as_ground - other, -_MOST, _MOST).mean())
            for other in (as_tooth, _likelihood(self.face, body))
        )
        other_ground = float(np.mean(_likelihood(self.teeth, ground) > _likelihood(further, ground)))
        return (
            float(np.mean(as_ground > as_tooth)) >= _LIKE_GROUND
            and than_tooth >= asked.than_tooth
            and than_face >= asked.than_face
            and other_ground <= asked.other_ground
        )


def _breaks(planes: NDArray[np.uint8], wheel: Wheel, optics: Optics) -> Floats:
    """(z,) evidence, 0…3, of the clearest edge that runs across each tooth, from its root to its tip."""
    form, spacing = wheel.form, 0.5 / wheel.plane.px_per_mm
    radii = np.arange(form.pitch_radius_mm - 0.5 * form.roller_diameter_mm - 0.8, form.pitch_radius_mm + 2.4, spacing)
    across = np.linspace(-_BREAK_HALF_MM, _BREAK_HALF_MM, 9)
    middle = wheel.phase + (np.arange(form.teeth) + 0.5) * form.pitch_angle
    angle = middle[:, None, None] + across[:, None] / radii
    px = wheel.plane.project(np.stack([radii * np.cos(angle), radii * np.sin(angle)], axis=-1))
    x, y = (px[..., k].reshape(-1, len(radii)) for k in (0, 1))
    evidence = colour_evidence(sample(planes, x, y), 0.5, optics).reshape(angle.shape)
    along = maximum_filter1d(evidence, max(3, round(_UNEVEN_MM / spacing) | 1), axis=-1)
    out: Floats = np.median(along, axis=1).max(axis=1)
    return out


def _on_sides(values: Floats | Bools, points: Floats, where: Bools) -> Floats:
    """(2, z) means of values (g, n) over the places ``where`` (n,) on either side of each tooth.

    Tooth i stands at -x of gap i and at +x of gap i + 1.
    """
    left, right = where & (points[:, 0] <= 0), where & (points[:, 0] >= 0)
    return np.stack([values[:, left].mean(1), np.roll(values[:, right].mean(1), -1)])


def _patches(planes: NDArray[np.uint8], wheel: Wheel, at: Floats, radii: Floats, half_width_mm: float) -> list[Floats]:
    """For each place on the wheel (in pitches from gap 0's axis) the luma and chroma of a patch, (n, 3) each."""
    across = np.linspace(-half_width_mm, half_width_mm, 5)
    r, w = np.meshgrid(radii, across)
    angle = wheel.phase + at[:, None] * wheel.form.pitch_angle + (w / r).ravel()
    points = np.stack([r.ravel() * np.cos(angle), r.ravel() * np.sin(angle)], axis=-1)
    px = wheel.plane.project(points)
    values = sample(planes, px[..., 0], px[..., 1]).astype(np.float64)
    return [np.nan_to_num(v, nan=128.0) for v in values]


def _some(values: Floats) -> Floats:
    """Some of the values (n, 3), evenly taken: fewer than twice `_SAMPLES`."""
    return values[:: max(1, len(values) // _SAMPLES)]


def _likelihood(samples: Floats, at: Floats) -> Floats:
    """(m,) log density of pixels (m, 3) among the samples (n, 3)."""
    apart = (at[:, None] - samples) / np.array(_LOOK)
    out: Floats = np.log(np.exp(-0.5 * (apart**2).sum(-1)).mean(1) + _DOUBT)
    return out
