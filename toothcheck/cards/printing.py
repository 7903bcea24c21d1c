"""The scale cards as print-ready pages: vector PDF at true size, and a PNG of the same page with its resolution.

A card's print also says how to check its size, how to lay it, how to photograph and what to mind.  On a mat all of
that stays in the ring of markers, away from the white middle where the part lies; what does not fit there is on a
second page.
"""

from __future__ import annotations

import io
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from toothcheck.cards.layout import CardLayout, layouts
from toothcheck.cards.sheet import Sheet
from toothcheck.marks import FIGURE

BANK_CARD_MM = (85.60, 53.98)
"""Width and height of an identification card: ISO/IEC 7810, size ID-1."""
BANK_CARD_CORNER_MM = 3.18
"""Corner radius of an identification card: ISO/IEC 7810, size ID-1."""

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4), "a3": (297.0, 420.0)}
"""Papers, upright: ISO 216 and US Letter."""

PNG_PX_PER_MM = 20
"""20 px/mm (508 dpi): every paper here is a whole number of pixels, and so is the resolution a PNG stores."""

_CELLS = 8  # across a 36h11 marker, its black border of one cell included
_RULE_AT_MM = 9.0  # from the sheet's edge, clear of what printers leave blank


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    head: str
    body: str


_PRINT = _Step(
    head="Print",
    body="At 100\u00a0% or “actual size”, not fitted to the page. Matt paper; stiff paper is better. Glossy film and "
    "plastic sleeves mirror the light.",
)
_CHECK = _Step(
    head="Check the size",
    body="Lay a bank card on the outline: it must cover the line evenly all round. Or hold a steel rule against the "
    "two millimetre rules. If one direction is off, print again: a print that is 1\u00a0% wrong makes every length "
    "1\u00a0% wrong.",
)
_CUT = _Step(
    head="Cut",
    body="Along the thin line; the white border belongs to the card. Glue it to something flat and stiff. A bowed card "
    "measures badly.",
)
_LAY_POCKET = _Step(
    head="Lay it in the plane of the face",
    body="Beside the teeth, level with the face of the sprocket that you photograph, on a block or a magnet. All six "
    "squares in view. If it lies nearer to the phone than the face, or further away, measure by how much and say so: "
    "<b>--card-height\u00a02</b> is 2\u00a0mm nearer, <b>--card-height\u00a0-2</b> is 2\u00a0mm further.",
)
_LAY_MAT = _Step(
    head="Lay the part on the mat",
    body="Mat on a flat table, part in the white middle, face up. As many squares in view as possible, on all sides. "
    "The mat lies behind the face by the part’s thickness: measure that and say so, <b>--card-height\u00a0-6</b> for a "
    "part 6\u00a0mm thick.",
)
_PHOTO = _Step(
    head="Photograph",
    body="Wipe the teeth. Step back half a metre and zoom in until card and sprocket fill the picture. Hold the phone "
    "square on. Diffuse light, no flash, no hard shadow across the teeth. Tap on the teeth to focus.",
)
_CAUTIONS = (
    "Engine off, key out, machine secured against rolling and falling. Hands, hair and cloth out of the run of the "
    "chain; never turn the wheel with a finger near a sprocket.",
    "Do not ride with broken, missing or hooked teeth, or when the chain jumps, grinds, kinks or has stiff links.",
    "A photo shows the outline of teeth. It cannot show cracks, loose nuts, bearings or the chain’s wear. The grade "
    "“good” does not mean safe to ride. The machine’s manual, local rules and a qualified mechanic come first.",
)


def card_papers(card: CardLayout) -> tuple[str, ...]:
    """Papers that a card can be printed on: any for the pocket card, its own for a mat."""
    for paper, (width, height) in PAPERS_MM.items():
        if {width, height} == {card.width_mm, card.height_mm}:
            return (paper,)
    return tuple(PAPERS_MM)


