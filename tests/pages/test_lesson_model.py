"""The teaching tooth: held against the contract's own arithmetic, geometry done by hand, and scipy."""

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toothcheck.chains import CHAINS, chain
from toothcheck.lessons.hardcases import hard_cases
from toothcheck.lessons.model import Wear, drive_flank_side, hollow, overhang, reading, roller_seat, tooth_table, worn
from toothcheck.lessons.page import form
from toothcheck.lessons.scale import grade_of

C520 = chain("520")
FRONT, REAR = tooth_table(form(C520, 15, 0.5)), tooth_table(form(C520, 45, 0.5))


@pytest.mark.parametrize(("blend", "thickness"), [(0.0, 4.97), (0.5, 4.39), (1.0, 3.68)])
def test_new_thickness_of_15_teeth(blend, thickness):
    # our own arithmetic, done apart from this code (to 0.01 mm, the first one 4.976)
    new = reading(worn(tooth_table(form(C520, 15, blend)), Wear()))
    assert new.thickness_mm == pytest.approx(thickness, abs=0.0101)
    assert new.asymmetry_percent == 0
    assert new.overhang_mm == 0
    assert new.hollow_mm < 1e-9


@pytest.mark.parametrize(("table", "lift"), [(FRONT, 0.38), (REAR, 1.14)])
def test_roller_circle_lifts_by_e_times_r(table, lift):
    # our own arithmetic: 15 teeth 0.38 mm, 45 teeth 1.14 mm for each 1 %
    assert roller_seat(worn(table, Wear()), 1.0).lift_mm == pytest.approx(lift, abs=0.005)
    assert roller_seat(worn(table, Wear()), 2.0).lift_mm == pytest.approx(2 * lift, abs=0.01)


def test_maximum_form_of_17_teeth_is_pointed_when_new():
    # our own arithmetic: flanks meet at diameter 92.86, under the mean tip circle 93.35
    new = form(C520, 17, 1.0)
    assert 2 * new.tip_radius_mm == pytest.approx(92.86, abs=0.01)
    assert tooth_table(new).half_mm[-1] == pytest.approx(0, abs=1e-6)


@given(loss=st.floats(0, 1.2), thin=st.floats(0, 100), coast=st.floats(0, 0.8), teeth=st.integers(11, 60))
def test_what_is_taken_away_is_what_is_read(loss, thin, coast, teeth):
    table = tooth_table(form(C520, teeth, 0.5))
    r = reading(worn(table, Wear(flank_loss_mm=loss, tip_thinning_percent=thin), coast_loss_mm=coast))
    assert r.drive_loss_mm == pytest.approx(loss, abs=1e-9)
    assert r.coast_loss_mm == pytest.approx(coast, abs=1e-9)
    assert r.tip_thinning_percent == pytest.approx(thin, abs=1e-6)
    h = float(table.half_mm[table.at_pitch])
    assert r.asymmetry_percent == pytest.approx(100 * (loss - coast) / (2 * (h - coast)), abs=1e-6)


@given(hook=st.floats(0, 1.2), more=st.floats(0.01, 0.3))
def test_a_deeper_pocket_never_hooks_less(hook, more):
    shallow, deep = (reading(worn(FRONT, Wear(hook_mm=h))) for h in (hook, hook + more))
    assert deep.overhang_mm >= shallow.overhang_mm - 1e-12
    assert deep.hollow_mm >= shallow.hollow_mm - 1e-9


def test_overhang_and_hollow_of_a_flank_made_by_hand():
    # a straight flank leaning in by 1 in 2 with a notch of 0.5 mm (square to the flank) half way up: by hand
    y = np.linspace(0, 4, 401)
    along = np.array([-0.5, 1.0]) / math.hypot(0.5, 1)
    square = np.array([along[1], -along[0]])
    straight = np.stack([2 - 0.5 * y, y], axis=1)
    assert overhang(straight) == 0
    assert hollow(straight) == pytest.approx(0, abs=1e-12)
    notched = straight.copy()
    notched[200] -= 0.5 * square
    assert hollow(notched) == pytest.approx(0.5, abs=1e-9)
    # the notch's bottom lies at x = 1 - 0.5/sqrt(1.25); the next point up at x = 0.995
    assert overhang(notched) == pytest.approx(0.995 - (1 - 0.5 / math.sqrt(1.25)), abs=1e-9)


