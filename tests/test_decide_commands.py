"""The commands stretch, match, advise as a user runs them."""

import datetime as dt
import json
import os
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pypdfium2
import pytest
from flatpart import FlatShot, draw_flat
from PIL import Image

from toothcheck import chainphoto, features
from toothcheck.cli import app
from toothcheck.cli.output import check_targets
from toothcheck.errors import CannotTell, OutputError
from toothcheck.grade import RENEW_ANYWAY
from toothcheck.logbook import Logbook, distance_rough
from toothcheck.matching import part_from_mapping
from toothcheck.stretch import PinRow
from toothcheck.synthetic.part import Part

LIMIT = "319.4 over 20 @ invented manual p. 3-7"
REAR_PHOTO = str(Path(__file__).parents[1] / "sample_images_synthetic" / "harbour-rear-new.jpg")


@pytest.fixture
def run(run, monkeypatch, tmp_path):
    """As for every command, in an empty folder, with no logbook and wide lines."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TOOTHCHECK_LOGBOOK", str(tmp_path / "none.sqlite"))
    monkeypatch.setenv("COLUMNS", "200")
    return run


@pytest.fixture
def measured_once(monkeypatch):
    """A photo that several commands of one test are given is measured for the first of them alone."""
    kept = {}

    def once(measure):
        def known(grey, *words, **told):
            key = (measure, grey.tobytes(), words, tuple(told.items()))
            if key not in kept:
                kept[key] = measure(grey, *words, **told)
            return kept[key]

        return known

    monkeypatch.setattr(features, "part_from_photo", once(features.part_from_photo))
    monkeypatch.setattr(chainphoto, "measure_run", once(chainphoto.measure_run))


def save(grey, path, focal):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = focal
    Image.fromarray(grey).save(path, quality=93, exif=exif)


# --- stretch ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("case", "status", "words"),
    [
        ("kestrel-van-bike", 0, "BEYOND THE LIMIT"),
        ("harbour-school-7", 3, "TOO NEAR TO TELL"),
        ("harbour-rollers-counted", 3, "19 pitches"),
        ("kestrel-wrong-size", 3, "532"),
    ],
)
def test_stretch_cases(run, case, status, words):
    got, out, _ = run("stretch", "--case", case)
    assert got == status
    assert words in out
    assert "Engine off" in out


@pytest.mark.parametrize(
    ("case", "next_step"),
    [
        ("kestrel-van-bike", "Next: renew the chain, and look at both sprockets"),
        ("harbour-school-7", "Next: measure again"),
    ],
)
def test_stretch_says_what_to_do_next(run, case, next_step):
    _, out, _ = run("stretch", "--case", case)
    assert next_step in out
    assert "toothcheck advise" in out
    assert ("Do not ride on this one" in " ".join(out.split())) == (case == "kestrel-van-bike")


def test_a_long_run_is_within_only_once_its_rollers_were_counted(run, garage):
    # 634 mm are -0.16 % over 40 pitches and +2.4 % over 39
    words = ["stretch", 634.0, 634.1, 634.0, "--chain", "520", "--pitches", 40, "--limit", "1.0 % @ invented p. 1"]
    status, out, _ = run(*words)
    assert status == 3
    assert "CANNOT TELL" in out
    assert "within" not in out.split("Engine off")[0]
    assert "say --rollers 41" in " ".join(out.split())
    told = json.loads(run(*words, "--json", "-")[1])
    assert (told["side"], told["probability_beyond"]) == ("cannot-tell", None)
    assert told["if_one_pitch_fewer_percent"]["value"] == pytest.approx(2.42, abs=0.01)
    assert "not 40 for 40 pitches" in run(*words, "--rollers", 40)[2]
    status, out, _ = run(*words, "--rollers", 41)
    assert status == 0
    assert "within the limit" in out
    # the logbook takes it only so
    book = ["--log", "KC-07", "--at", "900km", "--logbook", garage]
    status, out, err = run(*words, *book)
    assert (status, out) == (2, "")
    assert "add --rollers 41" in err
    by_hand = ["logbook", "chain-length", "KC-07", 634.1, "--pitches", 40, "--at", "900km", "--logbook", garage]
    status, _, err = run(*by_hand)
    assert status == 2
    assert "say --rollers 41" in err
    assert "Not recorded." in err
    assert "not 42 for 40" in run(*by_hand, "--rollers", 42)[2]
    assert run(*words, *book, "--rollers", 41)[0] == 0
    assert run(*by_hand, "--rollers", 41, "--text", "with a long rule")[0] == 0
    kept = json.loads(run("logbook", "show", "KC-07", "--json", "-", "--logbook", garage)[1])["entries"]
    remarks = [e["text"] for e in kept if e["kind"] == "chain-length"]
    assert remarks == ["Rollers counted: 41", "Rollers counted: 41; with a long rule"]
    advise = ["advise", "KC-07", "--front", "good", "--rear", "good", "--adjuster-left", 70, "--logbook", garage]
    assert json.loads(run(*advise, "--json", "-")[1])["action"] == "nothing"


def test_stretch_json_alone_on_stdout(run):
    status, out, _ = run(
        "stretch", "314.2/324.4", "318.5:joint", 319.0, "--chain", "520", "--pitches", 20, "--json", "-"
    )
    told = json.loads(out)
    assert status == 0
    assert told["side"] == "no-limit"
    assert told["limit"] is None
    assert [t["code"] for t in told["traps"]] == ["joining-link"]
    assert told["lower_bound"] is False
    assert told["elongation_percent"]["value"] == pytest.approx(100 * (319.3 / 317.5 - 1), abs=0.1)


def test_stretch_without_a_limit_names_no_limit_of_its_own(run):
    _, out, _ = run("stretch", 319.0, 319.0, 319.0, "--chain", "520", "--pitches", 20, "--rear-teeth", 45)
    assert "none is yours" in out
    assert "BEYOND" not in out


def test_stretch_tells_that_a_limit_leaves_rear_teeth_nothing_to_do(run, garage):
    words = ["stretch", 318.0, 318.0, 318.0, "--chain", "520", "--pitches", 20]
    logged = ["--log", "KC-07", "--logbook", garage, "--at"]
    # nor do they stand in the JSON, which is all that is printed then
    for limit in (["--limit", LIMIT], ["--case", "harbour-school-7"], ["--json", "-"]):
        status, out, err = run(*(words[:1] if "--case" in limit else words), *limit, "--rear-teeth", 45)
        assert (status, out) == (2, "")
        assert err.startswith("toothcheck: --rear-teeth is for the general figures")
        assert len(err.splitlines()) == 1
    assert run(*words, "--limit", LIMIT, *logged, "200km")[0] == 0
    # what the logbook keeps is not known while words are read
    status, out, _ = run(*words, "--rear-teeth", 45, *logged, "300km")
    assert status == 0
    assert "--rear-teeth is not used" in out
    assert "industrial" not in out


@pytest.mark.usefixtures("measured_once")
def test_stretch_from_a_photo(run, tmp_path):
    assert run("synthetic", "chain", "--out", "made", "--seed", 3)[0] == 0
    truth = json.loads((tmp_path / "made" / "chain_0003_000.json").read_text())
    words = ["stretch", "--photo", "made/chain_0003_000.jpg", "--card-measured", 75.6]
    limit = "0.1 % @ invented manual p. 1"
    status, out, _ = run(*words, "--chain", truth["chain"], "--limit", limit, "--picture", "p.png", "--json", "-")
    told = json.loads(out)
    assert status == 0
    assert told["side"] == "beyond"
    assert told["elongation_percent"]["value"] == pytest.approx(truth["elongation_percent"], abs=0.3)
    assert len(told["links"]) == truth["pitches"]
    grey = cv2.imread(str(tmp_path / "made" / "chain_0003_000.jpg"))
    assert cv2.imread(str(tmp_path / "p.png")).shape[1] == grey.shape[1]
    slack = json.loads(run(*words, "--chain", truth["chain"], "--limit", "4.9 % @ p. 1", "--slack", "--json", "-")[1])
    assert slack["side"] == "cannot-tell"
    # a program must see it without a limit, too
    assert (slack["lower_bound"], [t["code"] for t in slack["traps"]]) == (True, ["not-under-pull"])
    assert (told["lower_bound"], told["traps"]) == (False, [])
    # its length in mm is said, and kept
    where = tmp_path / "book.sqlite"
    for more in (["add-machine", "KC-07"], ["add-part", "KC-07", "chain", "--chain", truth["chain"]]):
        run("logbook", *more, "--at", "100km", "--logbook", where)
    status, out, _ = run(*words, "--chain", truth["chain"], "--log", "KC-07", "--at", "900km", "--logbook", where)
    assert status == 0
    said = re.search(r"over (\d+) pitches: ([\d.]+) ± [\d.]+ mm", out)
    assert int(said[1]) == told["pitches"]
    kept = json.loads(run("logbook", "show", "KC-07", "--json", "-", "--logbook", where)[1])["entries"][-1]
    assert (kept["kind"], kept["pitches"], kept["part"]) == ("chain-length", told["pitches"], "KC-07 chain 1")
    assert kept["length_mm"] == pytest.approx(float(said[2]), abs=0.1)
    # another size: refused, and nothing half written
    other = "428" if truth["chain"] != "428" else "520"
    status, out, err = run(*words, "--chain", other, "--picture", "q.png")
    assert status == 3
    assert "No row of pin" in err
    assert out == ""
    assert not (tmp_path / "q.png").exists()
    # a program has something to read all the same
    status, out, err = run(*words, "--chain", other, "--limit", limit, "--json", "-")
    untold = json.loads(out)
    assert (status, untold["side"], untold["elongation_percent"], untold["links"]) == (3, "cannot-tell", None, [])
    assert untold["why"] in err
    assert told["why"] is None
    assert untold.keys() == told.keys()


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (["319"], 2, "chain size"),
        (["319", "--chain", "520"], 2, "--pitches"),
        (["abc", "--chain", "520", "--pitches", "20"], 2, "abc"),
        (["319:x", "--chain", "520", "--pitches", "20"], 2, "joint"),
        (["330/310", "--chain", "520", "--pitches", "20"], 2, "shorter"),
        (["319", "--chain", "520", "--pitches", "2"], 2, "pitches must"),
        (["319", "--chain", "999", "--pitches", "20"], 2, "toothcheck: --chain must be one of"),
        (["319", "--chain", "520", "--pitches", "20", "--tool", "eye"], 2, "--tool"),
        (
            ["319", "--chain", "520", "--pitches", "20", "--read-to", "-1"],
            2,
            "--read-to must lie between 0 and 5, not -1",
        ),
        (["314.3/324.5", "--chain", "520", "--pitches", "20", "--over", "x"], 2, "--over must be pins or rollers, not"),
        (["327.6", "--chain", "520", "--pitches", "20", "--over", "rollers"], 2, "--over is for readings INNER/OUTER"),
        (["319", "--chain", "520", "--pitches", "20", "--limit", "319.4 over 20"], 2, "source"),
        (
            ["319", "--chain", "520", "--pitches", "20", "--limit", "1 % @ my mate"],
            2,
            "toothcheck: --limit must come from the machine's manual with its page, not from 'my mate': write e.g.",
        ),
        (["319", "--chain", "520", "--pitches", "20", "--limit", "much"], 2, "--limit must read"),
        (["319", "--chain", "520", "--pitches", "20", "--limit", "9 % @ p. 3"], 2, "--limit must lie between"),
        (
            ["319", "--chain", "520", "--pitches", "20", "--limit", "0,6 % @ manual p. 3"],
            2,
            "toothcheck: --limit must have a decimal point, not a comma: 0.6.",
        ),
        (
            ["319", "--chain", "520", "--pitches", "20", "--limit", "319,4 over 20 @ manual p. 3"],
            2,
            "toothcheck: --limit must have a decimal point, not a comma: 319.4.",
        ),
        (
            ["319", "--chain", "520", "--pitches", "20", "--limit", "60 % @ manual p. 3"],
            2,
            "toothcheck: --limit must lie between 0 and 5 % of elongation, not 60 %.\n",  # no count of pitches in it
        ),
        (["319", "--chain", "520", "--pitches", "20", "--log", "X"], 2, "--at"),
        (["319", "--chain", "520", "--pitches", "20", "--rear-teeth", "0"], 2, "--rear-teeth"),
        (["319", "--chain", "520"], 2, "toothcheck: --pitches is missing. "),
        (["--chain", "520", "--pitches", "0"], 2, "toothcheck: Readings are missing. "),
        (["--chain", "520"], 2, "toothcheck: Readings and --pitches are missing. "),
        (["--photo", "a.jpg", "--chain", "520", "--rollers", "19"], 2, "--rollers is for readings"),
        (["319", "--chain", "520", "--pitches", "20", "--picture", "x.png"], 2, "--photo"),
        (["319", "--chain", "520", "--pitches", "20", "--json", "no/such/folder.json"], 2, "Cannot write"),
        (["319", "--chain", "520", "--pitches", "20", "--card-height", "5"], 2, "--card-height is for --photo"),
        (["319", "--chain", "520", "--pitches", "20", "--card-measured", "75"], 2, "--card-measured is for --photo"),
        (["319", "--chain", "520", "--pitches", "20", "--at", "3km"], 2, "--at is for --log MACHINE"),
        (["319", "--chain", "520", "--pitches", "20", "--on", "2026-01-01"], 2, "--on is for --log MACHINE"),
        (["319", "--chain", "520", "--pitches", "20", "--reason", "new"], 2, "--reason is for --log MACHINE"),
        (["--photo", "none.jpg", "--chain", "520", "--pitches", "20"], 2, "--pitches is for readings"),
        (["--photo", "none.jpg", "--chain", "520", "--tool", "rule"], 2, "--tool is for readings"),
        (["--photo", "none.jpg", "--chain", "520", "--over", "pins"], 2, "--over is for readings"),
        (["--photo", "none.jpg", "--chain", "520", "--read-to", "-5"], 2, "--read-to is for readings"),
        (["319", "--case", "kestrel-van-bike"], 2, "READINGS is told by --case kestrel-van-bike already"),
        (["--case", "kestrel-van-bike", "--limit", LIMIT], 2, "--limit is told by --case"),
        (["--case", "kestrel-van-bike", "--chain", "520"], 2, "--chain is told by --case"),
        (["--photo", "none.jpg", "--chain", "520"], 4, "does not exist"),
        (["--case", "nothing"], 2, "kestrel-van-bike"),
        (["319,4", "--chain", "520", "--pitches", "20"], 2, "Write it with a point: 319.4."),
        (["319.4mm", "--chain", "520", "--pitches", "20"], 2, "Write the number alone: 319.4."),
        (["314.3/x", "--chain", "520", "--pitches", "20"], 2, "Write 319.4 or 314.3/324.5 (inner/outer), in mm."),
        (["324.5/314.3", "--chain", "520", "--pitches", "20"], 2, "between the pins must be shorter than the one over"),
    ],
)
def test_stretch_bad_words(run, words, status, says):
    got, out, err = run("stretch", *words)
    assert got == status
    assert says in err
    assert len(err.strip().splitlines()) == 1
    assert out == ""


@pytest.fixture
def garage(run, tmp_path):
    """A logbook with a machine that has a chain of 520."""
    where = tmp_path / "book.sqlite"
    for words in (["add-machine", "KC-07", "--at", "100km"], ["add-part", "KC-07", "chain", "--chain", "520"]):
        more = ["--at", "100km"] if words[0] == "add-part" else []
        assert run("logbook", *words, *more, "--logbook", where)[0] == 0
    return where


def test_stretch_keeps_length_and_limit_in_the_logbook(run, tmp_path):
    import datetime as dt

    logbook = pytest.importorskip("toothcheck.logbook")
    where = tmp_path / "book.sqlite"
    with logbook.Logbook(
        where, now=lambda: dt.datetime(2026, 3, 1, tzinfo=dt.UTC), new_uid=lambda: "0" * 31 + "1", create=True
    ) as book:
        book.add(book.new("machine", machine="KC-07", distance_km=100.0))
    words = ["--chain", "520", "--pitches", 20, "--tool", "calliper", "--log", "KC-07", "--logbook", where]
    assert run("stretch", 318.6, 318.8, 318.7, *words, "--at", "7000km", "--limit", LIMIT)[0] == 0
    status, out, _ = run("stretch", 320.6, 320.8, 320.7, *words, "--at", "9000km")
    assert status == 0
    assert "BEYOND THE LIMIT" in out
    assert "invented manual p. 3-7" in out
    status, _, err = run("stretch", 320.6, *words, "--at", "8000km")
    assert status == 2
    assert "backwards" in err
    # advice reads what was kept, and takes the grades from the command line
    status, out, _ = run(
        "advise", "KC-07", "--logbook", where, "--front", "good", "--rear", "good", "--chain", "520", "--json", "-"
    )
    assert json.loads(out)["action"] == "chain-only"


def test_a_new_chain_does_not_inherit_the_length_of_the_one_before(run, garage):
    words = ["--chain", "520", "--pitches", 20, "--log", "KC-07", "--at", "900km", "--logbook", garage]
    assert run("stretch", 323.6, 323.6, 323.6, *words, "--limit", LIMIT)[0] == 0
    advise = ["advise", "KC-07", "--front", "good", "--rear", "good", "--logbook", garage, "--json", "-"]
    assert json.loads(run(*advise)[1])["action"] == "chain-only"
    status = run(
        "logbook", "add-part", "KC-07", "chain", "--chain", "520", "--at", "900km", "--replace", "--logbook", garage
    )[0]
    assert status == 0
    status, out, _ = run(*advise)
    assert status == 3
    assert json.loads(out)["action"] == "measure-first"


def test_a_length_shorter_than_an_earlier_one_is_told_when_it_is_kept(run, garage):
    words = ["--chain", "520", "--pitches", 20, "--tool", "calliper", "--log", "KC-07", "--logbook", garage]
    _, out, _ = run("stretch", 321.7, 321.6, 321.7, *words, "--at", "900km")
    assert "Mind:" not in out
    _, out, _ = run("stretch", 318.6, 318.7, 318.6, *words, "--at", "1200km")
    assert "Mind: Two lengths disagree" in out
    # where a JSON stands alone on stdout, what the logbook says goes to stderr
    _, out, err = run("stretch", 318.6, 318.7, 318.6, *words, "--at", "1300km", "--json", "-")
    assert json.loads(out)["schema"] == "toothcheck/stretch/1"
    assert "Entry " in err
    assert "Mind: Two lengths disagree" in err


def test_a_length_is_held_against_those_of_its_own_chain(run, tmp_path):
    book = ["--logbook", tmp_path / "book.sqlite"]
    words = ["--chain", "428", "--pitches", 20, "--tool", "calliper", "--log", "KC-07", *book]
    assert run("logbook", "add-machine", "KC-07", "--at", "0km", "--on", "2026-01-01", *book)[0] == 0
    for day, km in (("2026-01-01", "0km"), ("2026-06-01", "6000km")):
        part = ["logbook", "add-part", "KC-07", "chain", "--chain", "428", "--replace", "--on", day, "--at", km, *book]
        assert run(*part)[0] == 0

    def kept(mm, km, day):
        return run("stretch", mm, mm, mm, *words, "--at", f"{km}km", "--on", day)[1]

    assert "Mind:" not in kept(256.0, 1000, "2026-02-01")
    # of the first chain, though the second is fitted now
    assert "Two lengths disagree" in kept(254.1, 2000, "2026-03-01")
    assert "Mind:" not in kept(254.2, 7000, "2026-07-01")


def test_the_limit_and_the_report_of_a_machine_are_found_however_its_letters_are_put_together(run, tmp_path):
    where, told, typed = tmp_path / "book.sqlite", "M\u00f6we", "Mo\u0308we"
    book = ["--logbook", where]
    assert run("logbook", "add-machine", told, "--at", "0km", *book)[0] == 0
    assert run("logbook", "add-part", told, "front", "--chain", "520", "--teeth", 15, "--at", "0km", *book)[0] == 0
    words = ["stretch", 318.0, 318.0, 318.0, "--chain", "520", "--pitches", 20, "--tool", "calliper"]
    assert run(*words, "--log", told, "--at", "100km", "--limit", LIMIT, *book)[0] == 0
    assert "invented manual p. 3-7" in run(*words, "--log", typed, "--at", "200km", *book)[1]
    words = ["report", typed, "--part", f"{typed} front 1", "--output", tmp_path / "page.html"]
    refused = run(*words, *book)[2]
    assert f"no reading of {told} front 1" in refused
    assert "--log MACHINE --at DISTANCE" in refused  # what to do about it


@pytest.mark.parametrize("words", [["318.0", "318.1", "318.2", "--slack"], ["318.0:joint"]])
def test_a_lower_bound_is_never_within_and_never_logged(run, garage, words):
    words = ["stretch", *words, "--chain", "520", "--pitches", 20, "--limit", LIMIT]
    status, out, _ = run(*words)
    assert status == 3
    assert "CANNOT TELL: Elongation at least" in out
    assert "is within" not in out
    assert json.loads(run(*words, "--json", "-")[1])["side"] == "cannot-tell"
    status, out, err = run(*words, "--log", "KC-07", "--at", "900km", "--logbook", garage)
    assert (status, out) == (2, "")
    assert "lower bound" in err
    assert "chain-length" not in run("logbook", "show", "KC-07", "--logbook", garage)[1]


def test_a_logged_length_is_as_sure_as_when_it_was_measured(run, garage):
    # over an odd count of pitches there is a doubt that does not come from the tool: it counts once
    words = ["stretch", 242.3, 242.2, 242.3, "--chain", "520", "--pitches", 15, "--tool", "calliper"]
    measured = json.loads(run(*words, "--json", "-", "--log", "KC-07", "--at", "900km", "--logbook", garage)[1])
    planned = json.loads(run("advise", "KC-07", "--json", "-", "--logbook", garage)[1])
    assert planned["made_of"]["chain"]["elongation_percent"] == measured["elongation_percent"]


def test_a_length_of_another_size_than_fitted_is_refused(run, garage):
    before = run("logbook", "show", "KC-07", "--logbook", garage)[1]
    status, out, err = run(
        "stretch", 205.0, "--chain", "428", "--pitches", 16, "--log", "KC-07", "--at", "900km", "--logbook", garage
    )
    assert (status, out) == (2, "")
    assert "428" in err
    assert "KC-07 has 520" in err
    assert len(err.strip().splitlines()) == 1
    assert run("logbook", "show", "KC-07", "--logbook", garage)[1] == before


@pytest.mark.parametrize(
    ("longer_mm", "hidden", "says"),
    [
        (0.02, 1, ["mm longer than its neighbours, which is too little to tell.", "1 pin end could"]),
        (0.2, 2, ["longer than its neighbours: the play of pins and bushes.", "2 pin ends could", "tell their place"]),
        (0.2, 0, ["longer than its neighbours: the play of pins and bushes."]),
    ],
)
def test_of_a_row_of_pins_no_more_is_said_than_it_shows(run, monkeypatch, longer_mm, hidden, says):
    # twelve pitches of 520, every second one longer; pins known to 0.05 mm
    steps = 15.875 + longer_mm * (np.arange(12) % 2)
    pins = np.column_stack([np.concatenate([[0.0], np.cumsum(steps)]), np.zeros(13)])
    row = PinRow(pins_mm=pins, std_mm=np.full(13, 0.05), scale_std=0.001)
    seen = SimpleNamespace(row=row, seen=np.arange(13) >= hidden, pins_px=pins, px_per_mm=8.0, tilt_deg=3.0)
    seen.__dict__.update(distance_mm=500.0, plane_std=0.001, print_std=0.001)
    monkeypatch.setattr(chainphoto, "measure_run", lambda *_, **__: seen)
    status, out, _ = run("stretch", "--photo", REAR_PHOTO, "--chain", "520")
    assert status == 0
    assert [words for words in says if words not in " ".join(out.split())] == []
    assert ("could not be measured" in out) == bool(hidden)


def test_no_photo_is_measured_for_a_machine_that_is_in_no_logbook(run, monkeypatch, garage):
    monkeypatch.setattr(chainphoto, "measure_run", lambda *_, **__: pytest.fail("measured"))
    words = ["stretch", "--photo", REAR_PHOTO, "--chain", "520", "--limit", LIMIT, "--log", "KC-70", "--at", "200km"]
    status, out, err = run(*words, "--logbook", garage)
    assert (status, out) == (2, "")
    assert err == "toothcheck: Machine KC-70 is not in the logbook (did you mean KC-07?).\n"
    assert run(*words)[::2] == (2, run("advise", "KC-70")[2])  # no logbook at all


def test_a_length_of_tomorrow_is_refused_by_its_option(run, garage):
    words = ["stretch", 318.0, 318.1, 318.2, "--chain", "520", "--pitches", 20, "--log", "KC-07", "--at", "200km"]
    status, out, err = run(*words, "--logbook", garage, "--on", "2099-01-01")
    assert (status, out) == (2, "")
    assert err.startswith("toothcheck: Not recorded: --on 2099-01-01 lies after the day of recording")


def test_a_limit_looked_up_after_the_length_was_kept_is_kept_beside_it(run, garage):
    # the first answer says "look it up in the machine's manual and type it"; nothing was measured anew for that
    words = ["stretch", 318.0, 318.1, 318.2, "--chain", "520", "--pitches", 20, "--log", "KC-07", "--at", "200km"]
    words += ["--logbook", garage]
    assert "No limit was given" in run(*words)[1]
    status, out, err = run(*words, "--limit", LIMIT)
    assert (status, err) == (0, "")
    assert "within the limit" in out
    assert "Entry 4 already: 318.2 mm over 20 pitches of KC-07 chain 1; not recorded again.\nEntry 5: noted: Ch" in out
    assert "Entry 4 already" in run(*words)[1]  # the command given again does no harm
    assert "Entry 4 already" in run(*words, "--json", "-")[2]
    shown = run("logbook", "show", "KC-07", "--logbook", garage, "--json", "-")[1]
    assert [e["kind"] for e in json.loads(shown)["entries"]][3:] == ["chain-length", "note"]
    assert "Entry 6: 318.2 mm" in run(*words, "--rollers", 21)[1]  # other words are another entry


def test_a_plan_is_for_the_chain_that_is_fitted(run, garage, tmp_path):
    # else the order sheet would name a chain that the machine does not have
    words = ["advise", "KC-07", "--logbook", garage, "--front", "good", "--rear", "good", "--order-sheet", "o.md"]
    status, out, err = run(*words, "--chain", "428")
    assert (status, out) == (2, "")
    assert "The chain is told to be 428, but the one fitted to KC-07 is 520 by the logbook. Leave --chain out" in err
    assert not (tmp_path / "o.md").exists()
    assert run(*words, "--chain", "520")[2] == ""


def test_caliper_is_a_calliper(run):
    words = ["stretch", 318.0, "--chain", "520", "--pitches", 20, "--json", "-"]
    one, two = (run(*words, "--tool", tool)[1] for tool in ("caliper", "calliper"))
    assert one == two
    assert '"calliper"' in one


# --- match -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("kestrel-front", "chain line"),
        ("harbour-one-tooth-more", "Gear ratio 2.933 -> 3.000"),
        ("kestrel-same", "Fits in every field"),
    ],
)
def test_match_cases(run, case, words):
    status, out, _ = run("match", "--case", case)
    assert status == 0
    assert words in " ".join(out.split())


@pytest.mark.usefixtures("measured_once")
def test_match_two_photos_and_typed_values(run, tmp_path):
    part = Part(chain="520", teeth=41, position="rear", bore_mm=90.0, holes=6, hole_mm=10.5, hole_circle_mm=116.0)
    shot = FlatShot(ground="cloth", ground_tone=0.1, metal_tone=0.45)
    for name, one, seed in (("old", part, 1), ("new", replace(part, hole_circle_mm=118.0), 2)):
        save(draw_flat(one, shot, np.random.default_rng(seed)), tmp_path / f"{name}.jpg", 35)
    status, out, _ = run("match", "old.jpg", "new.jpg", "--chain", "520", "--json", "-")
    told = {f["field"]: f for f in json.loads(out)["fields"]}
    assert status == 0
    assert told["teeth"]["result"] == "fits"
    assert told["hole_circle_mm"]["result"] == "differs"
    assert told["offset_mm"]["result"] == "cannot-tell"
    # a photo against typed values
    typed = {"chain": "520", "teeth": 41, "bore_mm": 90.0, "holes": 6, "hole_circle_mm": 116.0, "hole_mm": 10.5}
    (tmp_path / "typed.json").write_text(json.dumps(typed))
    status, out, _ = run("match", "old.jpg", "typed.json", "--chain", "520", "--json", "-")
    assert status == 3
    assert not [f for f in json.loads(out)["fields"] if f["result"] == "differs"]
    # a typed count that the photo contradicts
    status, _, err = run("match", "old.jpg", "typed.json", "--chain", "520", "--old", "teeth=42")
    assert status == 2
    assert "shows 41 teeth" in err


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        ([], 2, "Name the old and the new part"),
        (["a.json", "b.json"], 4, "does not exist"),
        (["a.jpg", "b.jpg"], 4, "does not exist"),
        (["--case", "kestrel-front", "--speedometer", "sun"], 2, "--speedometer"),
        (["--case", "kestrel-front", "--position", "left"], 2, "--position"),
        (["--case", "kestrel-front", "--other-teeth", "3"], 2, "--other-teeth"),
        (["--case", "kestrel-front", "--other-teeth", "0"], 2, "--other-teeth"),
        (["--case", "kestrel-front", "a.json", "b.json"], 2, "OLD is told by --case kestrel-front already"),
        (["--case", "kestrel-front", "--old", "teeth=99"], 2, "--old is told by --case"),
        (["--case", "kestrel-same", "--speedometer", "gearbox"], 2, "--speedometer is for --other-teeth"),
        (["a.jpg", "b.jpg", "--position", "front"], 2, "--position is for --other-teeth"),
        (["a.jpg", "b.jpg", "--card-height", "nan"], 2, "--card-height must lie between -100 and 100 mm, not nan"),
        (["a.jpg", "b.jpg", "--card-height", "1e6"], 2, "--card-height must lie between"),
        (["a.json", "b.json", "--card-height", "2"], 2, "--card-height is for a photo"),
        (["a.json", "b.json", "--card-measured", "75"], 2, "--card-measured is for a photo"),
        ([REAR_PHOTO, "b.jpg", "--card-measured", "50"], 2, "--card-measured must be within 10 % of the"),
        ([REAR_PHOTO, REAR_PHOTO], 2, "OLD and NEW are the same photo"),
        (["--case", "x"], 2, "kestrel-front"),
        (["a.json", "b.json", "--old", "teeth"], 2, "--old 'teeth' cannot be read"),
        (["a.json", "b.json", "--old", "bore_mm=7,4"], 2, "Write it with a point: 7.4."),
        (["a.json", "b.json", "--old", "bore_mm=7.4mm"], 2, "Write the number alone: 7.4."),
        (["a.json", "b.json", "--old", "bore_mm=7.4±x"], 2, "cannot be read. Write e.g. seat_thickness_mm=7.4."),
        (["a.json", "b.json", "--old", "teeth=3.5"], 2, "--old: teeth must be a whole number, not 3.5."),
        (["a.json", "b.json", "--old", "teeth=-3"], 2, "--old: teeth must not be negative, not -3."),
        (["a.json", "b.json", "--new", "tooth=3"], 4, "a.json does not exist"),
    ],
)
def test_match_bad_words(run, words, status, says):
    got, _, err = run("match", *words)
    assert got == status
    assert says in err


@pytest.mark.parametrize("known", [{"teeth": 15}, {"chain": "520"}, {"teeth": 15, "pitch_mm": 15.875}])
def test_a_gear_ratio_that_cannot_be_told_is_refused_not_left_out(run, tmp_path, known):
    (tmp_path / "old.json").write_text(json.dumps(known))
    words = ["match", "old.json", "old.json", "--other-teeth", 45, "--position", "front"]
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert "--other-teeth needs the teeth of both parts, and the chain size. Add --chain" in err
    typed = ["--chain", "520", "--old", "teeth=15", "--new", "teeth=16"]
    assert json.loads(run(*words, *typed, "--json", "-")[1])["gears"]["ratio_after"] == 2.8125


def test_the_file_of_an_order_sheet_is_a_part_for_match_too(run, tmp_path):
    (tmp_path / "p.json").write_text('{"part_number": "X1", "chain": "520", "teeth": 15}')
    status, out, err = run("match", "p.json", "p.json", "--json", "-")
    assert (status, err) == (3, "")
    assert {f["field"]: f["result"] for f in json.loads(out)["fields"]}["teeth"] == "fits"


def test_a_photo_without_a_part_is_told_to_programs_too(run, tmp_path, monkeypatch):
    (tmp_path / "new.json").write_text('{"chain": "520", "teeth": 42}')
    gear = ["--position", "front", "--other-teeth"]
    words = ["match", REAR_PHOTO, "new.json", "--chain", "520"]

    def nothing(*_, **__):
        raise CannotTell("seen: no sprocket was found.", hint="Take the part off.")

    monkeypatch.setattr(features, "part_from_photo", nothing)
    status, out, err = run(*words, "--json", "-")
    told = json.loads(out)
    assert (status, err) == (3, "toothcheck: seen: no sprocket was found. Take the part off.\n")
    assert (told["result"], told["why"]) == ("cannot-tell", "seen: no sprocket was found.")
    for name in ("new", "old"):
        (tmp_path / f"{name}.json").write_text('{"chain": "520", "teeth": 42}')
    assert told.keys() == json.loads(run("match", "old.json", "new.json", "--json", "-")[1]).keys()
    # words are wrong before anything is measured
    assert run(*words, *gear, 400)[::2] == (2, "toothcheck: --other-teeth must lie between 7 and 150, not 400.\n")
    assert run(*words, "--position", "left", "--other-teeth", 15)[0] == 2


@pytest.mark.parametrize("chain", ["428", "532", "530"])
def test_no_gearing_is_told_of_a_part_on_which_the_chain_does_not_run(run, tmp_path, chain):
    # 16 teeth of 428 are smaller than 15 of 520: neither the room nor the wheel's place is that of one tooth more
    for name, values in (("old", {"chain": "520", "teeth": 15}), ("new", {"chain": chain, "teeth": 16})):
        (tmp_path / f"{name}.json").write_text(json.dumps(values))
    words = ["match", "old.json", "new.json", "--position", "front", "--other-teeth", 45]
    told = json.loads(run(*words, "--json", "-")[1])
    assert (told["result"], told["gears"]) == ("differs", None)
    status, out, _ = run(*words)
    assert (status, "Gear ratio" in out, "the wheel moves" in out) == (0, False, False)
    assert told["gears_untold"] in " ".join(out.split())
    told = json.loads(run(*words, "--new", "chain=520", "--json", "-")[1])
    assert (told["gears"]["ratio_after"], told["gears_untold"]) == (2.8125, None)


def test_a_width_told_by_name_counts_beside_a_photo(run, tmp_path, monkeypatch):
    seen = part_from_mapping({"name": "seen", "teeth": 42, "pitch_mm": 15.9, "roller_diameter_mm": 10.1})
    monkeypatch.setattr(features, "part_from_photo", lambda *_, **__: seen)
    (tmp_path / "new.json").write_text('{"chain": "530", "teeth": 42}')
    for words, result in ((["--chain", "520"], "differs"), ([], "does-not-apply")):
        _, out, _ = run("match", REAR_PHOTO, "new.json", *words, "--old", "name=off bike 3", "--json", "-")
        told = json.loads(out)
        assert told["old"] == "off bike 3"
        assert {f["field"]: f["result"] for f in told["fields"]}["inner_width_mm"] == result


@pytest.mark.parametrize("text", ["[1]", "{", '{"tooth": 3}', '{"teeth": 3.5}'])
def test_match_bad_files(run, tmp_path, text):
    (tmp_path / "a.json").write_text(text)
    status, _, err = run("match", "a.json", "a.json")
    assert status == 4
    assert err.startswith("toothcheck: a.json ")
    assert len(err.strip().splitlines()) == 1


def test_match_of_another_programs_file_names_a_few_of_its_keys(run, tmp_path):
    for keys, named in (("abcdefghij", "a, b, c and 7 others"), ("abcd", "a, b, c and 1 other"), ("abc", "a, b, c")):
        (tmp_path / "a.json").write_text(json.dumps(dict.fromkeys(keys, 1)))
        assert f"thickness_mm, not {named}. " in run("match", "a.json", "a.json")[2]


@pytest.mark.parametrize(
    "words",
    [
        ["match", "a.json", "a.json"],
        ["advise", "--front", "a.json"],
        ["advise", "--front", "good", "--order-sheet", "o.md", "--front-part", "a.json"],
        ["report", "a.json", "-o", "a.pdf"],
    ],
    ids=lambda words: words[0],
)
def test_a_number_too_long_to_calculate_with_is_refused_in_one_line(run, tmp_path, words):
    (tmp_path / "a.json").write_text(f'{{"teeth": 15, "bore_mm": -1{"0" * 400}}}')
    status, out, err = run(*words)
    assert (status, out) == (4, "")
    assert err.startswith("toothcheck: a.json is not JSON that can be read: it holds a number of 401 digits. ")
    assert len(err.splitlines()) == 1


_READS = {
    "exercise collect": ["exercise", "collect", "file.json"],
    "logbook record": ["logbook", "record", "file.json", "KC-07", "--at", "1km"],
    "logbook import": ["logbook", "import", "file.csv"],
    "advise": ["advise", "--case", "harbour-set", "--rear-part", "file.json", "--order-sheet", "a.md"],
    "report": ["report", "file.json", "-o", "a.html"],
    "match": ["match", "file.json", "file.json"],
}


@pytest.mark.parametrize("words", _READS.values(), ids=_READS)
def test_a_photo_or_nothing_in_place_of_numbers_is_called_that(run, tmp_path, words):
    """A JPEG is no text in some other encoding."""
    file = tmp_path / next(word for word in words if word.startswith("file."))
    file.write_bytes(b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01")
    status, out, err = run(*words)
    assert (status, out) == (4, "")
    assert err.startswith(f"toothcheck: {file.name} is no text: it may be a photo")
    assert "UTF-8" not in err
    assert len(err.splitlines()) == 1
    file.write_bytes(b"\n")
    status, out, err = run(*words)
    assert (status, out) == (2 if file.suffix == ".csv" else 4, "")
    assert "is empty. " in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("words", _READS.values(), ids=_READS)
def test_a_file_without_the_right_to_read_it_is_the_file_s_fault(run, tmp_path, monkeypatch, words):
    name = next(word for word in words if word.startswith("file."))
    (tmp_path / name).write_text("{}")

    def locked(self):
        raise PermissionError(13, "Permission denied")

    # as the system answers anybody but root, who may read everything
    monkeypatch.setattr(os, "access", lambda path, mode: os.fspath(path) != name)
    monkeypatch.setattr(Path, "read_bytes", locked)
    status, _, err = run(*words)
    assert (status, err) == (4, f"toothcheck: {name} cannot be read: Permission denied. Check its permissions.\n")


@pytest.mark.parametrize(
    ("words", "capitals"),
    [
        (["stretch", 314.2, "--chain", "428", "--pitches", 20, "--tool"], "RULE"),
        (["stretch", "--chain", "428", "--pitches", 20], "256:JOINT"),
        (["stretch", 314.2, "--chain", "428", "--pitches", 20, "--tool"], "Caliper"),
        (["stretch", "249.7/266.7", "--chain", "428", "--pitches", 20, "--over"], "Rollers"),
        (["match", "--case", "kestrel-front", "--position"], "Front"),
        (["match", "--case", "kestrel-front", "--speedometer"], "GEARBOX"),
        (["advise", "--rear", "watch", "--front"], "Replace-Set"),
        (["form", "--chain", "428", "--teeth", 15, "--standard"], "ASME"),
        (["card"], "Pocket"),
    ],
)
def test_a_word_of_a_few_is_taken_in_capitals_too(run, words, capitals):
    got = run(*words, capitals)
    assert got == run(*words, capitals.lower())
    assert got[2] == ""


# --- advise ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("case", "status", "action"),
    [("kestrel-chain-only", 0, "chain-only"), ("harbour-set", 0, "set"), ("harbour-thin", 3, "measure-first")],
)
def test_advise_cases(run, case, status, action):
    got, out, _ = run("advise", "--case", case, "--json", "-")
    assert got == status
    assert json.loads(out)["action"] == action


def test_what_is_typed_over_a_case_leaves_the_rest_of_its_sprocket(run):
    told = [json.loads(run("advise", "--case", "harbour-set", *words, "--json", "-")[1])
            for words in ([], ["--front-teeth", 16], ["--front-distance", "9000km"])]  # fmt: skip
    assert told[0] == told[1]
    assert told[2]["reasons"][0] == told[0]["reasons"][0].replace("21 000 km", "9 000 km")
    # a new grade takes the place of the old one's numbers, not of the teeth
    first = json.loads(run("advise", "--case", "harbour-set", "--front", "good", "--json", "-")[1])["reasons"][0]
    assert first == "Front sprocket: good, 16 teeth, 21 000 km."


def test_advise_typed(run):
    status, out, _ = run(
        "advise", "--front", "good", "--rear", "good", "--front-teeth", 17, "--rear-teeth", 41, "--chain", "520",
        "--stretch", "0.1+-0.03", "--limit", LIMIT, "--links", 112,
    )  # fmt: skip
    assert status == 0
    assert "NOTHING" in out
    assert "41/17 = 2.41" in out  # common practice, no source
    assert "does not mean safe to ride" in out


@pytest.mark.parametrize("percent", ["-3", "-3.94+-0.1", "25.49"])
def test_advise_does_not_judge_by_an_elongation_that_no_chain_has(run, percent):
    status, out, _ = run(
        "advise", "--front", "good", "--rear", "good", "--chain", "520", "--stretch", percent, "--limit", LIMIT
    )
    assert status == 3
    assert "MEASURE FIRST" in out
    assert "none that a chain has" in out
    assert "the limit of" not in out
    assert "Most of it is used" not in out  # as a sentence of its own, of a limit that is not spoken of


def test_a_typed_elongation_takes_the_place_of_a_misread_length(run, garage):
    with Logbook(garage, now=lambda: dt.datetime.now(dt.UTC), new_uid=lambda: "a" * 32) as book:
        book.add(
            book.new(
                "chain-length", machine="KC-07", part="KC-07 chain 1", distance_km=900.0, pitches=20, length_mm=305.0
            )
        )
    advise = ["advise", "KC-07", "--front", "good", "--rear", "good", "--limit", LIMIT, "--logbook", garage]
    status, out, _ = run(*advise)
    assert status == 3
    assert "20 rollers" in out
    status, out, _ = run(*advise, "--stretch", "0.2+-0.03")
    assert status == 0
    assert "NOTHING NOW" in out


@pytest.mark.parametrize("words", ["nan", "inf", "0.3+--1", "0.3+-nan", "0.3+-inf"])
def test_a_stretch_that_is_no_number_is_refused_by_its_name(run, garage, words):
    """Also where a length is known by the logbook, against which it would be held."""
    kept = ["stretch", 318.0, 318.0, 318.0, "--chain", "520", "--pitches", 20, "--log", "KC-07", "--at", "200km"]
    assert run(*kept, "--logbook", garage)[0] == 0
    for machine in ([], ["KC-07", "--logbook", garage]):
        status, out, err = run("advise", *machine, "--front", "good", "--stretch", words)
        assert (status, out) == (2, "")
        assert "--stretch" in err
        assert len(err.strip().splitlines()) == 1


def test_a_stretch_whose_uncertainty_says_nothing_is_refused(run, garage):
    """Knowing only that every length from -0.35 to 4 % is as likely is ± 4.35/√12 = 1.256 % (JCGM 100:2008, 4.3.7)."""
    advise = ["advise", "--front", "good", "--rear", "good", "--chain", "520", "--limit", LIMIT, "--stretch"]
    for words in ("0.2+-9", "0.2+-1.26"):
        status, out, err = run(*advise, words)
        assert (status, out) == (2, "")
        assert f"--stretch '{words}' cannot be used" in err
        assert len(err.splitlines()) == 1
    assert "0.2 ± 1.2 %" in " ".join(run(*advise, "0.2+-1.25")[1].split())
    kept = ["logbook", "chain-length", "KC-07", 318.0, "--pitches", 20, "--at", "200km", "--logbook", garage, "--std"]
    status, out, err = run(*kept, 4)  # 1.260 % of 20 pitches of 15.875 mm
    assert (status, out) == (2, "")
    assert err.startswith("toothcheck: --std 4 mm cannot be used")
    assert len(err.splitlines()) == 1
    assert run(*kept, 3.98)[0] == 0


def test_advice_asks_about_a_kept_length_over_a_long_run(run, garage):
    """As one comes in by an import: 634.1 mm is -0.1 % over 40 pitches and +2.4 % over 39 (our own arithmetic)."""
    with Logbook(garage, now=lambda: dt.datetime.now(dt.UTC), new_uid=lambda: "a" * 32) as book:
        book.add(
            book.new(
                "chain-length", machine="KC-07", part="KC-07 chain 1", distance_km=900.0, pitches=40, length_mm=634.1
            )
        )
    advise = ["advise", "KC-07", "--front", "good", "--rear", "good", "--limit", LIMIT, "--logbook", garage]
    status, out, _ = run(*advise)
    assert status == 3
    assert "NOTHING NOW" not in out
    assert "count the rollers, too" in " ".join(out.split())
    # a length that is typed was taken otherwise
    status, out, _ = run(*advise, "--stretch", "0.2+-0.03")
    assert status == 0
    assert "count the rollers" not in out


INSPECTION = {
    "schema": "toothcheck/inspection/1",
    "photo": {"name": "a.jpg", "sha256": "0" * 64},
    "sprocket": {"chain": "520", "teeth": 15, "position": "front"},
    "scale": {},
    "teeth": [],
    "wear": {"asymmetry_percent": {"value": 14.0, "std": 1.0}, "overhang_mm": None},
    "verdict": {"grade": "replace-set", "confidence": 0.9},
    "flags": [],
}


def test_advise_reads_an_inspection(run, tmp_path):
    (tmp_path / "front.json").write_text(json.dumps(INSPECTION))
    status, out, _ = run("advise", "--front", "front.json", "--json", "-")
    assert status == 0
    assert json.loads(out)["action"] == "set"
    status, _, err = run("advise", "--rear", "front.json")
    assert status == 2
    assert "front sprocket" in err


@pytest.mark.parametrize("teeth", [15, None])
def test_an_inspection_that_could_not_tell_is_not_graded(run, tmp_path, garage, teeth):
    # the contract: wear is null where nothing was measured
    verdict = {"grade": "cannot-tell", "confidence": 0.0}
    document = {**INSPECTION, "sprocket": {**INSPECTION["sprocket"], "teeth": teeth}, "wear": None, "verdict": verdict}
    (tmp_path / "dark.json").write_text(json.dumps(document))
    rest = ["--rear", "good", "--chain", "520", "--stretch", "0.2+-0.03", "--limit", LIMIT]
    status, out, _ = run("advise", "--front", "dark.json", *rest)
    assert status == 3
    assert "Front sprocket: not graded" in out
    # nor does an older grade in the logbook count for it, though it does where only the teeth are typed
    add = ["add-part", "KC-07", "front", "--chain", "520", "--teeth", 15, "--at", "100km"]
    assert run("logbook", *add, "--logbook", garage)[0] == 0
    (tmp_path / "good.json").write_text(json.dumps({**INSPECTION, "verdict": {"grade": "good", "confidence": 0.95}}))
    assert run("logbook", "record", "good.json", "KC-07", "--at", "200km", "--logbook", garage)[0] == 0
    where = ["--logbook", garage, "--json", "-"]
    now = {f: json.loads(run("advise", "KC-07", *f, *rest, *where)[1])["action"]
           for f in ((), ("--front-teeth", 15), ("--front", "dark.json"))}  # fmt: skip
    assert list(now.values()) == ["nothing", "nothing", "measure-first"]
    # a grade is of the sprocket that it was given, not of one with another count
    refused = run("advise", "KC-07", "--front-teeth", 16, *rest, "--logbook", garage)
    assert refused[:2] == (2, "")
    wrong = "The front sprocket is told to have 16 teeth, but the one fitted to KC-07 has 15 by the logbook."
    assert wrong in refused[2]
    assert "(good.json)" in run("advise", "--front", "good.json", "--front-teeth", 16, *rest)[2]
    assert "16 teeth" in run("advise", "--front", "dark.json", "--front-teeth", 16, *rest)[1]
    # nor is a new grade, typed or of a photo, one of a sprocket that is not fitted
    sixteen = {**INSPECTION, "sprocket": {**INSPECTION["sprocket"], "teeth": 16}}
    (tmp_path / "16.json").write_text(json.dumps(sixteen))
    for words in (["--front", "good", "--front-teeth", 16], ["--front", "16.json"]):
        status, out, err = run("advise", "KC-07", *words, *rest, "--logbook", garage)
        assert (status, out) == (2, "")
        assert wrong in err
        assert len(err.strip().splitlines()) == 1


@pytest.mark.parametrize(
    "change",
    [
        {"schema": "toothcheck/match/1"},
        {"verdict": {"grade": "good", "confidence": "much"}},
        {"verdict": {"grade": "fine", "confidence": 0.9}},
        {"sprocket": {"chain": "520", "teeth": "many", "position": "front"}},
        {"wear": 3},
    ],
)
def test_a_file_that_is_no_inspection_is_refused_in_one_line(run, tmp_path, change):
    (tmp_path / "front.json").write_text(json.dumps({**INSPECTION, **change}))
    status, out, err = run("advise", "--front", "front.json")
    assert (status, out) == (4, "")
    assert "front.json is not an inspection's JSON" in err
    assert len(err.strip().splitlines()) == 1


TYPED = ["--front", "good", "--rear", "good", "--chain", "520", "--stretch", "0.2+-0.03", "--limit", LIMIT]


def test_a_name_in_no_logbook_is_for_the_papers_when_everything_is_typed(run, tmp_path, garage):
    for where in (tmp_path / "none.sqlite", garage):
        status, out, _ = run("advise", "My bike", *TYPED, "--order-sheet", "o.md", "--logbook", where)
        assert status == 0
        assert "My bike is not in the logbook: this is of what was typed." in out
        assert "My bike" in (tmp_path / "o.md").read_text()
    # else it is more likely misspelt
    for some in ([], ["--front", "good"], TYPED[:4], [*TYPED[:2], *TYPED[4:]]):
        status, out, err = run("advise", "KC-70", *some, "--logbook", garage)
        assert (status, out) == (2, "")
        assert "KC-07" in err
    assert "not in the logbook" not in run("advise", "KC-07", *TYPED, "--logbook", garage)[1]


def test_distances_are_taken_in_kilometres_and_miles(run):
    words = ["--chain-distance", "1000mi", "--front-distance", "2000 miles", "--rear-km", "1700"]
    _, out, _ = run("advise", *TYPED, *words)
    assert "Chain: 1 609 km." in out  # the mile: 1.609344 km exactly (yard and pound agreement, 1959)
    assert "Front sprocket: good, 3 219 km." in out
    assert "Rear sprocket: good, 1 700 km." in out
    status, _, err = run("advise", *TYPED, "--chain-distance", "9 leagues")
    assert status == 2
    assert "15300mi" in err


def ridden(run, tmp_path, *readings, until, chain=()):
    """A machine fitted new a year ago; readings and a chain's length a month later each.

    A reading is (position, grade, odometer, and its asymmetry where that is not 1 %).
    """
    where, now = tmp_path / "ridden.sqlite", dt.date.today()

    def log(*words, days):
        day = (now - dt.timedelta(days=days)).isoformat()
        assert run("logbook", *words, "--on", day, "--logbook", where)[0] == 0

    log("add-machine", "KC-09", "--at", "0km", days=365)
    for position in ("front", "rear", "chain"):
        log("add-part", "KC-09", position, "--chain", "520", "--at", "0km", days=365)
    for i, (position, grade, at, *percent) in enumerate(readings):
        document = {
            **INSPECTION, "photo": {"name": "a.jpg", "sha256": f"{i:064x}"},
            "sprocket": {"chain": "520", "teeth": 15 if position == "front" else 43, "position": position},
            "wear": {"asymmetry_percent": {"value": percent[0] if percent else 1.0, "std": 0.9}, "overhang_mm": None},
            "verdict": {"grade": grade, "confidence": 0.4 if grade == "cannot-tell" else 0.95},
        }  # fmt: skip
        (tmp_path / "r.json").write_text(json.dumps(document))
        log("record", "r.json", "KC-09", "--at", at, days=335 - i)
    for mm, at in chain:
        log("chain-length", "KC-09", mm, "--pitches", 20, "--std", 0.1, "--at", at, days=300)
    log("note", "KC-09", "read", "--at", until, days=0)
    return where


def test_readings_of_long_ago_are_not_taken_for_today_s(run, tmp_path):
    where = ridden(run, tmp_path, ("front", "good", "1000km"), ("rear", "good", "1000km"), until="31000km")
    advise = ["advise", "KC-09", "--stretch", "0.1+-0.03", "--limit", LIMIT, "--logbook", where]
    status, out, _ = run(*advise)
    assert status == 3
    assert "MEASURE FIRST" in out
    said = " ".join(out.split())
    assert f"Front sprocket: good on {dt.date.today() - dt.timedelta(days=335)} after 1 000 km" in said
    assert "has run 31 000 km by now" in said
    assert "30 000 km were ridden since" in said
    assert "Photograph the rear sprocket again" in said
    # told that the parts have run less since, they count
    assert run(*advise, "--front-distance", "1200km", "--rear-distance", "1200km")[0] == 0


def test_a_chain_s_length_of_long_ago_is_not_taken_for_today_s(run, tmp_path):
    where = ridden(run, tmp_path, until="31000km", chain=[(317.7, "1500km")])
    typed = ["advise", "KC-09", "--front", "good", "--rear", "good", "--limit", LIMIT, "--logbook", where]
    status, out, _ = run(*typed)
    assert status == 3
    assert "The chain was measured on" in out
    assert "29 500 km were ridden since" in " ".join(out.split())
    assert run(*typed, "--chain-distance", "2500km")[0] == 0
    assert run(*typed, "--stretch", "0.1+-0.03")[0] == 0


def test_a_photo_that_could_not_tell_does_not_take_back_what_was_seen(run, tmp_path):
    seen = [("front", "replace-now", "1000km"), ("rear", "good", "1000km"), ("front", "cannot-tell", "1200km")]
    status, out, _ = run("advise", "KC-09", "--logbook", ridden(run, tmp_path, *seen, until="1300km"))
    assert status == 0
    assert "do not ride on it" in out
    assert "Front sprocket: replace-now" in out
    assert "could not tell" in out


def test_a_milder_photo_changes_no_answer_while_a_worse_one_stands(run, tmp_path):
    seen = [("front", "replace-now", "1000km"), ("rear", "good", "1000km"), ("front", "good", "1010km")]
    where = ridden(run, tmp_path, *seen, until="1300km", chain=[(317.7, "1200km")])
    limit = ("--limit", LIMIT, "--logbook", where)
    status, out, _ = run("advise", "KC-09", *limit, "--order-sheet", "o.md", "--checklist", "w.md")
    assert status == 0
    out = " ".join(out.split())
    assert "KC-09: SET" in out
    assert "replace-now on" in out
    assert "but later good on" in out
    assert "--withdraw" in out
    for paper in ("o.md", "w.md"):
        assert "Two readings of the front sprocket disagree" in (tmp_path / paper).read_text()
    listed = run("logbook", "list", "--logbook", where)[1]
    assert re.search(r"replace-now \([-0-9]+\), disagrees: good \([-0-9]+\)", listed)
    front = run("due", "--logbook", where)[1].splitlines()[1]
    assert re.match(r"KC-09 front 1  now +replace-now [-0-9]+ .*readings disagree", front)
    assert "Two readings disagree" in run("trend", "KC-09", "front", "--logbook", where)[1]
    (status, out, _) = run("report", "KC-09", "--logbook", where, "-o", "r.html")
    assert (status, out.splitlines()[0]) == (0, "r.html: grade replace-now")
    assert "Two readings disagree" in out
    # what is typed counts, but the logbook's worse grade is told
    out = " ".join(run("advise", "KC-09", *limit, "--front", "good")[1].split())
    assert "The logbook holds a worse grade, replace-now" in out


def broken(tmp_path, **change):
    """An inspection that cannot tell, with a tooth that is gone."""
    teeth = [{"index": i, "measured": i != 7, "flags": ["broken"] if i == 7 else []} for i in range(15)]
    verdict = {"grade": "cannot-tell", "confidence": 0.2}
    document = {**INSPECTION, "photo": {"name": "b.jpg", "sha256": "b" * 64}, "teeth": teeth, "verdict": verdict}
    (tmp_path / "broken.json").write_text(json.dumps(document | change))
    return "broken.json"


UNTIL = "Do not ride until a qualified mechanic has looked at tooth 7"


def test_a_broken_tooth_goes_from_an_inspection_into_plan_and_papers(run, tmp_path):
    rest = ["--rear", "watch", "--chain", "520", "--stretch", "0.1+-0.02", "--limit", LIMIT, "--adjuster-left", 70]
    words = ["advise", "--front", broken(tmp_path), *rest, "--order-sheet", "o.md", "--checklist", "w.md"]
    status, out, _ = run(*words, "--json", "-")
    told = json.loads(out)
    assert (status, told["action"], told["before_next_ride"]) == (3, "measure-first", True)
    assert told["headline"] == f"{UNTIL} of the front sprocket."
    for paper in ("o.md", "w.md"):
        assert f"{UNTIL} of the front sprocket." in (tmp_path / paper).read_text()
    # a file is anybody's
    for teeth in (3, [3], [{"index": 7}], [{"index": 7, "flags": [["broken"], 3]}]):
        assert run("advise", "--front", broken(tmp_path, teeth=teeth), *rest)[0] == 0


def test_a_broken_tooth_is_named_by_the_logbook_until_its_reading_is_withdrawn(run, tmp_path):
    seen = [("front", "good", "1000km"), ("rear", "watch", "1000km")]
    where = ridden(run, tmp_path, *seen, until="1010km", chain=[(317.7, "1005km")])
    book = ("--logbook", where)
    status, out, _ = run("logbook", "record", broken(tmp_path), "KC-09", "--at", "1020km", *book)
    assert status == 0
    assert f"Mind: {UNTIL}" in out
    # no photo after it settles that, not even a good one
    good = {
        **INSPECTION,
        "photo": {"name": "g.jpg", "sha256": "a" * 64},
        "verdict": {"grade": "good", "confidence": 0.95},
    }
    (tmp_path / "good.json").write_text(json.dumps(good | {"wear": {"asymmetry_percent": None, "overhang_mm": None}}))
    assert run("logbook", "record", "good.json", "KC-09", "--at", "1030km", *book)[0] == 0
    plan = json.loads(run("advise", "KC-09", "--limit", LIMIT, *book, "--json", "-")[1])
    assert (plan["action"], plan["before_next_ride"]) == ("measure-first", True)
    assert plan["headline"].startswith(f"{UNTIL} of the front sprocket.")
    again = run("advise", "KC-09", "--front", "good.json", "--limit", LIMIT, *book, "--json", "-")[1]
    assert json.loads(again)["headline"] == plan["headline"]
    # nor what somebody saw by eye
    typed = json.loads(run("advise", "KC-09", "--front", "good", "--limit", LIMIT, *book, "--json", "-")[1])
    assert (typed["action"], typed["before_next_ride"]) == ("measure-first", True)
    assert typed["headline"] == plan["headline"]
    assert re.search(r"withdraw entry \d+ \(toothcheck logbook correct \d+ --withdraw", typed["measure_next"][0])
    assert any("What was typed does not settle what the photo of" in reason for reason in typed["reasons"])
    assert "do not ride: tooth 7" in run("logbook", "list", *book)[1]
    assert "do not ride: tooth 7" in run("logbook", "list", "--parts", *book)[1]
    due = run("due", "--within", "1km", *book)[1].splitlines()
    assert re.match("KC-09 front 1 .* now .*do not ride: tooth 7", due[1])
    first = json.loads(run("due", *book, "--json", "-")[1])["parts"][0]
    assert (first["position"], first["do_not_ride_teeth"], first["crossings"]) == ("front", [7], [])
    assert UNTIL in run("trend", "KC-09", "front", *book)[1]
    status, out, _ = run("report", "KC-09", *book, "-o", "r.html")
    assert (status, out.splitlines()[0]) == (3, "r.html: grade cannot-tell")
    assert f"{UNTIL}." in out
    # it travels
    assert run("logbook", "export", "all.csv", *book)[0] == 0
    assert run("logbook", "import", "all.csv", "--logbook", "other.sqlite")[0] == 0
    assert "do not ride: tooth 7" in run("logbook", "list", "--logbook", "other.sqlite")[1]
    number = re.search(r"withdraw entry (\d+)", plan["measure_next"][0])[1]
    assert run("logbook", "correct", number, "--withdraw", "--reason", "a mechanic found it whole", *book)[0] == 0
    assert "do not ride" not in run("logbook", "list", *book)[1]
    assert json.loads(run("advise", "KC-09", "--limit", LIMIT, *book, "--json", "-")[1])["action"] == "watch"


def test_a_grade_by_eye_does_not_mend_a_tooth_that_a_graded_photo_showed_broken(run, tmp_path):
    seen = [("front", "good", "1000km"), ("rear", "good", "1000km")]
    where = ridden(run, tmp_path, *seen, until="1010km", chain=[(317.7, "1005km")])
    words = ("advise", "KC-09", "--limit", LIMIT, "--logbook", where, "--adjuster-left", 70, "--json", "-")
    file = broken(tmp_path, verdict={"grade": "replace-now", "confidence": 0.85})
    out = run("logbook", "record", file, "KC-09", "--at", "1020km", "--logbook", where)[1]
    assert f"Mind: {UNTIL}" in out
    assert json.loads(run(*words)[1])["headline"].startswith("Renew both sprockets and the chain before the next ride")
    plan = json.loads(run(*words, "--front", "good")[1])
    assert (plan["action"], plan["before_next_ride"]) == ("measure-first", True)
    assert plan["headline"].startswith(f"{UNTIL} of the front sprocket.")
    number = re.search(r"withdraw entry (\d+)", plan["measure_next"][0])[1]
    correct = ("logbook", "correct", number, "--withdraw", "--reason", "it was mud", "--logbook", where)
    assert run(*correct)[0] == 0
    assert json.loads(run(*words, "--front", "good")[1])["action"] == "nothing"


@pytest.mark.parametrize("grade", ["replace-set", "replace-now"])
def test_what_cannot_be_told_today_takes_back_nothing_that_the_logbook_holds(run, tmp_path, grade):
    where = ridden(run, tmp_path, ("front", grade, "1000km"), ("rear", "good", "1000km"), until="1010km")
    verdict = {"grade": "cannot-tell", "confidence": 0.2}
    (tmp_path / "open.json").write_text(json.dumps({**INSPECTION, "verdict": verdict}))
    for typed in ("open.json", "cannot-tell"):
        plan = json.loads(run("advise", "KC-09", "--front", typed, "--logbook", where, "--json", "-")[1])
        assert (plan["action"], plan["before_next_ride"]) == ("set", grade == "replace-now")
        assert any("could not tell" in reason for reason in plan["reasons"])


@pytest.mark.parametrize(("grade", "counts"), [("watch", False), ("replace-set", True), ("replace-now", True)])
def test_a_milder_photo_that_is_not_in_the_logbook_takes_back_no_more_than_a_recorded_one(run, tmp_path, grade, counts):
    where = ridden(run, tmp_path, ("front", grade, "1000km"), ("rear", "good", "1000km"), until="1010km")
    verdict = {"grade": "good", "confidence": 0.95}
    (tmp_path / "good.json").write_text(json.dumps({**INSPECTION, "verdict": verdict}))
    plan = json.loads(run("advise", "KC-09", "--front", "good.json", "--logbook", where, "--json", "-")[1])
    assert (plan["action"] == "set", plan["before_next_ride"]) == (counts, grade == "replace-now")
    assert any("teeth do not heal" in reason for reason in plan["reasons"])
    assert any("toothcheck logbook record" in reason for reason in plan["reasons"]) == counts
    # by eye it counts, with the remark
    plan = json.loads(run("advise", "KC-09", "--front", "good", "--logbook", where, "--json", "-")[1])
    assert plan["action"] == "measure-first"
    assert any("teeth do not heal" in reason for reason in plan["reasons"])


def test_a_good_grade_by_eye_beside_a_photo_that_asks_for_new_parts_is_remarked(run, tmp_path):
    where = ridden(run, tmp_path, ("front", "good", "1000km"), ("rear", "good", "1000km"), until="1010km")
    verdict = {"grade": "cannot-tell", "confidence": 0.45, "renew_anyway": "before-next-ride"}
    document = {**INSPECTION, "photo": {"name": "o.jpg", "sha256": "c" * 64}, "verdict": verdict}
    (tmp_path / "open.json").write_text(json.dumps(document))
    assert run("logbook", "record", "open.json", "KC-09", "--at", "1020km", "--logbook", where)[0] == 0
    out = " ".join(run("advise", "KC-09", "--front", "good", "--logbook", where)[1].split())
    assert "every likely one asks for new parts. What was typed counts here" in out
    assert "every likely" not in run("advise", "KC-09", "--front", "replace-set", "--logbook", where)[1]


@pytest.mark.parametrize(
    ("told", "now"),
    [
        ({"renew_anyway": "next-opportunity"}, False),
        ({"renew_anyway": "before-next-ride"}, True),
        # documents older than the field: their sentence says so
        ({"next_steps": [RENEW_ANYWAY, "Wipe the teeth."]}, False),
        ({"next_steps": [f"{RENEW_ANYWAY} Do not ride on it until it is known not to be replace-now."]}, True),
    ],
)
def test_what_every_likely_grade_asks_for_goes_into_the_plan(run, tmp_path, told, now):
    verdict = {"grade": "cannot-tell", "confidence": 0.45, **told}
    document = {**INSPECTION, "photo": {"name": "o.jpg", "sha256": "c" * 64}, "verdict": verdict}
    (tmp_path / "open.json").write_text(json.dumps(document))
    where = ridden(run, tmp_path, ("front", "good", "1000km"), ("rear", "good", "1000km"), until="1010km")
    assert run("logbook", "record", "open.json", "KC-09", "--at", "1020km", "--logbook", where)[0] == 0
    for words in (["--front", "open.json", "--rear", "good"], ["KC-09", "--logbook", where]):
        plan = json.loads(run("advise", *words, "--json", "-")[1])
        assert (plan["action"], plan["before_next_ride"]) == ("set", now)


def test_the_field_of_a_renewal_counts_before_any_sentence_and_is_one_of_two(run, tmp_path):
    def advised(when, grade="cannot-tell"):
        verdict = {"grade": grade, "confidence": 0.45, "next_steps": [RENEW_ANYWAY], "renew_anyway": when}
        (tmp_path / "open.json").write_text(json.dumps({**INSPECTION, "verdict": verdict}))
        return run("advise", "--front", "open.json", "--rear", "good")

    assert "MEASURE FIRST" in advised(None)[1]
    assert "whichever" not in advised("next-opportunity", "watch")[1]  # a grade that was told says by itself
    status, out, err = advised("soon")
    assert (status, out) == (4, "")
    assert "renew_anyway must be null or one of next-opportunity, before-next-ride, not 'soon'" in err
    assert len(err.strip().splitlines()) == 1


def test_a_plan_by_which_sprockets_may_stay_tells_when_they_will_be_due(run, tmp_path):
    seen = [("front", "good", f"{2000 * i}km", 0.6 * i) for i in range(1, 8)]
    where = ridden(run, tmp_path, *seen, ("rear", "good", "14000km"), until="14100km", chain=[(317.7, "14050km")])
    words = ["advise", "KC-09", "--limit", LIMIT, "--adjuster-left", 70, "--logbook", where, "--json", "-"]

    def foretold(*more):
        return [note for note in json.loads(run(*words, *more)[1])["notes"] if "oretold" in note]

    (line,) = foretold()  # of the rear one there is too little to go by
    trend = json.loads(run("trend", "KC-09", "front", "--logbook", where, "--json", "-")[1])["parts"][0]
    crossing = next(c for c in trend["crossings"] if c["grade"] == "replace-set")
    early, middle, late = (
        f"{distance_rough(crossing['ahead_km'][name])} ({crossing['date'][name]})"
        for name in ("early", "median", "late")
    )
    assert line == (
        f"Front sprocket: Foretold from 7 readings, as of {dt.date.today()} (a forecast is no approval): replace-set "
        f"from 10 %: in about {middle}; 8 times out of 10 between {early} and {late}, at the present riding. More: "
        "toothcheck trend KC-09 front."
    )
    assert distance_rough(crossing["ahead_km"]["median"], "miles") in foretold("--units", "miles")[0]
    # not beside a grade or a distance that the trend does not know of, nor where anything else comes first
    for more in (["--front", "good"], ["--front-distance", "14500km"], ["--damaged"], ["--front", "watch"]):
        assert foretold(*more) == []
    assert run("logbook", "record", broken(tmp_path), "KC-09", "--at", "14200km", "--logbook", where)[0] == 0
    assert foretold() == []


def test_other_chain_sizes_are_told_on_fitting_in_the_plan_and_on_the_order_sheet(run, tmp_path):
    where = ridden(run, tmp_path, until="1000km")
    part = ("logbook", "add-part", "KC-09", "front", "--chain", "428", "--at", "1000km", "--logbook", where)
    status, out, _ = run(*part, "--replace")
    assert status == 0
    assert "Mind: The chain sizes do not match: front sprocket 428, rear sprocket 520, chain 520." in out
    status, out, _ = run("advise", "KC-09", "--logbook", where, "--order-sheet", "o.md")
    assert (status, "do not match" in out) == (3, True)
    assert re.findall(r"chain size \| (\w+)", (tmp_path / "o.md").read_text()) == ["428", "520"]
    assert run("logbook", "retire", "KC-09", "--at", "1000km", "--logbook", where)[0] == 0
    assert "KC-09 was retired on" in run("advise", "KC-09", "--logbook", where)[1]


def test_distances_are_shown_in_the_unit_asked_for(run, tmp_path, monkeypatch):
    words = ["advise", *TYPED, "--front-distance", "13000mi", "--chain-distance", "13000mi", "--order-sheet", "o.md"]
    _, out, _ = run(*words, "--units", "miles")
    assert "13 000 miles" in out
    assert " km" not in out
    assert "13 000 miles on the chain" in (tmp_path / "o.md").read_text()
    monkeypatch.setenv("TOOTHCHECK_UNITS", "mi")
    assert run(*words)[1] == out
    assert run(*words, "--units", "leagues")[0] == 2


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"teeth": 15}, "p.json is of 15 teeth, but the front sprocket has 16."),
        ({"teeth": 16, "chain": "428"}, "p.json is for chain 428, but the front sprocket is for chain 520."),
        ({"chain": 525}, "p.json is for chain 525, but the front sprocket is for chain 520."),  # of one pitch
        ({"pitch_mm": 12.71}, "p.json is for a pitch of 12.71 mm, but the front sprocket is for chain 520."),
    ],
)
def test_an_order_sheet_does_not_contradict_what_is_ordered_for(run, tmp_path, values, says):
    (tmp_path / "p.json").write_text(json.dumps({"part_number": "X1", **values}))
    words = ["--front", "replace-set", "--front-teeth", 16, "--rear", "good", "--rear-teeth", 43, "--chain", "520"]
    words += ["--order-sheet", "o.md", "--front-part", "p.json"]
    status, out, err = run("advise", *words)
    assert (status, out) == (2, "")
    assert says in err
    assert len(err.strip().splitlines()) == 1
    assert not (tmp_path / "o.md").exists()
    (tmp_path / "p.json").write_text(json.dumps({"part_number": "X1", "teeth": 16, "pitch_mm": 15.9}))
    assert run("advise", *words)[0] == 0
    assert "X1" in (tmp_path / "o.md").read_text()


def test_papers_are_written_whole(run, tmp_path):
    torque = "rear sprocket nuts=43.5 lbf·ft @ invented manual p. 7-12"
    status, out, _ = run(
        "advise", "--case", "harbour-set", "--order-sheet", "order.pdf", "--checklist", "work.md", "--torque", torque,
        "--paper", "letter",
    )  # fmt: skip
    assert status == 0
    assert "order.pdf" in out
    work = (tmp_path / "work.md").read_text()
    assert "43.5 lbf·ft (= 59 N·m = 6.01 kgf·m; invented manual p. 7-12)" in work
    document = pypdfium2.PdfDocument(tmp_path / "order.pdf")
    assert "Harbour Riding School" in document[0].get_textpage().get_text_bounded()
    assert document[0].get_size() == pytest.approx((612, 792), abs=0.5)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["order.pdf", "work.md"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "Nothing is known"),
        (["--front", "fine"], "toothcheck: --front must be one of good,"),
        (["--front", "good", "--rear", "none"], "toothcheck: --rear must be one of good,"),
        (["--front-teeth", "3"], "toothcheck: --front-teeth must lie between 7 and 150, not 3."),
        (["--front", "good", "--front-distance", " "], "such as 24600km or 15300mi, not ' '."),
        (["--front", "good", "--rear-teeth", "300"], "toothcheck: --rear-teeth must lie between 7 and 150, not 300."),
        (["--front", "good", "--links", "2"], "toothcheck: --links must be at least 10, not 2."),
        (["--front", "good", "--chain-km", "-5"], "toothcheck: --chain-distance must not be negative, not '-5km'."),
        (
            ["--front", "good", "--front-confidence", "3"],
            "--front-confidence must lie between 0 and 1, not 3. 3 % is 0.03.",
        ),
        (
            ["--front", "good", "--rear", "good", "--rear-confidence", "-1"],
            "--rear-confidence must lie between 0 and 1",
        ),
        (["--front", "good", "--stretch", "long"], "--stretch"),
        (["--front", "good", "--stretch", "0,2"], "--stretch '0,2' cannot be read. Write it with a point: 0.2."),
        (["--front", "good", "--limit", LIMIT], "--limit in mm must come with the chain size"),
        (
            ["--front", "good", "--adjuster-left", "50%"],
            "--adjuster-left: '50%' is no number. Write the number alone: 50.",
        ),
        (["--front", "good", "--limit", "1 % @ the manual"], "--limit must come from the machine's manual with its"),
        (["--front", "good", "--adjuster-left", "130"], "--adjuster-left must lie between 0 and 100, not 130"),
        (["--front", "good", "--checklist", "w.txt"], ".md or .pdf"),
        (["--front", "good", "--checklist", "no/such/w.md"], "Cannot write"),
        (["--front", "good", "--checklist", "w.md", "--torque", "nuts=5 Nm"], "manual with its page"),
        (
            ["--front", "good", "--checklist", "w.md", "--torque", "nuts=43,5 Nm @ manual p. 3"],
            "toothcheck: --torque must have a decimal point, not a comma: 43.5 Nm.",
        ),
        (
            ["--front", "good", "--checklist", "w.md", "--torque", "nuts=43.5 @ manual p. 3"],
            "toothcheck: --torque must have its unit, one of N·m, lbf·ft, kgf·m: nuts=43.5 what?",
        ),
        (
            ["--rear", "good", "--checklist", "w.md", "--torque", "nuts=59 Nm @ p. 3", "--torque", "Nut=98 Nm @ p. 4"],
            "toothcheck: --torque must be one for each fastener, not 59 N·m and 98 N·m for Nut.",
        ),
        (["--front", "good", "--torque", "nuts=5 Nm @ manual p. 3"], "--torque is for --checklist, which is missing."),
        (["--front", "good", "--model", "M", "--checklist", "w.md"], "--model is for --order-sheet, which is missing."),
        (["--front", "good", "--frame", "F1"], "--frame is for --order-sheet"),
        (["--front", "good", "--front-part", "p.json"], "--front-part is for --order-sheet"),
        (["--front", "good", "--rear-part", "p.json"], "--rear-part is for --order-sheet"),
        (
            ["--front", "good", "--paper", "letter"],
            "--paper is for an --order-sheet or a --checklist that ends in .pdf.",
        ),
        (["--front", "good", "--paper", "letter", "--checklist", "w.md"], "--paper is for an --order-sheet or a"),
        (["--front", "good", "--logbook", "b.sqlite"], "--logbook is for MACHINE, which is missing."),
        (["KC-07", "--case", "harbour-set"], "MACHINE is told by --case harbour-set already."),
        (["--case", "harbour-set", "--logbook", "b.sqlite"], "--logbook is told by --case harbour-set already."),
        (["--case", "harbour-set", "--front-teeth", "17"], "is of a sprocket of 16 teeth (--case harbour-set)"),
        (["--front", "good", "--paper", "a3"], "--paper"),
        (["KC-99"], "no logbook"),
    ],
)
def test_advise_bad_words(run, tmp_path, words, says):
    status, out, err = run("advise", *words)
    assert status == 2
    assert says in err
    assert out == ""
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "words", [["--front", "none.json"], ["--front", "good", "--order-sheet", "o.md", "--front-part", "none.json"]]
)
def test_advise_files_that_are_not_there(run, tmp_path, words):
    status, out, err = run("advise", *words)
    assert (status, out) == (4, "")
    assert "none.json does not exist. Check the name." in err
    assert not list(tmp_path.iterdir())


def test_a_length_that_no_such_chain_has_is_not_recorded(run, garage):
    words = ["logbook", "chain-length", "KC-07", 305, "--pitches", 20, "--at", "900km", "--logbook", garage]
    status, _, err = run(*words)
    assert status == 2
    assert "It looks as if 20 rollers" in err
    assert "Not recorded." in err
    words[3] = 318.5
    assert run(*words)[0] == 0


def test_a_length_that_no_such_chain_has_is_not_corrected_to(run, garage):
    where = ("--logbook", garage)
    made = run("logbook", "chain-length", "KC-07", "318.4", "--pitches", "20", "--at", "120km", *where)[1]
    number = re.match(r"Entry (\d+)", made)[1]
    for change in (("--length", "305.0"), ("--pitches", "19")):
        status, _, err = run("logbook", "correct", number, *change, "--reason", "misread", *where)
        assert status != 0
        assert "Not recorded" in err
    assert run("logbook", "correct", number, "--length", "318.9", "--reason", "misread", *where)[0] == 0


@pytest.fixture
def two_chains(run, tmp_path):
    """A logbook in which the chain was changed on 10 May for one of another size."""
    book = ("--logbook", tmp_path / "two.sqlite")
    chain = ("logbook", "add-part", "KC-07", "chain", "--chain")
    for words in (
        ("logbook", "add-machine", "KC-07", "--at", "1000km", "--on", "2026-01-10"),
        (*chain, "520", "--at", "1000km", "--on", "2026-01-10"),
        (*chain, "525", "--at", "8000km", "--on", "2026-05-10", "--replace"),
    ):
        assert run(*words, *book)[0] == 0
    return book


def lengths(run, book):
    entries = json.loads(run("logbook", "show", "KC-07", "--json", "-", *book)[1])["entries"]
    return [(e["on_date"], e["part"]) for e in entries if e["kind"] == "chain-length"]


def test_a_length_of_another_day_is_of_the_chain_of_that_day(run, two_chains):
    words = ("logbook", "chain-length", "KC-07", 318.5, "--pitches", 20, *two_chains)
    assert run(*words, "--at", "7000km", "--on", "2026-04-10")[0] == 0
    assert run(*words, "--at", "8500km", "--on", "2026-06-10")[0] == 0
    assert run(*words, "--at", "8000km", "--on", "2026-05-10")[0] == 0
    assert run(*words, "--at", "7100km", "--on", "2026-04-11", "--part", "KC-07 chain 1")[0] == 0
    assert lengths(run, two_chains) == [
        ("2026-04-10", "KC-07 chain 1"), ("2026-06-10", "KC-07 chain 2"), ("2026-05-10", "KC-07 chain 2"),
        ("2026-04-11", "KC-07 chain 1"),
    ]  # fmt: skip
    status, _, err = run(*words, "--at", "7200km", "--on", "2026-04-12", "--part", "KC-07 chain 2")
    assert status == 2
    assert "KC-07 chain 2 was not fitted" in err
    assert "not in the logbook" in run(*words, "--at", "9000km", "--part", "KC-07 chain 3")[2]
    run("logbook", "add-part", "KC-07", "front", "--at", "9000km", *two_chains)
    assert "KC-07 front 1 is no chain" in run(*words, "--at", "9000km", "--part", "KC-07 front 1")[2]


def test_stretch_records_a_measurement_of_another_day(run, two_chains):
    words = ("stretch", 318.5, 318.6, 318.4, "--chain", "520", "--pitches", 20, "--log", "KC-07", *two_chains)
    status, _, err = run(*words, "--at", "9000km")
    assert status == 2
    assert "KC-07 has 525" in err
    limit = ("--limit", LIMIT)
    assert run(*words, *limit, "--at", "7000km", "--on", "2026-04-10")[0] == 0
    assert lengths(run, two_chains) == [("2026-04-10", "KC-07 chain 1")]
    assert "2026-04-10  7 000 km  note" in run("logbook", "show", "KC-07", *two_chains)[1]
    assert "--on 2026-02-30 is no day" in run(*words, "--at", "7000km", "--on", "2026-02-30")[2]


def test_stretch_records_behind_a_replaced_odometer_with_its_reason(run, garage):
    words = ["stretch", 318.5, 318.6, 318.4, "--chain", "520", "--pitches", 20, "--log", "KC-07", "--logbook", garage]
    assert run(*words, "--at", "300km")[0] == 0
    assert run(*words, "--at", "20km")[0] == 2
    status, out, _ = run(*words, "--at", "20km", "--reason", "odometer replaced")
    assert status == 0
    assert re.search(r"Entry \d+: odometer of KC-07 replaced at 300 km, shows 20 km\.\n", out)
    assert re.search(r"Entry \d+: 318\.6 mm over 20 pitches of KC-07 chain 1\.\n", out)


def test_a_plan_for_programs_names_the_machine_and_what_it_was_made_from(run):
    run("logbook", "demo", "--out", "b.sqlite", "--machines", "1", "--years", "1")
    plan = json.loads(run("advise", "KC-01", "--logbook", "b.sqlite", "--front", "good", "--json", "-")[1])
    assert plan["machine"] == "KC-01"
    listed = json.loads(run("logbook", "list", "--logbook", "b.sqlite", "--json", "-")[1])["machines"][0]
    made = plan["made_of"]
    assert (made["front"]["grade"], made["front"]["on"]) == ("good", None)  # typed today
    assert made["rear"]["grade"] == listed["rear"]["reading"]["grade"]
    assert {p: made[p]["part"] for p in ("front", "rear", "chain")} == {
        p: listed[p]["part"] for p in ("front", "rear", "chain")
    }
    assert made["chain"]["elongation_percent"] == listed["chain"]["elongation_percent"]
    nameless = json.loads(run("advise", "--front", "good", "--json", "-")[1])
    assert (nameless["machine"], nameless["made_of"]["rear"]) == (None, None)


# --- how results read ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("columns", [80, 57, 44])
@pytest.mark.parametrize(
    "words",
    [
        ["advise", "--case", "harbour-set"],
        ["stretch", "--case", "harbour-school-7"],
        ["stretch", "319.0:joint", "--chain", "520", "--pitches", "20", "--rear-teeth", "44"],
    ],
    ids=lambda words: " ".join(words[:3]),
)
def test_lines_end_where_nothing_is_torn(run, monkeypatch, words, columns):
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = run(*words)[1].splitlines()
    assert max(map(len, lines)) <= columns
    assert [line for line in lines if line.endswith((" ", "±"))] == []
    torn = [f"{a}|{b}" for a, b in pairwise(lines) if re.match(r" *(%|°|mm|km|±)(?!\w)", b)]
    torn += [f"{a}|{b}" for a, b in pairwise(lines) if re.search(r"\d$", a) and re.match(r" *\d{3}\b", b)]
    assert torn == []
    if words[0] == "advise":  # under a heading everything is set in
        listed = lines[lines.index("Why") :]
        assert {line for line in listed if not line.startswith(("  · ", "    "))} == {
            "Why", "Measure next", "Good to know", "Cautions",
        }  # fmt: skip


def test_the_place_that_decides_has_one_number(run):
    _, out, _ = run("stretch", "--case", "harbour-school-7")
    told = json.loads(run("stretch", "--case", "harbour-school-7", "--json", "-")[1])
    assert f"place {told['worst_place']} decides" in out
    assert told["places_percent"][told["worst_place"] - 1] == max(told["places_percent"])


# --- where results go ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["stretch", "--photo", "p.jpg", "--chain", "520", "--picture", "p.jpg"], "is the photo itself"),
        (["stretch", "--photo", "p.jpg", "--chain", "520", "--json", "p.jpg"], "is the photo itself"),
        (["stretch", "--photo", "p.jpg", "--chain", "520", "--picture", "x.gif"], ".png, .jpg or .jpeg"),
        (["stretch", "--photo", "p.jpg", "--chain", "520", "--picture", "x.png", "--json", "x.png"],
         "--picture writes"),
        (["stretch", "319", "--chain", "520", "--pitches", "20", "--json", "b.sqlite", "--logbook", "b.sqlite"],
         "is the logbook"),
        (["match", "p.jpg", "q.json", "--json", "p.jpg"], "is the old part"),
        (["match", "p.jpg", "q.json", "--json", "./q.json"], "is the new part"),
        (["advise", "--front", "good", "--order-sheet", "s.md", "--checklist", "s.md"], "--order-sheet writes"),
        (["advise", "--front", "q.json", "--json", "q.json"], "is the front sprocket's inspection"),
        (["advise", "--rear", "good", "--rear-part", "q.json", "--json", "q.json"], "is the rear part's values"),
        (["form", "--chain", "520", "--teeth", "15", "--svg", "w.svg", "--json", "w.svg"], "--svg writes"),
        (["form", "--chain", "520", "--teeth", "15", "--svg", "w.svg", "--dxf", "w.dxf", "--json", "w.dxf"],
         "--dxf writes"),
        (["form", "--chain", "520", "--teeth", "15", "--svg", "w.pdf"], "--svg must end in .svg"),
        (["form", "--chain", "520", "--teeth", "15", "--dxf", "w.svg"], "--dxf must end in .dxf"),
    ],
)  # fmt: skip
def test_no_result_takes_the_place_of_what_is_read_or_of_another(run, tmp_path, words, says):
    for name in ("p.jpg", "q.json", "b.sqlite"):
        (tmp_path / name).write_bytes(b"{}")
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert says in err
    assert len(err.strip().splitlines()) == 1
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == dict.fromkeys(("p.jpg", "q.json", "b.sqlite"), b"{}")


def test_a_link_to_what_is_read_is_seen_through(run, tmp_path):
    (tmp_path / "q.json").write_text("{}")
    (tmp_path / "other.json").hardlink_to(tmp_path / "q.json")
    assert "is the old part" in run("match", "q.json", "p.jpg", "--json", "other.json")[2]


WRITERS = {
    "form": (["form", "--chain", "520", "--teeth", "15"], {"--svg": "w.svg", "--dxf": "w.dxf", "--json": "w.json"}),
    "card": (["card", "pocket"], {"-o": "c.pdf"}),
    "card as a picture": (["card", "pocket"], {"-o": "c.png"}),
    "lesson": (["lesson"], {"-o": "l.html"}),
    "papers": (["advise", "--front", "good"], {"--order-sheet": "o.md", "--checklist": "c.pdf", "--json": "p.json"}),
    "stretch": (["stretch", "--case", "harbour-school-7"], {"--json": "s.json"}),
    "trend": (["trend", "KC-01", "front"], {"--chart": "t.svg", "--json": "t.json"}),
    "trend as a picture": (["trend", "KC-01", "front"], {"--chart": "t.png"}),
    "due": (["due"], {"--json": "d.json"}),
    "match": (["match", "--case", "kestrel-front"], {"--json": "m.json"}),
    "entries": (["logbook", "show", "KC-01"], {"--json": "e.json"}),
    "machines": (["logbook", "list"], {"--json": "m.json"}),
    "parts": (["logbook", "list", "--parts"], {"--json": "p.json"}),
    "export": (["logbook", "export"], {"": "x.csv"}),
    "export as JSON": (["logbook", "export"], {"": "x.json"}),
    "report": (["report", "KC-01"], {"-o": "r.htm"}),
    "report as PDF": (["report", "KC-01"], {"-o": "r.pdf"}),
}


@pytest.mark.parametrize("what", WRITERS)
def test_a_result_takes_the_place_of_an_earlier_one_and_of_nothing_else(run, tmp_path, monkeypatch, what):
    words, targets = WRITERS[what]
    if {"KC-01", "due", "logbook"} & {*words}:
        run("logbook", "demo", "--out", "b.sqlite", "--machines", "1", "--years", "0.5")
        monkeypatch.setenv("TOOTHCHECK_LOGBOOK", "b.sqlite")
    words = [*words, *(word for pair in targets.items() for word in pair if word)]
    first = run(*words)[0]
    assert first in (0, 3)
    written = {name: (tmp_path / name).read_bytes() for name in targets.values()}
    assert run(*words)[0] == first  # the same command once more
    for name, content in written.items():
        # another program's, with our name somewhere in it
        (tmp_path / name).write_bytes(b"mine, beside toothcheck")
        status, out, err = run(*words)
        assert (status, out) == (2, "")
        assert f"{name} is there already, and does not look like anything that toothcheck wrote. Give ano" in err
        assert len(err.splitlines()) == 1
        assert (tmp_path / name).read_bytes() == b"mine, beside toothcheck"
        (tmp_path / name).write_bytes(b"")  # nothing is lost with an empty file
        assert run(*words)[0] == first
        assert len((tmp_path / name).read_bytes()) > len(content) / 2


@pytest.mark.parametrize("what", [what for what, (_, targets) in WRITERS.items() if str(targets).count(".json")])
def test_json_takes_the_place_of_none_of_another_kind(run, tmp_path, monkeypatch, what):
    words, targets = WRITERS[what]
    run("logbook", "demo", "--out", "b.sqlite", "--machines", "1", "--years", "0.5")
    monkeypatch.setenv("TOOTHCHECK_LOGBOOK", "b.sqlite")
    option, name = next((option, name) for option, name in targets.items() if name.endswith(".json"))
    there = tmp_path / name
    there.write_text('{\n "schema": "toothcheck/inspection/1",\n "photo": null\n}\n')
    before = there.read_bytes()
    status, out, err = run(*words, *filter(None, (option, name)))
    assert (status, out) == (2, "")
    assert f"{name} is there already, and holds something else that toothcheck wrote (inspection). Give ano" in err
    assert there.read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [
        ["inspect", "p.jpg", "--chain", "520", "--teeth", "15", "--position", "front"],
        ["compare", "p.jpg", "q.jpg", "--chain", "520", "--teeth", "15", "--position", "front"],
        ["exercise", "collect", "r.json"],
    ],
    ids=lambda words: words[0],
)
def test_nothing_is_measured_for_a_name_that_an_export_has(run, tmp_path, words):
    for name in ("p.jpg", "q.jpg", "r.json"):
        (tmp_path / name).touch()
    (tmp_path / "x.json").write_text('{"schema": "toothcheck/logbook/1", "entries": []}\n')
    status, out, err = run(*words, "--json", "x.json")
    assert (status, out) == (2, "")
    assert "x.json is there already, and holds something else that toothcheck wrote (logbook)." in err


@pytest.mark.parametrize("name", ["other.jpg", "other.png"])
def test_a_photo_is_not_taken_for_a_picture_that_was_drawn(tmp_path, name):
    from toothcheck.overlay.style import canvas, with_photo
    from toothcheck.synthetic import encode

    target, option = tmp_path / name, {"--picture": tmp_path / name}
    target.write_bytes(encode(np.full((40, 60, 3), 90, np.uint8), name[-3:], focal_35mm=28.0))
    with pytest.raises(OutputError, match="is there already"):
        check_targets(read={}, written=option)
    target.write_bytes(with_photo(canvas(60, 40), "png" if name.endswith("png") else "jpeg"))
    check_targets(read={}, written=option)


def test_json_goes_to_a_name_that_says_so(run, tmp_path):
    (tmp_path / "p.jpg").write_bytes(b"a photo")
    for name in ("p.jpg", "new.jpg", "new"):
        status, out, err = run("stretch", "--case", "harbour-school-7", "--json", name)
        assert (status, out, err) == (2, "", f"toothcheck: --json must end in .json, not {name}.\n")
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("p.jpg", b"a photo")]


def test_the_demo_takes_the_place_of_its_own_results_only(run, tmp_path, monkeypatch):
    monkeypatch.setattr("toothcheck.inspection.inspect", lambda *_: pytest.fail("measured for nothing"))
    (tmp_path / "toothcheck-demo").mkdir()
    for name in ("photo.jpg", "result.json"):
        mine = tmp_path / "toothcheck-demo" / name
        mine.write_bytes(b"mine")
        assert re.search(rf"The \w+ .*{name} is there already", run("demo")[2])
        assert mine.read_bytes() == b"mine"
        mine.unlink()


def test_every_command_has_help_with_an_example():
    from typer.testing import CliRunner

    for name in ("stretch", "match", "advise"):
        shown = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "200"})
        assert shown.exit_code == 0
        assert f"toothcheck {name}" in shown.output.split("Options")[-1]
