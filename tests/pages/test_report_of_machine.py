"""A report of a machine: the logbook's newest reading of the worse sprocket, and every trend."""

import datetime as dt
import json
import re

import numpy as np
import pypdfium2 as pdfium
import pytest

from toothcheck.cli import main
from toothcheck.cli.books import opened
from toothcheck.logbook.demo import made_document
from toothcheck.report import from_logbook, report_page, report_pdf, view_of
from toothcheck.report.figures import trend_chart

TODAY = dt.date(2026, 3, 1)


@pytest.fixture
def fleet(tmp_path, monkeypatch):
    monkeypatch.setattr(
        "sys.argv", ["toothcheck", "logbook", "demo", "--out", str(tmp_path / "k.sqlite"), "--machines", "3"]
    )
    with pytest.raises(SystemExit) as end:
        main()
    assert not end.value.code
    return tmp_path / "k.sqlite"


def history(fleet):
    with opened(str(fleet)) as book:
        return book.history()


def reported(where, name, *, today=TODAY, **more):
    with opened(str(where)) as book:
        return from_logbook(book.history(), name, whole=book.entry, today=today, **more)


def trends_of(page):
    """From the first trend on; the chart of teeth, which has dots of its own, stands before."""
    return page[page.index("Trend: ") :]


def test_the_worse_sprocket_decides_and_both_trends_are_shown(fleet):
    book = history(fleet)
    for name, machine in book.machines.items():
        given = reported(fleet, name)
        last = [book.readings[p][-1].entry for p in machine.fitted.values() if book.readings.get(p)]
        order = ["good", "cannot-tell", "watch", "replace-set", "replace-now"]
        assert given.document["verdict"]["grade"] == max((e.grade for e in last), key=order.index)
        assert len(given.trends) == 2
        page = report_page(given)
        assert page.count("Trend: ") == 2
        regions = re.findall(r'role="region" aria-label="([^"]+)"', page)
        assert len(set(regions)) == len(regions)  # WAI-ARIA: regions of one page have names of their own
        text = re.sub(r"<[^>]+>", " ", page).replace("\xa0", " ")
        assert "per 1000 km" in text
        # as many dots as there are readings with a number
        readings = sum(e.asymmetry_percent is not None for t in machine.fitted.values() for e in _entries(book, t))
        assert trends_of(page).count('class="f-point"') == readings


def _entries(book, part):
    return [reading.entry for reading in book.readings.get(part, [])]


def test_a_used_part_photographed_on_the_day_it_joins_has_a_report(tmp_path):
    """Worn past every band at its own distance 0: the chart's axis still has a length."""
    document = made_document(
        np.random.default_rng(2), chain_name="520", teeth=15, position="front", asymmetry=30.0, std=0.6, name="f.jpg"
    )
    with opened(str(tmp_path / "book.sqlite"), create=True) as book:
        book.add(
            book.new("machine", machine="M", distance_km=0.0),
            book.new("part", part="F", position="front", chain="520", teeth=15),
            book.new("fit", machine="M", part="F", position="front", distance_km=0.0),
        )
        book.record(document, "M", 0.0)
    page = report_page(reported(tmp_path / "book.sqlite", "M"))
    assert trends_of(page).count('class="f-point"') == 1


def test_the_whole_stored_inspection_is_reported(tmp_path, run):
    """Tooth by tooth, with flags and steps: a broken tooth must not vanish on the way through the logbook."""
    document = made_document(
        np.random.default_rng(2), chain_name="520", teeth=15, position="front", asymmetry=2.0, std=0.6, name="f.jpg"
    )
    document["teeth"][7] |= {"measured": False, "flags": ["broken"]}
    document["verdict"] |= {"grade": "replace-now", "next_steps": ["Do not ride on it."]}
    (tmp_path / "f.json").write_text(json.dumps(document))
    book = ["--logbook", tmp_path / "book.sqlite"]
    run("logbook", "add-machine", "M", "--at", "0km", *book)
    run("logbook", "add-part", "M", "front", "--chain", "520", "--teeth", 15, "--at", "0km", *book)
    assert run("logbook", "record", tmp_path / "f.json", "M", "--at", "900km", *book)[0] == 0
    assert run("report", "M", "-o", tmp_path / "m.html", *book)[0] == 0
    text = re.sub(r"<[^>]+>", " ", (tmp_path / "m.html").read_text()).replace("\xa0", " ")
    assert "not the whole inspection" not in text
    assert "the grade is replace-now, because tooth 7 is broken, missing or bent" in text
    assert "Do not ride on it." in text
    assert re.search(r"7\s+not measured: broken", text)


