"""The commands of the pages, run as a user runs them."""

import base64
import json
import re
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from made import document, drawn_photo

from toothcheck.cli import main
from toothcheck.cli.teach import _kappa
from toothcheck.lessons.results import Kappa
from toothcheck.photo import decode

RESULTS = Path(__file__).parents[2] / "sample_images_synthetic" / "exercise_results"


@pytest.fixture
def toothcheck(monkeypatch, capsys):
    """The command in this process (a new one costs a second each time): its status, stdout and stderr."""

    def run(*words, cwd):
        monkeypatch.chdir(cwd)
        monkeypatch.setenv("COLUMNS", "100")
        monkeypatch.setattr(sys, "argv", ["toothcheck", *map(str, words)])
        capsys.readouterr()
        try:
            main()
            status = 0
        except SystemExit as end:
            status = end.code or 0
        said = capsys.readouterr()
        return SimpleNamespace(returncode=status, stdout=said.out, stderr=said.err)

    return run


@pytest.fixture
def folder(tmp_path):
    for i, loss in enumerate((0.0, 0.35, 0.75, 1.3)):
        photo, truth = drawn_photo(loss=loss, size=300 + i)
        (tmp_path / f"made-{i}.png").write_bytes(photo)
        (tmp_path / f"made-{i}.json").write_text(json.dumps(truth))
    return tmp_path


def test_lesson(toothcheck, tmp_path):
    run = toothcheck("lesson", "--chain", "428", "--front", 14, "--rear", 43, "-o", "lesson.html", cwd=tmp_path)
    assert run.returncode == 0
    page = (tmp_path / "lesson.html").read_text(encoding="utf-8")
    assert "428" in page
    assert '<strong id="meaning">' in page  # "do not ride on it", as bold as in report and picture


def test_a_lesson_of_the_fewest_teeth_draws_wear_of_every_second_tooth_on_one_more(toothcheck, tmp_path):
    run = toothcheck("lesson", "--front", 7, "--rear", 7, "-o", "lesson.html", cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    assert "7 teeth in front, 7 at the rear" in (tmp_path / "lesson.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("lesson", "--chain", "999", "-o", "x.html"), "--chain must be one of"),
        (("lesson", "--front", "4", "-o", "x.html"), "--front must lie between 7 and 150, not 4"),
        (("lesson", "--rear", "151", "-o", "x.html"), "--rear must lie between 7 and 150, not 151"),
        # 532: the slimmest legal tooth ends below R + 0.25 d1
        (("lesson", "--chain", "532", "-o", "x.html"), "No lesson can be made of chain 532 with 15 teeth"),
        (("lesson", "-o", "nowhere/x.html"), "Cannot write"),
        (("exercise", "make", "--photos", "empty", "-o", "x.html"), "holds no photo"),
        (("exercise", "make", "--photos", "missing", "-o", "x.html"), "must be a folder"),
        (("exercise", "collect", "empty"), "holds no result file"),
        (("report", "other.json", "-o", "x.txt"), "must end in .html, .htm or .pdf"),
        (("lesson", "-o", "x.pdf"), "must end in .html or .htm, not x.pdf"),
        (("exercise", "make", "--count", 1, "-o", "x.pdf"), "must end in .html or .htm, not x.pdf"),
        (("exercise", "make", "--title", " ", "-o", "x.html"), "--title must hold a word"),
        # a byte that is no UTF-8, as Python hands it on
        (("exercise", "make", "--title", "W\udcff", "-o", "x.html"), r"--title must be UTF-8 text, not 'W\udcff'"),
        (("report", "other.json", "-o", "other.json"), "must end in .html"),
        (("report", "other.json", "-o", "x.html", "--chain", "428"), "--chain is for a photo; other.json is a reading"),
        (("report", "other.json", "-o", "x.html", "--part", "rear"), "--part is for a machine"),
        (("report", "wheel.png", "-o", "x.html", "--units", "miles"), "--units is for a machine"),
        (("report", "KC-01", "-o", "x.html", "--thickness", "3"), "--thickness is for a photo"),
        (("exercise", "collect", "other.json", "--json", "other.json"), "is the result other.json"),
    ],
)
def test_wrong_words_give_one_line_status_2_and_nothing_written(toothcheck, tmp_path, words, why):
    _refused(toothcheck, tmp_path, words, why, status=2)


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("exercise", "collect", "bad.json"), "is not UTF-8 text"),
        (("exercise", "collect", "half.json"), "is not JSON"),
        (("exercise", "collect", "none.json"), "does not exist"),
        (("exercise", "collect", "other.json"), "is no exercise result"),
        (("report", "other.json", "-o", "x.html"), "schema"),
        (("report", "half.json", "-o", "x.pdf"), "is not JSON"),
        (("report", "none.json", "-o", "x.pdf"), "does not exist"),
        (("report", "other.json", "-o", "x.pdf", "--picture", "none.png"), "none.png does not exist. Check the name."),
        (("report", "other.json", "-o", "x.pdf", "--picture", "bad.json"), "neither PNG nor JPEG. Save it as one"),
        (("report", "empty", "-o", "x.pdf", "--logbook", "no.sqlite"), "empty is a folder, and no machine"),
        (("report", "words.gif", "-o", "x.pdf", "--logbook", "no.sqlite"), "words.gif is not named like a photo"),
    ],
)
def test_files_that_cannot_be_read_give_one_line_status_4_and_nothing_written(toothcheck, tmp_path, words, why):
    _refused(toothcheck, tmp_path, words, why, status=4)


