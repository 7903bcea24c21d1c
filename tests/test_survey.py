"""Counting up many photos: tables and reliability from hand-made records, and the commands on a photo or two."""

import json
import sys

import numpy as np
import pytest

from toothcheck import cli
from toothcheck.survey import (
    accuracy_rows,
    bore_rows,
    damage_rows,
    hooks,
    measure_rows,
    pair_rows,
    patterns_found,
    reliability,
    reliability_plot,
    run_cases,
    wrong_claim_rows,
)
from toothcheck.survey.cases import MEASURES
from toothcheck.synthetic import true_measures


def record(**more):
    return {
        "lot": 0, "kind": "teeth", "tier": "bench", "true_grade": "good", "true_teeth": 15, "claimed_teeth": 16,
        "grade": "cannot-tell", "confidence": 0.0, "flags": ["teeth-disagree"], "count_named": 15, "visible": 15,
        "measured": 0, "errors": {name: [] for name in MEASURES}, "false_teeth": 0,
    } | more  # fmt: skip


def test_wrong_claims_are_counted_by_kind():
    rows = wrong_claim_rows(
        [
            record(),
            record(count_named=16, flags=[]),
            record(kind="turning", grade="watch", confidence=0.7, flags=["card-cut"]),
            record(kind="turning", grade="watch", confidence=0.5, flags=[]),
            record(kind="turning", grade="good", confidence=0.9, flags=[]),
        ]
    )
    teeth, turning, everything = rows
    assert (teeth["cases"], teeth["flagged"], teeth["named"], teeth["named_of"]) == (2, 1, 1, 2)
    # 0.5 is not above a half; a card that is cut off says nothing against the turning
    assert (turning["wrong_sure"], turning["right_grade"], turning["flagged"], turning["named"]) == (1, 1, 0, None)
    assert (everything["cases"], everything["cannot_tell"]) == (5, 2)


def test_pairs_are_counted_by_where_they_lay():
    pair = {"tier": "mat", "turn_found": True, "loss_mm": [(0.5, 0.1), (0.7, 0.1)], "true_loss_mm": [0.4, 0.5]}
    rows = pair_rows(
        [
            pair,
            pair | {"turn_found": None, "true_loss_mm": [0.6, 0.8]},
            pair | {"tier": "bench", "turn_found": None, "loss_mm": [], "true_loss_mm": []},
        ]
    )
    mat, bench, everything = rows
    assert (mat["pairs"], mat["measured"], mat["teeth"], mat["turn_found"], mat["turn_wrong"]) == (2, 2, 4, 1, 0)
    assert mat["bias_mm"] == pytest.approx((0.1 + 0.2 - 0.1 - 0.1) / 4)
    assert mat["rms_mm"] == pytest.approx(np.sqrt((0.01 + 0.04 + 0.01 + 0.01) / 4))
    assert mat["median_mm"] == pytest.approx(0.1)
    assert mat["shared_rms_mm"] == pytest.approx(np.sqrt((0.15**2 + 0.1**2) / 2))
    assert mat["within_95_percent"] == pytest.approx(75)  # 0.2 lies beyond 0.196
    assert (bench["measured"], bench["teeth"], bench["rms_mm"], bench["within_95_percent"]) == (0, 0, None, None)
    assert (everything["pairs"], everything["teeth"], everything["rms_mm"]) == (3, 4, mat["rms_mm"])


def test_damaged_teeth_are_counted_by_kind():
    seen = record(kind="missing", named=True, sound=14, sound_named=0, true_grade="replace-now", grade="replace-now")
    rows = damage_rows(
        [
            seen,
            seen | {"named": False, "sound_named": 1, "grade": "good"},
            seen | {"kind": "bent", "named": False, "grade": "cannot-tell"},
        ]
    )
    missing, bent, everything = rows
    assert (missing["photos"], missing["named"], missing["sound_named"], missing["too_well"]) == (2, 1, 1, 1)
    assert (bent["photos"], bent["named"], bent["too_well"]) == (1, 0, 0)
    assert (everything["sound"], everything["too_well"]) == (42, 1)


