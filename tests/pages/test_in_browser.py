"""The pages in a real Chromium: they work, they are silent, ask nobody for anything, and everyone can read them."""

import base64
import io
import json
import math
import re
import time

import numpy as np
import pypdfium2 as pdfium
import pytest
from made import asked, document, drawn_photo
from PIL import Image
from scipy.stats import norm

from toothcheck.chains import chain
from toothcheck.lessons import collect, exercise_page, lesson_page, lesson_wheel, run_of
from toothcheck.lessons.model import Wear, drive_flank_side, reading, roller_seat, tooth_table, worn
from toothcheck.lessons.page import FORMS, form
from toothcheck.lessons.scale import GRADES, grade_of
from toothcheck.report import Origin, ReportInput, report_page

pytestmark = pytest.mark.browser
PHONE, DESK = (390, 844), (1200, 900)


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """The three pages as files."""
    folder = tmp_path_factory.mktemp("pages")
    rng = np.random.default_rng(7)
    cases = [
        asked(*drawn_photo(loss=0.0, size=500), rng),
        asked(*drawn_photo(loss=0.75, size=501, position="rear", teeth=40), rng),
        asked(*drawn_photo(loss=1.3, size=502, side="counterclockwise"), rng),
    ]
    photo, _ = drawn_photo(loss=0.7, size=400)
    texts = {
        "lesson": lesson_page(lesson_wheel(chain("520"), 15), lesson_wheel(chain("520"), 45)),
        "exercise": exercise_page(cases, title="Week 1"),
        "report": report_page(ReportInput(document=document(), origin=Origin.MADE, picture=photo)),
    }
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in texts} | {"cases": cases}


def quiet(browser):
    assert browser.complaints() == []
    assert browser.outside_requests() == []


# --- the lesson ----------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("position", ["front", "rear"])
def test_the_script_s_numbers_are_python_s(browser, pages, position):
    browser.open(pages["lesson"])
    rng = np.random.default_rng(11)
    teeth = {"front": 15, "rear": 45}[position]
    for blend_index, (_, blend) in enumerate(FORMS):
        table = tooth_table(form(chain("520"), teeth, blend))
        for _ in range(6):
            loss, hook, tip, stretch, sure = rng.uniform(0, [1.2, 1.2, 100, 3, 0.3]).tolist()
            state = {
                "position": position, "travel": "right", "form": blend_index, "loss": loss, "hook": hook, "tip": tip,
                "stretch": stretch, "sure": sure + 0.01,
            }  # fmt: skip
            got = browser.run(
                "const c = lesson.compute(arguments[0]);"
                "return [c.reading, c.seat, c.grade, c.chances, c.asymmetryStd, c.side]",
                state,
            )
            tooth = worn(table, Wear(flank_loss_mm=loss, hook_mm=hook, tip_thinning_percent=tip))
            want, seat = reading(tooth), roller_seat(tooth, stretch)
            for name, value in got[0].items():
                # the page carries its tables to a millionth of a mm
                assert value == pytest.approx(getattr(want, name), abs=2e-4), name
            assert got[1]["lift_mm"] == pytest.approx(seat.lift_mm, abs=1e-6)
            assert got[1]["centre_mm"] == pytest.approx(seat.centre_mm, abs=1e-4)
            assert got[2] == grade_of(want.asymmetry_percent, want.overhang_mm)
            # scipy as the reference: two independent normal readings
            below = norm.cdf([5, 10, 25], want.asymmetry_percent, got[4]) * norm.cdf(0.3, want.overhang_mm, sure + 0.01)
            chances = np.diff([0.0, *below, 1.0]).tolist()
            assert got[3] == pytest.approx(dict(zip(GRADES, chances, strict=True)), abs=1e-4)
            assert got[5] == drive_flank_side(position, "clockwise")


