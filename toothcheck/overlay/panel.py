"""The panel beside the photo: grade, confidence, the three numbers that matter, the worst tooth, the legend."""

from __future__ import annotations

import numpy as np
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle
from numpy.typing import NDArray

from toothcheck.estimate import said
from toothcheck.flags import MAY_BE_DAMAGED
from toothcheck.grade import BANDS_PERCENT, CANNOT_TELL, GRADES, MEANING
from toothcheck.overlay.drawing import draw_tooth, show, write
from toothcheck.overlay.frames import Inspected, Placement, ideal_thickness_mm
from toothcheck.overlay.style import FAINT, INK, PAPER, loss_scale, ramp, width_px, wrapped
from toothcheck.overlay.views import upright
from toothcheck.wear import WheelWear, hook_said

SIDE_PX, PANEL_PX = 1280, 640
"""The photo's square, and the panel's width beside it."""
LEGEND_TOP, FOOT_TOP = 930.0, 1200.0
"""Where the legend and the last lines begin at the earliest."""
MEASURED_FROM = "Measured on the face towards the camera."
UNSEEN = (
    "A photo cannot see cracks, splines, bolts or the chain's stretch. “good” does not mean safe to ride; the manual"
    " and a qualified mechanic decide."
)
"""What a picture must never leave out."""


