"""A made-up run of chain beside the pocket card, in true perspective, with exact pin places.

Bodies are slices with straight side walls, seen by casting a ray for each pixel; pixels on a border get 6 × 6 rays.
Neglected: cast shadows (a soft darkening beside the chain stands in for them), rounded plate edges, inter-reflection.
World: z = 0 is the plane of the pin ends, z towards the camera, the run along the world's x before it is turned.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.chains import chain
from toothcheck.geometry import Floats, readonly
from toothcheck.synthetic.camera import Camera, place_camera
from toothcheck.synthetic.scenery import CardFace, at_tile, card_face, noise_tile, pose

_RAYS = 6
_GROUND, _PAPER, _INK, _PIN, _PIN_WALL, _DIMPLE, _OUTER, _OUTER_WALL, _INNER, _INNER_WALL, _ROLLER = range(11)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainRun:
    """What is drawn; lengths mm, angles degrees."""

    size: str = "520"
    pitches: int = 14
    elongation_percent: float = 0.5
    play_share: float = 0.8
    """Share of the elongation that sits at every second link, as pin and bush wear does."""
    scatter_mm: float = 0.01
    """Standard deviation of each link's length."""
    uneven: tuple[tuple[int, float], ...] = ()
    """(link, mm longer)."""
    kink: tuple[tuple[int, float], ...] = ()
    """(pin, degrees): joints that do not straighten."""
    sag_mm: float = 0.5
    pin_mm: float = 5.2
    pin_stands_out_mm: float = 0.5
    plate_mm: float = 2.0
    turn_deg: float = 0.0
    pin_tone: float = 0.45
    plate_tone: float = 0.30
    dirt: float = 0.1

    def pins_mm(self, rng: np.random.Generator) -> Floats:
        """Places of the pins (pitches + 1, 2) in the world, the run's middle at the origin."""
        p = chain(self.size).pitch_mm
        i = np.arange(self.pitches)
        # a row that starts with an outer link: the odd ones are inner links and hold the play
        inner = i % 2 == 1
        share = self.play_share * self.pitches / max(1, inner.sum())
        lengths = p * (1 + self.elongation_percent / 100 * ((1 - self.play_share) + share * inner))
        lengths = lengths + self.scatter_mm * rng.standard_normal(self.pitches)
        for link, more in self.uneven:
            lengths[link] += more
        middle = (i + 0.5) / self.pitches - 0.5
        heading = 8 * self.sag_mm / lengths.sum() * middle
        for pin, angle in self.kink:
            heading[pin:] += math.radians(angle)
        steps = lengths[:, None] * np.stack([np.cos(heading), np.sin(heading)], axis=1)
        pins = np.concatenate([[[0.0, 0.0]], np.cumsum(steps, axis=0)])
        pins = pins - (pins[0] + pins[-1]) / 2
        a = math.radians(self.turn_deg)
        return np.asarray(pins @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]]))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainShot:
    """How it is photographed; lengths mm, angles degrees."""

    width_px: int = 2400
    height_px: int = 1350
    focal_35mm: float = 52.0
    view_mm: float = 320.0
    """Width of the plane in the picture: sets the distance."""
    tilt_deg: float = 5.0
    azimuth_deg: float = 40.0
    roll_deg: float = 3.0
    k1: float = 0.01
    card_height_mm: float = 0.0
    """True height of the card's print over the pin ends."""
    card_lean_deg: float = 0.0
    card_x_mm: float = 0.0
    card_spin_deg: float = 4.0
    print_scale: float = 1.0
    blur_px: float = 0.8
    noise: float = 1.5
    """Standard deviation in grey values."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChainPhoto:
    """A made photo and its truth."""

    grey: NDArray[np.uint8]
    pins_mm: Floats
    pins_px: Floats
    """Where the middles of the pin ends stand in the photo."""
    elongation_percent: float
    """True, along the links: the mean of the two kinds' means, as a long chain has as many of one as of the other.

    End to end an odd number of pitches would lean to the kind at its ends, by up to 0.1 %.
    """


class _Scene:
    def __init__(self, run: ChainRun, shot: ChainShot, pins: Floats, card: CardFace, rng: np.random.Generator) -> None:
        self.run, self.card, self.pins = run, card, pins
        size = chain(run.size)
        self.p, self.d1, self.b1 = size.pitch_mm, size.roller_diameter_mm, size.inner_width_mm
        self.end = 0.46 * self.p  # radius of the plates' round ends
        self.waist = 0.36 * self.p
        a = math.radians(run.turn_deg)
        self.along = np.array([math.cos(a), math.sin(a)])
        self.places = pins @ self.along
        across = np.array([-self.along[1], self.along[0]])
        off = self.end + 6 + 27  # the card's middle beside the run
        middle = self.along * shot.card_x_mm - across * off
        self.card_pose = pose(
            float(middle[0]),
            float(middle[1]),
            shot.card_height_mm,
            spin=a + math.radians(shot.card_spin_deg),
            lean=math.radians(shot.card_lean_deg),
            lean_towards=float(rng.uniform(0, 2 * math.pi)),
        )
        self.grain, self.cloud = noise_tile(rng, 0.4, size=512), noise_tile(rng, 1.6, size=512)
        self.slope = rng.normal(0, 0.0008, 2)  # light that falls off to one side
        self.lamp = rng.normal(0, 1, 2)
        self.ground_tone = float(rng.uniform(0.12, 0.5))

    def near_pins(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Distance to the nearest pin, and which."""
        u = x * self.along[0] + y * self.along[1]
        i = np.clip(np.searchsorted((self.places[1:] + self.places[:-1]) / 2, u), 0, len(self.pins) - 1)
        return np.hypot(x - self.pins[i, 0], y - self.pins[i, 1]), i

    def in_plate(self, x: Floats, y: Floats, parity: int) -> NDArray[np.bool_]:
        """Whether points lie on a plate of that kind (0 outer: links 0, 2, …; 1 inner)."""
        _, near = self.near_pins(x, y)
        inside = np.zeros(len(x), bool)
        # the link of this parity that ends at the nearest pin
        link = np.where(near % 2 == parity, near, near - 1).astype(int)
        ok = (link >= 0) & (link < len(self.pins) - 1)
        link = np.clip(link, 0, len(self.pins) - 2)
        a, b = self.pins[link], self.pins[link + 1]
        d = b - a
        length = np.hypot(d[:, 0], d[:, 1])
        s = ((x - a[:, 0]) * d[:, 0] + (y - a[:, 1]) * d[:, 1]) / length
        t = np.abs((x - a[:, 0]) * d[:, 1] - (y - a[:, 1]) * d[:, 0]) / length
        half = 2 * s / length - 1
        body = (np.abs(half) < 1) & (t < self.waist + (self.end - self.waist) * half**2)
        ends = np.minimum(np.hypot(s, t), np.hypot(s - length, t)) < self.end
        inside[ok] = (body | ends)[ok]
        return inside

    def shade(self, origin: Floats, rays: Floats) -> tuple[NDArray[np.int8], NDArray[np.float32]]:
        """What each ray meets and its light, 0…1."""
        n = len(rays)
        kind = np.full(n, _GROUND, np.int8)
        light = np.zeros(n, np.float32)
        run = self.run
        top = -run.pin_stands_out_mm
        layers = [
            (0.0, top, "pin"),
            (top, top - run.plate_mm, "outer"),
            (top - run.plate_mm, top - 2 * run.plate_mm, "inner"),
            (top - 2 * run.plate_mm, top - 2 * run.plate_mm - self.b1, "roller"),
        ]
        open_ = np.ones(n, bool)

        def at(z: float, which: NDArray[np.bool_]) -> tuple[Floats, Floats]:
            reach = (z - origin[2]) / rays[which, 2]
            return origin[0] + reach * rays[which, 0], origin[1] + reach * rays[which, 1]

        # the card: a plane of its own
        normal = self.card_pose.turn[:, 2]
        reach = ((self.card_pose.place_mm - origin) @ normal) / (rays @ normal)
        spot = (origin + reach[:, None] * rays - self.card_pose.place_mm) @ self.card_pose.turn
        cx, cy = spot[:, 0].astype(np.float32), spot[:, 1].astype(np.float32)
        s = self.card.print_scale
        on = (np.abs(cx) < self.card.width_mm * s / 2) & (np.abs(cy) < self.card.height_mm * s / 2)
        inked = np.zeros(n, bool)
        inked[on] = self.card.inked(cx[on], cy[on])
        kind[on], light[on] = _PAPER, 0.78
        kind[inked], light[inked] = _INK, 0.045
        open_ &= ~on

        x0, y0 = at(-4.0, np.ones(n, bool))
        across = np.abs(-x0 * self.along[1] + y0 * self.along[0])
        along = x0 * self.along[0] + y0 * self.along[1]
        strip = across < self.end + run.sag_mm + 6
        strip &= (along > self.places[0] - self.end - 6) & (along < self.places[-1] + self.end + 6)

        def inside(what: str, x: Floats, y: Floats) -> NDArray[np.bool_]:
            if what == "pin":
                return np.asarray(self.near_pins(x, y)[0] < run.pin_mm / 2)
            if what == "roller":
                return np.asarray(self.near_pins(x, y)[0] < self.d1 / 2)
            return self.in_plate(x, y, 0 if what == "outer" else 1)

        for z_top, z_low, what in layers:
            todo = open_ & strip
            if not todo.any():
                break
            for k, z in enumerate(np.linspace(z_top, z_low, 4)):
                todo = open_ & strip
                x, y = at(float(z), todo)
                hit = inside(what, x, y)
                who = np.flatnonzero(todo)[hit]
                x, y = x[hit], y[hit]
                u, v = (x * 9).astype(np.float32), (y * 9).astype(np.float32)
                tone = 1 + 0.07 * at_tile(self.grain, u, v) + 0.10 * at_tile(self.cloud, u * 0.3, v * 0.3)
                dirt = np.clip(2 * (at_tile(self.cloud, v * 0.7 + 99, u * 0.7) - 1.5 + 1.2 * run.dirt), 0, 1)
                if what == "pin":
                    r = self.near_pins(x, y)[0]
                    dimple = r < 0.22 * run.pin_mm
                    kind[who] = _PIN_WALL if k else np.where(dimple, _DIMPLE, _PIN)
                    base = run.pin_tone * (0.5 if k else np.where(dimple, 0.7, 1.0))
                elif what == "roller":
                    kind[who] = _ROLLER
                    base = run.plate_tone * 0.6
                else:
                    first = _OUTER if what == "outer" else _INNER
                    kind[who] = first + (1 if k else 0)
                    base = run.plate_tone * (0.55 if k else 1.0) * (1.0 if what == "outer" else 0.8)
                light[who] = base * tone * (1 - 0.75 * dirt * (run.dirt > 0))
                open_[who] = False
        x, y = at(-14.0, open_)
        who = np.flatnonzero(open_)
        u, v = (x * 4).astype(np.float32), (y * 4).astype(np.float32)
        ground = self.ground_tone * (1 + 0.18 * at_tile(self.cloud, u, v) + 0.10 * at_tile(self.grain, v, u))
        gap = np.clip((np.abs(-x * self.along[1] + y * self.along[0]) - self.end) / 8, 0, 1)
        light[who] = ground * (0.6 + 0.4 * gap)
        fall = 1 + self.slope[0] * x0 + self.slope[1] * y0
        return kind, (light * np.clip(fall, 0.4, 1.6)).astype(np.float32)


