"""The commands logbook, trend and due, run as a user runs them."""

import datetime as dt
import json
import os
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from toothcheck.cli.books import columns
from toothcheck.cli.logbook.recorded import record_inspection
from toothcheck.errors import LogbookError, UsageError
from toothcheck.logbook.demo import made_document

ROOT = Path(__file__).parent.parent


@pytest.fixture
def run(run, tmp_path, monkeypatch):
    """The whole command in this process, with wide lines: starting sixty interpreters would take a minute."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.setenv("TOOTHCHECK_LOGBOOK", "book.sqlite")
    monkeypatch.delenv("TOOTHCHECK_UNITS", raising=False)

    def call(*words, status=0):
        ended, out, err = run(*words)
        assert ended == status, err + out
        return out if status == 0 else err

    call.folder = tmp_path
    return call


def paper():
    return made_document(
        np.random.default_rng(1), chain_name="520", teeth=15, position="front", asymmetry=6.0, std=0.5, name="a.jpg"
    )  # fmt: skip


def test_a_part_s_life_from_the_command_line(run):
    run("logbook", "add-machine", "KC-07", "--at", "1200km", "--on", "2025-01-10")
    front = ("add-part", "KC-07", "front", "--chain", "520", "--teeth", "15")
    out = run("logbook", *front, "--at", "1200km", "--on", "2025-01-10")
    assert "KC-07 front 1 fitted to KC-07" in out
    (run.folder / "result.json").write_text(json.dumps(paper()))
    out = run("logbook", "record", "result.json", "KC-07", "--at", "15000mi", "--on", "2025-09-01")
    assert out == (
        "Entry 4: KC-07 front 1, 6.0 ± 0.5 %, watch, at 15 000 miles, the part's own distance 14 254.4 miles.\n"
    )
    run("logbook", "correct", "4", "--at", "15000km", "--reason", "miles read as km")
    assert "15 000 km" in run("logbook", "list")
    assert "9 321 miles" in run("logbook", "list", "--units", "miles")
    shown = run("logbook", "show", "KC-07")
    assert "no longer holds, see entry 5" in shown
    assert "in place of entry 4" in shown
    out = run("logbook", "correct", "4", "--text", "cold day", "--reason", "it was")
    assert out == "Entry 6 takes the place of entry 5, which stood for entry 4.\n"
    shown = run("logbook", "show", "KC-07")
    assert shown.count("no longer holds, see entry 6") == 2
    assert "15 000 km" in shown.splitlines()[-1]
    run("logbook", "note", "KC-07", "of another machine", "--on", "2025-09-01")
    run("logbook", "correct", "7", "--withdraw", "--reason", "wrong machine")
    assert "wrong machine; voids entry 7" in run("logbook", "show", "KC-07")
    run("logbook", "chain-length", "KC-07", "319.0", "--pitches", "20", "--at", "15000km")
    run("logbook", "note", "KC-07", "chain oiled", "--at", "15100km")
    said = run("logbook", "note", "KC-07", "x", "--at", "14000km", status=2)
    assert said.startswith("toothcheck: Not recorded: distance runs backwards")
    assert len(said.splitlines()) == 1
    run("logbook", "add-part", "KC-07", "chain", "--at", "15100km")
    said = run("logbook", "odometer", "KC-07", "--was", "200km", "--now", "0km", "--reason", "new unit", status=2)
    assert "it showed at least that: mend its last distance" in said
    assert "give --reason" not in said  # it was given, and would change nothing
    run("logbook", "odometer", "KC-07", "--was", "15200km", "--now", "0km", "--reason", "new unit")
    run("logbook", *front, "--at", "300km", "--replace")
    parts = run("logbook", "list", "--parts")
    assert "14 300 km" in parts
    assert "retired" in parts
    assert run("trend", "KC-07", "KC-07 front 1").startswith("KC-07 front 1: 1 reading with a number")
    run("logbook", "remove", "KC-07 front 2", "--at", "900km")
    run("logbook", "add-machine", "KC-08", "--at", "0km")
    run("logbook", "fit", "KC-07 front 2", "KC-08", "--at", "0km")
    taken = run("logbook", "add-part", "KC-08", "front", "--at", "0km", status=2)
    assert "(toothcheck logbook remove or retire; add-part --replace retires it)" in taken  # fit has no --replace
    run("logbook", "retire", "KC-07 front 2", "--at", "50km", "--why", "chipped")
    assert "chipped" in run("logbook", "show", "KC-07 front 2")
    assert "was retired on" in run("logbook", "remove", "KC-07 front 2", "--at", "60km", status=2)
    assert "was retired on" in run("logbook", "retire", "KC-07 front 2", status=2)
    none = run("trend", "KC-08", "front", status=2)
    assert "No front sprocket is fitted to KC-08; name the one meant of those that were: KC-07 front 2" in none
    # out of use with its sprockets, it needs no new one: those that were still have their trend
    run("logbook", "retire", "KC-08", "--at", "60km")
    none = run("trend", "KC-08", status=2)
    assert "No sprocket is fitted to KC-08, which was retired on 20" in none
    assert none.endswith("; name the one meant of those that were: KC-07 front 2.\n")
    # as a list shows it, alone
    assert "is a part, not a machine: name the machine" in run("trend", "KC-07 front 2", status=2)
    assert "(it was on: KC-07, KC-08)" in run("report", "KC-07 front 2", "-o", "r.html", status=2)
    assert "is a chain" in run("trend", "KC-07", "KC-07 chain 1", status=2)
    assert json.loads(run("logbook", "show", "4", "--json", "-"))["entries"][0]["grade"] == "watch"


def test_a_chain_beyond_its_limit_stands_in_due_and_in_the_list(run):
    limit = ("--limit", "319.4 over 20 @ invented manual p. 3-7", "--at", "9000km")
    for machine, mm in (("A", "321.7"), ("B", "319.4"), ("C", "317.8")):
        run("logbook", "add-machine", machine, "--at", "0km", "--on", "2025-01-01")
        run("logbook", "add-part", machine, "chain", "--chain", "520", "--at", "0km", "--on", "2025-01-01")
        read = ("stretch", mm, "--chain", "520", "--pitches", "20", "--tool", "calliper", "--log", machine)
        run(*read, *limit, status=3 if machine == "B" else 0)
    run("logbook", "add-part", "A", "front", "--chain", "520", "--at", "9000km")
    run("logbook", "add-machine", "D", "--at", "0km")
    today = dt.date.today()
    listed = run("logbook", "list").splitlines()
    assert [line.split("  ")[-1].strip() for line in listed] == [
        "chain", f"BEYOND ITS LIMIT ({today})", f"too near its limit to tell ({today})", f"within its limit ({today})",
        "-",
    ]  # fmt: skip
    due = run("due").splitlines()
    assert due[1].startswith("A front 1")
    assert f"chain BEYOND ITS LIMIT ({today})" in due[1]
    assert due[2] == f"B: chain too near its limit to tell ({today})"
    near = run("due", "--within", "1km")
    assert "B: chain too near" in near
    assert not any(line.startswith("C") for line in near.splitlines())
    assert set(json.loads(run("due", "--json", "-"))["chains"]) == {"A", "B"}
    run("logbook", "retire", "B", "--at", "9000km", "--why", "sold")
    assert set(json.loads(run("due", "--json", "-"))["chains"]) == {"A"}


def test_a_length_that_counts_nowhere_for_want_of_the_chain_s_size_says_so(run):
    run("logbook", "add-machine", "A", "--at", "0km", "--on", "2025-01-01")
    read = ("stretch", "321.7", "--chain", "520", "--pitches", "20", "--log", "A", "--at", "900km")
    said = " ".join(run(*read, "--limit", "319.4 over 20 @ invented manual p. 3-7").split())
    assert "counts in no list and no plan of A yet. Tell it: toothcheck logbook add-part MACHINE chain" in said
    assert "No sprocket is fitted to any machine by the logbook, so what falls due is not known." in run("due")
    run("logbook", "add-part", "A", "chain", "--chain", "520", "--at", "0km", "--on", "2025-01-01")
    assert "A: chain BEYOND ITS LIMIT" in run("due")
    assert "Mind:" not in run("logbook", "chain-length", "A", "321.8", "--pitches", "20", "--at", "950km")
    run("logbook", "add-machine", "B", "--at", "0km")
    run("logbook", "add-part", "B", "chain", "--at", "0km")  # entry 8, of no size told
    said = " ".join(run("logbook", "chain-length", "B", "321.8", "--pitches", "20", "--at", "9km").split())
    assert "Tell it: toothcheck logbook correct 8 --chain SIZE --reason WHY" in said


def test_the_list_names_the_grade_that_counts_and_the_newer_photo_that_could_not_tell(run):
    run("logbook", "add-machine", "A", "--at", "0km", "--on", "2025-01-01")
    run("logbook", "add-part", "A", "front", "--at", "0km", "--on", "2025-01-01")
    for day, grade, confidence in (("2025-02-01", "replace-now", 0.9), ("2025-03-01", "cannot-tell", 0.4)):
        document = {**paper(), "photo": {"name": "a.jpg", "sha256": f"{day:0>64}".replace("-", "0")}}
        document["verdict"] = {**document["verdict"], "grade": grade, "confidence": confidence}
        (run.folder / "r.json").write_text(json.dumps(document))
        run("logbook", "record", "r.json", "A", "--at", f"{day[6]}000km", "--on", day)
    assert "replace-now (2025-02-01), cannot-tell (2025-03-01)" in run("logbook", "list")
    assert "replace-now (2025-02-01)" in run("logbook", "list", "--parts")


def test_what_is_refused_begins_as_a_sentence_does(run):
    run("logbook", "add-machine", "M", "--at", "0km")
    assert run("trend", "M", "rear", status=2) == "toothcheck: No rear sprocket is fitted to M.\n"
    assert run("trend", "Z", status=2) == "toothcheck: Machine Z is not in the logbook (known: M).\n"
    said = run("stretch", "0", "--chain", "520", "--pitches", "20", status=2)
    assert said == "toothcheck: A reading must be a length above 0, not 0.0.\n"


def test_an_empty_list_says_so_and_how_to_go_on(run):
    run("logbook", "add-machine", "M", "--at", "0km")
    assert run("logbook", "list", "--parts").startswith("No part is in the logbook. Add one: toothcheck logbook add-p")
    run("logbook", "retire", "M", "--why", "sold")
    assert run("logbook", "list").startswith("No machine is in use by the logbook. Add one: toothcheck logbook add-m")
    assert run("due").startswith("No machine is in use by the logbook.")
    assert json.loads(run("logbook", "list", "--json", "-"))["machines"] == []


def test_a_chain_has_no_teeth_and_a_sprocket_no_links(run):
    run("logbook", "add-machine", "M", "--at", "0km")
    for position, option, says in (
        ("chain", "--teeth", "--teeth is for a sprocket; a chain has --links."),
        ("rear", "--links", "--links is for a chain; a sprocket has --teeth."),
    ):
        part = ("logbook", "add-part", "M", position, "--at", "0km")
        assert says in run(*part, option, "45", status=2)
        run(*part)
        number = run("logbook", "show", "M").splitlines()[-1].split()[0]
        assert says in run("logbook", "correct", str(int(number) - 1), option, "45", "--reason", "x", status=2)


def test_whatever_was_mistyped_can_be_found_and_corrected(run):
    run("logbook", "add-machine", "M", "--at", "0km", "--on", "2025-01-01")
    part = ("logbook", "add-part", "M")
    said = run(*part, "front", "--teeth", 1500, "--at", "0km", status=2)
    assert "Not recorded: --teeth must lie between 7 and 150, not 1500" in said
    run(*part, "front", "--chain", "525", "--teeth", 51, "--ridden", "9000km", "--at", "0km", "--on", "2025-01-01")
    run(*part, "chain", "--links", "11", "--at", "0km", "--on", "2025-01-01")
    run("logbook", "chain-length", "M", "318.4", "--pitches", "20", "--at", "100km", "--on", "2025-02-01")
    run("logbook", "odometer", "M", "--was", "200km", "--now", "30km", "--reason", "new unit", "--on", "2025-03-01")
    for line in (
        ("2", "--teeth", "15", "--chain", "520", "--ridden", "900km"),
        ("4", "--links", "112", "--ridden", "unknown"),
        ("6", "--length", "302.5", "--pitches", "19"),
        ("7", "--now", "3km"),
    ):
        run("logbook", "correct", *line, "--reason", "mistyped")
    shown = run("logbook", "show", "M").splitlines()
    for number, says in (
        (2, "M front 1  front, 525, 51 teeth, ridden 9 000 km; no longer holds, see entry 8"),
        (8, "M front 1  front, 520, 15 teeth, ridden 900 km; mistyped; in place of entry 2"),
        (9, "M chain 1  chain, 112 links, ridden unknown distance; mistyped; in place of entry 4"),
        (10, "M chain 1  302.5 mm over 19 pitches; mistyped; in place of entry 6"),
        (11, "M          goes on as 3 km; mistyped; in place of entry 7"),
    ):
        assert [line for line in shown if line.startswith(f"{number:3d} ") and line.endswith(says)], shown
    assert [int(line.split()[0]) for line in shown[1:]] == [1, 2, 3, 4, 5, 8, 9, 6, 10, 7, 11]
    assert re.search(r"3 .* fit +M$", run("logbook", "show", "M front 1"), re.M)
    assert re.search(r"3 .* fit +M front 1 on M$", run("logbook", "show", "3"), re.M)
    assert "a fit entry has no teeth" in run("logbook", "correct", "3", "--teeth", "15", "--reason", "x", status=2)


def test_machines_are_listed_as_one_counts(run):
    for name in ("KC-100", "KC-9", "A", "KC-10", "KC-010", "9b", "M٣"):
        run("logbook", "add-machine", name, "--at", "5km")
        run("logbook", "add-part", name, "front", "--at", "5km", "--teeth", "15")
    in_order = ["9b", "A", "KC-9", "KC-10", "KC-010", "KC-100", "M٣"]
    assert [row.split()[0] for row in run("logbook", "list").splitlines()[1:]] == in_order
    assert [row.split()[0] for row in run("logbook", "list", "--parts").splitlines()[1:]] == in_order
    assert run("logbook", "export", "one.json") == "21 entries written to one.json.\n"
    (run.folder / "note.csv").write_text("kind,on_date,machine,text\nnote,2025-01-01,A,x\n")
    assert run("logbook", "import", "note.csv") == "1 entry added to book.sqlite, 0 were there already.\n"
    assert run("logbook", "import", "note.csv") == "0 entries added to book.sqlite, 1 was there already.\n"


def test_a_fleet_s_odometers_are_brought_up_to_date_in_one_step(run):
    for name in ("A", "B"):
        run("logbook", "add-machine", name, "--at", "5km", "--on", "2025-01-01")
        run("logbook", "add-part", name, "front", "--at", "5km", "--on", "2025-01-01")
    said = run("due")
    head = re.search(
        r"Many at once: toothcheck logbook import FILE\.csv, a table of (.*) \((.*)\), (.*), (.*) and (.*)\.", said
    )
    kind, distance, *others = head.groups()
    day = dt.date.today().isoformat()
    rows = [",".join([kind, *others]), *(f"{distance},{day},{name},900" for name in ("A", "B"))]
    (run.folder / "read.csv").write_text("\n".join(rows))
    run("logbook", "import", "read.csv")
    assert "Many at once" not in run("due")
    assert "900 km" in run("logbook", "list")


@pytest.mark.parametrize("name", ["kept.csv", "kept.json"])
def test_an_export_takes_not_the_place_of_another_logbook_s(run, name):
    run("logbook", "add-machine", "A", "--at", "5km")
    run("logbook", "note", "A", "oiled")
    run("logbook", "export", name)
    run("logbook", "note", "A", "oiled again")
    run("logbook", "export", name)  # the same logbook, grown since
    kept = (run.folder / name).read_bytes()
    run("logbook", "add-machine", "A", "--at", "5km", "--logbook", "new.sqlite")
    said = run("logbook", "export", name, "--logbook", "new.sqlite", status=2)
    assert f"{name} is there already, and holds 3 entries that this logbook does not have. Give another" in said
    assert (run.folder / name).read_bytes() == kept
    torn = kept[: len(kept) * 2 // 3]
    (run.folder / name).write_bytes(torn)
    assert f"{name} is there already, and cannot be read whole." in run("logbook", "export", name, status=2)
    assert (run.folder / name).read_bytes() == torn


def test_a_machine_that_is_sold_leaves_the_lists_and_keeps_its_history(run):
    for name in ("M", "N"):
        run("logbook", "add-machine", name, "--at", "0km", "--on", "2025-01-01")
        for position in ("front", "rear"):
            run("logbook", "add-part", name, position, "--at", "0km", "--on", "2025-01-01")
    assert "Parts are fitted to M: say its distance." in run("logbook", "retire", "M", status=2)
    assert run("logbook", "retire", "M", "--at", "9000km", "--why", "sold", "--on", "2025-09-01") == (
        "Entry 11: M front 1 retired.\nEntry 12: M rear 1 retired.\nEntry 13: M retired, at 9 000 km.\n"
    )
    listed = run("logbook", "list")
    assert "N " in listed
    assert "M " not in listed
    due = run("due")
    assert "N front 1" in due
    assert "M front 1" not in due
    assert run("logbook", "list", "--parts").count("retired 2025-09-01") == 2
    assert re.search(r"13  2025-09-01  9 000 km  retire +M +sold\n", run("logbook", "show", "M"))
    for words in (
        ("retire", "M", "--at", "9000km"),
        ("note", "M", "x", "--at", "9100km"),
        ("add-part", "M", "front", "--at", "9000km"),
    ):
        assert "was retired on 2025-09-01" in run("logbook", *words, status=2)
    run("logbook", "note", "M", "the buyer rang")
    run("logbook", "note", "M", "found in a drawer", "--at", "8000km", "--on", "2025-08-01")
    run("logbook", "correct", "13", "--withdraw", "--reason", "the buyer did not come")
    assert "M " in run("logbook", "list")
    assert "O is not in the logbook" in run("logbook", "retire", "O", status=2)
    run("logbook", "export", "all.json")
    run("logbook", "import", "all.json", "--logbook", "copy.sqlite")


def test_a_fleet_lists_forecasts_and_travels(run):
    run("logbook", "demo", "--out", "fleet.sqlite", "--machines", "4", "--years", "1.5")
    fleet = ("--logbook", "fleet.sqlite")
    assert len(run("logbook", "list", *fleet).splitlines()) == 5
    told = run("trend", "KC-02", "--chart", "a.png", "--chart", "a.svg", *fleet)
    assert "replace-set from 10 %" in told
    assert "ask a qualified mechanic" in told
    with Image.open(run.folder / "a.png") as image:
        image.load()
    assert (run.folder / "a.svg").read_text().rstrip().endswith("</svg>")
    paper_ = json.loads(run("trend", "KC-02", "front", "--json", "-", *fleet))
    assert paper_["parts"][0]["rate_percent_per_1000_km"]["median"] > 0
    rows = json.loads(run("due", "--json", "-", *fleet))["parts"]
    assert len(rows) == 8
    assert len(run("due", "--within", "2000mi", *fleet).splitlines()) <= len(run("due", *fleet).splitlines())
    for name in ("fleet.csv", "fleet.json"):
        run("logbook", "export", name, *fleet)
        run("logbook", "import", name, "--logbook", f"{name}.sqlite")
        run("logbook", "export", f"again-{name}", "--logbook", f"{name}.sqlite")
        assert (run.folder / f"again-{name}").read_bytes() == (run.folder / name).read_bytes()
    lines = (run.folder / "fleet.csv").read_text().splitlines(keepends=True)
    lines[4] = lines[4].replace(",fit,", ",fitted,").replace(",part,", ",parts,")
    (run.folder / "bad.csv").write_text("".join(lines))
    assert "Line 5: kind must be one of" in run("logbook", "import", "bad.csv", "--logbook", "bad.sqlite", status=2)
    assert not (run.folder / "bad.sqlite").exists()


def test_of_a_part_never_photographed_programs_are_told_nothing_good(run):
    run("logbook", "add-machine", "M", "--at", "0km")
    run("logbook", "add-part", "M", "front", "--chain", "520", "--teeth", "15", "--at", "0km")
    for paper_ in (run("due", "--json", "-"), run("trend", "M", "front", "--json", "-")):
        (part,) = json.loads(paper_)["parts"]
        unknown = (part["last_grade"], part["newest_could_tell"], part["worst"], part["now"]["asymmetry_percent"])
        assert (part["readings"], *unknown) == (0, None, None, None, None)
        assert part["due_now"] is False
    assert "  wear now   not known" in run("trend", "M", "front")
    assert "never photographed  -  " in run("due")


def test_due_leads_to_the_machine_that_a_part_is_on(run):
    for machine in ("K", "K 1", "Müller 1"):
        run("logbook", "add-machine", machine, "--at", "0km")
    front = ("--chain", "520", "--teeth", "15", "--at", "0km")
    run("logbook", "add-part", "K", "rear", "--chain", "520", "--teeth", "45", "--at", "0km")
    run("logbook", "add-part", "K 1", "front", *front)
    run("logbook", "add-part", "K", "front", "--name", "spare", *front)
    assert set(re.findall(r"^(.+?)  ", run("due"), re.MULTILINE)[1:]) == {"K rear 1", "K 1 front 1", "spare (on K)"}
    run("logbook", "remove", "K rear 1", "--at", "100km")
    run("logbook", "fit", "K rear 1", "Müller 1", "--at", "0km")
    run("logbook", "remove", "K 1 front 1", "--at", "100km")
    run("logbook", "remove", "spare", "--at", "100km")
    run("logbook", "fit", "K 1 front 1", "K", "--at", "100km")
    told = set(re.findall(r"^(.+?)  ", run("due"), re.MULTILINE)[1:])
    assert told == {"K rear 1 (on Müller 1)", "K 1 front 1 (on K)"}


def test_a_day_that_has_passed_says_so(run):
    run("logbook", "demo", "--out", "old.sqlite", "--machines", "4", "--years", "1", "--until", "2019-12-31")
    old = ("--logbook", "old.sqlite")
    listed = run("due", *old)
    assert re.search(r" 20\d\d-\d\d-\d\d, passed +.*last entry 2019-1\d-\d\d\n", listed)
    assert "counted from a machine's last entry, and some have passed.\n" in listed
    assert re.search(
        r"No entry for over 90 days: KC-0\d \(2019-1\d-\d\d\), .*is a guess\.\nBring the odometer up", listed
    )
    # what it has been ridden since is counted in: all is due, though at the last entry some was not
    everything = json.loads(run("due", "--json", "-", *old))
    soon = json.loads(run("due", "--within", "1000km", "--json", "-", *old))
    assert len(soon["parts"]) == len(everything["parts"])
    assert any(
        c["ahead_km"]["early"] > 1000 for t in soon["parts"] for c in t["crossings"] if c["grade"] == "replace-set"
    )
    assert [row["machine"] for row in soon["unread"]] == [row["machine"] for row in everything["unread"]]
    told = run("trend", "KC-02", "front", "--units", "mi", *old)
    assert re.search(r"miles \(20\d\d-\d\d-\d\d, passed\)", told)
    assert re.search(r"KC-02 was last read on 2019-\d\d-\d\d, and days are counted from then", told)
    assert " % per 1000 miles (80 %" in told
    part = json.loads(run("trend", "KC-02", "front", "--json", "-", *old))["parts"][0]
    assert part["counted_from"].startswith("2019-1")
    # with an odometer read today nothing of it is left
    run("logbook", "note", "KC-02", "read", "--at", "2000000km", "--reason", "made up", *old)
    assert "passed" not in run("trend", "KC-02", "front", *old)


def test_what_is_refused_starts_no_logbook(run):
    (run.folder / "a.csv").write_bytes(b"kind\ton_date\r\n")
    (run.folder / "b.csv").write_bytes(b"kind,text\r\nnote,\xe9\r\n")
    for words, status, said in (
        (("import", "a.csv"), 2, "separated by tabs"),
        (("import", "b.csv"), 4, "b.csv is not UTF-8 text (byte 16)"),
        (("import", "none.csv"), 4, "none.csv does not exist"),
        (("record", "none.json", "M", "--at", "1km"), 4, "none.json does not exist"),
        (("add-machine", "-7"), 2, "'-7' begins with a hyphen"),
        (("add-machine", "M", "--on", "2099-01-01"), 2, "lies after the day"),
    ):
        assert said in run("logbook", *words, status=status)
    assert sorted(p.name for p in run.folder.iterdir()) == ["a.csv", "b.csv"]


def test_a_demo_that_cannot_be_filled_is_not_in_the_way_of_a_second_try(run, monkeypatch):
    def full(*_, **__):
        raise LogbookError("The disk is full.")

    with monkeypatch.context() as patch:
        patch.setattr("toothcheck.logbook.Logbook.bring_in", full)
        run("logbook", "demo", "--out", "made.sqlite", "--machines", "1", "--years", "0.3", status=2)
    assert not (run.folder / "made.sqlite").exists()


def test_a_retired_machine_and_what_is_not_known_are_told(run):
    run("logbook", "add-machine", "日本", "--on", "2025-01-01")
    run("logbook", "add-machine", "M", "--at", "0km", "--on", "2025-01-01")
    run("logbook", "add-part", "M", "front", "--chain", "520", "--at", "0km", "--on", "2025-01-01")
    head, *rows = run("logbook", "list").splitlines()
    assert rows[1].startswith("日本" + " " * 5 + "not read")  # a wide letter takes two columns
    assert head.index("front") == rows[0].index("no reading")
    assert "? teeth" in run("logbook", "list", "--parts")
    run("logbook", "retire", "M", "--at", "100km", "--why", "sold", "--on", "2025-02-01")
    assert "Retired on 2025-02-01" in run("trend", "M", "M front 1")


@pytest.mark.parametrize("home", ["a.file", "a.file/deeper"])
def test_a_data_folder_that_cannot_be_made_is_told(run, monkeypatch, home):
    (run.folder / "a.file").touch()
    run("logbook", "add-machine", "M", "--at", "1km", "--logbook", "b.sqlite")
    run("logbook", "export", "b.csv", "--logbook", "b.sqlite")
    monkeypatch.delenv("TOOTHCHECK_LOGBOOK")
    monkeypatch.setenv("XDG_DATA_HOME", str(run.folder / home))
    for words in (("add-machine", "M", "--at", "1km"), ("import", "b.csv")):
        said = run("logbook", *words, status=2)
        assert "Cannot make the folder" in said
        assert said.endswith("Name a file elsewhere with --logbook.\n")
        assert len(said.splitlines()) == 1


def test_a_name_that_no_file_can_have_is_told(run):
    for name, why in (("x" * 300, "name too long"), ("~nobody-of-that-name/x", "home")):
        for words in (("list",), ("add-machine", "M"), ("show", "M")):
            said = run("logbook", *words, "--logbook", name, status=2)
            assert "The logbook cannot be at" in said
            assert why in said.lower()
            assert len(said.splitlines()) == 1


def test_wrong_words_end_in_one_line_and_status_2(run):
    assert "There is no logbook at" in run("logbook", "list", status=2)
    run("logbook", "add-machine", "M", "--at", "5km")
    for words, said in (
        (("logbook", "note", "M", "x", "--at", "12"), "a number with its unit"),
        (("logbook", "note", "N", "x"), "machine N is not in the logbook (known: M)."),
        (("logbook", "export", "a.xls"), "must end in .csv or .json"),
        (("logbook", "add-part", "M", "middle", "--at", "5km"), "position must be one of"),
        (("logbook", "add-part", "M", "front", "--at", "5km", "--chain", "521"), "chain must be one of"),
        (("logbook", "correct", "1", "--reason", "x"), "either what is right, or --withdraw"),
        (("logbook", "correct", "77", "--reason", "x", "--withdraw"), "no entry 77"),
        (("logbook", "show", "77"), "logbook show MACHINE"),
        (("logbook", "show", "none"), "no machine, part or entry"),
        (("logbook", "list", "--units", "leagues"), "--units must be one of"),
        (("trend", "M"), "No sprocket is fitted"),
        (("trend", "M", "rear"), "No rear sprocket is fitted to M."),
        (("trend", "M", "chain"), "part must be front, rear or"),
        (("logbook", "note", "M", "x", "--at", "24,6km"), "a decimal point, not a comma: 24.6km"),
        (("logbook", "chain-length", "M", "318,4", "--pitches", "20", "--at", "5km"), "with a point: 318.4."),
        (("logbook", "chain-length", "M", "long", "--pitches", "20", "--at", "5km"), "'long' is no number."),
        (("logbook", "chain-length", "M", "0", "--pitches", "20", "--at", "5km"), "the length in mm must lie between"),
        (("logbook", "note", "M", "x", "--at", "10000000km", "--reason", "x"), "Not recorded: --at must lie between"),
        (("logbook", "note", "M", "x", "--on", "2025-02-30"), "--on 2025-02-30 is no day of the calendar."),
        (("logbook", "correct", "1", "--on", "1.3.2026", "--reason", "x"), "--on must be a day such as 2026-03-01"),
        (("logbook", "note", "M", "x", "--on", "2099-01-01"), "Not recorded: --on 2099-01-01 lies after"),
        (("logbook", "demo", "--out", "new.sqlite", "--until", "2025-02-29"), "--until 2025-02-29 is no day"),
        (("logbook", "demo", "--out", "new.sqlite", "--until", "0001-01-05"), "--until must lie 1096 days or more"),
        (("trend", "X"), "Machine X is not in the logbook"),
        (("trend", "M", "--chart", "a.pdf"), "must end in .png or .svg"),
        (("logbook", "demo", "--out", "book.sqlite"), "there already"),
    ):
        error = run(*words, status=2)
        assert said in error
        assert len(error.splitlines()) == 1


def test_one_who_misspells_a_name_is_told_the_right_one(run):
    for name in ("Old Red", *(f"KC-{n:02d}" for n in range(1, 12))):
        run("logbook", "add-machine", name, "--at", "5km")
    run("logbook", "add-part", "Old Red", "front", "--at", "5km", "--teeth", "15")
    for words in (
        ("logbook", "note", "old red", "x"),
        ("logbook", "show", "Old-Red"),
        ("logbook", "add-part", "old red", "rear", "--at", "6km"),
        ("trend", "old red"),
        ("advise", "old red"),
    ):
        assert "(did you mean Old Red?)" in run(*words, status=2)
    assert "(did you mean Old Red front 1?)" in run("logbook", "remove", "old red front", "--at", "6km", status=2)
    assert "KC-05" in run("trend", "KC-005", status=2)
    several = run("trend", "Zebra", status=2)
    assert several.endswith("(known: KC-01, KC-02, KC-03, KC-04, KC-05, KC-06, KC-07, KC-08 and 4 more).\n")
    (run.folder / "i.json").write_text(json.dumps(paper()))
    said = run("logbook", "record", "i.json", "Old Rod", "--at", "6km", status=2)
    assert "(did you mean Old Red?). Add it with: toothcheck logbook add-machine 'Old Rod' --at DISTANCE" in said


def test_what_inspect_calls_to_record(tmp_path, run):
    book = str(tmp_path / "book.sqlite")
    run("logbook", "add-machine", "KC-07", "--at", "0km")
    photo = tmp_path / "front.jpg"
    exif = Image.Exif()
    exif[0x013B] = "Somebody"
    Image.new("RGB", (320, 240), "grey").save(photo, exif=exif)
    with pytest.raises(LogbookError, match="No front sprocket is fitted"):
        record_inspection(paper(), photo, machine="KC-07", at="24600km", logbook=book, keep_photo=True)
    assert not list((tmp_path / "book.sqlite-photos").iterdir())
    run("logbook", "add-part", "KC-07", "front", "--at", "0km")
    with pytest.raises(UsageError, match="its unit"):
        record_inspection(paper(), photo, machine="KC-07", at="24600", logbook=book)
    e = record_inspection(
        paper(), photo, machine="KC-07", at="2600km", logbook=book, operator="workshop", keep_photo=True
    ).entry  # fmt: skip
    kept = tmp_path / "book.sqlite-photos" / e.kept_photo
    assert b"Somebody" not in kept.read_bytes()
    assert e.operator == "workshop"
    done = record_inspection(
        paper(), None, machine="KC-07", at="10km", logbook=book, reason="odometer replaced", again="better words"
    )
    assert done.entry.distance_km == 10
    assert done.before == ("Entry 5: odometer of KC-07 replaced at 2 600 km, shows 10 km.",)


def test_nothing_that_is_written_takes_the_place_of_the_logbook(run, monkeypatch):
    monkeypatch.setenv("HOME", str(run.folder))
    book = run.folder / "v.csv"
    run("logbook", "add-machine", "M", "--at", "5km", "--logbook", "v.csv")
    kept = book.read_bytes()
    for where in ("v.csv", "~/v.csv"):
        for words in (("show", "M", "--json", "v.csv"), ("show", "1", "--json", "./v.csv"), ("export", "v.csv")):
            assert "v.csv is the logbook. Give it" in run("logbook", *words, "--logbook", where, status=2)
    assert book.read_bytes() == kept


def test_what_was_said_is_read_back_and_a_reason_lets_it_pass(run):
    run("logbook", "add-machine", "M", "--at", "1000km", "--on", "2025-01-01")
    assert run("logbook", "add-part", "M", "front", "--at", "1000km", "--ridden", "20.5km", "--on", "2025-01-01") == (
        "Entry 2: part M front 1: front, ridden 20.5 km.\n"
        "Entry 3: M front 1 fitted to M, at 1 000 km, the part's own distance 20.5 km.\n"
    )
    assert run("logbook", "note", "M", "wet", "--at", "1 200 mi") == "Entry 4: noted, at 1 200 miles.\n"
    # the reason given with a part counts, though its first entry names no distance
    assert run("logbook", "add-part", "M", "rear", "--at", "10km", "--reason", "new odometer") == (
        "Entry 5: odometer of M replaced at 1 931.2 km, shows 10 km.\n"
        "Entry 6: part M rear 1: rear, new.\n"
        "Entry 7: M rear 1 fitted to M, at 10 km, the part's own distance 0 km.\n"
    )
    shown = run("logbook", "show", "M")
    assert "new odometer" in shown
    assert "10 km" in shown.splitlines()[-1]
    for words in (
        ("remove", "M front 1"),
        ("retire", "M front 1"),
        ("note", "M", "x"),
        ("chain-length", "M", "319", "--pitches", "20"),
    ):
        assert "or give --reason" in run("logbook", *words, "--at", "90000km", status=2)
    run("logbook", "retire", "M front 1", "--at", "90000km", "--why", "worn", "--reason", "odometer read in m")
    assert "worn; odometer read in m" in run("logbook", "show", "M front 1")


def test_a_measured_chain_is_not_listed_as_never_read(run):
    run("logbook", "add-machine", "M", "--at", "100km", "--on", "2025-01-01")
    run("logbook", "add-part", "M", "chain", "--chain", "520", "--at", "100km", "--on", "2025-01-01")
    assert "no reading" in run("logbook", "list", "--parts")
    for day, mm, km in (("2025-03-01", "318.9", "900km"), ("2025-02-01", "318.4", "500km")):  # noted down later
        run("logbook", "chain-length", "M", mm, "--pitches", "20", "--at", km, "--on", day)
    said = " ".join(run("logbook", "list", "--parts").split())
    assert "318.9 mm over 20 pitches (2025-03-01)" in said
    assert "no reading" not in said
    (row,) = json.loads(run("logbook", "list", "--parts", "--json", "-"))["parts"]
    assert row["length"] == {"length_mm": 318.9, "pitches": 20, "on": "2025-03-01"}


def test_a_table_s_chain_lengths_that_would_not_be_taken_when_typed_are_told_with_their_lines(run):
    run("logbook", "add-machine", "M", "--at", "100km", "--on", "2025-01-01")
    run("logbook", "add-part", "M", "chain", "--chain", "520", "--at", "100km", "--on", "2025-01-01")
    (run.folder / "lengths.csv").write_text(
        "kind;on_date;machine;part;pitches;length_mm;length_std_mm;distance_km;text\n"
        "chain-length;2025-02-01;M;M chain 1;20;318,4;0,05;200;\n"
        "chain-length;2025-02-02;M;M chain 1;20;3184;;300;\n"  # a comma forgotten
        "chain-length;2025-02-03;M;M chain 1;20;318,4;20;400;\n"
        "chain-length;2025-02-04;M;M chain 1;40;634;;500;\n"  # perhaps 39 pitches
        "chain-length;2025-02-05;M;M chain 1;40;634;;600;Rollers counted: 41\n"
    )
    said = " ".join(run("logbook", "import", "lengths.csv").split())
    assert [line.split(":")[0] for line in said.split("Mind: ")[1:]] == ["Line 3", "Line 4", "Line 5"]
    assert "Line 3: 3184.00 mm over 20 pitches of 520 is +902.8 %, which no such chain has" in said
    assert "Line 4: length_std_mm 20: over 20 pitches an uncertainty of 6.3 % says nothing" in said
    assert "5 entries added" in said
    # typed, each of the three is refused
    for words in (("3184", "--pitches", "20"), ("318.4", "--pitches", "20", "--std", "20"), ("634", "--pitches", "40")):
        assert "Not recorded." in run("logbook", "chain-length", "M", *words, "--at", "700km", status=2)


def test_a_photo_again_and_a_replaced_odometer_each_want_their_own_reason(run):
    run("logbook", "add-machine", "M", "--at", "24000km", "--on", "2025-01-01")
    run("logbook", "add-part", "M", "front", "--at", "24000km", "--on", "2025-01-01")
    (run.folder / "h.json").write_text(json.dumps(paper()))
    record = ("logbook", "record", "h.json", "M")
    run(*record, "--at", "24700km")
    again = run(*record, "--at", "2480km", "--reason", "better words", status=2)
    assert "give --again with the reason why this entry shall count instead" in again
    assert "give --reason" in run(*record, "--at", "2480km", "--again", "better words", status=2)
    said = run(*record, "--at", "2480km", "--again", "better words", "--reason", "new odometer").splitlines()
    assert said[0] == "Entry 5: odometer of M replaced at 24 700 km, shows 2 480 km."
    assert said[1].startswith("Entry 6: M front 1, 6.0 ± 0.5 %, watch, at 2 480 km")
    assert run("trend", "M").startswith("M front 1: 1 reading with a number")  # as --again says, not two


def test_refusals_answer_in_the_unit_that_was_typed(run):
    run("logbook", "add-machine", "M", "--at", "2500mi")
    for words in (("note", "M", "x"), ("add-part", "M", "front")):
        assert "M stood at 2 500 miles on" in run("logbook", *words, "--at", "2400mi", status=2)
        assert "M stood at 4 023.4 km on" in run("logbook", *words, "--at", "2400km", status=2)
    assert "stood at 2 500 miles" in run(
        "logbook", "odometer", "M", "--was", "2400mi", "--now", "0km", "--reason", "x", status=2
    )


def test_words_are_taken_in_any_case(run):
    run("logbook", "add-machine", "M", "--at", "1000km", "--on", "2025-01-01")
    run("logbook", "add-part", "M", "Front", "--at", "1000km", "--teeth", "15", "--on", "2025-01-01")
    for unit in ("mi", "MI", "Miles"):
        assert "621 miles" in run("logbook", "list", "--units", unit)
    assert run("trend", "M", "FRONT").startswith("M front 1: ")
    (run.folder / "result.json").write_text(json.dumps(paper() | {"sprocket": paper()["sprocket"] | {"teeth": 16}}))
    said = run("logbook", "record", "result.json", "M", "--at", "2000km", status=2)
    assert "16, but M front 1 has 15; if it was changed, retire or remove it and add the new part first" in said
    assert said.endswith("if entry 2 is wrong, correct that.\n")
    run("logbook", "correct", "2", "--teeth", "16", "--reason", "miscounted")
    run("logbook", "record", "result.json", "M", "--at", "2000km")
    assert "16 teeth" in run("logbook", "list", "--parts")


def heic_named_jpg(path):
    pillow_heif.register_heif_opener()
    Image.new("RGB", (320, 240), (100, 100, 100)).save(path, "HEIF")


def grey_of_16_bits(path):
    Image.fromarray(np.full((240, 320), 100 * 257, np.uint16)).save(path, "PNG")


@pytest.mark.parametrize("made", [heic_named_jpg, grey_of_16_bits])
def test_the_kept_copy_shows_what_was_inspected(tmp_path, run, made):
    book = str(tmp_path / "book.sqlite")
    run("logbook", "add-machine", "KC-07", "--at", "0km")
    run("logbook", "add-part", "KC-07", "front", "--at", "0km")
    photo = tmp_path / "front.jpg"
    made(photo)
    e = record_inspection(paper(), photo, machine="KC-07", at="2460km", logbook=book, keep_photo=True).entry
    with Image.open(tmp_path / "book.sqlite-photos" / e.kept_photo) as kept:
        assert kept.size == (320, 240)
        assert np.abs(np.asarray(kept).astype(int) - 100).max() <= 3


def test_help_is_quick_to_load():
    """No command's heavy libraries are imported for --help."""
    heavy = ("numpy", "sqlalchemy", "matplotlib", "scipy")
    code = f"import sys, toothcheck.cli; sys.exit(any(m in sys.modules for m in {heavy}))"
    assert subprocess.run([sys.executable, "-c", code], env=os.environ | {"PYTHONPATH": str(ROOT)}).returncode == 0


