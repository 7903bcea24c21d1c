"""A made-up sprocket lying flat beside the pocket card: quickly drawn, for comparing parts.

Drawn as in `toothcheck.synthetic.chainrun`: straight walls, exact borders, no cast shadows.  The wheel is new;
wear, dirt, light and shine are the business of `toothcheck.synthetic.scene`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.geometry import Floats
from toothcheck.synthetic.camera import place_camera
from toothcheck.synthetic.part import Part
from toothcheck.synthetic.scenery import at_tile, card_face, ground_tile, noise_tile, pose

_RAYS = 4
_SLICES = 5
_RUBBER = 0.25
"""Tone of rubber against the metal's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatShot:
    """How the part is photographed; lengths mm, angles degrees."""

    width_px: int = 1200
    height_px: int = 900
    focal_35mm: float = 35.0
    fill: float = 0.92
    """Share of the picture's height that the wheel takes."""
    tilt_deg: float = 5.0
    azimuth_deg: float = 30.0
    turn_deg: float = 10.0
    k1: float = 0.0
    card_height_mm: float = 0.0
    """True height of the card over the face."""
    card_lean_deg: float = 0.0
    print_scale: float = 1.0
    """How large the card is printed."""
    ground: str = "cloth"
    ground_tone: float = 0.2
    metal_tone: float = 0.4
    blur_px: float = 0.8
    noise: float = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Middle:
    """What a part has about its middle besides a round bore and fixing holes; lengths mm."""

    splines: int = 0
    """Grooves as wide as the splines between them, from the bore outwards; the splines' tips stand on the bore."""
    groove_mm: float = 2.0
    ring_mm: tuple[float, float] | None = None
    """Inner and outer radius of a damping ring of dark rubber on the face, which it does not stand over."""


def draw_flat(part: Part, shot: FlatShot, rng: np.random.Generator, middle: Middle | None = None) -> NDArray[np.uint8]:
    """Grey photo of the part, its face at height 0."""
    middle = middle or Middle()
    form = part.form
    tip = form.tip_radius_mm
    card = card_face("pocket", print_scale=shot.print_scale)
    # the card to the right of the wheel, upright
    card_x = tip + 8 + card.height_mm / 2
    spread = 2 * tip + card.height_mm + 16
    view = max(
        2 * tip / shot.fill * shot.width_px / shot.height_px, spread / 0.95, 110 * shot.width_px / shot.height_px
    )
    middle_x = (card_x + card.height_mm / 2 - tip) / 2
    camera = place_camera(
        size_px=(shot.width_px, shot.height_px),
        focal_px=shot.focal_35mm / 36 * shot.width_px,
        k1=shot.k1,
        look_at_mm=(middle_x, 0.0, 0.0),
        distance_mm=shot.focal_35mm / 36 * view,
        tilt_deg=shot.tilt_deg,
        azimuth_deg=shot.azimuth_deg,
    )
    card_pose = pose(
        card_x, 0.0, shot.card_height_mm, spin=math.pi / 2 + 0.05, lean=math.radians(shot.card_lean_deg),
        lean_towards=float(rng.uniform(0, 6.28)),
    )  # fmt: skip
    grain, cloud, floor = noise_tile(rng, 0.3, size=512), noise_tile(rng, 1.6, size=512), ground_tile(shot.ground, rng)
    turn = math.radians(shot.turn_deg)
    holes = [
        (part.hole_circle_mm / 2 * math.cos(a), part.hole_circle_mm / 2 * math.sin(a))
        for a in turn + 0.3 + 2 * math.pi * np.arange(part.holes) / max(part.holes, 1)
    ]
    slope = rng.normal(0, 0.001, 2)
    origin = np.asarray(camera.place_mm)

    def in_metal(x: Floats, y: Floats) -> NDArray[np.bool_]:
        r = np.hypot(x, y)
        out = (r < tip) & (r > part.bore_mm / 2)
        if middle.splines:
            groove = np.arctan2(y, x) * middle.splines / (2 * math.pi) % 1 < 0.5
            out &= ~groove | (r > part.bore_mm / 2 + middle.groove_mm)
        rim = out & (r > form.root_diameter_mm / 2 - 1.5)
        a = (np.arctan2(y[rim], x[rim]) - turn + math.pi / form.teeth) % form.pitch_angle - form.pitch_angle / 2
        # a from the axis of the nearest gap
        local = np.stack([-r[rim] * np.sin(a), r[rim] * np.cos(a)], axis=-1)
        out[rim] = form.metal_depth_mm(local) > 0
        for hx, hy in holes:
            out &= np.hypot(x - hx, y - hy) > part.hole_mm / 2
        return np.asarray(out)

    def cast(px: Floats) -> tuple[NDArray[np.int8], NDArray[np.float32]]:
        rays = camera.rays(px)
        n = len(rays)
        kind, light = np.zeros(n, np.int8), np.zeros(n, np.float32)
        normal = card_pose.turn[:, 2]
        reach = ((card_pose.place_mm - origin) @ normal) / (rays @ normal)
        spot = (origin + reach[:, None] * rays - card_pose.place_mm) @ card_pose.turn
        cx, cy = spot[:, 0].astype(np.float32), spot[:, 1].astype(np.float32)
        on = (np.abs(cx) < card.width_mm / 2) & (np.abs(cy) < card.height_mm / 2)
        inked = np.zeros(n, bool)
        inked[on] = card.inked(cx[on], cy[on])
        light[on], kind[on] = 0.78, 1
        light[inked], kind[inked] = 0.045, 2
        open_ = ~on

        def at(z: float, which: NDArray[np.bool_]) -> tuple[Floats, Floats]:
            t = (z - origin[2]) / rays[which, 2]
            return origin[0] + t * rays[which, 0], origin[1] + t * rays[which, 1]

        for k, z in enumerate(np.linspace(0.0, -part.thickness_mm, _SLICES)):
            x, y = at(float(z), open_)
            hit = in_metal(x, y)
            who = np.flatnonzero(open_)[hit]
            u, v = (x[hit] * 8).astype(np.float32), (y[hit] * 8).astype(np.float32)
            tone = 1 + 0.07 * at_tile(grain, u, v) + 0.08 * at_tile(cloud, u * 0.3, v * 0.3)
            light[who] = shot.metal_tone * tone * (0.5 if k else 1.0)
            if middle.ring_mm is not None and k == 0:
                r = np.hypot(x[hit], y[hit])
                light[who[(r > middle.ring_mm[0]) & (r < middle.ring_mm[1])]] *= _RUBBER
            kind[who] = 4 if k else 3
            open_[who] = False
        x, y = at(-part.thickness_mm - 0.2, open_)
        who = np.flatnonzero(open_)
        light[who] = shot.ground_tone * at_tile(floor, (x * 4).astype(np.float32), (y * 4).astype(np.float32))
        x, y = at(0.0, np.ones(n, bool))
        return kind, (light * np.clip(1 + slope[0] * x + slope[1] * y, 0.5, 1.5)).astype(np.float32)

    h, w = shot.height_px, shot.width_px
    grid = np.stack(np.meshgrid(np.arange(w, dtype=float), np.arange(h, dtype=float)), axis=-1)
    kinds, lights = cast(grid.reshape(-1, 2))
    kind, light = kinds.reshape(h, w).astype(np.uint8), lights.reshape(h, w)
    wide = cv2.dilate(kind, np.ones((3, 3), np.uint8)) != cv2.erode(kind, np.ones((3, 3), np.uint8))
    iy, ix = np.nonzero(wide)
    total = np.zeros(len(ix), np.float32)
    offsets = (np.arange(_RAYS) + 0.5) / _RAYS - 0.5
    for dy in offsets:
        for dx in offsets:
            total += cast(np.stack([ix + dx, iy + dy], axis=-1).astype(float))[1]
    light[iy, ix] = total / _RAYS**2
    soft = cv2.GaussianBlur(light, (0, 0), shot.blur_px)
    coded = np.where(soft <= 0.0031308, 12.92 * soft, 1.055 * np.maximum(soft, 1e-6) ** (1 / 2.4) - 0.055)
    noisy = 255 * coded + shot.noise * rng.standard_normal(light.shape).astype(np.float32)
    return np.asarray(np.clip(np.round(noisy), 0, 255).astype(np.uint8))


