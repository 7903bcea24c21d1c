"""The report: says what the document says, on screen and as PDF."""

import ctypes
import re
from types import SimpleNamespace

import numpy as np
import pypdfium2 as pdfium
import pytest
from made import document, drawn_photo

from toothcheck.estimate import Estimate
from toothcheck.lessons.model import Wear, reading, tooth_table, worn
from toothcheck.report import PAPERS, Origin, ReportInput, ToothOutline, outlines_of, report_page, report_pdf, view_of
from toothcheck.report.figures import _drawn_from_numbers, reading_on_rule, teeth_chart, trend_chart
from toothcheck.toothform import IsoForm


def _full():
    km = np.linspace(0, 20000, 30)
    curve = np.stack([0.5 * km, 0.7 * km, 0.9 * km]) / 1000
    points = [
        SimpleNamespace(km=5000.0, percent=3.4, std_percent=0.6),
        SimpleNamespace(km=15000.0, percent=10.9, std_percent=0.6),
    ]
    trend = SimpleNamespace(
        points=points, called_out=(), curve_km=km, curve_percent=curve, sentences=("The forecast is wider past 10 %.",)
    )
    photo, _ = drawn_photo(loss=0.7, size=400)
    return ReportInput(
        document=document(), origin=Origin.MADE, picture=photo, trends=[("front of Harbour 7", trend)],
        machine="Harbour 7 <front>", date="2026-03-02",
    )  # fmt: skip


def test_page_says_what_the_document_says():
    page = report_page(_full())
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)).replace("\xa0", " ")
    for wanted in (
        "replace-set", "Confidence 93 %", "16.2 ± 0.5 %", "0.11 ± 0.02 mm", "invented part", "SHA-256", "not measured",
        "The other face was not seen.", "No photo shows", "Hold the phone square on", "convention of this project",
        "teeth 12–14", "Trend: front of Harbour 7", "with the rotation",
    ):  # fmt: skip
        assert wanted in text, wanted
    assert "Harbour 7 &lt;front&gt;" in page  # names are escaped
    assert "default-src 'none'" in page
    assert not re.search(r"(src|href)=\"(https?:)?//", page)


@pytest.mark.parametrize(("teeth", "said"), [(15, ["3?", "5!", "6"]), (42, ["0", "3?", "5!", "10"])])
def test_the_chart_marks_teeth_in_doubt_and_broken_ones(teeth, said):
    d = document(teeth=teeth)
    d["teeth"][5] |= {"measured": False, "flags": ["broken"]}
    words = [s.text for s in view_of(ReportInput(document=d)).chart.shapes if hasattr(s, "text")]
    assert [w for w in words if w in said] == said
    assert ("4" in words) == (teeth <= 20)  # where many teeth share the room, no number stands close to a marked one


def test_a_broken_tooth_is_named_wherever_the_grade_is_seen():
    d = document(grade="replace-now", confidence=0.85)
    d["teeth"][5] |= {"measured": False, "flags": ["broken"]}
    view = view_of(ReportInput(document=d, picture=b"", outlined=True))
    assert "By the mark alone it would be replace-set; the grade is replace-now, because tooth 5 is broken" in (
        view.rule_caption
    )
    said = view.picture_alt.replace("\xa0", " ")
    assert "Grade replace-now. Tooth 5: broken, missing or bent. Tooth 3: may be damaged. Most worn of the" in said
    assert "others: tooth 2, 0.7" in said
    assert view.teeth[5].flags == "not measured: broken"
    assert view.teeth_head[0] == "Flags"  # a phone shows the first columns only


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"asymmetry": 12.0, "overhang": 0.4, "grade": "replace-now"}, "because the hook of 0.40"),
        ({"asymmetry": 9.9, "grade": "replace-set"}, "would be watch; the grade is replace-set, because all doubts"),
        ({"grade": "cannot-tell", "confidence": 0.4}, "No grade is given all the same"),
    ],
)
def test_the_rule_says_what_else_decided(change, why):
    plain, other = (view_of(ReportInput(document=document(**c))).rule_caption for c in ({}, change))
    assert why in other.replace("\xa0", " ")
    assert other.startswith(plain)


