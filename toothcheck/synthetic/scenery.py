"""What stands in a scene: solids with a skin, printed cards, the ground, the light.

Reflection is a matt share plus a lobe that may be narrower along the brushing than across it, lit by one lamp and by a
sky of soft windows.  Neglected: light that bounces more than once, polarisation, the colour of shadows.
"""

from __future__ import annotations

import json
import math
import pkgutil
from dataclasses import dataclass
from statistics import NormalDist
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from toothcheck.geometry import Floats, readonly
from toothcheck.synthetic.fields import Field, Singles, length_of, look_up

Bools = NDArray[np.bool_]

TILE = 1024
"""Side of a texture tile in texels; tiles repeat."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """How a surface reflects at n points; everything linear, not gamma coded."""

    matt: Singles
    """(n, 3) share of light given back in all directions."""
    shine: Singles
    """(n, 3) strength of the mirror-like lobe."""
    along: Singles
    """(n,) width of the lobe along the brushing (tangent of the angle)."""
    across: Singles
    """(n,) width across it."""
    brush: Singles
    """(n, 2) direction of the brushing in the body's plane."""
    lean: Singles
    """(n, 2) what to add to the normal, in the body's plane: rolled edges, grain."""


class Skin(Protocol):
    """The surface of a body."""

    def look(self, x: Singles, y: Singles, z: Singles, wall: Bools) -> Look:
        """How it reflects at points of its body's frame; ``wall`` where the side wall is seen."""
        ...


def plain_look(matt: Singles, shine: float, width: float) -> Look:
    """Return a look without brushing."""
    n = len(matt)
    one = np.ones(n, np.float32)
    return Look(
        matt=matt,
        shine=np.full((n, 3), shine, np.float32),
        along=one * np.float32(width),
        across=one * np.float32(width),
        brush=np.stack([one, 0 * one], axis=1),
        lean=np.zeros((n, 2), np.float32),
    )


# --- textures ------------------------------------------------------------------------------------------------


def noise_tile(rng: np.random.Generator, slope: float, *, stretch: float = 1.0, size: int = TILE) -> Singles:
    """Repeating noise with an amplitude spectrum of 1/f^slope, mean 0 and deviation 1, shape (size, size)."""
    fx = np.fft.rfftfreq(size) * size
    fy = np.fft.fftfreq(size)[:, None] * size
    f = np.hypot(fx * stretch, fy)
    f[0, 0] = 1
    white = rng.standard_normal((size, size)).astype(np.float32)
    spectrum = np.fft.rfft2(white) / f**slope
    spectrum[0, 0] = 0
    out = np.fft.irfft2(spectrum, s=(size, size))
    return np.asarray(out / out.std(), dtype=np.float32)


def at_tile(tile: Singles, u: Singles, v: Singles) -> Singles:
    """Return a repeating tile at (column, row) u, v in texels; all of shape (n,)."""
    size = np.float32(tile.shape[0])  # a power of two: the remainder is exact, and far faster than `numpy.mod`
    u, v = u - size * np.floor(u / size), v - size * np.floor(v / size)
    return look_up(tile, u, v, border=cv2.BORDER_WRAP)


