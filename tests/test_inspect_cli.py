"""``toothcheck inspect`` and ``demo``: what they say, leave behind and refuse."""

import io
import json
import math
import os
import re
import shlex
import shutil
import time
from importlib import resources
from pathlib import Path
from types import SimpleNamespace

import pytest
from PIL import Image
from rich.console import Console
from test_cli_basics import COLOUR, SCRIPT, on_a_terminal
from test_cli_basics import run as launched
from test_overlay import made

from toothcheck import inspection
from toothcheck.chains import CHAINS, chain
from toothcheck.cli.answer import _bar, _numbers, answer, ranges, teeth_in_words
from toothcheck.cli.output import check_writable, write_whole
from toothcheck.errors import OutputError, UsageError
from toothcheck.estimate import Estimate
from toothcheck.flags import FLAGS
from toothcheck.grade import CAUTIONS, GRADES
from toothcheck.photo import load

DEMO = resources.files("toothcheck") / "demo" / "kestrel-front-hooked.jpg"
SAID = [
    "--chain",
    "428",
    "--teeth",
    "14",
    "--position",
    "front",
    "--turning",
    "counterclockwise",
    "--card-height",
    "2.03",
]
PART = ["--chain", "520", "--teeth", "15", "--position", "front"]
BLANK_CLAIM = inspection.Claim(chain=chain("520"), teeth=15, position="front", turning=None)


@pytest.fixture(scope="module")
def hooked(tmp_path_factory):
    """The bundled photo inspected once, with everything that can be asked for."""
    folder = tmp_path_factory.mktemp("hooked")
    shutil.copy(str(DEMO), folder / "photo.jpg")
    names = {"picture": "seen.jpg", "teeth-chart": "teeth.svg", "json": "result.json"}
    options = [word for option, name in names.items() for word in (f"--{option}", str(folder / name))]
    done = launched(SCRIPT, "inspect", str(folder / "photo.jpg"), *SAID, *options)
    return done, folder


@pytest.fixture(scope="module")
def blank(tmp_path_factory):
    """A photo of nothing."""
    path = tmp_path_factory.mktemp("blank") / "blank.png"
    Image.new("RGB", (500, 400), (100, 100, 100)).save(path)
    return path


@pytest.fixture(scope="module")
def found_blank(blank):
    """What looking all over it comes to: nothing."""
    return inspection.inspect(load(blank), BLANK_CLAIM)


@pytest.fixture
def seen_blank(found_blank, monkeypatch):
    """The photo of nothing, looked at once for all: for tests of what is done with the outcome."""

    def known(photo, claim):
        assert (photo.sha256, claim) == (found_blank.photo.sha256, found_blank.claim)
        return found_blank

    monkeypatch.setattr(inspection, "inspect", known)


# --- the answer ------------------------------------------------------------------------------------------------------
def test_the_answer_holds_what_a_mechanic_needs_in_eighty_columns(hooked):
    done, _ = hooked
    assert (done.returncode, done.stderr) == (0, "")
    text = done.stdout
    assert text.splitlines()[0].startswith(" REPLACE-NOW   confidence ")  # the sample's true grade
    for words in ("asymmetry", "hook overhang", "drive flank loss", "most worn: tooth"):
        assert words in text
    for heading in ("Why", "Next", "Mind"):
        assert f"\n{heading}\n" in text
    folded = re.sub(r"\s+", " ", text)
    assert all(caution in folded for caution in CAUTIONS)
    before = text[: text.index("Wrote ")]
    assert max(map(len, before.splitlines())) <= 80
    assert all(line == line.rstrip() for line in before.splitlines()[1:])
    assert "\x1b" not in text