def _refused(toothcheck, tmp_path, words, why, *, status):
    (tmp_path / "empty").mkdir()
    (tmp_path / "bad.json").write_bytes(b"\xff{")
    (tmp_path / "half.json").write_text("{")
    (tmp_path / "words.gif").write_text("GIF89a")
    (tmp_path / "other.json").write_text('{"schema": "other"}')
    before = sorted(tmp_path.rglob("*"))
    run = toothcheck(*words, cwd=tmp_path)
    assert run.returncode == status
    assert why in run.stderr
    assert len(run.stderr.strip().splitlines()) == 1
    assert sorted(tmp_path.rglob("*")) == before


def test_exercise_from_a_folder_is_the_same_for_the_same_seed(toothcheck, folder):
    for name in ("a.html", "b.html"):
        run = toothcheck("exercise", "make", "--photos", ".", "--count", 3, "--seed", 5, "-o", name, cwd=folder)
        assert run.returncode == 0, run.stderr
        assert "3 photos" in run.stdout
    assert (folder / "a.html").read_bytes() == (folder / "b.html").read_bytes()


def test_a_photo_that_cannot_be_read_is_status_4(toothcheck, folder):
    (folder / "made-2.png").write_bytes(b"\x89PNG broken")
    run = toothcheck("exercise", "make", "--photos", ".", "-o", "x.html", cwd=folder)
    assert run.returncode == 4
    assert "made-2.png" in run.stderr
    assert not (folder / "x.html").exists()


def test_a_refused_inspection_is_left_out_of_an_exercise_and_named(toothcheck, folder):
    for name, without_wear, side in (("made-1", True, "clockwise"), ("made-2", False, None)):
        photo = (folder / f"{name}.png").read_bytes()
        refused = document(measured=0, grade="cannot-tell", confidence=0.0, photo=photo)
        wear = None if without_wear else refused["wear"]
        text = json.dumps(refused | {"wear": wear, "sprocket": refused["sprocket"] | {"drive_flank": side}})
        (folder / f"{name}.json").write_text(text)
    run = toothcheck("exercise", "make", "--photos", ".", "-o", "x.html", cwd=folder)
    assert run.returncode == 0, run.stderr
    assert "2 photos" in run.stdout
    lines = run.stderr.splitlines()
    why = "is left out: its inspection was refused, and there is no answer to a question."
    assert lines == [f"toothcheck: made-1.png {why}", f"toothcheck: made-2.png {why}"]
    for name in ("made-0", "made-3"):
        (folder / f"{name}.json").unlink()
    run = toothcheck("exercise", "make", "--photos", ".", "-o", "y.html", cwd=folder)
    assert run.returncode == 2
    assert "holds no photo that can be asked about" in run.stderr
    assert not (folder / "y.html").exists()


def test_the_picture_that_inspect_drew_beside_its_photo_is_no_second_question(toothcheck, tmp_path):
    photo, _ = drawn_photo(loss=0.7, size=900)
    drawn, _ = drawn_photo(loss=0.7, size=901)
    (tmp_path / "a.png").write_bytes(photo)
    (tmp_path / "a.tif").write_bytes(drawn)
    (tmp_path / "a.json").write_text(json.dumps(document(photo=photo)))
    run = toothcheck("exercise", "make", "--photos", ".", "-o", "x.html", cwd=tmp_path)
    assert (run.returncode, run.stderr) == (0, "toothcheck: a.tif is left out: its JSON is of another picture.\n")
    assert "1 photo " in run.stdout


