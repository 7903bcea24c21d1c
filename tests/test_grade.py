"""The grade against the table of bands: this project's convention, no standard sets a limit."""

from dataclasses import replace

import numpy as np
import pytest
from rings import form_of, ring_of

from toothcheck.flags import ANOTHER_PHOTO, flag
from toothcheck.grade import (
    BANDS_PERCENT,
    CAUTIONS,
    GRADES,
    HALTING,
    HOOK_MM,
    band,
    grade,
    probabilities,
    refusal,
    with_step,
)
from toothcheck.wear import measure


@pytest.mark.parametrize(
    ("asymmetry", "overhang", "want"),
    [
        (-3, 0, "good"), (0, 0, "good"), (4.99, 0, "good"),
        (5, 0, "watch"), (9.99, 0.29, "watch"),
        (10, 0, "replace-set"), (24.99, 0, "replace-set"),
        (25, 0, "replace-now"), (60, 0, "replace-now"),
        (0, 0.3, "replace-now"), (7, 0.31, "replace-now"),
    ],
)  # fmt: skip
def test_bands(asymmetry, overhang, want):
    assert band(asymmetry, overhang) == want
    assert band(asymmetry, overhang, broken=True) == "replace-now"


def test_shares_of_draws_follow_the_bands_draw_by_draw():
    rng = np.random.default_rng(0)
    asymmetry, overhang = rng.uniform(-5, 40, 500), rng.uniform(0, 0.4, 500)
    asymmetry[:3] = BANDS_PERCENT
    overhang[3] = HOOK_MM
    shares = probabilities(asymmetry, overhang)
    each = [band(a, o) for a, o in zip(asymmetry, overhang, strict=True)]
    assert shares == pytest.approx({name: each.count(name) / 500 for name in GRADES})
    assert sum(probabilities(asymmetry, np.zeros(0)).values()) == pytest.approx(1)


def wear_of(lost, **words):
    form = form_of(15.875, 10.16, 15)
    return measure(ring_of(form, drive=lost, **words), drive_clockwise=True, rng=np.random.default_rng(0))


def test_one_tooth_alone_is_counted_among_all_of_them():
    wear = wear_of(0.5)
    teeth = tuple(t if t.index == 0 else replace(t, measured=False) for t in wear.teeth)
    verdict = grade(replace(wear, teeth=teeth), (), np.random.default_rng(0))
    assert verdict.reasons[0] == "Only 1 of 15 teeth could be measured; 3 are the least for a grade."


@pytest.mark.parametrize(("asymmetry", "name", "least", "most"), [
    (2.0, "good", 1.0, 1.0), (7.0, "watch", 0.9, 0.98), (20.0, "replace-set", 0.6, 0.8),
    (30.0, "replace-now", 1.0, 1.0),
])  # fmt: skip
def test_an_unseen_hook_is_as_likely_as_the_wear_makes_it(asymmetry, name, least, most):
    shares = probabilities(np.full(50, asymmetry), np.zeros(0))
    assert least <= shares[name] <= most
    assert sum(shares.values()) == pytest.approx(1)
    assert shares["replace-now"] >= 1 - most


@pytest.mark.parametrize(("percent", "want"), [(0, "good"), (7.5, "watch"), (17, "replace-set"), (32, "replace-now")])
def test_the_middle_of_each_band_is_graded_surely_and_with_cautions(percent, want):
    form = form_of(15.875, 10.16, 15)
    verdict = grade(
        wear_of(2 * float(form.half_thickness_mm(form.pitch_radius_mm)) * percent / 100), (), np.random.default_rng(1)
    )
    assert verdict.grade == want
    assert 0.8 < verdict.confidence <= 0.98
    assert verdict.cautions == CAUTIONS
    assert verdict.next_steps


def test_near_a_band_edge_confidence_is_shared_and_the_other_grade_named():
    form = form_of(15.875, 10.16, 15)
    verdict = grade(
        wear_of(0.1 * 2 * float(form.half_thickness_mm(form.pitch_radius_mm))), (), np.random.default_rng(1)
    )
    assert verdict.confidence < 0.75
    assert any("next most likely grade" in reason for reason in verdict.reasons)