@pytest.mark.parametrize("columns", [80, 60, 40])
def test_no_number_is_torn_from_its_unit_however_narrow_the_terminal_is(columns):
    loss = Estimate(value=0.814, std=0.07)
    wear = SimpleNamespace(
        asymmetry_percent=Estimate(value=17.94, std=1.8), overhang_mm=Estimate(value=0.42, std=0.12),
        drive_loss_mm=loss, worst_tooth=0, teeth=[SimpleNamespace(drive_loss_mm=loss, measured=True)] * 15,
    )  # fmt: skip
    out = Console(file=io.StringIO(), width=columns)
    _numbers(out, wear)
    lines = out.file.getvalue().splitlines()
    assert max(map(len, lines)) <= columns
    text = "\n".join(lines)
    for whole in ("17.9 ± 1.8 %", "replace-set 10 %", "replace-now 25 %", "0.42 ± 0.12 mm", "replace-now 0.3 mm"):
        assert whole in text, whole
    assert text.count("0.81 ± 0.07 mm") == 2


def test_a_tooth_unlike_all_others_is_to_be_wiped_and_looked_at(run):
    # a new part: it may turn either way
    photo = Path(__file__).parents[1] / "sample_images_synthetic" / "harbour-rear-new.jpg"
    told = ("--chain", "520", "--teeth", 42, "--position", "rear", "--turning", "clockwise")
    status, out, _ = run("inspect", photo, *told)
    assert status == 0
    assert out.startswith(" GOOD")
    worst = re.search(r"most worn: tooth (\d+)", out)[1]
    assert f"Wipe tooth {worst} and look at it: it stands apart from all others" in re.sub(r"\s+", " ", out)


def test_everything_asked_for_is_written_and_nothing_else(hooked):
    done, folder = hooked
    assert {p.name for p in folder.iterdir()} == {"photo.jpg", "seen.jpg", "teeth.svg", "result.json"}
    with Image.open(folder / "seen.jpg") as image:
        assert (image.format, image.size) == ("JPEG", (1920, 1280))
    assert (folder / "teeth.svg").read_bytes().startswith(b"<?xml")
    assert re.findall(r"Wrote .*/(\S+)", done.stdout) == ["seen.jpg", "teeth.svg", "result.json"]


def test_cannot_tell_says_first_what_to_change(blank, run):
    status, out, err = run("inspect", blank, *PART)
    assert (status, err) == (3, "")
    assert out.startswith(" CANNOT-TELL")
    assert "confidence" not in out
    order = [out.index(words) for words in ("For the next photo", "\nWhy", "\nMind")]
    assert order == sorted(order)
    assert FLAGS["no-card"].remedy[:40] in re.sub(r"\s+", " ", out)


@pytest.mark.usefixtures("seen_blank")
def test_cannot_tell_still_gives_json_and_picture_but_no_chart(blank, tmp_path, run):
    words = ["--json", "-", "--picture", tmp_path / "a.png", "--teeth-chart", tmp_path / "b.png"]
    status, out, err = run("inspect", blank, *PART, *words)
    assert status == 3
    assert json.loads(out)["verdict"]["grade"] == "cannot-tell"
    assert "b.png is not written: no tooth was measured." in err
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]


def test_colour_on_a_terminal_and_none_where_no_color_is_set(blank):
    words = ["inspect", str(blank), *PART]
    assert COLOUR.search(on_a_terminal(*words))
    plain = on_a_terminal(*words, NO_COLOR="1")
    assert "CANNOT-TELL" in plain
    assert not COLOUR.search(plain)


def test_a_terminal_that_knows_no_greek_gets_its_answer_too(blank):
    done = launched(SCRIPT, "inspect", str(blank), *PART, PYTHONIOENCODING="ascii")
    assert (done.returncode, done.stderr) == (3, "")
    assert "CANNOT-TELL" in done.stdout


def test_progress_on_a_terminal_leaves_the_json_whole():
    seen = on_a_terminal("inspect", str(DEMO), *SAID, "--json", "-")
    plain = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|\r", "", seen)
    assert json.loads(plain[plain.index("{\n") :])["verdict"]["grade"] == "replace-now"


