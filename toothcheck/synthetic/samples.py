"""The bundled set: photos of two invented fleets, with an index that says how each would be inspected.

Harbour Riding School keeps training motorcycles; Kestrel Couriers delivers with light ones.  Neither exists.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from toothcheck.synthetic.claims import honest_claim
from toothcheck.synthetic.part import Part
from toothcheck.synthetic.photo_truth import MadePhoto
from toothcheck.synthetic.sampling import Tier, random_scene
from toothcheck.synthetic.scene import Scene
from toothcheck.synthetic.sensor import FileKind
from toothcheck.synthetic.wearing import Wear


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One photo of the bundled set."""

    name: str
    """Of the file, without its ending."""
    kind: FileKind
    story: str
    scene: Scene


HARBOUR_FRONT = Part(chain="520", teeth=15, blend=0.42, tip_blend=0.5, thickness_mm=5.9, bore_mm=22.0, finish="ground")
HARBOUR_REAR = Part(
    chain="520", teeth=42, position="rear", blend=0.55, tip_blend=0.4, thickness_mm=5.85, bore_mm=76.0, holes=6,
    hole_circle_mm=104.0, hole_mm=10.5, finish="blackened",
)  # fmt: skip
KESTREL_FRONT = Part(chain="428", teeth=14, blend=0.35, tip_blend=0.6, thickness_mm=7.3, bore_mm=18.0, finish="turned")
KESTREL_REAR = Part(
    chain="428", teeth=36, position="rear", blend=0.5, tip_blend=0.5, thickness_mm=7.25, bore_mm=52.0, holes=4,
    hole_circle_mm=78.0, hole_mm=8.5, finish="zinc",
)  # fmt: skip


def _worn(part: Part, kind: str, depth: float, climb: float, *, coast: float = 0.03, scatter: float = 0.05) -> Part:
    wear = Wear(
        kind="climb" if kind == "climb" else "grit", depth_mm=depth, coast_depth_mm=coast, climb=climb, scatter=scatter
    )
    return replace(part, wear=wear)


def samples(size_px: tuple[int, int] = (2016, 1512)) -> list[Sample]:
    """Return the scenes of the bundled set, always the same.

    Parameters
    ----------
    size_px
        Of the photos; the PNG is made at half of it, as it is not compressed with loss.
    """
    return [*_harbour(size_px), *_kestrel(size_px)]


def _scene(size_px: tuple[int, int], lot: int, tier: Tier, part: Part, **changes: Any) -> Scene:  # noqa: ANN401
    made = random_scene(np.random.default_rng([2024, lot]), tier, size_px=size_px, part=part)
    made = replace(made, turning="clockwise" if lot % 2 else "counterclockwise", **changes)
    return replace(made, sensor=replace(made.sensor, jpeg_quality=88))


def _harbour(size_px: tuple[int, int]) -> list[Sample]:
    broken = replace(
        _worn(HARBOUR_FRONT, "grit", 0.9, 0.5),
        wear=Wear(kind="grit", depth_mm=0.9, scatter=0.08, damage=((4, "broken"),)),
    )
    return [
        Sample(
            name="harbour-front-new-on-mat",
            kind="jpg",
            story="Training machine 3, front sprocket fresh from its box, lying on the printed A4 mat: the "
            "baseline for later comparisons.",
            scene=_scene(size_px, 1, "mat", HARBOUR_FRONT, card="mat-a4"),
        ),
        Sample(
            name="harbour-front-later-on-mat",
            kind="jpg",
            story="The same front sprocket of machine 3, taken off and wiped after a season of lessons.",
            scene=_scene(size_px, 3, "mat", _worn(HARBOUR_FRONT, "grit", 0.55, 0.6)),
        ),
        Sample(
            name="harbour-front-early-wear",
            kind="jpg",
            story="Training machine 5, front, beside the pocket card on the workbench.",
            scene=_scene(size_px, 4, "bench", _worn(HARBOUR_FRONT, "grit", 0.3, 0.5)),
        ),
        Sample(
            name="harbour-front-worn",
            kind="jpg",
            story="Training machine 7, front, in the yard, the card held at the height of the face.",
            scene=_scene(size_px, 5, "hand", _worn(HARBOUR_FRONT, "climb", 0.75, 0.7, coast=0.1)),
        ),
        Sample(
            name="harbour-rear-new",
            kind="jpg",
            story="A new rear sprocket from the school's shelf.",
            scene=_scene(size_px, 6, "bench", HARBOUR_REAR),
        ),
        Sample(
            name="harbour-rear-worn",
            kind="jpg",
            story="Rear sprocket of training machine 5, off the hub.",
            scene=_scene(size_px, 7, "bench", _worn(HARBOUR_REAR, "grit", 0.55, 0.6, coast=0.06)),
        ),
        Sample(
            name="harbour-rear-other-hub",
            kind="jpg",
            story="A second-hand rear sprocket offered for machine 5: the same chain and tooth count, another bolt "
            "circle.",
            scene=_scene(
                size_px, 8, "bench", replace(HARBOUR_REAR, hole_circle_mm=98.0, bore_mm=70.0, finish="blasted")
            ),
        ),
        Sample(
            name="harbour-front-chain-on",
            kind="jpg",
            story="Training machine 2 in the stable yard, cover off, chain on.",
            scene=_scene(size_px, 9, "bike", _worn(HARBOUR_FRONT, "grit", 0.9, 0.5), chain_strands=7),
        ),
        Sample(
            name="harbour-front-broken-tooth",
            kind="jpg",
            story="Training machine 9 after a stone got under the chain: one tooth is broken off.",
            scene=_scene(size_px, 10, "bench", broken),
        ),
    ]


