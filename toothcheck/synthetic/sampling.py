"""Scenes drawn by lot: tiers from easy to hostile, pairs of one part, wrong claims about a photo.

The ranges are this project's own guesses of what people photograph; they are not fitted to real photos.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np

from toothcheck.chains import chain
from toothcheck.geometry import Floats
from toothcheck.synthetic.part import Finish, Part, Position, Turning
from toothcheck.synthetic.scene import Colour, Scene, scene_camera
from toothcheck.synthetic.scenery import card_face
from toothcheck.synthetic.sensor import Sensor
from toothcheck.synthetic.wearing import Damage, Wear, WearKind

Tier = Literal["mat", "bench", "hand", "bike", "hostile"]
TIERS: tuple[Tier, ...] = ("mat", "bench", "hand", "bike", "hostile")
DAMAGES: tuple[Damage, ...] = ("chipped", "broken", "missing", "bent")
GROUNDS = ("concrete", "gravel", "brick", "cloth", "wood", "straw", "plain")


def random_wear(rng: np.random.Generator, teeth: int, chain_name: str, *, rough: bool = False) -> Wear:
    """Wear drawn by lot, from new to spent.

    Parameters
    ----------
    rough
        Also draw damaged teeth, alternating and once-per-turn wear.
    """
    unit = chain(chain_name).roller_diameter_mm / 10.16
    new = rng.random() < 0.2
    depth = 0.0 if new else float(np.exp(rng.uniform(math.log(0.08), math.log(1.7)))) * unit
    kind: WearKind = "climb" if rng.random() < 0.5 else "grit"
    wear = Wear(
        kind=kind,
        depth_mm=depth,
        coast_depth_mm=0.0 if new else depth * float(rng.choice([0.0, rng.uniform(0, 0.12), rng.uniform(0.1, 0.4)])),
        climb=float(rng.uniform(0.05, 0.95)),
        scatter=float(rng.uniform(0.02, 0.15)),
        tip_loss_mm=0.0 if new else float(rng.uniform(0, 0.35) * unit * min(1.0, depth)),
    )
    if kind == "climb" and depth > 0.7 * unit and rng.random() < 0.6:  # a proper hook
        wear = replace(wear, climb=float(rng.uniform(0.02, 0.3)), lean_mm=float(rng.uniform(0.3, 0.8)) * depth)
    if not rough or new:
        return wear
    if rng.random() < 0.2:
        wear = replace(wear, eccentric=float(rng.uniform(0.1, 0.45)), eccentric_at=float(rng.uniform(0, 2 * np.pi)))
    if teeth % 2 == 0 and rng.random() < 0.25:
        wear = replace(wear, alternate=float(rng.uniform(0.1, 0.5)))
    if rng.random() < 0.12:
        wear = replace(wear, damage=((int(rng.integers(teeth)), DAMAGES[int(rng.integers(4))]),))
    return wear


def random_part(
    rng: np.random.Generator, *, rough: bool = False, position: Position | None = None, small: bool = False
) -> Part:
    """Return a part drawn by lot.

    Parameters
    ----------
    small
        Only such as fit on a mat.
    """
    name = str(rng.choice(["520", "525", "530", "428"], p=[0.35, 0.2, 0.2, 0.25]))
    if position is None:
        position = "rear" if rng.random() < 0.35 else "front"
    if position == "front":
        teeth = int(rng.integers(13, 18))
    elif small:
        name, teeth = "428", int(rng.integers(32, 40))
    else:
        teeth = int(rng.integers(36, 47))
    size = chain(name)
    root = size.pitch_mm / math.sin(math.pi / teeth) / 2 - size.roller_diameter_mm / 2
    thick = 0.93 * size.inner_width_mm * float(rng.uniform(0.975, 1.01))
    finish: Finish = rng.choice(["ground", "turned", "blasted", "blackened", "zinc"])
    part = Part(
        chain=name,
        teeth=teeth,
        position=position,
        blend=float(rng.beta(1.6, 1.6)),
        tip_blend=float(rng.uniform(0.1, 0.9)),
        thickness_mm=round(thick, 2),
        bevel_mm=float(rng.uniform(0.1, 0.4)) if rough and rng.random() < 0.3 else 0.0,
        wear=random_wear(rng, teeth, name, rough=rough),
        finish=finish,
    )
    if position == "front":
        bore = float(rng.uniform(17, min(28, 1.1 * root)))
        return replace(part, bore_mm=bore, nut=bool(rng.random() < 0.35))
    bore = float(rng.choice([58.0, 64.0, 76.0, 84.0])) if root > 66 else float(rng.uniform(44, 56))
    circle = bore + float(rng.uniform(24, 36))
    circle = min(circle, 2 * root - 22)
    return replace(
        part,
        bore_mm=min(bore, circle - 18),
        holes=int(rng.choice([4, 5, 6])),
        hole_circle_mm=round(circle, 1),
        hole_mm=float(rng.choice([8.5, 10.5])),
    )


def _colour(rng: np.random.Generator, low: float, high: float) -> Colour:
    tone = float(np.exp(rng.uniform(math.log(low), math.log(high))))
    tint = 1 + rng.uniform(-0.22, 0.22, 3)
    return (tone * float(tint[0]), tone * float(tint[1]), tone * float(tint[2]))


def card_points(scene: Scene) -> Floats:
    """Return the card's corners in the world, (4, 3), leaving its lean aside."""
    assert scene.card is not None
    face = card_face(scene.card)
    a = math.radians(scene.card_spin_deg)
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [face.width_mm / 2, face.height_mm / 2]
    c, s = math.cos(a), math.sin(a)
    flat = half @ np.array([[c, s], [-s, c]]) + scene.card_at_mm
    return np.column_stack([flat, np.full(4, scene.card_lift_mm)])


