"""The printed cards, read back: the finished file is rendered by a PDF library and its markers found by OpenCV."""

import io
import itertools
import json
import re
from importlib.resources import files

import cv2
import numpy as np
import pypdfium2
import pytest
from PIL import Image

from toothcheck.cards.layout import layouts
from toothcheck.cards.printing import (
    BANK_CARD_CORNER_MM,
    BANK_CARD_MM,
    PAPERS_MM,
    card_papers,
    card_pdf,
    card_png,
)

CARDS = [
    ("pocket", "a4"),
    ("pocket", "letter"),
    ("pocket", "a3"),
    ("mat-a4", None),
    ("mat-letter", None),
    ("mat-a3", None),
]
MATS = ["mat-a4", "mat-letter", "mat-a3"]


def page_size_mm(name, paper):
    if name == "pocket":
        return PAPERS_MM[paper]
    return layouts()[name].width_mm, layouts()[name].height_mm


def rendered(pdf, page, px_per_mm):
    """A page as grey pixels."""
    with pypdfium2.PdfDocument(pdf) as document:
        sheet = document[page]
        # a hair less, because the renderer rounds the picture's size up
        scale = px_per_mm / 72 * 25.4 * (1 - 1e-7)
        return np.array(sheet.render(scale=scale, grayscale=True).to_pil().convert("L"))


def markers(grey):
    """Corners of every AprilTag 36h11 in a picture, by id, to a fraction of a pixel."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, parameters).detectMarkers(grey)
    return {int(i): np.reshape(c, (4, 2)) for i, c in zip(np.ravel(ids), corners, strict=True)}


def assert_markers_stand(grey, px_per_mm, name):
    """Gives where the card's top left corner lies on the page, mm: a mat's is the page's own."""
    found = markers(grey)
    wanted = layouts()[name].corners_mm
    assert set(found) == set(wanted)
    # pixel centres at whole numbers, the page's edge half a pixel before
    off = np.array([(found[marker] + 0.5) / px_per_mm - wanted[marker] for marker in wanted])
    corner = np.zeros(2) if name in MATS else off.mean((0, 1))
    assert np.abs(off - corner).max() < 0.05
    return corner


@pytest.mark.parametrize(("name", "paper"), CARDS)
def test_every_marker_of_the_pdf_stands_where_the_layout_says(name, paper):
    pdf = card_pdf(name, paper)
    width, height = page_size_mm(name, paper)
    with pypdfium2.PdfDocument(pdf) as document:
        assert np.array(document[0].get_size()) / 72 * 25.4 == pytest.approx([width, height], abs=1e-3)
    px_per_mm = 16 if "a3" in (paper, name[-2:]) else 20
    grey = rendered(pdf, 0, px_per_mm)
    assert grey.shape == (round(height * px_per_mm), round(width * px_per_mm))
    assert_markers_stand(grey, px_per_mm, name)


@pytest.mark.parametrize(("name", "paper"), [("pocket", "letter"), ("mat-a4", None)])
def test_the_png_carries_its_resolution_and_the_same_markers(name, paper):
    picture = Image.open(io.BytesIO(card_png(name, paper)))
    # PNG, third edition (W3C), 11.3.4.3: pHYs holds pixels per metre, a whole number
    assert picture.info["dpi"] == pytest.approx((508, 508), abs=0.001)
    width, height = page_size_mm(name, paper)
    assert picture.size == (round(width * 20), round(height * 20))
    assert_markers_stand(np.asarray(picture), 20, name)


def test_png_bytes_hold_20000_pixels_per_metre():
    data = card_png("pocket")
    at = data.index(b"pHYs") + 4
    assert data[at : at + 9] == (20000).to_bytes(4, "big") * 2 + b"\x01"


