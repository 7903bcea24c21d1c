"""The trend as a picture: readings with their uncertainty, the fit with its 80 % band, and the bands to come.

Drawn with matplotlib's own figure objects (no window system, no global state) and returned as bytes.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from toothcheck.logbook import in_unit
from toothcheck.marks import FIGURE
from toothcheck.sheets.fonts import legend, printable
from toothcheck.trend.fleet import PartTrend
from toothcheck.trend.result import BANDS

FORMS = ("png", "svg")
"""What can be drawn."""

_WIDEST = 68  # letters in a line of the words over and under all panels
_PANEL_WIDEST = 78  # and of a panel's title, which is smaller
_INK, _FIT, _GREY = "#1b1b1b", "#0072b2", "#8a8a8a"  # told apart by the colour-blind as well (and by their shapes)


def drawn(trends: Sequence[PartTrend], *, title: str, form: str, unit: str = "km") -> bytes:
    """One panel for each part, as a PNG or SVG file's bytes; the same input gives the same bytes.

    Parameters
    ----------
    trends
        At least one.
    title
        Above the panels.
    form
        One of `FORMS`.
    unit
        ``km`` or ``miles`` for the horizontal axis and the rate.

    Raises
    ------
    ValueError
        When the form or the unit is none of these, or there is no trend.
    """
    if form not in FORMS:
        raise ValueError(f"form must be one of {', '.join(FORMS)}, not {form!r}")
    if not trends:
        raise ValueError("trends must hold at least one")
    with rc_context({"svg.hashsalt": "toothcheck", "font.size": 9}):
        figure = Figure(figsize=(8, 4.2 * len(trends)), layout="constrained")
        figure.suptitle(_wrapped(printable(title)), parse_math=False)  # names may hold a dollar sign
        if codes := legend([title, *(trend.part for trend in trends)]):
            figure.supxlabel(_wrapped(codes), fontsize=9, parse_math=False)
        for axes, trend in zip(np.atleast_1d(figure.subplots(len(trends), 1)), trends, strict=True):
            _panel(axes, trend, unit)
        out = io.BytesIO()
        figure.savefig(out, format=form, dpi=120, metadata=FIGURE[form])
    return out.getvalue()


def _wrapped(text: str, widest: int = _WIDEST) -> str:
    return textwrap.fill(text, widest)


def _panel(axes: Axes, part: PartTrend, unit: str) -> None:
    trend = part.trend
    scale = in_unit(1.0, unit)
    per = 1 / scale
    shown = max(trend.now_km * 1.15, *(p.km for p in trend.points), 1000.0)
    for crossing in [c for c in part.crossings if c.percent <= BANDS[1][1]] or part.crossings[:1]:
        shown = max(shown, 1.05 * (crossing.late_km or crossing.median_km or 0.0))
    shown = min(shown, max(4 * trend.now_km, 60_000.0))
    ends = shown if part.crossings else trend.now_km  # of a part past the last band nothing is foretold
    km = np.append(trend.curve_km[trend.curve_km < ends], min(ends, trend.curve_km[-1]))
    early, middle, late = (np.interp(km, trend.curve_km, row) for row in trend.curve_percent)
    told = part.drawn_at(km, middle)
    km, early, middle, late = km[told], early[told], middle[told], late[told]
    x = km * scale
    axes.fill_between(x, early, late, color=_FIT, alpha=0.18, linewidth=0, label="wear, 8 times out of 10 within")
    behind = km <= trend.now_km
    if trend.now_km > 0:
        axes.plot(x[behind], middle[behind], color=_FIT, label="wear, middle")
    if not behind.all():
        axes.plot(x[~behind], middle[~behind], color=_FIT, linestyle="--", label="forecast")
    fitted = [i for i in range(len(trend.points)) if i not in trend.called_out]
    for chosen, marker, label in (
        (fitted, "o", "readings ± 2 standard uncertainties"),
        (trend.called_out, "x", "readings called out, not fitted"),
    ):
        if chosen:
            axes.errorbar(
                [trend.points[i].km * scale for i in chosen],
                [trend.points[i].percent for i in chosen],
                [2 * trend.points[i].std_percent for i in chosen],
                fmt=marker,
                color=_INK,
                markersize=4,
                capsize=2,
                linewidth=1,
                label=label,
            )
    highest = max(11.0, float(late.max(initial=0.0)) if not part.crossings else 0.0)
    highest = max(highest, *(p.percent + 2 * p.std_percent for p in trend.points), trend.now_percent + 2.0)
    highest = min(40.0, highest * 1.08)
    for name, percent in BANDS:
        if percent < highest:
            axes.axhline(percent, color=_GREY, linewidth=0.8, linestyle=":")
            axes.annotate(
                f"{name}\nfrom {percent:.0f} %", (1.008, percent), xycoords=("axes fraction", "data"),
                ha="left", va="center", color=_INK, fontsize=9,  # beside the picture, where nothing is drawn
            )  # fmt: skip
    unsaid: str | None = "a band begins, 8 times out of 10 within"
    for crossing in part.crossings:
        if crossing.early_km is not None and crossing.percent < highest and crossing.early_km < shown:
            end = min(shown, crossing.late_km or shown)
            axes.plot(
                [crossing.early_km * scale, end * scale], [crossing.percent] * 2, color=_FIT, linewidth=3, alpha=0.7,
                solid_capstyle="butt", label=unsaid,
            )  # fmt: skip
            unsaid = None  # once in the legend
    axes.axvline(trend.now_km * scale, color=_GREY, linewidth=0.8)
    axes.annotate(
        f" last entry\n {part.counted_from or ''}".rstrip(), (trend.now_km * scale, 0.98),
        xycoords=("data", "axes fraction"), va="top", color=_INK, fontsize=9,
    )  # fmt: skip
    lowest = min(0.0, *(p.percent - 2 * p.std_percent for p in trend.points), 0.0)
    axes.set(
        xlim=(0, shown * scale),
        ylim=(lowest - 0.02 * highest if lowest < 0 else 0.0, highest),  # the end of a reading's bar is seen, too
        xlabel=f"the part's own distance, {unit}" + ("" if part.start_known else " since it joined the logbook"),
        ylabel="asymmetry, %",
    )
    rate = f"{trend.rate * per:.2f} % per 1000 {unit} ({trend.rate_interval[0] * per:.2f} … "
    rate += f"{trend.rate_interval[1] * per:.2f})" + (", mostly common practice" if trend.rests_on_prior else "")
    axes.set_title(_wrapped(f"{printable(part.part)}: {rate}", _PANEL_WIDEST), loc="left", parse_math=False)
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:,.0f}".replace(",", " "))
    # below the axis, where it hides no reading
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.17), ncols=2, fontsize=9, frameon=False)
