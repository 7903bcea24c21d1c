"""Two photos of one part from file to loss: made pairs whose wear is known.

The truth is measured on the made outline by `toothcheck.synthetic`, which calls nothing of the rooms tested here.
"""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from toothcheck.chains import chain
from toothcheck.cli import app
from toothcheck.cli.after_inspect import baseline_of, held
from toothcheck.comparing import against_photo, against_reading
from toothcheck.errors import CannotTell, DifferentPartError, InputError, UsageError
from toothcheck.estimate import Estimate
from toothcheck.grade import refusal
from toothcheck.inspection import Claim, inspect
from toothcheck.pairing import landmarks_of, loss_between, retold, thickness_of, with_baseline
from toothcheck.photo import decode, load
from toothcheck.survey.pairs import pair_record, true_index
from toothcheck.synthetic import encode, make_photo, random_scene
from toothcheck.synthetic.part import Part
from toothcheck.synthetic.wearing import Wear

SIZE = (1200, 900)
NEW = Part(chain="428", teeth=14, position="front", blend=0.4, thickness_mm=7.2, bore_mm=20.0, wear=Wear())
WORN = replace(NEW, wear=Wear(kind="grit", depth_mm=0.6, climb=0.5, scatter=0.08))
WORDS = ["--chain", "428", "--teeth", "14", "--position", "front"]


def photographed(folder, **parts):
    """Photos, truths and inspections of a front sprocket, new and worn."""
    out = {}
    for seed, (name, one) in enumerate(parts.items(), start=3):
        scene = replace(random_scene(np.random.default_rng(seed), "bench", size_px=SIZE, part=one), turning="clockwise")
        made = make_photo(scene)
        path = folder / f"{name}.jpg"
        path.write_bytes(encode(made.picture, "jpg", focal_35mm=made.focal_35mm, quality=93))
        claim = Claim(
            chain=chain("428"), teeth=14, position="front", turning="clockwise",
            card_height_mm=scene.card_lift_told_mm,
        )  # fmt: skip
        out[name] = (path, made.truth, inspect(load(path), claim))
    return out


@pytest.fixture(scope="module")
def pair(tmp_path_factory):
    """One front sprocket new and worn, its photos, truths and inspections."""
    return photographed(tmp_path_factory.mktemp("pair"), new=NEW, worn=WORN)


@pytest.fixture(scope="module")
def splined(tmp_path_factory):
    """The same with thirteen splines in its bore."""
    cut = {"splines": 13, "spline_major_mm": 23.0}
    return photographed(tmp_path_factory.mktemp("splined"), new=replace(NEW, **cut), worn=replace(WORN, **cut))


def test_splines_say_which_tooth_is_which_and_that_a_round_bore_is_another_part(pair, splined):
    (_, truth_new, new), (_, truth_worn, worn) = splined["new"], splined["worn"]
    for one in (new, worn):
        marks = landmarks_of(one)
        assert marks.splines == 13
        assert marks.bore_diameter_mm.value == pytest.approx(20.0, abs=3 * marks.bore_diameter_mm.std)
    found = loss_between(new, worn)
    assert len(found.teeth) >= 10
    assert found.turned_by_probability == 1.0
    assert found.turned_by == true_index(worn, truth_worn).index(true_index(new, truth_new)[0])
    with pytest.raises(DifferentPartError, match="13 splines before, 0 after"):
        loss_between(new, pair["worn"][2])


def test_the_loss_between_two_photos_is_the_true_one_within_its_uncertainty(pair):
    (_, truth_new, new), (_, truth_worn, worn) = pair["new"], pair["worn"]
    record = pair_record(new, truth_new, worn, truth_worn)
    assert len(record["loss_mm"]) >= 10
    true = float(np.median(record["true_loss_mm"]))
    assert 0.4 < true < 0.8
    median = loss_between(new, worn).median_loss_mm
    assert abs(median.value - true) < max(2.6 * median.std, 0.03)
    assert median.std < 0.15
    error = np.array(record["loss_mm"])[:, 0] - record["true_loss_mm"]
    assert math.sqrt(np.mean(error**2)) < 0.15  # at 1 megapixel; the goal is 0.03