def test_splines_are_counted_up_by_kind_of_bore():
    read = {
        "true_splines": 13,
        "splines": 13,
        "found": True,
        "errors": {"bore_mm": [[0.1, 0.1]], "spline_major_mm": []},
    }
    rows = bore_rows(
        [
            read,
            read | {"splines": 12, "errors": {"bore_mm": [[-0.3, 0.1]], "spline_major_mm": [[0.2, 0.2]]}},
            read | {"splines": None, "found": False, "errors": {"bore_mm": [], "spline_major_mm": []}},
            read | {"true_splines": 0, "splines": 0},
        ]
    )
    splined, round_ = rows
    assert (splined["photos"], splined["found"], splined["right"], splined["wrong"]) == (3, 2, 1, 1)
    assert splined["bore_mm"]["told"] == 2
    assert splined["bore_mm"]["rms_mm"] == pytest.approx(np.sqrt((0.01 + 0.09) / 2))  # our own arithmetic
    assert splined["bore_mm"]["within_95_percent"] == 50
    assert splined["spline_major_mm"]["told"] == 1
    assert (round_["photos"], round_["right"], round_["wrong"]) == (1, 1, 0)
    assert round_["spline_major_mm"] == {"told": 0, "rms_mm": None, "within_95_percent": None}


def test_accuracy_by_tier():
    errors = record()["errors"] | {
        "drive_loss_mm": [[0.03, 0.02], [-0.04, 0.02]], "asymmetry_percent": [[1.0, 1.0], [-1.0, 1.0]]
    }  # fmt: skip
    (row,) = accuracy_rows(
        [
            record(grade="good", confidence=0.9, measured=2, errors=errors),
            record(grade="replace-set", confidence=0.6, false_teeth=1),
            record(),
        ]
    )
    assert (row["photos"], row["graded"], row["exact"], row["two_off"], row["false_teeth"]) == (3, 2, 1, 1, 1)
    assert row["drive_bias_mm"] == pytest.approx(-0.005)
    assert row["drive_rms_mm"] == pytest.approx(np.sqrt((0.0009 + 0.0016) / 2))  # our own arithmetic
    assert row["within_95_percent"] == 50
    assert row["confidence_mean"] == pytest.approx(0.75)
    assert row["right_share"] == 0.5


def test_every_measure_is_held_against_the_truth():
    none = record()["errors"]
    rows = measure_rows(
        [
            record(measured=3, errors=none | {"hollow_mm": [[0.1, 0.04], [-0.1, 0.06], [0.0, 0.05]]}),
            record(measured=1, errors=none | {"hollow_mm": [[0.2, 0.05]], "tip_thinning_percent": [[-4.0, 2.0]]}),
        ]
    )
    assert [r["measure"] for r in rows] == list(MEASURES)
    told = {r["measure"]: r for r in rows}
    hollow, tip, loss = told["hollow_mm"], told["tip_thinning_percent"], told["drive_loss_mm"]
    assert (hollow["taken"], hollow["teeth"], hollow["within_95_percent"]) == (4, 4, 50.0)
    assert hollow["bias"] == pytest.approx(0.05)
    assert hollow["rms"] == pytest.approx(np.sqrt((0.01 + 0.01 + 0.04) / 4))  # our own arithmetic
    assert (tip["taken"], tip["bias"], tip["within_95_percent"]) == (1, -4.0, 0.0)
    assert (loss["taken"], loss["rms"], loss["within_95_percent"]) == (0, None, None)


