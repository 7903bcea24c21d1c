"""Chain elongation from readings and from rows of pins."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toothcheck.chains import chain
from toothcheck.estimate import Estimate
from toothcheck.stretch import (
    TOOLS,
    Limit,
    PinRow,
    Reading,
    Tool,
    decide,
    elongation_of,
    estimate_of,
    run_of,
    span_of,
)
from toothcheck.stretch.published import PUBLISHED_LIMITS, general_figures, industrial_rule_percent

C520 = chain("520")


def measured(*spans, pitches=20, size=C520, tool="calliper", **more):
    readings = [s if isinstance(s, Reading) else Reading(span_mm=s) for s in spans]
    return elongation_of(readings, pitches=pitches, size=size, tool=TOOLS[tool], **more)


def codes(elongation):
    return {trap.code for trap in elongation.traps}


# --- published ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pitches", "span_mm", "percent"),
    [(20, 319.4, 0.60), (20, 323.0, 1.73), (17, 272.0, 0.79), (15, 242.9, 2.01)],
)
def test_chain_limits_of_published_service_manuals(pitches, span_mm, percent):
    # Source: limits of chain wear pin to pin in published service manuals of four models, pitch 15.875 mm
    assert any((x.pitches, x.span_mm) == (pitches, span_mm) for x in PUBLISHED_LIMITS)
    limit = Limit.from_span(span_mm=span_mm, pitches=pitches, pitch_mm=15.875, source="service manual p. 1")
    assert limit.elongation_percent == pytest.approx(percent, abs=0.005)
    # as it is typed off the page, with and without the words
    for typed in (f"{span_mm} over {pitches}", f"{span_mm:g} mm over {pitches} pitches"):
        assert Limit.parse(f"{typed} @ service manual p. 1", pitch_mm=15.875) == limit
    at_it = measured(span_mm, span_mm, span_mm, pitches=pitches)
    assert at_it.percent.value == pytest.approx(percent, abs=0.005)
    # exactly at the limit no side can be sure
    assert decide(at_it.percent, limit).side == "too-near"


@pytest.mark.parametrize(
    ("z", "fixed", "percent"), [(45, False, 3.0), (100, False, 2.0), (100, True, 1.5), (150, True, 4 / 3)]
)
def test_industrial_rule(z, fixed, percent):
    # Source: a published chain maker's guide, 200/z %, capped at 3 % (1.5 % on fixed centres)
    assert industrial_rule_percent(z, fixed_centres=fixed) == pytest.approx(percent)


def test_rule_read_to_half_a_millimetre_over_twenty_pitches():
    # our own arithmetic: 0.5 / 317.5 = 0.157 %
    e = measured(319.0, 319.0, 319.0, tool="rule")
    assert e.limits_percent == pytest.approx(0.16, abs=0.005)
    assert e.percent.std == pytest.approx(e.limits_percent / math.sqrt(3))


# --- readings ----------------------------------------------------------------------------------------------------


def test_inner_and_outer_give_the_centre_distance_whatever_the_pin():
    for pin in (5.08, 10.16):
        r = Reading.over_pins(inner_mm=319.4 - pin, outer_mm=319.4 + pin)
        assert r.span_mm == pytest.approx(319.4)
        assert r.pin_mm == pytest.approx(pin)
        assert r.std_mm(TOOLS["calliper"]) == pytest.approx(TOOLS["calliper"].std_mm / math.sqrt(2))


def test_the_worst_place_decides():
    e = measured(318.2, 319.4, 318.6)
    assert e.worst_place == 1
    assert e.percent.value == pytest.approx(0.598, abs=0.001)
    assert e.believable


def test_over_a_joining_link_that_reads_shorter_the_places_beside_it_decide():
    e = measured(318.2, Reading(span_mm=317.9, over_joining_link=True), 318.6)
    assert e.worst_place == 2
    assert len(e.places_percent) == 3
    assert not e.lower_bound
    assert "does not decide" in next(t.sentence for t in e.traps if t.code == "joining-link")


def test_over_a_joining_link_that_reads_longest_the_chain_is_at_least_that_long():
    # newer pins take from a reading and never add to it, so it can show a chain beyond its limit beside others, too
    limit = Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source="invented manual p. 1")
    for span, side in ((321.0, "beyond"), (319.0, "cannot-tell")):
        e = measured(318.2, Reading(span_mm=span, over_joining_link=True), 318.1)
        assert e.worst_place == 1
        assert e.percent.value == pytest.approx(100 * (span / 317.5 - 1))
        assert decide(e.percent, limit, lower_bound=e.lower_bound).side == side
        assert "only a lower bound" in next(t.sentence for t in e.traps if t.code == "joining-link")


@given(st.floats(0.0, 3.5), st.integers(7, 80))
def test_rollers_counted_as_pitches_are_caught(percent, n):
    # n rollers span n - 1 pitches; at 20 the reading means -5 %, over a long run it looks like an elongation
    span = (n - 1) * 15.875 * (1 + percent / 100)
    e = measured(span, span, pitches=n)
    if e.believable:
        assert "count-again" in codes(e)
        assert e.if_one_fewer.value == pytest.approx(percent)
        # a limit that the chain is well beyond
        if percent > 0.5:
            limit = Limit(elongation_percent=percent - 0.4, source="manual p. 1", given_as="x")
            assert decide(e.percent, limit, if_one_fewer=e.if_one_fewer).side != "within"
    else:
        assert "rollers-counted" in codes(e)
    if n <= 23:
        assert not e.believable  # the length shows it


@given(st.floats(0.0, 2.5), st.integers(6, 25))
def test_a_sound_count_on_a_usual_run_is_not_asked_about(percent, n):
    e = measured(n * 15.875 * (1 + percent / 100), pitches=n)
    assert e.if_one_fewer is None
    assert codes(e) == {"one-place"}


@pytest.mark.parametrize(("pitches", "percent", "asked"), [(40, 1.3, True), (40, 1.5, False), (60, 1.5, True)])
def test_only_what_a_chain_can_have_is_asked_about(pitches, percent, asked):
    # one pitch fewer would be +3.9, +4.1 and +3.2 % (our arithmetic); 4 % is the most that is plausible
    e = measured(pitches * 15.875 * (1 + percent / 100), pitches=pitches)
    assert (e.if_one_fewer is not None) == asked
    assert f"over {pitches - 1}" in " ".join(t.sentence for t in e.traps) or not asked


def test_counted_rollers_answer_the_question():
    span = 40 * 15.875 * 1.002
    e = measured(span, pitches=40, rollers=41)
    assert e.if_one_fewer is None
    assert codes(e) == {"one-place"}
    # they do not make a reading believable that no chain has
    assert not measured(19 * 15.875, pitches=20, rollers=21).believable
    with pytest.raises(ValueError, match="one more than the pitches, not 40 for 40"):
        measured(span, pitches=40, rollers=40)


def test_any_place_may_have_been_counted_wrong():
    # one pitch fewer would make the longest place +4.3 %, which no chain has, and the next one +3.5 %
    e = measured(*(40 * 15.875 * (1 + p / 100) for p in (1.7, 0.9, 0.2)), pitches=40)
    assert e.worst_place == 0
    assert e.if_one_fewer.value == pytest.approx(100 * (1.009 * 40 / 39 - 1))


def test_twenty_rollers_read_five_per_cent_short():
    e = measured(19 * 15.875, pitches=20)
    assert e.percent.value == pytest.approx(-5.0)
    assert "19 pitches" in e.traps[0].sentence


def test_one_pitch_too_many_under_the_calliper():
    assert "one-too-few-counted" in codes(measured(21 * 15.875 * 1.005, pitches=20))
    # over a long run the slip hides inside what wear can do: asked, not refused
    long = measured(41 * 15.875, pitches=40)
    assert "count-again" in codes(long)
    assert long.believable


@pytest.mark.parametrize(
    ("pitches_long", "told", "said"),
    [
        # our own arithmetic: 19.228/20, 21.105/20, 41/40 and 20.08·12.7/(20·15.875)
        (19 * 1.012, 20, ("is -3.9 %, which no such chain has", "they span 19 pitches", "make it +1.20 %")),
        (21 * 1.005, 20, ("is +5.5 %, which no such chain has", "fits 21 pitches (+0.50 %)")),
        (41.0, 40, ("is +2.50 % over 40 pitches, but also +0.00 % over 41:", "if they are 41, say --rollers 41")),
        (20.08 * 12.7 / 15.875, 20, ("is -19.7 %, which no such chain has", "fits a pitch of 12.7 mm")),
        (27.0, 20, ("is +35.0 %, which no such chain has", "Check the count, the chain size and the reading")),
    ],
)
def test_what_a_reading_would_be_by_another_count_or_size_is_said_in_numbers(pitches_long, told, said):
    sentence = measured(pitches_long * 15.875, pitches=told).traps[0].sentence
    for words in said:
        assert words in sentence


@pytest.mark.parametrize(("claimed", "real"), [("520", "428"), ("428", "520"), ("530", "630"), ("420", "06B")])
def test_wrong_chain_size_is_named(claimed, real):
    e = measured(20 * chain(real).pitch_mm * 1.004, size=chain(claimed))
    assert not e.believable
    assert any(real in trap.sentence for trap in e.traps)


def test_equal_pitch_is_told_by_the_roller():
    # 532 looks like 530 by its pitch; the roller is 11.10 against 10.16 (vendors' tables)
    r = Reading.over_pins(inner_mm=318.5 - 11.1, outer_mm=318.5 + 11.1)
    e = measured(r, r, r, size=chain("530"), over_rollers=True)
    assert "wrong-roller" in codes(e)
    assert "532" in next(t.sentence for t in e.traps if t.code == "wrong-roller")
    assert measured(r, r, r, size=chain("532"), over_rollers=True).believable


def test_slack_one_place_and_uneven_are_said():
    assert {"not-under-pull", "one-place"} <= codes(measured(318.0, under_pull=False))
    assert "uneven-places" in codes(measured(318.0, 318.1, 320.5))
    assert "uneven-places" not in codes(measured(318.0, 318.1, 318.3))


@pytest.mark.parametrize(("inner", "outer"), [(319.0, 319.4), (300.0, 338.0)])
def test_inner_and_outer_that_no_pin_can_make_are_asked_about(inner, outer):
    # 520 has rollers of 10.16 mm (vendors' tables) and pins of about half that; two places typed as one, or a slip
    readings = [Reading.over_pins(inner_mm=inner, outer_mm=outer)]
    e = elongation_of(readings, pitches=20, size=chain("520"), tool=TOOLS["calliper"])
    assert not e.believable
    said = " ".join(t.sentence for t in e.traps)
    assert "two places are typed with a blank between them" in said
    # over two pins is longer than between them by two pins, not by one
    assert f"Inner and outer make a pin of {(outer - inner) / 2:.2f} mm" in said


def test_a_limit_that_a_logbook_keeps_counts_without_its_page():
    # one typed today needs it; one that was taken before must not be lost
    kept = Limit.parse("0.6 % @ the manual", pitch_mm=None)
    assert Limit.parse(kept.text(), pitch_mm=None) == kept
    with pytest.raises(ValueError, match="with its page"):
        Limit.typed(kept.text(), pitch_mm=None)


def test_one_place_beside_the_joining_link_is_not_said_to_be_the_only_one():
    readings = [Reading(span_mm=319.2, over_joining_link=True), Reading(span_mm=319.0)]
    for places, said in ((readings, "one place was measured beside the joining link:"), (readings[1:], "measured:")):
        e = elongation_of(places, pitches=20, size=chain("520"), tool=TOOLS["rule"])
        assert next(t.sentence for t in e.traps if t.code == "one-place").partition(" chains")[0].endswith(said)


def test_a_lower_bound_may_be_beyond_but_never_within():
    limit = Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source="invented manual p. 1")
    joint = Reading(span_mm=318.0, over_joining_link=True)
    for low in (measured(318.0, 318.1, 318.2, under_pull=False), measured(joint)):
        assert low.lower_bound
        told = decide(low.percent, limit, lower_bound=low.lower_bound)
        assert (told.side, told.probability_beyond) == ("cannot-tell", None)
        assert "at least" in told.sentence
    assert not measured(318.0, joint).lower_bound  # the place beside it decides
    slack = measured(321.0, under_pull=False)
    assert decide(slack.percent, limit, lower_bound=slack.lower_bound).side == "beyond"


def test_no_probability_is_at_least_a_hundred_per_cent():
    limit = Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source="manual p. 3-7")
    for percent, said in ((1.2, "beyond it 100 %."), (0.67, "beyond it at least 9")):
        assert said in decide(Estimate(value=percent, std=0.04), limit, lower_bound=True).sentence


def test_odd_number_of_pitches_is_less_sure():
    # 7 or 8 of 15 links hold the play: ± e/15 (our arithmetic)
    odd = measured(242.9, pitches=15)
    assert odd.percent.std == pytest.approx(math.hypot(100 * 0.1 / math.sqrt(3) / 238.125, 2.005 / 15), rel=0.01)


@given(st.floats(-0.3, 3.5), st.floats(0.02, 0.5), st.integers(6, 60))
def test_a_span_gives_back_the_elongation_that_it_was_kept_for(percent, std, pitches):
    kept = span_of(Estimate(value=percent, std=std), pitches, C520)
    back = estimate_of(kept.value, kept.std, pitches, C520)
    assert back.value == pytest.approx(percent, abs=1e-9)
    # of a photo's run the odd pitch leaves nothing open; a span by itself cannot tell that
    assert back.std == pytest.approx(max(std, abs(percent) / pitches if pitches % 2 else 0.0))


@pytest.mark.parametrize(
    "make",
    [
        lambda: measured(pitches=20),
        lambda: measured(319, pitches=3),
        lambda: measured(-1),
        lambda: measured(math.nan),
        lambda: Reading.over_pins(inner_mm=320, outer_mm=310),
        lambda: Tool(name="x", half_width_mm=0),
        lambda: Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source=" "),
        lambda: Limit.from_span(span_mm=319.4, pitches=21, pitch_mm=15.875, source="manual p. 3"),
        lambda: Limit.from_span(span_mm=319.4, pitches=0, pitch_mm=15.875, source="manual p. 3"),
        lambda: industrial_rule_percent(0),
    ],
)
def test_bad_arguments_are_refused(make):
    with pytest.raises(ValueError, match="must"):
        make()


# --- deciding ----------------------------------------------------------------------------------------------------


def test_guard_band_on_both_sides():
    limit = Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source="manual p. 3-7")
    sides = [decide(Estimate(value=v, std=0.1), limit).side for v in (0.3, 0.55, 0.65, 0.9)]
    assert sides == ["within", "too-near", "too-near", "beyond"]
    none = decide(Estimate(value=0.5, std=0.1), None)
    assert none.side == "no-limit"
    assert none.probability_beyond is None
    assert "manual" in none.sentence


@pytest.mark.parametrize(
    ("told", "or_else", "side"),
    [
        (0.0, 2.5, "cannot-tell"),
        (0.0, 0.55, "cannot-tell"),  # too near the other way is not within either
        (0.0, 0.3, "within"),
        (0.55, 2.5, "too-near"),  # treated as due, and so it would be the other way
        (0.9, 3.5, "beyond"),
    ],
)
def test_where_the_count_may_be_wrong_within_must_hold_either_way(told, or_else, side):
    limit = Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source="manual p. 3-7")
    said = decide(Estimate(value=told, std=0.1), limit, if_one_fewer=Estimate(value=or_else, std=0.1))
    assert said.side == side
    assert (said.probability_beyond is None) == (side == "cannot-tell")
    assert f"{or_else:.2f} ± 0.10 %, should rollers have been counted as pitches" in said.sentence


def test_claims_beyond_and_within_hold_at_the_stated_rate():
    # law: of chains called beyond, at most one in twenty is not, whatever the true elongation (calliper noise drawn)
    limit = Limit.from_span(span_mm=319.4, pitches=20, pitch_mm=15.875, source="manual p. 3-7")
    rng = np.random.default_rng(5)
    true = limit.elongation_percent - 0.001
    std = 0.05
    wrong = sum(decide(Estimate(value=true + std * rng.normal(), std=std), limit).side == "beyond" for _ in range(2000))
    assert wrong / 2000 < 0.07


def test_general_figures_say_that_they_are_not_the_limit():
    text = " ".join(general_figures(45))
    assert "0.6 to 2.0 %" in text
    assert "none is yours" in text
    assert "not written for vehicles" in text


# --- rows of pins --------------------------------------------------------------------------------------------------


def row_of(lengths, std=0.01, scale=0.0, bend_at=None, rng=None):
    heading = np.zeros(len(lengths))
    if bend_at is not None:
        heading[bend_at:] = np.radians(4.0)
    steps = np.stack([lengths * np.cos(heading), lengths * np.sin(heading)], axis=1)
    pins = np.concatenate([[[0.0, 0.0]], np.cumsum(steps, axis=0)])
    if rng is not None:
        pins = pins + std * rng.normal(size=pins.shape)
    return PinRow(pins_mm=pins, std_mm=np.full(len(pins), std), scale_std=scale)


@given(st.floats(0, 2.5), st.integers(6, 24))
def test_play_sits_in_every_second_link_and_the_count_does_not_matter(percent, n):
    p = C520.pitch_mm
    lengths = np.array([p * (1 + 2 * percent / 100 * (i % 2)) for i in range(n)])
    run = run_of(row_of(lengths), C520)
    assert run.percent.value == pytest.approx(percent, abs=1e-9)
    assert abs(run.alternation_mm.value) == pytest.approx(2 * percent / 100 * p, abs=1e-9)
    assert not run.uneven
    assert not run.kinks


def test_an_uneven_link_and_a_stiff_joint_are_named():
    lengths = np.full(14, 15.95)
    lengths[6] += 0.25
    run = run_of(row_of(lengths, rng=np.random.default_rng(1)), C520)
    assert [link.index for link in run.uneven] == [6]
    kinked = run_of(row_of(np.full(14, 15.95), bend_at=5), C520)
    assert [k.pin for k in kinked.kinks] == [5]
    assert abs(kinked.kinks[0].angle_deg) == pytest.approx(4.0, abs=0.01)


@given(st.floats(-math.pi, math.pi), st.booleans())
def test_a_row_may_lie_any_way_in_the_plane(turn, mirrored):
    lengths = np.array([15.9 + 0.2 * (i % 2) for i in range(14)])
    lengths[6] += 0.4
    row = row_of(lengths, bend_at=9)
    c, s = math.cos(turn), math.sin(turn)
    moved = row.pins_mm * (1, -1 if mirrored else 1) @ np.array([[c, s], [-s, c]])
    laid, turned = run_of(row, C520), run_of(replace(row, pins_mm=moved), C520)
    assert turned.percent.value == pytest.approx(laid.percent.value, abs=1e-9)
    assert turned.alternation_mm.value == pytest.approx(laid.alternation_mm.value, abs=1e-9)
    assert [link.length_mm for link in turned.links] == pytest.approx(lengths)
    assert [link.index for link in turned.uneven] == [6]
    assert [k.pin for k in turned.kinks] == [9]
    assert abs(turned.kinks[0].angle_deg) == pytest.approx(4.0, abs=0.01)


def test_a_pin_that_stands_aside_is_one_stiff_joint_and_not_three():
    # beside it the run turns half as far the other way: atan(1/15.9) twice at it, once at each neighbour
    row = row_of(np.full(14, 15.9))
    aside = row.pins_mm.copy()
    aside[6, 1] += 1.0
    run = run_of(replace(row, pins_mm=aside), C520)
    assert [k.pin for k in run.kinks] == [6]
    assert abs(run.kinks[0].angle_deg) == pytest.approx(2 * math.degrees(math.atan(1 / 15.9)), abs=0.01)


@pytest.mark.parametrize("n", [12, 13])
def test_stated_uncertainty_of_the_play_at_every_second_link_holds(n):
    # Monte Carlo of our own, as for the elongation
    rng = np.random.default_rng(n)
    lengths = np.array([15.875 + 0.3 * (i % 2) for i in range(n)])
    told = [run_of(row_of(lengths, std=0.03, rng=rng), C520).alternation_mm for _ in range(400)]
    assert np.std([abs(e.value) for e in told]) == pytest.approx(told[0].std, rel=0.12)
    assert np.mean([abs(e.value) for e in told]) == pytest.approx(0.3, abs=0.003)


def test_stated_uncertainty_of_a_row_holds():
    # Monte Carlo of our own: noise on every pin, 95 % of 400 rows within 1.96 std (binomial band about 0.93 … 0.97)
    rng = np.random.default_rng(7)
    lengths = np.array([15.875 * (1 + 0.02 * (i % 2)) for i in range(13)])
    inside = 0
    for _ in range(400):
        run = run_of(row_of(lengths, std=0.03, rng=rng), C520)
        inside += abs(run.percent.value - 1.0) <= 1.96 * run.percent.std
    assert 0.92 <= inside / 400 <= 0.98


def test_scale_uncertainty_is_carried_and_few_pins_are_refused():
    run = run_of(row_of(np.full(12, 15.9), scale=0.005), C520)
    assert run.percent.std == pytest.approx(0.5, abs=0.02)
    with pytest.raises(ValueError, match="at least 7 pins"):
        run_of(row_of(np.full(5, 15.9)), C520)
