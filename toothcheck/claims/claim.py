"""What the user says about a photo, and what the photo itself says of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from toothcheck.chains import CHAINS, Chain
from toothcheck.estimate import Estimate

MOTORCYCLE = ("415", "420", "428", "520", "525", "530", "532", "630", "632")
"""Sizes that motorcycles take."""
THICKNESS_SHARE = 0.91
"""Of the chain's inner width: single sprockets as sold run from 0.88 to 0.95 (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """What the user says about the photo."""

    chain: Chain | None
    """None: to be found out."""
    teeth: int | None
    """None: to be found out."""
    position: str
    """``front`` or ``rear``."""
    turning: str | None
    """``clockwise`` or ``counterclockwise`` as seen in the photo, None when not told."""
    card_height_mm: float | None = None
    """Card over the face, towards the camera; None when not told."""
    thickness_mm: float | None = None
    near_px: tuple[float, float] | None = None

    @property
    def drive_clockwise(self) -> bool | None:
        """Whether drive flanks are on the clockwise sides of teeth (measures.md, section 1)."""
        if self.turning is None:
            return None
        return (self.position == "front") == (self.turning == "clockwise")

    def driven(self, clockwise: bool) -> Claim:
        """The same with the turning that has the drive flanks on the clockwise sides of teeth, or on the others."""
        turns = (self.position == "front") == clockwise
        return replace(self, turning="clockwise" if turns else "counterclockwise")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What the photo itself says about the claims; probabilities of what was weighed against one another."""

    teeth: tuple[tuple[int, float], ...] = ()
    """Tooth counts, most probable first."""
    chains: tuple[tuple[str, float], ...] = ()
    """Chain sizes, most probable first; sizes of the same pitch and roller differ only in width."""
    drive_clockwise: float | None = None
    """Probability that the worn flank is on the clockwise sides of teeth; None where no wear tells."""

    @property
    def chains_alike(self) -> tuple[str, ...]:
        """The chain sizes that fit best: several where the photo does not tell them apart."""
        return tuple(name for name, share in self.chains if share > 0.99 * self.chains[0][1])

    def in_words(self, *, teeth: bool, chain: bool) -> str:
        """What was left to the photo and found there; empty where nothing was."""
        said = []
        if teeth and self.teeth:
            said.append(f"{self.teeth[0][0]} teeth ({100 * self.teeth[0][1]:.0f} %)")
        if chain and self.chains:
            *others, last = self.chains_alike
            share = f"{100 * self.chains[0][1]:.0f} %"
            said.append(
                f"chain {', '.join(others)} or {last}, which fit alike ({share} each)" if others
                else f"chain {last} ({share})"
            )  # fmt: skip
        return f"Found in the photo: {'; '.join(said)}." if said else ""

    def as_json(self) -> dict[str, object]:
        """For the JSON document."""
        p = self.drive_clockwise
        return {
            "teeth": [{"teeth": z, "probability": round(q, 3)} for z, q in self.teeth],
            "chains": [{"chain": name, "probability": round(q, 3)} for name, q in self.chains],
            "drive_flank": None if p is None else {"clockwise": round(p, 3), "counterclockwise": round(1 - p, 3)},
        }


def chain_shares(
    weights: dict[tuple[float, float], float], thickness: Estimate | None
) -> tuple[tuple[str, float], ...]:
    """Chain sizes with probabilities, from weights of (pitch, roller diameter) and the measured thickness of a tooth.

    Motorcycle sizes count four times as much as industrial and cycle sizes (our own choice).
    """
    out = {}
    for chain in CHAINS.values():
        weight = weights.get((chain.pitch_mm, chain.roller_diameter_mm), 0.0)
        if weight <= 0:
            continue
        weight *= 4.0 if chain.name in MOTORCYCLE else 1.0
        if thickness is not None:
            std = math.hypot(thickness.std, 0.04 * chain.inner_width_mm)
            off = thickness.value - THICKNESS_SHARE * chain.inner_width_mm
            weight *= math.exp(-0.5 * (off / std) ** 2) / std + 1e-6
        out[chain.name] = weight
    total = sum(out.values())
    if total <= 0:
        return ()
    ranked = sorted(out.items(), key=lambda item: -item[1])
    return tuple((name, w / total) for name, w in ranked if w / total >= 0.005)
