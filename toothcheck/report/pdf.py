"""The report as PDF, drawn by reportlab: it needs nothing but pip, while HTML printers need system libraries."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from toothcheck.pages.figure import Figure
from toothcheck.report.content import ReportInput, ReportView, Row, view_of
from toothcheck.sheets import as_seen, fonts, legend, printable

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

PAPERS = ("a4", "letter")
_INK, _MUTED, _LINE, _STOP, _WORN = "#1f2a30", "#4d5a61", "#c3cacc", "#fbf3ec", "#9a3f00"
_PHOTO_PT, _LEAST_PHOTO_PT = 345.0, 300.0
"""How high the photo is, and at the least before it goes to the next page: its numbers, a fiftieth of it, are read."""


def report_pdf(given: ReportInput, *, paper: str = "a4") -> bytes:
    """The report as PDF.

    Parameters
    ----------
    given
        What to show.
    paper
        ``a4`` or ``letter``.

    Raises
    ------
    ValueError
        When the document is not an inspection, or the paper is neither.
    """
    from reportlab.lib.pagesizes import A4, LETTER
    from reportlab.lib.units import mm
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    if paper not in PAPERS:
        raise ValueError(f"paper must be one of {', '.join(PAPERS)}, not {paper!r}")
    view = view_of(given)
    out = io.BytesIO()
    size = A4 if paper == "a4" else LETTER
    side, top, bottom = 17 * mm, 16 * mm, 18 * mm
    document = BaseDocTemplate(
        out,
        pagesize=size,
        title=view.title,
        author=f"toothcheck {view.version}",
        subject=f"Grade {view.grade}",
        lang="en",
        invariant=1,  # no time of making inside: the same report is the same file
    )
    width, height = size[0] - 2 * side, size[1] - top - bottom
    styles = _Styles(width)

    def foot(canvas: Any, doc: Any) -> None:  # noqa: ANN401 - reportlab ships no types
        canvas.setFont(styles.font, 8)
        canvas.setFillColor(styles.muted)
        by = f", by toothcheck {view.version}"
        name = whole = as_seen(printable(view.title))
        while canvas.stringWidth(f"{name}{by}", styles.font, 8) > width - 50:  # so much the page's number takes
            whole = whole[:-1]
            name = f"{whole}…"
        canvas.drawString(side, 10 * mm, f"{name}{by}")
        canvas.drawRightString(size[0] - side, 10 * mm, f"page {doc.page}")

    body = Frame(side, bottom, width, height, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
    document.addPageTemplates(PageTemplate(frames=[body], onPage=foot))
    document.build(_story(view, styles))
    return out.getvalue()


class _Styles:
    """Paragraph and table styles of one document."""

    def __init__(self, width_pt: float) -> None:
        from reportlab.lib.colors import HexColor
        from reportlab.lib.styles import ParagraphStyle

        self.font, self.bold = fonts()
        self.width = width_pt
        self.muted, self.line = HexColor(_MUTED), HexColor(_LINE)
        self.stop, self.worn = HexColor(_STOP), HexColor(_WORN)
        base = {"fontName": self.font, "textColor": HexColor(_INK)}
        self.body = ParagraphStyle("body", fontSize=9, leading=12.6, spaceAfter=3, **base)
        self.doubt = ParagraphStyle("doubt", self.body, fontName=self.bold, textColor=self.worn)
        self.listed = ParagraphStyle("listed", self.body, leftIndent=12, bulletFontName=self.font, bulletFontSize=9)
        self.cell = ParagraphStyle("cell", fontSize=9, leading=11.4, **base)
        self.small = ParagraphStyle("small", self.body, fontSize=8.6, leading=11.4, textColor=self.muted)
        bold = {**base, "fontName": self.bold}
        self.h1 = ParagraphStyle("h1", fontSize=17, leading=21, spaceAfter=2, **bold)
        self.h2 = ParagraphStyle("h2", fontSize=11.5, leading=15, spaceBefore=9, spaceAfter=4, keepWithNext=1, **bold)
        self.h3 = ParagraphStyle("h3", fontSize=9.4, leading=12.5, spaceBefore=4, spaceAfter=2, keepWithNext=1, **bold)
        self.grade = ParagraphStyle("grade", fontSize=24, leading=29, spaceAfter=2, **bold)
        self.action = ParagraphStyle("action", self.body, fontName=self.bold)


def _plain(text: str) -> str:
    """Text for a paragraph: reportlab breaks lines at a narrow no-break space, though not at a wide one."""
    return escape(as_seen(printable(text.replace("\u202f", "\u00a0"))))


def _text(text: str, style: Any) -> Flowable:  # noqa: ANN401 - reportlab ships no types
    from reportlab.platypus import Paragraph

    return Paragraph(_plain(text), style)


def _begun_bold(head: str, text: str, style: Any) -> Flowable:  # noqa: ANN401 - reportlab ships no types
    from reportlab.platypus import Paragraph

    return Paragraph(f"<b>{_plain(head)}</b> {_plain(text)}", style)


def _listed(texts: Iterable[str], s: _Styles, *, numbered: bool = False) -> list[Flowable]:
    from reportlab.platypus import Paragraph

    return [
        Paragraph(_plain(text), s.listed, bulletText=f"{i}." if numbered else "•") for i, text in enumerate(texts, 1)
    ]


def _drawn(figure: Figure, s: _Styles, share: float = 1.0) -> Flowable:
    drawing = figure.drawing(s.width * share, font=s.font, bold_font=s.bold)
    drawing.hAlign = "LEFT"
    return drawing


def _rows(rows: Iterable[Row], s: _Styles, width_pt: float) -> Flowable:
    cells = []
    for row in rows:
        note = f"<br/><font size='8.6' color='{_MUTED}'>{_plain(row.note)}</font>" if row.note else ""
        from reportlab.platypus import Paragraph

        cells.append([_text(row.name, s.cell), Paragraph(_plain(row.value) + note, s.cell)])
    return _table(cells, s, [0.42 * width_pt, 0.58 * width_pt])


def _table(cells: list[list[Any]], s: _Styles, widths: list[float], *, head: bool = False) -> Flowable:
    from reportlab.platypus import Table

    table = Table(cells, colWidths=widths, repeatRows=1 if head else 0, hAlign="LEFT")
    look: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, s.line),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 1.6),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8),
    ]
    if head:
        look.append(("LINEBELOW", (0, 0), (-1, 0), 1, s.muted))
    table.setStyle(look)
    return table


def _photo(picture: bytes, caption: str, s: _Styles) -> list[Flowable]:
    """The photo with its heading and caption, on what the page leaves unless that is too little."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import CondPageBreak, Image

    under = _text(caption, s.small)
    room_under = under.wrap(s.width, 0)[1] + s.small.spaceAfter

    class Fitting(Image):  # type: ignore[misc]  # reportlab ships no types
        def wrap(self, width: float, height: float) -> tuple[float, float]:
            shrink = min(width / self.imageWidth, min(_PHOTO_PT, height - room_under) / self.imageHeight)
            self.drawWidth, self.drawHeight = self.imageWidth * shrink, self.imageHeight * shrink
            return self.drawWidth, self.drawHeight

    photo = Fitting(io.BytesIO(picture))
    photo.hAlign = "LEFT"
    # what is kept with its heading is asked for its height before anybody knows what the page leaves
    heading = ParagraphStyle("heading", s.h2, keepWithNext=0)
    above = heading.spaceBefore + heading.leading + heading.spaceAfter
    return [CondPageBreak(above + _LEAST_PHOTO_PT + room_under), _text("The photo", heading), photo, under]