def test_no_reason_is_made_up_for_a_reading_whose_teeth_were_not_kept(tmp_path):
    given = reported(seen(tmp_path, ("front", "replace-now", 800.0), asymmetry_percent=2.0), "M")
    assert given.document["teeth"] == []
    text = report_page(given).replace("\xa0", " ")
    assert "By the mark alone it would be good; the grade is replace-now." in text
    assert "likeliest" not in text
    assert "The logbook holds the numbers of this reading" in text
    # nobody knows whether a photo was measured for it, how, and how right such a grade is
    assert "on made photos" not in text
    assert "One photo of one face" not in text
    assert [row.name for row in view_of(given).method] == ["Uncertainty", "Made with"]


def test_of_a_reading_that_is_a_grade_alone_no_numbers_are_said_to_be_kept(tmp_path):
    page = report_page(reported(seen(tmp_path, ("front", "good", 800.0)), "M")).replace("\xa0", " ")
    assert "The logbook holds the grade of this reading, not the whole inspection tooth by tooth." in page


def test_what_the_logbook_does_not_know_is_refused(fleet):
    with pytest.raises(ValueError, match="not in the logbook"):
        reported(fleet, "nobody")


def seen(tmp_path, *readings, asymmetry_percent=None):
    """The logbook of M with a front and a rear sprocket; readings are (position, grade, odometer), a day apart."""
    std = None if asymmetry_percent is None else 0.5
    with opened(str(tmp_path / "seen.sqlite"), create=True) as book:
        book.add(book.new("machine", machine="M", distance_km=0.0, on_date="2025-12-01"))
        for position, teeth in (("front", 15), ("rear", 43)):
            book.add(
                book.new("part", part=position, position=position, teeth=teeth, ridden_km=0.0, on_date="2025-12-01"),
                book.new("fit", part=position, machine="M", position=position, distance_km=0.0, on_date="2025-12-01"),
            )
        for day, (position, grade, at) in enumerate(readings, 1):
            book.add(
                book.new("reading", machine="M", part=position, position=position, distance_km=at, grade=grade,
                         confidence=0.9, on_date=f"2026-01-0{day}", asymmetry_percent=asymmetry_percent,
                         asymmetry_std_percent=std)
            )  # fmt: skip
    return tmp_path / "seen.sqlite"


@pytest.mark.parametrize(
    ("readings", "grade"),
    [
        ([("front", "replace-now", 800.0), ("rear", "good", 800.0), ("front", "cannot-tell", 900.0)], "replace-now"),
        ([("front", "cannot-tell", 800.0), ("rear", "good", 800.0)], "cannot-tell"),
        ([("front", "good", 800.0), ("rear", "good", 800.0), ("front", "cannot-tell", 900.0)], "cannot-tell"),
        ([("front", "cannot-tell", 800.0), ("rear", "watch", 800.0)], "watch"),
        ([("rear", "good", 800.0)], "good"),
    ],
)
def test_both_sprockets_are_always_named_with_what_counts(tmp_path, readings, grade):
    given = reported(seen(tmp_path, *readings), "M")
    assert given.document["verdict"]["grade"] == grade
    text = re.sub(r"<[^>]+>", " ", report_page(given)).replace("\xa0", " ")
    for position in ("front", "rear"):
        told = [g for p, g, _ in readings if p == position]
        counts = next((g for g in reversed(told) if g != "cannot-tell"), "cannot-tell" if told else "not graded")
        assert f"{position.capitalize()} sprocket: {counts}" in text
        newer = bool(told) and told[-1] == "cannot-tell" and counts != "cannot-tell"
        assert (f"The newest photo of the {position} sprocket" in text) == newer
    assert "Chain: not measured." in text
    pdf = pdfium.PdfDocument(report_pdf(given))
    assert "Rear sprocket: " in pdf[0].get_textpage().get_text_range()


def worn_steadily(tmp_path):
    """The logbook of M, whose front wears by 0.8 % in 2000 km and a month, and was 8.0 % on 28 October 2025."""
    with opened(str(tmp_path / "steady.sqlite"), create=True) as book:
        book.add(
            book.new("machine", machine="M", distance_km=0.0, on_date="2025-01-01"),
            book.new("part", part="F", position="front", teeth=15, ridden_km=0.0, on_date="2025-01-01"),
            book.new("fit", part="F", machine="M", position="front", distance_km=0.0, on_date="2025-01-01"),
        )
        for i in range(1, 11):
            book.add(
                book.new("reading", machine="M", part="F", distance_km=2000.0 * i, on_date=f"2025-{i:02d}-28",
                         grade="good" if 0.8 * i < 5 else "watch", asymmetry_percent=0.8 * i,
                         asymmetry_std_percent=0.3, confidence=0.95)
            )  # fmt: skip
    return tmp_path / "steady.sqlite"