def test_sliders_move_the_tooth_and_the_numbers(browser, pages):
    browser.open(pages["lesson"])
    outline = "return document.getElementById('tooth').getAttribute('d')"
    browser.click("[data-preset=new]")
    before = browser.run(outline)
    assert browser.text("#n-asymmetry") == "0.0\u00a0%"
    for slider, value, number, expected in (
        ("#loss", 0.44, "#n-loss", "0.44\u00a0mm"),
        ("#tip", 40, "#n-tip", "40\u00a0%"),
        ("#stretch", 2, "#n-lift", "0.76\u00a0mm"),  # 15 teeth: 0.38 mm for each 1 % (our own arithmetic)
    ):
        browser.set(slider, value)
        assert browser.text(number) == expected
        after = browser.run(outline)
        assert after != before or slider == "#stretch"
        before = after
    contact = browser.run("return document.getElementById('contact').getAttribute('cy')")
    browser.set("#stretch", 3)
    assert float(browser.run("return document.getElementById('contact').getAttribute('cy')")) < float(contact)  # climbs
    browser.set("#hook", 1.0)
    assert browser.text("#grade") == "replace-now"
    assert browser.run(outline) != before
    quiet(browser)


def test_front_and_rear_and_travel_flip_the_hook(browser, pages):
    browser.open(pages["lesson"])
    browser.click("[data-preset=hooked]")
    middle = browser.run("return document.getElementById('stage').viewBox.baseVal.width / 2")

    def side():
        x = browser.run("const b = document.getElementById('drive-flank').getBBox(); return b.x + b.width / 2")
        return "right" if x > middle else "left"

    seen = {}
    for position in ("front", "rear"):
        for travel in ("right", "left"):
            browser.click(f"[name=position][value={position}]")
            browser.click(f"[name=travel][value={travel}]")
            seen[position, travel] = side()
            story = browser.text("#story")
            assert f"hook leans {side()}" in story
            assert ("with the rotation" if position == "front" else "against the rotation") in story
    # measures: front leans with the rotation (travel right turns clockwise, to the right at the top), rear against it
    assert seen == {
        ("front", "right"): "right", ("front", "left"): "left", ("rear", "right"): "left", ("rear", "left"): "right",
    }  # fmt: skip
    quiet(browser)


def test_a_phone_shows_what_decides_and_letters_that_can_be_read(browser, pages):
    browser.open(pages["lesson"], width=PHONE[0], height=PHONE[1])
    for column in ("Drive flank", "A hook leans"):
        head = f"[...document.querySelectorAll('th')].find(h => h.textContent.startsWith('{column}'))"
        assert browser.run(f"return {head}.getBoundingClientRect().right") <= PHONE[0], column
    small = browser.run(
        "const svg = document.querySelector('svg.forms'), box = svg.getBoundingClientRect();"
        "const scale = box.width / svg.viewBox.baseVal.width;"
        "const sizes = [...svg.querySelectorAll('text')].map(t => parseFloat(getComputedStyle(t).fontSize));"
        "return scale * Math.min(...sizes)"
    )
    assert small > 10
    cut = (
        "const out = (t, s) => Math.min(t.left - s.left, s.right - t.right, t.top - s.top, s.bottom - t.bottom) < -1;"
        "return [...document.querySelectorAll('svg text')].filter(t => out(t.getBoundingClientRect(),"
        "t.ownerSVGElement.getBoundingClientRect())).map(t => t.textContent)"
    )
    for width in (360, PHONE[0]):
        browser.size(width, PHONE[1])
        for travel in ("left", "right"):
            browser.click(f"[name=travel][value={travel}]")
            browser.drawn()
            assert browser.run(cut) == []
    assert "wheel" not in browser.text("#h-why ~ ol li")
    browser.click("[data-preset=hooked]")
    assert browser.text("#confidence").replace("\xa0", " ") == "Confidence over 98 % in replace-now."


