"""Scenes for teaching: every grade comes up, and with the levels come the cases that fool the eye.

Close views without a card: a learner judges the teeth, and the truth comes from the outline, not from a measurement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from toothcheck.chains import chain
from toothcheck.synthetic.part import Part
from toothcheck.synthetic.sampling import Tier, framed, random_part, random_scene
from toothcheck.synthetic.scene import Scene
from toothcheck.synthetic.wearing import Damage, Wear, WearKind

LEVELS = (1, 2, 3)

_Recipe = Callable[[np.random.Generator], Scene]


def course(
    rng: np.random.Generator, count: int, level: int, *, size_px: tuple[int, int] = (900, 900)
) -> Iterator[Scene]:
    """Scenes of a level, each kind in turn.

    Parameters
    ----------
    rng
        Draws everything: the same state gives the same scenes.
    count
        How many.
    level
        1: the four grades, clean and in plain view.  2: also new parts that look worn (slim form, dirt), held in the
        hand or on the machine.  3: dirt, damage, every second tooth, both flanks, photos that show nothing.
    size_px
        Of the photos of front wheels; those of rear wheels are larger.

    Raises
    ------
    ValueError
        When the level is none of `LEVELS`.
    """
    if level not in LEVELS:
        raise ValueError(f"level must be one of 1, 2, 3, not {level}")
    kinds = _kinds(level)
    for i in range(count):
        wear, tier, changes = kinds[i % len(kinds)]
        part = random_part(rng, position="front" if i % 3 else "rear")
        part = replace(part, wear=wear(rng, part))
        if changes.get("slim"):
            part = replace(part, blend=float(rng.uniform(0.9, 1.0)))
        if changes.get("even") and part.teeth % 2:
            part = replace(part, teeth=part.teeth + 1)
        # a rear wheel has three times the teeth: more pixels, so that one tooth can still be judged
        zoom = 1.4 if part.position == "rear" else 1.0
        scene = random_scene(rng, tier, size_px=(round(zoom * size_px[0]), round(zoom * size_px[1])), part=part)
        dirt = float(rng.uniform(0.35, 0.5)) if changes.get("dirt") else min(scene.dirt, 0.12)
        scene = replace(scene, card=None, card_lift_told_mm=0.0, dirt=dirt, tilt_deg=min(scene.tilt_deg, 18.0))
        scene = replace(scene, focal_35mm=50)  # a small wheel fills the frame from a distance that a camera can focus
        scene = framed(scene, fill=0.8)
        if changes.get("blurred"):
            soft = replace(scene.sensor, defocus_px=16.0 * size_px[0] / 900)
            scene = replace(scene, tier="hostile", sensor=soft)
        yield scene


_Kind = tuple[Callable[[np.random.Generator, Part], Wear], Tier, dict[str, bool]]


def _kinds(level: int) -> list[_Kind]:
    new, early, worn, spent = _new, _between(0.065, 0.085), _between(0.13, 0.2), _between(0.29, 0.36)
    plain: list[_Kind] = [(worn, "bench", {}), (new, "bench", {}), (spent, "bench", {}), (early, "bench", {})]
    if level == 1:
        return plain
    mixed: list[_Kind] = [
        (new, "hand", {"slim": True}), (worn, "bike", {}), (new, "bench", {"dirt": True}), (spent, "hand", {}),
        (early, "hand", {}), *plain,
    ]  # fmt: skip
    if level == 2:
        return mixed
    return [
        (_between(0.035, 0.045), "hand", {}), (_alternate, "bench", {"even": True}), (_broken, "hand", {}),
        (worn, "hand", {"blurred": True}), (_both_flanks, "bench", {}), (spent, "bike", {"dirt": True}),
        (new, "bike", {"slim": True}), (_between(0.1, 0.115), "hand", {"dirt": True}),
        (_broken, "bench", {"dirt": True}),
    ]  # fmt: skip


def _new(rng: np.random.Generator, part: Part) -> Wear:
    return Wear()


def _thickness_mm(part: Part) -> float:
    return 2 * float(part.form.half_thickness_mm(part.form.pitch_radius_mm))


def _between(low: float, high: float) -> Callable[[np.random.Generator, Part], Wear]:
    """Wear of a share of the tooth's thickness, drawn between two ends."""

    def wear(rng: np.random.Generator, part: Part) -> Wear:
        kind: WearKind = "climb" if rng.random() < 0.5 else "grit"
        depth = float(rng.uniform(low, high)) * _thickness_mm(part)
        return Wear(kind=kind, depth_mm=depth, climb=float(rng.uniform(0.2, 0.7)), scatter=0.05)

    return wear


def _alternate(rng: np.random.Generator, part: Part) -> Wear:
    return replace(_between(0.18, 0.24)(rng, part), alternate=float(rng.uniform(0.7, 0.85)))


def _both_flanks(rng: np.random.Generator, part: Part) -> Wear:
    wear = _between(0.14, 0.18)(rng, part)
    return replace(wear, coast_depth_mm=wear.depth_mm * float(rng.uniform(0.85, 1.0)))


def _broken(rng: np.random.Generator, part: Part) -> Wear:
    unit = chain(part.chain).roller_diameter_mm / 10.16
    what: Damage = "broken" if rng.random() < 0.5 else "chipped"
    return Wear(kind="grit", depth_mm=0.15 * unit, scatter=0.05, damage=((int(rng.integers(part.teeth)), what),))