def test_a_grade_that_is_too_old_or_overtaken_says_so_beside_itself(tmp_path):
    """2.0 % more take 5000 km, two and a half months: middle of January 2026 by plain arithmetic."""
    book = worn_steadily(tmp_path)
    late = reported(book, "M", today=dt.date(2026, 8, 1))
    old, overtaken = late.doubts
    assert old.startswith("Too old to go by: the odometer was read last 277 days ago")
    assert "replace-set was reached about 2026-01-" in overtaken
    assert "8 times out of 10 between 20" in overtaken
    text = re.sub(r"<[^>]+>", " ", report_page(late)).replace("\xa0", " ")
    assert text.index("Grade watch") < text.index(old) < text.index("take another photo") < text.index("Confidence 95")
    first = pdfium.PdfDocument(report_pdf(late))[0].get_textpage().get_text_range()
    assert re.search(r"watch\s+Too old to go by.*Confidence 95", first, re.DOTALL)
    (_, trend), *_ = late.trends
    (replace_set,) = [said for said in trend.sentences if said.startswith("replace-set")]
    assert len(re.findall(r"\(202\d-\d\d-\d\d, passed\)", replace_set)) == 3
    assert any("was last read on 2025-10-28" in said for said in trend.sentences)
    # overtaken before it counts as old; and on the day itself nothing stands against it
    (overtaken,) = reported(book, "M", today=dt.date(2026, 3, 1)).doubts
    assert "replace-set was reached" in overtaken
    fresh = reported(book, "M", today=dt.date(2025, 10, 28))
    assert fresh.doubts == ()
    assert "passed" not in " ".join(fresh.trends[0][1].sentences)


@pytest.mark.parametrize("percent", [55.0, 98.0])
def test_a_used_part_worn_beyond_what_is_foretold_is_reported_where_it_stands(tmp_path, percent):
    file = tmp_path / "used.sqlite"
    days = ("2025-05-01", "2025-06-01")
    with opened(str(file), create=True) as book:
        book.add(
            book.new("machine", machine="M", distance_km=0.0, on_date="2025-01-01"),
            book.new("part", part="F", position="front", on_date="2025-01-01"),  # ridden unknown
            book.new("fit", machine="M", part="F", position="front", distance_km=0.0, on_date="2025-01-01"),
            *(
                book.new(
                    "reading", machine="M", part="F", position="front", distance_km=100.0 + 500 * i, on_date=day,
                    grade="replace-now", asymmetry_percent=percent + i, asymmetry_std_percent=2.0,
                )
                for i, day in enumerate(days)
            ),
        )  # fmt: skip
    given = reported(file, "M")
    assert report_pdf(given).startswith(b"%PDF")
    figure = trend_chart("F", given.trends[0][1])
    # no dot stands on the edge, as if there was no more
    limit = next(s.points[0][1] for s in figure.shapes if s.role == "rule" and s.points[0][1] > 0) / 5.0
    dots = [s.points[0][1] / limit for s in figure.shapes if s.role == "point"]
    assert dots == pytest.approx([percent, percent + 1])


def test_a_report_in_miles_has_no_kilometres(fleet):
    given = reported(fleet, "KC-01", unit="miles")
    page = report_page(given)
    assert "per 1000 miles" in page.replace("\xa0", " ")
    assert "own distance, miles" in page
    foretold = [said for _, trend in given.trends for said in trend.sentences if "in about" in said]
    assert foretold
    assert not any("km" in said for said in (*given.drive, *foretold))
    assert "own distance, km" not in page
    # ticks stand where their miles are: the axis is as long as in km
    km, miles = (trend_chart("t", reported(fleet, "KC-01").trends[0][1], u) for u in ("km", "miles"))
    at = [{s.text: s.points[0][0] for s in figure.shapes if s.role == "small"} for figure in (km, miles)]
    shared = [t for t in at[1] if t in at[0] and t.replace("\u202f", "").isdigit() and t != "0"]
    assert shared
    assert all(at[1][t] == pytest.approx(1.609344 * at[0][t]) for t in shared)


def test_the_command(fleet, tmp_path, monkeypatch, capsys):
    out = tmp_path / "machine.pdf"
    words = ["toothcheck", "report", "KC-01", "--part", "front", "--logbook", str(fleet), "-o", str(out)]
    monkeypatch.setattr("sys.argv", words)
    with pytest.raises(SystemExit) as end:
        main()
    assert not end.value.code, capsys.readouterr().err
    assert out.read_bytes().startswith(b"%PDF")
