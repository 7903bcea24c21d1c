"""The comparison as a picture: both outlines with what is gone in colour, and the loss of each tooth."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterable

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from toothcheck.comparing.losses import Comparison
from toothcheck.marks import FIGURE
from toothcheck.sheets.fonts import printable

FORMS = ("png", "svg")
"""What can be drawn."""

_WIDEST, _WIDEST_BOLD = 130, 85  # letters in a line under and over the picture
_BEFORE, _AFTER, _GONE, _GREY = "#1b1b1b", "#0072b2", "#d55e00", "#8a8a8a"


def drawn(comparison: Comparison, *, title: str, form: str, claimed: bool = True) -> bytes:
    """A PNG or SVG file's bytes; the same input gives the same bytes.

    Parameters
    ----------
    title
        The photos, which are named under the picture; on further lines what is to be read before any loss.
    form
        One of `FORMS`.
    claimed
        Whether a loss is claimed; if not, only the outlines are drawn, which show where the photos disagree.

    Raises
    ------
    ValueError
        When the form is none of `FORMS`.
    """
    if form not in FORMS:
        raise ValueError(f"form must be one of {', '.join(FORMS)}, not {form!r}")
    with rc_context({"svg.hashsalt": "toothcheck", "font.size": 9}):
        figure = Figure(figsize=(11, 5.6), layout="constrained")
        names, *first = printable(title).splitlines()
        if claimed:
            first.append(f"Gone from the drive flanks: {comparison.median_loss_mm.text('mm')} (median)")
        figure.suptitle(_filled(first, _WIDEST_BOLD), fontsize=14, weight="bold", parse_math=False)
        figure.supxlabel(_filled([names], _WIDEST), fontsize=9, parse_math=False)
        if claimed:
            outlines, losses = figure.subplots(1, 2, width_ratios=(1, 1.1))
            _losses(losses, comparison)
        else:
            outlines = figure.subplots()
        _outlines(outlines, comparison)
        out = io.BytesIO()
        figure.savefig(out, format=form, dpi=120, metadata=FIGURE[form])
    return out.getvalue()


def _filled(lines: Iterable[str], widest: int) -> str:
    """Photos' names may be long, and hold dollar signs, and spaces that the font does not have."""
    return "\n".join(textwrap.fill(" ".join(line.split()), widest) for line in lines)


def _outlines(axes: Axes, comparison: Comparison) -> None:
    for number, (before, after) in enumerate(comparison.outlines_mm):
        between = np.concatenate([before, after[::-1]])
        axes.fill(*between.T, color=_GONE, alpha=0.8, linewidth=0.6, label="changed" if number == 0 else None)
        axes.plot(*before.T, color=_BEFORE, linewidth=0.9, ls="--", label="before" if number == 0 else None)
        axes.plot(*after.T, color=_AFTER, linewidth=0.7, label="after" if number == 0 else None)
    axes.set(aspect="equal", xlabel="mm", ylabel="mm", title="outlines, laid on each other by what does not wear")
    axes.legend(loc="center", fontsize=9, frameon=False)


def _losses(axes: Axes, comparison: Comparison) -> None:
    middle = comparison.median_loss_mm
    axes.axhline(middle.value, color=_GREY, linewidth=1, label=f"median {middle.text('mm')}")
    axes.axhspan(
        middle.value - 2 * middle.std, middle.value + 2 * middle.std, color=_GREY, alpha=0.2, linewidth=0,
        label="median ± 2 standard uncertainties",
    )  # fmt: skip
    if comparison.teeth:
        axes.errorbar(
            [t.index for t in comparison.teeth],
            [t.drive_loss_mm.value for t in comparison.teeth],
            [2 * t.drive_loss_mm.std for t in comparison.teeth],
            fmt="o",
            color=_GONE,
            markersize=4,
            capsize=2,
            linewidth=1,
            label="tooth ± 2 standard uncertainties",
        )
    else:
        # which tooth each belongs to is not known, how they spread is
        rank = range(1, len(comparison.losses_mm) + 1)
        axes.plot(rank, comparison.losses_mm, "o", color=_GREY, markersize=4, label="teeth if they were alike before")
    axes.axhline(0, color=_BEFORE, linewidth=0.6)
    axes.set(
        xlabel="tooth, as numbered before" if comparison.teeth else "teeth, the least loss first",
        ylabel="loss on the drive flank at the pitch circle, mm",
        title="what each tooth lost" if comparison.teeth else "the teeth cannot be told apart: the median holds",
    )
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.12), ncols=2, fontsize=9, frameon=False)
