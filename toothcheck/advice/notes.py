"""What is good to know beside a plan: why a set, why the front wears first, which links a tooth meets."""

from __future__ import annotations

from toothcheck.advice.meshing import links_doubt, meshing, roller_lift_mm
from toothcheck.advice.situation import Situation


def notes_on(s: Situation, *, renewing: bool) -> list[str]:
    """Notes on one drive; ``renewing`` is whether parts are, or may have to be, renewed."""
    teeth = {name: sprocket.teeth for name, sprocket in s.known.items() if sprocket.teeth is not None}
    out = []
    if renewing:
        out.append(
            "Why a set: chain and teeth wear to each other. A longer chain rides higher on the teeth and digs hooks; "
            "a new chain on hooked teeth, or an old chain on new teeth, wears the new part fast."
            f"{_lift(s, [*teeth.values()])}"
        )
    if len(set(teeth.values())) == 2:
        (less, z1), (more, z2) = sorted(teeth.items(), key=lambda one: one[1])
        swapped = "" if less == "front" else " If the two counts were exchanged, give them the right way round."
        out.append(
            f"Why the {less} wears first: each of its {z1} teeth meets a roller {z2}/{z1} = {z2 / z1:.2f} times as "
            f"often as each of the {more}'s {z2}. Look at the {less} before trusting a good {more}.{swapped}"
        )
    if s.chain.links is not None:
        doubt = links_doubt(s.chain.links, [*teeth.values()])
        if doubt is not None:
            out.append(f"{s.chain.links} links: {doubt}.")
        out += [f"{name.capitalize()}: {meshing(z, s.chain.links).sentence()}" for name, z in teeth.items()]
    return out


def foretold(s: Situation) -> list[str]:
    """When the sprockets that may stay will be due."""
    kept = {name: p for name, p in s.known.items() if p.grade_now in ("good", "watch")}
    return [f"{name.capitalize()} sprocket: {p.foretold}" for name, p in kept.items() if p.foretold is not None]


def _lift(s: Situation, teeth: list[int]) -> str:
    """How much higher this chain rides, as far as its elongation is known and believed."""
    e, size = s.chain.elongation_percent, s.size
    if size is None or not teeth or e is None or e.value <= 0 or s.chain.doubt is not None or s.chain.old:
        return ""
    lifts = []
    for z in teeth:
        mm = roller_lift_mm(
            pitch_mm=size.pitch_mm,
            roller_diameter_mm=size.roller_diameter_mm,
            teeth=z,
            elongation_percent=e.value,
        )
        lifts.append(f"{mm:.2f} mm on {z} teeth")
    return f" This chain rides {' and '.join(lifts)} higher than a new one would."