def card_pdf(name: str, paper: str | None = None) -> bytes:
    """Make the print of a card.

    Parameters
    ----------
    name
        Of the card: pocket, mat-a4, mat-letter, mat-a3.
    paper
        a4, letter or a3; A4 or the mat's own when not given.

    Returns
    -------
    bytes
        A PDF file.  Page 1 holds the card; a mat has its guide on page 2.

    Raises
    ------
    ValueError
        When there is no such card, or it does not go on that paper.
    """
    card, paper = _checked(name, paper)
    if len(card_papers(card)) == 1:
        return _mat(card, paper)
    sheet = Sheet("Pocket scale card", "Scale card for toothcheck; print at 100 %")
    width, height = PAPERS_MM[paper]
    sheet.page(width, height)
    _guide(sheet, width, height, card, on_sheet=True)
    return sheet.finished()


def card_png(name: str, paper: str | None = None) -> bytes:
    """Make a picture of the page that holds the card, `PNG_PX_PER_MM` fine, with that resolution in the file.

    Parameters and errors as for `card_pdf`.
    """
    import pypdfium2
    from PIL.PngImagePlugin import PngInfo

    with pypdfium2.PdfDocument(card_pdf(name, paper)) as document:
        page = document[0]
        # a hair less than the scale wanted: the renderer rounds the size up to whole pixels
        scale = PNG_PX_PER_MM / 72 * 25.4 * (1 - 1e-7)
        picture = page.render(scale=scale, grayscale=True).to_pil().convert("L")
    out = io.BytesIO()
    dpi = PNG_PX_PER_MM * 25.4
    marks = PngInfo()
    for key, text in FIGURE["png"].items():
        marks.add_text(key, text)
    picture.save(out, format="PNG", dpi=(dpi, dpi), pnginfo=marks)
    return out.getvalue()


def _checked(name: str, paper: str | None) -> tuple[CardLayout, str]:
    if name not in layouts():
        raise ValueError(f"card must be one of {', '.join(layouts())}, not {name!r}")
    card = layouts()[name]
    papers = card_papers(card)
    if paper is not None and paper not in papers:
        raise ValueError(f"paper must be {' or '.join(papers)} for card {name}, not {paper!r}")
    return card, paper or papers[0]