@pytest.mark.parametrize(
    ("name", "front", "rear"), [("05B", 15, 45), ("428", 15, 45), ("20B", 15, 45), ("520", 15, 150), ("520", 45, 15)]
)
def test_a_lesson_of_another_chain_shows_the_same(browser, tmp_path, name, front, rear):
    page = tmp_path / "lesson.html"
    page.write_text(lesson_page(*(lesson_wheel(chain(name), teeth) for teeth in (front, rear))), encoding="utf-8")
    browser.open(page)
    browser.click("[data-preset=hooked]")
    assert "hook leans right" in browser.run("return document.getElementById('stage').textContent")
    inside = (
        "const [x, y, w, h] = arguments[0].ownerSVGElement.getAttribute('viewBox').split(' ').map(Number),"
        "b = arguments[0].getBBox(); return b.x >= x && b.y >= y && b.x + b.width <= x + w && b.y + b.height <= y + h"
    )
    for part in ("#drive-flank", "#contact", "#gone", "#map path.f-worn"):
        assert browser.run(inside, browser.driver.find_element("css selector", part)), part
    quiet(browser)


@pytest.mark.parametrize(("width", "height"), [(360, 740), (768, 1024)])
def test_the_drawing_that_stays_in_sight_hides_nothing_that_has_the_focus(browser, pages, width, height):
    # WCAG 2.2, 2.4.11
    browser.open(pages["lesson"], width=width, height=height)
    browser.run("document.querySelector('[name=form]:checked').focus()")
    walked = []
    while "position" not in walked:
        browser.key("Tab", shift=True)
        browser.drawn()
        name, hit = browser.run(
            "const e = document.activeElement, r = e.getBoundingClientRect();"
            "return [e.name, document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2) === e]"
        )
        walked.append(name)
        assert hit, name
    assert walked == ["stretch", "tip", "hook", "loss", "travel", "position"]


@pytest.mark.parametrize(("width", "height"), [(640, 360), (740, 360), (915, 412)])
def test_a_phone_on_its_side_shows_drawing_and_slider_together(browser, pages, width, height):
    browser.open(pages["lesson"], width=width, height=height)
    for slider in ("loss", "hook", "tip", "stretch"):
        browser.run("document.getElementById(arguments[0]).scrollIntoView({block: 'center'})", slider)
        browser.drawn()
        in_sight, free = browser.run(
            "const s = document.getElementById('stage').getBoundingClientRect();"
            "const e = document.getElementById(arguments[0]), r = e.getBoundingClientRect();"
            "return [s.top >= 0 && s.bottom <= innerHeight,"
            "document.elementFromPoint(r.left + r.width / 2, r.top + r.height / 2) === e]",
            slider,
        )
        assert (in_sight, free) == (True, True), slider


# --- the exercise --------------------------------------------------------------------------------------------------
def test_an_exercise_is_done_and_its_result_read_back(browser, pages):
    browser.open(pages["exercise"], width=PHONE[0], height=PHONE[1])
    browser.run("document.getElementById('who').value = 'Ash'")
    browser.click("#begin")
    given = [("clockwise", "good"), ("clockwise", "watch"), ("counterclockwise", "replace-now")]
    for i, ((side, grade), case) in enumerate(zip(given, pages["cases"], strict=True)):
        assert browser.text("#h-task") == f"Photo {i + 1} of 3"
        browser.click("#check")
        assert "question 1 and question 3" in browser.text("#missing")
        browser.click(f"#close-view rect:not(.under)[data-side={side}]")  # a tap on the flank
        assert browser.run("return document.getElementById('answers').elements.drive.value") == side
        for n, tooth in enumerate(case.asked):
            if tooth.worn:
                browser.click(f"#teeth-list input[value='{n}']")
        browser.click(f"[name=grade][value={grade}]")
        browser.click("#check")
        assert case.grade in browser.text("#truth-rows tr:last-child td:nth-child(3)")
        assert browser.overflow_px() <= 0
        browser.click("#next")
    assert browser.text("#score dd:nth-of-type(1)") == "3 of 3"
    assert browser.text("#score dd:nth-of-type(2)") == "2 of 3"
    browser.click("#save")
    for _ in range(50):
        files = list(browser.downloads.glob("*.json"))
        if files:
            break
        time.sleep(0.1)
    run = run_of(json.loads(files[0].read_text(encoding="utf-8")))
    assert run.apprentice == "Ash"
    together = collect([run]).together
    assert (together.grade_right.hits, together.drive_flank_right.hits, together.photos) == (2, 3, 3)
    assert together.confusion[1][2] == 1  # called watch, was replace-set
    assert together.worn_found.hits == together.worn_found.of == 16
    assert browser.run("return document.getElementById('raw').value") == files[0].read_text(encoding="utf-8")
    quiet(browser)


