"""What another tooth count changes: ratio, speedometer, room, wheel position.  All of it our own arithmetic."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from toothcheck.toothform import IsoForm

Pickup = Literal["wheel", "gearbox", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GearChange:
    """From one pair of sprockets to another."""

    ratio_before: float
    """Rear teeth / front teeth: turns of the front sprocket for one of the wheel."""
    ratio_after: float
    change_percent: float
    front_radius_change_mm: float
    """How much farther (or less far) the chain on the front sprocket stands from the shaft."""
    wheel_shift_mm: float
    """How far the wheel moves in its adjusters with the same chain, positive: forward, shorter centre distance."""
    warnings: tuple[str, ...]


def gear_change(
    *,
    pitch_mm: float,
    roller_diameter_mm: float,
    front_before: int,
    front_after: int,
    rear_before: int,
    rear_after: int,
    pickup: Pickup = "unknown",
) -> GearChange:
    """Compare two pairs of sprockets.

    Parameters
    ----------
    pitch_mm, roller_diameter_mm
        Of the chain.
    pickup
        Where the speedometer takes its speed: at a wheel, or at the gearbox (before the chain).

    Notes
    -----
    The chain's length is 2C + (z1 + z2)p/2 plus a term in (z2 − z1)²/C, whose change by one tooth (about 0.3 mm of
    wheel position at usual distances) is neglected: the wheel moves by a quarter of a pitch for each tooth.
    """
    before, after = rear_before / front_before, rear_after / front_after
    change = 100 * (after / before - 1)

    def radius(teeth: int) -> float:
        return IsoForm(pitch_mm=pitch_mm, roller_diameter_mm=roller_diameter_mm, teeth=teeth).pitch_radius_mm

    grow = radius(front_after) - radius(front_before)
    shift = (front_after - front_before + rear_after - rear_before) * pitch_mm / 4
    out = []
    if change:
        lower = "lower" if change > 0 else "higher"
        out.append(
            f"Gear ratio {before:.3f} -> {after:.3f} ({change:+.1f} %): {lower} gearing, "
            f"the engine turns {'faster' if change > 0 else 'slower'} at the same road speed."
        )
        reads = f"will read {abs(change):.1f} % {'more' if change > 0 else 'less'} than before"
        out.append(
            {
                "wheel": "The speedometer takes its speed at a wheel and does not change.",
                "gearbox": f"The speedometer takes its speed before the chain: it {reads}; the distance counter too.",
                "unknown": (
                    f"If the speedometer takes its speed before the chain, it {reads}; at a wheel it does not change."
                ),
            }[pickup]
        )
        out.append(
            "Another ratio than the approved one may need entering in the papers: ask where the machine is registered."
        )
    if grow > 0:
        out.append(
            f"A larger front sprocket brings the chain {grow:.1f} mm nearer to the case, the cover and the slider: "
            "check the room with the chain on, all the way round, before starting the engine."
        )
    if grow < 0:
        out.append(
            f"A smaller front sprocket lets the chain run {-grow:.1f} mm lower over the slider and bends it more: "
            "both wear sooner."
        )
    if shift:
        out.append(
            f"With the same chain the wheel moves about {abs(shift):.0f} mm {'forward' if shift > 0 else 'back'}: "
            "check that the adjuster reaches, or that the chain needs other links."
        )
    return GearChange(
        ratio_before=before,
        ratio_after=after,
        change_percent=change,
        front_radius_change_mm=grow,
        wheel_shift_mm=shift,
        warnings=tuple(out),
    )