class Panel:
    """What stands beside the photo, written from top to bottom."""

    def __init__(self, figure: Figure, share: float) -> None:
        self.axes = figure.add_axes((share, 0, 1 - share, 1))
        self.axes.set_xlim(0, PANEL_PX)
        self.axes.set_ylim(SIDE_PX, 0)
        self.axes.set_axis_off()
        self.figure = figure
        self.left, self.right, self.y = 34.0, PANEL_PX - 30.0, 30.0

    def line(self, words: str, size: float, *, bold: bool = False, colour: str = INK, gap: float = 1.35) -> None:
        """Words, wrapped, under what stands there already."""
        for row in wrapped(words, size, self.right - self.left, bold=bold):
            self.y += size * gap
            self.axes.text(
                self.left, self.y, row, fontsize=size, color=colour, weight="bold" if bold else "normal",
                va="baseline",
            )  # fmt: skip

    def head(self, inspection: Inspected) -> None:
        """Grade, its place on the scale, its confidence."""
        verdict = inspection.verdict
        size = 62.0
        while width_px(verdict.grade, size, bold=True) > self.right - self.left:
            size -= 2
        self.y += 6
        self.line(verdict.grade, size, bold=True, gap=0.9)
        self.y += 22
        self._steps(verdict.grade)
        self.line(sentence(MEANING[verdict.grade]), 25, bold=True, gap=1.3)  # what to do: read before any number
        if verdict.grade != CANNOT_TELL:
            self.y += 14
            self._confidence(verdict.confidence)

    def _steps(self, grade: str) -> None:
        x, gap, height = self.left, 6.0, 40.0
        room = self.right - self.left - 3 * gap
        shares = np.array([width_px(g, 17) + 20 for g in GRADES])
        for name, width in zip(GRADES, shares / shares.sum() * room, strict=True):
            here = name == grade
            self.axes.add_patch(
                Rectangle((x, self.y), width, height, fc=INK if here else PAPER, ec=INK if here else FAINT, lw=1.5)
            )
            self.axes.text(
                x + width / 2, self.y + height / 2, name, fontsize=17, ha="center", va="center_baseline",
                color=PAPER if here else FAINT, weight="bold" if here else "normal",
            )  # fmt: skip
            x += width + gap
        self.y += height + 2

    def _confidence(self, confidence: float) -> None:
        words = f"confidence {100 * confidence:.0f} %"
        self.y += 27
        self.axes.text(self.left, self.y, words, fontsize=25, weight="bold", va="baseline")
        x = self.left + width_px(words, 25, bold=True) + 18
        room = self.right - x
        self.axes.add_patch(Rectangle((x, self.y - 20), room, 22, fc=PAPER, ec=INK, lw=1.5))
        self.axes.add_patch(Rectangle((x, self.y - 20), room * confidence, 22, fc=INK, ec=INK, lw=1.5))

    def numbers(self, wear: WheelWear) -> None:
        """The three numbers that matter."""
        self.y += 22
        rows = [
            ("asymmetry", said(wear.asymmetry_percent, "%")),
            ("hook overhang", hook_said(wear.overhang_mm)),
            ("drive flank loss", said(wear.drive_loss_mm, "mm")),
        ]
        for name, value in rows:
            self.y += 36
            self.axes.text(self.left, self.y, name, fontsize=25, va="baseline")
            self.axes.text(self.right, self.y, value, fontsize=26, weight="bold", ha="right", va="baseline")
        measured = sum(t.measured for t in wear.teeth)
        words = (
            f"Medians of {measured} of {len(wear.teeth)} teeth, ± one standard uncertainty. Asymmetry: the share of a"
            " tooth's thickness that is gone from its drive side."
        )
        self.line(words, 17, colour=FAINT, gap=1.4)

    def worst(self, colour: NDArray[np.uint8], place: Placement, wear: WheelWear) -> None:
        """The worst tooth enlarged, tip up."""
        if wear.worst_tooth is None:
            return
        self.y += 18
        width, height = self.right - self.left, LEGEND_TOP - 36 - self.y
        top = self.y
        axes = self.figure.add_axes(
            (
                (SIDE_PX + self.left) / (SIDE_PX + PANEL_PX),
                1 - (top + height) / SIDE_PX,
                width / (SIDE_PX + PANEL_PX),
                height / SIDE_PX,
            )
        )
        view = upright(colour, place, wear.worst_tooth, round(width), round(height))
        show(axes, view.image)
        scale = loss_scale(ideal_thickness_mm(place.datum))
        draw_tooth(axes, place, wear.teeth[wear.worst_tooth], view, scale, width=2.6)
        drive_right = wear.drive_clockwise
        names = (("drive flank", 0.97, "right"), ("coast flank", 0.03, "left")) if place.drive_known else ()
        for words, x, ha in names:
            at = x if drive_right else 1 - x
            side = ha if drive_right else {"left": "right", "right": "left"}[ha]
            write(axes, np.array([at * width, 26]), words, 20, bold=True, ha=side)
        gone = any("broken" in tooth.flags for tooth in wear.teeth)
        words = f"tooth {wear.worst_tooth}, the most worn{' of the others' if gone else ''}"
        write(axes, np.array([width / 2, height - 24]), words, 22, bold=True)
        self.y += height

    def advice(self, inspection: Inspected, bottom: float) -> None:
        """What to do before a grade can be given, and as many of the reasons as there is room for above ``bottom``."""
        self.y += 24
        self.line(inspection.verdict.advice_heading, 28, bold=True)
        for step in inspection.verdict.next_steps[:6]:
            self.y += 8
            self.line(f"• {step}", 23, gap=1.3)
        if inspection.verdict.reasons:
            self.y += 20
            self.line("Why", 28, bold=True)
            left = list(inspection.verdict.reasons)
            row = 21 * 1.3
            while left:
                words = f"• {left.pop(0)}"
                ends = self.y + 6 + row * len(wrapped(words, 21, self.right - self.left))
                if ends + (6 + row if left else 0) > bottom:
                    words, left = f"• and {len(left) + 1} more", []
                self.y += 6
                self.line(words, 21, gap=1.3, colour=FAINT)

    def legend(self, wear: WheelWear) -> None:
        """Colour scale in mm with the grades' limits, and the kinds of line."""
        thickness = ideal_thickness_mm(wear.datum)
        scale = loss_scale(thickness)
        self.y = max(self.y + 20, LEGEND_TOP)
        self.line("Metal lost on the drive flank, mm", 20, bold=True)
        self.y += 10
        x, room, height = self.left, self.right - self.left, 26.0
        steps = np.linspace(0, 1, 257)
        # the strip widens as the drawn line does, so that the scale can be read without colours
        tall = height * (0.25 + 0.75 * steps)
        low = self.y + height
        quads = [
            [(x + a * room, low), (x + b * room, low), (x + b * room, low - tb), (x + a * room, low - ta)]
            for a, b, ta, tb in zip(steps[:-1], steps[1:], tall[:-1], tall[1:], strict=True)
        ]
        colours = ramp()(steps[:-1])
        self.axes.add_collection(PolyCollection(quads, facecolors=colours, edgecolors=colours, linewidths=0.4))
        ends = [*(share / 100 * thickness for share in (0, *BANDS_PERCENT)), scale.most_mm]
        for mm, end, name in zip(ends[:-1], ends[1:], GRADES, strict=True):
            at, middle = (x + room * float(scale.share(v)) for v in (mm, 0.5 * (mm + end)))
            self.axes.plot([at, at], [low - height, low + 6], color=INK, lw=1.5)
            self.axes.text(at, low + 25, f"{mm:.2f}", fontsize=18, ha="center" if mm else "left", va="baseline")
            self.axes.text(middle, low + 47, name, fontsize=15, ha="center", va="baseline", color=FAINT)
        self.axes.text(self.right, low + 25, f"{scale.most_mm:.2f}+", fontsize=18, ha="right", va="baseline")
        self.y = low + 56
        rows = [
            ("new", "dashed: the ideal new tooth"),
            ("now", "solid: measured"),
            ("0.00", "numbers on the sprocket: mm lost at the pitch circle"),
        ]
        unmeasured = [t for t in wear.teeth if not t.measured]
        if unmeasured:
            why = sorted({code for t in unmeasured for code in t.flags} - MAY_BE_DAMAGED)
            rows.append(("out", "not measured: " + ", ".join(code.replace("-", " ") for code in why)))
        if any("tip-differs" in t.flags for t in wear.teeth):
            rows.append(("?", "may be bent or broken: look at it closely"))
        elif any(not MAY_BE_DAMAGED.isdisjoint(t.flags) for t in wear.teeth):
            rows.append(("?", "may be bent: look along its edge"))
        for kind, words in rows:
            self.y += 28
            y = self.y - 7
            if kind == "out":
                self.axes.add_patch(Circle((x + 27, y), 13, fc=PAPER, ec=INK, lw=2, ls=(0, (2, 1.5))))
            elif kind in ("0.00", "?"):
                self.axes.text(x + 27, self.y, kind, fontsize=19, weight="bold", ha="center", va="baseline")
            else:
                self.axes.plot([x, x + 54], [y, y], color=INK, lw=3, ls=(0, (4, 2)) if kind == "new" else "-")
            for row in wrapped(words, 18, self.right - x - 70)[:2]:
                self.axes.text(x + 70, self.y, row, fontsize=18, va="baseline")
                self.y += 22
            self.y -= 22

    def foot(self, *, measured: bool) -> None:
        """What a picture must never leave out."""
        rows = wrapped(f"{MEASURED_FROM} {UNSEEN}" if measured else UNSEEN, 16, self.right - self.left)
        y = SIDE_PX - 18 - 21 * (len(rows) - 1)
        for row in rows:
            self.axes.text(self.left, y, row, fontsize=16, color=FAINT, va="baseline")
            y += 21


def sentence(words: str) -> str:
    """Words with a capital and a full stop."""
    return words[:1].upper() + words[1:] + "."
