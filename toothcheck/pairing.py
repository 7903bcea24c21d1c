"""Two inspections of one part: what it lost between the photos, and how well that is known, checked on made pairs.

The photos' rings go to `toothcheck.comparing`; bore and fixing holes, read on each photo's own plane, tell other parts
and, where hole count and tooth count have no common divisor, which tooth is which.

``python -m toothcheck.pairing --pairs 12`` makes pairs with known wear, measures them and says how far off it was.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from toothcheck.chains import chain
from toothcheck.comparing import AgainstBaseline, Comparison, Landmarks, check_same, compare, joined, share_of
from toothcheck.errors import CannotTell, DifferentPartError
from toothcheck.estimate import Estimate, median_of
from toothcheck.features.circles import find_circles
from toothcheck.flags import MAY_BE_DAMAGED
from toothcheck.geometry import readonly
from toothcheck.grade import GRADES, MEASURED_AGAINST, grade
from toothcheck.inspection import Claim, Inspection, inspect, tip_pixels
from toothcheck.photo import decode
from toothcheck.synthetic import MadePhoto, Scene, Tier, encode, honest_claim, make_pair, make_photo
from toothcheck.tooth import ToothRing
from toothcheck.wear import ToothWear, WheelWear, worst_of

EDGE_STD_MM = 0.012
"""What of a photo's common edge offset the ring's own exposure unknown does not hold already."""
_DOUBTS = {
    "wear-on-coast-flank", "scale-disagrees", "roller-disagrees", "form-disagrees", "part-turned-over",
    "unworn-side-differs", "metal-grown",
}  # fmt: skip
"""Flags of a photo or of the comparison with which no loss is claimed."""
_DISAGREE = ("teeth-disagree", "chain-disagrees", "form-disagrees")


def landmarks_of(inspection: Inspection) -> Landmarks | None:
    """Bore and fixing holes on the plane of the ring; None where nothing was traced or neither is seen."""
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
    if holes is None and seen.bore_mm is None:
        return None
    return Landmarks(bore_diameter_mm=seen.bore_mm, holes_mm=holes)


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
            raise CannotTell(
                f"{one.photo.name} ({which}): no sprocket could be measured.", hint=" ".join(one.verdict.next_steps[:1])
            )
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


def with_baseline(
    inspection: Inspection, earlier: Inspection, comparison: Comparison, found: AgainstBaseline, *, seed: int = 0
) -> Inspection:
    """The inspection with the part's own form when new as the ideal (measures.md, sections 2 and 4).

    Losses, asymmetry and grade are then by what is gone since, against the baseline's thickness.  The baseline must be
    graded good, and the two agree on what does not wear; else nothing changes.  What refuses a grade does so still, and
    tips and hooks, which no baseline measures, stay against the ideal form.

    Parameters
    ----------
    inspection, earlier
        Of the part now, and when new.
    comparison, found
        Of the two.
    seed
        Of the draws behind the confidence.
    """
    wear = inspection.wear
    doubted = set(comparison.flags) - {"teeth-not-told-apart"}
    if wear is None or wear.asymmetry_percent is None or earlier.verdict.grade != GRADES[0] or doubted:
        return inspection
    rng = np.random.default_rng(seed)
    # a form that both flanks' wear has bent out of the ideal is what a baseline is for
    flags = tuple(f for f in inspection.flags if f != "worn-both-flanks")
    gone = found.asymmetry_percent
    draws = readonly(gone.value + gone.std * rng.standard_normal(max(1, len(wear.draws_asymmetry))))
    teeth = _since(wear, earlier.wear, comparison, found.thickness_mm)
    judged = replace(
        wear,
        teeth=teeth,
        worst_tooth=worst_of(teeth),
        drive_loss_mm=found.loss_mm,
        asymmetry_percent=gone,
        draws_asymmetry=draws,
    )
    after = grade(judged, flags, rng)
    said = f"Gone from the drive flanks since the baseline: {gone.text('%')} of its teeth's thickness (median)."
    reasons = tuple(said if r.startswith(MEASURED_AGAINST) else r for r in after.reasons)
    held = replace(inspection, wear=judged, flags=flags, against_baseline=True)
    return held.judged(replace(after, reasons=reasons))


def _since(
    now: WheelWear, new: WheelWear | None, comparison: Comparison, thickness_mm: Estimate
) -> tuple[ToothWear, ...]:
    """The teeth with what each has lost since the baseline, of its ``thickness_mm``.

    Where it is not known which tooth is which, each is held against the baseline's medians.
    """
    told = {t.index_after: t.drive_loss_mm for t in comparison.teeth}
    drive_new = None if new is None else new.drive_loss_mm
    coast_new = median_of([t.coast_loss_mm for t in new.teeth if t.coast_loss_mm is not None] if new else [])
    out = []
    for t in now.teeth:
        if t.drive_loss_mm is None or t.coast_loss_mm is None or drive_new is None or coast_new is None:
            out.append(t)
            continue
        drive = told.get(t.index) or t.drive_loss_mm.less(drive_new)
        out.append(
            replace(
                t,
                drive_loss_mm=drive,
                coast_loss_mm=t.coast_loss_mm.less(coast_new),
                asymmetry_percent=share_of(drive, thickness_mm),
            )
        )
    return tuple(out)


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


# --- checked on made pairs -------------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One made pair, measured."""

    name: str
    true_loss_mm: tuple[float, ...]
    """Drive loss at the pitch circle between the photos, of each tooth compared."""
    true_coast_mm: tuple[float, ...]
    """What the coast flank lost."""
    loss_mm: tuple[Estimate, ...]
    median_loss_mm: Estimate | None
    turn_found: bool | None
    """Whether the teeth were told apart, and rightly; None when they were not told apart."""
    said: str
    """Flags, or why there is no answer."""

    @property
    def error_mm(self) -> tuple[float, ...]:
        """Measured less true, of each tooth."""
        return tuple(m.value - t for m, t in zip(self.loss_mm, self.true_loss_mm, strict=True))


