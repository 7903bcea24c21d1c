"""Line figures made of a few shapes, written as SVG for the screen and as vectors for PDF from the same list.

Coordinates are in the figure's own unit (mm on the sprocket, or abstract), **y up**, as everywhere on the number
side; the writers turn them over.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from toothcheck.geometry import Floats

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing


class Role(StrEnum):
    """What a shape stands for; the look follows from it, on screen by the class of the same name."""

    METAL = "metal"
    """Steel that is there."""
    IDEAL = "ideal"
    """The new form, dashed."""
    WORN = "worn"
    """The measured or worn outline, thick."""
    GONE = "gone"
    """Metal that is missing."""
    DIRT = "dirt"
    """What is not metal but looks like it."""
    ROLLER = "roller"
    RULE = "rule"
    """Thin scale line."""
    AXIS = "axis"
    """Strong scale line."""
    BAND = "band"
    """Every second band of a scale."""
    POINT = "point"
    """A reading."""
    POINT_OPEN = "point-open"
    """A reading that stands out (drawn open)."""
    WHISKER = "whisker"
    """The range of a reading."""
    ARROW = "arrow"
    TEXT = "text"
    SMALL = "small"
    STRONG = "strong"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    fill: str | None = None
    stroke: str | None = None
    width: float = 0.0
    """Points on paper."""
    dash: tuple[float, ...] = ()


# for paper; the screen's colours stand in base.css under the same names, light and dark
_PAPER: dict[Role, _Look] = {
    Role.METAL: _Look(fill="#cfd7da", stroke="#3c4a51", width=0.8),
    Role.IDEAL: _Look(stroke="#0a5a78", width=0.9, dash=(3, 2)),
    Role.WORN: _Look(stroke="#9a3f00", width=1.8),
    Role.GONE: _Look(fill="#f3c9a8", stroke="#9a3f00", width=0.4),
    Role.DIRT: _Look(fill="#6d5f4b", stroke="#2d271e", width=0.6, dash=(1, 1)),
    Role.ROLLER: _Look(fill="#f3efe2", stroke="#3c4a51", width=0.8),
    Role.RULE: _Look(stroke="#8d989d", width=0.4),
    Role.AXIS: _Look(stroke="#1f2a30", width=0.9),
    Role.BAND: _Look(fill="#e6eaeb"),
    Role.POINT: _Look(fill="#0a5a78", stroke="#0a5a78", width=0.8),
    Role.POINT_OPEN: _Look(fill="#ffffff", stroke="#9a3f00", width=1.6),
    Role.WHISKER: _Look(stroke="#1f2a30", width=1.0),
    Role.ARROW: _Look(fill="#1f2a30", stroke="#1f2a30", width=1.4),
}
_INK, _MUTED = "#1f2a30", "#4d5a61"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """One line, area, dot or word of a figure."""

    role: Role
    points: Floats
    """(n, 2); a single point for a dot or a word."""
    closed: bool = False
    text: str = ""
    radius: float = 0.0
    """Of a dot, in the figure's unit."""
    anchor: str = "middle"
    """Of a word: start, middle or end."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Figure:
    """A titled figure with its frame in its own unit, y up."""

    title: str
    """Its accessible name."""
    left: float
    bottom: float
    width: float
    height: float
    shapes: tuple[Shape, ...]
    text_size: float
    """Height of ordinary words, in the figure's unit."""

    def svg(self, *, css_class: str = "figure") -> Markup:
        """Inline SVG with an accessible name; colours come from the page's style sheet."""
        parts = [
            f'<svg class="{css_class}" viewBox="0 0 {self.width:.6g} {self.height:.6g}" role="img" '
            f'aria-label="{html.escape(self.title, quote=True)}" style="--unit:{self.text_size:.4g}px">'
        ]
        parts += [self._svg_of(shape) for shape in self.shapes]
        parts.append("</svg>")
        return Markup("".join(parts))

    def _svg_of(self, shape: Shape) -> str:
        xy = (np.atleast_2d(shape.points) - [self.left, self.bottom]) * [1, -1] + [0, self.height]
        name = f'class="f-{shape.role}"'
        if shape.text:
            x, y = xy[0]
            return (
                f'<text {name} x="{x:.2f}" y="{y:.2f}" text-anchor="{shape.anchor}" '
                f'font-size="{self._size(shape.role):.3g}">{html.escape(shape.text)}</text>'
            )
        if shape.radius:
            x, y = xy[0]
            return f'<circle {name} cx="{x:.2f}" cy="{y:.2f}" r="{shape.radius:.3g}"/>'
        path = "M" + "L".join(f"{x:.3f} {y:.3f}" for x, y in xy) + ("Z" if shape.closed else "")
        return f'<path {name} d="{path}"/>'

    def _size(self, role: Role) -> float:
        return self.text_size * {Role.SMALL: 0.88, Role.STRONG: 1.15}.get(role, 1.0)

    def drawing(self, width_pt: float, *, font: str, bold_font: str) -> Drawing:
        """The same figure as a reportlab drawing ``width_pt`` points wide, in the colours for paper."""
        from reportlab.graphics import shapes as rl
        from reportlab.lib.colors import HexColor

        k = width_pt / self.width
        out = rl.Drawing(width_pt, self.height * k)
        for shape in self.shapes:
            xy = (np.atleast_2d(shape.points) - [self.left, self.bottom]) * k
            if shape.text:
                strong = shape.role == Role.STRONG
                out.add(
                    rl.String(
                        *map(float, xy[0]),
                        shape.text,
                        fontName=bold_font if strong else font,
                        fontSize=self._size(shape.role) * k,
                        fillColor=HexColor(_MUTED if shape.role == Role.SMALL else _INK),
                        textAnchor=shape.anchor,
                    )
                )
                continue
            look = _PAPER[shape.role]
            ink = {
                "fillColor": HexColor(look.fill) if look.fill and (shape.closed or shape.radius) else None,
                "strokeColor": HexColor(look.stroke) if look.stroke else None,
                "strokeWidth": look.width,
            }
            if look.dash:
                ink["strokeDashArray"] = list(look.dash)
            if shape.radius:
                out.add(rl.Circle(float(xy[0, 0]), float(xy[0, 1]), shape.radius * k, **ink))
                continue
            path = rl.Path(**ink)
            path.moveTo(*map(float, xy[0]))
            for x, y in xy[1:]:
                path.lineTo(float(x), float(y))
            if shape.closed:
                path.closePath()
            out.add(path)
        return out


def line(role: Role, points: Iterable[Sequence[float]] | Floats, *, closed: bool = False) -> Shape:
    """An open or closed line through (n, 2) points."""
    xy = np.asarray(points if isinstance(points, np.ndarray) else list(points), dtype=np.float64)
    return Shape(role=role, points=xy, closed=closed)


def box(role: Role, left: float, bottom: float, width: float, height: float) -> Shape:
    """A filled rectangle."""
    right, top = left + width, bottom + height
    return line(role, [(left, bottom), (right, bottom), (right, top), (left, top)], closed=True)


def dot(role: Role, x: float, y: float, radius: float) -> Shape:
    """A round mark."""
    return Shape(role=role, points=np.array([[x, y]]), radius=radius)


def word(text: str, x: float, y: float, *, role: Role = Role.TEXT, anchor: str = "middle") -> Shape:
    """A word whose foot stands at (x, y)."""
    return Shape(role=role, points=np.array([[x, y]]), text=text, anchor=anchor)