def test_the_count_of_teeth_has_a_beginning():
    d = document(measured=15)
    middle, tip = 450, 300
    for hour in range(1, 13):
        for i, tooth in enumerate(d["teeth"]):
            angle = np.radians(30 * hour - 360 / 15 * i)  # clockwise from straight up; teeth go on the other way
            tooth["tip_px"] = [middle + tip * np.sin(angle), middle - tip * np.cos(angle)]
        assert f"from tooth 0 at about {hour} o'clock" in view_of(ReportInput(document=d)).chart_caption
    d["teeth"][3]["tip_px"] = None
    assert "o'clock" not in view_of(ReportInput(document=d)).chart_caption


def test_a_good_grade_is_never_called_safe():
    page = report_page(ReportInput(document=document(asymmetry=1.0, grade="good", confidence=0.97)))
    assert "does not mean that the machine is safe to ride" in page


@pytest.mark.parametrize(("stated", "said"), [(0.93, "93 %"), (0.98, "98 %"), (1.0, "over 98 %")])
def test_no_confidence_is_a_certainty(stated, said):
    view = view_of(ReportInput(document=document(confidence=stated)))
    assert view.confidence.replace("\xa0", " ").startswith(f"Confidence {said}: on made photos")


def test_losses_say_which_way_they_are_measured():
    # measures.md, section 4: at the pitch circle an arc length, the greatest one along the normal
    names = [row.name for row in view_of(ReportInput(document=document())).worst]
    assert "Drive flank loss, along the pitch circle" in names
    assert "Greatest drive flank loss, square to it" in names


def test_a_page_without_a_grade_says_one_thing():
    # 2.52 % was rounded to 2.5 for the file; the sentences in it were made before that
    d = document(grade="cannot-tell", confidence=0.474)
    d["wear"]["asymmetry_percent"] = Estimate(value=24.28, std=2.52).as_json()
    d["verdict"]["reasons"] = [
        f"Drive flanks against coast flanks at the pitch circle: {Estimate(value=24.28, std=2.52).text('%')} (median).",
        "By the teeth measured the likeliest is replace-set (59 %) or replace-now (41 %).",
    ]
    text = report_page(ReportInput(document=d)).replace("\xa0", " ")
    assert set(re.findall(r"24[^<]* ± [\d.]+ %", text)) == {"24 ± 3 %"}
    # by the teeth alone one passes the half: what is said of all doubts must not deny it
    assert "all doubts counted, the most likely one has 47 %" in text
    assert "No grade reaches" not in text


def test_unknown_numbers_are_said_to_be_unknown():
    d = document(measured=0, grade="cannot-tell", confidence=0.3)
    d["sprocket"]["gap_form"] = None
    d["wear"]["asymmetry_percent"] = d["wear"]["worst_tooth"] = None
    d["scale"] = {"source": None, "px_per_mm": None, "tilt_deg": None, "card_to_pitch_percent": None}
    view = view_of(ReportInput(document=d))
    assert view.chart is None
    assert view.teeth_figure is None
    assert view.rule is None
    assert "not measured" in [row.value for row in view.summary]
    report_page(ReportInput(document=d))
    assert report_pdf(ReportInput(document=d)).startswith(b"%PDF")


def test_a_reading_kept_without_its_teeth_is_still_reported():
    d = document() | {"teeth": [], "scale": {}, "photo": {}, "flags": []}
    d["sprocket"] = {"chain": "520", "teeth": 15, "position": "front"}
    d["wear"] = {"asymmetry_percent": {"value": 7.1, "std": 0.6}, "overhang_mm": None}
    page = report_page(ReportInput(document=d))
    assert "7.1 ± 0.6" in page.replace("\xa0", " ")
    assert "All teeth" not in page
    assert report_pdf(ReportInput(document=d)).startswith(b"%PDF")


