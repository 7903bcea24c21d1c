"""A scene: everything that decides a photo, as plain numbers, and the bodies that stand in it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from toothcheck.geometry import Floats, rotated
from toothcheck.synthetic.camera import Camera, place_camera
from toothcheck.synthetic.chainwork import chain_on_wheel, chain_solids
from toothcheck.synthetic.fields import (
    Box,
    Disc,
    Hexagon,
    Singles,
    WheelField,
    polygon_field,
    wheel_field,
)
from toothcheck.synthetic.part import (
    Finish,
    Part,
    Turning,
    Wheel,
    drive_flank_side,
    make_wheel,
    spur_gear_outline,
)
from toothcheck.synthetic.scenery import (
    Light,
    Metal,
    Paint,
    Setting,
    Solid,
    card_face,
    ground_tile,
    noise_tile,
    pose,
)
from toothcheck.synthetic.sensor import Sensor

Colour = tuple[float, float, float]

FINISHES: dict[Finish, tuple[Colour, float, float, float, float, bool]] = {
    # tint, matt, shine, lobe along, lobe across, brushed in circles
    "ground": ((0.92, 0.92, 0.95), 0.26, 0.45, 0.12, 0.42, False),
    "turned": ((0.93, 0.92, 0.92), 0.22, 0.50, 0.12, 0.45, True),
    "blasted": ((0.90, 0.91, 0.93), 0.42, 0.30, 0.45, 0.45, False),
    "blackened": ((0.80, 0.82, 0.90), 0.085, 0.12, 0.25, 0.30, False),
    "zinc": ((0.96, 0.92, 0.78), 0.35, 0.40, 0.25, 0.30, False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One photo to be made; lengths mm, angles degrees, in the world of `toothcheck.synthetic.camera`."""

    part: Part = field(default_factory=Part)
    turning: Turning = "clockwise"
    """Which way the sprocket turns in the photo when the machine rolls forward."""
    turn_deg: float = 90.0
    """Angle of tooth 0's centre line."""
    seed: int = 0
    """For all that is drawn by lot inside the photo: scatter of wear, textures, shadows, noise."""
    tier: str = "bench"

    size_px: tuple[int, int] = (2016, 1512)
    focal_35mm: int = 26
    """As written in the EXIF."""
    focal_share: float = 1.0
    """The lens's real principal distance over what the EXIF says."""
    k1: float = 0.0
    distance_mm: float = 250.0
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    look_at_mm: tuple[float, float] = (0.0, 0.0)

    card: str | None = "pocket"
    card_at_mm: tuple[float, float] = (90.0, 0.0)
    card_spin_deg: float = 0.0
    card_lift_mm: float = 0.0
    """Height of the printed plane over the face, at the card's middle."""
    card_lift_told_mm: float = 0.0
    card_lean_deg: float = 0.0
    card_lean_towards_deg: float = 0.0
    card_print_scale: float = 1.0

    ground: str = "concrete"
    ground_gap_mm: float = 0.0
    """Room between the far face and the ground; 0 when the part lies on it."""
    ground_colour: Colour = (0.35, 0.34, 0.33)
    ground_texel_mm: float = 0.25
    mounted: bool = False
    """On its shaft or hub: nut, hub, bolt heads."""
    chain_first: int = 0
    """First tooth under the chain."""
    chain_teeth: int = 0
    """How many teeth the chain lies on; 0 for no chain."""
    chain_strands: int = 0
    """Links that run off straight at either end."""
    clutter: int = 0
    """Boxes standing about."""
    dirt: float = 0.0
    rust: float = 0.0
    second: Part | None = None
    second_at_mm: tuple[float, float] = (0.0, 0.0)

    lamp_mm: tuple[float, float, float] = (-300.0, 400.0, 700.0)
    lamp_radius_mm: float = 60.0
    lamp_colour: Colour = (1.0, 0.96, 0.90)
    sky: float = 0.5
    """Brightness of the sky against the lamp."""
    mirror: bool = False
    sensor: Sensor = field(default_factory=Sensor)

    @property
    def drive_flank_is(self) -> Turning:
        """Side of a tooth on which the drive flank lies, before any mirroring of the photo."""
        return drive_flank_side(self.part.position, self.turning)

    @property
    def focal_px(self) -> float:
        """True focal length in px of the photo: 36 mm stand for its longer side."""
        return self.focal_35mm * self.focal_share / 36 * max(self.size_px)