def test_true_measures_of_a_tooth_by_hand():
    """By the definitions of measures.md, section 4; own arithmetic."""
    tooth = {
        "pitch_thickness_ideal": 5.0, "pitch_thickness": 4.1, "drive_loss_pitch": 0.8, "coast_loss_pitch": 0.1,
        "tip_thickness": 1.5, "tip_thickness_ideal": 2.0, "drive_loss_max": 0.9, "overhang": 0.0, "hollow": 0.2,
    }  # fmt: skip
    true = true_measures(tooth)
    assert true["asymmetry_percent"] == pytest.approx(100 * (2.4 - 1.7) / (2 * 2.4))
    assert true["tip_thinning_percent"] == pytest.approx(25)
    assert (true["thickness_mm"], true["greatest_loss_mm"], true["hollow_mm"]) == (4.1, 0.9, 0.2)
    pointed = true_measures(tooth | {"tip_thickness_ideal": 0.0, "drive_loss_pitch": None})
    assert pointed["tip_thinning_percent"] is None
    assert pointed["asymmetry_percent"] is None


def test_accuracy_by_what_was_done_to_the_photos():
    taken, cut = accuracy_rows(
        [
            record(handling="as taken", grade="good", confidence=0.9),
            record(handling="cut", grade="watch", confidence=0.6),
            record(handling="as taken"),
        ],
        "handling",
    )
    assert (taken["handling"], taken["photos"], taken["graded"], taken["exact"]) == ("as taken", 2, 1, 1)
    assert (cut["handling"], cut["photos"], cut["exact"]) == ("cut", 1, 0)


def test_hooks_are_held_against_the_truth_where_there_are_any():
    seen = hooks(
        [
            record(true_overhang_mm=0.5, overhang_mm={"value": 0.4, "std": 0.2}),
            record(true_overhang_mm=0.3, overhang_mm={"value": 0.0, "std": 0.05}),
            record(true_overhang_mm=0.07, overhang_mm={"value": 0.2, "std": 0.05}),  # neither hooked nor plain
            record(true_overhang_mm=0.0, overhang_mm={"value": 0.03, "std": 0.05}),
            record(true_overhang_mm=0.0, overhang_mm=None),
            record(true_overhang_mm=None, overhang_mm={"value": 0.9, "std": 0.1}),
        ]
    )
    assert (seen.hooked, seen.plain, seen.most_mm, seen.within_95_percent) == (2, 1, 0.03, 50.0)
    assert seen.bias_mm == pytest.approx(-0.2)
    assert seen.rms_mm == pytest.approx(np.hypot(0.1, 0.3) / np.sqrt(2))


def test_patterns_are_counted_where_enough_teeth_were_measured():
    many = {"measured": 8}
    alternate, wave, single = (
        f
        for kind in ("alternate-teeth", "once-per-turn", "single-tooth")
        for f in patterns_found(
            [
                record(**many, true_patterns=["once-per-turn"], pattern="once-per-turn"),
                record(**many, true_patterns=["once-per-turn"], pattern=None),
                record(**many, true_patterns=[], pattern="single-tooth"),
                record(measured=5, true_patterns=["alternate-teeth"], pattern="alternate-teeth"),
            ]
        )
        if f.kind == kind
    )
    assert (alternate.photos, alternate.named, alternate.others, alternate.false) == (0, 0, 3, 0)
    assert (wave.photos, wave.named, wave.others, wave.false) == (2, 1, 1, 0)
    assert (single.photos, single.named, single.false) == (0, 0, 1)


def test_brier_score_of_a_worked_example():
    """G. W. Brier, Monthly Weather Review 78 (1950), in its halved two-class form: mean of (p - outcome)², by hand."""
    told = [(0.9, "good"), (0.8, "good"), (0.7, "watch"), (0.6, "good")]
    r = reliability([record(confidence=p, grade=g) for p, g in told], bins=2)
    assert r.brier == pytest.approx((0.01 + 0.04 + 0.49 + 0.16) / 4)
    assert r.gap == pytest.approx(0.75 - 0.75)
    assert r.bin_counts == (2, 2)
    assert r.right == (0.5, 1.0)
    assert r.confidence == pytest.approx((0.65, 0.85))


def test_refused_photos_say_nothing_of_the_confidence():
    with pytest.raises(ValueError, match="at least one graded"):
        reliability([record()])