@pytest.mark.parametrize("name", MATS)
def test_nothing_is_printed_in_the_middle_of_a_mat_nor_on_a_marker_s_quiet_zone(name):
    px = 8
    grey = rendered(card_pdf(name), 0, px)
    layout = layouts()[name]
    corners = np.stack(list(layout.corners_mm.values()))
    side = corners[0, 1, 0] - corners[0, 0, 0]
    near, far = 8 + side, corners[:, 0].max(axis=0)
    middle = grey[round(near * px) + 1 : round(far[1] * px) - 1, round(near * px) + 1 : round(far[0] * px) - 1]
    assert middle.shape[0] > 140 * px
    assert middle.min() == 255
    cell = side / 8
    for left, top in corners[:, 0]:
        x0, y0 = max(0, round((left - cell) * px)), max(0, round((top - cell) * px))
        x1, y1 = round((left + side + cell) * px), round((top + side + cell) * px)
        around = grey[y0:y1, x0:x1].copy()
        x, y = round(left * px) - x0, round(top * px) - y0
        around[max(0, y - 1) : y + round(side * px) + 2, max(0, x - 1) : x + round(side * px) + 2] = 255
        assert around.min() == 255


def test_the_pocket_card_is_as_large_as_a_bank_card_and_prints_in_proportion():
    # ISO/IEC 7810 ID-1: 85.60 × 53.98 mm; in the plane y points up from the top left corner
    card = layouts()["pocket"]
    for scale in (1.0, 0.98):
        made = card.printed(scale)
        w, h = 85.60 * scale, 53.98 * scale
        assert made.outline_mm == pytest.approx(np.array([[0, 0], [w, 0], [w, -h], [0, -h]]), abs=0.1)
        assert made.middle_mm == pytest.approx([w / 2, -h / 2], abs=0.1)
        for number, corners in made.corners_mm.items():
            assert corners == pytest.approx(scale * card.corners_mm[number])


@pytest.mark.parametrize("name", sorted(layouts()))
def test_a_print_that_was_measured_has_its_scale_from_marker_edge_to_marker_edge(name):
    card = layouts()[name]
    left = min(corners[0, 0] for corners in card.corners_mm.values())
    right = max(corners[1, 0] for corners in card.corners_mm.values())
    assert left > 0  # the paper's own edge is not what is measured
    assert card.print_scale(None)[0] == 1
    # a print 2 % too small; a calliper's 0.05 mm on it, as a share of the length
    scale, std = card.print_scale(0.98 * (right - left))
    assert scale == pytest.approx(0.98)
    assert std == pytest.approx(0.05 / (right - left))
    for wrong in (0.89, 1.11):
        with pytest.raises(ValueError, match="within 10 %"):
            card.print_scale(wrong * (right - left))


def test_pocket_card_has_its_quiet_zone_inside_the_cut_line():
    px, cell = 16, 18 / 8
    grey = rendered(card_pdf("pocket"), 0, px)
    left, top = assert_markers_stand(grey, px, "pocket")
    for corners in layouts()["pocket"].corners_mm.values():
        x, y = (corners[0] + (left, top)) * px
        size = 18 * px
        quiet = round(cell * px) - 2
        x, y = round(x), round(y)
        around = grey[y - quiet : y + size + quiet, x - quiet : x + size + quiet].copy()
        around[quiet - 1 : -quiet + 1, quiet - 1 : -quiet + 1] = 255
        assert around.min() == 255


def test_layout_is_the_table_that_detection_uses():
    table = json.loads(files("toothcheck.cards").joinpath("scale-cards.json").read_text("utf-8"))
    assert set(table["cards"]) == set(layouts())
    # no id stands on two cards: an id alone tells the card
    ids = [i for layout in layouts().values() for i in layout.corners_mm]
    assert len(ids) == len(set(ids))
    for layout in layouts().values():
        for corners in layout.corners_mm.values():
            assert corners.min() >= 4
            assert (corners[:, 0] <= layout.width_mm).all()
            assert (corners[:, 1] <= layout.height_mm).all()


def test_pocket_card_is_as_large_as_a_bank_card():
    # ISO/IEC 7810, ID-1: 85.60 x 53.98 mm, corner radius 3.18
    assert BANK_CARD_MM == (85.60, 53.98)
    assert BANK_CARD_CORNER_MM == 3.18
    assert layouts()["pocket"].width_mm == pytest.approx(85.60)
    assert layouts()["pocket"].height_mm == pytest.approx(53.98, abs=0.03)


def dark_span_mm(line, px_per_mm):
    """Middles of the first and last dark stroke along a line of pixels, mm."""
    dark = np.flatnonzero(line < 128)
    groups = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    ends = [(g[0] + g[-1] + 1) / 2 / px_per_mm for g in groups]
    return ends[0], ends[-1]


