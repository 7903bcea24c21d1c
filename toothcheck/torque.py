"""Torques as typed from a machine's manual, converted between units; none is ever supplied from here."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pint import UnitRegistry

UNITS = {"N·m": "newton * meter", "lbf·ft": "force_pound * foot", "kgf·m": "force_kilogram * meter"}
"""How units are shown, and what pint calls them."""

_SPELLINGS = {
    "nm": "N·m", "newtonmetre": "N·m", "newtonmeter": "N·m", "newtonmetres": "N·m", "newtonmeters": "N·m",
    "lbfft": "lbf·ft", "ftlbf": "lbf·ft", "lbft": "lbf·ft", "ftlb": "lbf·ft", "ftlbs": "lbf·ft", "lbsft": "lbf·ft",
    "kgfm": "kgf·m", "kgm": "kgf·m", "mkgf": "kgf·m", "mkg": "kgf·m",
}  # fmt: skip

_registry: UnitRegistry[float] | None = None


def _pint() -> UnitRegistry[float]:
    # built once and only when needed: the registry takes longer to make than everything else here
    global _registry
    if _registry is None:
        from pint import UnitRegistry

        _registry = UnitRegistry()
    return _registry


def unit_of(text: str) -> str:
    """The unit meant by a usual spelling: ``Nm``, ``lbf-ft``, ``ft.lb``, ``kgf m``.

    Raises
    ------
    ValueError
        When it is none of them.
    """
    found = _SPELLINGS.get(re.sub(r"[\s.·*-]", "", text).lower())
    if found is None:
        raise ValueError(f"torque must be in one of {', '.join(UNITS)}, not {text!r}")
    return found


def convert(value: float, unit: str, to: str) -> float:
    """Convert a torque between N·m, lbf·ft and kgf·m (by pint).

    Raises
    ------
    ValueError
        When a unit is not known.
    """
    registry = _pint()
    quantity = registry.Quantity(value, UNITS[unit_of(unit)])
    return float(quantity.to(UNITS[unit_of(to)]).magnitude)


@dataclass(frozen=True, slots=True, kw_only=True)
class Torque:
    """One torque out of the manual.

    Raises
    ------
    ValueError
        When the value is not above 0, the unit is unknown, or the source is missing.
    """

    fastener: str
    value: float
    unit: str
    source: str
    """The manual and its page."""

    def __post_init__(self) -> None:
        if not 0 < self.value < 1000:
            raise ValueError(f"torque must lie between 0 and 1000, not {self.value}")
        unit_of(self.unit)
        if not self.fastener.strip():
            raise ValueError("torque must name its fastener, e.g. 'rear sprocket nuts=43.5 lbf·ft @ manual p. 7-12'")
        if not re.search(r"\d", self.source):
            raise ValueError(
                f"torque must come from the machine's manual with its page, not from {self.source!r}: "
                "write e.g. 'rear sprocket nuts=43.5 lbf·ft @ manual p. 7-12'"
            )

    @classmethod
    def parse(cls, text: str) -> Torque:
        """Read ``FASTENER=VALUE UNIT @ SOURCE WITH PAGE``."""
        match = re.fullmatch(r"\s*([^=@]+?)\s*=\s*([0-9]+(?:[.,][0-9]+)?)\s*([^\d@=]+?)\s*(?:@\s*(.*))?", text)
        if match is not None and "," in match[2]:
            raise ValueError(f"torque must have a decimal point, not a comma: {match[2].replace(',', '.')} {match[3]}")
        if match is None:
            raise ValueError(f"torque must read 'FASTENER=VALUE UNIT @ MANUAL AND PAGE', not {text!r}")
        name, value, unit, source = match.groups()
        if not unit.strip():
            raise ValueError(f"torque must have its unit, one of {', '.join(UNITS)}: {name}={value} what?")
        return cls(fastener=name, value=float(value), unit=unit_of(unit), source=(source or "").strip())

    def in_all_units(self) -> dict[str, float]:
        """The value in N·m, lbf·ft and kgf·m."""
        return {unit: convert(self.value, self.unit, unit) for unit in UNITS}

    def text(self) -> str:
        """As typed first, then the others, rounded to three significant digits."""
        others = [f"{_in_digits(v, 3)} {u}" for u, v in self.in_all_units().items() if u != unit_of(self.unit)]
        return f"{_in_digits(self.value)} {unit_of(self.unit)} (= {' = '.join(others)}; {self.source})"


def _in_digits(value: float, significant: int | None = None) -> str:
    """A number as it is written in a workshop, without a power of ten; rounded only where digits are asked for."""
    return np.format_float_positional(
        value, precision=significant, unique=significant is None, fractional=False, trim="-"
    )