@pytest.mark.parametrize(("asymmetry", "sure"), [(9.6, 0.788), (5.3, 0.726)])
def test_what_the_model_leaves_out_is_in_the_confidence_though_the_photo_is_exact(asymmetry, sure):
    # Φ(0.4 / 0.5) and Φ(0.3 / 0.5): this project's floor of 0.5 % of the tooth
    wear = replace(wear_of(0.4), draws_asymmetry=np.full(20_000, asymmetry), draws_overhang=np.zeros(20_000))
    verdict = grade(wear, (), np.random.default_rng(1))
    assert verdict.grade == "watch"
    assert verdict.confidence == pytest.approx(sure, abs=0.01)


@pytest.mark.parametrize(
    ("percent", "flags", "said"),
    [
        # at a limit between grades one of two is little surer than half, before the flags take from it
        (25, ("no-card", "oblique"), " Do not ride on it until it is known not to be replace-now."),
        (17, ("no-card", "oblique", "dark", "worn-both-flanks"), ""),
        (10, ("no-card", "oblique"), None),
        (25, ("roller-disagrees",), None),  # then the measurement itself is in doubt
    ],
)
def test_where_every_likely_grade_means_new_parts_that_comes_first(percent, flags, said):
    form = form_of(15.875, 10.16, 15)
    lost = percent / 100 * 2 * float(form.half_thickness_mm(form.pitch_radius_mm))
    verdict = grade(wear_of(lost), flags, np.random.default_rng(1))
    assert verdict.grade == "cannot-tell"
    if said is None:
        assert not any("Renew" in step for step in verdict.next_steps)
        assert verdict.advice_heading == "For the next photo"
        assert verdict.renew_anyway is None
    else:
        first = f"Renew both sprockets and the chain: whichever of the likely grades it is, it means that.{said}"
        assert verdict.next_steps == (first, *(flag(code).remedy for code in flags))
        assert verdict.renew_anyway == ("before-next-ride" if said else "next-opportunity")
        assert verdict.advice_heading == "Next"


@pytest.mark.parametrize(
    ("percent", "optional"),
    [
        (32, True),
        (17, True),
        (23, False),  # replace-now is likely, too: whether nobody may ride on it hangs on a better photo
        (7.5, False),  # the next photo is to come anyway
    ],
)
def test_a_better_photo_is_left_to_the_reader_where_the_part_is_surely_to_be_renewed(percent, optional):
    form = form_of(15.875, 10.16, 15)
    lost = percent / 100 * 2 * float(form.half_thickness_mm(form.pitch_radius_mm))
    verdict = grade(wear_of(lost), ("oblique", "turning-inferred", "dark"), np.random.default_rng(1))
    steps = verdict.next_steps
    assert flag("turning-inferred").remedy in steps  # told of this photo, so it stands either way
    assert (flag("oblique").remedy in steps) is not optional
    last = (
        "No other photo is needed for this; should you take one all the same: hold the phone square on to the "
        "sprocket's face, within about 25 degrees. Use more, and diffuse, light."
    )
    assert (steps[-1] == last) is optional
    # what is found out besides, such as a tooth to be wiped, is not optional
    more = with_step(steps, "Wipe tooth 3.")
    assert more[-2 if optional else -1] == "Wipe tooth 3."
    assert [step for step in more if step != "Wipe tooth 3."] == list(steps)


def test_a_flag_that_only_asks_for_another_photo_may_stand_beside_a_grade():
    for code in ANOTHER_PHOTO:
        assert grade(wear_of(1.0), (code,), np.random.default_rng(1)).grade == "replace-set"


@pytest.mark.parametrize("code", ["too-far", "wear-on-coast-flank"])
def test_a_flag_that_blocks_ends_in_no_grade_and_says_what_to_change(code):
    verdict = grade(wear_of(0.4), (code,), np.random.default_rng(1))
    assert verdict.grade == "cannot-tell"
    assert verdict.confidence < 0.5
    assert flag(code).sentence in verdict.reasons
    assert flag(code).remedy in verdict.next_steps
    # where the turning was wrong another photo would change nothing
    assert verdict.advice_heading == ("For the next photo" if code == "too-far" else "Next")


@pytest.mark.parametrize("code", ["no-card", "turning-inferred", "teeth-uncertain"])
def test_what_was_guessed_costs_confidence(code):
    wear = wear_of(0.17)
    plain, guessed = (grade(wear, flags, np.random.default_rng(0)) for flags in ([], [code]))
    assert guessed.grade == plain.grade
    assert guessed.confidence < 0.95 * plain.confidence


