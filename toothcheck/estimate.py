"""A value with its standard uncertainty, and the one place where both are rounded together."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A measured value with its standard uncertainty (JCGM 100:2008, 2.3.1), both in the same unit.

    Raises
    ------
    ValueError
        When either number is not finite, or the uncertainty is negative.
    """

    value: float
    std: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value) and math.isfinite(self.std)):
            raise ValueError(f"value and std must be finite, not {self.value!r} ± {self.std!r}")
        if self.std < 0:
            raise ValueError(f"std must not be negative, not {self.std!r}")

    def rounded(self) -> Estimate:
        """The same, with no digit finer than the second significant digit of the uncertainty.

        JCGM 100:2008, 7.2.6: at most two significant digits for the uncertainty, the value to the same place.
        """
        if self.std == 0:
            return self
        std = round(self.std, 1 - math.floor(math.log10(self.std)))
        place = 1 - math.floor(math.log10(std))  # 0.0996 has become 0.10
        return Estimate(value=round(self.value, place) + 0.0, std=round(std, place))  # no -0.0

    def less(self, other: Estimate) -> Estimate:
        """Take another from it, as if nothing that is uncertain were common to both (JCGM 100:2008, 5.1.2)."""
        return Estimate(value=self.value - other.value, std=math.hypot(self.std, other.std))

    def below(self, limit: float) -> float:
        """Probability that the true value lies below a limit, 0…1, the uncertainty taken for normal.

        Not by scipy: every logbook command would load it for this, which takes a fifth of its time.
        """
        if self.std == 0:
            return float(self.value < limit)
        return 0.5 * math.erfc((self.value - limit) / (self.std * math.sqrt(2)))

    def as_json(self) -> dict[str, float]:
        """``{"value": v, "std": s}``, rounded together."""
        r = self.rounded()
        return {"value": r.value, "std": r.std}

    def text(self, unit: str = "") -> str:
        """For people: ``0.42 ± 0.05 mm``, uncertainty to one significant digit (two if it starts with 1).

        The number behind ± is the standard uncertainty.  What was kept as `rounded` reads as it did before: the digits
        that are dropped are those of `rounded`, and a half goes up to the greater uncertainty.
        """
        if self.std == 0:
            return f"{self.value:g} {unit}".strip()
        kept = self.rounded()
        exponent = math.floor(math.log10(kept.std))
        digits = 1 if kept.std / 10**exponent < 1.95 else 0
        places = max(0, digits - exponent)
        value = round(kept.value, digits - exponent)
        step = 10.0 ** (exponent - digits)
        std = step * math.floor(kept.std / step + 0.5 + 1e-9)
        return f"{value + 0.0:.{places}f} ± {std:.{places}f} {unit}".strip()


def said(value: Estimate | None, unit: str) -> str:
    """A measure for people."""
    return "not measured" if value is None else value.text(unit)


def median_of(values: Iterable[Estimate]) -> Estimate | None:
    """The median, with the median of the uncertainties: what the values share does not average out.  None of none."""
    known = list(values)
    if not known:
        return None
    return Estimate(value=float(np.median([e.value for e in known])), std=float(np.median([e.std for e in known])))