def test_a_phone_shows_a_photo_s_teeth_large(browser, pages):
    browser.open(pages["exercise"], width=360, height=740)
    browser.click("#begin")
    width = "return document.getElementById('teeth-view').getBoundingClientRect().width"
    whole = browser.run(width)
    browser.click("#closer")
    for case in pages["cases"][:2]:  # and the next photo as large
        assert browser.run(width) > 2.5 * whole
        tooth = case.asked[0]
        assert browser.run(
            "const v = document.getElementById('teeth-view').getBoundingClientRect(), [x, y] = arguments,"
            "l = document.getElementById('lens').getBoundingClientRect();"
            "const px = v.left + x * v.width, py = v.top + y * v.height;"
            "return px > l.left && px < l.right && py > l.top && py < l.bottom && l.height < 0.8 * innerHeight",
            tooth.x_px / case.width_px,
            tooth.y_px / case.height_px,
        )
        assert browser.overflow_px() <= 0
        assert browser.axe() == []
        browser.click("#teeth-view g[data-tooth='0'] circle:not(.hit)")
        assert browser.run("return document.querySelector('#teeth-list input').checked")
        for css in ("[name=drive]", "[name=grade]", "#check", "#next"):
            browser.click(css)
    browser.click("#closer")
    assert browser.run(width) == whole
    browser.open(pages["exercise"])
    browser.click("#begin")
    assert not browser.run("return document.getElementById('closer').checkVisibility()")  # large as it is


def test_no_result_is_lost_unasked(browser, tmp_path):
    case = asked(*drawn_photo(loss=0.3, size=500), np.random.default_rng(7))
    (tmp_path / "short.html").write_text(exercise_page([case], title="Week 1"), encoding="utf-8")
    browser.open(tmp_path / "short.html")
    asks = "const e = new Event('beforeunload', {cancelable: true}); dispatchEvent(e); return e.defaultPrevented"
    browser.click("#begin")
    assert not browser.run(asks)  # nothing is answered yet
    for css in ("[name=drive]", "[name=grade]", "#check"):
        browser.click(css)
    assert browser.run(asks)
    browser.click("#next")
    assert json.loads(browser.run("return document.getElementById('raw').value"))["apprentice"] == ""
    browser.driver.find_element("css selector", "#end #who").send_keys("Ash")  # forgotten at the start
    assert json.loads(browser.run("return document.getElementById('raw').value"))["apprentice"] == "Ash"
    browser.click("#again")
    assert browser.run("return document.getElementById('task').hidden")
    assert "not saved yet" in browser.text("#saved")
    assert browser.run(asks)  # to be asked is not to have answered
    browser.click("#save")
    assert "-Ash-" in browser.text("#saved")
    assert not browser.run(asks)
    browser.click("#again")
    assert not browser.run("return document.getElementById('task').hidden")


def test_doing_it_again_asks_each_time_before_a_result_is_dropped(browser, tmp_path):
    case = asked(*drawn_photo(loss=0.3, size=500), np.random.default_rng(7))
    (tmp_path / "short.html").write_text(exercise_page([case], title="Week 1"), encoding="utf-8")
    browser.open(tmp_path / "short.html")
    browser.click("#begin")
    at_the_end = "return !document.getElementById('end').hidden"
    for _ in range(2):
        for css in ("[name=drive]", "[name=grade]", "#check", "#next"):
            browser.click(css)
        assert browser.text("#again") == "Do it again"
        browser.click("#again")
        assert "not saved yet" in browser.text("#saved")
        # the second of two quick taps, as a browser tells it
        browser.run("document.getElementById('again').dispatchEvent(new MouseEvent('click', {detail: 2}))")
        assert browser.run(at_the_end)
        browser.driver.find_element("css selector", "#end #who").send_keys("A")  # something else was done since
        browser.click("#again")
        assert browser.run(at_the_end)
        assert browser.text("#again") == "Drop it and do it again"
        browser.click("#again")
        assert not browser.run(at_the_end)