def test_teeth_of_a_photo_measured_with_fewer_pixels_keep_their_truth(pair):
    _, truth, new = pair["new"]
    # as if it had been loaded with 4/3 of the pixels and reduced because it was soft
    soft = replace(new, photo=replace(new.photo, loaded_px=tuple(round(4 / 3 * n) for n in new.photo.loaded_px)))
    tips = 4 / 3 * (np.array(truth["tip_px"]) + 0.5) - 0.5
    numbers = true_index(soft, {"tip_px": tips.tolist()})
    assert numbers == true_index(new, truth)
    assert sorted(numbers) == list(range(14))


def test_the_bore_is_a_landmark_and_another_bore_is_another_part(pair):
    marks = landmarks_of(pair["new"][2])
    assert marks.bore_diameter_mm.value == pytest.approx(20.0, abs=3 * marks.bore_diameter_mm.std)
    part = Part(chain="428", teeth=14, position="front", blend=0.4, thickness_mm=7.2, bore_mm=16.0, wear=Wear())
    scene = random_scene(np.random.default_rng(3), "bench", size_px=SIZE, part=part)
    made = make_photo(scene)
    photo = decode(encode(made.picture, "jpg", focal_35mm=made.focal_35mm, quality=93), "other.jpg")
    other = inspect(photo, replace(pair["new"][2].claim, card_height_mm=scene.card_lift_told_mm))
    with pytest.raises(DifferentPartError, match="bore"):
        loss_between(pair["new"][2], other)


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_a_washer_is_no_bore(seed):
    part = Part(chain="428", teeth=14, position="front", blend=0.4, thickness_mm=7.2, bore_mm=20.0, nut=True)
    scene = replace(random_scene(np.random.default_rng(seed), "bench", size_px=SIZE, part=part), turning="clockwise")
    made = make_photo(scene)
    claim = Claim(
        chain=chain("428"), teeth=14, position="front", turning="clockwise", card_height_mm=scene.card_lift_told_mm
    )
    seen = inspect(decode(encode(made.picture, "png", focal_35mm=made.focal_35mm), "nut.png"), claim)
    assert seen.traced is not None
    assert landmarks_of(seen) is None


