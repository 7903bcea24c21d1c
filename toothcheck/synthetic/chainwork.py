"""Roller chain: link plates, rollers and pins as flat bodies, laid on a wheel or wherever its pins are told to be."""

from __future__ import annotations

import math

import numpy as np

from toothcheck.chains import chain
from toothcheck.geometry import Floats
from toothcheck.synthetic.fields import link_field
from toothcheck.synthetic.part import Wheel
from toothcheck.synthetic.scenery import Skin, Solid, pose


def chain_solids(
    pins_mm: Floats,
    *,
    chain_name: str,
    middle_mm: float,
    skin: Skin,
    first_outer: bool = True,
    both_sides: bool = True,
) -> list[Solid]:
    """Return a roller chain through pins given one by one.

    Parameters
    ----------
    pins_mm
        (n, 2) pin centres in the sprocket's plane, in order along the chain.
    middle_mm
        Height of the chain's middle plane (half the sprocket's thickness behind the face).
    first_outer
        Whether the first link is an outer one.
    both_sides
        Also draw the plates on the far side.
    """
    size = chain(chain_name)
    p, n = size.pitch_mm, len(pins_mm)
    plate = 0.12 * p
    outer = [(i, i + 1) for i in range(n - 1) if (i % 2 == 0) == first_outer]
    inner = [(i, i + 1) for i in range(n - 1) if (i % 2 == 0) != first_outer]
    half = size.inner_width_mm / 2
    single = [(i, i) for i in range(n)]
    layers: list[tuple[str, list[tuple[int, int]], float, float, float, float]] = [
        ("roller", single, size.roller_diameter_mm / 2, 0.0, -half, half),
        ("inner plate", inner, 0.45 * p, 0.36 * p, half, half + plate),
        ("outer plate", outer, 0.42 * p, 0.34 * p, half + plate + 0.1, half + 2 * plate + 0.1),
        ("pin", single, 0.165 * p, 0.0, half, half + 2 * plate + 0.06 * p),
    ]
    out = []
    for name, links, radius, waist, low, high in layers:
        if not links:
            continue
        body = link_field(pins_mm, links, radius, waist)
        out.append(
            Solid(name=name, field=body, top_mm=middle_mm + high, bottom_mm=middle_mm + low, skin=skin, pose=pose())
        )
    if both_sides:  # hardly seen: both kinds of plate in one
        body = link_field(pins_mm, outer + inner, 0.44 * p, 0.35 * p)
        low, high = middle_mm - half - 2 * plate, middle_mm - half
        out.append(Solid(name="far plate", field=body, top_mm=high, bottom_mm=low, skin=skin, pose=pose()))
    return out


def chain_on_wheel(wheel: Wheel, first: int, teeth: int, strands: int) -> Floats:
    """Pins of a chain that lies on some teeth and runs off straight at both ends, clockwise end first, (n, 2)."""
    form = wheel.form
    angles = wheel.turn + (np.arange(first, first + teeth + 1) - 0.5) * form.pitch_angle
    on = form.pitch_radius_mm * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    steps = np.arange(1, strands + 1)[:, None] * form.pitch_mm
    leave, arrive = angles[0], angles[-1]
    before = on[0] + steps[::-1] * np.array([math.sin(leave), -math.cos(leave)])
    after = on[-1] + steps * np.array([-math.sin(arrive), math.cos(arrive)])
    return np.concatenate([before, on, after])