def test_an_inspection_without_its_turning_is_left_out_and_does_not_stop_the_others(toothcheck, folder):
    told = document(asymmetry=1.0, grade="good", photo=(folder / "made-1.png").read_bytes())
    told["sprocket"]["drive_flank"] = None
    (folder / "made-1.json").write_text(json.dumps(told))
    run = toothcheck("exercise", "make", "--photos", ".", "-o", "x.html", cwd=folder)
    assert (run.returncode, run.stderr) == (0, "toothcheck: made-1.png is left out: its turning was not told.\n")
    assert "3 photos" in run.stdout


@pytest.mark.parametrize("name", ["Jo [/Team]", "[jo]", "[red]Jo[/red]"])
def test_names_are_shown_as_they_were_given(toothcheck, tmp_path, name):
    result = json.loads(sorted(RESULTS.glob("*.json"))[0].read_text())
    text = json.dumps(result | {"apprentice": name, "exercise": result["exercise"] | {"title": "[/week]"}})
    for file in ("a.json", "b.json"):
        (tmp_path / file).write_text(text)
    run = toothcheck("exercise", "collect", "a.json", "b.json", cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    assert name in run.stdout
    assert "[/week]" in run.stdout
    # one of everything
    assert "1 person, 1 run, 10 photos answered" in run.stdout
    assert "1 file tells of a run told before" in run.stdout


def test_collect_prints_the_tables_or_json_alone(toothcheck, tmp_path):
    run = toothcheck("exercise", "collect", RESULTS, cwd=tmp_path)
    assert run.returncode == 0
    for wanted in ("2 people, 4 runs, 40 photos", "weighted kappa", "replace-set", "Each person over time"):
        assert wanted in run.stdout
    run = toothcheck("exercise", "collect", RESULTS, "--json", "-", cwd=tmp_path)
    gathered = json.loads(run.stdout)
    # counted by hand in the files' grades: answers that equal their truth
    right = [
        a["grade"]["given"] == a["grade"]["truth"]
        for file in RESULTS.glob("*.json")
        for a in json.loads(file.read_text())["answers"]
    ]
    assert gathered["together"]["grade_right"]["hits"] == sum(right)
    assert gathered["together"]["photos"] == len(right) == 40
    for day in ("02", "03"):
        unnamed = json.loads(next(iter(sorted(RESULTS.glob("*.json")))).read_text())
        unnamed |= {"apprentice": " ", "started": f"2026-04-{day}T09:00:00Z"}
        (tmp_path / f"{day}.json").write_text(json.dumps(unnamed))
    run = toothcheck("exercise", "collect", tmp_path / "02.json", tmp_path / "03.json", cwd=tmp_path)
    assert run.stdout.startswith("2 people, 2 runs")
    assert "2 runs without a name: each counts as a person of its own" in run.stdout
    for name in ("Ash", "ash"):  # told afterwards, of one run each
        day = "02" if name == "Ash" else "03"
        told = json.loads((tmp_path / f"{day}.json").read_text()) | {"apprentice": name}
        (tmp_path / f"{name}-{day}.json").write_text(json.dumps(told))
    run = toothcheck("exercise", "collect", tmp_path, cwd=tmp_path)
    assert run.stdout.startswith("1 person, 2 runs")
    assert "2 files tell of a run told before" in run.stdout
    assert "without a name" not in run.stdout


def test_full_agreement_of_few_answers_claims_no_interval(toothcheck, tmp_path):
    result = json.loads(sorted(RESULTS.glob("*.json"))[0].read_text())
    of_each = {a["grade"]["truth"]: a for a in result["answers"] if a["grade"]["truth"] in ("good", "watch")}
    answers = [a | {"grade": {"given": truth, "truth": truth}} for truth, a in of_each.items()]
    (tmp_path / "r.json").write_text(json.dumps(result | {"answers": answers}))
    run = toothcheck("exercise", "collect", "r.json", cwd=tmp_path)
    said = "Grade, weighted kappa    1.00 (n = 2, few answers, no interval: its formula gives no width here)"
    assert said in run.stdout
    run = toothcheck("exercise", "collect", "r.json", "--json", "-", cwd=tmp_path)
    kappa = json.loads(run.stdout)["together"]["grade_kappa"]
    reason = "few answers, no interval: its formula gives no width here"
    assert kappa == {"value": 1.0, "low": None, "high": None, "of": 2, "reason": reason}


@pytest.mark.parametrize("name", ["report.html", "report.pdf"])
def test_report_of_a_reading(toothcheck, tmp_path, name):
    (tmp_path / "reading.json").write_text(json.dumps(document()))
    photo, _ = drawn_photo(loss=0.7, size=300)
    (tmp_path / "outlines.png").write_bytes(photo)
    run = toothcheck(
        "report", "reading.json", "-o", name, "--picture", "outlines.png", "--origin", "made", "--machine", "Kestrel 4",
        "--paper", "letter", cwd=tmp_path,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert "grade replace-set" in run.stdout
    assert (tmp_path / name).stat().st_size > 10_000


def test_a_report_that_cannot_tell_ends_as_inspect_does(toothcheck, tmp_path):
    told = document()
    told["verdict"] |= {"grade": "cannot-tell", "confidence": 0.4}
    (tmp_path / "reading.json").write_text(json.dumps(told))
    run = toothcheck("report", "reading.json", "-o", "r.html", cwd=tmp_path)
    assert (run.returncode, run.stdout, run.stderr) == (3, "r.html: grade cannot-tell\n", "")
    assert (tmp_path / "r.html").exists()


@pytest.mark.parametrize("name", ["report.html", "report.pdf"])
def test_a_report_s_picture_that_is_damaged_is_status_4(toothcheck, tmp_path, name):
    (tmp_path / "reading.json").write_text(json.dumps(document()))
    photo, _ = drawn_photo(loss=0.7, size=300)
    (tmp_path / "outlines.png").write_bytes(photo[:2000])
    run = toothcheck("report", "reading.json", "-o", name, "--picture", "outlines.png", cwd=tmp_path)
    assert run.returncode == 4
    assert "outlines.png is damaged or cut off" in run.stderr
    assert len(run.stderr.splitlines()) == 1
    assert not (tmp_path / name).exists()


def test_a_reading_that_holds_something_else_is_status_4(toothcheck, tmp_path):
    (tmp_path / "reading.json").write_text(json.dumps(document() | {"photo": "a"}))
    run = toothcheck("report", "reading.json", "-o", "a.html", cwd=tmp_path)
    assert run.returncode == 4
    why = "photo must be an object, not 'a'"
    hint = "Write the JSON with: toothcheck inspect … --json FILE"
    assert run.stderr == f"toothcheck: The reading of reading.json cannot be reported: {why}. {hint}\n"


@pytest.mark.parametrize("columns", ["80", "60", "40"])
def test_a_class_s_tables_cut_no_grade_and_no_day(run, columns, monkeypatch):
    monkeypatch.setenv("COLUMNS", columns)
    said = run("exercise", "collect", RESULTS)[1]
    assert "…" not in said
    assert max(map(len, said.splitlines())) <= int(columns)
    assert said.count("2026-03-02") == 2  # as in its files
    assert all(whole in said for whole in ("40 photos", "138 of 192", "n = 288"))
    if columns == "60":
        assert re.search(r"^ replace- +· +2 +4 +3 +· *\n set +$", said, re.M)


def test_report_of_a_photo_that_shows_no_card(toothcheck, tmp_path):
    photo, _ = drawn_photo(loss=0.7, size=500)
    (tmp_path / "wheel.png").write_bytes(photo)
    run = toothcheck("report", "wheel.png", "-o", "r.html", cwd=tmp_path)
    assert run.returncode == 2
    assert "--chain, --teeth, --position" in run.stderr
    told = ("--chain", "520", "--teeth", 15, "--position", "front", "--turning", "clockwise")
    run = toothcheck("report", "wheel.png", "-o", "r.html", *told, "--origin", "made", cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "No scale card was found" in page
    shown = base64.b64decode(re.search(r'src="data:image/jpeg;base64,([^"]+)"', page)[1])
    assert decode(shown, "shown.jpg").width_px == 1920  # the drawn picture, not the photo of 500 px
    assert "outlines drawn in" in page
    assert re.search(r'href="#tooth-\d+">tooth \d+, most worn<', page)


def test_a_folder_named_as_a_machine_hides_nothing_of_what_is_said_of_the_machine(toothcheck, tmp_path):
    (tmp_path / "KC-07").mkdir()  # as for its photos
    book = ("--logbook", "book.sqlite")
    assert toothcheck("logbook", "add-machine", "KC-07", "--at", "0km", *book, cwd=tmp_path).returncode == 0
    run = toothcheck("report", "KC-07", "-o", "r.html", *book, cwd=tmp_path)
    assert (run.returncode, run.stderr[:45]) == (2, "toothcheck: No sprocket is fitted to KC-07; a")


def test_no_agreement_beyond_chance_has_no_sign():
    assert _kappa(Kappa(value=-0.002, low=-0.11, high=0.11, of=41)) == "0.00 (-0.11 to 0.11, n = 41)"
