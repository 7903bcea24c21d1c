"""Exercises: the truth behind a question, and what is made of a class's answers."""

import io
import json
from datetime import UTC, datetime

import numpy as np
import pytest
from made import asked, document, drawn_photo
from PIL import Image

from toothcheck.lessons import NothingToAsk, collect, document_of, exercise_page, graded_set, run_of
from toothcheck.lessons.results import Answer, Run, agreement, weighted_kappa


# --- published values ----------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # D. G. Altman, Practical Statistics for Medical Research, 1991, table 14.2 and section 14.3.3
        ([[21, 12, 0, 0], [4, 17, 1, 0], [3, 9, 15, 2], [0, 0, 0, 1]], 0.57),
        # the same, table 14.3
        ([[86, 3, 14, 0, 2], [26, 0, 10, 4, 0], [20, 2, 22, 4, 1], [11, 1, 37, 16, 14], [3, 0, 15, 24, 48]], 0.56),
        # the same, table 14.4 (two classes: weighted and plain kappa are one)
        ([[70, 10], [10, 10]], 0.38),
        ([[40, 10], [10, 40]], 0.60),
    ],
)
def test_weighted_kappa_of_published_tables(table, kappa):
    assert weighted_kappa(np.array(table)).value == pytest.approx(kappa, abs=0.0051)


def test_share_has_the_published_wilson_interval():
    # R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, 81 of 263: 0.2553 to 0.3662 (from memory)
    answers = [_answer("good", "good" if i < 81 else "watch") for i in range(263)]
    right = agreement(answers).grade_right
    assert (right.hits, right.of) == (81, 263)
    assert (right.low, right.high) == pytest.approx((0.2553, 0.3662), abs=5e-5)


def test_kappa_is_undefined_where_only_one_class_occurs():
    kappa = weighted_kappa(np.array([[7, 0], [0, 0]]))
    assert kappa.value is None
    assert "one class" in kappa.reason
    assert weighted_kappa(np.zeros((4, 4))).of == 0


@pytest.mark.parametrize(
    ("table", "value"),
    [
        ([[1, 0], [0, 1]], 1.0),
        ([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], 1.0),
        ([[70, 0], [0, 30]], 1.0),
        ([[0, 5], [5, 0]], -1.0),
        ([[2, 2], [0, 0]], 0.0),  # one answer to everything
    ],
)
def test_kappa_has_no_interval_where_its_standard_error_is_nought(table, value):
    # our own arithmetic: the large-sample variance is 0 at these tables, however few the answers
    kappa = weighted_kappa(np.array(table))
    assert (kappa.value, kappa.low, kappa.high) == (pytest.approx(value), None, None)
    few = "few answers, " if kappa.of < 20 else ""
    assert kappa.reason == f"{few}no interval: its formula gives no width here"


# --- what a class did ----------------------------------------------------------------------------------------------
def _answer(given, truth, teeth=((True, True),)):
    return Answer(photo="x", drive_flank=("clockwise", "clockwise"), grade=(given, truth), teeth=tuple(teeth))


def _run(who, day, answers):
    return Run(
        apprentice=who,
        exercise="e",
        title="Week",
        started=datetime(2026, 3, day, 9, tzinfo=UTC),
        answers=tuple(answers),
    )


def test_collecting_orders_by_person_and_time_and_counts_a_file_once():
    first = _run("Ash", 2, [_answer("good", "watch"), _answer("cannot-tell", "cannot-tell")])
    later = _run("Ash", 9, [_answer("watch", "watch"), _answer("good", "good")])
    other = _run("bo", 2, [_answer("replace-set", "watch", teeth=[(False, True), (True, False), (False, False)])])
    report = collect([later, other, first, first])
    assert [(run.apprentice, run.started.day) for run, _ in report.runs] == [("Ash", 2), ("Ash", 9), ("bo", 2)]
    assert report.repeated == 1
    together = report.together
    assert together.photos == 5
    assert (together.grade_right.hits, together.grade_right.of) == (3, 5)
    assert together.confusion[0][1] == 1  # called good, was watch
    assert together.by_grade["watch"].of == 3
    assert together.grade_kappa.of == 4  # cannot-tell has no place on the scale
    assert (together.worn_found.hits, together.worn_found.of) == (4, 5)
    assert (together.unworn_left_alone.hits, together.unworn_left_alone.of) == (1, 2)
    json.dumps(document_of(report), allow_nan=False)