def framed(scene: Scene, *, fill: float, cut_card: bool = False) -> Scene:
    """Return the scene with the camera at such a distance that sprocket and card fill a share of the frame.

    Parameters
    ----------
    fill
        1 just touches the frame.
    cut_card
        Only the sprocket must fit.
    """
    a = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    r = scene.part.form.tip_radius_mm
    ring = np.column_stack([r * np.cos(a), r * np.sin(a), np.full(36, -scene.part.thickness_mm / 2)])
    points = ring if scene.card is None or cut_card else np.concatenate([ring, card_points(scene)])
    if scene.second is not None:
        r2, (x2, y2) = scene.second.form.tip_radius_mm, scene.second_at_mm
        points = np.concatenate([points, ring * (r2 / r) + np.array([x2, y2, 0.0])])
    if not cut_card:
        low, high = points.min(axis=0), points.max(axis=0)
        scene = replace(scene, look_at_mm=(float(low[0] + high[0]) / 2, float(low[1] + high[1]) / 2))
    w, h = scene.size_px
    distance = scene.distance_mm
    for _ in range(12):
        scene = replace(scene, distance_mm=distance)
        px = np.abs(scene_camera(scene).project(points) - [(w - 1) / 2, (h - 1) / 2]) / [w / 2, h / 2]
        distance *= float(px.max()) / fill
    return replace(scene, distance_mm=float(np.clip(distance, 140.0, 1500.0)))


def whole_markers(scene: Scene) -> int:
    """How many markers of the card stand wholly in the frame (bodies that cover them left aside)."""
    if scene.card is None:
        return 0
    face, camera = card_face(scene.card), scene_camera(scene)
    a = math.radians(scene.card_spin_deg)
    turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    count = 0
    for marker in face.markers:
        flat = face.corners_mm(marker) @ turn + scene.card_at_mm
        px = camera.project(np.column_stack([flat, np.full(4, scene.card_lift_mm)]))
        count += bool(np.all((px > 4) & (px < [camera.width_px - 5, camera.height_px - 5])))
    return count


def _with_markers(scene: Scene, fewest: int) -> Scene:
    """Return the scene from so far that at least some markers stand wholly in the frame."""
    while whole_markers(scene) < fewest and scene.distance_mm < 1500:
        scene = replace(scene, distance_mm=scene.distance_mm * 1.06)
    return scene


def _beside(rng: np.random.Generator, scene: Scene) -> Scene:
    """Put the pocket card somewhere beside the sprocket."""
    face = card_face("pocket")
    a, spin = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0, 2 * np.pi))
    if scene.chain_teeth:  # on the free side, or the strands would cover it
        middle = math.radians(scene.turn_deg) + 2 * np.pi / scene.part.teeth * (
            scene.chain_first + (scene.chain_teeth - 1) / 2
        )
        # at a small wheel the strands leave no room between them: beyond the chain, then
        small = scene.part.position == "front"
        a = middle + (0.0 if small else math.pi) + float(rng.uniform(-0.35, 0.35))
    half = abs(math.cos(a - spin)) * face.width_mm / 2 + abs(math.sin(a - spin)) * face.height_mm / 2
    r = scene.part.form.tip_radius_mm + half + float(rng.uniform(3, 14))
    if scene.chain_teeth and scene.part.position == "front":
        r += 9.0
    return replace(
        scene, card="pocket", card_at_mm=(r * math.cos(a), r * math.sin(a)), card_spin_deg=math.degrees(spin)
    )