def test_the_teeth_of_a_photo_are_large_enough_for_a_finger(browser, pages):
    browser.open(pages["exercise"], width=360, height=740)
    browser.click("#begin")
    sizes = (
        "return [...document.querySelectorAll('#teeth-view g')].map(g => g.getBoundingClientRect())"
        ".map(r => Math.min(r.width, r.height))"
    )
    assert min(browser.run(sizes)) >= 24  # WCAG 2.2, 2.5.8


def test_what_the_page_moves_to_has_a_name(browser, pages):
    browser.open(pages["exercise"])
    for css in ("#begin", "[name=drive]", "[name=grade]", "#check"):
        browser.click(css)
    truth = browser.driver.switch_to.active_element
    assert (truth.aria_role, truth.accessible_name) == ("group", "The measured truth")


def test_turning_is_shown_as_told(browser, pages):
    browser.open(pages["exercise"])
    browser.click("#begin")
    assert "turns clockwise" in browser.text("#facts")  # front, drive flank clockwise


def test_the_flank_is_marked_on_a_whole_tooth(browser, tmp_path):
    case = asked(*drawn_photo(loss=0.3, size=500, damaged=(0, 1)), np.random.default_rng(7))
    (tmp_path / "broken.html").write_text(exercise_page([case], title="Week 1"), encoding="utf-8")
    browser.open(tmp_path / "broken.html")
    browser.click("#begin")
    assert "Tooth 3 turned upright" in browser.run("return document.getElementById('answers').textContent")
    view = browser.run("return document.getElementById('close-view').getAttribute('viewBox')").split()
    x = float(view[0]) + float(view[2]) / 2
    assert (case.asked[2].damaged, x) == (False, pytest.approx(case.asked[2].x_px, abs=0.1))
    label = browser.run("return document.getElementById('close-view').getAttribute('aria-label')")
    assert label == "Tooth 3 upright, with its left and right flank"


def test_teeth_that_a_photo_cannot_show_are_not_said_to_be_unworn(browser, tmp_path):
    photo, truth = drawn_photo(loss=0.75, size=500)
    case = asked(photo, truth | {"tier": "hostile"}, np.random.default_rng(7))
    (tmp_path / "hostile.html").write_text(exercise_page([case], title="Week 1"), encoding="utf-8")
    browser.open(tmp_path / "hostile.html")
    for css in ("#begin", "[name=drive][value=clockwise]", "[name=grade][value=cannot-tell]", "#check"):
        browser.click(css)
    row = browser.run("return [...document.querySelectorAll('#truth-rows tr')][1].textContent")
    assert row == "Worn teethnonecannot be judged herenot scored"


# --- the report ----------------------------------------------------------------------------------------------------
def test_a_phone_shows_why_a_tooth_was_not_measured(browser, pages):
    browser.open(pages["report"], width=PHONE[0], height=PHONE[1])
    right = "return [...document.querySelectorAll('td')].find(c => c.textContent.startsWith('not measured:'))"
    assert browser.run(f"{right}.getBoundingClientRect().right") <= PHONE[0]
    assert browser.run(f"{right}.textContent") == "not measured: covered"


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """A report with a picture as large as inspect draws one, tooth 2 the most worn and tooth 5 gone."""
    picture = io.BytesIO()
    Image.new("RGB", (1920, 1280), "#5b6469").save(picture, "PNG")
    d = document(grade="replace-now", broken=(5,))
    tips = {i: (0.5 + 0.4 * math.cos(a), 0.5 - 0.4 * math.sin(a)) for i in range(15) for a in (2 * math.pi * i / 15,)}
    given = ReportInput(document=d, picture=picture.getvalue(), outlined=True, tips_shown=tips)
    page = tmp_path_factory.mktemp("drawn") / "drawn.html"
    page.write_text(report_page(given), encoding="utf-8")
    return page, tips


