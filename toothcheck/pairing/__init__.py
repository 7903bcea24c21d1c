"""Two inspections of one part: what it lost between the photos, and how well that is known.

The photos' rings go to `toothcheck.comparing`; bore, splines and fixing holes, read on each photo's own plane, tell
other parts and, where the count of splines or holes has no divisor in common with the teeth's, which tooth is which.
`baseline` puts the part's own form when new in the ideal's place.  Made pairs of known wear say how far off it is
(`toothcheck.survey.pairs`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from toothcheck.comparing import Comparison, Landmarks, check_same, compare, joined
from toothcheck.errors import CannotTell, DifferentPartError
from toothcheck.estimate import Estimate, median_of
from toothcheck.features.circles import find_circles
from toothcheck.flags import MAY_BE_DAMAGED, TURNING_GUESSED
from toothcheck.geometry import readonly
from toothcheck.inspection import Claim, Inspection, inspect
from toothcheck.pairing.baseline import with_baseline
from toothcheck.photo import Photo
from toothcheck.tooth import ToothRing

__all__ = [
    "broken_since",
    "damaged",
    "doubts",
    "knowing_the_turning",
    "landmarks_of",
    "loss_between",
    "retold",
    "thickness_of",
    "with_baseline",
]

EDGE_STD_MM = 0.012
"""What of a photo's common edge offset the ring's own exposure unknown does not hold already."""
_DOUBTS = {
    "wear-on-coast-flank", "scale-disagrees", "roller-disagrees", "form-disagrees", "part-turned-over",
    "unworn-side-differs", "metal-grown",
}  # fmt: skip
"""Flags of a photo or of the comparison with which no loss is claimed."""
_DISAGREE = ("teeth-disagree", "chain-disagrees", "form-disagrees")


def landmarks_of(inspection: Inspection) -> Landmarks | None:
    """Bore, splines and fixing holes on the plane of the ring; None where nothing was traced or none is seen."""
    traced = inspection.traced
    if traced is None:
        return None
    wheel = traced.wheel
    seen = find_circles(
        inspection.photo.grey,
        wheel.plane,
        root_radius_mm=wheel.form.root_diameter_mm / 2,
        thickness_mm=wheel.thickness_mm,
        scale_std=traced.ring.scale_std,
    )
    holes = None
    if seen.holes_at_mm is not None and seen.hole_mm is not None:
        size = np.full((len(seen.holes_at_mm), 1), seen.hole_mm.value)
        holes = readonly(np.hstack([seen.holes_at_mm, size]))
    if holes is None and seen.bore.diameter_mm is None and seen.bore.splines is None:
        return None
    return Landmarks(
        bore_diameter_mm=seen.bore.diameter_mm,
        holes_mm=holes,
        splines=None if seen.bore.splines is None else seen.bore.splines.value,
        groove=seen.bore.groove,
        groove_mm=seen.bore.groove_radius_mm,
    )


def _alike(one: Landmarks | None, two: Landmarks | None) -> tuple[Landmarks | None, Landmarks | None]:
    """Bring hole patterns together that may be of one part.

    Where every second of six holes is filled with dirt, three are seen; which three, nobody knows.  So three count as
    six: all places where a hole may be.
    """
    if one is None or two is None or one.holes_mm is None or two.holes_mm is None:
        return one, two
    counts = {len(one.holes_mm), len(two.holes_mm)}
    if counts not in ({3}, {3, 6}):
        return one, two
    out = []
    for marks in (one, two):
        holes = marks.holes_mm
        if holes is not None and len(holes) == 3:
            between = holes.copy()
            between[:, :2] = -holes[:, :2] + 2 * holes[:, :2].mean(axis=0)
            marks = replace(marks, holes_mm=readonly(np.concatenate([holes, between])))
        out.append(marks)
    return out[0], out[1]


def _clear(inspection: Inspection, drive_clockwise: bool) -> ToothRing:
    """The ring without the drive flanks of teeth that the single photo does not count as measured."""
    assert inspection.traced is not None
    assert inspection.wear is not None
    ring = inspection.traced.ring
    drop = {
        (t.index if drive_clockwise else (t.index + 1) % ring.teeth) for t in inspection.wear.teeth if not t.measured
    }
    gaps = []
    for gap in ring.gaps:
        keep = np.ones(len(gap.offset_mm), dtype=bool)
        if gap.index in drop:
            keep = (gap.nominal_mm[:, 0] > 0) == drive_clockwise
        if keep.sum() > 3:
            gaps.append(
                replace(
                    gap,
                    nominal_mm=readonly(gap.nominal_mm[keep]),
                    normals=readonly(gap.normals[keep]),
                    offset_mm=readonly(gap.offset_mm[keep]),
                    std_mm=readonly(gap.std_mm[keep]),
                    doubt_mm=readonly(gap.doubt_mm[keep]),
                    modes_mm=readonly(gap.modes_mm[keep]),
                    darker=gap.darker[keep],
                )
            )
    return replace(ring, gaps=tuple(gaps))


def retold(claim: Claim, one: Inspection, other: Inspection) -> Claim | None:
    """What is to be claimed of ONE, where the other photo tells which flank drives and this one leaves it open.

    A part that is not worn does not show it, and was measured with one side taken for granted; of one part seen from
    one side both photos have the same drive flanks.

    Parameters
    ----------
    claim
        What was claimed of ONE.
    one, other
        Inspections of the same part, seen from the same side.

    Returns
    -------
    Claim or None
        None where it need not be inspected again.
    """
    open_ = [not TURNING_GUESSED.isdisjoint(i.flags) for i in (one, other)]
    if one.wear is None or other.wear is None or open_ != [True, False]:
        return None
    side = other.wear.drive_clockwise
    return None if one.wear.drive_clockwise == side else claim.driven(side)


def knowing_the_turning(photo: Photo, claim: Claim, seen: Inspection, other: Inspection) -> Inspection:
    """A photo's inspection, anew where the other photo of the part tells its turning (`retold`)."""
    again = retold(claim, seen, other)
    return seen if again is None else inspect(photo, again)