# --- markers ---------------------------------------------------------------------------------------------------
def _markers(sheet: Sheet, card: CardLayout, left: float, top: float) -> None:
    """Draw all markers of a card whose top left corner lies there."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    for marker, corners in card.corners_mm.items():
        (x, y), side = corners[0], corners[1, 0] - corners[0, 0]
        cell = side / _CELLS
        black = cv2.aruco.generateImageMarker(family, marker, _CELLS) == 0
        runs = []
        for row in range(_CELLS):
            # black runs of a row: their starts and ends are where the padded row changes
            edges = np.flatnonzero(np.diff(np.concatenate([[0], black[row].astype(int), [0]])))
            for start, end in edges.reshape(-1, 2):
                runs.append((left + x + start * cell, top + y + row * cell, (end - start) * cell, cell))
        sheet.black_runs(runs)


# --- rules and outlines ----------------------------------------------------------------------------------------
def _rule(
    sheet: Sheet,
    x: float,
    y: float,
    length: int,
    *,
    upright: bool,
    wanted: Callable[[int], bool] = lambda _: True,
    first: int = 0,
) -> None:
    """Draw a millimetre rule from (x, y), numbered in mm, its ticks to the inside of the page.

    Parameters
    ----------
    length, first
        Ticks from ``first`` to ``length`` mm; (x, y) is where 0 would stand.
    upright
        Down the left edge rather than along an upper one.
    wanted
        Which ticks to draw.
    """
    for i in range(first, length + 1):
        if not wanted(i):
            continue
        numbered = i % 10 == 0 and wanted(i - 2) and wanted(i + 2)  # a number is some 3 mm wide
        tick, width = (3.0, 0.16) if i % 10 == 0 else (2.2, 0.1) if i % 5 == 0 else (1.5, 0.1)
        if upright:
            sheet.line(x, y + i, x + tick, y + i, width=width)
            if numbered:
                sheet.text(x + 3.8, y + i + 0.75, str(i), size=6, grey=0.25)
        else:
            sheet.line(x + i, y, x + i, y + tick, width=width)
            if numbered:
                sheet.text(x + i, y + 5.6, str(i), size=6, grey=0.25, align="middle")


def _bank_card(sheet: Sheet, x: float, y: float) -> None:
    """Draw the outline of a bank card by its top left corner."""
    width, height = BANK_CARD_MM
    sheet.box(x, y, width, height, radius=BANK_CARD_CORNER_MM, line=0.12)
    sheet.text(x + width / 2, y + height / 2 - 1.2, "Lay a bank card here", size=9, bold=True, align="middle")
    note = f"Its outline is {width:.2f} × {height:.2f} mm (ISO/IEC 7810, ID-1)"
    sheet.text(x + width / 2, y + height / 2 + 3.6, note, size=8.5, grey=0.3, align="middle")


# --- the guide -------------------------------------------------------------------------------------------------
_BLOCK_MM = (178.0, 240.0)
_COLUMN_MM = BANK_CARD_MM[0]
_CARD_BELOW_MM = 24.0  # from the block's top to the card's


def _block(width: float, height: float) -> tuple[float, float]:
    """Top left corner of the block of text and figures on a sheet."""
    return round((width - _BLOCK_MM[0]) / 2 + 5, 1), round((height - _BLOCK_MM[1]) / 3, 1)


def _guide(sheet: Sheet, width: float, height: float, card: CardLayout, *, on_sheet: bool) -> None:
    """Set the page that explains a card; the pocket card itself stands on it."""
    left, top = _block(width, height)
    title = "Pocket scale card" if on_sheet else f"Scale mat {card.name.removeprefix('mat-').capitalize()}"
    sheet.text(left, top + 7, title, size=20, bold=True)
    lead = "Tells a photo of a sprocket how large it is." if on_sheet else "Guide. The mat itself is page 1."
    sheet.text(left, top + 13.5, lead, size=10, grey=0.3)
    y = top + _CARD_BELOW_MM
    if on_sheet:
        _pocket(sheet, card, left, y)
        y += card.height_mm + 14
    _bank_card(sheet, left, y)
    y += BANK_CARD_MM[1] + 12
    _figure(sheet, left, y, mat=not on_sheet)
    steps = [_PRINT, _CHECK, *([_CUT, _LAY_POCKET] if on_sheet else [_LAY_MAT]), _PHOTO]
    _steps(sheet, left + _COLUMN_MM + 14, top + _CARD_BELOW_MM, _BLOCK_MM[0] - _COLUMN_MM - 14, steps)
    _rule(sheet, _RULE_AT_MM, 20, int((height - 45) // 10 * 10), upright=True)
    _rule(sheet, left, height - _RULE_AT_MM - 6, int((width - left - 16) // 10 * 10), upright=False)


def _pocket(sheet: Sheet, card: CardLayout, x: float, y: float) -> None:
    """Draw the pocket card with its cut line by its top left corner."""
    _markers(sheet, card, x, y)
    w, h = card.width_mm, card.height_mm
    sheet.box(x, y, w, h, line=0.08, grey=0.6)
    for cx, outwards_x in ((x, -1), (x + w, 1)):
        for cy, outwards_y in ((y, -1), (y + h, 1)):
            sheet.line(cx + outwards_x * 1.5, cy, cx + outwards_x * 5, cy, width=0.1)
            sheet.line(cx, cy + outwards_y * 1.5, cx, cy + outwards_y * 5, width=0.1)
    strip = y + h / 2 + 0.8
    sheet.text(x + 5, strip, "toothcheck pocket card", size=6.5, bold=True, grey=0.3)
    sheet.text(x + w - 5, strip, f"{w:.1f} × {h:.1f} mm · level with the face", size=6.5, grey=0.3, align="right")


def _steps(sheet: Sheet, x: float, y: float, width: float, steps: list[_Step]) -> None:
    """Set the numbered steps and the cautions as one column."""
    for number, step in enumerate(steps, 1):
        sheet.text(x, y + 3.2, str(number), size=9.5, bold=True, grey=0.45)
        sheet.text(x + 6, y + 3.2, step.head, size=9.5, bold=True)
        y += 4.6
        y += sheet.paragraph(x + 6, y, width - 6, step.body, size=9, leading=12) + 3.6
    y += 1.5
    sheet.line(x, y, x + width, y, width=0.3)
    sheet.text(x, y + 5.6, "Caution", size=9.5, bold=True)
    y += 7.2
    for caution in _CAUTIONS:
        y += sheet.paragraph(x, y, width, caution, size=9, leading=12) + 1.8


def _figure(sheet: Sheet, x: float, y: float, *, mat: bool) -> None:
    """Draw phone, sprocket and card from the side."""
    middle = x + _COLUMN_MM / 2
    face = y + 46
    # the phone and what it sees
    sheet.box(middle - 9, y, 18, 2.6, radius=0.8, line=0.25)
    for end in (-34.0, 34.0):
        sheet.line(middle, y + 3.2, middle + end, face - 0.6, width=0.1, grey=0.5, dash=1.0)
    sheet.text(middle, y - 2.4, "Phone square on, half a metre away, zoomed in", size=9, grey=0.3, align="middle")
    if mat:
        sheet.line(x + 2, face + 5.0, x + _COLUMN_MM - 2, face + 5.0, width=0.5)
        sheet.box(middle - 22, face, 44, 4.6, line=0.2, fill=0.8)
        sheet.text(middle, face + 3.2, "part, face up", size=9, align="middle")
        sheet.text(middle, face + 10, "The mat lies one thickness behind the face", size=9, grey=0.3, align="middle")
        return
    sheet.box(middle - 32, face, 34, 4.6, line=0.2, fill=0.8)
    sheet.text(middle - 15, face + 3.2, "sprocket", size=9, align="middle")
    sheet.box(middle + 6, face + 0.35, 26, 4.25, line=0.1, grey=0.5)
    sheet.text(middle + 19, face + 3.2, "card on a block", size=9, grey=0.3, align="middle")
    for start, end in ((-38, -32), (2, 6), (32, 38)):
        sheet.line(middle + start, face, middle + end, face, width=0.1, grey=0.5, dash=0.8)
    sheet.line(middle + 6, face, middle + 32, face, width=0.5)
    sheet.text(middle, face + 10, "Card and face in one plane", size=9, grey=0.3, align="middle")


# --- mats ------------------------------------------------------------------------------------------------------
def _mat(card: CardLayout, paper: str) -> bytes:
    """Make a mat: page 1 the mat as wide as the paper is long, page 2 its guide."""
    called = card.name.removeprefix("mat-").capitalize()
    sheet = Sheet(f"Scale mat {called}", "Scale mat for toothcheck; print at 100 %")
    sheet.page(card.width_mm, card.height_mm)
    _markers(sheet, card, 0, 0)
    _mat_ring(sheet, card, called)
    width, height = PAPERS_MM[paper]
    sheet.page(width, height)
    _guide(sheet, width, height, card, on_sheet=False)
    return sheet.finished()


def _mat_ring(sheet: Sheet, card: CardLayout, called: str) -> None:
    """Set rules, bank card marks and short steps into the gaps between a mat's markers."""
    lefts = sorted({round(float(c[0, 0]), 3) for c in card.corners_mm.values()})
    tops = sorted({round(float(c[0, 1]), 3) for c in card.corners_mm.values()})
    side = float(np.ptp(next(iter(card.corners_mm.values()))[:, 0]))
    quiet = side / _CELLS
    near, right, bottom = lefts[0], lefts[-1], tops[-1]

    def free_of_markers(starts: list[float]) -> Callable[[int], bool]:
        return lambda i: all(not s - quiet - 0.3 < i < s + side + quiet + 0.3 for s in starts)

    _rule(sheet, 0, near, math.floor(right), upright=False, first=math.ceil(near), wanted=free_of_markers(lefts))
    _rule(sheet, near, 0, math.floor(bottom), upright=True, first=math.ceil(near), wanted=free_of_markers(tops))
    pad = quiet + 0.75
    columns = [(a + side + pad, b - a - side - 2 * pad) for a, b in itertools.pairwise(lefts)]
    rows = [(a + side + pad, b - a - side - 2 * pad) for a, b in itertools.pairwise(tops)]
    small = {"size": 6.3, "leading": 7.6, "grey": 0.15}
    title = f"<b>toothcheck<br/>scale mat {called}</b><br/>{card.width_mm:g} × {card.height_mm:g} mm"
    # in the second gap: the first and third hold the marks A
    sheet.paragraph(columns[1][0], near + 8, columns[1][1], f"{title}<br/>Guide on page\u00a02", **small)
    steps = [
        "<b>1 Print</b> at 100\u00a0%, not fitted to the page, on matt paper.",
        "<b>2 Check</b> A bank card’s long edge fits between A and A, its short edge between B and B. Or lay a steel "
        "rule on the ticks.",
        "<b>3 Lay</b> the part flat in the white middle, face up. All squares in view.",
        "<b>4 Say</b> how thick it is: --card-height\u00a0-6 for 6\u00a0mm.",
        "<b>5 Photograph</b> Teeth wiped. Step back, zoom in, square on. Diffuse light, no flash.",
    ]
    for (x, width), words in zip(columns, steps, strict=False):
        sheet.paragraph(x, bottom, width, words, **small)
    cautions = (
        "<b>Caution</b> Engine off before you take the part off. Hands out of the run of the chain.",
        "<b>“Good”</b> does not mean safe to ride. A photo shows outlines, no cracks, no bearings.",
        "The machine’s manual, local rules and a qualified mechanic come first.",
    )
    for (y, _), words in zip(rows, cautions, strict=False):
        sheet.paragraph(right, y + 1, side, words, **small)
    _bank_card_marks(sheet, near, columns, rows)