def shown_at(browser, share):
    """Whether a place of the picture, in shares of its height, is in sight; and the picture's height, CSS px."""
    return browser.run(
        "const i = document.querySelector('.sheet img').getBoundingClientRect(), [x, y] = arguments[0],"
        "  l = document.querySelector('.lens').getBoundingClientRect();"
        "const px = i.left + x * i.height, py = i.top + y * i.height;"
        "return [px > l.left + 40 && px < l.right - 40 && py > Math.max(0, l.top) + 20"
        "  && py < Math.min(innerHeight, l.bottom) - 20, i.height]",
        share,
    )


@pytest.mark.parametrize("width", [360, 412, 768, 1280])
def test_a_tap_on_the_picture_shows_the_tooth_that_decides_with_letters_that_can_be_read(browser, drawn, width):
    page, tips = drawn
    assert "<script" not in page.read_text(encoding="utf-8")
    browser.open(page, width=width, height=740)
    whole = shown_at(browser, tips[5])[1]
    assert not browser.run("return document.querySelector('.back').checkVisibility()")
    browser.click(".sheet .tap")  # over the whole picture; what a screen reader gets is the list below
    in_sight, height = shown_at(browser, tips[5])
    assert in_sight
    # the smallest numbers that are drawn have 13 px in a picture of 1280
    assert 13 * height / 1280 > 12 > 13 * whole / 1280
    assert browser.overflow_px() <= 0
    browser.click("a[href='#tooth-2']")
    assert shown_at(browser, tips[2])[0]
    assert browser.axe() == []
    browser.click(".back")
    assert shown_at(browser, tips[2])[1] == whole
    quiet(browser)


def test_the_picture_is_enlarged_and_scrolled_by_keyboard(browser, drawn):
    browser.open(drawn[0], width=360, height=740)
    browser.run("document.querySelector('.closer a').focus()")
    browser.key("Enter")
    assert (
        browser.run("return document.activeElement.getAttribute('aria-label')")
        == "Enlarged: tooth 5, broken or missing"
    )
    place = "const l = document.querySelector('.lens'); return [l.scrollLeft, l.scrollTop]"
    before = browser.run(place)
    for key in ("ArrowRight", "ArrowDown"):
        browser.key(key)
    for _ in range(50):  # it glides there
        now = browser.run(place)
        if now[0] > before[0] and now[1] > before[1]:
            break
        time.sleep(0.1)
    assert now[0] > before[0]
    assert now[1] > before[1]


def test_an_enlarged_picture_prints_as_the_whole_one(browser, drawn):
    def printed():
        data = browser.driver.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})["data"]
        return [np.asarray(page.render().to_pil()) for page in pdfium.PdfDocument(base64.b64decode(data))]

    browser.open(drawn[0], width=360, height=740)
    whole = printed()
    browser.click(".sheet .tap")
    enlarged = printed()
    assert len(whole) == len(enlarged)
    assert all(np.array_equal(a, b) for a, b in zip(whole, enlarged, strict=True))


def test_a_picture_without_known_teeth_is_enlarged_at_its_middle(browser, pages):
    browser.open(pages["report"], width=360, height=740)
    browser.click("a[href='#middle']")
    in_sight, height = shown_at(browser, (0.5, 0.5))
    assert (in_sight, height) == (True, 1200)


@pytest.mark.parametrize("width", [390, 800, 900, 1200])
def test_a_grade_stands_in_one_line(browser, pages, width):
    browser.open(pages["report"], width=width)
    lines = "const r=document.createRange(); r.selectNodeContents(document.querySelector('.grade').lastChild);"
    assert browser.text(".grade").endswith("replace-set")
    assert browser.run(f"{lines} return r.getClientRects().length") == 1