def test_a_refused_photo_is_reported_with_its_remedies():
    d = document(measured=0, grade="cannot-tell", confidence=0.0) | {
        "wear": None,
        "teeth": [],
        "flags": ["no-sprocket"],
    }
    d["verdict"]["cautions"] = []
    page = report_page(ReportInput(document=d))
    assert "put the sprocket in the middle against a plain background" in page
    assert "Engine off" in page  # our own cautions where the document brings none
    assert "No grade is given." in page
    assert "The sprocket</h3>" not in page  # there is no number to show
    text = _pdf_text(ReportInput(document=d))
    assert "put the sprocket in the middle" in text
    assert "Numbers" not in text
    assert "Datum" not in text  # nothing was held against one


def test_a_tooth_for_which_nobody_may_ride_stands_right_under_a_grade_that_is_open():
    d = document(grade="cannot-tell", confidence=0.0)
    d["teeth"][3] |= {"measured": False, "flags": ["broken"]}
    said = "Do not ride until a qualified mechanic has looked at tooth 3. The photo does not support a grade"
    assert f"<strong>{said}" in report_page(ReportInput(document=d)).replace("\xa0", " ")
    assert said in " ".join(_pdf_text(ReportInput(document=d)).replace("\xa0", " ").split())
    d["verdict"]["grade"] = "replace-now"  # says more already
    assert said not in report_page(ReportInput(document=d))


def _pdf_text(given):
    pages = pdfium.PdfDocument(report_pdf(given))
    return " ".join(" ".join(page.get_textpage().get_text_range() for page in pages).replace("\xa0", " ").split())


@pytest.mark.parametrize("ideal", [True, False])
def test_a_baseline_is_named_with_what_it_decides(ideal):
    d = document(asymmetry=12.0, std=1.0) | {
        "baseline": {
            "kind": "photo" if ideal else "reading", "name": "new-part.jpg", "ideal": ideal,
            "loss_mm": {"value": 0.31, "std": 0.05}, "asymmetry_percent": {"value": 7.2, "std": 1.1},
        }
    }  # fmt: skip
    if ideal:  # as inspect writes it: the median is by the baseline, the teeth are by the ideal form
        d["wear"]["asymmetry_percent"] = {"value": 7.2, "std": 1.1}
        d["verdict"]["grade"] = "watch"
    page = re.sub(r"<[^>]+>", " ", report_page(ReportInput(document=d))).replace("\xa0", " ")
    for text in (" ".join(page.split()), _pdf_text(ReportInput(document=d))):
        assert f"{'photo' if ideal else 'reading'} new-part.jpg" in text
        assert "0.31 ± 0.05 mm gone since, 7.2 ± 1.1 % of its thickness" in text
        assert ("the ideal that the grade is by" in text) == ideal
        assert ("gone from the drive flanks since the baseline" in text) == ideal
        assert ("Outlines are drawn against the ideal form; losses" in text) == ideal
        assert ("Median asymmetry of the measured teeth" in text) != ideal


def test_a_baseline_that_was_not_used_says_why():
    unknown = dict.fromkeys(("loss_mm", "asymmetry_percent"))
    told = {"kind": "photo", "name": "other.jpg", "ideal": False, "not_used": "These are not the same part.", **unknown}
    rows = {row.name: row for row in view_of(ReportInput(document=document() | {"baseline": told})).method}
    assert rows["Baseline"].value == "photo other.jpg"
    assert rows["Baseline"].note.replace("\xa0", " ") == "Not used. These are not the same part."


def test_the_likeliest_of_several_chain_sizes_is_named_as_not_told():
    d = document()
    d["flags"] = ["chain-open"]
    d["sprocket"]["chain"] = None
    d["found"] = {"chains": [{"chain": "428", "probability": 0.72}, {"chain": "08B", "probability": 0.28}]}
    assert "chain 428 (72 %, not told)" in report_page(ReportInput(document=d)).replace("\u00a0", " ")