@pytest.mark.parametrize("digits", [30, 400, 5000])
def test_numbers_of_many_digits_are_one_line(run, digits, tmp_path):
    many = "9" * digits
    run("logbook", "add-machine", "KC-07", "--at", "0km")
    run("logbook", "add-part", "KC-07", "chain", "--chain", "520", "--at", "0km")
    length = ("logbook", "chain-length", "KC-07", "--at", "10km")
    for words in (
        ("logbook", "show", many),
        ("logbook", "correct", many, "--withdraw", "--reason", "x"),
        (*length, "320", "--pitches", many),
        (*length, many, "--pitches", "20"),
        (*length, "nan", "--pitches", "20"),
        ("logbook", "note", "KC-07", "x", "--at", f"{many}km"),
        ("advise", "KC-07", "--limit", f"319 over {many} @ invented manual p. 1"),
    ):
        err = run(*words, status=2)
        assert len(err.strip().splitlines()) == 1
        assert "Exceeds the limit" not in err
    # what people wrote in words of their own hinders no command
    run("logbook", "note", "KC-07", f"Chain limit: 319 over {many} @ invented manual p. 1")
    run(*length, "318", "--pitches", "20", "--text", f"Rollers counted: {many}")
    run("logbook", "list")
    run("advise", "KC-07", status=3)