@pytest.mark.parametrize("terminal", [True, False])
def test_progress_is_shown_on_a_terminal_only(terminal, monkeypatch):
    from toothcheck.cli import output

    seen = io.StringIO()
    out = Console(file=seen, force_terminal=terminal, width=80, _environ={"TERM": "xterm"})
    monkeypatch.setattr(output, "console", lambda stderr: out)
    monkeypatch.setattr(output, "SHOWN_AFTER_S", 0.0)

    def comes(words):
        """Whether the words are shown: they are drawn by another thread, however slow the machine is."""
        end = time.monotonic() + 60.0
        while words not in seen.getvalue() and time.monotonic() < end:
            time.sleep(0.01)
        return words in seen.getvalue()

    with output.busy("Reading the photo") as tell:
        if terminal:
            assert comes("Reading the photo")
        tell("Finding the teeth")
        if terminal:
            assert comes("Finding the teeth")
    assert (seen.getvalue() == "") is not terminal


def test_confidence_bar_is_full_only_where_there_is_no_doubt():
    out = Console(file=io.StringIO())
    assert [_bar(share, out).count("-") + _bar(share, out).count("░") for share in (0.5, 0.98, 1.0)] == [10, 1, 0]


@pytest.mark.parametrize(
    ("numbers", "words"), [([], ""), ([3], "3"), ([0, 1, 2, 5, 7, 8], "0-2, 5, 7-8"), ([4, 6], "4, 6")]
)
def test_ranges(numbers, words):
    assert ranges(numbers) == words


def test_answer_names_the_teeth_that_are_left_out():
    found = made()
    row = f"4: {FLAGS['covered'].sentence} {FLAGS['covered'].remedy}"
    assert teeth_in_words(found.wear) == [row]
    paper = io.StringIO()
    answer(found, Console(file=paper, width=200))
    assert row in re.sub(r"\s+", " ", paper.getvalue())
    assert "Medians of 14 of 15 teeth" in paper.getvalue()


# --- JSON: measures.md, section 6 ------------------------------------------------------------------------------------
NUMBER = (int, float)
MEASURES = (
    "drive_loss_mm", "coast_loss_mm", "thickness_mm", "asymmetry_percent", "tip_thickness_mm", "tip_thinning_percent",
    "overhang_mm", "hollow_mm", "greatest_loss_mm",
)  # fmt: skip


def no_nan(word):
    raise AssertionError(f"{word} in JSON")


def check_estimate(e):
    assert set(e) == {"value", "std"}
    assert all(isinstance(v, NUMBER) and math.isfinite(v) for v in e.values())
    assert e["std"] >= 0
    if 0 < e["std"]:  # no digit finer than the second of the uncertainty (JCGM 100:2008, 7.2.6)
        place = 1 - math.floor(math.log10(e["std"]))
        assert e["value"] == pytest.approx(round(e["value"], place), abs=1e-9)