def scene_camera(scene: Scene) -> Camera:
    """Return the camera of a scene."""
    return place_camera(
        size_px=scene.size_px,
        focal_px=scene.focal_px,
        k1=scene.k1,
        look_at_mm=(*scene.look_at_mm, 0.0),
        distance_mm=scene.distance_mm,
        tilt_deg=scene.tilt_deg,
        azimuth_deg=scene.azimuth_deg,
        roll_deg=scene.roll_deg,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Textures:
    """The tiles that skins share."""

    grain: Singles
    cloud: Singles
    ground: Singles


def metal_skin(
    finish: Finish, textures: Textures, rng: np.random.Generator, *, dirt: float = 0.0, rust: float = 0.0,
    field: WheelField | None = None,
) -> Metal:  # fmt: skip
    """Return a steel skin with its own place on the dirt."""
    tint, matt, shine, along, across, turned = FINISHES[finish]
    brown = float(rng.uniform(0.02, 0.07))
    return Metal(
        tint=tint,
        matt=matt * float(rng.uniform(0.85, 1.15)),
        shine=shine * float(rng.uniform(0.8, 1.2)),
        along=along,
        across=across,
        turned=turned,
        grain=textures.grain,
        cloud=textures.cloud,
        dirt_share=dirt,
        dirt_tint=(brown, brown * 0.86, brown * 0.72),
        dirt_rim=float(rng.uniform(1.0, 4.0)),
        rust=rust,
        field=field,
        edge_mm=float(rng.uniform(0.08, 0.2)),
        shift=(float(rng.uniform(0, 1024)), float(rng.uniform(0, 1024))),
    )


_FIRST_GROOVE = 0.17
"""Angle of a groove from tooth 0, radians: any will do."""


def holes_of(part: Part, turn: float) -> Floats:
    """Bore, spline grooves and bolt holes as (k, 3): x, y, radius."""
    out = [[0.0, 0.0, part.bore_mm / 2]] if part.bore_mm > 0 else []
    # grooves as wide as the splines between them
    half = 0.25 * math.pi * (part.bore_mm + part.spline_major_mm) / 2 / max(part.splines, 1)
    for i in range(part.splines):
        a = turn + _FIRST_GROOVE + 2 * math.pi * i / part.splines
        r = part.spline_major_mm / 2 - half
        out.append([r * math.cos(a), r * math.sin(a), half])
    for i in range(part.holes):
        a = turn + 0.3 + 2 * math.pi * i / part.holes
        r = part.hole_circle_mm / 2
        out.append([r * math.cos(a), r * math.sin(a), part.hole_mm / 2])
    return np.array(out).reshape(-1, 3)


def wheel_solids(
    wheel: Wheel, textures: Textures, rng: np.random.Generator, *, dirt: float, rust: float, at_mm: tuple[float, float]
) -> list[Solid]:
    """Return a wheel and, each for itself, its bent teeth."""
    part, form = wheel.part, wheel.form
    bent = frozenset(i for i, what in wheel.damage.items() if what == "bent")
    if part.spur_gear:
        outline = rotated(spur_gear_outline(part.teeth, form.pitch_mm / math.pi), wheel.turn)
    else:
        outline = wheel.outline_mm(without=bent)
    field = wheel_field(np.asarray(outline), holes_of(part, wheel.turn))
    skin = metal_skin(part.finish, textures, rng, dirt=dirt, rust=rust, field=field)
    out = [
        Solid(
            name="sprocket",
            field=field,
            top_mm=0.0,
            bottom_mm=-part.thickness_mm,
            skin=skin,
            pose=pose(*at_mm),
            bevel_mm=part.bevel_mm,
            bevel_from_mm=form.pitch_radius_mm - 0.2 * form.roller_diameter_mm,
            bevel_to_mm=form.tip_radius_mm,
        )
    ]
    for i in sorted(bent):
        tooth = wheel.teeth_mm[i]
        hinge = form.seat_centre_radius_mm - form.seat_radius_mm + 0.2
        above = tooth[tooth[:, 1] > hinge] - np.array([0.0, hinge])
        if wheel.drive_flank_is == "clockwise":
            above = above[::-1]
        else:
            above = above * np.array([-1.0, 1.0])
        foot = np.linspace(above[-1], above[0], 80)[1:-1]
        loop = np.concatenate([above, foot])
        direction = wheel.centre_line(i)
        bend = math.radians(float(rng.uniform(14, 26)) * float(rng.choice([-1, 1])))
        out.append(
            Solid(
                name="bent tooth",
                field=polygon_field(loop),
                top_mm=0.0,
                bottom_mm=-part.thickness_mm,
                skin=replace(skin, field=None),
                pose=pose(
                    at_mm[0] + hinge * math.cos(direction),
                    at_mm[1] + hinge * math.sin(direction),
                    spin=direction - math.pi / 2,
                    lean=bend,
                    lean_towards=direction,
                ),
            )
        )
    return out


def _boxes(scene: Scene, textures: Textures, rng: np.random.Generator, ground: float, tip: float) -> list[Solid]:
    out: list[Solid] = []
    for _ in range(scene.clutter):
        size = (float(rng.uniform(25, 110)), float(rng.uniform(12, 60)))
        a = float(rng.uniform(0, 2 * np.pi))
        behind = -scene.part.thickness_mm - 1.5
        tall = bool(rng.random() < 0.3)
        top = float(rng.uniform(behind, 8.0)) if tall else float(rng.uniform(ground + 2, max(behind, ground + 3)))
        reach = math.hypot(*size) / 2
        far = tip + 12 + reach if top > behind else tip * 0.3
        r = far + float(rng.exponential(25))
        at = (r * math.cos(a), r * math.sin(a))
        card_reach = math.hypot(43, 27)
        if scene.card and top > scene.card_lift_mm - 3:
            dx, dy = at[0] - scene.card_at_mm[0], at[1] - scene.card_at_mm[1]
            if math.hypot(dx, dy) < reach + card_reach:
                continue
        tone = float(rng.uniform(0.02, 0.3))
        tint = rng.uniform(0.75, 1.25, 3) * tone
        box = Box(middle_mm=at, size_mm=size, turn=float(rng.uniform(0, np.pi)), corner_mm=float(rng.uniform(0.5, 5)))
        skin = Paint(
            colour=(float(tint[0]), float(tint[1]), float(tint[2])),
            tile=np.asarray(1 + 0.05 * textures.grain + 0.08 * textures.cloud, dtype=np.float32),
            shine=float(rng.uniform(0.01, 0.08)),
            width=float(rng.uniform(0.15, 0.5)),
        )
        out.append(Solid(name="box", field=box, top_mm=top, bottom_mm=ground, skin=skin, pose=pose()))
    return out


def _fittings(scene: Scene, wheel: Wheel, textures: Textures, rng: np.random.Generator) -> list[Solid]:
    part, out = scene.part, []
    steel = metal_skin(
        "zinc" if rng.random() < 0.4 else "blasted", textures, rng, dirt=scene.dirt * 0.7, rust=scene.rust
    )
    spin = float(rng.uniform(0, 1))
    if part.nut:
        flats = max(part.bore_mm * 1.22, 22.0)
        washer = Disc(middle_mm=(0, 0), radius_mm=flats * 0.68)
        out.append(Solid(name="washer", field=washer, top_mm=1.2, bottom_mm=0.0, skin=steel, pose=pose()))
        nut = Hexagon(middle_mm=(0, 0), flats_mm=flats, turn=spin)
        high = float(rng.uniform(6, 10))
        out.append(Solid(name="nut", field=nut, top_mm=high, bottom_mm=1.2, skin=steel, pose=pose()))
        shaft = Disc(middle_mm=(0, 0), radius_mm=flats * 0.3)
        end = high + float(rng.uniform(1, 3))
        out.append(Solid(name="shaft", field=shaft, top_mm=end, bottom_mm=high, skin=steel, pose=pose()))
    if scene.mounted and not part.nut:
        back = -part.thickness_mm
        wide = max(part.bore_mm / 2 + 6, part.hole_circle_mm / 2 + 10 if part.holes else 0.0)
        low = back - max(scene.ground_gap_mm - 0.5, 1.0)
        hub = Disc(middle_mm=(0, 0), radius_mm=wide, hole_mm=part.bore_mm * 0.2)
        out.append(Solid(name="hub", field=hub, top_mm=back, bottom_mm=low, skin=steel, pose=pose()))
        boss = Disc(middle_mm=(0, 0), radius_mm=part.bore_mm / 2 - 0.1, hole_mm=part.bore_mm * 0.3)
        out.append(Solid(name="boss", field=boss, top_mm=2.0, bottom_mm=back, skin=steel, pose=pose()))
        for x, y, r in holes_of(part, wheel.turn)[1:]:
            bolt = Hexagon(middle_mm=(float(x), float(y)), flats_mm=float(r) * 3.0, turn=float(rng.uniform(0, 1)))
            out.append(Solid(name="bolt", field=bolt, top_mm=5.5, bottom_mm=0.0, skin=steel, pose=pose()))
    return out


def card_solid(scene: Scene, textures: Textures) -> Solid | None:
    """Return the scale card as a thin body, or None."""
    if scene.card is None:
        return None
    face = card_face(scene.card, print_scale=scene.card_print_scale, grain=textures.grain)
    # the markers grow with the print, the sheet does not
    sheet = Box(
        middle_mm=(0, 0), size_mm=(face.width_mm, face.height_mm), corner_mm=3.0 if scene.card == "pocket" else 0
    )
    thick = 0.76 if scene.card == "pocket" else 0.12
    return Solid(
        name="card",
        field=sheet,
        top_mm=0.0,
        bottom_mm=-thick,
        skin=face,
        pose=pose(
            *scene.card_at_mm,
            scene.card_lift_mm,
            spin=math.radians(scene.card_spin_deg),
            lean=math.radians(scene.card_lean_deg),
            lean_towards=math.radians(scene.card_lean_towards_deg),
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """A scene set up: what is drawn, the camera, and the wheel whose truth is told."""

    setting: Setting
    camera: Camera
    wheel: Wheel | None
    card: Solid | None


def textures_for(ground: str, rng: np.random.Generator) -> Textures:
    """Return the tiles of one photo."""
    return Textures(
        grain=noise_tile(rng, 0.25),
        cloud=noise_tile(rng, float(rng.uniform(1.3, 2.1))),
        ground=ground_tile(ground, rng),
    )


def lamp_of(scene: Scene, rng: np.random.Generator) -> Light:
    """Lamp, sky and the windows that metal mirrors."""
    windows = []
    for _ in range(3):
        a, up = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0.35, 0.95))
        flat = math.sqrt(1 - up**2)
        windows.append(
            (flat * math.cos(a), flat * math.sin(a), up, float(rng.uniform(0.08, 0.3)), float(rng.uniform(0.3, 1.6)))
        )
    return Light(
        place_mm=scene.lamp_mm,
        radius_mm=scene.lamp_radius_mm,
        key=scene.lamp_colour,
        sky=(0.94 * scene.sky, scene.sky, 1.06 * scene.sky),
        windows=tuple(windows),
    )


def set_stage(scene: Scene, *, with_part: bool = True) -> Stage:
    """Everything of a scene, ready to be drawn.

    Parameters
    ----------
    with_part
        False leaves the sprocket (and what belongs to it) out: a photo without one.
    """
    rng = np.random.default_rng([scene.seed, 1])
    shape_rng = np.random.default_rng([scene.seed, 2])
    textures = textures_for(scene.ground, rng)
    part = scene.part
    wheel = make_wheel(part, turn=math.radians(scene.turn_deg), drive_flank_is=scene.drive_flank_is, rng=shape_rng)
    ground = -part.thickness_mm - scene.ground_gap_mm
    card = card_solid(scene, textures)
    if card is not None:
        ground = min(ground, scene.card_lift_mm - 0.8 if scene.card == "pocket" else scene.card_lift_mm - 0.12)
    solids: list[Solid] = []
    if with_part:
        solids += wheel_solids(wheel, textures, rng, dirt=scene.dirt, rust=scene.rust, at_mm=(0.0, 0.0))
        solids += _fittings(scene, wheel, textures, rng)
        if scene.chain_teeth > 0:
            pins = chain_on_wheel(wheel, scene.chain_first, scene.chain_teeth, scene.chain_strands)
            skin = metal_skin(
                "zinc" if rng.random() < 0.2 else "blasted", textures, rng, dirt=scene.dirt, rust=scene.rust
            )
            solids += chain_solids(pins, chain_name=part.chain, middle_mm=-part.thickness_mm / 2, skin=skin)
    if scene.second is not None:
        other = make_wheel(
            scene.second, turn=float(rng.uniform(0, 6)), drive_flank_is=scene.drive_flank_is, rng=shape_rng
        )
        solids += wheel_solids(other, textures, rng, dirt=scene.dirt, rust=scene.rust, at_mm=scene.second_at_mm)
    if card is not None:
        solids.append(card)
    solids += _boxes(scene, textures, rng, ground, part.form.tip_radius_mm)
    floor = Paint(
        colour=scene.ground_colour,
        tile=textures.ground,
        texel_mm=scene.ground_texel_mm,
        shine=0.015,
        turn=float(rng.uniform(0, 2 * np.pi)),
    )
    setting = Setting(
        solids=tuple(solids),
        ground_mm=ground,
        ground=floor,
        ground_tone=0.6 if (scene.card or "").startswith("mat") else float(np.mean(scene.ground_colour)),
        light=lamp_of(scene, rng),
    )
    return Stage(setting=setting, camera=scene_camera(scene), wheel=wheel if with_part else None, card=card)
