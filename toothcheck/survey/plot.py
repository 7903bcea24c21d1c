"""The reliability plot."""

from __future__ import annotations

import io

from toothcheck.marks import FIGURE
from toothcheck.survey.tables import Reliability


def reliability_plot(r: Reliability, title: str) -> bytes:
    """A PNG: mean confidence of each bin against the share graded right, with binomial bands."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.6, 5.2), dpi=130, layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.plot([0.45, 1], [0.45, 1], color="0.6", linewidth=1, label="as stated")
    low = [c - b[0] for c, b in zip(r.confidence, r.band, strict=True)]
    high = [b[1] - c for c, b in zip(r.confidence, r.band, strict=True)]
    axes.errorbar(
        r.confidence, r.confidence, yerr=[[max(v, 0) for v in low], [max(v, 0) for v in high]],
        fmt="none", ecolor="0.6", elinewidth=5, alpha=0.6, label="95 of 100, were it true",
    )  # fmt: skip
    axes.plot(r.confidence, r.right, "o", color="#0b5394", markersize=8, label="graded right")
    for x, y, n in zip(r.confidence, r.right, r.bin_counts, strict=True):
        axes.annotate(f"n = {n}", (x, y), xytext=(8, -4), textcoords="offset points", fontsize=9)
    axes.set_xlim(0.45, 1.06)
    axes.set_ylim(0.3, 1.04)
    axes.set_xlabel("confidence stated (mean of bin)")
    axes.set_ylabel("share graded right")
    axes.set_title(
        f"{title}\n{r.count} photos, Brier score {r.brier:.3f}, confidence − right {r.gap:+z.3f}", fontsize=11
    )
    axes.grid(alpha=0.25)
    axes.legend(loc="lower right", fontsize=9)
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata=FIGURE["png"])
    return out.getvalue()