def test_a_drive_flank_that_is_not_known_is_not_drawn_as_if_it_were():
    d = document(asymmetry=0.4, grade="good")
    assert {"drive", "coast"} <= {s.text for s in view_of(ReportInput(document=d)).teeth_figure.shapes}
    d["sprocket"]["drive_flank"] = None
    d["flags"] = ["turning-open"]
    view = view_of(ReportInput(document=d))
    assert {"drive?", "coast?"} <= {s.text for s in view.teeth_figure.shapes}
    assert "on the right" not in view.teeth_figure.title
    assert "not known" in view.teeth_caption
    assert "hook leans" not in view.teeth_caption
    assert "Drive flank in the photo not known" in _pdf_text(ReportInput(document=d))


@pytest.mark.parametrize("paper", PAPERS)
def test_pdf_fits_its_paper_and_says_the_same(paper):
    pdf = pdfium.PdfDocument(report_pdf(_full(), paper=paper))
    # ISO 216 A4 is 210 x 297 mm, ANSI Letter 8.5 x 11 in; 72 points to the inch
    size = (210 / 25.4 * 72, 297 / 25.4 * 72) if paper == "a4" else (612, 792)
    assert pdf[0].get_size() == pytest.approx(size, abs=0.5)
    text = " ".join(page.get_textpage().get_text_range() for page in pdf).replace("\xa0", " ")
    for wanted in ("replace-set", "16.2 ± 0.5 %", "No photo shows", "Harbour 7 <front>", "invented part", "12–14"):
        assert wanted in text, wanted


def _bold_words(text, letters):
    """Of a PDF page the words with a bold letter, as the file's own fonts say."""
    name = ctypes.create_string_buffer(200)
    bold = []
    for i in range(len(letters)):
        pdfium.raw.FPDFText_GetFontInfo(text, i, name, 200, None)
        bold.append(letters[i] if b"Bold" in name.value else " ")
    return "".join(bold).split()


def test_what_is_bold_on_the_page_is_bold_in_the_pdf():
    given = ReportInput(document=document(asymmetry=0.4, grade="good"))
    strong = re.findall("<strong>(.*?)</strong>", report_page(given))
    assert {"No photo shows:", "good"} <= set(strong)
    bold = []
    for page in pdfium.PdfDocument(report_pdf(given)):
        text = page.get_textpage()
        bold += _bold_words(text, text.get_text_range())
    bold = f" {' '.join(bold)} "
    for words in strong:
        assert f" {words} " in bold, words
    assert " cracks" not in bold  # what no photo shows is not
    assert bold.count(" good ") == 2  # the grade, and what it does not mean


@pytest.mark.parametrize("paper", PAPERS)
def test_the_photo_of_a_pdf_is_so_large_that_its_numbers_can_be_read(paper):
    photo, _ = drawn_photo(loss=0.7, size=400)
    heights, numbers = [], set()
    for more in range(0, 40, 3):
        d = document()
        d["verdict"]["next_steps"] += ["Look at every tooth."] * more
        pages = pdfium.PdfDocument(report_pdf(ReportInput(document=d, picture=photo), paper=paper))
        for number, page in enumerate(pages):
            pictures = [o.get_bounds() for o in page.get_objects(filter=[pdfium.raw.FPDF_PAGEOBJ_IMAGE])]
            lines = page.get_textpage().get_text_range().splitlines()
            assert ("The photo" in lines) == bool(pictures)  # never its heading alone
            heights += [top - bottom for _, bottom, _, top in pictures]
            numbers |= {number} if pictures else set()
    assert len(heights) == 14
    assert max(heights) == pytest.approx(345, abs=0.5)
    assert 300 <= min(heights)  # smaller where the page leaves less, and then on the next
    assert len(numbers) > 1


