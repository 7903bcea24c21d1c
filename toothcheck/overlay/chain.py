"""The photo of a run of chain with its pins marked and each link's elongation beside it; under it what that means."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from toothcheck.chainphoto import ChainSighting
from toothcheck.chains import Chain
from toothcheck.overlay.drawing import show
from toothcheck.overlay.style import FAINT, INK, PAPER, canvas, casing, look, ramp, with_photo
from toothcheck.stretch import Run

_UNEVEN = ramp()(0.42)
_STRIP = 0.1
"""Height of the words under the photo over the photo's width."""


def chain_picture(colour: NDArray[np.uint8], seen: ChainSighting, run: Run, size: Chain, *, kind: str = "png") -> bytes:
    """The whole photo with a cross on each pin, links with their elongation in per cent, and a legend under it.

    Parameters
    ----------
    colour
        (height, width, 3) RGB; its pixels stay where they are.
    seen, run
        Where the pins are, and what their places say.
    size
        For the legend.
    kind
        ``png`` or ``jpeg``.

    Raises
    ------
    ValueError
        When ``kind`` is neither.
    """
    height, width = colour.shape[:2]
    strip = round(_STRIP * width)
    with look():
        figure = canvas(width, height + strip)
        share = strip / (height + strip)
        axes = figure.add_axes((0, share, 1, 1 - share))
        show(axes, colour)
        _links(axes, seen, run)
        legend = figure.add_axes((0, 0, 1, share))
        legend.set_xlim(0, 1 / _STRIP)
        legend.set_ylim(0, 1)
        legend.set_axis_off()
        _legend(legend, seen, run, size, strip)
        return with_photo(figure, kind)


def _links(axes: Axes, seen: ChainSighting, run: Run) -> None:
    pins = seen.pins_px
    pitch_px = float(np.hypot(*(pins[-1] - pins[0]))) / run.pitches
    line = max(1.0, 0.025 * pitch_px)
    for link in run.links:
        a, b = pins[link.index], pins[link.index + 1]
        wide = (2.5 if link.uneven else 1.0) * line
        axes.add_line(
            Line2D(
                (a[0], b[0]), (a[1], b[1]), color=_UNEVEN if link.uneven else INK, lw=wide,
                path_effects=casing(wide + 1.4 * line, PAPER), zorder=3,
            )
        )  # fmt: skip
        along = (b - a) / np.hypot(*(b - a))
        across = np.array([-along[1], along[0]])
        at = (a + b) / 2 + 0.75 * pitch_px * (across if across[1] >= 0 else -across)
        told = bool(seen.seen[link.index] and seen.seen[link.index + 1])
        percent = round(link.elongation_percent, 1) + 0.0  # no minus before a zero
        words = f"{percent:+.1f} %{'!' if link.uneven else ''}" if told else "?"
        turn = (90 - float(np.degrees(np.arctan2(along[1], along[0])))) % 180 - 90  # never upside down
        axes.text(
            at[0], at[1], words, fontsize=0.2 * pitch_px, color=INK, weight="bold" if link.uneven else "normal",
            ha="center", va="center", rotation=turn,
            bbox={"boxstyle": "round,pad=0.2", "fc": PAPER, "ec": FAINT, "lw": 0.4 * line}, zorder=5,
        )  # fmt: skip
    for pin, measured in zip(pins, seen.seen, strict=True):
        _pin(axes, pin, 0.25 * pitch_px, measured=bool(measured))


def _pin(axes: Axes, at: NDArray[np.float64], size_px: float, *, measured: bool) -> None:
    line = 0.12 * size_px
    axes.plot(
        [at[0]], [at[1]], ls="none", marker="+" if measured else "o", ms=size_px, mec=INK, mfc="none", mew=line,
        path_effects=casing(2.4 * line, PAPER), zorder=6,
    )  # fmt: skip


def _legend(axes: Axes, seen: ChainSighting, run: Run, size: Chain, strip_px: int) -> None:
    """In units of the strip's height: the result, and a row for numbers and for marks."""
    words = f"Chain {size.name}, {run.pitches} pitches: elongation {run.percent.text('%')}"
    axes.text(0.2, 0.78, words, fontsize=0.2 * strip_px, weight="bold", va="center")
    small = 0.145 * strip_px
    limit = "± one standard uncertainty; limit: see the manual"
    axes.text(1 / _STRIP - 0.2, 0.78, limit, fontsize=small, va="center", ha="right")
    about = f"At each link: how much longer it is than a pitch of {size.pitch_mm:g} mm; every second one holds the play"
    axes.text(0.2, 0.47, about, fontsize=small, va="center")
    x = 0.3
    marks = [("pin end measured", True)]
    if not seen.seen.all():
        marks.append(("not measured, its links ?", False))
    for said, measured in marks:
        _pin(axes, np.array([x, 0.18]), 0.16 * strip_px, measured=measured)
        axes.text(x + 0.2, 0.18, said, fontsize=small, va="center")
        x += 2.9
    if run.uneven:
        axes.plot([x - 0.12, x + 0.12], [0.18, 0.18], color=_UNEVEN, lw=0.04 * strip_px)
        axes.text(x + 0.25, 0.18, "! unlike its kind: look at it", fontsize=small, va="center")
