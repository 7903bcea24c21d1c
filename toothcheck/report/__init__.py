"""The report of one inspection: the same content as a page for screen and printer, and as PDF."""

from __future__ import annotations

from toothcheck.report.content import Origin, ReportInput, ToothOutline, TrendLine, TrendShown, view_of
from toothcheck.report.history import from_logbook
from toothcheck.report.page import report_page
from toothcheck.report.pdf import PAPERS, report_pdf
from toothcheck.report.traced import outlines_of

__all__ = [
    "PAPERS",
    "Origin",
    "ReportInput",
    "ToothOutline",
    "TrendLine",
    "TrendShown",
    "from_logbook",
    "outlines_of",
    "report_page",
    "report_pdf",
    "view_of",
]