def test_what_was_typed_already_is_not_kept_twice(run):
    run("logbook", "add-machine", "M", "--at", "0km", "--on", "2025-01-01")
    run("logbook", "add-part", "M", "chain", "--chain", "520", "--at", "0km", "--on", "2025-01-01")
    length = ("logbook", "chain-length", "M", "318.4", "--pitches", "20", "--at", "9800km", "--on", "2025-06-02")
    note = ("logbook", "note", "M", "oiled", "--at", "9800km", "--on", "2025-06-02")
    run(*length)
    run(*note)
    for number, words, way in ((4, length, "with --text"), (5, note, "in its text")):
        err = run(*words, status=2)
        assert f"this is entry {number} already, word for word" in err
        assert f"or say {way} what differs." in err
        assert len(err.splitlines()) == 1
    # what differs in anything is another entry, and what was withdrawn may be typed anew
    run(*length[:3], "318.5", *length[4:])
    run(*length, "--text", "at another place")
    run(*note[:-1], "2025-06-03")
    run("logbook", "correct", "4", "--withdraw", "--reason", "another machine's")
    run(*length)


def test_help_names_the_card_s_height_where_none_is_told(run):
    said = " ".join(run("inspect", "--help").split())
    assert "Default: 0 for the pocket card; on a mat the sprocket lies on the card" in said