def loss_between(
    before: Inspection, after: Inspection, *, turned_by: int | None = None, with_landmarks: bool = True
) -> Comparison:
    """What the part lost from one inspected photo to the other.

    Parameters
    ----------
    before, after
        Inspections of the same part, seen from the same side.
    turned_by
        Tooth ``i`` of BEFORE is tooth ``i + turned_by`` of AFTER, where a mark tells.
    with_landmarks
        Whether bore and holes are asked, too.

    Raises
    ------
    CannotTell
        When a photo shows no sprocket that can be measured, or too little of the same teeth.
    DifferentPartError
        When they are two parts, or one turned over.
    """
    for which, one, other in (("before", before, after), ("after", after, before)):
        for code in _DISAGREE:
            if code in one.flags and code not in other.flags:
                what = "tooth count" if code == "teeth-disagree" else "chain size" if code[0] == "c" else "tooth form"
                raise DifferentPartError(
                    f"These are not the same part: {one.photo.name} ({which}) does not show the {what} given, "
                    f"{other.photo.name} does.",
                    hint="Compare photos of one part only.",
                )
    sides = []
    for which, one in (("before", before), ("after", after)):
        if one.traced is None or one.wear is None:
            why = " ".join(("no sprocket could be measured.", *one.verdict.reasons[:1]))
            raise CannotTell(f"{one.photo.name} ({which}): {why}", hint=" ".join(one.verdict.next_steps[:2]))
        sides.append(one.wear.drive_clockwise)
    assert before.traced is not None
    assert after.traced is not None
    if sides[0] != sides[1]:
        check_same(before.traced.ring, after.traced.ring)  # of two parts it does not matter which flanks drive
        raise CannotTell(
            "The two photos do not agree on which flank drives.",
            hint="Say which way the sprocket turns with --turning.",
        )
    marks = _alike(landmarks_of(before), landmarks_of(after)) if with_landmarks else (None, None)
    try:
        found = compare(
            _clear(before, sides[0]),
            _clear(after, sides[0]),
            drive_clockwise=sides[0],
            turned_by=turned_by,
            landmarks_before=marks[0],
            landmarks_after=marks[1],
            edge_std_mm=EDGE_STD_MM,
        )
    except ValueError as error:
        raise CannotTell(f"The photos cannot be compared: {error}.", hint="Photograph all teeth both times.") from error
    assert before.wear is not None
    assert after.wear is not None
    return joined(found, before.wear, after.wear)


def damaged(inspection: Inspection) -> dict[int, tuple[str, ...]]:
    """Teeth that are gone or may be damaged, by their number in the photo, and which flags say so."""
    teeth = () if inspection.wear is None else inspection.wear.teeth
    hurt = MAY_BE_DAMAGED | {"broken"}
    return {t.index: tuple(f for f in t.flags if f in hurt) for t in teeth if not hurt.isdisjoint(t.flags)}


def broken_since(before: Inspection, after: Inspection) -> bool:
    """Whether more teeth are gone in the later photo than may have been in the earlier one, seen or not."""
    if before.wear is None:
        return False
    whole = sum(t.measured for t in before.wear.teeth)
    gone = sum("broken" in codes for codes in damaged(after).values())
    return gone > len(before.wear.teeth) - whole


def doubts(*flags: Iterable[str]) -> tuple[str, ...]:
    """Which flags, of photos and of their comparison, say that they disagree, so that no loss is claimed."""
    return tuple(dict.fromkeys(code for some in flags for code in some if code in _DOUBTS))


def thickness_of(inspection: Inspection) -> Estimate | None:
    """The teeth's median thickness at the pitch circle, mm.

    Its uncertainty is the single tooth's: what the teeth share (edges, scale) does not average out.
    """
    if inspection.wear is None:
        return None
    return median_of([t.thickness_mm for t in inspection.wear.teeth if t.measured and t.thickness_mm is not None])
