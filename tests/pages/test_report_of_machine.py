"""A report of a machine: the logbook's newest reading of the worse sprocket, and every trend."""

import re

import numpy as np
import pytest

from toothcheck.cli import main
from toothcheck.cli.books import opened
from toothcheck.logbook.demo import made_document
from toothcheck.report import from_logbook, report_page


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


def test_the_worse_sprocket_decides_and_both_trends_are_shown(fleet):
    book = history(fleet)
    for name, machine in book.machines.items():
        given = from_logbook(book, name)
        last = [book.readings[p][-1].entry for p in machine.fitted.values() if book.readings.get(p)]
        order = ["cannot-tell", "good", "watch", "replace-set", "replace-now"]
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
        assert page.count('class="f-point"') == readings


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
        page = report_page(from_logbook(book.history(), "M"))
    assert page.count('class="f-point"') == 1


def test_what_the_logbook_does_not_know_is_refused(fleet):
    with pytest.raises(ValueError, match="not in the logbook"):
        from_logbook(history(fleet), "nobody")


def test_the_command(fleet, tmp_path, monkeypatch, capsys):
    out = tmp_path / "machine.pdf"
    words = ["toothcheck", "report", "KC-01", "--part", "front", "--logbook", str(fleet), "-o", str(out)]
    monkeypatch.setattr("sys.argv", words)
    with pytest.raises(SystemExit) as end:
        main()
    assert not end.value.code, capsys.readouterr().err
    assert out.read_bytes().startswith(b"%PDF")
