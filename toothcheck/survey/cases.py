"""One made photo, inspected: what was true, what was claimed, what came out."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from multiprocessing import get_context
from typing import Any

import numpy as np

from toothcheck.chains import chain
from toothcheck.flags import MAY_BE_DAMAGED
from toothcheck.inspection import Claim, Inspection, inspect
from toothcheck.photo import Photo, decode
from toothcheck.synthetic import (
    DAMAGES,
    FAULTS,
    HANDLINGS,
    TIERS,
    MadePhoto,
    Scene,
    Tier,
    Wear,
    encode,
    handled,
    honest_claim,
    make_photo,
    random_scene,
    random_wrong_claim,
    set_stage,
    true_measures,
)
from toothcheck.synthetic import Claim as Told

Record = dict[str, Any]
MEASURES = (
    "drive_loss_mm", "coast_loss_mm", "thickness_mm", "asymmetry_percent", "greatest_loss_mm", "overhang_mm",
    "hollow_mm", "tip_thickness_mm", "tip_thinning_percent",
)  # fmt: skip
"""What is measured of each tooth (measures.md, section 4)."""
_IN_SIGHT: tuple[Tier, ...] = ("mat", "bench", "hand")
"""Tiers without a chain or boxes that hide every second tooth."""


def photo_of(made: MadePhoto, name: str, quality: int) -> Photo:
    """The photo as it would come from a file."""
    return decode(encode(made.picture, "jpg", focal_35mm=made.focal_35mm, quality=quality), name)


def _claim(told: Told) -> Claim:
    return Claim(
        chain=chain(told.chain), teeth=told.teeth, position=told.position, turning=told.turning,
        card_height_mm=told.card_height_mm,
    )  # fmt: skip


def inspected(scene: Scene, name: str) -> tuple[Inspection, dict[str, Any]]:
    """A scene's photo made, inspected with honest claims, and its truth."""
    made = make_photo(scene)
    return inspect(photo_of(made, name, scene.sensor.jpeg_quality), _claim(honest_claim(scene))), made.truth


def _outcome(result: Inspection) -> Record:
    return {
        "grade": result.verdict.grade,
        "confidence": result.verdict.confidence,
        "flags": list(result.flags),
        "count_named": result.found.teeth[0][0] if result.found.teeth else None,
        "count_share": result.found.teeth[0][1] if result.found.teeth else None,
    }


def wrong_claim_case(lot: int, seed: int, size_px: tuple[int, int] = (2016, 1512)) -> Record:
    """Make and inspect case ``lot`` of wrong claims; kinds take turns."""
    kind = FAULTS[lot % len(FAULTS)]
    wrong = random_wrong_claim(np.random.default_rng([seed, 300, lot]), kind, size_px=size_px)
    made = make_photo(wrong.scene, with_part=wrong.with_part)
    result = inspect(photo_of(made, f"wrong-{lot}.jpg", wrong.scene.sensor.jpeg_quality), _claim(wrong.claim))
    return {
        "lot": lot,
        "kind": kind,
        "true_grade": made.truth["true_grade"],
        "true_asymmetry_percent": made.truth["true_asymmetry_percent"],
        "true_teeth": made.truth["teeth"],
        "claimed_teeth": wrong.claim.teeth,
    } | _outcome(result)


def accuracy_case(lot: int, seed: int, size_px: tuple[int, int] = (2016, 1512)) -> Record:
    """Make and inspect case ``lot`` with honest claims; tiers take turns."""
    tier = TIERS[lot % len(TIERS)]
    scene = random_scene(np.random.default_rng([seed, 400, lot]), tier, size_px=size_px)
    result, truth = inspected(scene, f"{tier}-{lot}.jpg")
    return {"lot": lot, "tier": tier, "true_patterns": _patterns(scene.part.wear)} | _accuracy(result, truth)


def _patterns(wear: Wear) -> list[str]:
    """What of the wear comes back once per turn, as `toothcheck.patterns` names it."""
    there = {
        "alternate-teeth": wear.alternate > 0,
        "once-per-turn": wear.eccentric > 0,
        "single-tooth": bool(wear.damage),
    }
    return [kind for kind, made in there.items() if made]


