"""Whether what was traced is a wheel of the form claimed: its seats, flanks and tips against the standard's."""

from __future__ import annotations

from toothcheck.grade import BANDS_PERCENT
from toothcheck.tooth import ToothRing
from toothcheck.tracing.fit import UNKNOWNS
from toothcheck.tracing.trace import Traced
from toothcheck.wear import WheelWear

_FORM_SPREAD_MM, _BEYOND_SHARE, _BEYOND_FORM = 0.11, 0.6, 0.03
"""By how much seats and coast flanks may scatter about the form; which share of it where the form lies beyond the limit
forms, and by how much it must (assumed; on 34 photos of sprockets, told right, they scatter by 0.02 to 0.07 mm)."""
_TIP_STD_MM, _TIP_SIGMAS = 0.3, 3.0
"""How well a photo shows where the flanks end (see `toothcheck.tracing.trace`), and how much lower it must be: on 34
photos of parts in all states of wear they were seen to end at the least tip circle or up to 1.6 mm above it, on 8 made
ones of teeth as low as that, with bevels twice as deep as usual, 0.5 mm below it to 0.3 mm above it."""
_SEATS_OFF_MM = 0.3
"""Sources and makers differ by 0.05 to 0.2 mm in where the seats stand (see `toothcheck.toothform`)."""


def seat_flags(traced: Traced, wear: WheelWear, *, with_card: bool) -> tuple[list[str], list[str]]:
    """A flag and a sentence where the seats' circle is further off the standard's than any maker's.

    A fit pressed by a wrong scale takes the seats out as well as the plane.
    """
    root = max(
        (float(traced.fit.unknowns[UNKNOWNS.index("root")]), wear.datum.form.seat_offset_mm), key=lambda mm: abs(mm)
    )
    if abs(root) < _SEATS_OFF_MM:
        return [], []
    return ["scale-disagrees" if with_card else "form-disagrees"], [
        f"The seats stand {abs(root):.2f} mm {'outside' if root > 0 else 'inside'} where the pitch has them."
    ]


def form_flags(wear: WheelWear) -> tuple[list[str], list[str]]:
    """A flag and a sentence where the unworn flanks do not lie on any form between the limits."""
    gap_form, spread = wear.datum.gap_form, wear.datum.spread_mm
    beyond = not -_BEYOND_FORM <= gap_form.value <= 1 + _BEYOND_FORM
    if spread < _FORM_SPREAD_MM and not (beyond and spread > _BEYOND_SHARE * _FORM_SPREAD_MM):
        return [], []
    return ["form-disagrees"], [
        f"Seats and coast flanks scatter by {spread:.2f} mm about the nearest ISO 606 form"
        + (", which lies beyond the limit forms." if beyond else ".")
    ]


def tip_flags(ring: ToothRing, wear: WheelWear) -> tuple[list[str], list[str]]:
    """A flag and a sentence where teeth end further below the standard's least tip circle than they wear down.

    Holes in a disc and round notches have seats, but no flanks above them.  Neglected: chains of small pitch, whose
    lowest teeth are hardly higher than that (428 of fewer than 19 teeth).
    """
    percent, form = wear.asymmetry_percent, wear.datum.form
    # teeth worn to a point may end anywhere
    if ring.tip_radius_mm is None or percent is None or percent.value >= BANDS_PERCENT[-1]:
        return [], []
    least = form.tip_diameter_min_mm / 2 - form.pitch_radius_mm
    seen = ring.tip_radius_mm - form.pitch_radius_mm
    if seen > least - _TIP_SIGMAS * _TIP_STD_MM:
        return [], []
    return ["form-disagrees"], [
        f"Flanks are seen to {seen:.1f} mm above the pitch circle only, where the lowest teeth of ISO 606 reach"
        f" {least:.1f} mm: holes and notches look so, and teeth with covered tips."
    ]