@pytest.mark.parametrize(("name", "paper"), CARDS)
def test_the_printed_outline_fits_a_bank_card(name, paper):
    px = 20
    page = 0 if name == "pocket" else 1
    grey = rendered(card_pdf(name, paper), page, px)
    # the outline's frame is the only closed curve of about this size with round corners: take its outer contour
    contours, _ = cv2.findContours((grey < 128).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    boxes = [cv2.boundingRect(c) for c in contours]
    near = [b for b in boxes if abs(b[2] / px - BANK_CARD_MM[0]) < 0.5 and abs(b[3] / px - BANK_CARD_MM[1]) < 0.5]
    assert near
    x, y, w, h = max(near, key=lambda b: b[1])
    left, right = dark_span_mm(grey[y + h // 4, x - 4 : x + w + 4], px)
    top, bottom = dark_span_mm(grey[y - 4 : y + h + 4, x + w // 4], px)
    # ISO/IEC 7810, ID-1: 85.60 x 53.98 mm, corner radius 3.18
    assert right - left == pytest.approx(85.60, abs=0.05)
    assert bottom - top == pytest.approx(53.98, abs=0.05)
    # at 45 degrees a corner of radius r stands (√2 - 1)·r inside the square corner
    diagonal = [grey[y + k, x + k] for k in range(4 * px)]
    inside = np.flatnonzero(np.array(diagonal) < 128).mean() / px * np.sqrt(2)
    assert inside == pytest.approx((np.sqrt(2) - 1) * 3.18, abs=0.12)


def ticks_mm(line, px_per_mm):
    dark = np.flatnonzero(line < 200)
    groups = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    return np.array([(g[0] + g[-1] + 1) / 2 / px_per_mm for g in groups])


@pytest.mark.parametrize(("name", "paper"), CARDS)
def test_two_edges_carry_a_millimetre_rule(name, paper):
    px = 20
    page = 0 if name == "pocket" else 1
    grey = rendered(card_pdf(name, paper), page, px)
    height = grey.shape[0]
    upright = ticks_mm(grey[:, round(9.7 * px)], px)
    across = ticks_mm(grey[height - round((15 - 0.7) * px)], px)
    for ticks in (upright, across):
        assert len(ticks) > 160
        assert np.diff(ticks) == pytest.approx(np.ones(len(ticks) - 1), abs=0.06)
        assert ticks[-1] - ticks[0] == pytest.approx(len(ticks) - 1, abs=0.05)


@pytest.mark.parametrize("name", MATS)
def test_a_mat_has_its_rules_between_the_markers_and_two_marks_as_far_apart_as_a_bank_card(name):
    px = 20
    grey = rendered(card_pdf(name), 0, px)
    for line in (grey[round(8.7 * px)], grey[:, round(8.7 * px)]):
        dark = np.flatnonzero(line < 200)
        groups = [g for g in np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1) if len(g) < 0.5 * px]
        ticks = np.array([(g[0] + g[-1] + 1) / 2 / px for g in groups])
        assert len(ticks) > 60
        assert ticks == pytest.approx(np.round(ticks), abs=0.05)  # numbered from the sheet's edge
    # just inside the ring's edge only the marks stand between the markers
    marks = [
        np.array([(g[0] + g[-1] + 1) / 2 / px for g in np.split(d, np.flatnonzero(np.diff(d) > 1) + 1) if len(g) < px])
        for d in (np.flatnonzero(grey[round(28 * px)] < 128), np.flatnonzero(grey[:, round(28 * px)] < 128))
    ]
    assert any(abs(b - a - 85.60) < 0.05 for a, b in itertools.combinations(marks[0], 2))
    assert any(abs(b - a - 53.98) < 0.05 for a, b in itertools.combinations(marks[1], 2))


def words_of(pdf):
    with pypdfium2.PdfDocument(pdf) as document:
        return [" ".join(page.get_textpage().get_text_bounded().replace("\xa0", " ").split()) for page in document]


@pytest.mark.parametrize(("name", "paper"), CARDS)
def test_the_print_says_how_to_check_place_and_photograph_and_what_to_mind(name, paper):
    text = " ".join(words_of(card_pdf(name, paper)))
    for words in (
        "100 %", "Lay a bank card", "85.60 × 53.98 mm", "ISO/IEC 7810", "--card-height", "Step back", "zoom in",
        "square on", "Diffuse light", "Wipe the teeth", "Engine off", "does not mean safe to ride",
        "qualified mechanic", "manual",
    ):  # fmt: skip
        assert words in text
    assert ("plane of the face" if name == "pocket" else "in the white middle") in text


@pytest.mark.parametrize("name", MATS)
def test_a_mat_says_the_needful_on_its_own_page(name):
    mat, _ = words_of(card_pdf(name))
    for words in ("100 %", "bank card", "white middle", "--card-height -6", "square on", "Engine off"):
        assert words in mat


@pytest.mark.parametrize(("name", "paper"), CARDS)
def test_no_text_runs_off_the_page_or_over_another(name, paper):
    with pypdfium2.PdfDocument(card_pdf(name, paper)) as document:
        for page in document:
            width, height = page.get_size()
            text = page.get_textpage()
            boxes = np.array([text.get_rect(i) for i in range(text.count_rects())])
            assert boxes.min() > 5 / 25.4 * 72
            assert (boxes[:, 2] < width - 5 / 25.4 * 72).all()
            assert (boxes[:, 3] < height - 5 / 25.4 * 72).all()
            for a, b in itertools.combinations(boxes, 2):
                across = min(a[2], b[2]) - max(a[0], b[0])
                down = min(a[3], b[3]) - max(a[1], b[1])
                assert across < 0.5 or down < 1.5, (a, b)  # a descender may reach into the next line's box


def test_the_same_card_is_the_same_bytes():
    assert card_pdf("pocket", "a4") == card_pdf("pocket")


def test_papers():
    assert card_papers(layouts()["pocket"]) == ("a4", "letter", "a3")
    assert card_papers(layouts()["mat-letter"]) == ("letter",)


@pytest.mark.parametrize(
    ("name", "paper", "message"),
    [
        ("poket", None, "card must be one of pocket, mat-a4, mat-letter, mat-a3, not 'poket'"),
        ("pocket", "a5", "paper must be a4 or letter or a3 for card pocket, not 'a5'"),
        ("mat-a4", "letter", "paper must be a4 for card mat-a4, not 'letter'"),
    ],
)
def test_wrong_arguments_are_named(name, paper, message):
    for make in (card_pdf, card_png):
        with pytest.raises(ValueError, match=re.escape(message)):
            make(name, paper)


def test_command_writes_a_pdf_by_default(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    status, out, err = run("card", "pocket")
    assert (status, err) == (0, "")
    assert out.startswith("Wrote pocket.pdf\n")
    assert (tmp_path / "pocket.pdf").read_bytes() == card_pdf("pocket")


@pytest.mark.parametrize("target", ["a.pdf", "B.PDF", "c.png"])
def test_command_writes_what_the_suffix_says(run, tmp_path, target):
    status, _, _ = run("card", "Pocket", "--paper", "LETTER", "-o", tmp_path / target)
    data = (tmp_path / target).read_bytes()
    assert status == 0
    assert data.startswith(b"\x89PNG" if target.endswith("png") else b"%PDF")
    assert [p.name for p in tmp_path.iterdir()] == [target]


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["card", "poket"], "card must be one of pocket, mat-a4, mat-letter, mat-a3, not 'poket'"),
        (["card", "../pocket"], "card must be one of"),
        (["card", ""], "card must be one of pocket, mat-a4, mat-letter, mat-a3, not ''"),
        (["card", "mat-a4", "--paper", "a3"], "--paper must be a4 for card mat-a4, not 'a3'"),
        (["card", "pocket", "-o", "card.docx"], r"--output must end in \.pdf or \.png, not card\.docx"),
        (["card", "pocket", "-o", "card"], r"--output must end in \.pdf or \.png, not card"),
        (["card", "pocket", "-o", "no/such/folder/card.pdf"], "Cannot write no/such/folder/card.pdf: No such file"),
        (["card", "pocket", "-o", "folder.png"], "Cannot write folder.png: it is a folder"),
    ],
)
def test_wrong_words_end_in_one_line_and_write_nothing(run, tmp_path, monkeypatch, words, line):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.png").mkdir()
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert re.fullmatch(rf"toothcheck: {line}.*\n", err)
    assert [p.name for p in tmp_path.rglob("*")] == ["folder.png"]
