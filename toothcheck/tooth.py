"""`ToothRing`: the border between pixels and numbers.

Seeing ends here: outlines in mm with their uncertainty.  Whatever makes a ring (a photo, a scan, a drawing) can be
judged; nothing after it knows of a picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from toothcheck.geometry import Bools, Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GapTrace:
    """The traced edge of one gap between two teeth, in the gap's frame as seen in the photo.

    Gap ``index`` lies half a pitch clockwise of tooth ``index``, so that tooth stands at its -x side.  Edge points come
    as offsets along the normals of a nominal outline, because that is what was measured; only places where an edge was
    found are listed, from -x to +x.
    """

    index: int
    nominal_mm: Floats
    """(n, 2) points of the nominal outline, in the gap's frame: +y the gap's axis, x to the right as seen."""
    normals: Floats
    """(n, 2) unit normals out of the metal."""
    offset_mm: Floats
    """(n,) measured edge = nominal + offset · normal; negative where metal is gone."""
    std_mm: Floats
    """(n,) standard deviation of each offset from what is independent from point to point."""
    doubt_mm: Floats
    """(n,) standard deviation from what neighbouring points share: whether the right edge was followed at all."""
    modes_mm: Floats
    """(n, k) change of the offset for one standard deviation of each of the ring's k shared unknowns."""
    darker: Bools
    """(n,) whether it is darker beyond the edge than on the metal: where a tip is bevelled such an edge is the face's
    own, which draws back behind the form; before a lighter ground the outline is seen instead."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToothRing:
    """The traced outline of a wheel in its own plane, y up, as seen in the photo; lengths mm.

    The axis of gap ``i`` stands at angle ``phase + i·2π/z``, tooth ``i``'s centre line half a pitch further
    counterclockwise, both nominal: the datum is found by `toothcheck.wear`.
    """

    pitch_mm: float
    roller_diameter_mm: float
    teeth: int
    phase: float
    """Angle of gap 0's axis, radians, counterclockwise from +x."""
    gaps: tuple[GapTrace, ...]
    """The gaps of which anything was traced, in order of index."""
    tooth_flags: tuple[tuple[str, ...], ...]
    """For each of the z teeth: why it was not traced (covered, out of frame …), or nothing."""
    mode_names: tuple[str, ...]
    """What the k shared unknowns are (plane tilts, card height, thickness …)."""
    scale_std: float
    """Relative standard uncertainty of all lengths (card print, pose, or the pitch where that gave the scale)."""
    tip_radius_mm: float | None = None
    """Where the traced flanks end, median over the teeth; None where that was not seen."""
    tips_apart: tuple[tuple[int, float], ...] = ()
    """Teeth whose tips end elsewhere than the others', and how much higher, mm (negative: lower)."""
    leaning: tuple[tuple[int, float | None], ...] = ()
    """Teeth that may be bent out of the plane, and by how much, degrees (positive: towards the camera)
    where that was told."""


def teeth_in_words(indices: Sequence[int]) -> str:
    """``tooth 3``, ``teeth 3, 4``: how teeth are named wherever people read of them."""
    return f"{'tooth' if len(indices) == 1 else 'teeth'} {', '.join(map(str, indices))}"
