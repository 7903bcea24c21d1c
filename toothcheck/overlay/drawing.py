"""What is drawn the same way in more than one picture."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from numpy.typing import NDArray

from toothcheck.geometry import Floats
from toothcheck.overlay.frames import Placement, View, drive_flank, flanks
from toothcheck.overlay.style import INK, LossScale, casing
from toothcheck.wear import ToothWear


def hundredths(mm: float) -> str:
    """A length to two places; what rounds to nothing has no sign."""
    return f"{round(mm, 2) + 0.0:.2f}"


def show(axes: Axes, image: NDArray[np.uint8]) -> None:
    """A picture that fills its axes, in pixels with centres at whole numbers, y down."""
    height, width = image.shape[:2]
    box = (-0.5, width - 0.5, height - 0.5, -0.5)
    axes.imshow(image, extent=box, interpolation="nearest", aspect="auto")
    axes.set_xlim(box[0], box[1])
    axes.set_ylim(box[2], box[3])
    axes.set_axis_off()


def write(axes: Axes, at: Floats, words: str, size: float, *, bold: bool = False, ha: str = "center") -> None:
    """White words that can be read on any photo, centred in height."""
    axes.text(
        float(at[0]), float(at[1]), words, fontsize=size, weight="bold" if bold else "normal", color="white",
        ha=ha, va="center", path_effects=casing(max(3.0, size / 6)), zorder=8,
    )  # fmt: skip


def fill_lost(axes: Axes, measured: Floats, new: Floats, loss_mm: Floats, colours: Floats, *, order: float) -> None:
    """The area between two lines (n, 2) where metal was lost (n - 1,), in colours (n - 1, 4).

    A tip drawn over to a hook stands out of the ideal form: there is metal, and it stays uncoloured.
    """
    lost = loss_mm > 0
    quads = np.stack([measured[:-1], measured[1:], new[1:], new[:-1]], axis=1)[lost]
    paint = colours[lost]
    axes.add_collection(PolyCollection(list(quads), facecolors=paint, edgecolors=paint, linewidths=0.4, zorder=order))


def draw_tooth(axes: Axes, place: Placement, tooth: ToothWear, view: View, scale: LossScale, *, width: float) -> None:
    """One tooth: ideal dashed, coast flank thin, drive flank in colour and the wider the more is lost."""

    def shown(points: Floats) -> Floats:
        return np.asarray(view.shown(place.in_photo(points, tooth.index)))

    ideal = shown(place.datum.form.tooth().points_mm)
    if not tooth.measured or tooth.outline_mm is None:
        axes.plot(*ideal.T, ls=(0, (1, 2)), lw=1.6 * width, color=INK, zorder=3)
        axes.plot(*ideal.T, ls=(0, (1, 2)), lw=1.0 * width, color="white", zorder=3)
        return
    coast, _ = flanks(tooth.outline_mm)
    if len(coast):
        axes.plot(*shown(coast).T, lw=1.2 * width, color="white", path_effects=casing(2.4 * width), zorder=3)
    axes.plot(*ideal.T, ls=(0, (4, 2)), lw=width, color=INK, zorder=4, alpha=0.85)
    axes.plot(*ideal.T, ls=(0, (4, 2)), lw=0.6 * width, color="white", zorder=4)
    flank = drive_flank(tooth, place.datum)
    if flank is None:
        return
    measured, new = shown(flank.measured_mm), shown(flank.ideal_mm)
    loss = 0.5 * (flank.loss_mm[1:] + flank.loss_mm[:-1])
    colours = scale.colours(loss)
    fill_lost(axes, measured, new, loss, colours, order=3.5)
    lines = np.stack([measured[:-1], measured[1:]], axis=1)
    widths = width * (1.7 + 2.8 * scale.share(loss))
    axes.add_collection(
        LineCollection(list(lines), colors=INK, linewidths=widths + 1.4 * width, zorder=3.2, capstyle="round")
    )
    axes.add_collection(LineCollection(list(lines), colors=colours, linewidths=widths, zorder=5, capstyle="round"))