def _kestrel(size_px: tuple[int, int]) -> list[Sample]:
    hooked = _worn(KESTREL_FRONT, "climb", 1.25, 0.12, coast=0.1, scatter=0.08)
    hooked = replace(hooked, wear=replace(hooked.wear, lean_mm=0.7))
    half = (size_px[0] // 2, size_px[1] // 2)
    plain = random_scene(
        np.random.default_rng([2024, 41]), "mat", size_px=half, part=_worn(KESTREL_FRONT, "grit", 0.3, 0.5)
    )
    plain = replace(plain, card="mat-letter")
    no_card = _scene(size_px, 23, "hand", _worn(KESTREL_FRONT, "grit", 0.75, 0.6))
    no_card = replace(no_card, card=None, card_lift_told_mm=0.0, look_at_mm=(0.0, 0.0), tilt_deg=6.0)
    blurred = _scene(size_px, 24, "hand", _worn(KESTREL_FRONT, "climb", 0.6, 0.5))
    blurred = replace(blurred, sensor=replace(blurred.sensor, defocus_px=9.0 * size_px[0] / 2016))
    return [
        Sample(
            name="kestrel-front-hooked",
            kind="heic",
            story="Courier machine 12, front, run far too long: hooked teeth. Straight from the telephone (HEIC).",
            scene=_scene(size_px, 20, "hand", hooked),
        ),
        Sample(
            name="kestrel-front-mat",
            kind="png",
            story="Courier machine 4, front, on the Letter-size mat (PNG).",
            scene=replace(plain, turning="clockwise"),
        ),
        Sample(
            name="kestrel-rear-chain-on",
            kind="jpg",
            story="Courier machine 8, rear, wheel in place, chain on.",
            scene=_scene(size_px, 22, "bike", _worn(KESTREL_REAR, "climb", 0.5, 0.6, coast=0.05), chain_strands=7),
        ),
        Sample(
            name="kestrel-front-no-card",
            kind="jpg",
            story="Courier machine 15, front; the rider forgot the card.",
            scene=no_card,
        ),
        Sample(
            name="kestrel-front-blurred",
            kind="jpg",
            story="Courier machine 6, front, out of focus: an honest answer is that nothing can be told.",
            scene=blurred,
        ),
        Sample(
            name="kestrel-rear-new",
            kind="jpg",
            story="A new rear sprocket for the couriers, on cloth.",
            scene=_scene(size_px, 26, "hand", KESTREL_REAR, clutter=0, ground="cloth"),
        ),
    ]


def inspect_words(sample: Sample) -> str:
    """Return the command that a user would type for a sample."""
    claim = honest_claim(sample.scene)
    height = f" --card-height {claim.card_height_mm:g}" if claim.card_height_mm else ""
    height = height if claim.card_height_mm >= 0 else f" --card-height={claim.card_height_mm:g}"
    return (
        f"toothcheck inspect {sample.name}.{sample.kind} --chain {claim.chain} --teeth {claim.teeth} "
        f"--position {claim.position} --turning {claim.turning}{height}"
    )


def index(made: Iterator[tuple[Sample, MadePhoto]]) -> str:
    """Return the set's README.md, from the samples and their truths."""
    rows, words = [], []
    for sample, photo in made:
        t = photo.truth
        wear = "-" if t["true_asymmetry_percent"] is None else f"{t['true_asymmetry_percent']:.1f} %"
        rows.append(
            f"| `{sample.name}.{sample.kind}` | {sample.story} | {t['chain']}, {t['teeth']} teeth, {t['position']} "
            f"| {wear} | {t['true_grade']} |"
        )
        words.append(inspect_words(sample))
    return (
        "# Sample photos: invented sprockets of two invented fleets\n\n"
        "Computer-made pictures (`toothcheck synthetic samples`), not photographs: Harbour Riding School keeps\n"
        "training motorcycles and Kestrel Couriers delivers with light ones; neither exists, and no real part was\n"
        "copied. NAME.json beside each photo holds the truth, measured on the outline that the picture was traced\n"
        "from. True asymmetry is the median over the teeth that can be seen; the true grade follows from it, from\n"
        "the hook and from damaged teeth. What a photo can show of it is another matter: the blurred one shows\n"
        "nothing, and without a card the scale is only as good as the pitch.\n\n"
        "| photo | what it shows | part | true asymmetry | true grade |\n|---|---|---|---|---|\n"
        + "\n".join(rows)
        + "\n\nTo inspect them, in this folder:\n\n```\n"
        + "\n".join(words)
        + "\n```\n"
    )
