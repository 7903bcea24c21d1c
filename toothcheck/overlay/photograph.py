"""The photo with what was measured drawn on it, and beside it what it means."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon, Rectangle
from numpy.typing import NDArray

from toothcheck.flags import TURNING_GUESSED, number_mark
from toothcheck.geometry import Floats
from toothcheck.grade import CANNOT_TELL
from toothcheck.overlay.drawing import draw_tooth, hundredths, show, write
from toothcheck.overlay.frames import Inspected, Placement, ideal_thickness_mm
from toothcheck.overlay.panel import FOOT_TOP, LEGEND_TOP, PANEL_PX, SIDE_PX, Panel
from toothcheck.overlay.style import INK, PAPER, canvas, casing, look, loss_scale, width_px, with_photo
from toothcheck.overlay.views import Window, window_around
from toothcheck.patterns import apart
from toothcheck.tracing.trace import Traced
from toothcheck.wear import ToothWear, WheelWear

_EDGE_PX = 40


def picture(inspection: Inspected, *, kind: str = "png") -> bytes:
    """The photo with ideal and measured outlines, loss in colour, the worst tooth called out; grade and numbers beside.

    Parameters
    ----------
    inspection
        Also one that could not tell: then the photo is shown with what was found, and what to change.
    kind
        ``png`` or ``jpeg``.

    Raises
    ------
    ValueError
        When ``kind`` is neither.
    """
    with look():
        figure = canvas(SIDE_PX + PANEL_PX, SIDE_PX)
        share = SIDE_PX / (SIDE_PX + PANEL_PX)
        axes = figure.add_axes((0, 0, share, 1))
        panel = Panel(figure, share)
        wear, traced = inspection.wear, inspection.traced
        if wear is None or traced is None:
            _unmeasured(axes, inspection)
            panel.head(inspection)
            panel.advice(inspection, FOOT_TOP)
        else:
            place = _placement(inspection, wear, traced)
            colour = inspection.photo.colour()
            _measured(axes, colour, inspection, place, wear)
            panel.head(inspection)
            if inspection.verdict.grade == CANNOT_TELL:
                panel.advice(inspection, LEGEND_TOP)
            else:
                panel.numbers(wear)
                panel.worst(colour, place, wear)
            panel.legend(wear)
        panel.foot(measured=wear is not None)
        return with_photo(figure, kind)


def tips_shown(inspection: Inspected) -> dict[int, tuple[float, float]]:
    """Where each tooth's tip stands in `picture`: (x, y) from the upper left corner, as shares of its height.

    The photo is drawn in the square on the left, so both are about 0 to 1.  Empty where nothing was measured.
    """
    if inspection.wear is None or inspection.traced is None:
        return {}
    tips, view = _framed(_placement(inspection, inspection.wear, inspection.traced))
    shares = ((view.shown(tips) + 0.5) / SIDE_PX).tolist()
    return {index: (x, y) for index, (x, y) in enumerate(shares)}


# --- the photo -------------------------------------------------------------------------------------------------------
def _unmeasured(axes: Axes, inspection: Inspected) -> None:
    photo = inspection.photo
    side = max(photo.width_px, photo.height_px)
    view = Window(
        left_px=round((photo.width_px - side) / 2), top_px=round((photo.height_px - side) / 2),
        side_px=side, shown_px=SIDE_PX,
    )  # fmt: skip
    show(axes, view.cut(photo.colour()))
    if inspection.card is None:
        return
    for corners in inspection.card.corners_px:
        axes.add_patch(Polygon(view.shown(corners), fill=False, lw=4, ec="white", path_effects=casing(8)))
    at = view.shown(inspection.card.corners_px.reshape(-1, 2)).mean(0)
    write(axes, at, f"scale card ({inspection.card.layout.name})", 26, bold=True)


def _placement(inspection: Inspected, wear: WheelWear, traced: Traced) -> Placement:
    return Placement(
        wheel=traced.wheel, datum=wear.datum, drive_clockwise=wear.drive_clockwise,
        drive_known=TURNING_GUESSED.isdisjoint(inspection.flags),
    )  # fmt: skip


def _framed(place: Placement) -> tuple[Floats, Window]:
    """The tips in the photo (teeth, 2), px, and the part of it that holds them all."""
    form = place.datum.form
    tips = np.array([place.in_photo(np.array([[0.0, form.tip_radius_mm]]), i)[0] for i in range(form.teeth)])
    return tips, window_around(tips, SIDE_PX)


def _measured(axes: Axes, colour: NDArray[np.uint8], inspection: Inspected, place: Placement, wear: WheelWear) -> None:
    form = place.datum.form
    _, view = _framed(place)
    show(axes, view.cut(colour))
    scale = loss_scale(ideal_thickness_mm(place.datum))
    shown_per_mm = place.wheel.plane.px_per_mm * view.scale
    width = float(np.clip(0.1 * shown_per_mm, 1.4, 3.0))
    for tooth in wear.teeth:
        draw_tooth(axes, place, tooth, view, scale, width=width)
    middle = view.shown(place.middle_px())
    _numbers(axes, place, wear, view, form.pitch_mm * shown_per_mm)
    _callout(axes, place, wear, view, middle, apart(inspection.patterns))
    if place.drive_known:
        _rotation(axes, inspection, place, wear, view, middle)
    _scale_bar(axes, place, view)


def _numbers(axes: Axes, place: Placement, wear: WheelWear, view: Window, pitch_px: float) -> None:
    """Tooth numbers outside, losses inside the ring of teeth."""
    form = place.datum.form
    size = float(np.clip(0.25 * pitch_px, 13, 26))
    spine = np.array([[0.0, form.tip_radius_mm], [0.0, form.pitch_radius_mm - form.roller_diameter_mm]])
    for tooth in wear.teeth:
        tip, root = view.shown(place.in_photo(spine, tooth.index))
        out = (tip - root) / max(1e-6, float(np.hypot(*(tip - root))))
        at = tip + out * (1.35 * size)
        covered = not tooth.measured
        axes.add_patch(
            Circle(
                (at[0], at[1]), 0.95 * size, fc=PAPER if covered else INK, ec=INK if covered else PAPER,
                lw=2, ls=(0, (2, 1.5)) if covered else "-", zorder=6, alpha=0.9,
            )
        )  # fmt: skip
        axes.text(
            at[0], at[1], f"{tooth.index}{number_mark(tooth.flags)}", fontsize=size, ha="center", va="center_baseline",
            color=INK if covered else PAPER, weight="bold", zorder=7,
        )  # fmt: skip
        if tooth.measured and tooth.drive_loss_mm is not None:
            write(axes, root, hundredths(tooth.drive_loss_mm.value), 0.95 * size, bold=tooth.index == wear.worst_tooth)


def _pointed_at(wear: WheelWear) -> int | None:
    """A tooth that is gone, which decides the grade by itself, or may be damaged; else the one that has lost most."""
    gone = [t.index for t in wear.teeth if "broken" in t.flags]
    return next(iter(gone + [t.index for t in wear.teeth if t.may_be_damaged]), wear.worst_tooth)


def _called(tooth: ToothWear, odd: int | None) -> str:
    """What stands at the arrow; ``odd``: the tooth that stands apart from all others."""
    if "broken" in tooth.flags:
        return f"tooth {tooth.index}\nbroken or missing"
    if tooth.may_be_damaged:
        return f"tooth {tooth.index}: damaged?\nLook at it first"
    words = f"most worn: tooth {tooth.index}"
    if tooth.drive_loss_mm is not None:
        words += f"\n{tooth.drive_loss_mm.text('mm')} lost"
    return words + ("\nunlike all others: wipe it, look" if tooth.index == odd else "")


def _callout(axes: Axes, place: Placement, wear: WheelWear, view: Window, middle: Floats, odd: int | None) -> None:
    pointed = _pointed_at(wear)
    if pointed is None:
        return
    form = place.datum.form
    tooth = wear.teeth[pointed]
    reach = max(form.pitch_radius_mm - 1.35 * form.roller_diameter_mm, 0.5 * form.pitch_radius_mm)
    point = view.shown(place.in_photo(np.array([[0.0, reach]]), tooth.index))[0]
    ahead = (point - middle) / max(1e-6, float(np.hypot(*(point - middle))))
    words = _called(tooth, odd)
    size = 25
    rows = words.split("\n")
    half = (0.5 * max(width_px(row, size, bold=True) for row in rows) + 10, (0.6 + 0.6 * len(rows)) * size)
    # so far back that the arrow can be seen in front of the box
    at = point - ahead * (70 + min(h / max(1e-6, abs(float(a))) for h, a in zip(half, ahead, strict=True)))
    side = np.array([-ahead[1], ahead[0]])
    neck = point - 44 * ahead
    arrow = [point, neck + 24 * side, neck + 8 * side, at + 8 * side, at - 8 * side, neck - 8 * side, neck - 24 * side]
    axes.add_patch(Polygon(np.array(arrow), closed=True, fc=PAPER, ec=INK, lw=3, zorder=9))
    axes.text(
        at[0], at[1], words, fontsize=size, weight="bold", ha="center", va="center", color=INK, zorder=10,
        bbox={"boxstyle": "round,pad=0.35", "fc": PAPER, "ec": INK, "lw": 3},
    )  # fmt: skip


def _rotation(
    axes: Axes, inspection: Inspected, place: Placement, wear: WheelWear, view: Window, middle: Floats
) -> None:
    """An arc with an arrow head, the way the sprocket turns when the machine rolls forward."""
    clockwise = (inspection.claim.position == "front") == wear.drive_clockwise
    away = -math.pi / 2
    pointed = _pointed_at(wear)
    if pointed is not None:  # its callout stands on the other side
        away = place.wheel.phase + (pointed + 0.5) * place.wheel.form.pitch_angle + math.pi
    sweep = np.linspace(0.85, -0.85, 40) if clockwise else np.linspace(-0.85, 0.85, 40)
    round_about = np.stack([np.cos(away + sweep), np.sin(away + sweep)], axis=1)
    radius = place.datum.form.pitch_radius_mm
    path = view.shown(place.wheel.plane.project(0.52 * radius * round_about + place.datum.shift_mm))
    axes.plot(*path.T, lw=8, color="white", path_effects=casing(13), zorder=6, solid_capstyle="butt")
    ahead = path[-1] - path[-3]
    ahead = ahead / float(np.hypot(*ahead))
    side = np.array([-ahead[1], ahead[0]])
    head = np.stack([path[-1] + 30 * ahead, path[-1] + 19 * side, path[-1] - 19 * side])
    axes.add_patch(Polygon(head, closed=True, fc="white", ec=INK, lw=2.5, zorder=7))
    write(axes, middle + 0.66 * (path[len(path) // 2] - middle), "rolling\nforward", 24, bold=True)


def _scale_bar(axes: Axes, place: Placement, view: Window) -> None:
    px = place.wheel.plane.px_per_mm * view.scale
    length = next(mm for mm in (5, 10, 20, 50, 100, 200) if mm * px > 130 or mm == 200)
    x, y = _EDGE_PX, SIDE_PX - _EDGE_PX
    axes.add_patch(Rectangle((x, y - 12), length * px, 12, fc="white", ec=INK, lw=2, zorder=8))
    axes.add_patch(Rectangle((x, y - 12), length * px / 2, 12, fc=INK, ec=INK, lw=0, zorder=8))
    write(axes, np.array([x, y - 36]), f"{length} mm", 26, bold=True, ha="left")