def _level(rng: np.random.Generator, scene: Scene) -> Scene:
    """Turn the camera about its axis so that the longer way lies along the photo, more or less."""
    x, y = scene.card_at_mm
    along = math.degrees(math.atan2(y, x)) if scene.card == "pocket" else 0.0
    return replace(scene, roll_deg=along + float(rng.choice([0, 180])) + float(rng.uniform(-28, 28)))


def random_scene(
    rng: np.random.Generator,
    tier: Tier,
    *,
    size_px: tuple[int, int] = (2016, 1512),
    position: Position | None = None,
    part: Part | None = None,
) -> Scene:
    """Return a scene drawn by lot.

    Parameters
    ----------
    tier
        ``mat`` lying on a printed mat, ``bench`` beside the pocket card and nearly square on, ``hand`` freely held and
        dirty with the card a little out of plane, ``bike`` mounted with the chain on, ``hostile`` hardly to be read.
    position, part
        To be kept to; drawn by lot when not given.
    """
    if tier not in TIERS:
        raise ValueError(f"tier must be one of {', '.join(TIERS)}, not {tier!r}")
    rough = tier in ("hand", "bike", "hostile")
    if part is None:
        part = random_part(rng, rough=rough, position=position, small=tier == "mat")
    turning: Turning = "clockwise" if rng.random() < 0.5 else "counterclockwise"
    lamp_a, lamp_up = float(rng.uniform(0, 2 * np.pi)), math.radians(float(rng.uniform(28, 75)))
    away = float(rng.uniform(450, 1600))
    warm = float(rng.uniform(-0.12, 0.12))
    scene = Scene(
        part=part,
        turning=turning,
        turn_deg=float(rng.uniform(0, 360)),
        seed=int(rng.integers(2**31)),
        tier=tier,
        size_px=size_px,
        focal_35mm=int(rng.choice([24, 26, 28, 35, 50], p=[0.25, 0.25, 0.2, 0.1, 0.2])),
        # focusing on something near lengthens the principal distance, and the EXIF is rounded
        focal_share=float(1.008 + 0.008 * rng.standard_normal()),
        k1=float(rng.uniform(-0.008, 0.012)),
        azimuth_deg=float(rng.uniform(0, 360)),
        ground=str(rng.choice(GROUNDS)),
        ground_colour=_colour(rng, 0.05, 0.45),
        ground_texel_mm=float(rng.uniform(0.12, 0.4)),
        lamp_mm=(
            away * math.cos(lamp_up) * math.cos(lamp_a),
            away * math.cos(lamp_up) * math.sin(lamp_a),
            away * math.sin(lamp_up),
        ),
        lamp_radius_mm=away * float(np.exp(rng.uniform(math.log(0.03), math.log(0.35)))),
        lamp_colour=(1 + warm, 1.0, 1 - warm),
        sky=float(np.exp(rng.uniform(math.log(0.25), math.log(1.4)))),
        dirt=float(rng.uniform(0, 0.22)),
        rust=float(rng.choice([0.0, rng.uniform(0, 0.5)])) if part.finish != "zinc" else 0.0,
        sensor=Sensor(
            blur_px=float(rng.uniform(0.6, 0.8)) * size_px[0] / 2016,
            noise=float(rng.uniform(0.002, 0.007)),
            exposure_ev=float(rng.uniform(-0.4, 0.35)),
            vignetting=float(rng.uniform(0, 0.25)),
            white=(1 + float(rng.uniform(-0.08, 0.08)), 1.0, 1 + float(rng.uniform(-0.08, 0.08))),
            sharpen=float(rng.choice([0.0, rng.uniform(0.1, 0.5)])),
            jpeg_quality=int(rng.integers(86, 96)),
        ),
    )
    if tier == "mat":
        return _on_a_mat(rng, scene)
    if tier == "bench":
        scene = _level(rng, _beside(rng, replace(scene, tilt_deg=float(rng.uniform(0, 10)))))
        return framed(scene, fill=float(rng.uniform(0.72, 0.9)))
    scene = _held(rng, scene)
    if tier == "hand":
        scene = _level(rng, _beside(rng, replace(scene, clutter=int(rng.integers(0, 4)))))
        return framed(scene, fill=float(rng.uniform(0.75, 0.93)))
    return _mounted(rng, scene) if tier == "bike" else _hardly_to_be_read(rng, scene)