def ground_tile(kind: str, rng: np.random.Generator) -> Singles:
    """Brightness of a ground, mean about 1, shape (TILE, TILE).

    Parameters
    ----------
    kind
        ``concrete``, ``gravel``, ``brick``, ``cloth``, ``wood``, ``straw`` or ``plain``.
    """
    grain = noise_tile(rng, 0.3)
    cloud = noise_tile(rng, 1.5)
    if kind == "concrete":
        tile = 1 + 0.10 * cloud + 0.06 * grain + 0.06 * noise_tile(rng, 0.9)
    elif kind == "gravel":
        size = TILE // 2
        stones = rng.uniform(0, size, (int(rng.integers(700, 2500)), 2))
        around = np.concatenate([stones + np.array([i, j]) * size for i in (-1, 0, 1) for j in (-1, 0, 1)])
        keep = np.all((around > -60) & (around < size + 60), axis=1)
        yy, xx = np.mgrid[0:size, 0:size]
        distance, nearest = cKDTree(around[keep]).query(np.stack([xx.ravel(), yy.ravel()], axis=1), k=2)
        shade = rng.uniform(0.55, 1.45, len(stones))[np.tile(np.arange(len(stones)), 9)[keep][nearest[:, 0]]]
        rim = np.clip((distance[:, 1] - distance[:, 0]) / 5.0, 0, 1)
        small = (shade * (0.25 + 0.75 * rim)).reshape(size, size).astype(np.float32)
        tile = cv2.resize(small, (TILE, TILE), interpolation=cv2.INTER_LINEAR) * (1 + 0.10 * grain)
    elif kind == "brick":
        yy, xx = np.mgrid[0:TILE, 0:TILE].astype(np.float32)
        course = TILE / 16
        row = np.floor(yy / course)
        along = (xx + (row % 2) * course) % TILE
        brick = np.floor(along / (2 * course))
        edge = np.minimum.reduce(
            [yy % course, course - yy % course, along % (2 * course), 2 * course - along % (2 * course)]
        )
        tone = rng.uniform(0.7, 1.2, (16, 8))[row.astype(int) % 16, brick.astype(int) % 8]
        tile = np.where(edge + 0.6 * cloud < 3.5, 1.55, tone) * (1 + 0.12 * noise_tile(rng, 0.8))
    elif kind == "cloth":
        yy, xx = np.mgrid[0:TILE, 0:TILE].astype(np.float32)
        thread = TILE / int(rng.integers(90, 200))
        warp, weft = np.sin(np.pi * xx / thread), np.sin(np.pi * yy / thread)
        over = ((np.floor(xx / thread) + np.floor(yy / thread)) % 2) == 0
        tile = 0.75 + 0.35 * np.where(over, np.abs(warp), np.abs(weft)) + 0.10 * cloud + 0.05 * grain
    elif kind == "wood":
        long = noise_tile(rng, 1.3, stretch=14.0)
        tile = 1 + 0.20 * np.sin(4 * long) * 0.5 + 0.14 * long + 0.05 * noise_tile(rng, 0.2, stretch=20.0)
    elif kind == "straw":
        small = np.full((TILE, TILE), 0.45, np.float32)
        for _ in range(2600):
            x, y = rng.uniform(0, TILE, 2)
            a, length = rng.uniform(0, np.pi), rng.uniform(30, 140)
            tone = float(rng.uniform(0.5, 1.7))
            for sx in (-TILE, 0, TILE):
                p = (int(x + sx), int(y))
                q = (int(x + sx + length * np.cos(a)), int(y + length * np.sin(a)))
                cv2.line(small, p, q, tone, int(rng.integers(2, 5)), cv2.LINE_AA)
        tile = small * (1 + 0.08 * grain)
    elif kind == "plain":
        tile = 1 + 0.02 * grain + 0.03 * cloud
    else:
        raise ValueError(f"ground must be concrete, gravel, brick, cloth, wood, straw or plain, not {kind!r}")
    return np.asarray(np.clip(tile / tile.mean(), 0.03, 4), dtype=np.float32)


