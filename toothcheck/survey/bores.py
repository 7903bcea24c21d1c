"""One made front sprocket off the machine, its bore splined or round: what was true, and what `match` reads of it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from toothcheck.chains import chain
from toothcheck.errors import CannotTell
from toothcheck.estimate import Estimate
from toothcheck.features import part_from_photo
from toothcheck.survey.cases import Record, photo_of
from toothcheck.synthetic import Part, Tier, make_photo, random_scene

_TIERS: tuple[Tier, ...] = ("mat", "bench")
"""Where parts off the machine lie."""
_ROUND = 3
"""One in so many is round."""
_SPLINES = range(8, 27)
_DEEP_MM = (0.8, 2.0)
_HUB_MM = 3.0
"""Metal left between grooves and roots."""


def bore_case(lot: int, seed: int, size_px: tuple[int, int] = (2016, 1512)) -> Record:
    """Make photo ``lot`` and read it as a part, chain size and thickness told; mat and bench take turns."""
    tier = _TIERS[lot % len(_TIERS)]
    rng = np.random.default_rng([seed, 700, lot])
    scene = random_scene(rng, tier, size_px=size_px, position="front")
    part = replace(scene.part, nut=False)
    if lot // len(_TIERS) % _ROUND:
        part = splined(part, rng)
    scene = replace(scene, part=part)
    record: Record = {"lot": lot, "tier": tier, "true_splines": part.splines, "splines": None}
    photo = photo_of(make_photo(scene), f"bore-{lot}.jpg", scene.sensor.jpeg_quality)
    try:
        seen = part_from_photo(
            photo.grey, photo.focals_35mm, name=photo.name, card_height_mm=scene.card_lift_told_mm,
            size=chain(part.chain), thickness_mm=part.thickness_mm,
        )  # fmt: skip
    except CannotTell as why:
        return record | {"found": False, "said": str(why), "errors": {"bore_mm": [], "spline_major_mm": []}}
    true = {"bore_mm": part.bore_mm, "spline_major_mm": part.spline_major_mm}
    read: dict[str, Estimate | None] = {"bore_mm": seen.bore_mm, "spline_major_mm": seen.spline_major_mm}
    return record | {
        "found": True,
        "splines": None if seen.splines is None else seen.splines.value,
        "errors": {key: [] if e is None else [(e.value - true[key], e.std)] for key, e in read.items()},
    }


def splined(part: Part, rng: np.random.Generator) -> Part:
    """The part with splines cut into its bore, no deeper than wide, with metal left below the roots."""
    count = int(rng.choice(_SPLINES))
    wide = 0.5 * math.pi * part.bore_mm / count
    deep = min(0.9 * wide, float(rng.uniform(*_DEEP_MM)), (part.form.root_diameter_mm - part.bore_mm) / 2 - _HUB_MM)
    return replace(part, splines=count, spline_major_mm=round(part.bore_mm + 2 * deep, 2))
