"""What every toothed wheel for a roller chain has in common, whatever the form of its gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass

from toothcheck.geometry import Floats
from toothcheck.toothform.outline import (
    Outline,
    Piece,
    gap_from_half,
    tooth_from_half,
    wheel_from_half,
    wheel_from_pieces,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothedWheel:
    """The circles and outlines that follow from pitch, roller and tooth count, once a form draws half a gap.

    Parameters
    ----------
    pitch_mm, roller_diameter_mm
        Of the chain.
    teeth
        Tooth count z.
    """

    pitch_mm: float
    roller_diameter_mm: float
    teeth: int

    # --- circles ---------------------------------------------------------------------------------------------
    @property
    def pitch_angle(self) -> float:
        """Angle from tooth to tooth, radians."""
        return 2 * math.pi / self.teeth

    @property
    def pitch_diameter_mm(self) -> float:
        """d = p / sin(180°/z); PD in ASME B29.1."""
        return self.pitch_mm / math.sin(math.pi / self.teeth)

    @property
    def pitch_radius_mm(self) -> float:
        """R = d / 2."""
        return self.pitch_diameter_mm / 2

    @property
    def root_diameter_mm(self) -> float:
        """df = d - d1, the standards' root (bottom) circle; not what the forms draw (see their modules)."""
        return self.pitch_diameter_mm - self.roller_diameter_mm

    @property
    def over_pins_mm(self) -> float:
        """Measurement over pins of diameter d1: d + d1 for even z, d·cos(90°/z) + d1 for odd z."""
        return self._across + self.roller_diameter_mm

    @property
    def across_root_mm(self) -> float:
        """Calliper measure across the root: df for even z, d·cos(90°/z) - d1 for odd z."""
        return self._across - self.roller_diameter_mm

    @property
    def _across(self) -> float:
        odd = self.teeth % 2
        return self.pitch_diameter_mm * (math.cos(math.pi / (2 * self.teeth)) if odd else 1.0)

    # --- outlines --------------------------------------------------------------------------------------------
    def half_gap_pieces(self) -> tuple[Piece, ...]:
        """From the gap's bottom to the next tooth's centre line as true arcs; each form draws its own."""
        raise NotImplementedError

    def half_gap(self, step_mm: float = 0.1) -> Outline:
        """The same as points of a polyline; each form draws its own."""
        raise NotImplementedError

    def arcs(self) -> Floats:
        """The whole wheel as true arcs (n, 3): x, y in mm and the sweep of the arc leaving there; see `Piece`."""
        return wheel_from_pieces(self.half_gap_pieces(), self.teeth)

    def gap(self, step_mm: float = 0.1) -> Outline:
        """From tooth centre line to tooth centre line, in the gap's frame, -x side first."""
        return gap_from_half(self.half_gap(step_mm))

    def tooth(self, step_mm: float = 0.1) -> Outline:
        """From gap bottom to gap bottom, in the tooth's frame, -x side (coast) first."""
        return tooth_from_half(self.half_gap(step_mm), self.teeth)

    def outline(self, step_mm: float = 0.1) -> Outline:
        """The whole wheel, closed (first point not repeated), clockwise from tooth 0 at +y, y up."""
        return wheel_from_half(self.half_gap(step_mm), self.teeth)
