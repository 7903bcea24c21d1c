"""Teeth that are not there: told from covered ones by what is seen in their place.

A tooth in plain sight (`toothcheck.tracing.sight`) is called broken or missing when what stands in its place looks like
what is seen through the gaps beside it, and neither like the other teeth nor like anything on the face; when no edge
follows its outline, while the teeth beside it have theirs; and when the break itself is seen, as an edge across it.
Any of these alone is common: dirt looks like dark ground, a shadow hides an edge, a chain's plates lie over gaps and
teeth alike.  On gravel or straw there are edges everywhere, and a break may lie in shadow: without either the look must
be beyond doubt, and among edges the break as clear as an outline.

Several teeth in a row in plain sight, without edges and with a break across all, may be gone though their look does
not say so: chains hide the gaps between, too.  A plate may hide no more than their tips, but mostly looks like nothing
that is seen through the gaps elsewhere: such teeth are neither called gone nor doubted.

A guard or plate that shows its own rim (`toothcheck.tracing.covers`) takes no tooth away, whatever it looks like.
Where no such rim is seen, a break across a tooth and hardly any edge of it are enough for doubt, whatever stands in its
place: paper as light as the metal looks like both.

Dirt of the ground's own colour makes a sound tooth look gone in every way.  It seldom lies on one tooth alone: where
what looks like ground lies on the face, too, and is as like what is seen in the tooth's place, the tooth is doubted.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from toothcheck.edges import Optics, sample
from toothcheck.geometry import Bools, Floats
from toothcheck.tracing.covers import hidden
from toothcheck.tracing.follow import Paths, colour_evidence
from toothcheck.tracing.looks import Looks, likelier, log_density, some
from toothcheck.tracing.rims import Rims, Wheel
from toothcheck.tracing.sight import ASIDE_MM, CLEAR_STEP, FOOT_MM, MANY, Sight, on_sides, usual_edge

_NO_EDGE = 0.75
"""Of the usual: less of either flank may be followed in the tooth's place."""
_HARDLY = 0.5
"""Of the usual: less than this of either flank is followed where a tooth is doubted for its edges alone (six teeth that
are gone in made photos and do not look so: 0.3 at most; a sound one in dirt 0.75).  Of a stump more may be: its break
must be as clear as an outline then, and ground be seen beside it."""
_MIDDLE_MM = 1.6
"""To where over the pitch circle a break may have left a flank's foot."""
_LIKE_GROUND = 0.8
"""Share of the points in a tooth's place that must look more like ground than like teeth."""
_BREAK, _CLEAR_BREAK, _CLEAR_BESIDE = 0.6, 0.8, 0.7
"""Of the usual, how clear the break must be; where edges are followed all the same, and the teeth beside it then."""
_KNOWN = -5.0
"""Median log density, among the ground seen elsewhere, from which on what is seen in a row's place is known from there:
2.4 times the spread of a look away (of 29 teeth gone in made photos the least was -1.9)."""
_THAN_SOIL = 0.2
"""By how much it must on average be more likely ground than what lies on the face, log likelihood (five teeth that
are gone in made photos where something lies there: 0.45 at least; a sound one in dirt -0.35; dirt and ground drawn
alike 0.05, five grey levels apart 0.26)."""
_BREAK_HALF_MM, _UNEVEN_MM = 0.7, 0.5
"""How far to both sides of a tooth's middle its break is looked for, and how uneven it may be."""


class Missing(NamedTuple):
    """Indices of teeth that are not there."""

    gone: set[int]
    """Broken off or missing."""
    perhaps: set[int]
    """By their edges alone, in a row of teeth of which that may be so, or where what is seen may be dirt."""


class _Asked(NamedTuple):
    """What is asked of the look of a tooth's place."""

    than_tooth: float
    """By how much it must on average be more likely ground than tooth, log likelihood."""
    than_face: float
    """The same against all that is seen on the face: metal, dirt."""
    other_ground: float
    """Share of the ground beside that may look more like teeth than like the ground further along: a chain does."""
    strange: float
    """Share of it that may look more like metal or what lies on it than like the ground all round: under a whole run
    of chain the ground further along is chain, too."""


_BARE, _BEYOND_DOUBT = _Asked(1.3, 0.4, 0.2, 0.3), _Asked(1.5, 2.5, 0.02, 0.12)
"""Where no edge is followed and the break is seen, and where one of these is lacking.  Of 37 teeth that are gone in
made photos two are less than 1.8 more likely ground than tooth (0.9 and 1.4); of sound ones in dirt as dark as what
lies behind, with the dirt's end across them, the three worst are 0.8 to 1.1."""


