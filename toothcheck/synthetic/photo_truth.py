"""A finished photo and the truth beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from toothcheck.chains import chain
from toothcheck.geometry import Floats
from toothcheck.synthetic.camera import Camera
from toothcheck.synthetic.part import Turning, Wheel
from toothcheck.synthetic.render import render
from toothcheck.synthetic.scene import Scene, Stage, set_stage
from toothcheck.synthetic.sensor import Picture, develop
from toothcheck.synthetic.tracing import first_hits
from toothcheck.synthetic.truth import Truth, grade, tooth_truth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadePhoto:
    """A picture (height, width, 3; red first) and its truth, as it stands in NAME.json."""

    picture: Picture
    truth: dict[str, Any]
    focal_35mm: int


def rim_points(wheel: Wheel, tooth: int, z: float, *, step: int = 6) -> Floats:
    """Points of a tooth's rim in the world, from the seat's end to the tip and down, (n, 3)."""
    points = wheel.teeth_mm[tooth]
    r = np.hypot(*points.T)
    upper = points[r > wheel.form.junction_radius_mm - 0.1 * wheel.form.roller_diameter_mm][::step]
    if len(upper) < 3:
        upper = points[np.argsort(r)[-20:]]
    placed = wheel.placed(tooth, upper)
    return np.column_stack([placed, np.full(len(placed), z)])


def shares_seen(stage: Stage) -> list[float]:
    """Return the share of each tooth's rim that nothing covers; 0 for a tooth that leaves the frame."""
    wheel, camera = stage.wheel, stage.camera
    if wheel is None:
        return []
    others = replace(
        stage.setting, solids=tuple(s for s in stage.setting.solids if s.name not in ("sprocket", "bent tooth"))
    )
    out = []
    for i in range(wheel.part.teeth):
        points = rim_points(wheel, i, 0.0)
        px = camera.project(points)
        framed = np.all((px > 1) & (px < [camera.width_px - 2, camera.height_px - 2]), axis=1)
        hits = first_hits(others, camera, px, camera.rays(px).astype(np.float32))
        depth = (points - camera.place_mm) @ camera.camera_from_world.T
        free = (hits.body < 0) | (hits.depth > depth[:, 2] - 0.02)
        out.append(float(np.mean(free)) if framed.all() else 0.0)
    return out


_OTHER: dict[Turning, Turning] = {"clockwise": "counterclockwise", "counterclockwise": "clockwise"}


def _px(camera: Camera, points: Floats, mirror: bool) -> list[Any]:
    px = camera.project(points)
    if mirror:
        px = np.stack([camera.width_px - 1 - px[..., 0], px[..., 1]], axis=-1)
    rounded: list[Any] = np.round(px, 3).tolist()
    return rounded


def truth_of(scene: Scene, stage: Stage) -> dict[str, Any]:
    """Return the truth of a scene with the field names of the shared photos, and a few more.

    ``visible`` are the whole teeth of which at least nine tenths of the rim can be seen, in the frame.  More:
    ``damaged`` (tooth: what) and ``damaged_seen``, ``true_grade`` (by the bands; ``replace-now`` where a damaged tooth
    can be seen), ``true_asymmetry_percent``, ``focal_px``, ``card_print_scale``, ``mirrored``, ``bore``, ``splines``,
    ``spline_major``, ``holes``, ``hole_circle``, ``turning`` (as the photo shows it, for ``inspect --turning``).
    """
    part, camera, wheel = scene.part, stage.camera, stage.wheel
    size, form = chain(part.chain), part.form
    middle = -part.thickness_mm / 2
    side, turning = scene.drive_flank_is, scene.turning
    order = list(range(part.teeth))
    if scene.mirror:  # counted counterclockwise in the mirrored photo
        order = [(-i) % part.teeth for i in order]
        side, turning = _OTHER[side], _OTHER[turning]
    whole = wheel is not None and not part.spur_gear
    truths: list[Truth] = [tooth_truth(t, form) for t in wheel.teeth_mm] if wheel is not None and whole else []
    damage = wheel.damage if wheel is not None else {}
    shares = shares_seen(stage) if whole else []
    seen = [i for i, share in enumerate(shares) if share >= 0.9 and i not in damage]
    hurt = [i for i in damage if shares and shares[i] >= 0.5]  # a stump under the chain is nobody's fault
    name, asymmetry = grade([truths[i] for i in seen] or truths, bool(hurt)) if truths else ("cannot-tell", math.nan)
    centre = np.array([0.0, 0.0, middle])
    depth = float(((centre - camera.place_mm) @ camera.camera_from_world.T)[2])
    tips = np.array([[*wheel.tip_mm(i), middle] for i in order]) if wheel is not None and whole else np.zeros((0, 3))
    return {
        "tier": scene.tier,
        "card": scene.card or "pocket",
        "card_present": scene.card is not None,
        "chain": part.chain,
        "pitch": size.pitch_mm,
        "roller": size.roller_diameter_mm,
        "teeth": part.teeth,
        "position": part.position,
        "turning": turning,
        "thickness": part.thickness_mm,
        "drive_flank_is": side,
        "turn": scene.turn_deg % 360 if not scene.mirror else (180 - scene.turn_deg) % 360,
        "visible": sorted(order.index(i) for i in seen),
        "tip_px": _px(camera, tips, scene.mirror) if len(tips) else [],
        "centre_px": _px(camera, centre, scene.mirror),
        "teeth_truth": [{k: v if v is None else round(v, 6) for k, v in truths[i].items()} for i in order]
        if truths
        else [],
        "seat_blend": part.blend,
        "tip_blend": part.tip_blend,
        "card_lift_told": scene.card_lift_told_mm,
        "card_lift_true": scene.card_lift_mm,
        "tilt": scene.tilt_deg,
        "distance": float(np.linalg.norm(camera.place_mm)),
        "f35": scene.focal_35mm,
        "focal_px": scene.focal_px,
        "k1": scene.k1,
        "mm_per_px": depth / scene.focal_px,
        "blur": math.hypot(scene.sensor.blur_px, scene.sensor.defocus_px / 2, scene.sensor.motion_px / math.sqrt(12)),
        "grime": scene.dirt,
        "level": part.wear.depth_mm,
        "family": part.wear.kind if part.wear.depth_mm > 0 else "none",
        "damaged": {str(order.index(i)): what for i, what in sorted(damage.items())},
        "damaged_seen": sorted(order.index(i) for i in hurt),
        "true_grade": name,
        "true_asymmetry_percent": None if math.isnan(asymmetry) else round(asymmetry, 3),
        "card_print_scale": scene.card_print_scale,
        "mirrored": scene.mirror,
        "bore": part.bore_mm,
        "splines": part.splines,
        "spline_major": part.spline_major_mm if part.splines else None,
        "holes": part.holes,
        "hole_circle": part.hole_circle_mm if part.holes else None,
        "invented": "computer-made picture of an invented part",
    }


def make_photo(scene: Scene, *, with_part: bool = True) -> MadePhoto:
    """Draw a scene and tell the truth about it; the same scene gives the same picture.

    Parameters
    ----------
    scene
        What to draw.
    with_part
        False draws everything but the sprocket.
    """
    stage = set_stage(scene, with_part=with_part)
    light = render(stage.setting, stage.camera, np.random.default_rng([scene.seed, 3]))
    picture = develop(light, scene.sensor, np.random.default_rng([scene.seed, 4]))
    if scene.mirror:
        picture = np.ascontiguousarray(picture[:, ::-1])
    return MadePhoto(picture=picture, truth=truth_of(scene, stage), focal_35mm=scene.focal_35mm)
