"""The report as one HTML page: no request goes out, it prints, and a phone or a screen reader can read it."""

from __future__ import annotations

from toothcheck.pages import data_uri, render
from toothcheck.report.content import ReportInput, view_of


def report_page(given: ReportInput) -> str:
    """The report as self-contained HTML.

    Raises
    ------
    ValueError
        When the document is not an inspection.
    """
    view = view_of(given)
    source = data_uri(view.picture, _media_type(view.picture)) if view.picture else ""
    return render("toothcheck.report", "report.html.j2", {"version": view.version, "view": view, "source": source})


def _media_type(content: bytes) -> str:
    return "image/png" if content.startswith(b"\x89PNG") else "image/jpeg"