def test_compare_prints_draws_and_writes(pair, tmp_path, monkeypatch):
    new, worn = pair["new"][0], pair["worn"][0]

    def known(photo, claim):
        found = pair[photo.name.removesuffix(".jpg")][2]
        assert photo.sha256 == found.photo.sha256
        assert claim == replace(found.claim, card_height_mm=None)  # it was not told
        return found

    monkeypatch.setattr("toothcheck.inspection.inspect", known)
    picture, paper = tmp_path / "loss.png", tmp_path / "loss.json"
    done = CliRunner().invoke(
        app,
        ["compare", str(new), str(worn), *WORDS, "--turning", "clockwise", "--turned-by", "3", "--picture",
         str(picture), "--json", str(paper)],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "Tooth 0 of the earlier photo is tooth 3 of the later one." in done.output
    assert "greatest: anywhere on the flank, square to it." in " ".join(done.output.split())
    assert max(map(len, done.output.splitlines()[:-2])) <= 80
    assert picture.read_bytes().startswith(b"\x89PNG")
    document = json.loads(paper.read_text())
    assert document["schema"] == "toothcheck/comparison/1"
    assert document["result"] == "compared"
    assert len(document["teeth"]) >= 10
    assert document["photos"]["before"]["name"] == "new.jpg"


@pytest.mark.parametrize("columns", [80, 60, 50])
def test_bars_are_as_long_as_the_losses_however_narrow_the_terminal_is(pair, columns, monkeypatch):
    seen = {f"{name}.jpg": pair[name][2] for name in ("new", "worn")}
    monkeypatch.setattr("toothcheck.inspection.inspect", lambda photo, claim: seen[photo.name])
    monkeypatch.setenv("COLUMNS", str(columns))
    words = [*(str(pair[name][0]) for name in ("new", "worn")), *WORDS, "--turned-by", "3"]
    done = CliRunner().invoke(app, ["compare", *words])
    lines = done.output.splitlines()
    assert max(map(len, lines)) <= columns
    rows = [re.match(r" +\d+ +\d+ +([\d.]+) ± .*? (#+) *$", line) for line in lines]
    lost = {float(row[1]): len(row[2]) for row in rows if row}
    assert len(lost) >= 5
    most = max(lost)
    assert all(abs(n - lost[most] * mm / most) <= 1.1 for mm, n in lost.items()), lost


def test_a_tooth_that_broke_between_the_photos_comes_before_any_loss(pair, tmp_path, monkeypatch):
    new, worn = pair["new"][2], pair["worn"][2]
    assert all(t.measured for t in new.wear.teeth)
    broke = replace(worn.wear.teeth[11], measured=False, flags=("broken",))
    broken = replace(worn, wear=replace(worn.wear, teeth=(*worn.wear.teeth[:11], broke, *worn.wear.teeth[12:])))
    seen = {"new.jpg": new, "worn.jpg": broken}
    monkeypatch.setattr("toothcheck.inspection.inspect", lambda photo, claim: seen[photo.name])
    paths = [str(pair[name][0]) for name in ("new", "worn")]

    def compared(*words):
        return CliRunner().invoke(app, ["compare", *words, *WORDS, "--json", str(tmp_path / "loss.json")])

    done = compared(*paths)
    assert done.exit_code == 0, done.output
    assert done.output.splitlines()[1:3] == [
        "Broken since the earlier photo: do not ride on it.",
        "Tooth 11 of the later photo is broken, missing or bent.",
    ]
    document = json.loads((tmp_path / "loss.json").read_text())
    assert document["broken_since"] is True
    assert document["photos"]["before"]["damaged_teeth"] == []
    assert document["photos"]["after"]["damaged_teeth"] == [{"index": 11, "flags": ["broken"]}]
    assert document["photos"]["after"]["grade"] == broken.verdict.grade
    # what was gone before, or may have been since it was not seen, did not break between the photos
    compared(*paths[::-1])
    assert json.loads((tmp_path / "loss.json").read_text())["broken_since"] is False
    hidden = replace(new.wear.teeth[4], measured=False, flags=("covered",))
    seen["new.jpg"] = replace(new, wear=replace(new.wear, teeth=(*new.wear.teeth[:4], hidden, *new.wear.teeth[5:])))
    assert "Tooth 11 of the later photo is broken, missing or bent: do not ride on it." in compared(*paths).output
    # nor does it go unsaid where nothing can be compared
    seen["new.jpg"] = replace(new, wear=None, traced=None, verdict=refusal(["no-card", "few-teeth"]))
    with pytest.raises(CannotTell, match=r"^Tooth 11 of the later photo is broken.* no sprocket .*Print a .*Turn the"):
        raise compared(*paths).exception
    document = json.loads((tmp_path / "loss.json").read_text())
    assert (document["result"], document["median_loss_mm"], document["teeth"]) == ("cannot-tell", None, [])
    # the first reason, as `inspect` gives it
    assert document["why"] == "new.jpg (before): no sprocket could be measured. No scale card was found."
    assert document["photos"]["after"]["damaged_teeth"] == [{"index": 11, "flags": ["broken"]}]


def test_photos_in_the_wrong_order_show_no_loss_in_answer_or_picture(pair, tmp_path, monkeypatch):
    seen, picture, paper = {f"{name}.jpg": pair[name][2] for name in ("new", "worn")}, "loss.svg", "loss.json"
    monkeypatch.setattr("toothcheck.inspection.inspect", lambda photo, claim: seen[photo.name])
    monkeypatch.chdir(tmp_path)
    words = ["compare", *(str(pair[name][0]) for name in ("worn", "new")), *WORDS]
    done = CliRunner().invoke(app, [*words, "--picture", picture, "--json", paper])
    said = "Cannot tell: the photos and what is said of them do not agree."
    assert (done.exit_code, done.output.splitlines()[:2]) == (3, [said, "worn.jpg -> new.jpg"])
    assert "The later photo shows more metal than the earlier one." in done.output
    assert not re.search(r"[0-9]|\bmm\b|±|median loss", done.output), done.output
    drawn = re.findall("<!-- (.*) -->", Path(picture).read_text())
    assert {"worn.jpg and new.jpg", said, "outlines, laid on each other by what does not wear"} < set(drawn)
    assert not any(re.search("loss|median|lost", text) for text in drawn), drawn
    document = json.loads(Path(paper).read_text())
    assert (document["result"], document["flags"]) == ("cannot-tell", ["teeth-not-told-apart", "metal-grown"])
    assert document["median_loss_mm"]["value"] < 0  # programs have the word beside it


def test_photos_of_two_parts_are_told_so_whichever_flanks_drive(pair):
    (_, _, new), (_, _, worn) = pair["new"], pair["worn"]
    other = replace(worn.traced, ring=replace(worn.traced.ring, pitch_mm=15.875))
    turned = replace(worn.wear, drive_clockwise=not worn.wear.drive_clockwise)
    with pytest.raises(DifferentPartError, match=r"not the same part: pitch 12\.7 mm before, 15\.875 mm after"):
        loss_between(new, replace(worn, traced=other, wear=turned))
    with pytest.raises(CannotTell, match="which flank drives"):
        loss_between(new, replace(worn, wear=turned))


def test_a_turn_that_the_counted_teeth_do_not_have_is_refused(pair, monkeypatch):
    seen = {f"{name}.jpg": pair[name][2] for name in ("new", "worn")}
    monkeypatch.setattr("toothcheck.inspection.inspect", lambda photo, claim: seen[photo.name])
    words = [str(pair[name][0]) for name in ("new", "worn")]
    words += ["--chain", "428", "--teeth", "auto", "--position", "front", "--turned-by"]
    for turn in ("14", "-1"):
        done = CliRunner().invoke(app, ["compare", *words, turn])
        assert isinstance(done.exception, UsageError), turn
        assert f"--turned-by must lie between 0 and 13, not {turn}" in str(done.exception)
    assert CliRunner().invoke(app, ["compare", *words, "13"]).exit_code == 0


def test_words_that_cannot_be_are_refused_before_anything_is_measured(pair, tmp_path):
    new, worn = str(pair["new"][0]), str(pair["worn"][0])
    for words in (
        [new, new, *WORDS],
        [new, worn, *WORDS, "--turned-by", "14"],
        [new, worn, *WORDS, "--picture", str(tmp_path / "a.gif")],
        [new, worn, *WORDS, "--picture", new],
        [new, worn, "--chain", "428", "--teeth", "fourteen", "--position", "front"],
    ):
        done = CliRunner().invoke(app, ["compare", *words])
        assert isinstance(done.exception, UsageError), words
    assert list(tmp_path.iterdir()) == []


def test_the_new_part_as_baseline_by_photo_and_by_reading(pair, tmp_path):
    (new_path, truth_new, new), (worn_path, truth_worn, worn) = pair["new"], pair["worn"]
    reading = tmp_path / "new.json"
    reading.write_text(json.dumps(new.document()))
    thick = float(np.median([t["pitch_thickness"] for t in truth_new["teeth_truth"]]))
    lost = float(np.median([t["drive_loss_pitch"] for t in truth_worn["teeth_truth"]]))
    for baseline in (new_path, reading):
        read = baseline_of(baseline, worn_path, worn.claim)
        after = held(worn, read, card_height_mm=new.claim.card_height_mm)
        found = after.document["baseline"]
        percent = found["asymmetry_percent"]
        assert percent["value"] == pytest.approx(100 * lost / thick, abs=max(3 * percent["std"], 1.5))
        assert found["ideal"] == (baseline == new_path)
        assert found["tooth_by_tooth"] == (found["ideal"] and "teeth-not-told-apart" not in found["flags"])
        assert found["not_used"] is None
        assert baseline.name in after.lines[0]
        # the new part's photo is the ideal: wear and grade are by it
        wear = after.document["wear"]["asymmetry_percent"]
        assert wear == (percent if found["ideal"] else worn.document()["wear"]["asymmetry_percent"])
        assert any("since the baseline" in r for r in after.document["verdict"]["reasons"]) == found["ideal"]
        assert (after.document["teeth"] == worn.document()["teeth"]) == (not found["ideal"])
        if found["ideal"]:
            by_tooth = [t["asymmetry_percent"]["value"] for t in after.document["teeth"] if t["asymmetry_percent"]]
            assert np.median(by_tooth) == pytest.approx(percent["value"], abs=0.5)
            gone = [t["drive_loss_mm"]["value"] for t in after.document["teeth"] if t["drive_loss_mm"]]
            assert np.median(gone) == pytest.approx(found["loss_mm"]["value"], abs=0.02)
            worst = after.document["wear"]["worst_tooth"]
            assert after.document["teeth"][worst]["drive_loss_mm"]["value"] == max(gone)
    assert held(worn).document == worn.document()


def test_a_worn_baseline_is_no_ideal(pair):
    (_, _, new), (_, _, worn) = pair["new"], pair["worn"]
    comparison = loss_between(new, worn)
    thickness = thickness_of(new)
    found = against_photo(comparison, thickness)
    assert with_baseline(worn, worn, comparison, found) is worn
    assert with_baseline(worn, new, replace(comparison, flags=("metal-grown",)), found) is worn
    both = replace(worn, flags=(*worn.flags, "worn-both-flanks"))
    held_against = with_baseline(both, new, comparison, found)
    assert held_against.against_baseline
    assert "worn-both-flanks" not in held_against.flags


def test_a_reading_of_another_part_or_none_is_refused(pair, tmp_path):
    worn_path, _, worn = pair["worn"]
    other = worn.document()
    other["sprocket"]["teeth"] = 15
    words, huge = (
        json.dumps(worn.document() | {"teeth": [{"thickness_mm": {"value": value, "std": 0.1}}]})
        for value in ("x", 10**400)
    )
    for text, error in (
        (json.dumps(other), DifferentPartError), ("[]", InputError), ("{", InputError), (words, InputError),
        (huge, InputError),
    ):  # fmt: skip
        path = tmp_path / "reading.json"
        path.write_text(text)
        with pytest.raises(error):
            baseline_of(path, worn_path, worn.claim)
    for name in ("none.json", "none.jpg"):
        with pytest.raises(InputError):
            baseline_of(tmp_path / name, worn_path, worn.claim)
    with pytest.raises(UsageError, match="the photo itself"):
        baseline_of(worn_path, worn_path, worn.claim)


def test_a_baseline_that_does_not_fit_costs_no_inspection(pair, tmp_path, monkeypatch):
    (new_path, _, new), (worn_path, _, worn) = pair["new"], pair["worn"]
    broke = replace(worn.wear.teeth[11], measured=False, flags=("broken",))
    broken = replace(worn, wear=replace(worn.wear, teeth=(*worn.wear.teeth[:11], broke, *worn.wear.teeth[12:])))
    seen = {"worn.jpg": broken}
    monkeypatch.setattr("toothcheck.inspection.inspect", lambda photo, claim: seen[photo.name])
    words = ["inspect", str(worn_path), *WORDS, "--baseline", str(new_path), "--json"]
    for earlier, why in (
        (replace(new, flags=("teeth-disagree",)), "These are not the same part"),
        (replace(new, wear=None, traced=None, verdict=refusal([])), "no sprocket could be measured"),
    ):
        seen["new.jpg"] = earlier
        done = CliRunner().invoke(app, [*words, "-"])
        assert done.exit_code == 0, done.exception
        told = json.loads(done.stdout)
        assert told["verdict"] == json.loads(json.dumps(broken.document()["verdict"]))
        assert told["teeth"][11]["flags"] == ["broken"]
        assert told["baseline"]["name"] == "new.jpg"
        assert why in told["baseline"]["not_used"]
        assert told["baseline"]["loss_mm"] is None
        assert not told["baseline"]["ideal"]
        assert told["flags"][-1] == "baseline-not-used"
        done = CliRunner().invoke(app, [*words, str(tmp_path / "kept.json")])
        assert f"new.jpg was not used as baseline. {told['baseline']['not_used']}" in done.output
        assert "Tooth 11" in done.output or "11: " in done.output
        assert json.loads((tmp_path / "kept.json").read_text()) == told
    # what cannot be told has its own status, with or without a baseline
    seen["worn.jpg"] = replace(broken, verdict=replace(broken.verdict, grade="cannot-tell"))
    done = CliRunner().invoke(app, [*words, "-"])
    assert done.exit_code == 3
    assert "no sprocket" in json.loads(done.stdout)["baseline"]["not_used"]


def test_a_reading_is_held_against_what_the_photo_was_found_to_show(pair, tmp_path):
    (_, _, new), (worn_path, _, worn) = pair["new"], pair["worn"]
    path = tmp_path / "new.json"
    told = new.document()

    def found(inspection, **changed):
        path.write_text(json.dumps(told | {"sprocket": told["sprocket"] | changed}))
        auto = replace(worn.claim, chain=None, teeth=None)
        return held(inspection, baseline_of(path, worn_path, auto)).document["baseline"]

    assert found(worn)["not_used"] is None
    assert "this very photo" in held(new, baseline_of(path, worn_path, worn.claim)).document["baseline"]["not_used"]
    assert "teeth 15 there, 14 here" in found(worn, teeth=15)["not_used"]
    assert "chain 420 there, 428 here" in found(worn, chain="420")["not_used"]
    # where several sizes fit the photo, or fitted the baseline's, pitch and roller are compared
    several = replace(worn, flags=(*worn.flags, "chain-open"))
    assert found(several)["not_used"] is None
    assert found(worn, chain=None)["not_used"] is None
    assert "pitch 15.875 there, 12.7 here" in found(several, pitch_mm=15.875)["not_used"]
    assert "position rear there" in _refused(lambda: found(worn, position="rear"))


def test_a_doubted_or_worn_baseline_says_so(pair, tmp_path):
    (new_path, _, new), (worn_path, _, worn) = pair["new"], pair["worn"]
    wrong = replace(worn, flags=(*worn.flags, "wear-on-coast-flank"))
    path = tmp_path / "new.json"

    def found(inspection, **changed):
        path.write_text(json.dumps(new.document() | changed))
        return held(inspection, baseline_of(path, worn_path, worn.claim))

    # as compare: where photos and claims disagree no loss is claimed, by photo or by reading
    for after in (held(wrong, baseline_of(new_path, worn_path, worn.claim)), found(wrong)):
        assert "do not agree" in after.document["baseline"]["not_used"]
        assert after.document["baseline"]["loss_mm"] is None
    assert "do not agree" in found(worn, flags=["scale-disagrees"]).document["baseline"]["not_used"]
    later = found(worn, verdict=new.document()["verdict"] | {"grade": "watch"})
    assert any("not graded good (watch)" in line for line in later.lines)
    copy = tmp_path / "copy.jpg"
    copy.write_bytes(worn_path.read_bytes())
    done = CliRunner().invoke(app, ["compare", str(worn_path), str(copy), *WORDS])
    assert "same photo" in str(done.exception)


def _refused(do):
    with pytest.raises(DifferentPartError) as error:
        do()
    return str(error.value)


def test_two_medians_subtracted():
    """Our own arithmetic: 4.5 - 4.05 mm is a tenth of 4.5 mm; uncertainties add as squares (JCGM 100:2008, 5.1.2)."""
    found = against_reading(Estimate(value=4.5, std=0.03), Estimate(value=4.05, std=0.04))
    assert found.loss_mm.value == pytest.approx(0.45)
    assert found.loss_mm.std == pytest.approx(0.05)
    assert found.asymmetry_percent.value == pytest.approx(10.0)
    assert found.band_probability == pytest.approx(0.5, abs=0.01)
    # the loss in per cent is 100 less that of 4.05 / 4.5, whose relative uncertainties add as squares (5.1.6)
    assert found.asymmetry_percent.std == pytest.approx(90 * math.hypot(0.04 / 4.05, 0.03 / 4.5))
    # a tenth that is known to a hundredth lies in its band for certain
    sure = against_reading(Estimate(value=4.5, std=0.003), Estimate(value=3.9, std=0.003))
    assert sure.band_probability == pytest.approx(1.0, abs=1e-6)
    with pytest.raises(ValueError, match="whole"):
        against_reading(Estimate(value=0.0, std=0.1), Estimate(value=1.0, std=0.1))


def test_where_the_turning_is_left_out_the_worn_photo_tells_it_for_both(pair):
    (path, _, new), (_, _, worn) = pair["new"], pair["worn"]
    untold = replace(new.claim, turning=None)
    # an unworn part was measured with one side taken for granted, here the wrong one
    wrong = inspect(load(path), untold.driven(False))
    wrong = replace(wrong, claim=untold, flags=("turning-open",))
    inferred = replace(worn, claim=replace(worn.claim, turning=None), flags=("turning-inferred",))
    with pytest.raises(CannotTell, match="which flank drives"):
        loss_between(wrong, inferred)
    again = retold(untold, wrong, inferred)
    assert again.turning == "clockwise"
    told = loss_between(inspect(load(path), again), inferred).median_loss_mm
    assert told.value == pytest.approx(loss_between(new, worn).median_loss_mm.value, abs=1e-6)
    # whoever was told, agrees or knows no better is not asked again
    for one, other in ((new, inferred), (replace(new, flags=("turning-open",)), inferred), (wrong, wrong)):
        assert retold(untold, one, other) is None


@pytest.mark.parametrize("position", ["front", "rear"])
@pytest.mark.parametrize("clockwise", [True, False])
def test_a_turning_is_worked_out_from_the_side_of_the_drive_flanks(position, clockwise):
    claim = Claim(chain=None, teeth=None, position=position, turning=None)
    assert claim.driven(clockwise).drive_clockwise is clockwise


def test_a_baseline_is_used_though_nobody_told_the_turning(pair, tmp_path):
    path, _, new = pair["new"]
    claim = replace(new.claim, turning=None)
    # the new part's photo leaves the side open; light speaks a little for the clockwise one
    assert inspect(load(path), claim).wear.drive_clockwise
    scene = replace(
        random_scene(np.random.default_rng(4), "bench", size_px=SIZE, part=WORN), turning="counterclockwise"
    )
    made = make_photo(scene)
    later = tmp_path / "later.jpg"
    later.write_bytes(encode(made.picture, "jpg", focal_35mm=made.focal_35mm, quality=93))
    claim = replace(claim, card_height_mm=scene.card_lift_told_mm)
    worn = inspect(load(later), claim)
    assert not worn.wear.drive_clockwise
    told = held(worn, baseline_of(path, later, claim), card_height_mm=new.claim.card_height_mm)
    assert told.document["baseline"]["not_used"] is None
    assert "baseline-not-used" not in told.document["flags"]
