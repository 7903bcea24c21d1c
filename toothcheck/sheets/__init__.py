"""Order sheet and work checklist for one machine, as Markdown and as PDF.

What is unknown stays a blank line to write on.  Torques appear only as typed from the machine's manual.
"""

from __future__ import annotations

from toothcheck.sheets.checklist import work_checklist
from toothcheck.sheets.fonts import as_seen, fonts, legend, printable
from toothcheck.sheets.order import OrderFacts, SprocketOrder, order_sheet
from toothcheck.sheets.pdf import to_pdf
from toothcheck.sheets.sheet import BLANK, Section, Sheet, to_markdown

__all__ = [
    "BLANK",
    "OrderFacts",
    "Section",
    "Sheet",
    "SprocketOrder",
    "as_seen",
    "fonts",
    "legend",
    "order_sheet",
    "printable",
    "to_markdown",
    "to_pdf",
    "work_checklist",
]