@pytest.mark.parametrize("name", ["lesson", "report"])
def test_what_is_cut_off_at_the_edge_says_that_it_scrolls(browser, pages, name):
    hints = (
        "const top = e => e.getBoundingClientRect().top;"
        "return [...document.querySelectorAll('.scroll')].map(e => [e.scrollWidth > e.clientWidth,"
        "parseFloat(getComputedStyle(e, '::before').width) > 200, top(e.firstElementChild) - top(e) > 20])"
    )
    browser.open(pages[name], width=PHONE[0], height=PHONE[1])
    on_phone = browser.run(hints)
    assert {cut for cut, *_ in on_phone} == {True, False}
    assert all(cut == said == has_room for cut, said, has_room in on_phone)
    browser.open(pages[name], width=DESK[0], height=DESK[1])
    assert not any(map(any, browser.run(hints)))  # no words, and no room left for them
    assert browser.overflow_px() <= 0


@pytest.mark.parametrize(("paper", "inches"), [("a4", (8.27, 11.69)), ("letter", (8.5, 11))])
def test_the_report_prints(browser, pages, paper, inches):
    browser.open(pages["report"])
    printed = browser.driver.execute_cdp_cmd(
        "Page.printToPDF", {"paperWidth": inches[0], "paperHeight": inches[1], "printBackground": True}
    )
    pdf = pdfium.PdfDocument(base64.b64decode(printed["data"]))
    assert pdf[0].get_size() == pytest.approx((inches[0] * 72, inches[1] * 72), abs=1)
    assert 2 <= len(pdf) <= 6
    words = " ".join(page.get_textpage().get_text_range() for page in pdf)
    assert "replace-set" in words
    assert "Skip to the content" not in words
    quiet(browser)


@pytest.mark.parametrize("name", ["lesson", "exercise"])
def test_without_its_script_a_page_says_so(browser, pages, name):
    said = "return document.querySelector('noscript').checkVisibility() && document.querySelector('noscript').innerText"
    try:
        browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
        browser.driver.get(pages[name].as_uri())
        assert "open it in a browser" in browser.run(said)
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    browser.open(pages[name])
    assert not browser.run(said)


# --- all of them ---------------------------------------------------------------------------------------------------
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["lesson", "exercise", "report"])
def test_no_serious_accessibility_fault(browser, pages, name, dark):
    browser.open(pages[name], dark=dark)
    assert browser.axe() == []
    if name == "exercise":
        browser.click("#begin")
        browser.click("[name=drive]")
        browser.click("[name=grade]")
        assert browser.axe() == []
        browser.click("#check")
        browser.settled()  # the button fades
        assert browser.axe() == []