def test_runs_without_a_name_are_not_one_person():
    told = (("", 9, "good"), ("Ash", 2, "watch"), ("", 2, "good"), ("", 2, "good"))
    runs = [_run(who, day, [_answer("good", truth)]) for who, day, truth in told]
    report = collect(runs)
    assert [(run.apprentice, run.started.day) for run, _ in report.runs] == [
        ("Ash", 2), ("nameless 1", 2), ("nameless 2", 9),
    ]  # fmt: skip
    assert (report.nameless, report.repeated) == (2, 1)
    assert document_of(report)["nameless_runs"] == 2


def test_a_run_saved_again_with_its_name_counts_once():
    runs = [_run(who, 2, [_answer("good", "good")]) for who in ("Ash", "", "Asj")]
    for order in ((0, 1), (1, 0)):
        report = collect([runs[i] for i in order])
        assert ([run.apprentice for run, _ in report.runs], report.repeated) == (["Ash"], 1)
    assert collect([runs[2], runs[0]]).runs[0][0].apprentice == "Ash"  # the later file's


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"schema": "something/else"}, "schema"),
        ({"answers": []}, "at least one photo"),
        ({"started": "2026-03-02T09:00:00"}, "time zone"),
        ({"answers": [{"photo": "x"}]}, "as written"),
    ],
)
def test_damaged_results_are_refused_with_a_reason(change, why):
    good = {
        "schema": "toothcheck/exercise-result/1",
        "apprentice": "Ash",
        "exercise": {"id": "e", "title": "Week"},
        "started": "2026-03-02T09:00:00.000Z",
        "answers": [
            {
                "photo": "x",
                "drive_flank": {"given": "clockwise", "truth": "clockwise"},
                "grade": {"given": "good", "truth": "watch"},
                "teeth": [{"index": 0, "given": True, "truth": None}],
            }
        ],
    }
    assert run_of(good).answers[0].teeth == ()  # a tooth at the limit is not scored
    with pytest.raises(ValueError, match=why):
        run_of({**good, **change})


# --- questions and their truth -------------------------------------------------------------------------------------
def test_truth_of_a_made_photo_is_what_was_drawn():
    photo, truth = drawn_photo(loss=0.7, position="rear", side="clockwise", teeth=40, worn_teeth=range(0, 40, 2))
    case = asked(photo, truth, np.random.default_rng(3))
    assert case.turning == "counterclockwise"  # rear, drive flank clockwise
    assert case.made
    assert len(case.asked) == 8
    assert [t.worn for t in case.asked] == [t.index % 2 == 0 for t in case.asked]
    # 0.7 mm of a tooth of 4.39 mm: 100 * 0.7 / 4.39, half of the teeth: the median lies between 0 and 16 %
    assert {t.index % 2 for t in case.asked} == {0, 1}  # both kinds are asked about
    assert case.asymmetry_percent == pytest.approx(50 * 0.7 / 4.39, abs=0.05)
    assert case.true_grade == "watch"


def test_a_broken_tooth_is_asked_about_and_decides_the_grade():
    photo, truth = drawn_photo(loss=0.1, damaged=(4,))
    case = asked(photo, truth, np.random.default_rng(0))
    assert case.grade == "replace-now"
    assert [t.worn for t in case.asked if t.index == 4] == [True]


def test_both_flanks_worn_alike_cannot_be_told():
    photo, truth = drawn_photo(loss=0.6)
    for tooth in truth["teeth_truth"]:
        tooth["coast_loss_pitch"] = 0.55
    case = asked(photo, truth, np.random.default_rng(0))
    assert case.grade == "cannot-tell"
    assert {t.worn for t in case.asked} == {None}
    assert any("compare with a new part" in note for note in case.notes)