@pytest.mark.parametrize("table", [FRONT, REAR])
@pytest.mark.parametrize("stretch", [0.0, 0.7, 2.0, 3.0])
def test_the_roller_touches_and_does_not_sink_in(table, stretch):
    tooth = worn(table, Wear(flank_loss_mm=0.4, hook_mm=0.5))
    seat = roller_seat(tooth, stretch)
    gaps = np.hypot(*(tooth.flank_mm(drive=True) - np.array(seat.centre_mm)).T) - table.roller_diameter_mm / 2
    assert gaps.min() == pytest.approx(0, abs=1e-6)
    assert math.hypot(*seat.centre_mm) == pytest.approx(table.pitch_radius_mm + seat.lift_mm)


def test_a_stretched_chain_climbs_and_at_last_passes_over_the_tip():
    new = worn(REAR, Wear())
    heights = [roller_seat(new, e).contact_height_mm for e in (0, 0.5, 1, 2, 3)]
    assert heights == sorted(heights)
    assert roller_seat(new, 12).contact_mm is None


@pytest.mark.parametrize(
    ("position", "turning", "side"),
    [
        ("front", "clockwise", "clockwise"),
        ("rear", "counterclockwise", "clockwise"),
        ("front", "counterclockwise", "counterclockwise"),
        ("rear", "clockwise", "counterclockwise"),
    ],
)
def test_drive_flank_by_who_pushes_whom(position, turning, side):
    # the definition: front, leading flank; rear, trailing flank
    assert drive_flank_side(position, turning) == side


def test_words_that_are_none_are_refused():
    with pytest.raises(ValueError, match="position must be front or rear"):
        drive_flank_side("middle", "clockwise")
    with pytest.raises(ValueError, match="hook_mm must not be negative"):
        Wear(hook_mm=-0.1)
    with pytest.raises(ValueError, match="even must have an even number"):
        hard_cases(FRONT, FRONT)


def test_grade_at_the_limits():
    # the definition: good under 5 %, watch to 10, replace-set to 25, then replace-now; or overhang from 0.3 mm
    assert [grade_of(a, 0.0) for a in (4.99, 5, 9.99, 10, 24.99, 25)] == [
        "good", "watch", "watch", "replace-set", "replace-set", "replace-now",
    ]  # fmt: skip
    assert grade_of(1, 0.3) == "replace-now"
    assert grade_of(1, 0.299) == "good"


@pytest.mark.parametrize("name", [name for name in CHAINS if name != "532"])  # which has no lesson
@pytest.mark.parametrize(("front", "rear"), [(9, 150), (15, 44), (46, 16)])
def test_hard_cases_are_drawn_of_every_chain(name, front, rear):
    tables = [tooth_table(form(chain(name), teeth, 0.5)) for teeth in (front, rear)]
    for case in hard_cases(*tables):
        paths = re.findall(r' d="([^"]*)"', case.figure)
        assert min(path.count(" ") for path in paths) >= 2, case.key  # each at least a line
        wide, high = map(float, re.search(r'viewBox="0 0 (\S+) (\S+)"', case.figure).groups())
        words = re.findall(r'<text [^>]*x="(\S+)" y="(\S+)"', case.figure)
        assert all(0 < float(x) < wide and 0 < float(y) < high for x, y in words), case.key


def test_hard_cases_say_what_they_draw():
    cases = {case.key: case for case in hard_cases(FRONT, tooth_table(form(C520, 44, 0.5)))}
    assert {"dirt", "turned", "chip", "alternate", "lip", "pointed"} <= set(cases)
    for case in cases.values():
        assert case.figure.startswith("<svg")
        assert "Made" in case.caption