def contrast(one, other):
    """Ratio of two CSS colours (WCAG 2.2, relative luminance and contrast ratio)."""

    def luminance(css):
        c = np.array([float(v) for v in re.findall(r"[\d.]+", css)[:3]]) / 255
        return float(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722])

    low, high = sorted(map(luminance, (one, other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["lesson", "report"])
def test_words_in_drawings_stand_out_from_what_they_stand_on(browser, pages, name, dark):
    # axe-core does not look behind words in SVG
    assert contrast("rgb(118, 118, 118)", "rgb(255, 255, 255)") == pytest.approx(4.54, abs=0.005)  # WebAIM's example
    browser.open(pages[name], dark=dark)
    found = browser.run("""
        const behind = (x, y) => {
          for (const e of document.elementsFromPoint(x, y)) {
            const s = getComputedStyle(e), drawn = e instanceof SVGElement && e.tagName !== "svg";
            const c = drawn ? s.fill : s.backgroundColor;
            if (e.tagName !== "text" && c !== "none" && c !== "rgba(0, 0, 0, 0)") return c;
          }
        };
        return [...document.querySelectorAll("svg text")].flatMap((t) => {
          t.scrollIntoView({block: "center"});
          const r = t.getBoundingClientRect(), at = (k) => behind(r.left + k * r.width, r.top + r.height / 2);
          return [0.1, 0.3, 0.5, 0.7, 0.9].map((k) => [t.textContent, getComputedStyle(t).fill, at(k)]);
        })""")
    assert len(found) > 50
    assert [(word, ink, ground) for word, ink, ground in found if contrast(ink, ground) < 4.5] == []


def test_the_checkers_do_see_faults(browser, tmp_path):
    page = tmp_path / "bad.html"
    page.write_text(
        '<!doctype html><title>x</title><img src="http://127.0.0.1:9/x.png">'
        '<p style="color:#bbb;background:#fff">pale</p>'
    )
    browser.open(page)
    rules = {rule for rule, _ in browser.axe()}
    assert {"color-contrast", "image-alt", "html-has-lang"} <= rules
    assert browser.outside_requests() == ["http://127.0.0.1:9/x.png"]  # asked for before the page counts as loaded
    assert browser.complaints()


def test_a_long_file_name_is_broken_and_not_cut(browser, tmp_path):
    d = document()
    d["photo"]["name"] = f"IMG_20260301_{'and_so_on_' * 12}.jpg"
    (tmp_path / "long.html").write_text(report_page(ReportInput(document=d)), encoding="utf-8")
    browser.open(tmp_path / "long.html", width=PHONE[0], height=PHONE[1])
    assert browser.overflow_px() <= 0
    assert browser.run("const h = document.querySelector('h1'); return h.scrollWidth - h.clientWidth") <= 0


@pytest.mark.parametrize("name", ["lesson", "exercise", "report"])
def test_letters_twice_as_large_are_not_cut_on_a_phone(browser, pages, name):
    # WCAG 2.2, 1.4.4
    browser.open(pages[name], width=360, height=740)
    browser.letters(200)
    assert browser.overflow_px() <= 0
    for css in ("#begin", "[name=drive]", "[name=grade]", "#check") if name == "exercise" else ():
        browser.click(css)
        assert browser.overflow_px() <= 0


@pytest.mark.parametrize("name", ["lesson", "report"])
def test_with_letters_twice_as_large_it_is_still_read_whole_that_a_table_scrolls(browser, pages, name):
    browser.open(pages[name], width=360, height=740)
    browser.letters(200)
    cut = browser.run(
        "return [...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth).map(e => {"
        "const said = getComputedStyle(e, '::before'), words = document.createElement('span');"
        "words.style.cssText = `position:absolute;white-space:nowrap;font:${said.font}`;"
        "words.textContent = JSON.parse(said.content); document.body.append(words);"
        "const wide = words.getBoundingClientRect().width; words.remove(); return wide - e.clientWidth})"
    )
    assert cut
    assert max(cut) <= 0


@pytest.mark.parametrize(
    ("width", "percent"), [(320, 100), (360, 100), (320, 200), (390, 150), (390, 200), (740, 200), (1200, 200)]
)
def test_the_names_on_the_rule_do_not_run_into_one_another(browser, pages, width, percent):
    browser.open(pages["lesson"], width=width, height=900)
    browser.letters(percent)
    boxes = browser.run(
        "return [...document.querySelectorAll('.rule em, .rule span')].map(e => {"
        "const range = document.createRange(); range.selectNodeContents(e); const r = range.getBoundingClientRect();"
        "return [e.textContent, r.left, r.top, r.right, r.bottom]})"
    )
    assert [name for name, *_ in boxes if "%" not in name] == list(GRADES)
    assert all(0 <= left and right <= width for _, left, _, right, _ in boxes)
    over = [
        (a[0], b[0])
        for i, a in enumerate(boxes)
        for b in boxes[:i]
        if min(a[3], b[3]) > max(a[1], b[1]) and min(a[4], b[4]) > max(a[2], b[2]) + 1
    ]
    assert over == []


@pytest.mark.parametrize("name", ["lesson", "exercise", "report"])
def test_nothing_is_wider_than_a_phone(browser, pages, name):
    browser.open(pages[name], width=PHONE[0], height=PHONE[1])
    assert browser.overflow_px() <= 0
    browser.size(320, 640)  # WCAG 2.2, 1.4.10: reflow at 320 CSS px
    assert browser.overflow_px() <= 0
    quiet(browser)