def test_a_pdf_names_what_its_font_cannot_write():
    d = document()
    d["photo"]["name"] = "zębatka.jpg"
    pages = pdfium.PdfDocument(report_pdf(ReportInput(document=d, machine="駅前 7", drive=["東京"])))
    text = " ".join(page.get_textpage().get_text_range() for page in pages)
    assert "Sprocket wear: [U+99C5 U+524D] 7" in text
    assert text.count("[U+99C5 U+524D] 7, by toothcheck") == len(pages)  # at the foot of each page
    assert "zębatka.jpg" in text
    assert "U+6771 CJK UNIFIED IDEOGRAPH-6771" in text


def test_a_long_name_leaves_the_page_s_number_free():
    pages = pdfium.PdfDocument(report_pdf(ReportInput(document=document(), machine="WWW 7 " * 40)))
    last = [pages[0].get_textpage().get_text_bounded(*box) for box in ((0, 0, 500, 40), (505, 0, 595, 40))]
    assert re.fullmatch(r"Sprocket wear: (WWW 7 )+W*…, by toothcheck [\d.]+", last[0].replace("7…", "7 …").strip())
    assert last[1].strip() == "page 1"


def test_no_line_of_a_pdf_ends_inside_a_distance():
    # pushed along a line by one letter after the other, one of them comes to stand at its end
    sentences = tuple(f"{'n' * k} {'even ' * 16}2\u202f900 km" for k in range(1, 24))
    trend = SimpleNamespace(
        points=[], called_out=(), curve_km=np.zeros(0), curve_percent=np.zeros((3, 0)), sentences=sentences
    )
    pdf = pdfium.PdfDocument(report_pdf(ReportInput(document=document(), trends=[("front", trend)])))
    text = "\r\n".join(page.get_textpage().get_text_range() for page in pdf).replace("\xa0", " ")
    lines = [line.strip() for line in text.split("\r\n")]
    assert sum("2 900 km" in line for line in lines) == len(sentences)
    assert any(line.startswith("2 900") for line in lines)


def test_the_same_report_is_the_same_file():
    assert report_pdf(_full()) == report_pdf(_full())


def test_the_mark_stands_where_the_number_is():
    figure = reading_on_rule(Estimate(value=18.0, std=1.0))
    mark = next(s for s in figure.shapes if s.role == "worn")
    assert mark.points[0][0] == pytest.approx(100 * 18 / 36)  # the rule is 100 wide and ends at 36 %


def test_a_rule_ends_at_the_whole_tooth_whatever_a_file_says():
    figure = reading_on_rule(Estimate(value=1e9, std=1.0))
    assert len(figure.shapes) < 150  # a stroke for each per cent
    assert max(x for s in figure.shapes if s.role == "worn" for x, _ in np.atleast_2d(s.points)) == pytest.approx(100.0)
    tooth = {"index": 0, "measured": True, "asymmetry_percent": {"value": 9.0, "std": 1e9}}
    chart = teeth_chart([tooth])
    assert all(
        chart.bottom <= y <= chart.bottom + chart.height for s in chart.shapes for _, y in np.atleast_2d(s.points)
    )


def test_a_long_forecast_does_not_shrink_the_readings_to_a_dot():
    km = np.linspace(0, 300_000, 100)
    trend = SimpleNamespace(
        points=[SimpleNamespace(km=20_000.0, percent=8.0, std_percent=0.5)], called_out=(),
        curve_km=km, curve_percent=np.stack([0.3 * km, 0.4 * km, 0.6 * km]) / 1000, sentences=(),
    )  # fmt: skip
    dots = [s for s in trend_chart("t", trend).shapes if s.role == "point"]
    # the middle reaches 25 % at 62 500 km, and the axis is 100 wide
    assert dots[0].points[0][0] == pytest.approx(100 * 20_000 / 62_500, rel=0.06)