def missing_teeth(
    planes: NDArray[np.uint8], wheel: Wheel, frame: Rims, paths: Paths, sight: Sight, looks: Looks, optics: Optics
) -> Missing:
    """Which teeth are broken off or missing, or may be.

    Parameters
    ----------
    planes
        (height, width, 3) luma and chroma of the photo.
    wheel
        As fitted.
    frame, paths
        Where its outline stands and what was followed.
    sight, looks
        Which teeth are in plain sight, and how they look.
    optics
        Of the photo at the sprocket.
    """
    points, step, offset = frame.outline.points_mm, paths.near_evidence, np.abs(paths.offset_mm)
    above = np.hypot(points[:, 0], points[:, 1]) - wheel.form.pitch_radius_mm
    # a tooth in shadow or dirt may show no edge on one flank; one that is not there shows none on either
    foot = (above > FOOT_MM) & (above < _MIDDLE_MM)
    followed = on_sides((step > CLEAR_STEP) & (offset < ASIDE_MM), points, foot).max(0)
    own = max(float(np.median(followed[sight.clear])), 1e-6)
    bare = sight.plain & (followed < _NO_EDGE * own)
    usual = usual_edge(paths, sight)
    breaks = _breaks(planes, wheel, optics) / usual
    broken_off = sight.plain & ~bare & (sight.beside > _CLEAR_BESIDE) & (breaks > _CLEAR_BREAK)
    clearly = bare & (breaks > _BREAK)
    suspects = np.flatnonzero(bare | broken_off).tolist()
    out = {i for i in suspects if _like_ground(looks, sight, i, _BARE if clearly[i] else _BEYOND_DOUBT)}
    most = MANY * len(sight.clear)
    perhaps = _by_edges(looks, sight, followed < _HARDLY * own, breaks) - out
    for row in (row for row in sight.rows if len(row) > 1):
        known = [_known(looks, sight, i) for i in row]
        out -= {i for i, so in zip(row, known, strict=True) if not so}
        if all(known) and sight.plain[row].all() and (breaks[row] > _BREAK).all():
            perhaps |= set(row)
    covered = hidden(planes, wheel, out | perhaps, optics, usual)
    out, perhaps = out - covered, perhaps - covered
    soiled = {i for i in out if _like_soil(looks, i)}
    out, perhaps = out - soiled, perhaps | soiled
    out = out if len(out) <= most else set()
    return Missing(out, perhaps - out if len(out | perhaps) <= most else set())


def _by_edges(looks: Looks, sight: Sight, nothing: Bools, breaks: Floats) -> set[int]:
    """Single teeth in plain sight that their edges make doubtful, whatever they look like.

    ``nothing`` (z,) says which show hardly any, ``breaks`` (z,) how clear a break is, of the usual edge.
    """
    alone = [row[0] for row in sight.rows if len(row) == 1 and sight.plain[row[0]]]
    stumps = {i for i in alone if breaks[i] > _CLEAR_BREAK and _before_ground(looks, sight, i, _BARE)}
    return stumps | {i for i in alone if nothing[i] and breaks[i] > _BREAK}


def _like_ground(looks: Looks, sight: Sight, i: int, asked: _Asked) -> bool:
    """Whether what stands in tooth ``i``'s place is the ground beside it."""
    body, ground = looks.body[i], looks.ground(i)
    as_ground, as_tooth = log_density(ground, body), log_density(_teeth(looks, sight, i), body)
    return (
        float(np.mean(as_ground > as_tooth)) >= _LIKE_GROUND
        and likelier(as_ground, as_tooth) >= asked.than_tooth
        and likelier(as_ground, log_density(looks.face, body)) >= asked.than_face
        and _before_ground(looks, sight, i, asked)
    )


def _before_ground(looks: Looks, sight: Sight, i: int, asked: _Asked) -> bool:
    """Whether what is seen beside tooth ``i`` is the ground, and no metal."""
    z, ground = len(looks.body), looks.ground(i)
    further = np.concatenate([looks.inner[(i - 1) % z], looks.inner[(i + 2) % z], looks.outer[i]])
    teeth_there = log_density(_teeth(looks, sight, i), ground)
    other_ground = float(np.mean(teeth_there > log_density(further, ground)))
    metal = np.maximum(teeth_there, log_density(looks.face, ground))
    strange = float(np.mean(metal > log_density(looks.through, ground)))
    return other_ground <= asked.other_ground and strange <= asked.strange


def _teeth(looks: Looks, sight: Sight, i: int) -> Floats:
    """(n, 3) how the teeth look that do not stand in tooth ``i``'s row."""
    return looks.other_teeth(*next((row for row in sight.rows if i in row), [i]))


def _like_soil(looks: Looks, i: int) -> bool:
    """Whether what stands in tooth ``i``'s place may as well be what lies on the face."""
    if not len(looks.soil):
        return False
    body = looks.body[i]
    return likelier(log_density(looks.ground(i), body), log_density(looks.soil, body)) < _THAN_SOIL


def _known(looks: Looks, sight: Sight, i: int) -> bool:
    """Whether what is seen in tooth ``i``'s place is seen through gaps and beyond tips elsewhere, too."""
    z, faint = len(looks.body), sight.faint
    others = [k for k in sight.clear.tolist() if not faint[k]]
    gaps = {g % z for k in others for g, beside in ((k, k - 1), (k + 1, (k + 1) % z)) if not faint[beside]}
    if not gaps:
        return False
    ground = some(np.concatenate([looks.inner[g] for g in sorted(gaps)] + [looks.outer[k] for k in others]))
    return float(np.median(log_density(ground, looks.body[i]))) > _KNOWN


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