def test_the_overview_says_to_programs_what_it_says_to_people(run):
    run("logbook", "demo", "--out", "book.sqlite", "--machines", "4", "--years", "1")
    run("logbook", "add-machine", "New")
    told = json.loads(run("logbook", "list", "--json", "-"))
    assert told["schema"] == "toothcheck/machines/1"
    lines = run("logbook", "list", "--json", "list.json").splitlines()[1:]
    assert json.loads((run.folder / "list.json").read_text()) == told
    assert [line.split()[0] for line in lines] == [row["machine"] for row in told["machines"]]
    for line, row in zip(lines, told["machines"], strict=True):
        for sprocket in filter(None, (row["front"], row["rear"])):
            seen = sprocket["reading"]
            assert ("no reading" if seen is None else f"{seen['grade']} ({seen['on']})") in line
        assert (row["chain"]["says"] or "") in line
    assert told["machines"][-1]["odometer_km"] is None  # not 0: nobody has read it
    parts = json.loads(run("logbook", "list", "--parts", "--json", "-"))
    assert parts["schema"] == "toothcheck/parts/1"
    lines = run("logbook", "list", "--parts").splitlines()[1:]
    assert [line.startswith(row["part"]) for line, row in zip(lines, parts["parts"], strict=True)] == [True] * len(
        lines
    )
    assert json.loads(run("logbook", "show", "New", "--json", "-"))["schema"] == "toothcheck/entries/1"


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"schema": None}, "its schema must be 'toothcheck/inspection/1', and there is none"),
        ({"schema": "other/1"}, "its schema must be 'toothcheck/inspection/1', not 'other/1'"),
        ({"sprocket": None}, "it is not laid out as an inspection is"),
        ({"sprocket": {"position": "front", "chain": "520"}}, "teeth is missing in it"),
        (
            {"sprocket": {"position": "front", "chain": "520", "teeth": "15"}},
            "'15' stands where a whole number belongs",
        ),
        ({"sprocket": {"position": "up", "chain": "520", "teeth": 15}}, "'up' stands where front or rear"),
        ({"wear": {"asymmetry_percent": {"value": "3", "std": 1}, "overhang_mm": None}}, "'3' stands where a number"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_document_of_another_kind_is_named_with_what_is_wrong_and_how_it_is_made(run, change, why):
    run("logbook", "add-machine", "M", "--at", "0km")
    run("logbook", "add-part", "M", "front", "--chain", "520", "--teeth", "15", "--at", "0km")
    (run.folder / "a.json").write_text(json.dumps(paper() | change))
    recorded = run("logbook", "record", "a.json", "M", "--at", "10km", status=4)
    assert recorded.startswith(f"toothcheck: a.json is not an inspection's JSON: {why}")
    assert "toothcheck inspect … --json FILE" in recorded
    advised = run("advise", "--front", "a.json", status=4)
    assert advised.startswith(f"toothcheck: a.json is not an inspection's JSON: {why}")
    for said in (recorded, advised):
        assert len(said.splitlines()) == 1
        assert not re.search("Error|None|NoneType", said)


def test_lists_fit_the_terminal_and_lose_no_word(run, monkeypatch):
    run("logbook", "demo", "--out", "book.sqlite", "--machines", "3", "--years", "1.5")

    def words(text):
        return Counter(re.findall(r"[^\s;:]+", text))

    for command in (
        "due", "due --units miles", "trend KC-02", "logbook list", "logbook list --parts", "logbook show KC-02",
    ):  # fmt: skip
        monkeypatch.setenv("COLUMNS", "200")
        wide = run(*command.split())
        for columns_there in (80, 50):
            monkeypatch.setenv("COLUMNS", str(columns_there))
            narrow = run(*command.split())
            assert max(map(len, narrow.splitlines())) <= columns_there, command
            assert not words(wide) - words(narrow), command
    monkeypatch.setenv("COLUMNS", "80")
    lines = re.findall("^KC-0[123] (?:front|rear) [1-9] .*", run("due"), re.MULTILINE)
    how_soon_and_when = r" [0-9]+ km \(.* … .*\) +20[0-9]{2}-[0-9]{2}-[0-9]{2}|  now$|not foretold"
    assert len(lines) == 6
    assert all(re.search(how_soon_and_when, line) for line in lines), lines


@pytest.mark.parametrize(
    "words",
    [
        ("logbook", "note", "K", "oiled", "--at", ""),
        ("logbook", "retire", "K", "--at", ""),
        ("logbook", "add-machine", "L", "--at", ""),
        ("logbook", "correct", "1", "--at", "", "--reason", "slip"),
        ("logbook", "correct", "1", "--now", "", "--reason", "slip"),
        ("due", "--within", ""),
    ],
    ids=" ".join,
)
def test_an_empty_distance_is_no_distance(run, words):
    # as of a variable of a script that holds nothing
    run("logbook", "add-machine", "K", "--at", "0km")
    option = words[words.index("") - 1]
    said = run(*words, status=2)
    assert said == f"toothcheck: {option} must be a number with its unit, such as 24600km or 15300mi, not ''.\n"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("add-part", "K", "chain", "--at", "0km", "--links", "3"), "--links must be 10 or more, not 3"),
        (("add-part", "K", "rear", "--at", "0km", "--operator", ""), "--operator must be text"),
        (("chain-length", "K", "318", "--pitches", "-3", "--at", "0km"), "--pitches must not be negative, not -3"),
        (("odometer", "K", "--was", "99999999km", "--now", "0km", "--reason", "x"), "--was must lie between 0 and 10"),
        (("retire", "K", "--why", ""), "--why must be text"),
        (("note", "K", ""), "text must be text"),  # it is no option there
        (("correct", "1", "--length", "-3", "--reason", "x"), "a machine entry has no length"),
        (("correct", "1", "--at", "0km", "--reason", ""), "--reason must be text"),
    ],
    ids=str,
)
def test_what_is_refused_goes_by_the_name_that_it_was_typed_under(run, words, says):
    run("logbook", "add-machine", "K", "--at", "0km")
    assert run("logbook", *words, status=2).startswith(f"toothcheck: Not recorded: {says}")