def _story(view: ReportView, s: _Styles) -> list[Flowable]:
    from reportlab.platypus import Spacer

    return [
        _text(view.title, s.h1),
        _text(" · ".join(view.facts), s.small),
        Spacer(1, 6),
        _verdict(view, s),
        *_told(view, s),
        Spacer(1, 6),
        _care(view, s),
        # before the photo, which is as wide as the page: it seldom fits under the cautions, and this does
        *_together("The ideal and the most worn tooth", view.teeth_figure, view.teeth_caption, s, share=0.86),
        *(_photo(view.picture, view.picture_caption, s) if view.picture else ()),
        *_together("Tooth by tooth", view.chart, view.chart_caption, s),
        *_numbers(view, s),
        *_all_teeth(view, s),
        *_flags(view, s),
        *_trends(view, s),
        *_method(view, s),
    ]


def _verdict(view: ReportView, s: _Styles) -> Flowable:
    """The grade, with the rule beside it where there is one."""
    from reportlab.platypus import KeepTogether, Table

    verdict: list[Flowable] = [
        _text("Grade", s.small),
        _text(view.grade, s.grade),
        *(_text(text, s.doubt) for text in view.doubts),
        _text(view.meaning, s.action),
        _text(view.confidence, s.body),
    ]
    if not view.rule:
        return KeepTogether(verdict)
    ruled = [_drawn(view.rule, s, 0.56), _text(view.rule_caption, s.small)]
    top = Table([[verdict, ruled]], colWidths=[0.42 * s.width, 0.58 * s.width])
    top.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (0, -1), 14),
        ]
    )
    return top