def camera_of(run: ChainRun, shot: ChainShot) -> Camera:
    """The camera of a shot: looks between run and card."""
    a = math.radians(run.turn_deg)
    focal = shot.focal_35mm / 36 * max(shot.width_px, shot.height_px)
    return place_camera(
        size_px=(shot.width_px, shot.height_px),
        focal_px=focal,
        k1=shot.k1,
        look_at_mm=(24 * math.sin(a), -24 * math.cos(a), 0.0),
        distance_mm=shot.focal_35mm / 36 * shot.view_mm,
        tilt_deg=shot.tilt_deg,
        azimuth_deg=shot.azimuth_deg,
        roll_deg=shot.roll_deg,
    )


def draw(run: ChainRun, shot: ChainShot, rng: np.random.Generator) -> ChainPhoto:
    """Make the photo."""
    pins = run.pins_mm(rng)
    camera = camera_of(run, shot)
    scene = _Scene(run, shot, pins, card_face("pocket", print_scale=shot.print_scale), rng)
    h, w = shot.height_px, shot.width_px

    def cast(px: Floats) -> tuple[NDArray[np.int8], NDArray[np.float32]]:
        return scene.shade(np.asarray(camera.place_mm), camera.rays(px))

    kind = np.empty((h, w), np.int8)
    light = np.empty((h, w), np.float32)
    xx = np.arange(w, dtype=float)
    rows = 150
    for top in range(0, h, rows):
        yy = np.arange(top, min(h, top + rows), dtype=float)
        grid = np.stack(np.meshgrid(xx, yy), axis=-1)
        k, li = cast(grid.reshape(-1, 2))
        kind[top : top + rows] = k.reshape(len(yy), w)
        light[top : top + rows] = li.reshape(len(yy), w)
    # a pixel whose neighbour meets something else is cut by a border
    wide = cv2.dilate(kind.astype(np.uint8), np.ones((3, 3), np.uint8)) != cv2.erode(
        kind.astype(np.uint8), np.ones((3, 3), np.uint8)
    )
    iy, ix = np.nonzero(wide)
    offsets = (np.arange(_RAYS) + 0.5) / _RAYS - 0.5
    total = np.zeros(len(ix), np.float32)
    for dy in offsets:
        for dx in offsets:
            total += cast(np.stack([ix + dx, iy + dy], axis=-1).astype(float))[1]
    light[iy, ix] = total / _RAYS**2
    soft = cv2.GaussianBlur(light, (0, 0), shot.blur_px)
    coded = np.where(soft <= 0.0031308, 12.92 * soft, 1.055 * np.maximum(soft, 1e-6) ** (1 / 2.4) - 0.055)
    noisy = 255 * coded + shot.noise * rng.standard_normal(light.shape).astype(np.float32)
    lengths = np.hypot(*np.diff(pins, axis=0).T)
    mean = (lengths[::2].mean() + lengths[1::2].mean()) / 2
    return ChainPhoto(
        grey=np.clip(np.round(noisy), 0, 255).astype(np.uint8),
        pins_mm=readonly(pins),
        pins_px=readonly(camera.project(np.column_stack([pins, np.zeros(len(pins))]))),
        elongation_percent=float(100 * (mean / chain(run.size).pitch_mm - 1)),
    )


