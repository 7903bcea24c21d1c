"""Which teeth are in plain sight: only there can damage be told from what covers a tooth.

The bottoms of the gaps on both sides of such a tooth are followed on the form, and at least one of the gaps lies on it
with its flank, too; the teeth beside it have clear edges, and the gaps beyond them lie on the form: under a chain they
do not.  Where several teeth in a row show no edges, those beside the row stand in for the teeth beside each.  A bent
tooth leaves the form, too, but its edges are clear and hardly another gap does: the next tooth stands in for it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from toothcheck.geometry import Bools, Floats, Ints
from toothcheck.tracing.follow import Paths
from toothcheck.tracing.rims import Rims, Wheel

CLEAR_STEP, ASIDE_MM = 0.3, 1.0
"""From which evidence on an edge is followed, and how far off the form it may be a tooth's own."""
FOOT_MM = -0.2
"""From where over the pitch circle a flank is looked at."""
MANY = 0.3
"""If more of the teeth than this look damaged, the picture is misread instead."""
_CLEAR_GAP = 0.3
"""Trust from which a gap's tooth says how teeth look."""
_ON_FORM = 0.4
"""Trust of the better of a tooth's two gaps: where a tooth is gone the other one has lost its flank."""
_BOTTOM, _BOTTOM_SEEN, _NEAR_MM = 0.45, 0.6, 0.35
"""How far up a seat its bottom reaches, which share of each half beside the tooth must be followed, and how near to the
form."""
_EDGE_BESIDE, _GAP_BESIDE = 0.6, 0.2
"""How clear the edges of the teeth beside it must be, of the usual, and how far the gaps beyond them must lie on the
form."""
_FAINT = 0.4
"""Of the usual: a tooth whose edges are less clear shows none (made photos: teeth that are gone at most 0.33; sound
ones at least 0.42, but for tips behind a plate or under dirt of the ground's look)."""
_ROW = 3
"""How many teeth in a row may show none, or end elsewhere: a longer row is taken for hidden, or for what light does."""
_FEWEST = 4
_LEAST_EDGE = 0.1
"""Evidence for an edge that is usual at the least."""


class Sight(NamedTuple):
    """What is seen of z teeth; tooth i stands between gaps i and i + 1."""

    whole: Bools
    """(z,) gaps that lie on the form all the way."""
    clear: Ints
    """Teeth between two of these: they say how teeth look."""
    plain: Bools
    """(z,) teeth in plain sight; none where too few are clear."""
    faint: Bools
    """(z,) teeth that show next to no edges on either flank; none where too few are clear."""
    beside: Floats
    """(z,) how clear the edges are, of the usual, of the tooth beside each, or beside the row it stands in, that shows
    them less."""
    rows: tuple[list[int], ...]
    """Of one to three faint teeth side by side."""


def in_plain_sight(wheel: Wheel, frame: Rims, paths: Paths, trust: Floats) -> Sight:
    """What was followed of each tooth.

    Parameters
    ----------
    wheel
        As fitted.
    frame, paths
        Where its outline stands and what was followed.
    trust
        (z,) how far each gap lies on the form, 0…1.
    """
    after, z = np.roll(trust, -1), len(trust)
    whole = trust > _CLEAR_GAP
    clear = np.flatnonzero(np.minimum(trust, after) > _CLEAR_GAP)
    if len(clear) < _FEWEST:
        none = np.zeros(z, dtype=bool)
        return Sight(whole, clear, none, none, np.zeros(z), ())
    points, step, offset = frame.outline.points_mm, paths.near_evidence, np.abs(paths.offset_mm)
    bottom = wheel.form.seat_share(points) < _BOTTOM
    above = np.hypot(points[:, 0], points[:, 1]) - wheel.form.pitch_radius_mm
    seats = on_sides((step > CLEAR_STEP) & (offset < _NEAR_MM), points, bottom).min(0)
    edge = on_sides(np.where(offset < ASIDE_MM, step, 0.0), points, above > FOOT_MM).max(0)
    edge = edge / max(float(np.median(edge[clear])), 1e-6)
    faint = edge < _FAINT
    rows = rows_of(faint)
    first, last = row_ends(rows, z)
    before, behind = _beside(edge, trust, first, -1), _beside(edge, after, last, 1)
    plain = (np.maximum(trust, after) > _ON_FORM) & (seats >= _BOTTOM_SEEN) & before.free & behind.free
    beside = np.minimum(before.edge, behind.edge)
    return Sight(whole, clear, plain, faint, beside, rows)


def usual_edge(paths: Paths, sight: Sight) -> float:
    """How clear edges are on the gaps that lie on the form, evidence."""
    return max(float(np.median(paths.near_evidence[sight.whole])), _LEAST_EDGE)


class _Beside(NamedTuple):
    """Of the tooth that says, for each of z teeth, whether anything hides it from one side."""

    free: Bools
    """(z,) whether its edges are clear and the gap beyond it lies on the form."""
    edge: Floats
    """(z,) how clear its edges are, of the usual."""


def _beside(edge: Floats, beyond: Floats, start: Ints, way: int) -> _Beside:
    """The tooth ``way`` (-1, 1) of each ``start`` (z,), or the next one beside one that seems bent.

    ``edge`` and ``beyond`` (z,) are each tooth's own edges and the trust in the gap on that side of it.
    """
    clear, on_form = edge > _EDGE_BESIDE, beyond > _GAP_BESIDE
    free = clear & on_form
    near, next_one = ((start + way * k) % len(edge) for k in (1, 2))
    # dirt takes edges, and a photo that is hard to follow leaves many gaps off the form: neither bends a tooth
    bent = clear[near] & ~on_form[near] & (np.count_nonzero(~on_form) <= _ROW)
    which = np.where(bent & free[next_one], next_one, near)
    return _Beside(free[which], edge[which])


def rows_of(alike: Bools) -> tuple[list[int], ...]:
    """Indices of such teeth (z,) side by side, row by row; a row of more than `_ROW` is none."""
    z, out = len(alike), []
    for i in np.flatnonzero(alike & ~np.roll(alike, 1)).tolist():
        many = next((k for k in range(1, _ROW + 1) if not alike[(i + k) % z]), 0)
        if many:
            out.append([(i + k) % z for k in range(many)])
    return tuple(out)


def row_ends(rows: tuple[list[int], ...], z: int) -> tuple[Ints, Ints]:
    """(z,) each, the first and the last tooth of the row that each tooth stands in; itself where it stands in none."""
    first, last = np.arange(z), np.arange(z)
    for row in rows:
        first[row], last[row] = row[0], row[-1]
    return first, last


def on_sides(values: Floats | Bools, points: Floats, where: Bools) -> Floats:
    """(2, z) means of values (g, n) over the places ``where`` (n,) on either side of each tooth.

    Tooth i stands at -x of gap i and at +x of gap i + 1.
    """
    left, right = where & (points[:, 0] <= 0), where & (points[:, 0] >= 0)
    return np.stack([values[:, left].mean(1), np.roll(values[:, right].mean(1), -1)])