def check_document(d):
    """Every key of the contract, of the right type; unknown is null."""
    # "found" is ours: what the photo itself supports of count and chain; everything else is the contract
    keys = [key for key in d if key != "found"]
    assert keys == ["schema", "photo", "sprocket", "scale", "teeth", "wear", "verdict", "flags"]
    assert d["schema"] == "toothcheck/inspection/1"
    photo, sprocket, scale, verdict = d["photo"], d["sprocket"], d["scale"], d["verdict"]
    assert set(photo) >= {"name", "sha256", "width_px", "height_px"}
    assert re.fullmatch("[0-9a-f]{64}", photo["sha256"])
    assert set(sprocket) >= {
        "chain", "pitch_mm", "roller_diameter_mm", "teeth", "position", "drive_flank", "gap_form",
    }  # fmt: skip
    assert sprocket["chain"] in CHAINS
    assert sprocket["position"] in {"front", "rear"}
    assert sprocket["drive_flank"] in {"clockwise", "counterclockwise", None}
    assert set(scale) >= {"source", "card", "markers", "px_per_mm", "tilt_deg", "card_to_pitch_percent"}
    assert scale["source"] in {"card", "pitch", None}
    if scale["source"] is None:  # then nothing on that scale was measured, and a flag says why
        assert scale["card"] is scale["px_per_mm"] is scale["tilt_deg"] is None
        assert d["flags"]
    assert (scale["source"] == "card") == (scale["card"] is not None)
    for e in (sprocket["gap_form"], scale["card_to_pitch_percent"]):
        if e is not None:
            check_estimate(e)
    for tooth in d["teeth"]:
        assert set(tooth) >= {"index", "measured", "flags", "tip_px", *MEASURES}
        assert isinstance(tooth["measured"], bool)
        assert set(tooth["flags"]) <= set(FLAGS)
        assert len(tooth["tip_px"]) == 2
        for name in MEASURES:
            if tooth[name] is not None:
                check_estimate(tooth[name])
        if not tooth["measured"]:
            assert tooth["flags"]
            assert all(tooth[name] is None for name in MEASURES)
        else:
            assert tooth["drive_loss_mm"] is not None
    assert [t["index"] for t in d["teeth"]] == list(range(len(d["teeth"])))
    if d["wear"] is not None:
        assert set(d["wear"]) >= {
            "measured_teeth", "asymmetry_percent", "worst_tooth", "tip_thinning_percent", "overhang_mm", "pattern",
        }  # fmt: skip
        assert d["wear"]["measured_teeth"] == sum(t["measured"] for t in d["teeth"])
    assert verdict["grade"] in {*GRADES, "cannot-tell"}
    assert 0 <= verdict["confidence"] <= 1
    assert verdict["renew_anyway"] in {None, "next-opportunity", "before-next-ride"}
    for name in ("reasons", "next_steps", "cautions"):
        assert all(isinstance(row, str) and row for row in verdict[name])
    assert verdict["cautions"]
    assert set(d["flags"]) <= set(FLAGS)


def test_json_is_as_the_contract_says(hooked):
    _, folder = hooked
    d = json.loads((folder / "result.json").read_text("ascii"), parse_constant=no_nan)
    check_document(d)
    assert len(d["teeth"]) == d["sprocket"]["teeth"] == 14
    assert d["verdict"]["grade"] == "replace-now"
    assert d["wear"]["worst_tooth"] in range(14)
    assert (d["photo"]["width_px"], d["photo"]["height_px"]) == (2016, 1512)


def test_the_readme_tells_of_each_field_of_the_json(hooked, run):
    _, folder = hooked
    readme = (Path(__file__).parents[1] / "README.md").read_text("utf-8")
    section = readme[readme.index("### For programs") :].split("\n## ")[0]
    rows = dict(re.findall(r"^\| `(\w+)` \| (.*) \|$", section.split("| field |")[1], re.M))
    document = json.loads((folder / "result.json").read_text())
    words = ["inspect", folder / "photo.jpg", *SAID, "--baseline", folder / "result.json", "--json", "-"]
    document |= {"baseline": json.loads(run(*words)[1])["baseline"]}
    assert set(rows) == set(document)

    def names(value):
        if isinstance(value, list):
            return {name for one in value for name in names(one)}
        return set(value).union(*map(names, value.values())) if isinstance(value, dict) else set()

    said_before = {"value", "std", "probability", "chain", "clockwise", "counterclockwise"}
    for field, value in document.items():
        assert {name for name in names(value) - said_before if f"`{name}`" not in rows[field]} == set()


@pytest.mark.usefixtures("seen_blank")
def test_json_of_a_refusal_is_as_the_contract_says(blank, run):
    status, out, err = run("inspect", blank, *PART, "--json", "-")
    assert (status, err) == (3, "")
    d = json.loads(out, parse_constant=no_nan)
    check_document(d)
    assert d["scale"]["source"] is None  # neither a card nor a sprocket is there to take it from
    assert (d["wear"], d["teeth"]) == (None, [])
    assert d["flags"]


def test_json_stands_alone_on_stdout_and_is_what_goes_into_a_file(hooked):
    _, folder = hooked
    done = launched(SCRIPT, "inspect", str(folder / "photo.jpg"), *SAID, "--json", "-")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout) == json.loads((folder / "result.json").read_text())