def handling_case(lot: int, seed: int, size_px: tuple[int, int] = (2016, 1512)) -> Record:
    """Make a photo, do to it what messengers and editors do, and inspect it; handlings and tiers take turns."""
    number, handling = lot // len(HANDLINGS), HANDLINGS[lot % len(HANDLINGS)]
    tier = TIERS[number % len(TIERS)]
    scene = random_scene(np.random.default_rng([seed, 600, number]), tier, size_px=size_px)
    file = handled(make_photo(scene), set_stage(scene), handling, quality=scene.sensor.jpeg_quality)
    result = inspect(decode(file.encoded, f"{tier}-{number}.jpg"), _claim(honest_claim(scene)))
    return {"lot": lot, "tier": tier, "handling": handling} | _accuracy(result, file.truth)


def _accuracy(result: Inspection, truth: dict[str, Any]) -> Record:
    record = {
        "true_grade": truth["true_grade"],
        "true_asymmetry_percent": truth["true_asymmetry_percent"],
        "visible": len(truth["visible"]),
    }
    return record | _outcome(result) | _teeth(result, truth)


def damage_case(lot: int, seed: int, size_px: tuple[int, int] = (2016, 1512)) -> Record:
    """Make and inspect a photo with one damaged tooth and nothing before it; kinds and tiers take turns."""
    kind, tier = DAMAGES[lot % len(DAMAGES)], _IN_SIGHT[lot // len(DAMAGES) % len(_IN_SIGHT)]
    rng = np.random.default_rng([seed, 500, lot])
    scene = random_scene(rng, tier, size_px=size_px)
    tooth = int(rng.integers(scene.part.teeth))
    wear = replace(scene.part.wear, damage=((tooth, kind),))
    scene = replace(scene, part=replace(scene.part, wear=wear))
    result, truth = inspected(scene, f"damage-{lot}.jpg")
    named = [
        _nearest(seen["tip_px"], truth["tip_px"])[0]
        for seen in result.document()["teeth"]
        if ({"broken"} | MAY_BE_DAMAGED) & set(seen["flags"])
    ]
    return {
        "lot": lot,
        "kind": kind,
        "tier": tier,
        "named": tooth in named,
        "sound": scene.part.teeth - 1,
        "sound_named": len(set(named) - {tooth}),
        "true_grade": truth["true_grade"],
    } | _outcome(result)


def _nearest(tip_px: Sequence[float], tips_px: Sequence[Sequence[float]]) -> tuple[int, float]:
    """Which true tooth's tip is nearest, and how far off it is, px; infinitely far where there is no sprocket."""
    return min(((k, math.dist(tip_px, at)) for k, at in enumerate(tips_px)), key=lambda t: t[1], default=(-1, math.inf))


def _teeth(result: Inspection, truth: dict[str, Any]) -> Record:
    """Errors tooth by tooth, teeth being paired by where their tips stand in the photo."""
    errors: dict[str, list[tuple[float, float]]] = {name: [] for name in MEASURES}
    false_teeth = measured = 0
    hooks: list[float] = []
    reach = 0.5 * truth["pitch"] / truth["mm_per_px"]
    document = result.document()
    wheel = document["wear"] or {"overhang_mm": None, "pattern": None}
    for tooth in document["teeth"]:
        if not tooth["measured"]:
            continue
        nearest, distance = _nearest(tooth["tip_px"], truth["tip_px"])
        if distance > reach or nearest not in truth["visible"]:
            false_teeth += 1
            continue
        measured += 1
        true = true_measures(truth["teeth_truth"][nearest])
        hooks.append(true["overhang_mm"] or 0.0)
        for name, found in errors.items():
            said, is_true = tooth[name], true[name]
            if said is not None and is_true is not None:
                found.append((round(said["value"] - is_true, 4), said["std"]))
    return {
        "measured": measured,
        "errors": errors,
        "false_teeth": false_teeth,
        "true_overhang_mm": round(float(np.median(hooks)), 4) if hooks else None,
        "overhang_mm": wheel["overhang_mm"],
        "pattern": wheel["pattern"],
    }


def run_cases(
    worker: Callable[[int, int, tuple[int, int]], Record],
    lots: Sequence[int],
    seed: int,
    *,
    jobs: int,
    size_px: tuple[int, int] = (2016, 1512),
) -> Iterator[Record]:
    """Records as they are finished, from ``jobs`` processes of one thread each."""
    if jobs <= 1:
        for lot in lots:
            yield worker(lot, seed, size_px)
        return
    # spawned, not forked: OpenCV's threads do not survive a fork
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=_one_thread) as pool:
        pending = [pool.submit(worker, lot, seed, size_px) for lot in lots]
        for done in as_completed(pending):
            yield done.result()


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)