def any_shot(rng: np.random.Generator) -> FlatShot:
    """Draw how a part is photographed: card and face flat on one table, square on within 12°.

    Three in four lie on a ground darker than the part, as the user is told; the others on any.
    """
    metal = float(rng.uniform(0.15, 0.55))
    ground = float(rng.uniform(0.05, 0.5))
    if abs(metal - ground) < 0.08:  # a background of the metal's own tone is the user's mistake, tested elsewhere
        ground = metal - 0.1 if metal > 0.3 else metal + 0.15
    if ground > metal and rng.random() < 0.75:
        ground = metal * float(rng.uniform(0.2, 0.7))
    return FlatShot(
        focal_35mm=float(rng.choice([26, 35, 52])),
        tilt_deg=float(rng.uniform(0, 12)),
        azimuth_deg=float(rng.uniform(0, 360)),
        turn_deg=float(rng.uniform(0, 360)),
        k1=float(rng.normal(0, 0.015)),
        card_height_mm=float(rng.normal(0, 0.15)),
        card_lean_deg=float(abs(rng.normal(0, 0.15))),
        ground=str(rng.choice(["concrete", "gravel", "cloth", "wood", "plain"])),
        ground_tone=ground,
        metal_tone=metal,
        blur_px=float(rng.uniform(0.6, 1.2)),
        noise=float(rng.uniform(0.7, 3.0)),
    )


def any_part(rng: np.random.Generator) -> Part:
    """Draw a new front or rear sprocket with a free, round bore."""
    chain = str(rng.choice(["520", "525", "428", "530"]))
    blend, tip = float(rng.uniform(0.1, 0.9)), float(rng.uniform(0.2, 0.8))
    if rng.random() < 0.35:
        return Part(
            chain=chain, teeth=int(rng.integers(13, 18)), position="front", blend=blend, tip_blend=tip,
            bore_mm=float(rng.uniform(18, 26)), holes=0,
        )  # fmt: skip
    teeth = int(rng.integers(36, 48))
    root = Part(chain=chain, teeth=teeth).form.root_diameter_mm
    bore = float(rng.uniform(0.35, 0.5)) * root
    return Part(
        chain=chain, teeth=teeth, position="rear", blend=blend, tip_blend=tip, bore_mm=bore,
        holes=int(rng.choice([4, 5, 6])), hole_mm=float(rng.choice([8.5, 10.5])),
        hole_circle_mm=float(bore + rng.uniform(22, 30)),
    )  # fmt: skip