# --- what is refused -------------------------------------------------------------------------------------------------
@pytest.fixture
def unmeasured(monkeypatch):
    """Measuring is a mistake here: words and files are to be refused before it."""

    def never(*_args, **_more):
        raise AssertionError("measured all the same")

    monkeypatch.setattr(inspection, "inspect", never)


def refused(run, words, status, *, about):
    """One clear line on stderr that names what is wrong, nothing on stdout, the right status."""
    code, out, err = run(*words)
    assert (code, out) == (status, "")
    assert re.fullmatch(r"toothcheck: [^\n]+\n", err)
    assert about in err
    assert "Traceback" not in err


WRONG = [
    (["--chain", "520", "--teeth", "0"], "--teeth must be a whole number from 7 to 150"),
    (["--chain", "520", "--teeth", "400"], "--teeth must be a whole number from 7 to 150"),
    (["--chain", "520", "--teeth", "fifteen"], "'fifteen'"),
    (["--chain", "520", "--teeth", "15.5"], "'15.5'"),
    (["--chain", "521", "--teeth", "15"], "--chain must be a size known here, not '521'"),
    (["--chain", "", "--teeth", "15"], "--chain must be"),
    ([*PART[:4], "--thickness", "-3"], "--thickness must lie between 1 and 6.67 mm"),
    ([*PART[:4], "--thickness", "0"], "--thickness"),
    ([*PART[:4], "--thickness", "60"], "the width between the inner plates of a 520 chain"),
    ([*PART[:4], "--thickness", "nan"], "not nan"),
    ([*PART[:4], "--card-height", "1000"], "--card-height must lie between -100 and 100 mm"),
    ([*PART[:4], "--card-height", "inf"], "--card-height"),
    ([*PART[:4], "--near", "12"], "--near must be two pixel numbers"),
    ([*PART[:4], "--near", "a,b"], "--near must be two pixel numbers"),
    ([*PART[:4], "--near", "-4,8"], "--near must be two pixel numbers"),
    ([*PART[:4], "--near", "5000,8"], "--near 5000,8 lies outside the photo"),
    ([*PART[:4], "--picture", "seen.gif"], "--picture must end in .png"),
    ([*PART[:4], "--teeth-chart", "teeth"], "--teeth-chart must end in .png or .svg"),
    ([*PART[:4], "--picture", "a.png", "--teeth-chart", "a.png"], "is what --picture writes"),
    ([*PART[:4], "--json", "photo.jpg"], "is the photo itself"),
    ([*PART[:4], "--baseline", "new.png", "--picture", "new.png"], "is the baseline"),
    ([*PART[:4], "--baseline", "new.json", "--json", "new.json"], "is the baseline"),
    ([*PART[:4], "--baseline", "photo.jpg"], "is the photo itself"),
    ([*PART[:4], "--baseline-card-height", "3"], "--baseline-card-height is for --baseline"),
    ([*PART[:4], "--baseline", "new.json", "--baseline-card-height", "3"], "new.json is a reading"),
    ([*PART[:4], "--baseline", "new.png", "--baseline-card-height", "nan"], "--baseline-card-height must lie between"),
    ([*PART[:4], "--json", "book.sqlite", "--logbook", "book.sqlite"], "is the logbook"),
    ([*PART[:4], "--log", "KC-07"], "--log needs --at"),
    ([*PART[:4], "--at", "200km"], "--at is for --log"),
    ([*PART[:4], "--operator", "A."], "--operator is for --log"),
    ([*PART[:4], "--reason", "new odometer"], "--reason is for --log"),
    ([*PART[:4], "--on", "2026-03-01"], "--on is for --log"),
    ([*PART[:4], "--part", "KC-07 front 1"], "--part is for --log"),
    ([*PART[:4], "--text", "wet"], "--text is for --log"),
    ([*PART[:4], "--log", "KC-07", "--at", "200km", "--on", "2026-02-30"], "--on 2026-02-30 is no day"),
    ([*PART[:4], "--again", "better words"], "--again is for --log"),
    ([*PART[:4], "--keep-photo"], "--keep-photo is for --log"),
    (
        [*PART[:4], "--log", "KC-07", "--at", "24.600km"],
        "--at must be read in one way only, not '24.600km': write 24600km or 24.6km.",
    ),
    ([*PART[:4], "--log", "KC-07", "--at", "far"], "far"),
]


