"""Order sheet and checklist, read back from Markdown and from the PDF."""

import io
import re
import unicodedata
from dataclasses import replace

import pypdfium2
import pytest

from toothcheck.advice import ChainState, Situation, SprocketState, plan_for
from toothcheck.chains import chain
from toothcheck.estimate import Estimate
from toothcheck.matching import part_from_mapping
from toothcheck.sheets import (
    BLANK,
    OrderFacts,
    Section,
    Sheet,
    SprocketOrder,
    as_seen,
    order_sheet,
    to_markdown,
    to_pdf,
    work_checklist,
)
from toothcheck.stretch import Limit
from toothcheck.torque import Torque

REAR = part_from_mapping({"teeth": 43, "holes": 5, "hole_circle_mm": {"value": 130.0, "std": 0.2}})
FACTS = OrderFacts(
    machine="Kestrel Couriers van-bike 12",
    size=chain("520"),
    links=112,
    rear=SprocketOrder(part=REAR, part_number="invented-4711"),
)


def plan(front="replace-set", rear="good", percent=0.2):
    limit = Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source="manual p. 3-7")
    return plan_for(
        Situation(
            front=SprocketState(grade=front, confidence=0.9, teeth=15),
            rear=SprocketState(grade=rear, confidence=0.9, teeth=43),
            chain=ChainState(elongation_percent=Estimate(value=percent, std=0.03), limit=limit),
            adjuster_left_percent=60,
        )
    )


def pdf_text(data):
    document = pypdfium2.PdfDocument(data)
    return " ".join(" ".join(page.get_textpage().get_text_bounded() for page in document).split())


def test_known_facts_are_filled_and_unknown_ones_left_blank():
    text = to_markdown(order_sheet(FACTS, date="12 May"))
    assert "| teeth (count twice) | 43 |" in text
    assert "| hole circle | 130.0 ± 0.2 mm |" in text
    assert "| links, the joining link counted | 112 |" in text
    assert f"| frame number | {BLANK} |" in text
    for never_known in ("plain or with sealing rings", "joining link: clip, riveted, endless"):
        assert f"| {never_known} | {BLANK} |" in text
    front = text.split("## Front sprocket")[1].split("## ")[0]
    assert f"| teeth (count twice) | {BLANK} |" in front


def test_links_in_doubt_are_not_ordered_unasked():
    text = to_markdown(order_sheet(replace(FACTS, links=111), date="12 May"))
    said = "| links, the joining link counted | 111 (an odd number closes only with a cranked (half) link; count again,"
    assert said in text
    front = SprocketOrder(part=replace(REAR, teeth=replace(REAR.teeth, value=15)))
    text = to_markdown(order_sheet(replace(FACTS, links=20, front=front), date="12 May"))
    assert "| 20 (too few to go round 15 and 43 teeth; count again, and the teeth) |" in text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_pdf_says_the_same(paper):
    sheet = order_sheet(FACTS, date="12 May")
    data = to_pdf(sheet, paper=paper)
    text = pdf_text(data)
    for section in sheet.sections:
        assert section.heading in text
        for label, value in section.facts:
            assert label in text
            assert value in text
    size = pypdfium2.PdfDocument(data)[0].get_size()
    assert size == pytest.approx((595.28, 841.89) if paper == "a4" else (612, 792), abs=0.1)
    assert to_pdf(sheet, paper=paper) == data


def test_checklist_of_a_set_holds_the_usual_cautions():
    torque = Torque.parse("rear sprocket nuts=43.5 lbf·ft @ machine's manual p. 7-12")
    sheet = work_checklist(plan(), machine="bike 12", torques=[torque], date="12 May")
    for text in (to_markdown(sheet), pdf_text(to_pdf(sheet))):
        for words in (
            "Engine off", "stand", "wheel free", "old chain on", "brake held", "lock washer", "thread-lock",
            "eye protection", "cleaners burn", "crosswise and in stages", "after the first ride",
            "43.5 lbf·ft (= 59 N·m",
            "p. 7-12", "qualified mechanic",
        ):  # fmt: skip
            assert words in text, words
    order = to_markdown(sheet)
    assert order.index("Loosen the front nut") < order.index("Open the joining link")
    assert order.index("fit the joining link") < order.index("tighten the front nut")


FASTENERS = ("front sprocket nut or bolts", "rear sprocket nuts", "rear axle nut")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["front sprocket nut"], 0),
        (["Front sprocket bolts"], 0),
        (["nut, front sprocket"], 0),
        (["rear sprocket nut"], 1),
        (["rear axle nut"], 2),
        # another fastener of that place, or none that is named: the one of the work is still to be written in
        (["front sprocket cover bolts"], None),
        (["front sprocket"], None),
        (["front sprocket nut lock screw"], None),
        (["rear sprocket carrier nuts"], None),
        (["rear axle pinch bolt"], None),
        (["axle nut"], None),
        # no fastener is put together from the names of two
        (["cover bolts, rear", "axle nut cap"], None),
        (["brake front", "sprocket nut guard"], None),
    ],
)
def test_a_fastener_of_the_work_stays_a_blank_unless_its_own_torque_was_typed(typed, said):
    torques = [Torque.parse(f"{name}=10 Nm @ invented manual p. 1") for name in typed]
    text = to_markdown(work_checklist(plan(), machine="bike", torques=torques, date="12 May"))
    blank = [f"| {fastener} | {BLANK} |" in text for fastener in FASTENERS]
    assert blank == [i != said for i in range(3)]


def test_one_torque_may_be_typed_in_two_units():
    # 43.5 lbf·ft are 59.0 N·m: common practice, no source
    typed = [Torque.parse(f"rear sprocket nuts={t} @ manual p. 3") for t in ("43.5 lbf·ft", "59 Nm", "6 kgf m")]
    text = to_markdown(work_checklist(plan(), machine="M", torques=typed, date="1 May"))
    assert "| rear sprocket nuts | 59 N·m" in text


