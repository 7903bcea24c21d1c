"""The layout of the scale cards, read from ``scale-cards.json``; mm, origin top left, x right, y down."""

from __future__ import annotations

import functools
import json
from dataclasses import dataclass
from importlib.resources import files

import numpy as np

from toothcheck.geometry import Floats, readonly

PRINT_STD_UNCHECKED = 0.005
"""Relative standard uncertainty of a card's print that nobody measured: home printers are off by up to 2 %."""
MEASURED_STD_MM = 0.05
"""Of a calliper on the edges of printed markers."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardLayout:
    """One card: its size and the corners of its markers."""

    name: str
    width_mm: float
    height_mm: float
    corners_mm: dict[int, Floats]
    """For each marker id its (4, 2) corners: top left, top right, bottom right, bottom left of the black square."""

    @property
    def is_mat(self) -> bool:
        """Whether the part lies on it, so that its face stands over the print by the part's thickness."""
        return self.name.startswith("mat")

    @property
    def outline_mm(self) -> Floats:
        """(4, 2) the card's corners in the plane of its pose, whose y points up from the print's top left corner."""
        w, h = self.width_mm, self.height_mm
        return np.array([[0, 0], [w, 0], [w, -h], [0, -h]])

    @property
    def middle_mm(self) -> Floats:
        """(2,) the card's middle in that plane."""
        out: Floats = self.outline_mm.mean(axis=0)
        return out

    def print_scale(self, measured_mm: float | None) -> tuple[float, float]:
        """Printed over nominal size, and its standard uncertainty.

        ``measured_mm`` is the width of the print's outermost markers along its top row, outer edge to outer edge, as
        measured; without it the print is taken to be true to `PRINT_STD_UNCHECKED`.

        Raises
        ------
        ValueError
            When it is more than 10 % off.
        """
        if measured_mm is None:
            return 1.0, PRINT_STD_UNCHECKED
        x = np.concatenate([c[:, 0] for c in self.corners_mm.values()])
        nominal = float(x.max() - x.min())
        if not 0.9 <= measured_mm / nominal <= 1.1:
            raise ValueError(
                f"card_measured_mm must be within 10 % of the {nominal:g} mm of the {self.name} card, "
                f"not {measured_mm:g}"
            )
        return measured_mm / nominal, MEASURED_STD_MM / nominal

    def printed(self, scale: float) -> CardLayout:
        """The card as it is when its print came out at ``scale`` times the nominal size."""
        return CardLayout(
            name=self.name,
            width_mm=scale * self.width_mm,
            height_mm=scale * self.height_mm,
            corners_mm={i: readonly(scale * c) for i, c in self.corners_mm.items()},
        )


@functools.cache
def layouts() -> dict[str, CardLayout]:
    """All cards by name."""
    table = json.loads(files("toothcheck.cards").joinpath("scale-cards.json").read_text("utf-8"))
    out = {}
    for name, card in table["cards"].items():
        corners = {}
        for m in card["markers"]:
            x, y, s = m["x"], m["y"], m["size"]
            corners[int(m["id"])] = readonly(np.array([[x, y], [x + s, y], [x + s, y + s], [x, y + s]]))
        out[name] = CardLayout(name=name, width_mm=card["width"], height_mm=card["height"], corners_mm=corners)
    return out