@pytest.mark.usefixtures("unmeasured")
@pytest.mark.parametrize(("words", "about"), WRONG, ids=[" ".join(w[-2:]) for w, _ in WRONG])
def test_wrong_words_end_in_one_line(words, about, tmp_path, monkeypatch, run):
    shutil.copy(str(DEMO), tmp_path / "photo.jpg")
    monkeypatch.chdir(tmp_path)
    refused(run, ["inspect", "photo.jpg", "--position", "front", *words], 2, about=about)
    assert [p.name for p in tmp_path.iterdir()] == ["photo.jpg"]


@pytest.mark.usefixtures("unmeasured")
@pytest.mark.parametrize("words", [["--position", "side"], ["--turning", "left"], ["--thickness", "thick"], []])
def test_words_that_are_no_choice_name_the_option(words, run):
    given = words if "--position" in words else ["--position", "front", *words] if words else []
    code, out, err = run("inspect", str(DEMO), "--chain", "520", "--teeth", "15", *given)
    assert (code, out) == (2, "")
    assert (words or ["--position"])[0] in err
    assert "Traceback" not in err


def cut_off(path):
    path.write_bytes(DEMO.read_bytes()[:150_000])


def one_pixel(path):
    Image.new("RGB", (1, 1)).save(path, "JPEG")


UNREADABLE = {
    "no file": (lambda path: None, "does not exist"),
    "a folder": (lambda path: path.mkdir(), "is a folder"),
    "an empty file": (lambda path: path.touch(), "is empty"),
    "text": (lambda path: path.write_text("Dear mechanic,\n"), "no known picture format"),
    "a cut-off JPEG": (cut_off, "damaged or cut off"),
    "one pixel": (one_pixel, "too small"),
}


@pytest.mark.usefixtures("unmeasured")
@pytest.mark.parametrize("what", UNREADABLE)
def test_photos_that_cannot_be_read_end_in_one_line_and_leave_nothing(what, tmp_path, run):
    prepare, about = UNREADABLE[what]
    photo = tmp_path / "photo.jpg"
    prepare(photo)
    results = tmp_path / "results"
    results.mkdir()
    words = ["--picture", results / "a.png", "--teeth-chart", results / "b.svg", "--json", results / "c.json"]
    refused(run, ["inspect", photo, *PART, *words], 4, about=about)
    assert [*results.iterdir()] == []


@pytest.mark.usefixtures("unmeasured")
@pytest.mark.parametrize(
    "words",
    [
        ["inspect", "photo.jpg", *PART],
        ["compare", "photo.jpg", "later.jpg", *PART],
        ["match", "photo.jpg", "later.jpg"],
        ["stretch", "--photo", "photo.jpg", "--chain", "520"],
        ["report", "photo.jpg", *PART, "-o", "a.html"],
    ],
    ids=lambda words: words[0],
)
def test_a_photo_without_the_right_to_read_it_is_the_photo_s_fault(words, tmp_path, monkeypatch, run):
    monkeypatch.chdir(tmp_path)
    Path("photo.jpg").write_bytes(DEMO.read_bytes())

    read_bytes = Path.read_bytes

    def locked(self):
        if self.name == "photo.jpg":
            raise PermissionError(13, "Permission denied")
        return read_bytes(self)

    # as the system answers anybody but root, who may read everything
    monkeypatch.setattr(os, "access", lambda path, mode: os.fspath(path) != "photo.jpg")
    monkeypatch.setattr(Path, "read_bytes", locked)
    refused(run, words, 4, about="photo.jpg cannot be read: Permission denied. Check its permissions.")