def test_a_confidence_that_is_true_lies_in_its_bands():
    """Our own simulation: outcomes drawn with the very probability that is stated."""
    rng = np.random.default_rng(3)
    p = rng.uniform(0.5, 0.98, 800)
    hits = rng.random(800) < p
    r = reliability([record(confidence=float(a), grade="good" if h else "watch") for a, h in zip(p, hits, strict=True)])
    inside = [low <= share <= high for share, (low, high) in zip(r.right, r.band, strict=True)]
    assert sum(inside) >= 3
    assert abs(r.gap) < 0.05


def test_photos_of_one_confidence_are_not_parted_by_how_they_came_out():
    """Made up: each confidence comes true to the letter, and half of the photos have the highest."""
    told = [(0.98, 98, 2), (0.8, 40, 10), (0.6, 30, 20)]
    grades = [(p, g) for p, right, wrong in told for g in ["good"] * right + ["watch"] * wrong]
    r = reliability([record(confidence=p, grade=g) for p, g in grades])
    assert r.right == pytest.approx(r.confidence)
    assert r.bin_counts == (50, 50, 100)


def test_the_plot_is_a_png():
    r = reliability([record(confidence=0.5 + 0.04 * k, grade="good" if k % 3 else "watch") for k in range(12)])
    assert reliability_plot(r, "made up").startswith(b"\x89PNG\r\n\x1a\n")


def made_up(lot, seed, size_px):
    return record(lot=lot, kind="teeth", tier="bench", grade="good", confidence=0.9)


def test_a_survey_goes_on_where_it_was_cut_short(tmp_path, monkeypatch, capsys):
    asked = []

    def worker(lot, seed, size_px):
        asked.append(lot)
        return made_up(lot, seed, size_px)

    monkeypatch.setattr("toothcheck.survey.wrong_claim_case", worker)
    cache = tmp_path / "kept.json"

    def survey(*words):
        monkeypatch.setattr(
            sys, "argv", ["toothcheck", "survey", "wrong-claims", "--jobs", "1", "--cache", str(cache), *words]
        )
        with pytest.raises(SystemExit) as stop:
            cli.main()
        return stop.value.code

    assert survey("--count", "3") == 0
    assert survey("--count", "5") == 0
    assert asked == [0, 1, 2, 3, 4]
    assert len(json.loads(cache.read_text())["records"]) == 5
    assert "| teeth" in capsys.readouterr().out
    assert survey("--count", "5", "--seed", "9") == 2
    assert "belongs to another survey" in capsys.readouterr().err
    kept = json.loads(cache.read_text())
    cache.write_text(json.dumps(kept | {"of": kept["of"] | {"layout": 1}}))  # of an earlier toothcheck
    assert survey("--count", "5") == 2
    assert "belongs to another survey" in capsys.readouterr().err
    cache.write_text("[]")
    assert survey("--count", "5") == 2
    assert list(tmp_path.iterdir()) == [cache]


def test_cases_run_one_after_the_other_without_processes():
    assert [r["lot"] for r in run_cases(made_up, [4, 2], 0, jobs=1)] == [4, 2]


def test_one_photo_of_each_survey(tmp_path, monkeypatch, capsys):
    plot = tmp_path / "plot.png"
    for words in (["wrong-claims"], ["accuracy", "--plot", str(plot)], ["damage"], ["handling"], ["pairs"], ["bores"]):
        monkeypatch.setattr(
            sys, "argv", ["toothcheck", "survey", *words, "--count", "1", "--size", "800x600", "--jobs", "1"]
        )
        with pytest.raises(SystemExit) as stop:
            cli.main()
        assert stop.value.code == 0
        out, err = capsys.readouterr()
        assert f"1 of 1 {'pairs' if words == ['pairs'] else 'photos'}" in err
        assert any(f"| {first}" in out for first in ("all", "mat", "as taken", "splined"))
    assert plot.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("size", ["big", "100x100", "9000x9000"])
def test_sizes_that_cannot_be(size, monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["toothcheck", "survey", "accuracy", "--size", size])
    with pytest.raises(SystemExit) as stop:
        cli.main()
    assert stop.value.code == 2
    assert "--size" in capsys.readouterr().err
