"""How the pictures look: one colour ramp, one font, and figures into bytes.

The ramp is perceptually uniform and rises in lightness all the way, so it reads the same with any colour vision and in
black and white; and whatever it says, a width, a pattern or a number says as well.
"""

from __future__ import annotations

import io
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any

import matplotlib
import numpy as np
from matplotlib import font_manager, patheffects
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font

from toothcheck.geometry import Floats
from toothcheck.marks import FIGURE, MADE_BY

# it tells on stderr that it builds its list of fonts, once for each user
logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)

INK, FAINT, PAPER = "#14171a", "#5d666f", "#ffffff"
METAL = "#c9cfd4"
_RC: dict[Any, Any] = {
    "font.family": "DejaVu Sans",  # comes with matplotlib, so it is everywhere
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": FAINT,
    "xtick.color": INK,
    "ytick.color": INK,
    "svg.hashsalt": "toothcheck",
    "svg.fonttype": "path",
    "hatch.linewidth": 1.2,
}


@contextmanager
def look() -> Iterator[None]:
    """Our own settings, whatever the user's matplotlib is set to, and only meanwhile."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_RC)
        yield


@cache
def ramp() -> LinearSegmentedColormap:
    """Loss to colour: plasma without its two darkest and palest ends."""
    full = matplotlib.colormaps["plasma"]
    return LinearSegmentedColormap.from_list("loss", [full(0.02 + 0.94 * k / 255) for k in range(256)])


@dataclass(frozen=True, slots=True, kw_only=True)
class LossScale:
    """From no loss to 0.3 of the ideal tooth's thickness: the same share of a tooth in every picture."""

    most_mm: float

    def share(self, loss_mm: Floats | float) -> Floats:
        """0 … 1, same shape; what is beyond either end is shown as that end."""
        return np.clip(np.asarray(loss_mm, dtype=np.float64) / self.most_mm, 0.0, 1.0)

    def colours(self, loss_mm: Floats) -> Floats:
        """(n, 4) RGBA of losses (n,)."""
        return np.asarray(ramp()(self.share(loss_mm)))


def loss_scale(thickness_mm: float) -> LossScale:
    """The scale for an ideal tooth of that thickness at the pitch circle."""
    return LossScale(most_mm=0.3 * thickness_mm)


def casing(width: float, colour: str = INK) -> list[Any]:
    """A contour around lines or letters, so that they stand out from any photo."""
    return [patheffects.Stroke(linewidth=width, foreground=colour), patheffects.Normal()]


def canvas(width_px: int, height_px: int) -> Figure:
    """A figure in which one point is one pixel."""
    figure = Figure(figsize=(width_px / 72, height_px / 72), dpi=72, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


@cache
def _font(bold: bool) -> FT2Font:
    weight = "bold" if bold else "normal"
    return FT2Font(font_manager.findfont(font_manager.FontProperties(family="DejaVu Sans", weight=weight)))


def width_px(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a line of text at a size in px."""
    font = _font(bold)
    font.set_size(size, 72)
    font.set_text(text)
    return float(font.get_width_height()[0]) / 64


def wrapped(text: str, size: float, room_px: float, *, bold: bool = False) -> list[str]:
    """Text broken into lines that fit."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and width_px(longer, size, bold=bold) > room_px:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def png(figure: Figure) -> bytes:
    """The figure as PNG."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=72, metadata=FIGURE["png"])
    return out.getvalue()


def jpeg(figure: Figure) -> bytes:
    """The figure as JPEG."""
    out = io.BytesIO()
    figure.savefig(out, format="jpeg", dpi=72, pil_kwargs={"quality": 88, "subsampling": 0, "comment": MADE_BY})
    return out.getvalue()


def with_photo(figure: Figure, kind: str) -> bytes:
    """A figure that shows a photo, as ``png`` or ``jpeg``.

    Raises
    ------
    ValueError
        When ``kind`` is neither.
    """
    if kind not in ("png", "jpeg"):
        raise ValueError(f"kind must be png or jpeg, not {kind!r}")
    return png(figure) if kind == "png" else jpeg(figure)


def svg(figure: Figure) -> bytes:
    """The figure as SVG, letters as outlines; the same every time."""
    out = io.BytesIO()
    figure.savefig(out, format="svg", dpi=72, metadata=FIGURE["svg"])
    return out.getvalue()