def check_pair(two: tuple[Scene, Scene], name: str) -> Checked:
    """Make the photos of a pair, measure them, and set the loss against the truth.

    Which tooth is which is told from the truth, so that each tooth has its own number; whether it would have been found
    is `Checked.turn_found`.
    """
    made = [make_photo(scene) for scene in two]
    seen = [_inspected(photo, scene, name) for photo, scene in zip(made, two, strict=True)]
    return checked(seen[0], made[0].truth, seen[1], made[1].truth, name)


def _inspected(made: MadePhoto, scene: Scene, name: str) -> Inspection:
    told = honest_claim(scene)
    claim = Claim(
        chain=chain(told.chain),
        teeth=told.teeth,
        position=told.position,
        turning=told.turning,
        card_height_mm=told.card_height_mm,
    )
    encoded = encode(made.picture, "jpg", focal_35mm=made.focal_35mm, quality=scene.sensor.jpeg_quality)
    return inspect(decode(encoded, f"{name}.jpg"), claim)


def checked(
    before: Inspection, truth_before: dict[str, Any], after: Inspection, truth_after: dict[str, Any], name: str
) -> Checked:
    """One measured pair against the truth that goes with its photos."""
    try:
        found = loss_between(before, after)
        true_before, true_after = _true_index(before, truth_before), _true_index(after, truth_after)
        turned_by = true_after.index(true_before[0])
        told = loss_between(before, after, turned_by=turned_by, with_landmarks=False)
    except (CannotTell, DifferentPartError) as error:
        return Checked(
            name=name, true_loss_mm=(), true_coast_mm=(), loss_mm=(), median_loss_mm=None, turn_found=None,
            said=str(error),
        )  # fmt: skip
    pairs = []
    for tooth in told.teeth:
        k = true_before[tooth.index]
        one, two = truth_before["teeth_truth"][k], truth_after["teeth_truth"][k]
        if str(k) in truth_after["damaged"] or two["drive_loss_pitch"] is None:
            continue
        pairs.append(
            (
                tooth.drive_loss_mm,
                two["drive_loss_pitch"] - one["drive_loss_pitch"],
                two["coast_loss_pitch"] - one["coast_loss_pitch"],
            )
        )
    return Checked(
        name=name,
        true_loss_mm=tuple(p[1] for p in pairs),
        true_coast_mm=tuple(p[2] for p in pairs),
        loss_mm=tuple(p[0] for p in pairs),
        median_loss_mm=told.median_loss_mm,
        turn_found=found.turned_by == turned_by if found.teeth else None,
        said=" ".join(found.flags),
    )


def _true_index(inspection: Inspection, truth: dict[str, Any]) -> list[int]:
    """The number in the truth of each tooth as numbered in the photo: whose tip is nearest."""
    assert inspection.traced is not None
    there = np.array(truth["tip_px"])  # of the photo as loaded; a soft one is measured with fewer pixels
    tips = inspection.photo.as_loaded(tip_pixels(inspection.traced.wheel))
    return [int(np.hypot(*(there - tip).T).argmin()) for tip in tips]


def table(results: list[Checked]) -> Iterator[str]:
    """Lines for people: every pair, then all together."""
    yield f"{'pair':12}  teeth  true loss  coast  mean error  rms  ± said  which tooth"
    every: list[float] = []
    inside = 0
    for r in results:
        if not r.loss_mm:
            yield f"{r.name:12}  {r.said}"
            continue
        error = np.array(r.error_mm)
        std = np.array([e.std for e in r.loss_mm])
        inside += int((np.abs(error) < 1.96 * std).sum())
        every += error.tolist()
        which = {None: "not told", True: "found", False: "WRONG"}[r.turn_found]
        yield (
            f"{r.name:12}  {len(error):5}  {np.median(r.true_loss_mm):9.3f}  {np.median(r.true_coast_mm):5.3f}"
            f"  {error.mean():10.3f}  {math.sqrt(np.mean(error**2)):.3f}  {std.mean():.3f}  {which} {r.said}"
        )
    if every:
        yield (
            f"{len(every)} teeth: rms {math.sqrt(np.mean(np.square(every))):.3f} mm, "
            f"median |error| {np.median(np.abs(every)):.3f} mm, "
            f"{100 * inside / len(every):.0f} % within 1.96 standard uncertainties"
        )


def main(words: list[str] | None = None) -> int:
    """Measure made pairs and say how far off it was."""
    parser = argparse.ArgumentParser(prog="python -m toothcheck.pairing", description=main.__doc__)
    parser.add_argument("--pairs", type=int, default=12, help="how many, half on a mat, half beside the pocket card")
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args(words)
    results = []
    for k in range(told.pairs):
        tier: Tier = "mat" if k % 2 == 0 else "bench"
        rng = np.random.default_rng([told.seed, 100 + ("mat", "bench").index(tier), k // 2])
        results.append(check_pair(make_pair(rng, tier), f"{tier} {k // 2}"))
        sys.stderr.write(f"{k + 1} of {told.pairs}\n")
    for line in table(results):
        sys.stdout.write(line + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