@pytest.mark.parametrize("front", ["good", "watch", "replace-set", "replace-now"])
@pytest.mark.parametrize("percent", [0.1, 1.5])
def test_no_torque_slack_or_limit_that_was_not_typed(front, percent):
    text = to_markdown(work_checklist(plan(front, percent=percent), machine="bike", date="12 May"))
    assert not re.search(
        r"\d+(\.\d+)?\s*(N·m|Nm|lbf|kgf|mm\b)", text.replace(plan(front, percent=percent).headline, "")
    )
    work = plan(front, percent=percent).action in {"set", "chain-only"}
    # blanks for the fasteners of the work, and none where there is no work; what came off goes on again
    assert (f"| rear axle nut | {BLANK} |" in text) == work
    assert ("cover back on" if work else "back on with all its screws: cover") in text
    assert ("the new teeth" in text) == (plan(front, percent=percent).action == "set")


def test_chain_only_leaves_the_sprockets_on():
    made = plan("good", percent=1.5)
    assert made.action == "chain-only"
    text = to_markdown(work_checklist(made, machine="bike", date="12 May"))
    assert "## Sprockets" not in text
    assert "Rear nuts crosswise" not in text


def test_any_name_can_be_printed():
    facts = OrderFacts(machine="Schüler-Krad <7> & „Möwe“ | 駅 → \\")
    sheet = order_sheet(facts, date="12 May")
    text = pdf_text(to_pdf(sheet))
    assert "Schüler-Krad <7> & „Möwe“ | [U+99C5] → \\" in text
    assert "U+99C5 CJK UNIFIED IDEOGRAPH-99C5" in text
    row = next(line for line in to_markdown(sheet).splitlines() if line.startswith("| machine |"))
    assert len(re.findall(r"(?<!\\)\|", row)) == 3


@pytest.mark.parametrize(
    "name",
    [
        "śruba tylnej zębatki", "s\u0301ruba", "Ταχυδρομείο", "Мопед", "√2 ≥ 1 − 0.5′",
    ],
)  # fmt: skip
def test_letters_of_the_font_stand_as_they_are(name):
    torque = Torque.parse(f"{name}=43.5 lbf·ft @ machine's manual p. 7-12")
    text = pdf_text(to_pdf(work_checklist(plan(), machine=name, torques=[torque], date="12 May")))
    assert text.count(unicodedata.normalize("NFC", name)) == 2
    assert "Unicode" not in text
    assert "?" not in text


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        # Unicode Standard Annex 9: words from right to left, numbers in them from left to right, the text from the left
        ("Order: מכונה 12 אדומה, by", f"Order: {'אדומה'[::-1]} 12 {'מכונה'[::-1]}, by"),
        ("מכונה 12.5", f"12.5 {'מכונה'[::-1]}"),  # W4, N1
        ("12 מכונה", f"12 {'מכונה'[::-1]}"),  # W7: behind nothing or Latin letters a number is the text's
        ("מכונה (אדומה) A", f"({'אדומה'[::-1]}) {'מכונה'[::-1]} A"),  # N0, L4
        ("Мопед 7", "Мопед 7"),
    ],
)
def test_words_that_run_from_right_to_left_are_seen_so(text, seen):
    assert as_seen(text) == seen


def test_arabic_letters_are_joined():
    # the Unicode Standard, 9.2: seen and jeem join on both sides, dal and reh to the letter before them only
    names = [unicodedata.name(letter).removeprefix("ARABIC ") for letter in as_seen("جسر")]
    assert names == ["LETTER REH FINAL FORM", "LETTER SEEN MEDIAL FORM", "LETTER JEEM INITIAL FORM"]
    names = [unicodedata.name(letter).removeprefix("ARABIC ") for letter in as_seen("سلام")]
    assert names == ["LETTER MEEM ISOLATED FORM", "LIGATURE LAM WITH ALEF FINAL FORM", "LETTER SEEN INITIAL FORM"]
    words = "دراجة حمراء"
    assert unicodedata.normalize("NFKC", as_seen(words))[::-1] == words  # nothing is lost


def test_a_hebrew_name_stands_from_right_to_left_on_paper():
    page = pypdfium2.PdfDocument(to_pdf(order_sheet(OrderFacts(machine="אבג"), date="12 May")))[0].get_textpage()
    at = {}
    for i in range(page.count_chars()):
        letter = page.get_text_range(i, 1)
        if letter in "אבג" and letter not in at:
            at[letter] = page.get_charbox(i)[0]
    assert at["א"] > at["ב"] > at["ג"]


def test_names_that_the_font_cannot_write_stay_apart_on_paper():
    names = ["駅前バイク", "東京バイク", "दिल्ली 7", "🏍 12"]
    texts = [pdf_text(to_pdf(order_sheet(OrderFacts(machine=name), date="12 May"))) for name in names]
    titles = [text.split("Order sheet: ")[1].split(" Chain and sprockets.")[0] for text in texts]
    assert titles[0] == "[U+99C5 U+524D U+30D0 U+30A4 U+30AF]"
    assert len(set(titles)) == len(names)
    assert "U+1F3CD RACING MOTORCYCLE" in texts[3]


def test_a_long_sheet_runs_over_pages():
    sheet = Sheet(
        title="t", subtitle="s", footer="f",
        sections=(Section(heading="h", steps=tuple(f"step number {i}" for i in range(150))),),
    )  # fmt: skip
    document = pypdfium2.PdfDocument(io.BytesIO(to_pdf(sheet)))
    assert len(document) > 2
    assert "step number 149" in pdf_text(to_pdf(sheet))