def _told(view: ReportView, s: _Styles) -> list[Flowable]:
    """Why, what to do, and what the logbook says."""
    from reportlab.platypus import KeepTogether

    out: list[Flowable] = []
    if view.reasons:
        out += [_text("Why", s.h3), *_listed(view.reasons, s)]
    if view.next_steps:
        out += [_text("What to do next", s.h3), *_listed(view.next_steps, s, numbered=True)]
    if view.grade == "good":
        no_approval = "describes these teeth in this photo. It does not mean that the machine is safe to ride."
        out.append(_begun_bold("good", no_approval, s.small))
    if view.drive:
        out.append(KeepTogether([_text("The machine's drive, by the logbook", s.h2), *_listed(view.drive, s)]))
    return out


def _care(view: ReportView, s: _Styles) -> Flowable:
    from reportlab.platypus import Table

    told = [
        _text("Take care", s.h3),
        *_listed(view.cautions, s),
        _begun_bold("No photo shows:", f"{'; '.join(view.unseen)}.", s.body),
    ]
    care = Table([[told]], colWidths=[s.width])
    care.setStyle([("BACKGROUND", (0, 0), (-1, -1), s.stop), ("LINEBEFORE", (0, 0), (0, -1), 2.5, s.worn)])
    return care


def _together(heading: str, figure: Figure | None, caption: str, s: _Styles, *, share: float = 1.0) -> list[Flowable]:
    """A figure, ``share`` of the page's width, on one page with heading and caption; nothing where it is missing."""
    from reportlab.platypus import KeepTogether

    if not figure:
        return []
    return [KeepTogether([_text(heading, s.h2), _drawn(figure, s, share), _text(caption, s.small)])]


def _numbers(view: ReportView, s: _Styles) -> list[Flowable]:
    """The sprocket's numbers, and beside them the worst tooth's."""
    from reportlab.platypus import CondPageBreak, KeepTogether, Table

    half = 0.49 * s.width
    left = [_text("The sprocket", s.h3), _rows(view.summary, s, half)] if view.summary else []
    right = [_text(view.worst_title, s.h3), _rows(view.worst, s, half)] if view.worst else []
    if not left and not right:
        return []
    both = Table([[left, right]], colWidths=[0.51 * s.width, 0.49 * s.width])
    both.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 0),
        ]
    )
    return [KeepTogether([_text("Numbers", s.h2), both]), CondPageBreak(90)]


def _all_teeth(view: ReportView, s: _Styles) -> list[Flowable]:
    if not view.teeth:
        return []
    head = [_text(name, s.small) for name in ("Tooth", *view.teeth_head)]
    cells = [
        [_text(str(t.index), s.cell), _text(t.flags, s.cell), *[_text(c, s.cell) for c in t.cells]] for t in view.teeth
    ]
    shares = (0.08, 0.24, 0.17, 0.17, 0.17, 0.17)
    return [_text("All teeth", s.h3), _table([head, *cells], s, [share * s.width for share in shares], head=True)]


def _flags(view: ReportView, s: _Styles) -> list[Flowable]:
    if not view.flags:
        return []
    head = [_text(name, s.small) for name in ("Flag", "Where", "What to do")]
    cells = [[_text(f.sentence, s.cell), _text(f.teeth, s.cell), _text(f.remedy, s.cell)] for f in view.flags]
    return [
        _text("What lowers the trust, and what helps", s.h2),
        _table([head, *cells], s, [0.4 * s.width, 0.18 * s.width, 0.42 * s.width], head=True),
    ]


def _trends(view: ReportView, s: _Styles) -> list[Flowable]:
    from reportlab.platypus import KeepTogether

    return [
        KeepTogether(
            [
                _text(f"Trend: {title}", s.h2),
                _drawn(figure, s),
                _text(view.trend_caption, s.small),
                *_listed(sentences, s),
            ]
        )
        for title, figure, sentences in view.trends
    ]


def _method(view: ReportView, s: _Styles) -> list[Flowable]:
    """How it was measured, its limits, and the letters that the font lacks."""
    from reportlab.platypus import KeepTogether, Spacer

    out: list[Flowable] = [
        KeepTogether([_text("Method", s.h2), _rows(view.method, s, s.width), Spacer(1, 4), _text(view.limits, s.small)])
    ]
    if codes := legend(_own_words(view)):
        out.append(_text(codes, s.small))
    return out


def _own_words(view: ReportView) -> Iterable[str]:
    """What people and files bring along; all the rest is in letters that the font has."""
    yield from (view.title, *view.facts, *view.reasons, *view.next_steps, *view.cautions, *view.doubts, *view.drive)
    for title, _, sentences in view.trends:
        yield from (title, *sentences)
