"""All measured teeth in one chart, and the worst tooth beside the ideal one.

The chart keeps to the tooth's own frame (measures.md, section 2): tip up, drive flank on the right, whatever the photo
shows.
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from toothcheck.estimate import said
from toothcheck.flags import TURNING_GUESSED
from toothcheck.geometry import Floats, rotated
from toothcheck.grade import BANDS_PERCENT, CANNOT_TELL, GRADES, HOOK_MM, MEANING
from toothcheck.overlay.drawing import draw_tooth, fill_lost, show
from toothcheck.overlay.frames import (
    Inspected,
    Placement,
    drive_flank,
    flanks,
    ideal_thickness_mm,
    loss_stds,
)
from toothcheck.overlay.panel import MEASURED_FROM, UNSEEN, sentence
from toothcheck.overlay.style import FAINT, INK, METAL, PAPER, canvas, casing, look, loss_scale, png, ramp, svg, wrapped
from toothcheck.overlay.views import Upright, spine, upright
from toothcheck.sheets.fonts import printable
from toothcheck.toothform import IsoForm
from toothcheck.wear import Datum, ToothWear, WheelWear, hook_said

_WIDTH_PX, _HEIGHT_PX = 1800, 1260
_TOP_PX = 210.0
"""Where the axes begin, under grade, what to do and what is shown."""
_DRIVE, _BAND = ramp()(0.42), "#f0c36a"
_COVER = 1.96
"""95 % of a normal distribution (JCGM 100:2008, table G.1)."""


def _placed(inspection: Inspected) -> tuple[Placement, WheelWear]:
    wear, traced = inspection.wear, inspection.traced
    if wear is None or traced is None or wear.worst_tooth is None:
        raise ValueError("inspection must hold at least one measured tooth")
    return Placement(wheel=traced.wheel, datum=wear.datum, drive_clockwise=wear.drive_clockwise), wear


def teeth_chart(inspection: Inspected, *, kind: str = "png") -> bytes:
    """All measured teeth laid over one another with the ideal form, and a bar a tooth.

    Parameters
    ----------
    inspection
        With at least one measured tooth.
    kind
        ``png`` or ``svg``.

    Raises
    ------
    ValueError
        When nothing was measured, or ``kind`` is neither.
    """
    if kind not in ("png", "svg"):
        raise ValueError(f"kind must be png or svg, not {kind!r}")
    _, wear = _placed(inspection)
    with look():
        figure = canvas(_WIDTH_PX, _HEIGHT_PX)
        _title(figure, inspection, wear)
        doubt = "" if TURNING_GUESSED.isdisjoint(inspection.flags) else "?"  # it may as well be the other flank
        _overlaid(_axes(figure, 90, _TOP_PX, 600, 640), wear, doubt)
        _bars(_axes(figure, 810, _TOP_PX, 770, 640), wear, doubt)
        _words(figure, inspection, wear)
        return png(figure) if kind == "png" else svg(figure)


def _axes(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    w, h = figure.get_size_inches() * 72
    return figure.add_axes((left / w, 1 - (top + height) / h, width / w, height / h))


def _write(
    figure: Figure, left: float, top: float, words: str, size: float, *, bold: bool = False, colour: str = INK
) -> None:
    w, h = figure.get_size_inches() * 72
    weight = "bold" if bold else "normal"
    figure.text(
        left / w, 1 - top / h, words, fontsize=size, va="baseline", weight=weight, color=colour,
        parse_math=False,  # a photo's name may hold dollar signs
    )  # fmt: skip


def _title(figure: Figure, inspection: Inspected, wear: WheelWear) -> None:
    verdict, claim = inspection.verdict, inspection.claim
    sure = "" if verdict.grade == CANNOT_TELL else f", confidence {100 * verdict.confidence:.0f} %"
    _write(figure, 40, 58, f"{verdict.grade}{sure}", 38, bold=True)
    meaning = [sentence(MEANING[verdict.grade])]
    if verdict.grade == CANNOT_TELL:
        meaning += verdict.next_steps[:1]  # no grade says what to do, so the first step does
    top = 98.0
    for row in wrapped(" ".join(meaning), 23, _WIDTH_PX - 80, bold=True)[:2]:
        _write(figure, 40, top, row, 23, bold=True)
        top += 31
    measured = sum(t.measured for t in wear.teeth)
    told = " (taken, not told)" if "chain-open" in inspection.flags else ""
    chain = "" if claim.chain is None else f"chain {claim.chain.name}{told}, "
    words = f"{chain}{len(wear.teeth)} teeth, {claim.position}; {measured} measured"
    words = printable(f"{inspection.photo.name}: {words}")
    for row in wrapped(words, 21, _WIDTH_PX - 80)[:2]:  # no room for a third
        _write(figure, 40, top, row, 21, colour=FAINT)
        top += 28


# --- teeth over one another ------------------------------------------------------------------------------------------
def _flank_lines(form: IsoForm, radii: Floats, more_mm: Floats | float = 0.0) -> Floats:
    """Half thicknesses as (r, 2) points of the drive flank."""
    angle = (form.half_thickness_mm(radii) + more_mm) / radii
    return np.stack([radii * np.sin(angle), radii * np.cos(angle)], axis=1)


def _overlaid(axes: Axes, wear: WheelWear, doubt: str) -> None:
    form = wear.datum.form
    radius = form.pitch_radius_mm
    radii = np.linspace(form.junction_radius_mm - 0.3, form.tip_radius_mm - 0.05, 80)
    for side, std in zip((-1.0, 1.0), loss_stds(wear), strict=True):
        inner, outer = (_flank_lines(form, radii, k * _COVER * std) for k in (-1, 1))
        ring = np.concatenate([inner, outer[::-1]]) * (side, 1.0)
        axes.fill(ring[:, 0], ring[:, 1] - radius, color=_BAND, alpha=0.75, lw=0, zorder=2)
    worst = wear.worst_tooth
    for tooth in wear.teeth:
        if not tooth.measured or tooth.outline_mm is None:
            continue
        here = tooth.index == worst
        for line, colour in zip(flanks(tooth.outline_mm), (FAINT, _DRIVE), strict=True):
            if len(line):
                axes.plot(
                    line[:, 0], line[:, 1] - radius, color=INK if here else colour, lw=3.2 if here else 1.4,
                    alpha=1.0 if here else 0.6, zorder=5 if here else 4,
                )  # fmt: skip
    ideal = form.tooth().points_mm
    axes.plot(ideal[:, 0], ideal[:, 1] - radius, color=PAPER, lw=4.4, zorder=6)
    axes.plot(ideal[:, 0], ideal[:, 1] - radius, color=INK, lw=2.2, ls=(0, (4, 2)), zorder=6)
    half = math.pi / form.teeth
    across = np.linspace(-half, half, 60)
    axes.plot(
        radius * np.sin(across), radius * (np.cos(across) - 1), color=FAINT, lw=1.2, ls=(0, (8, 3, 1, 3)), zorder=1
    )
    low = form.seat_centre_radius_mm - form.seat_radius_mm
    axes.set_aspect("equal")
    tall = form.tip_radius_mm - low
    axes.set_ylim(low - radius + 0.1 * tall, form.tip_radius_mm - radius + 0.12 * tall)
    axes.set_xlim(*(0.5 * 600 / 640 * 1.02 * tall * side for side in (-1, 1)))
    axes.set_ylabel("mm above the pitch circle", fontsize=20)
    axes.set_xlabel("mm from the ideal centre line", fontsize=20)
    axes.tick_params(labelsize=18)
    axes.spines[["top", "right"]].set_visible(False)
    for words, x, ha in (("coast flank", 0.02, "left"), ("drive flank", 0.98, "right")):
        axes.text(x, 0.98, words + doubt, transform=axes.transAxes, fontsize=21, weight="bold", ha=ha, va="top")
    handles = [
        Line2D([], [], color=INK, lw=2.2, ls=(0, (4, 2)), label="ideal tooth"),
        Line2D([], [], color=_BAND, lw=12, label="too close to tell (95 %)"),
        Line2D([], [], color=INK, lw=3.2, label=f"most worn: tooth {worst}"),
        Line2D([], [], color=_DRIVE, lw=2, label=f"other teeth, drive{doubt}"),
        Line2D([], [], color=FAINT, lw=2, label=f"other teeth, coast{doubt}"),
        Line2D([], [], color=FAINT, lw=1.2, ls=(0, (8, 3, 1, 3)), label="pitch circle"),
    ]
    axes.legend(handles=handles, loc="upper center", bbox_to_anchor=(0.48, -0.12), fontsize=16, frameon=False, ncols=2)


# --- a bar a tooth ---------------------------------------------------------------------------------------------------
def _bars(axes: Axes, wear: WheelWear, doubt: str) -> None:
    teeth = wear.teeth
    errors = {"elinewidth": 2.0, "capsize": 4 if len(teeth) < 25 else 2, "ecolor": INK}
    top = 0.05
    for tooth in teeth:
        if tooth.may_be_damaged:
            axes.annotate(
                "?", (tooth.index, 0.0), (0, 6), xycoords=("data", "axes fraction"), textcoords="offset points",
                fontsize=24, weight="bold", ha="center", va="bottom", zorder=6, path_effects=casing(5, PAPER),
            )  # fmt: skip
        drive, coast, i = tooth.drive_loss_mm, tooth.coast_loss_mm, tooth.index
        if not tooth.measured or drive is None or coast is None:
            if "broken" in tooth.flags:
                axes.text(
                    i, 0.02, "broken or missing", fontsize=20, ha="center", va="bottom", rotation=90, color=INK,
                    path_effects=casing(5, PAPER),  # limits' lines pass behind it
                )  # fmt: skip
            else:
                axes.text(i, 0.0, "×", fontsize=20, ha="center", va="bottom", color=FAINT)
            continue
        here = i == wear.worst_tooth
        axes.bar(
            i - 0.17,
            drive.value,
            0.5,
            yerr=drive.std,
            color=_DRIVE,
            ec=INK,
            lw=2.5 if here else 0.6,
            error_kw=errors,
            zorder=3,
        )
        axes.bar(
            i + 0.25, coast.value, 0.3, yerr=coast.std, color=PAPER, ec=FAINT, hatch="////", lw=0.8,
            error_kw={**errors, "ecolor": FAINT}, zorder=3,
        )  # fmt: skip
        top = max(top, drive.value + drive.std, coast.value + coast.std)
    _most_worn(axes, wear)
    lowest = min([-0.02, *(e.value - e.std for t in teeth for e in (t.drive_loss_mm, t.coast_loss_mm) if e)])
    axes.set_ylim(lowest - 0.03, 1.22 * top)
    axes.set_xlim(-0.7, len(teeth) - 0.3)
    thickness = ideal_thickness_mm(wear.datum)
    free = -math.inf
    low, high = axes.get_ylim()
    for percent, name in zip(BANDS_PERCENT, GRADES[1:], strict=True):
        mm = percent / 100 * thickness
        if mm < high:
            axes.axhline(mm, color=INK, lw=1.2, ls=(0, (5, 4)), zorder=1)
            free = max(mm, free + 0.034 * (high - low))  # one above the other, where limits stand close together
            axes.annotate(
                f"{name} from {percent:g} %", (1.0, free), (8, 0), xycoords=("axes fraction", "data"),
                textcoords="offset points", fontsize=16, ha="left", va="center",
            )  # fmt: skip
    axes.axhline(0, color=INK, lw=1.4, zorder=4)
    step = 1 if len(teeth) <= 20 else 5
    axes.set_xticks(range(0, len(teeth), step))
    axes.yaxis.set_major_locator(MaxNLocator(7))
    axes.tick_params(labelsize=18)
    axes.set_xlabel("tooth", fontsize=20)
    axes.set_ylabel("mm lost at the pitch circle", fontsize=20)
    axes.spines[["top", "right"]].set_visible(False)
    handles: list[Artist] = [
        Patch(fc=_DRIVE, ec=INK, lw=0.6, label=f"drive flank{doubt}"),
        Patch(fc=PAPER, ec=FAINT, hatch="////", label=f"coast flank{doubt}"),
        Line2D([], [], color=INK, lw=2, marker="|", ms=16, mew=2, ls="none", label="± one standard uncertainty"),
    ]
    if any(not t.measured and "broken" not in t.flags for t in teeth):
        handles.append(Line2D([], [], color=FAINT, marker="x", ms=9, mew=2, ls="none", label="not measured"))
    if any(t.may_be_damaged for t in teeth):
        handles.append(Line2D([], [], color=INK, marker="$?$", ms=12, ls="none", label="damaged? look at it"))
    axes.legend(
        handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.12), fontsize=16, frameon=False,
        ncols=len(handles), columnspacing=1.4,
    )  # fmt: skip


def _most_worn(axes: Axes, wear: WheelWear) -> None:
    """Number and loss of the most worn tooth, over it and over the bars beside it."""
    here = wear.teeth[wear.worst_tooth or 0]
    if here.drive_loss_mm is None:
        return
    count, i = len(wear.teeth), here.index
    side = "left" if i < 0.15 * count else ("right" if i > 0.85 * count else "center")
    reach = {"left": (0.0, 0.32), "center": (-0.16, 0.16), "right": (-0.32, 0.0)}[side]
    beside = [t for t in wear.teeth if reach[0] * count - 1 < t.index - i < reach[1] * count + 1]
    over = max(e.value + e.std for t in beside for e in (t.drive_loss_mm, t.coast_loss_mm) if t.measured and e)
    axes.annotate(
        f"most worn: tooth {i}\n{here.drive_loss_mm.text('mm')}", (i - 0.17, over), (0, 12),
        textcoords="offset points", ha=side, va="bottom", fontsize=19, weight="bold", zorder=6,
        bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 2.0},  # a limit's line may pass behind it
    )  # fmt: skip


def _words(figure: Figure, inspection: Inspected, wear: WheelWear) -> None:
    asymmetry = wear.asymmetry_percent
    loss = wear.drive_loss_mm
    limits = BANDS_PERCENT
    words = [
        f"Median asymmetry {said(asymmetry, '%')}: that share of an unworn tooth's thickness is missing from its drive"
        f" side. Median drive flank loss {said(loss, 'mm')}, hook overhang {hook_said(wear.overhang_mm)}.",
        f"Grades by median asymmetry: good below {limits[0]:g} %, watch from {limits[0]:g} %, replace-set from"
        f" {limits[1]:g} %, replace-now from {limits[2]:g} % or an overhang of {HOOK_MM:g} mm or a damaged tooth. These"
        " bands are this project's convention; no standard sets a limit. The dashed limits in the bars are for coast"
        " flanks as new.",
        f"{MEASURED_FROM} {UNSEEN}",
    ]
    top = 860.0 + _TOP_PX
    for paragraph in words:
        for row in wrapped(paragraph, 20, _WIDTH_PX - 80):
            _write(figure, 40, top, row, 20)
            top += 29
        top += 10


# --- the ideal and the worst tooth -----------------------------------------------------------------------------------
def tooth_pair(inspection: Inspected) -> bytes:
    """The ideal tooth, the worst tooth over it, and that tooth in the photo, all as seen in the photo; PNG.

    Raises
    ------
    ValueError
        When no tooth was measured.
    """
    place, wear = _placed(inspection)
    worst = wear.worst_tooth or 0
    tooth = wear.teeth[worst]
    side, high, gap = 560, 620, 30
    with look():
        figure = canvas(3 * side + 4 * gap, high + 150)
        names = ("as new (ideal)", f"tooth {worst}, measured", f"tooth {worst} in the photo")
        boxes = [_axes(figure, gap + k * (side + gap), 66, side, high) for k in range(3)]
        for k, name in enumerate(names):
            _write(figure, gap + k * (side + gap), 46, name, 28, bold=True)
        view = upright(inspection.photo.colour(), place, worst, side, high)
        mirror = 1.0 if wear.drive_clockwise else -1.0
        middle = float(np.mean(spine(wear.datum.form)))
        reach = np.array([side, high]) / 2 / view.px_per_mm
        for axes in boxes[:2]:
            axes.set_xlim(-reach[0], reach[0])
            axes.set_ylim(middle - reach[1], middle + reach[1])
            axes.set_xticks([])
            axes.set_yticks([])
            axes.spines[:].set_color(FAINT)
        _metal(boxes[0], wear.datum, None, mirror)
        _metal(boxes[1], wear.datum, tooth, mirror)
        _in_photo(boxes[2], place, tooth, view)
        bar = 2.0
        x, y = -reach[0] + 0.06 * reach[0], middle - reach[1] + 0.05 * reach[1]
        boxes[0].plot([x, x + bar], [y, y], color=INK, lw=6, solid_capstyle="butt", zorder=9)
        boxes[0].text(x + bar / 2, y + 0.025 * reach[1], f"{bar:g} mm", fontsize=20, ha="center", va="bottom", zorder=9)
        words = (
            f"Along the pitch circle: drive flank {said(tooth.drive_loss_mm, 'mm')} lost, coast flank"
            f" {said(tooth.coast_loss_mm, 'mm')}; hook overhang {hook_said(tooth.overhang_mm)}; thickness"
            f" {said(tooth.thickness_mm, 'mm')}, new {ideal_thickness_mm(wear.datum):.2f} mm."
            " ± one standard uncertainty. The deepest place is measured square to the flank, so it can be the smaller"
            " number."
        )
        for n, row in enumerate(wrapped(words, 21, 3 * side + 2 * gap)):
            _write(figure, gap, high + 104 + 29 * n, row, 21)
        return png(figure)


def _metal(axes: Axes, datum: Datum, tooth: ToothWear | None, mirror: float) -> None:
    """A tooth as metal; the ideal where nothing was measured: tip and seats are drawn as they would be new."""
    form = datum.form
    ideal = form.tooth(0.05).points_mm * (mirror, 1.0)
    body = ideal
    if tooth is not None and tooth.outline_mm is not None:
        body = _worn_body(form, tooth.outline_mm) * (mirror, 1.0)
        _lost(axes, datum, tooth, mirror)
        coast = flanks(tooth.outline_mm)[0] * (mirror, 1.0)
        axes.plot(*coast.T, color=INK, lw=3, zorder=4)
    pitch = 2 * math.pi / form.teeth
    for metal in (body, rotated(ideal, pitch), rotated(ideal, -pitch)):  # the neighbours' roots reach into the picture
        sector = np.concatenate([metal, [[0.0, 0.0]]])
        axes.fill(sector[:, 0], sector[:, 1], color=METAL, lw=0.5, zorder=1)
    axes.plot(ideal[:, 0], ideal[:, 1], color=INK, lw=2.2, ls="-" if tooth is None else (0, (4, 2)), zorder=5)
    _flank_names(axes, mirror, INK)


def _lost(axes: Axes, datum: Datum, tooth: ToothWear, mirror: float) -> None:
    """What is missing from the drive flank, and how much where it is most."""
    flank = drive_flank(tooth, datum)
    if flank is None:
        return
    measured, new = flank.measured_mm * (mirror, 1.0), flank.ideal_mm * (mirror, 1.0)
    loss = 0.5 * (flank.loss_mm[1:] + flank.loss_mm[:-1])
    fill_lost(axes, measured, new, loss, loss_scale(ideal_thickness_mm(datum)).colours(loss), order=2)
    axes.plot(*measured.T, color=INK, lw=5, zorder=4, solid_capstyle="round")
    greatest = tooth.greatest_loss_mm
    if greatest is None or greatest.value < 0.05:
        return
    at = new[int(np.argmax(flank.loss_mm))] + (0.35 * mirror, 0.0)
    axes.annotate(
        f"deepest, mm\n{greatest.text()}", at, fontsize=20, weight="bold", ha="left" if mirror > 0 else "right",
        va="center", zorder=8, path_effects=casing(5, PAPER),
    )  # fmt: skip


def _flank_names(axes: Axes, mirror: float, colour: str) -> None:
    around = PAPER if colour == INK else INK
    for words, right in (("drive flank", mirror > 0), ("coast flank", mirror < 0)):
        axes.text(
            0.97 if right else 0.03, 0.965, words, transform=axes.transAxes, fontsize=20, weight="bold", color=colour,
            ha="right" if right else "left", va="top", zorder=9, path_effects=casing(4, around),
        )  # fmt: skip


def _worn_body(form: IsoForm, outline: Floats) -> Floats:
    """The measured flanks, with the ideal seats below them, joined straight at the tip; coast first."""
    ideal = form.tooth(0.05).points_mm
    coast, drive = flanks(outline)
    low = [float(np.hypot(*line[0])) if len(line) else math.inf for line in (coast, drive)]
    r = np.hypot(ideal[:, 0], ideal[:, 1])
    before = ideal[(ideal[:, 0] < 0) & (r < low[0])]
    after = ideal[(ideal[:, 0] > 0) & (r < low[1])]
    return np.concatenate([before, coast, drive[::-1], after])


def _in_photo(axes: Axes, place: Placement, tooth: ToothWear, view: Upright) -> None:
    show(axes, view.image)
    draw_tooth(axes, place, tooth, view, loss_scale(ideal_thickness_mm(place.datum)), width=2.6)
    _flank_names(axes, 1.0 if place.drive_clockwise else -1.0, PAPER)
