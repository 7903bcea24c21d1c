"""Photos of invented sprockets with known truth: the ground on which the measuring is tested.

`make_photo` draws a `Scene` and tells the truth about it; `random_scene` draws scenes by lot, `make_pair` two of the
same part, `random_wrong_claim` photos about which something wrong is told; `handled` does to a photo what messengers
and editors do.  Nothing here opens a file: `encode` gives the bytes, the command ``toothcheck synthetic`` writes them.

What is exact: the worn outline (a polygon with a vertex every 0.02 mm), the truth measured on it, the perspective of a
prism of true thickness, distortion, the printed markers.  What is only lifelike: light, metal, dirt, backgrounds.
Neglected: reflections between bodies, lens flare, rolling shutter, bowed cards, burrs and rolled edges in the outline.
"""

from __future__ import annotations

from toothcheck.synthetic.claims import (
    FAULTS,
    Claim,
    WrongClaim,
    honest_claim,
    make_pair,
    make_strangers,
    random_wrong_claim,
)
from toothcheck.synthetic.handling import HANDLINGS, Handling, handled
from toothcheck.synthetic.part import Part, Wheel, make_wheel
from toothcheck.synthetic.photo_truth import MadePhoto, make_photo, truth_of
from toothcheck.synthetic.sampling import DAMAGES, TIERS, Tier, random_part, random_scene, random_wear
from toothcheck.synthetic.scene import Scene, Stage, set_stage
from toothcheck.synthetic.sensor import FileKind, Sensor, encode
from toothcheck.synthetic.truth import true_measures
from toothcheck.synthetic.wearing import Wear

__all__ = [
    "DAMAGES",
    "FAULTS",
    "HANDLINGS",
    "TIERS",
    "Claim",
    "FileKind",
    "Handling",
    "MadePhoto",
    "Part",
    "Scene",
    "Sensor",
    "Stage",
    "Tier",
    "Wear",
    "Wheel",
    "WrongClaim",
    "encode",
    "handled",
    "honest_claim",
    "make_pair",
    "make_photo",
    "make_strangers",
    "make_wheel",
    "random_part",
    "random_scene",
    "random_wear",
    "random_wrong_claim",
    "set_stage",
    "true_measures",
    "truth_of",
]