@pytest.mark.parametrize(
    "words", [["inspect", "loop.jpg"], ["inspect", "photo.jpg", "--baseline", "loop.jpg"], ["compare", "loop.jpg", "b"]]
)
def test_a_photo_that_is_a_link_to_itself_is_one_line(words, tmp_path, monkeypatch, run):
    monkeypatch.chdir(tmp_path)
    Path("photo.jpg").write_bytes(DEMO.read_bytes())
    Path("loop.jpg").symlink_to("loop.jpg")
    about = "loop.jpg cannot be read: Too many levels of symbolic links. Check its name."
    refused(run, [*words, *PART], 4, about=about)


@pytest.mark.usefixtures("unmeasured")
@pytest.mark.parametrize("option", ["--picture", "--teeth-chart", "--json"])
@pytest.mark.parametrize("place", ["no such folder", "below a file", "a folder"])
def test_unwritable_outputs_are_found_before_the_measurement(option, place, tmp_path, run):
    (tmp_path / "file").touch()
    (tmp_path / "folder.png").mkdir()
    target = tmp_path / {"no such folder": "none/a.png", "below a file": "file/a.png", "a folder": "folder.png"}[place]
    first = tmp_path / "first.json"  # what could have been written is not either
    more = [] if option == "--json" else ["--json", first]
    refused(run, ["inspect", str(DEMO), *PART, option, target, *more], 2, about=f"Cannot write {target}")
    assert {p.name for p in tmp_path.iterdir()} == {"file", "folder.png"}


def test_a_write_that_fails_half_way_leaves_the_old_file(tmp_path, monkeypatch):
    target = tmp_path / "seen.png"
    target.write_bytes(b"old")

    def full(self, data):
        with self.open("wb") as file:
            file.write(data[:3])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    check_writable(target)
    with pytest.raises(OutputError, match="No space left on device"):
        write_whole(target, b"new and longer")
    monkeypatch.undo()
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("seen.png", b"old")]


def test_what_the_measuring_cannot_find_out_must_be_said():
    from dataclasses import make_dataclass

    from toothcheck.cli.words import _may_be_left_open

    told = {"chain": chain("520"), "teeth": None}
    _may_be_left_open(make_dataclass("Open", [("chain", str | None), ("teeth", int | None)]), told)
    with pytest.raises(UsageError, match="--teeth auto is not possible here"):
        _may_be_left_open(make_dataclass("Told", [("chain", str), ("teeth", int)]), told)


def test_position_and_turning_are_taken_in_any_case(run):
    words = ["inspect", "none.jpg", "--chain", "520", "--teeth", 15, "--position", "Front", "--turning", "CLOCKWISE"]
    refused(run, words, 4, about="none.jpg does not exist")


# --- recording, and the demo -----------------------------------------------------------------------------------------
@pytest.mark.usefixtures("seen_blank")
def test_result_goes_into_the_logbook_or_nothing_is_written(blank, tmp_path, run):
    book = ["--logbook", str(tmp_path / "book.sqlite")]
    result = tmp_path / "result.json"
    assert run("logbook", "add-machine", "KC-07", "--at", "100km", *book)[0] == 0
    words = ["inspect", blank, *PART, "--json", result, *book]
    part = ["logbook", "add-part", "KC-07", "front", *PART[:4], "--at", "100km", *book]
    assert run(*part)[0] == 0
    # before the photo is so much as looked for
    for at, about in (("KC-99", "KC-99"), ("KC-07", "No rear sprocket")):
        unseen = ["inspect", "none.jpg", *PART[:4], "--position", "rear", "--log", at, "--at", "200km", *book]
        refused(run, unseen, 2, about=about)
    entries = run("logbook", "show", "KC-07", *book)[1]
    for more, about in (
        (["--at", "50km"], "distance runs backwards: KC-07 stood at 100 km"),
        (["--at", "999999km"], "is taken for a slip of the pen"),
        (["--at", "200km", "--on", "2099-01-01"], "--on 2099-01-01 lies after the day of recording"),
        (["--at", "200km", "--part", "KC-07 front 9"], "did you mean KC-07 front 1?"),
        (["--at", "200km", "--teeth", "16"], "the reading says teeth 16, but KC-07 front 1 has 15"),
        (["--at", "200km", "--chain", "428"], "the reading says chain size 428, but KC-07 front 1 has 520"),
    ):
        refused(run, ["inspect", "none.jpg", *PART, "--log", "KC-07", *more, *book], 2, about=about)
    assert run("logbook", "show", "KC-07", *book)[1] == entries
    assert not result.exists()
    status, out, _ = run(*words, "--log", "KC-07", "--at", "200km")
    assert status == 3
    recorded = r"Entry \d+ in the logbook: KC-07 front 1, cannot-tell, at {} km, the part's own distance {} km"
    assert re.search(recorded.format(200, 100), out)
    assert result.exists()
    assert "blank.png" not in run("logbook", "show", "KC-07", *book)[1]
    status, out, _ = run(*words, "--log", "KC-07", "--at", "30km", "--reason", "odometer replaced")
    assert status == 3
    assert re.search(recorded.format(30, 100), out)
    assert re.search(r"Entry \d+: odometer of KC-07 replaced at 200 km, shows 30 km\.", out)
    assert "odometer replaced" in re.sub(r"\s+", " ", run("logbook", "show", "KC-07", *book)[1])


