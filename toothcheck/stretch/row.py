"""Elongation from a row of pins whose places are known (from a photo, or any other way of seeing).

`PinRow` is the border: how the places were found ends there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from toothcheck.chains import Chain
from toothcheck.estimate import Estimate
from toothcheck.geometry import Floats
from toothcheck.stretch.readings import LEAST_PITCHES

UNEVEN_CHANCE = 0.001
"""A link is called uneven when chance alone would name any link of the row this seldom (two-sided)."""
STIFF_DEG = 1.0
"""A joint bent by more than this in a pulled run does not straighten (our convention)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PinRow:
    """Pins of one run of chain, in order, in the plane of the pin ends; lengths mm.

    Neighbours in the row are one pitch apart: a row with a gap is to be cut before it gets here.
    """

    pins_mm: Floats
    """(n, 2)."""
    std_mm: Floats
    """(n,) standard uncertainty of each place along the run, independent from pin to pin."""
    scale_std: float
    """Relative standard uncertainty that all lengths share: card print, card height, pose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One pitch: from pin ``index`` to the next."""

    index: int
    length_mm: float
    std_mm: float
    elongation_percent: float
    uneven: bool
    """Whether it differs from the other links of its kind by more than chance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kink:
    """A joint that does not straighten."""

    pin: int
    angle_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """What a row of pins says about the chain."""

    pitches: int
    percent: Estimate
    """Elongation over the whole row."""
    links: tuple[Link, ...]
    alternation_mm: Estimate
    """How much longer the links of one kind are than their neighbours: pin and bush wear shows at every second link."""
    kinks: tuple[Kink, ...]

    @property
    def uneven(self) -> tuple[Link, ...]:
        """The links that differ from their kind."""
        return tuple(link for link in self.links if link.uneven)


def run_of(row: PinRow, size: Chain) -> Run:
    """Elongation of a row of pins, pitch by pitch.

    Notes
    -----
    Pin to pin across an outer link is fixed by its plates; across an inner link it holds the play of both joints.
    The elongation is therefore the mean of the two kinds' means, which for an even number of pitches is the end to
    end length, and for an odd number does not lean to either kind.  Sag between the ends is followed, since lengths are
    summed link by link.

    Raises
    ------
    ValueError
        With fewer than seven pins.
    """
    pins = row.pins_mm
    n = len(pins) - 1
    if n < LEAST_PITCHES:
        raise ValueError(f"row must hold at least {LEAST_PITCHES + 1} pins, not {n + 1}")
    steps = np.diff(pins, axis=0)
    length = np.hypot(steps[:, 0], steps[:, 1])
    var = row.std_mm**2
    length_std = np.sqrt(var[:-1] + var[1:])
    kind = np.arange(n) % 2

    weights = np.where(kind == 0, 0.5 / np.sum(kind == 0), 0.5 / np.sum(kind == 1))
    mean = float(weights @ length)
    # a pin between two links of equal weight drops out: only the ends, and the odd link, carry noise
    at_pin = np.concatenate([[0.0], weights]) - np.concatenate([weights, [0.0]])
    noise = math.sqrt(float(at_pin**2 @ var))
    percent = Estimate(
        value=100 * (mean / size.pitch_mm - 1),
        std=100 * math.hypot(noise / size.pitch_mm, row.scale_std * mean / size.pitch_mm),
    )

    contrast = np.where(kind == 0, 1 / np.sum(kind == 0), -1 / np.sum(kind == 1))
    at_pin = np.concatenate([[0.0], contrast]) - np.concatenate([contrast, [0.0]])
    alternation = Estimate(value=float(contrast @ length), std=math.sqrt(float(at_pin**2 @ var)))

    # each link against the middle of the others of its kind
    usual = np.array([np.median(length[(kind == kind[i]) & (np.arange(n) != i)]) for i in range(n)])
    scatter = 1.4826 * float(np.median(np.abs(length - usual)))
    allowed = -np.sqrt(length_std**2 * 1.5 + scatter**2) * NormalDist().inv_cdf(UNEVEN_CHANCE / (2 * n))
    uneven = np.abs(length - usual) > allowed

    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    bend = np.degrees(np.diff(heading))
    bend = bend - np.median(bend)  # sag turns every joint alike; a stiff one stands out
    bend_std = np.degrees(2.45 * np.max(row.std_mm) / size.pitch_mm)  # √(1 + 4 + 1) for the second difference
    kinks = tuple(
        Kink(pin=i + 1, angle_deg=float(bend[i]))
        for i in range(n - 1)
        if abs(bend[i]) > max(STIFF_DEG, 4 * bend_std) and abs(bend[i]) >= max(abs(bend[max(0, i - 1) : i + 2]))
    )
    return Run(
        pitches=n,
        percent=percent,
        links=tuple(
            Link(
                index=i,
                length_mm=float(length[i]),
                std_mm=float(length_std[i]),
                elongation_percent=float(100 * (length[i] / size.pitch_mm - 1)),
                uneven=bool(uneven[i]),
            )
            for i in range(n)
        ),
        alternation_mm=alternation,
        kinks=kinks,
    )
