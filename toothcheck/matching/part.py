"""What is known of a sprocket as a part to buy: counts, lengths, and why a field is unknown."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from types import MappingProxyType

from toothcheck.chains import chain as chain_of
from toothcheck.estimate import Estimate

TYPED_STD_MM = 0.06
"""Standard uncertainty of a typed length without its own: a calliper's ± 0.1 mm, all values alike (JCGM 100, 4.3.7)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Count:
    """A number of things, and the probability that it is right."""

    value: int
    probability: float = 1.0

    def __post_init__(self) -> None:
        if self.value < 0:
            raise ValueError(f"count must not be negative, not {self.value}")
        if not 0 < self.probability <= 1:
            raise ValueError(f"probability must lie between 0 and 1, not {self.probability}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A sprocket as far as it is known; lengths mm, None where unknown."""

    name: str
    teeth: Count | None = None
    pitch_mm: Estimate | None = None
    roller_diameter_mm: Estimate | None = None
    inner_width_mm: Estimate | None = None
    """Between the inner plates of the chain that it is made for."""
    outer_diameter_mm: Estimate | None = None
    root_diameter_mm: Estimate | None = None
    bore_mm: Estimate | None = None
    """Diameter of a round bore, or of the circle on which the splines' tips stand."""
    splines: Count | None = None
    """0 for a round bore."""
    spline_major_mm: Estimate | None = None
    """Diameter at the bottom of the grooves between the splines."""
    holes: Count | None = None
    """Round fixing holes on one circle; 0 for none."""
    hole_circle_mm: Estimate | None = None
    hole_mm: Estimate | None = None
    thickness_mm: Estimate | None = None
    """Of the teeth."""
    seat_thickness_mm: Estimate | None = None
    """Where it is clamped: at the splines or under the nuts."""
    offset_mm: Estimate | None = None
    """From the middle of the teeth to the seat, positive when the seat lies on the machine's side."""
    unknown_because: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    """For fields that are None: why."""


_COUNTS = {"teeth", "splines", "holes"}
OF_THE_CHAIN = {"pitch_mm": 0.5, "roller_diameter_mm": 0.35, "inner_width_mm": 0.5}
"""What a chain size tells of a part, and the difference, mm, up to which two count as of one size (our convention)."""
_NAMED = 3
"""How many of the keys that are not known are named."""
_KNOWN = {f.name for f in fields(Part)} - {"name", "unknown_because"}


def part_from_mapping(values: Mapping[str, object]) -> Part:
    """Build a part from typed values, as they stand in a JSON file.

    Keys are the names of `Part`'s fields, with ``chain`` for pitch, roller and width by the size's name.  A length is a
    number (then ± 0.1 mm of a calliper is taken) or ``{"value": v, "std": s}``; null or absent is unknown.

    Raises
    ------
    ValueError
        When a key is not known, a value is no number, or is not that of the chain size beside it.
    """
    extra = set(values) - _KNOWN - {"name", "chain"}
    if extra:
        named = sorted(extra)
        others = len(named) - _NAMED
        more = f" and {others} other{'s' if others > 1 else ''}" if others > 0 else ""
        raise ValueError(
            f"keys must be of {', '.join(sorted(_KNOWN | {'chain', 'name'}))}, not {', '.join(named[:_NAMED])}{more}"
        )
    size = None if values.get("chain") is None else chain_of(str(values["chain"]))
    # read off a stamp or a box: exact, as far as the words are right
    told = {} if size is None else {key: Estimate(value=getattr(size, key), std=0.0) for key in OF_THE_CHAIN}
    out: dict[str, Count | Estimate] = {**told}
    for key in _KNOWN & set(values):
        value = values[key]
        if value is None:
            continue
        std: float | None = None
        if isinstance(value, Mapping):
            std, value = _number(value.get("std"), f"{key}.std"), value.get("value")
        number = _number(value, key)
        if key in _COUNTS:
            if number != int(number):
                raise ValueError(f"{key} must be a whole number, not {number}")
            if number < 0:
                raise ValueError(f"{key} must not be negative, not {int(number)}")
            out[key] = Count(value=int(number))
        else:
            if key != "offset_mm" and number <= 0:
                raise ValueError(f"{key} must be above 0, not {number}")
            if size is not None and key in told and abs(number - told[key].value) > OF_THE_CHAIN[key]:
                raise ValueError(f"{key} must be that of chain {size.name}, {told[key].value:g}, not {number:g}")
            out[key] = Estimate(value=number, std=TYPED_STD_MM if std is None else std)
    return Part(name=str(values.get("name", "part")), **out)  # type: ignore[arg-type]  # keys were checked above


def _number(value: object, key: str) -> float:
    try:
        number = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    except OverflowError:  # JSON's whole numbers have no end
        raise ValueError(f"{key} must be a number, not one of hundreds of digits") from None
    if not math.isfinite(number):
        raise ValueError(f"{key} must be a number, not {value!r}")
    return number
