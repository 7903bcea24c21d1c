"""Place each followed edge to a fraction of a pixel, with its own standard deviation.

What a profile by itself shows is `toothcheck.tracing.profiles`'s matter.  Here is what others tell: how light side
walls are, and lines along broken or rolled edges, both by the direction that they face.  Each is learnt where it can be
looked at, and used everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothcheck.edges import Optics, sample
from toothcheck.geometry import Bools, Floats
from toothcheck.tracing.follow import TOGETHER_PX, Paths
from toothcheck.tracing.profiles import APART_PX, Lines, light_of, place
from toothcheck.tracing.rims import Rims

_WIDE_PX, _WALL_LIGHT, _WALL_SPREAD = 3.5, 0.5, 0.15
"""From which width a side wall can be looked at; how light it is against its face where none can, and how much walls
that face the same way differ."""
_HIDDEN_PX, _LINE_SPREAD = 1.0, 0.1
"""By how much the wall is hidden where lines along the rim are learnt; how much they differ about their first
harmonic."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """Located edge points of near or far rims; m points."""

    gap: NDArray[np.int64]
    """(m,) index of the gap."""
    place: NDArray[np.int64]
    """(m,) index into the nominal outline."""
    far: Bools
    """(m,) whether the point lies on the far rim."""
    px: Floats
    """(m, 2)."""
    std_px: Floats
    """(m,) along the normal."""
    offset_mm: Floats
    """(m,) along the nominal normal, measured on the face's plane (far rims: less their wall)."""
    step: Floats
    """(m,) light outside less light inside."""
    drive: Bools
    """(m,) whether the point lies on the drive half of its gap."""
    spacing_mm: float
    """Between neighbouring points of the nominal outline."""
    line: Floats
    """(3,) light of the line along the rim against the face's: its mean, cosine and sine over the direction in the
    photo that the rim faces; 0 where no line was seen."""


def locate(
    planes: NDArray[np.uint8],
    rims: Rims,
    paths: Paths,
    optics: Optics,
    *,
    drive_clockwise: bool,
    line: Floats | None = None,
) -> Edges:
    """Refine the followed paths; points without a clear step are left out.

    ``line``: `Edges.line` of a round before, where there was one.
    """
    g, n = rims.wall_mm.shape
    gap, point = np.divmod(np.arange(g * n), n)
    per_mm = np.hypot(rims.step_px[..., 0], rims.step_px[..., 1]).ravel()
    unit = rims.step_px.reshape(-1, 2) / per_mm[:, None]
    base = rims.near_px.reshape(-1, 2)
    wall = np.where(rims.wall_seen, rims.wall_mm, 0.0).ravel() * per_mm
    start = paths.offset_mm.ravel() * per_mm
    ok = paths.in_frame.ravel() & (paths.near_evidence.ravel() > 0.02)
    facing = _facing(unit)
    known = np.zeros_like(wall) if line is None else facing @ line
    lines = Lines(base, unit, start, wall, np.zeros_like(wall), known)
    share = _far_share(planes, lines, ok & (paths.near_evidence.ravel() > 0.3))
    # of a narrow wall's two rims the clearer one was followed; of a wider one's, nearly always the near one
    together = (wall > 0) & (wall < TOGETHER_PX)
    near = place(planes, lines._replace(start=start - np.where(together, share * wall, 0.0), share=share), optics, ok)
    apart = ok & (wall >= APART_PX) & (paths.far_evidence.ravel() > 0.25)
    far = place(planes, lines._replace(start=start + wall, wall=np.zeros_like(wall)), optics, apart)
    parts = []
    for found, is_far in ((near, False), (far, True)):
        where, at, std, step, _ = found
        parts.append(
            (
                gap[where], point[where], np.full(len(where), is_far), base[where] + at[:, None] * unit[where], std,
                (at - (wall[where] if is_far else 0.0)) / per_mm[where], step,
            )
        )  # fmt: skip
    hidden = (rims.wall_mm.ravel() * per_mm < -_HIDDEN_PX)[near.where]
    alone = np.isfinite(near.line) & hidden & (paths.near_evidence.ravel()[near.where] > 0.3)
    joined = [np.concatenate([a, b]) for a, b in zip(*parts, strict=True)]
    return Edges(
        gap=joined[0],
        place=joined[1],
        far=joined[2],
        px=joined[3],
        std_px=joined[4],
        offset_mm=joined[5],
        step=joined[6],
        # in a gap's frame the drive flank of the tooth it belongs to stands at -x where drive flanks are clockwise
        drive=(rims.outline.points_mm[joined[1], 0] < 0) == drive_clockwise,
        spacing_mm=float(np.median(np.hypot(*np.diff(rims.outline.points_mm, axis=0).T))),
        line=_harmonic(facing[near.where[alone]], np.clip(near.line[alone], -1, 1), _LINE_SPREAD, (20, 20, 20)),
    )


def _far_share(planes: NDArray[np.uint8], lines: Lines, clear: Bools) -> Floats:
    """`Lines.share`, from the photo; ``clear`` (n,) says which places can be relied on.

    A side wall darker than face and ground hides its near rim before a light ground and its far rim before a dark one.
    How light a wall is against its face changes with the direction that it faces: walls wide enough to be looked at
    tell it (their mean and its first harmonic, robustly), narrow ones are taken for alike.
    """

    def level(from_px: Floats, to_px: Floats) -> Floats:
        at = from_px[:, None] + (to_px - from_px)[:, None] * np.linspace(0, 1, 5)
        luma = sample(planes, base[:, :1] + at * unit[:, :1], base[:, 1:] + at * unit[:, 1:])[..., 0]
        return np.asarray(light_of(luma).mean(1), dtype=np.float64)

    base, unit, start, wall = lines.base, lines.unit, lines.start, lines.wall
    inside = np.maximum(level(start - 4, start - 2), 1.0)
    beyond = level(start + wall + 2, start + wall + 4)
    wide = clear & (wall > _WIDE_PX)
    ratio = np.full(len(start), _WALL_LIGHT)
    if wide.any():
        middle = start + 0.5 * wall
        seen = np.minimum(level(middle - 0.7, middle + 0.7)[wide] / inside[wide], 2.0)
        # in walls: with fewer the usual wall decides
        facing = _facing(unit)
        ratio = _WALL_LIGHT + facing @ _harmonic(facing[wide], seen - _WALL_LIGHT, _WALL_SPREAD, (20, 6, 6))
        ratio = np.clip(ratio, 0.05, 1.5)
    near, far = np.abs(ratio * inside - inside), np.abs(beyond - ratio * inside)
    out: Floats = far / np.maximum(near + far, 1.0)
    return out


def _facing(unit: Floats) -> Floats:
    """(n, 3) a constant, cosine and sine of the directions ``unit`` (n, 2)."""
    return np.column_stack([np.ones(len(unit)), unit])


def _harmonic(facing: Floats, values: Floats, spread: float, weight: tuple[int, int, int]) -> Floats:
    """(3,) mean, cosine and sine of values (n,) over the direction, robustly.

    Each is held to 0 as by ``weight`` values; ``spread`` is how much values differ about them.
    """
    w: Floats = np.ones(len(values))
    fitted: Floats = np.zeros(3)
    for _ in range(4):
        fitted = np.asarray(np.linalg.solve((facing.T * w) @ facing + np.diag(weight), (facing.T * w) @ values))
        w = 1 / (1 + ((values - facing @ fitted) / spread) ** 2)
    return fitted
