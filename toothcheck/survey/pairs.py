"""One made pair, before and after wear, from photos to loss: what was true, and what came out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from toothcheck.errors import CannotTell, DifferentPartError
from toothcheck.inspection import Inspection, tip_pixels
from toothcheck.pairing import loss_between
from toothcheck.survey.cases import Record, inspected
from toothcheck.synthetic import Tier, make_pair

_TIERS: tuple[Tier, ...] = ("mat", "bench")
"""Both cards, each where it lies best: the printed mat and the pocket card."""


def pair_case(lot: int, seed: int, size_px: tuple[int, int] = (2016, 1512)) -> Record:
    """Make and inspect pair ``lot``; mat and bench take turns."""
    tier = _TIERS[lot % len(_TIERS)]
    number = lot // len(_TIERS)
    rng = np.random.default_rng([seed, 100 + _TIERS.index(tier), number])
    (before, truth_before), (after, truth_after) = (
        inspected(scene, f"{tier}-{number}-{which}.jpg")
        for which, scene in zip(("before", "after"), make_pair(rng, tier, size_px=size_px), strict=True)
    )
    return {"lot": lot, "tier": tier} | pair_record(before, truth_before, after, truth_after)


def pair_record(
    before: Inspection, truth_before: dict[str, Any], after: Inspection, truth_after: dict[str, Any]
) -> Record:
    """A measured pair against the truth that goes with its photos, a list entry for each tooth compared.

    Which tooth is which is told from the truth, so that each has its own number; ``turn_found`` is whether it would
    have been found: None where the teeth were not told apart.
    """
    try:
        found = loss_between(before, after)
        true_before, true_after = true_index(before, truth_before), true_index(after, truth_after)
        turned_by = true_after.index(true_before[0])
        told = loss_between(before, after, turned_by=turned_by, with_landmarks=False)
    except (CannotTell, DifferentPartError) as error:
        return {"loss_mm": [], "true_loss_mm": [], "true_coast_mm": [], "turn_found": None, "said": str(error)}
    loss, true_loss, true_coast = [], [], []
    for tooth in told.teeth:
        k = true_before[tooth.index]
        one, two = truth_before["teeth_truth"][k], truth_after["teeth_truth"][k]
        if str(k) in truth_after["damaged"] or two["drive_loss_pitch"] is None:
            continue
        loss.append((tooth.drive_loss_mm.value, tooth.drive_loss_mm.std))
        true_loss.append(two["drive_loss_pitch"] - one["drive_loss_pitch"])
        true_coast.append(two["coast_loss_pitch"] - one["coast_loss_pitch"])
    return {
        "loss_mm": loss,
        "true_loss_mm": true_loss,
        "true_coast_mm": true_coast,
        "turn_found": found.turned_by == turned_by if found.teeth else None,
        "said": " ".join(found.flags),
    }


def true_index(inspection: Inspection, truth: dict[str, Any]) -> list[int]:
    """The number in the truth of each tooth as numbered in the photo: whose tip is nearest."""
    if inspection.traced is None:
        raise ValueError("inspection must have traced a wheel")
    there = np.array(truth["tip_px"])  # of the photo as loaded; a soft one is measured with fewer pixels
    tips = inspection.photo.as_loaded(tip_pixels(inspection.traced.wheel))
    return [int(np.hypot(*(there - tip).T).argmin()) for tip in tips]


def pair_rows(records: Sequence[Record]) -> list[Record]:
    """For each tier and for all: pairs, teeth, error tooth by tooth, what a pair's teeth share of it, mm, and more.

    ``shared_rms_mm`` is the root mean square of the pairs' mean errors; ``turn_found`` and ``turn_wrong`` count the
    pairs whose teeth were told apart, rightly and wrongly.
    """
    rows = []
    for tier in [*dict.fromkeys(r["tier"] for r in records), "all"]:
        mine = [r for r in records if tier in (r["tier"], "all")]
        measured = [r for r in mine if r["loss_mm"]]
        errors = [np.array(r["loss_mm"])[:, 0] - r["true_loss_mm"] for r in measured]
        row: Record = {
            "tier": tier, "pairs": len(mine), "measured": len(measured), "teeth": sum(map(len, errors)),
            "turn_found": sum(r["turn_found"] is True for r in mine),
            "turn_wrong": sum(r["turn_found"] is False for r in mine),
            "bias_mm": None, "rms_mm": None, "median_mm": None, "shared_rms_mm": None, "within_95_percent": None,
        }  # fmt: skip
        if errors:
            every = np.concatenate(errors)
            std = np.concatenate([np.array(r["loss_mm"])[:, 1] for r in measured])
            row |= {
                "bias_mm": float(every.mean()),
                "rms_mm": math.sqrt(np.mean(every**2)),
                "median_mm": float(np.median(np.abs(every))),
                "shared_rms_mm": math.sqrt(np.mean([e.mean() ** 2 for e in errors])),
                "within_95_percent": 100 * float(np.mean(np.abs(every) <= 1.96 * std)),
            }
        rows.append(row)
    return rows