def any_run(rng: np.random.Generator) -> tuple[ChainRun, ChainShot, float]:
    """Draw a run, how it is photographed, and the card height that its user would tell, mm.

    The user's word on the card height is off by 0.15 mm (standard deviation), the card leans by 0.3° (lying on
    the same board).
    """
    size = str(rng.choice(["520", "525", "428", "530"]))
    pitches = int(rng.integers(12, 19))
    run = ChainRun(
        size=size,
        pitches=pitches,
        elongation_percent=float(rng.uniform(0, 2.2)),
        play_share=float(rng.uniform(0.5, 1.0)),
        scatter_mm=float(rng.uniform(0.003, 0.02)),
        sag_mm=float(rng.uniform(0, 1.5)),
        pin_mm=float(rng.uniform(4.6, 5.8)) * chain(size).pitch_mm / 15.875,
        pin_stands_out_mm=float(rng.uniform(0.2, 0.8)),
        turn_deg=float(rng.uniform(-6, 6)),
        pin_tone=float(rng.choice([0.12, 0.2, 0.45, 0.6])),
        plate_tone=float(rng.uniform(0.28, 0.38)),
        dirt=float(rng.uniform(0, 0.5)),
    )
    length = pitches * chain(size).pitch_mm
    shot = ChainShot(
        focal_35mm=float(rng.choice([26, 35, 52, 70])),
        view_mm=float(length * rng.uniform(1.2, 1.5)),
        tilt_deg=float(rng.uniform(0, 10)),
        azimuth_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.uniform(-8, 8)),
        k1=float(rng.normal(0, 0.02)),
        card_height_mm=float(rng.normal(0, 0.15)),
        card_lean_deg=float(abs(rng.normal(0, 0.3))),
        card_x_mm=float(rng.uniform(-30, 30)),
        card_spin_deg=float(rng.uniform(-10, 10)),
        blur_px=float(rng.uniform(0.6, 1.3)),
        noise=float(rng.uniform(0.7, 3.0)),
    )
    return run, shot, 0.0