@pytest.mark.usefixtures("seen_blank")
def test_a_photo_of_another_day_is_recorded_for_the_part_of_that_day(blank, tmp_path, run):
    book = ["--logbook", str(tmp_path / "book.sqlite")]
    assert run("logbook", "add-machine", "KC-07", "--at", "0km", "--on", "2026-01-10", *book)[0] == 0
    part = ["logbook", "add-part", "KC-07", "front", *PART[:4], *book]
    for km, day in (("0km", "2026-01-10"), ("8000km", "2026-05-10")):
        assert run(*part, "--at", km, "--on", day, "--replace")[0] == 0
    words = ["inspect", blank, *PART, "--log", "KC-07", *book]
    refused(run, [*words, "--at", "7000km", "--part", "KC-07 front 9"], 2, about="KC-07 front 9")
    for more in (["--on", "2026-04-10", "--text", "wet"], ["--on", "2026-04-11", "--part", "KC-07 front 1"]):
        status, out, _ = run(*words, "--at", "7000km", *more)
        assert status == 3
        assert "KC-07 front 1, cannot-tell, at 7 000 km" in out
    shown = run("logbook", "show", "KC-07 front 1", *book)[1]
    assert re.search(r"2026-04-10  7 000 km  reading .* wet\n.*2026-04-11  7 000 km  reading ", shown)


def test_demo_leaves_pictures_numbers_and_report_in_a_folder(tmp_path, monkeypatch, run):
    monkeypatch.chdir(tmp_path)
    status, out, err = run("demo", "--out", "try it/here")
    assert (status, err) == (0, "")
    folder = tmp_path / "try it" / "here"
    names = {"photo.jpg", "picture.png", "teeth.png", "worst-tooth.png", "result.json", "report.html"}
    assert {p.name for p in folder.iterdir()} == names
    assert all(str(Path("try it/here") / name) in out for name in names)
    assert (folder / "photo.jpg").read_bytes() == DEMO.read_bytes()
    for name in names:
        if name.endswith(".png"):
            with Image.open(folder / name) as image:
                image.load()
    check_document(json.loads((folder / "result.json").read_text(), parse_constant=no_nan))
    assert "made picture" in (folder / "report.html").read_text("utf-8").lower()
    # it says it is made, and shows the command that does the same
    assert "computer-made" in out
    command = next(line for line in out.splitlines() if line.startswith("$ "))
    assert shlex.split(command) == ["$", "toothcheck", "inspect", "try it/here/photo.jpg", *SAID]


def test_demo_refuses_a_folder_that_cannot_be_made(tmp_path, run):
    (tmp_path / "taken").touch()
    refused(run, ["demo", "--out", tmp_path / "taken"], 2, about="there is a file of that name")


def test_demo_photo_is_small_and_keeps_its_focal_length():
    data = DEMO.read_bytes()
    assert len(data) <= 400_000
    with Image.open(io.BytesIO(data)) as image:
        assert image.getexif().get_ifd(0x8769).get(0xA405)