def test_should_a_broken_tooth_be_whole_after_all_the_wear_of_the_others_decides():
    form = form_of(15.875, 10.16, 15)
    wear = wear_of(0.17 * 2 * float(form.half_thickness_mm(form.pitch_radius_mm)))
    teeth = (replace(wear.teeth[0], measured=False, flags=("broken",)), *wear.teeth[1:])
    verdict = grade(replace(wear, teeth=teeth), (), np.random.default_rng(1))
    assert verdict.grade == "replace-now"
    assert verdict.confidence == pytest.approx(0.85, abs=0.01)
    assert any("next most likely grade is replace-set" in reason for reason in verdict.reasons)


@pytest.mark.parametrize(("flags", "measured"), [(("roller-disagrees",), 14), (("wear-on-coast-flank",), 14), ((), 2)])
@pytest.mark.parametrize("code", sorted(HALTING))
def test_where_no_grade_is_given_a_damaged_tooth_still_comes_first(flags, measured, code):
    wear = wear_of(0.4, covered=range(measured + 1, 15))
    number = 0 if code == "broken" else 1
    teeth = tuple(
        replace(t, measured=t.measured and (i != number or code != "broken"), flags=(code,)) if i == number else t
        for i, t in enumerate(wear.teeth)
    )
    if measured < 3:
        wear = replace(wear, asymmetry_percent=None)
    verdict = grade(replace(wear, teeth=teeth), flags, np.random.default_rng(1))
    assert verdict.grade == "cannot-tell"
    assert verdict.next_steps[0] == f"Do not ride until a qualified mechanic has looked at tooth {number}."
    assert any(f"Tooth {number} " in reason for reason in verdict.reasons)
    assert verdict.advice_heading == "Look first"


@pytest.mark.parametrize("code", sorted(HALTING))
@pytest.mark.parametrize("worn_mm", [0.0, 0.4, 1.0, 2.8])
@pytest.mark.parametrize("flags", [(), ("no-card",), ("oblique", "no-card", "worn-both-flanks")])
def test_a_tooth_that_halts_leaves_two_grades_only(code, worn_mm, flags):
    """The logbook looks for such teeth in readings of these two alone."""
    wear = wear_of(worn_mm)
    teeth = (replace(wear.teeth[0], measured=code != "broken", flags=(code,)), *wear.teeth[1:])
    assert grade(replace(wear, teeth=teeth), flags, np.random.default_rng(1)).grade in ("cannot-tell", "replace-now")


def test_up_to_three_teeth_in_a_row_that_were_not_seen_are_to_be_looked_at():
    wear = wear_of(0.4)
    hidden = {14, 0, 2, 4, 5, 6, 8, 9, 10, 11}  # the last four side by side, as under a chain
    gone = {5}  # said already
    teeth = tuple(
        replace(t, measured=t.index not in hidden, flags=("broken",) if t.index in gone else ()) for t in wear.teeth
    )
    steps = grade(replace(wear, teeth=teeth), (), np.random.default_rng(1)).next_steps
    assert [s for s in steps if "Look for damage at teeth 0, 2, 4, 6, 14:" in s]
    assert not [s for s in grade(wear, (), np.random.default_rng(1)).next_steps if "Look for damage" in s]


@pytest.mark.parametrize("shift", [-0.25, 0.25])
def test_a_tooth_that_stands_aside_must_be_looked_at_before_a_grade(shift):
    drive, coast = np.full(15, 0.3), np.full(15, 0.05)
    drive[4] -= shift
    coast[4] += shift
    wear = wear_of(drive, coast=coast, noise_mm=0.03)
    assert [t.index for t in wear.teeth if "stands-aside" in t.flags] == [4]
    assert wear.teeth[4].measured
    verdict = grade(wear, (), np.random.default_rng(1))
    assert verdict.grade == "cannot-tell"
    assert "Tooth 4 stands aside of its place, both flanks alike: it may be bent." in verdict.reasons
    assert flag("stands-aside").remedy in verdict.next_steps


