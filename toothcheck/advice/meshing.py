"""How often teeth and links meet, and how a longer chain rides: arithmetic behind the advice, all our own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from toothcheck.toothform import IsoForm

_ODD = "an odd number closes only with a cranked (half) link; count again, the joining link included"
"""Inner and outer links take turns round the chain, so without a cranked link their number is even."""
_FARTHEST_PITCHES = 150
"""No motorcycle's wheel stands two metres from its front sprocket (common practice, no source)."""


def links_doubt(links: int, teeth: Sequence[int]) -> str | None:
    """Why a number of links is to be counted again; None where nothing speaks against it.

    Parameters
    ----------
    links
        Of the chain.
    teeth
        Of the sprockets, as far as they are known.
    """
    if links % 2:
        return _ODD
    if len(teeth) != 2:
        return None
    apart, both = _centres_pitches(links, *teeth), f"{teeth[0]} and {teeth[1]} teeth"
    # the sprockets' pitch circles must not reach into one another
    if apart is None or apart <= sum(0.5 / math.sin(math.pi / z) for z in teeth):
        return f"too few to go round {both}; count again, and the teeth"
    return f"far more than go round {both} on a motorcycle; count again" if apart > _FARTHEST_PITCHES else None


def _centres_pitches(links: int, z1: int, z2: int) -> float | None:
    """How far apart a chain holds two sprockets, in pitches; None where it does not even go round them.

    From L = 2C + (z1 + z2)/2 + (z1 - z2)²/(4π²C), the handbooks' length of a roller chain (Machinery's Handbook, from
    memory), which neglects that a chain lies on its sprockets as a polygon.
    """
    straight = links - (z1 + z2) / 2
    inside = straight**2 - 2 * ((z1 - z2) / math.pi) ** 2
    return (straight + math.sqrt(inside)) / 4 if straight > 0 and inside >= 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Meshing:
    """One sprocket and one chain."""

    teeth: int
    links: int
    common_factor: int
    """Greatest common divisor: a tooth meets only every so-many-th link."""
    turns_to_repeat: int
    """Turns of the sprocket after which the same tooth meets the same link again."""

    def sentence(self) -> str:
        """For people."""
        if self.common_factor == 1:
            return (
                f"{self.teeth} teeth and {self.links} links have no common factor: every tooth meets every link "
                f"(again after {self.turns_to_repeat} turns), so wear spreads evenly."
            )
        alternate = (
            " Teeth and links are both even: one half of the teeth always meets inner links, the other outer links, "
            "and alternate teeth can wear unequally. Lay the chain on one tooth further when refitting."
            if self.common_factor % 2 == 0
            else ""
        )
        return (
            f"{self.teeth} teeth and {self.links} links share the factor {self.common_factor}: each tooth meets only "
            f"{self.links // self.common_factor} of the links, so a bad link marks the same teeth.{alternate}"
        )


def meshing(teeth: int, links: int) -> Meshing:
    """Which links a tooth meets: the hunting-tooth question.

    Parameters
    ----------
    teeth, links
        Counts; an endless chain has one link for each pitch.
    """
    if teeth < 1 or links < 1:
        raise ValueError(f"teeth and links must be at least 1, not {teeth} and {links}")
    g = math.gcd(teeth, links)
    return Meshing(teeth=teeth, links=links, common_factor=g, turns_to_repeat=links // g)


def roller_lift_mm(*, pitch_mm: float, roller_diameter_mm: float, teeth: int, elongation_percent: float) -> float:
    """How far a longer chain rides up the teeth: its rollers stand on a circle larger by e·R, mm."""
    form = IsoForm(pitch_mm=pitch_mm, roller_diameter_mm=roller_diameter_mm, teeth=teeth)
    return elongation_percent / 100 * form.pitch_radius_mm
