"""A sheet as PDF, A4 or Letter, through reportlab."""

from __future__ import annotations

import io
from typing import Any, Literal
from xml.sax.saxutils import escape

from toothcheck.marks import MADE_BY
from toothcheck.sheets.fonts import as_seen, fonts, legend, printable
from toothcheck.sheets.sheet import Section, Sheet


def _text(text: str) -> str:
    return escape(as_seen(printable(text)))


def _words(sheet: Sheet) -> list[str]:
    """Everything that stands on a sheet."""
    out = [sheet.title, sheet.subtitle, sheet.footer]
    for section in sheet.sections:
        out += [section.heading, *(word for fact in section.facts for word in fact), *section.steps, *section.remarks]
    return out


def to_pdf(sheet: Sheet, *, paper: Literal["a4", "letter"] = "a4") -> bytes:
    """Lay the sheet out; the bytes of a PDF file, the same for the same sheet."""
    from reportlab.lib.colors import HexColor
    from reportlab.lib.pagesizes import A4, letter
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.lib.units import mm
    from reportlab.platypus import Flowable, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

    line, muted = HexColor("#888888"), HexColor("#4d4d4d")
    font, bold = fonts()
    body = ParagraphStyle("body", fontName=font, fontSize=9, leading=12)
    listed = ParagraphStyle("listed", parent=body, leftIndent=10, bulletFontName=font, bulletFontSize=9, spaceAfter=2)
    head = ParagraphStyle("head", parent=body, fontName=bold, fontSize=10.5, leading=15, spaceBefore=8)
    title = ParagraphStyle("title", parent=head, fontSize=15, leading=20, spaceBefore=0)

    class Box(Flowable):  # type: ignore[misc]  # reportlab ships no types
        """A square to tick."""

        def wrap(self, *_: float) -> tuple[float, float]:
            return 4 * mm, 4 * mm

        def draw(self) -> None:
            self.canv.setLineWidth(0.7)
            self.canv.rect(0, 0, 3.2 * mm, 3.2 * mm)

    page = A4 if paper == "a4" else letter
    width = page[0] - 36 * mm
    story: list[Any] = [Paragraph(_text(sheet.title), title), Paragraph(_text(sheet.subtitle), body), Spacer(0, 2 * mm)]
    codes = legend(_words(sheet))
    for section in (*sheet.sections, *((Section(heading="Letters", remarks=(codes,)),) if codes else ())):
        heading = Paragraph(_text(section.heading), head)
        parts: list[Any] = []
        if section.facts:
            rows = [[Paragraph(_text(a), body), Paragraph(_text(b) or "&nbsp;", body)] for a, b in section.facts]
            table = Table(rows, colWidths=[0.42 * width, 0.58 * width])
            table.setStyle(
                TableStyle(
                    [
                        ("LINEBELOW", (0, 0), (-1, -1), 0.4, line),
                        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                        ("TOPPADDING", (0, 0), (-1, -1), 2.2),
                        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
                    ]
                )
            )
            parts.append(table)
        for step in section.steps:
            row = Table([[Box(), Paragraph(_text(step), body)]], colWidths=[7 * mm, width - 7 * mm])
            row.setStyle(TableStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5)]))
            parts.append(row)
        parts += [Paragraph(_text(remark), listed, bulletText="•") for remark in section.remarks]
        # a heading never stands alone at the foot of a page
        story.append(KeepTogether([heading, Spacer(0, 1 * mm), *parts[:1]]))
        story += parts[1:]

    def foot(canvas: Any, document: Any) -> None:  # noqa: ANN401  # reportlab ships no types
        canvas.setFont(font, 8)
        canvas.setFillColor(muted)
        canvas.drawString(18 * mm, 10 * mm, as_seen(printable(sheet.footer)))
        canvas.drawRightString(page[0] - 18 * mm, 10 * mm, f"page {document.page}")

    out = io.BytesIO()
    SimpleDocTemplate(
        out,
        pagesize=page,
        leftMargin=18 * mm,
        rightMargin=18 * mm,
        topMargin=14 * mm,
        bottomMargin=16 * mm,
        title=sheet.title,
        author=MADE_BY,
        invariant=1,  # no date of its own: the same sheet gives the same bytes
    ).build(story, onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()