def test_a_tooth_drawn_from_its_numbers_measures_as_they_say():
    table = tooth_table(IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=15, blend=0.46))
    r = reading(worn(table, Wear(flank_loss_mm=0.5, hook_mm=0.5)))
    tooth = {
        "drive_loss_mm": {"value": r.drive_loss_mm, "std": 0.03},
        "overhang_mm": {"value": r.overhang_mm, "std": 0.03},
        "tip_thinning_percent": None,
        "coast_loss_mm": None,
    }
    drawn = _drawn_from_numbers(document()["sprocket"], tooth)
    flank = drawn[1][drawn[1][:, 0] > 0][::-1]
    at = np.argmin(np.abs(np.hypot(*flank.T) - table.pitch_radius_mm))
    half = np.arctan2(*flank[at]) * table.pitch_radius_mm
    assert table.half_mm[table.at_pitch] - half == pytest.approx(r.drive_loss_mm, abs=1e-6)


def test_traced_outlines_are_drawn_as_they_are_on_the_ideal_s_feet():
    table = tooth_table(IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=15))
    ideal, whole = (worn(table, Wear(flank_loss_mm=w)).outline_mm() for w in (0.0, 0.6))
    traced = whole[np.hypot(*whole.T) > table.junction_radius_mm]
    given = ReportInput(document=document(), outlines=[ToothOutline(index=2, measured_mm=traced, ideal_mm=ideal)])
    view = view_of(given)
    assert "as traced" in view.teeth_caption
    drawn = [shape for shape in view.teeth_figure.shapes if shape.role == "metal"][1].points
    low = ideal[:, 1].min()
    assert drawn[:, 1].min() < low  # it stands on the base
    shift = drawn[np.argmax(drawn[:, 1])][0] - traced[np.argmax(traced[:, 1])][0]
    for point in traced[:: len(traced) // 12]:
        assert np.hypot(*(drawn - point - [shift, 0]).T).min() < 1e-9


def test_outlines_of_a_measured_wheel():
    form = IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=15)
    points = worn(tooth_table(form), Wear(flank_loss_mm=0.6)).outline_mm()
    teeth = [
        SimpleNamespace(index=0, measured=True, outline_mm=points),
        SimpleNamespace(index=1, measured=True, outline_mm=None),
        SimpleNamespace(index=2, measured=False, outline_mm=points),
    ]
    (only,) = outlines_of(SimpleNamespace(datum=SimpleNamespace(form=form), teeth=teeth))
    assert only.index == 0
    assert np.hypot(*only.ideal_mm.T).max() == pytest.approx(form.tip_radius_mm)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"photo": "a"}, "photo must be an object, not 'a'"),
        ({"teeth": {"0": 1}}, "teeth must be a list of objects"),
        ({"teeth": [1, 2]}, "teeth must be a list of objects"),
        ({"wear": 5}, "must be laid out"),
        ({"flags": 5}, "must be laid out"),
        ({"verdict": {"grade": "good", "confidence": "high"}}, "could not convert"),
        ({"wear": {"asymmetry_percent": {"value": [1], "std": 1}}}, "must be laid out"),
    ],
)
def test_an_inspection_that_holds_something_else_is_refused(change, why):
    with pytest.raises(ValueError, match=why):
        view_of(ReportInput(document=document() | change))


def test_flags_that_this_toothcheck_does_not_know_are_shown_as_they_are():
    given = ReportInput(document=document() | {"flags": ["seen-in-a-mirror", 5]})
    assert [row.sentence for row in view_of(given).flags][:2] == ["seen-in-a-mirror", "5"]
    assert report_pdf(given).startswith(b"%PDF")


def test_what_is_no_inspection_is_refused():
    with pytest.raises(ValueError, match="schema"):
        report_page(ReportInput(document={"schema": "other"}))
    with pytest.raises(ValueError, match="paper must be one of"):
        report_pdf(ReportInput(document=document()), paper="a5")