def _bank_card_marks(
    sheet: Sheet, edge: float, columns: list[tuple[float, float]], rows: list[tuple[float, float]]
) -> None:
    """Draw two pairs of marks in the ring, as far apart as a bank card is long and high."""
    first = _pair(columns, BANK_CARD_MM[0])
    for x in (first, first + BANK_CARD_MM[0]):
        sheet.line(x, edge + 13, x, edge + 22, width=0.12)
        sheet.text(x, edge + 12.2, "A", size=6.3, bold=True, align="middle")
    first = _pair(rows, BANK_CARD_MM[1])
    for y in (first, first + BANK_CARD_MM[1]):
        sheet.line(edge + 13, y, edge + 22, y, width=0.12)
        sheet.text(edge + 12.2, y + 0.8, "B", size=6.3, bold=True, align="right")


def _pair(gaps: list[tuple[float, float]], distance: float) -> float:
    """Where in the first gap a mark may stand so that its fellow, this far on, stands in a gap as well.

    The place that leaves both furthest from the ends of their gaps.
    """
    best, where = -math.inf, 0.0
    start, width = gaps[0]
    for x in np.arange(start, start + width, 0.25):
        for other, other_width in gaps[1:]:
            room = min(x - start, start + width - x, x + distance - other, other + other_width - x - distance)
            if room > best:
                best, where = room, float(x)
    if best < 0:
        raise ValueError(f"no two gaps lie {distance} mm apart")
    return where