def test_a_blurred_photo_supports_no_grade():
    photo, truth = drawn_photo(loss=0.6)
    sharp, soft = (truth | {"blur": blur, "mm_per_px": 0.1} for blur in (1.0, 6.0))
    assert asked(photo, sharp, np.random.default_rng(0)).grade == "replace-set"
    case = asked(photo, soft, np.random.default_rng(0))
    assert (case.grade, case.true_grade) == ("cannot-tell", "replace-set")


def test_teeth_at_the_limit_are_not_scored():
    photo, truth = drawn_photo(loss=0.22)  # 5.0 % of 4.39 mm
    case = asked(photo, truth, np.random.default_rng(0))
    assert {t.worn for t in case.asked} == {None}


def test_a_school_s_own_reading_is_a_truth_too():
    photo, _ = drawn_photo(loss=0.7)
    case = asked(photo, document(asymmetry=16.2, photo=photo), np.random.default_rng(0))
    assert not case.made
    assert case.grade == "replace-set"
    assert case.turning == "clockwise"
    assert {t.worn for t in case.asked} == {True}
    # the tips of the document lie on a circle about (450, 450); a least-squares circle finds it
    assert case.centre_px == pytest.approx((450, 450), abs=1.0)


def test_a_broken_tooth_of_a_reading_is_asked_about():
    photo, _ = drawn_photo(loss=0.1)
    case = asked(
        photo, document(asymmetry=2.0, grade="replace-now", broken=(0, 7), photo=photo), np.random.default_rng(0)
    )
    broken = {t.index: t for t in case.asked if t.damaged}
    assert set(broken) == {0, 7}
    assert {(t.worn, t.asymmetry_percent, t.overhang_mm) for t in broken.values()} == {(True, None, None)}
    assert {t.worn for t in case.asked if not t.damaged} == {False}
    number = case.asked.index(broken[7]) + 1
    said = f"Damaged: tooth 0 broken (number 1 in the picture), tooth 7 broken (number {number} in the picture)."
    assert said in case.notes


def _data(page):
    return json.loads(page.split('id="exercise-data">')[1].split("</script>")[0])


@pytest.mark.parametrize("of", ["made", "reading"])
def test_the_flank_is_asked_on_the_first_whole_tooth(of):
    photo, truth = drawn_photo(loss=0.1, damaged=(0, 1))
    told = truth if of == "made" else document(grade="replace-now", broken=(0, 1), photo=photo)
    case = asked(photo, told, np.random.default_rng(0))
    (question,) = _data(exercise_page([case], title="Week 1"))["questions"]
    assert [t.damaged for t in case.asked[:3]] == [True, True, False]
    assert question["upright"] == 2


@pytest.mark.parametrize("seed", range(20))
def test_a_whole_tooth_is_always_asked_about(seed):
    photo, truth = drawn_photo(loss=0.1, size=300, damaged=range(14))
    case = asked(photo, truth, np.random.default_rng(seed))
    assert [t.damaged for t in case.asked] == 14 * [True] + [False]


def test_where_every_tooth_is_damaged_no_flank_can_be_asked():
    photo, truth = drawn_photo(loss=0.1, size=300, damaged=range(15))
    with pytest.raises(ValueError, match="one of them whole"):
        asked(photo, truth, np.random.default_rng(0))


def test_a_reading_of_another_picture_gives_no_question():
    photo, _ = drawn_photo(loss=0.7)
    other, _ = drawn_photo(loss=0.1)
    with pytest.raises(NothingToAsk, match="its JSON is of another picture"):
        asked(photo, document(photo=other), np.random.default_rng(0))
    untold = document()
    del untold["photo"]["sha256"]  # whose it is cannot be told then
    assert asked(photo, untold, np.random.default_rng(0)).grade == "replace-set"