@pytest.mark.parametrize(("doubt_mm", "named"), [(0.0, [4]), (0.12, [])])
def test_a_tooth_stands_aside_by_more_than_its_own_edges_may_be_off(doubt_mm, named):
    drive, coast = np.full(15, 0.3), np.full(15, 0.05)
    drive[4] += 0.14
    coast[4] -= 0.14
    ring = ring_of(form_of(15.875, 10.16, 15), drive=drive, coast=coast, noise_mm=0.03)
    gaps = tuple(
        replace(g, doubt_mm=np.full(len(g.doubt_mm), doubt_mm if g.index in (4, 5) else 0.0)) for g in ring.gaps
    )
    wear = measure(replace(ring, gaps=gaps), drive_clockwise=True, rng=np.random.default_rng(0))
    assert wear.teeth[4].measured
    assert [t.index for t in wear.teeth if "stands-aside" in t.flags] == named


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        (-0.74, "The tip of tooth 9 ends 0.7 mm short of the other teeth's: "),
        (1.2, "The tip of tooth 9 reaches 1.2 mm beyond the other teeth's: "),
        (-3.4, "The tip of tooth 9 ends far short of the other teeth's, or is hidden: most of it may be broken off."),
    ],
)
def test_a_tip_that_differs_must_be_looked_at_before_a_grade_unless_the_rest_is_done_for(mm, said):
    form = form_of(15.875, 10.16, 15)
    ring = replace(ring_of(form, drive=0.3), tips_apart=((9, mm),))
    wear = measure(ring, drive_clockwise=True, rng=np.random.default_rng(0))
    assert [t.index for t in wear.teeth if "tip-differs" in t.flags] == [9]
    assert wear.teeth[9].measured
    verdict = grade(wear, (), np.random.default_rng(1))
    assert verdict.grade == "cannot-tell"
    assert any(reason.startswith(said) for reason in verdict.reasons)
    assert verdict.advice_heading == "Look first"
    ring = replace(ring_of(form, drive=2.8), tips_apart=((9, mm),))
    wear = measure(ring, drive_clockwise=True, rng=np.random.default_rng(0))
    worn = grade(wear, (), np.random.default_rng(1))
    assert worn.grade == "replace-now"
    assert worn.confidence > 0.9
    # where the photo is in doubt besides, the tooth is told of all the same
    doubted = grade(wear, ("too-far",), np.random.default_rng(1))
    assert doubted.grade == "cannot-tell"
    assert any(reason.startswith(said) for reason in doubted.reasons)


@pytest.mark.parametrize(("degrees", "way"), [(16.0, "towards"), (-22.0, "away from")])
def test_a_tooth_that_leans_must_be_looked_at_before_a_grade_and_before_a_ride(degrees, way):
    form = form_of(15.875, 10.16, 15)
    ring = replace(ring_of(form, drive=0.3), leaning=((9, degrees),), tips_apart=((9, -0.5),))
    wear = measure(ring, drive_clockwise=True, rng=np.random.default_rng(0))
    assert [t.index for t in wear.teeth if "leans" in t.flags] == [9]
    verdict = grade(wear, (), np.random.default_rng(1))
    assert verdict.grade == "cannot-tell"
    said = f"Tooth 9 is seen as one bent by about {abs(degrees):.0f}° {way} the camera would be: it may be bent."
    assert said in verdict.reasons
    assert not any(reason.startswith("The tip of tooth") for reason in verdict.reasons)  # a lean does that
    assert verdict.next_steps[0] == "Do not ride until a qualified mechanic has looked at tooth 9."


def test_teeth_worn_unequally_do_not_stand_aside():
    drive = np.full(15, 0.3)
    drive[[2, 9]] = (0.0, 0.9)
    wear = wear_of(drive, noise_mm=0.05)
    assert not any(t.flags for t in wear.teeth)


def test_two_teeth_are_too_few():
    verdict = grade(wear_of(0.4, covered=range(3, 15)), (), np.random.default_rng(1))
    assert verdict.grade == "cannot-tell"
    assert "teeth could be measured" in verdict.reasons[0]


def test_a_refusal_gives_no_grade_but_what_to_do_next():
    verdict = refusal(["no-card"])
    assert verdict.grade == "cannot-tell"
    assert verdict.confidence == 0
    assert flag("no-card").remedy in verdict.next_steps
    assert refusal([]).next_steps


def test_one_thing_to_do_is_said_once_though_two_flags_ask_for_it():
    steps = refusal(["no-card", "pitch-guess", "dark"]).next_steps
    assert steps == (flag("no-card").remedy, flag("dark").remedy)