# --- skins ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Paint:
    """One colour with a little grain: boxes, cases, bare ground."""

    colour: tuple[float, float, float]
    tile: Singles
    texel_mm: float = 0.25
    shine: float = 0.03
    width: float = 0.35
    turn: float = 0.0

    def look(self, x: Singles, y: Singles, z: Singles, wall: Bools) -> Look:
        """See `Skin`."""
        c, s = np.float32(math.cos(self.turn) / self.texel_mm), np.float32(math.sin(self.turn) / self.texel_mm)
        tone = at_tile(self.tile, c * x - s * y, s * x + c * y)
        return plain_look(tone[:, None] * np.array(self.colour, np.float32), self.shine, self.width)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Metal:
    """A steel face: brushing, grain, dirt, rust, a rolled edge that catches the light."""

    tint: tuple[float, float, float]
    matt: float
    shine: float
    along: float
    across: float
    turned: bool
    """Brushed in circles about the centre, otherwise along +x."""
    grain: Singles
    cloud: Singles
    dirt_share: float
    dirt_tint: tuple[float, float, float]
    dirt_rim: float = 2.2
    """How sharply it ends."""
    rust: float = 0.0
    field: Field | None = None
    edge_mm: float = 0.15
    shift: tuple[float, float] = (0.0, 0.0)

    def look(self, x: Singles, y: Singles, z: Singles, wall: Bools) -> Look:
        """See `Skin`."""
        n = len(x)
        # down a wall the texture runs on askew, or it would be drawn out to stripes
        u = (x + np.float32(0.8) * z * wall) * np.float32(8) + np.float32(self.shift[0])
        v = (y - np.float32(0.6) * z * wall) * np.float32(8) + np.float32(self.shift[1])
        # dirt: the cloud's highest places, with soft rims
        level = np.float32(_quantile_of_normal(1 - self.dirt_share))
        cloud = at_tile(self.cloud, u, v)
        dirt = np.clip((cloud - level) * np.float32(self.dirt_rim) + 0.5, 0, 1) * np.float32(
            0.92 if self.dirt_share > 0 else 0.0
        )
        rust = np.clip(at_tile(self.cloud, v * 0.8 + 333, u * 0.8 + 77) - 0.9, 0, 1) * np.float32(self.rust)
        r = length_of(x, y) + np.float32(1e-6)
        if self.turned:
            brush = np.stack([-y / r, x / r], axis=1)
            streak = at_tile(self.grain, r * 14, r * 3)
        else:
            brush = np.stack([np.ones(n, np.float32), np.zeros(n, np.float32)], axis=1)
            streak = at_tile(self.grain, x * np.float32(0.7), y * np.float32(14))
        fine = at_tile(self.grain, u * 2, v * 2)
        tone = 1 + np.float32(0.06) * streak + np.float32(0.04) * fine + np.float32(0.05) * cloud
        steel = np.array(self.tint, np.float32)
        brown = np.array([0.33, 0.15, 0.07], np.float32)
        clean = (1 - dirt) * (1 - rust)
        matt = (self.matt * tone * clean)[:, None] * steel
        matt += ((1 - dirt) * rust * (0.7 + 0.15 * fine))[:, None] * brown
        matt += (dirt * (1 + 0.25 * fine))[:, None] * np.array(self.dirt_tint, np.float32)
        shine = (self.shine * clean * (1 - 0.35 * wall) + 0.03 * dirt)[:, None] * steel
        lean = np.zeros((n, 2), np.float32)
        if self.field is not None and self.edge_mm > 0:
            # a handled edge is rolled over by a tenth: the shading shows it, the outline is left as it is
            d = self.field.at(x, y)
            near = (np.abs(d) < self.edge_mm) & ~wall
            if near.any():
                e = np.float32(0.03)
                gx = (self.field.at(x[near] + e, y[near]) - self.field.at(x[near] - e, y[near])) / (2 * e)
                gy = (self.field.at(x[near], y[near] + e) - self.field.at(x[near], y[near] - e)) / (2 * e)
                bend = (1 + np.minimum(d[near], 0) / np.float32(self.edge_mm)) ** 2
                lean[near] = np.stack([gx, gy], axis=1) * bend[:, None]
        return Look(
            matt=matt.astype(np.float32),
            shine=shine.astype(np.float32),
            along=(self.along + 0.4 * dirt).astype(np.float32),
            across=(self.across + 0.2 * dirt).astype(np.float32),
            brush=brush.astype(np.float32),
            lean=lean,
        )


def _quantile_of_normal(share: float) -> float:
    return NormalDist().inv_cdf(min(max(share, 1e-6), 1 - 1e-6))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marker:
    """One printed marker of a card; mm in the card's frame (origin top left, y down)."""

    ident: int
    x_mm: float
    y_mm: float
    size_mm: float
    cells: Bools
    """(8, 8), True where ink stands."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardFace:
    """A printed scale card; the body's plane has its origin at the card's middle, x right, y up."""

    kind: str
    width_mm: float
    height_mm: float
    markers: tuple[Marker, ...]
    print_scale: float = 1.0
    paper: float = 0.80
    ink: float = 0.045
    grain: Singles | None = None

    def _own(self, x: Singles, y: Singles) -> tuple[Singles, Singles]:
        s = np.float32(1 / self.print_scale)
        return x * s + np.float32(self.width_mm / 2), np.float32(self.height_mm / 2) - y * s

    def inked(self, x: Singles, y: Singles) -> Bools:
        """Where ink stands, at points (n,) of the body's plane."""
        u, v = self._own(x, y)
        out = np.zeros(len(x), bool)
        for m in self.markers:
            cell = np.float32(m.size_mm / 8)
            i, j = (v - np.float32(m.y_mm)) / cell, (u - np.float32(m.x_mm)) / cell
            on = (i >= 0) & (i < 8) & (j >= 0) & (j < 8)
            out[on] = m.cells[i[on].astype(int), j[on].astype(int)]
        return out

    def corners_mm(self, marker: Marker) -> Floats:
        """Return the marker's corners in the body's plane, clockwise from its own top left, shape (4, 2)."""
        a = marker.size_mm
        own = np.array([[0, 0], [a, 0], [a, a], [0, a]]) + np.array([marker.x_mm, marker.y_mm])
        flipped = (own - [self.width_mm / 2, self.height_mm / 2]) * np.array([1.0, -1.0])
        return readonly(flipped * self.print_scale)

    def look(self, x: Singles, y: Singles, z: Singles, wall: Bools) -> Look:
        """See `Skin`."""
        return self.look_with(x, y, self.inked(x, y).astype(np.float32))

    def look_with(self, x: Singles, y: Singles, cover: Singles) -> Look:
        """As ``look``, told how much of each point is covered by ink."""
        tone = self.paper + (self.ink - self.paper) * cover
        if self.grain is not None:
            tone = tone * (1 + np.float32(0.012) * at_tile(self.grain, x * 6, y * 6))
        return plain_look(tone[:, None] * np.array([1.0, 0.99, 0.965], np.float32), 0.02, 0.5)