def test_a_reading_without_its_turning_or_with_too_few_teeth_gives_no_question():
    photo, _ = drawn_photo(loss=0.1)
    told = document(asymmetry=1.0, grade="good", photo=photo)
    told["sprocket"]["drive_flank"] = None
    with pytest.raises(NothingToAsk, match="its turning was not told"):
        asked(photo, told, np.random.default_rng(0))
    with pytest.raises(NothingToAsk, match="too few of its teeth"):
        asked(photo, document(measured=2, grade="replace-now", broken=(1,), photo=photo), np.random.default_rng(0))


def test_a_graded_set_holds_every_grade_and_begins_with_the_plain_ones():
    rng = np.random.default_rng(5)
    cases = [
        asked(*drawn_photo(loss=loss, size=300 + i), rng) for i, loss in enumerate((0, 0, 0, 0.32, 0.7, 0.75, 1.2))
    ]
    chosen = graded_set(cases, 4, 2, rng)
    assert {case.grade for case in chosen} == {"good", "watch", "replace-set", "replace-now"}
    assert [c.difficulty for c in chosen] == sorted(c.difficulty for c in chosen)
    with pytest.raises(ValueError, match="level must be 1, 2 or 3"):
        graded_set(cases, 4, 5, rng)


def test_level_1_has_no_photo_that_shows_nothing():
    rng = np.random.default_rng(5)
    plain = [asked(*drawn_photo(loss=loss, size=300 + i), rng) for i, loss in enumerate((0.32, 0.7))]
    photo, truth = drawn_photo(loss=0.7, size=310)
    blind = asked(photo, truth | {"tier": "hostile"}, rng)
    assert set(graded_set([*plain, blind], 3, 1, rng)) == set(plain)
    assert graded_set([blind], 1, 1, rng) == ()
    assert blind in graded_set([*plain, blind], 3, 2, rng)


def test_the_page_does_not_show_its_answers_and_drops_the_photo_s_private_data():
    photo, truth = drawn_photo(loss=0.7)
    case = asked(photo, truth, np.random.default_rng(0))
    page = exercise_page([case], title="Week 1")
    data = page.split('id="exercise-data">')[1].split("</script>")[0]
    assert "asymmetry" not in data
    assert '"truth"' not in data
    assert b"Exif" not in case.jpeg


@pytest.mark.parametrize(("overhang", "worn"), [(0.29, False), (0.30, True)])
def test_a_hook_counts_as_worn_from_where_the_page_says(overhang, worn):
    photo, _ = drawn_photo(loss=0.1)
    case = asked(photo, document(asymmetry=1.0, overhang=overhang, photo=photo), np.random.default_rng(0))
    assert {t.worn for t in case.asked} == {worn}
    said = "Worn: asymmetry 5 % or more, a hook overhang of 0.3 mm or more, or damage."
    assert said in exercise_page([case], title="Week 1")


@pytest.mark.parametrize(
    "change",
    [{"teeth": 5}, {"teeth": ["a", "b"]}, {"sprocket": "a"}, {"verdict": []}, {"wear": {"overhang_mm": {"value": {}}}}],
)
def test_a_reading_that_holds_something_else_is_refused(change):
    photo, _ = drawn_photo(loss=0.7)
    with pytest.raises(ValueError, match="truth must be laid out"):
        asked(photo, document(photo=photo) | change, np.random.default_rng(0))


def test_teeth_outside_the_photo_are_refused():
    photo, truth = drawn_photo(loss=0.7, size=300)
    far = truth | {"centre_px": [9000, 9000], "tip_px": (np.array(truth["tip_px"]) + 8850).tolist()}
    with pytest.raises(ValueError, match="must lie inside the photo"):
        asked(photo, far, np.random.default_rng(0))


def test_a_picture_of_16_bits_is_shown_as_it_is():
    _, truth = drawn_photo(loss=0.7, size=300)
    out = io.BytesIO()
    Image.fromarray(np.full((300, 300), 100 * 257, np.uint16)).save(out, "PNG")
    with Image.open(io.BytesIO(asked(out.getvalue(), truth, np.random.default_rng(0)).jpeg)) as shown:
        assert np.abs(np.asarray(shown).astype(int) - 100).max() <= 2
