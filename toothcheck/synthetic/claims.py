"""Pairs of photos of one part or of two, and photos about which something wrong is told."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck.chains import chain
from toothcheck.synthetic.part import Position, Turning
from toothcheck.synthetic.sampling import Tier, framed, random_part, random_scene
from toothcheck.synthetic.scene import Scene
from toothcheck.synthetic.wearing import Wear

# --- pairs ---------------------------------------------------------------------------------------------------


def make_pair(rng: np.random.Generator, tier: Tier, *, size_px: tuple[int, int] = (2016, 1512)) -> tuple[Scene, Scene]:
    """Two scenes of the same part: new, and worn, each in its own light and from its own place."""
    worn = random_scene(rng, tier, size_px=size_px)
    wear = worn.part.wear
    if wear.depth_mm < 0.2:
        wear = Wear(kind="grit", depth_mm=float(rng.uniform(0.4, 1.2)), climb=0.5, scatter=0.06)
        worn = replace(worn, part=replace(worn.part, wear=wear))
    new = random_scene(rng, tier, size_px=size_px, part=replace(worn.part, wear=Wear()))
    return replace(new, turning=worn.turning), worn


def make_strangers(
    rng: np.random.Generator, tier: Tier, *, size_px: tuple[int, int] = (2016, 1512)
) -> tuple[Scene, Scene]:
    """Two scenes of parts that take the same chain and look alike but do not fit the same hub."""
    one = random_scene(rng, tier, size_px=size_px, position="rear")
    part = one.part
    change = str(rng.choice(["bore", "circle", "holes", "teeth"]))
    if change == "bore":
        other = replace(part, bore_mm=part.bore_mm - float(rng.uniform(2, 6)), wear=Wear())
    elif change == "circle":
        other = replace(part, hole_circle_mm=part.hole_circle_mm - float(rng.uniform(3, 6)), wear=Wear())
    elif change == "holes":
        other = replace(part, holes=part.holes + (1 if part.holes < 6 else -1), wear=Wear())
    else:
        other = replace(part, teeth=part.teeth + int(rng.choice([-1, 1])), wear=Wear())
    return one, random_scene(rng, tier, size_px=size_px, part=other)


# --- wrong claims --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What a user tells `inspect` about a photo."""

    chain: str
    teeth: int
    position: Position
    turning: Turning
    card_height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongClaim:
    """A scene with something wrong about it or about what is told of it."""

    scene: Scene
    claim: Claim
    what: str
    """One word for the fault."""
    with_part: bool = True


FAULTS = (
    "teeth", "pitch", "roller", "turning", "mirrored", "print-scale", "card-height", "spur-gear", "chainring",
    "two-sprockets", "no-sprocket",
)  # fmt: skip


def honest_claim(scene: Scene) -> Claim:
    """Return what a careful user would tell."""
    return Claim(
        chain=scene.part.chain,
        teeth=scene.part.teeth,
        position=scene.part.position,
        turning=scene.turning,
        card_height_mm=scene.card_lift_told_mm,
    )


def random_wrong_claim(
    rng: np.random.Generator, what: str | None = None, *, size_px: tuple[int, int] = (2016, 1512)
) -> WrongClaim:
    """Return a photo with a wrong claim.

    Parameters
    ----------
    what
        One of `FAULTS`; drawn by lot when not given.
    """
    if what is None:
        what = str(rng.choice(FAULTS))
    if what not in FAULTS:
        raise ValueError(f"what must be one of {', '.join(FAULTS)}, not {what!r}")
    scene = random_scene(rng, "bench", size_px=size_px)
    while scene.part.wear.depth_mm < 0.3 and what in ("turning", "mirrored"):
        scene = random_scene(rng, "bench", size_px=size_px)
    claim = honest_claim(scene)
    with_part = True
    if what == "teeth":
        claim = replace(claim, teeth=claim.teeth + int(rng.choice([-3, -2, -1, 1, 2, 3])))
    elif what == "pitch":
        claim = replace(claim, chain="428" if chain(claim.chain).pitch_mm > 13 else "520")
    elif what == "roller":
        # same pitch, another roller: 530 and 532 look alike
        name = "532" if rng.random() < 0.5 else "530"
        scene = random_scene(rng, "bench", size_px=size_px, part=replace(scene.part, chain=name, thickness_mm=8.7))
        claim = replace(honest_claim(scene), chain="530" if name == "532" else "532")
    elif what == "turning":
        claim = replace(claim, turning="clockwise" if claim.turning == "counterclockwise" else "counterclockwise")
    elif what == "mirrored":
        scene = replace(scene, mirror=True)
    elif what == "print-scale":
        scene = replace(scene, card_print_scale=float(rng.choice([0.95, 1.05])))
    elif what == "card-height":
        claim = replace(claim, card_height_mm=claim.card_height_mm + float(rng.choice([-1, 1]) * rng.uniform(8, 15)))
    elif what == "spur-gear":
        scene = replace(scene, part=replace(scene.part, spur_gear=True))
    elif what == "chainring":
        ring = replace(
            scene.part, chain="cycle-1/8", teeth=int(rng.integers(28, 48)), thickness_mm=3.0, bore_mm=30.0,
            holes=5, hole_circle_mm=64.0, hole_mm=8.5, position="front", nut=False,
        )  # fmt: skip
        told = claim.chain
        scene = random_scene(rng, "bench", size_px=size_px, part=ring)
        claim = replace(honest_claim(scene), chain=told)
    elif what == "two-sprockets":
        other = random_part(rng, position="front")
        a = math.atan2(*scene.card_at_mm[::-1]) + math.pi / 2
        r = scene.part.form.tip_radius_mm + other.form.tip_radius_mm + 6
        scene = replace(scene, second=other, second_at_mm=(r * math.cos(a), r * math.sin(a)))
        scene = framed(scene, fill=0.85)
    else:
        with_part = False
        scene = replace(scene, clutter=5)
    return WrongClaim(scene=scene, claim=claim, what=what, with_part=with_part)