@pytest.mark.parametrize("word", ["٣٤", "１２"])
def test_numbers_are_written_in_plain_digits(run, word):
    assert run("form", "--chain", "520", "--teeth", "15", "--blend", word, status=2) == (
        f"toothcheck: --blend: {word!r} is no number.\n"
    )
    run("logbook", "add-machine", "K", "--at", "0km")
    said = run("logbook", "chain-length", "K", word, "--pitches", "20", "--at", "9km", status=2)
    assert said == f"toothcheck: {word!r} is no number.\n"


def test_a_cell_that_does_not_fit_goes_under_its_row(monkeypatch, capsys):
    monkeypatch.setenv("COLUMNS", "60")
    columns(["part", "due in", "mind"], [["A front 1", "4 500 km", "words that go on " * 3], ["B", "90 km", ""]])
    assert capsys.readouterr().out == (
        "part       due in    mind\n"
        "A front 1  4 500 km  words that go on words that go on words\n"
        "                     that go on\n"
        "B             90 km\n"
    )
    monkeypatch.setenv("COLUMNS", "40")
    columns(["part", "due in", "mind"], [["A front 1", "4 500 km", "two\nlines: looked at"], ["B", "90 km", ""]])
    assert capsys.readouterr().out == (
        "part       due in\nA front 1  4 500 km\n    mind: two lines: looked at\nB             90 km\n"
    )
