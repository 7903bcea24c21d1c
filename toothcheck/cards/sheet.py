"""Drawing in millimetres on a page whose origin is its top left corner, y down, like the cards themselves."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence

from reportlab.lib.colors import CMYKColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from toothcheck.marks import MADE_BY

# Helvetica is one of the fonts that every PDF reader brings along
_PLAIN, _BOLD = "Helvetica", "Helvetica-Bold"


class Sheet:
    """Pages of a PDF; all lengths mm, grey from 0 (black ink) to 1 (paper), type sizes in points.

    Black is black ink alone: a black mixed from colours would have coloured fringes.
    """

    def __init__(self, title: str, subject: str) -> None:
        self._bytes = io.BytesIO()
        # invariant: no time of day in the file, the same card is the same bytes
        self._canvas = Canvas(self._bytes, invariant=1, pageCompression=1)
        self._canvas.setTitle(title)
        self._canvas.setSubject(subject)
        self._canvas.setCreator(MADE_BY)
        self._canvas.setAuthor(MADE_BY)
        self._height = 0.0

    def page(self, width_mm: float, height_mm: float) -> None:
        """Begin a page, ending the one before it."""
        if self._height:
            self._canvas.showPage()
        self._height = height_mm
        self._canvas.setPageSize((width_mm * mm, height_mm * mm))

    def finished(self) -> bytes:
        """Close the file and give its bytes."""
        # readers are asked not to scale on their own; most obey
        self._canvas.setViewerPreference("PrintScaling", "None")
        self._canvas.save()
        return self._bytes.getvalue()

    def line(
        self, x1: float, y1: float, x2: float, y2: float, *, width: float = 0.2, grey: float = 0.0, dash: float = 0.0
    ) -> None:
        """Draw a straight line."""
        c = self._canvas
        c.setStrokeGray(grey)
        c.setLineWidth(width * mm)
        c.setDash([dash * mm, dash * mm] if dash else [])
        c.line(x1 * mm, (self._height - y1) * mm, x2 * mm, (self._height - y2) * mm)

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        radius: float = 0.0,
        line: float = 0.2,
        grey: float = 0.0,
        fill: float | None = None,
    ) -> None:
        """Draw a rectangle by its top left corner; ``line=0`` draws no border, ``fill`` is a grey."""
        c = self._canvas
        c.setStrokeGray(grey)
        c.setDash([])
        c.setLineWidth(line * mm)
        if fill is not None:
            c.setFillGray(fill)
        c.roundRect(
            x * mm, (self._height - y - height) * mm, width * mm, height * mm, radius * mm,
            stroke=int(line > 0), fill=int(fill is not None),
        )  # fmt: skip

    def black_runs(self, runs: Sequence[tuple[float, float, float, float]]) -> None:
        """Fill rectangles (x, y, width, height) as one path, so that no hairline shows where they touch."""
        path = self._canvas.beginPath()
        for x, y, width, height in runs:
            path.rect(x * mm, (self._height - y - height) * mm, width * mm, height * mm)
        self._canvas.setFillGray(0.0)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def text(
        self, x: float, y: float, words: str, *, size: float, bold: bool = False, grey: float = 0.0, align: str = "left"
    ) -> None:
        """Set one line with its baseline at y; ``align`` is left, middle or right of x."""
        c = self._canvas
        c.setFillGray(grey)
        c.setFont(_BOLD if bold else _PLAIN, size)
        draw: dict[str, Callable[[float, float, str], object]] = {
            "left": c.drawString, "middle": c.drawCentredString, "right": c.drawRightString,
        }  # fmt: skip
        draw[align](x * mm, (self._height - y) * mm, words)

    def paragraph(
        self, x: float, y: float, width: float, words: str, *, size: float, leading: float, grey: float = 0.0
    ) -> float:
        """Set a paragraph (``<b>`` allowed) from its top left corner; gives its height in mm."""
        ink = CMYKColor(0, 0, 0, 1 - grey)  # black ink alone, see the class
        style = ParagraphStyle("body", fontName=_PLAIN, fontSize=size, leading=leading, textColor=ink)
        paragraph = Paragraph(words, style)
        _, height = paragraph.wrap(width * mm, 10_000)
        paragraph.drawOn(self._canvas, x * mm, (self._height - y) * mm - height)
        return float(height / mm)