def card_face(kind: str, *, print_scale: float = 1.0, grain: Singles | None = None) -> CardFace:
    """Return a card of the package's layout.

    Raises
    ------
    ValueError
        When the layout knows no such card.
    """
    # straight from the package's data, not through the room that detects cards: the two must not share a slip
    raw = pkgutil.get_data("toothcheck", "cards/scale-cards.json")
    layout = json.loads(raw or b"{}")
    if kind not in layout["cards"]:
        raise ValueError(f"card must be one of {', '.join(layout['cards'])}, not {kind!r}")
    card = layout["cards"][kind]
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, layout["family"]))
    markers = []
    for m in card["markers"]:
        picture = cv2.aruco.generateImageMarker(dictionary, int(m["id"]), 8)
        markers.append(
            Marker(ident=int(m["id"]), x_mm=m["x"], y_mm=m["y"], size_mm=m["size"], cells=np.asarray(picture) < 128)
        )
    return CardFace(
        kind=kind,
        width_mm=card["width"],
        height_mm=card["height"],
        markers=tuple(markers),
        print_scale=print_scale,
        grain=grain,
    )


# --- bodies --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """Where a body stands: world = turn · own + place."""

    turn: Floats
    """(3, 3)."""
    place_mm: Floats
    """(3,)."""

    def own(self, points_mm: Singles) -> Singles:
        """World points (n, 3) in the body's frame."""
        return np.asarray((points_mm - self.place_mm.astype(np.float32)) @ self.turn.astype(np.float32))

    def world(self, points_mm: Floats) -> Floats:
        """Points of the body's frame (…, 3) in the world."""
        out: Floats = np.asarray(points_mm, dtype=float) @ self.turn.T + self.place_mm
        return out

    @property
    def upright(self) -> bool:
        """Whether it does nothing."""
        return bool(np.array_equal(self.turn, np.eye(3)) and not self.place_mm.any())


def pose(
    x: float = 0, y: float = 0, z: float = 0, *, spin: float = 0, lean: float = 0, lean_towards: float = 0
) -> Pose:
    """Return a pose: spun about z by ``spin``, then its plane leaned by ``lean`` towards a side (all radians)."""
    c, s = math.cos(spin), math.sin(spin)
    spun = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    ax = np.array([-math.sin(lean_towards), math.cos(lean_towards), 0.0])
    k = np.array([[0, -ax[2], ax[1]], [ax[2], 0, -ax[0]], [-ax[1], ax[0], 0]])
    leaned = np.eye(3) + math.sin(lean) * k + (1 - math.cos(lean)) * (k @ k)
    return Pose(turn=readonly(leaned @ spun), place_mm=readonly([x, y, z]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solid:
    """A flat body: a field between two heights, in its own frame."""

    name: str
    field: Field
    top_mm: float
    bottom_mm: float
    skin: Skin
    pose: Pose
    bevel_mm: float = 0.0
    """How much lower the top stands at ``bevel_to_mm`` from the frame's origin than at ``bevel_from_mm``."""
    bevel_from_mm: float = 0.0
    bevel_to_mm: float = 1.0

    def drop(self, x: Singles, y: Singles) -> Singles:
        """How far the top (and, mirrored, the bottom) is bevelled, mm."""
        share = (length_of(x, y) - np.float32(self.bevel_from_mm)) / np.float32(self.bevel_to_mm - self.bevel_from_mm)
        return np.asarray(np.float32(self.bevel_mm) * np.maximum(share, 0) ** 2, dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """A lamp of some size and a sky; the lamp's strength is 1 at the origin."""

    place_mm: tuple[float, float, float]
    radius_mm: float
    key: tuple[float, float, float] = (1.0, 0.97, 0.92)
    sky: tuple[float, float, float] = (0.45, 0.48, 0.52)
    windows: tuple[tuple[float, float, float, float, float], ...] = ()
    """Bright places of the sky that polished metal mirrors: direction (3), width, strength."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setting:
    """Everything that is drawn, and what it stands on."""

    solids: tuple[Solid, ...]
    ground_mm: float
    """Height of the ground (negative: behind the face)."""
    ground: Skin
    ground_tone: float
    light: Light