def _on_a_mat(rng: np.random.Generator, scene: Scene) -> Scene:
    """Return the scene with the part on a printed mat that lies under it."""
    part, thick = scene.part, scene.part.thickness_mm
    kinds = ["mat-a3"] if part.position == "rear" else ["mat-a4", "mat-letter"]
    kind = str(rng.choice(kinds))
    scene = replace(
        scene,
        part=replace(part, nut=part.nut and bool(rng.random() < 0.3)),
        card=kind,
        card_at_mm=(float(rng.uniform(-22, 22)), float(rng.uniform(-10, 10))),
        card_spin_deg=0.0,
        card_lift_mm=-thick,
        card_lift_told_mm=-thick,
        tilt_deg=float(rng.uniform(0, 10)),
        roll_deg=float(rng.choice([0, 180])) + float(rng.uniform(-35, 35)),
        look_at_mm=(float(rng.uniform(-18, 18)), float(rng.uniform(-12, 12))),
    )
    fill = float(rng.uniform(0.42, 0.55) if part.position == "front" else rng.uniform(0.62, 0.7))
    return _with_markers(framed(scene, fill=fill, cut_card=True), 5)


def _held(rng: np.random.Generator, scene: Scene) -> Scene:
    """Return the scene as it is away from a bench: dirty, held freely, the card a little out of plane."""
    thick, scale = scene.part.thickness_mm, scene.size_px[0] / 2016
    soft = float(rng.uniform(0.7, 1.35)) * scale
    told = float(rng.choice([0.0, -thick, rng.uniform(-2, 3)]))
    return replace(
        scene,
        dirt=float(rng.uniform(0.08, 0.42)),
        tilt_deg=float(rng.uniform(3, 26)),
        card_lift_told_mm=round(told, 2),
        card_lift_mm=told + float(rng.normal(0, 0.3)),
        card_lean_deg=abs(float(rng.normal(0, 0.5))),
        card_lean_towards_deg=float(rng.uniform(0, 360)),
        k1=float(rng.uniform(-0.03, 0.03)),
        sensor=replace(scene.sensor, blur_px=soft, noise=float(rng.uniform(0.003, 0.010))),
    )


def _mounted(rng: np.random.Generator, scene: Scene) -> Scene:
    """Return the scene with the part on the machine and its chain on."""
    part, scale = scene.part, scene.size_px[0] / 2016
    told = float(rng.uniform(-4, 5))
    z = part.teeth
    covered = int(rng.integers(z // 2 - 1, z // 2 + 1)) if part.position == "rear" else int(rng.integers(5, z // 2))
    scene = replace(
        scene,
        part=replace(part, nut=part.position == "front"),
        mounted=True,
        ground_gap_mm=float(rng.uniform(6, 30)),
        chain_first=int(rng.integers(z)),
        chain_teeth=covered,
        chain_strands=int(rng.choice([0, 7, 11])),
        clutter=int(rng.integers(3, 8)),
        dirt=float(rng.uniform(0.2, 0.6)),
        tilt_deg=float(rng.uniform(5, 29)),
        card_lift_told_mm=round(told, 2),
        card_lift_mm=told + float(rng.normal(0, 0.35)),
        sensor=replace(scene.sensor, motion_px=float(rng.choice([0.0, rng.uniform(0.5, 2.0)])) * scale),
    )
    scene = replace(scene, sensor=replace(scene.sensor, motion_deg=float(rng.uniform(0, 180))))
    scene = _level(rng, _beside(rng, scene))
    return framed(scene, fill=float(rng.uniform(0.75, 0.95)))


def _hardly_to_be_read(rng: np.random.Generator, scene: Scene) -> Scene:
    """Return the scene with one thing badly wrong about it, or without a card."""
    scale = scene.size_px[0] / 2016
    scene = _level(rng, _beside(rng, replace(scene, clutter=int(rng.integers(0, 5)))))
    scene = framed(scene, fill=float(rng.uniform(0.7, 0.9)))
    what = str(rng.choice(["far", "blurred", "shaken", "dark", "bright", "steep", "no card"]))
    s = scene.sensor
    if what == "far":
        scene = replace(framed(scene, fill=float(rng.uniform(0.12, 0.22))), tilt_deg=float(rng.uniform(10, 40)))
    elif what == "blurred":
        scene = replace(scene, sensor=replace(s, defocus_px=float(rng.uniform(5, 12)) * scale))
    elif what == "shaken":
        scene = replace(
            scene,
            sensor=replace(s, motion_px=float(rng.uniform(10, 30)) * scale, motion_deg=float(rng.uniform(0, 180))),
        )
    elif what == "dark":
        scene = replace(scene, sensor=replace(s, exposure_ev=float(rng.uniform(-5.5, -3.5)), noise=0.012))
    elif what == "bright":
        scene = replace(scene, sensor=replace(s, exposure_ev=float(rng.uniform(1.6, 2.8))))
    elif what == "steep":
        scene = framed(replace(scene, tilt_deg=float(rng.uniform(46, 62))), fill=0.85)
    else:
        scene = replace(scene, card=None, card_lift_told_mm=0.0, tilt_deg=float(rng.uniform(12, 35)))
    return scene
