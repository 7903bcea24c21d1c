"""Old part against new, on typed values."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from toothcheck.estimate import Estimate
from toothcheck.matching import FIELDS, Count, Part, compare, gear_change, part_from_mapping
from toothcheck.toothform import IsoForm

REAR = {
    "name": "rear, old",
    "chain": "520",
    "teeth": 43,
    "outer_diameter_mm": 226.0,
    "root_diameter_mm": 207.3,
    "bore_mm": 110.0,
    "splines": 0,
    "holes": 5,
    "hole_circle_mm": 130.0,
    "hole_mm": 10.3,
    "thickness_mm": 5.9,
    "seat_thickness_mm": 5.9,
    "offset_mm": 0.0,
}
FRONT = {
    "name": "front, old",
    "chain": "520",
    "teeth": 15,
    "outer_diameter_mm": 83.0,
    "root_diameter_mm": 66.2,
    "bore_mm": 22.1,
    "splines": 13,
    "spline_major_mm": 25.0,
    "holes": 0,
    "thickness_mm": 5.9,
    "seat_thickness_mm": 7.4,
    "offset_mm": 0.75,
}


def rear(**change):
    return part_from_mapping({**REAR, "name": "new", **change})


def test_the_same_part_fits_in_every_field():
    for one in (REAR, FRONT):
        c = compare(part_from_mapping(one), part_from_mapping(one))
        assert c.result == "fits"
        assert not {f.result for f in c.fields} & {"differs", "cannot-tell"}


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"teeth": 44}, "teeth"),
        ({"chain": "428"}, "pitch_mm"),
        ({"chain": "532"}, "roller_diameter_mm"),
        ({"chain": "530"}, "inner_width_mm"),  # of one pitch and roller; vendors' tables: 6.35 and 9.53 mm wide
        ({"chain": "525"}, "inner_width_mm"),
        ({"bore_mm": 112.0}, "bore_mm"),
        ({"holes": 6}, "holes"),
        ({"hole_circle_mm": 132.0}, "hole_circle_mm"),
        ({"hole_mm": 8.5}, "hole_mm"),
        ({"offset_mm": 2.0}, "offset_mm"),
        ({"splines": 6, "spline_major_mm": 115.0}, "splines"),
    ],
)
def test_what_makes_a_part_wrong_is_named(change, field):
    c = compare(part_from_mapping(REAR), rear(**change))
    assert c.of(field).result == "differs"
    assert c.result == "differs"
    assert c.sentence.startswith("Not the same part")
    assert c.of(field).field.label in c.sentence


def test_half_a_millimetre_of_thickness_is_named_with_what_it_touches():
    # common practice, no source: a new front sprocket 7.0 mm thick at the splines where the old has 7.4, both usable
    c = compare(part_from_mapping(FRONT), part_from_mapping({**FRONT, "seat_thickness_mm": 7.0}))
    match = c.of("seat_thickness_mm")
    assert match.result == "differs"
    for word in ("seat", "lock", "chain line"):
        assert word in match.why
    assert c.result == "differs"
    assert "not wrong by that alone" in c.sentence


def test_turned_round_differs_by_the_sign_of_its_offset():
    c = compare(part_from_mapping(FRONT), part_from_mapping({**FRONT, "offset_mm": -0.75}))
    assert c.of("offset_mm").result == "differs"
    assert "turned round" in c.of("offset_mm").why


@pytest.mark.parametrize("key", [f.key for f in FIELDS if f.must])
def test_an_unknown_must_never_fits(key):
    old = part_from_mapping(REAR)
    c = compare(old, replace(old, **{key: None}))
    if c.of(key).result != "does-not-apply":
        assert c.of(key).result == "cannot-tell"
        assert c.result == "cannot-tell"
        assert c.measure_next


def test_all_that_cannot_be_told_stands_in_the_sentence():
    unsure = replace(part_from_mapping(REAR), root_diameter_mm=Estimate(value=200.0, std=0.4))
    c = compare(unsure, unsure)
    assert c.of("root_diameter_mm").result == "cannot-tell"
    assert c.result == "fits"
    assert c.sentence == "Fits in every field that decides. Not told either, but no reason against it: root circle."
    c = compare(unsure, replace(unsure, offset_mm=None))
    assert c.sentence.endswith("offset of the seat. Not told either, but no reason against it: root circle.")


def test_what_a_photo_cannot_see_is_said():
    seen = replace(part_from_mapping(REAR), thickness_mm=None, seat_thickness_mm=None, offset_mm=None)
    c = compare(seen, seen)
    assert c.result == "cannot-tell"
    assert "a photo cannot see it" in c.of("offset_mm").why


@given(st.floats(-3, 3), st.floats(0.01, 1.0), st.floats(0.01, 1.0))
def test_fit_is_claimed_only_with_room_for_the_uncertainty(difference, a, b):
    old = Part(name="a", hole_circle_mm=Estimate(value=130.0, std=a))
    new = Part(name="b", hole_circle_mm=Estimate(value=130.0 + difference, std=b))
    match = compare(old, new).of("hole_circle_mm")
    backward = compare(new, old).of("hole_circle_mm")
    assert match.result == backward.result
    if match.result == "fits":
        assert abs(difference) < match.field.allowed_mm
        assert np.hypot(a, b) < match.field.allowed_mm / 1.9
    if match.result == "differs":
        assert abs(difference) > match.field.allowed_mm


def test_an_unsure_count_cannot_tell():
    old = Part(name="a", teeth=Count(value=43))
    for n in (43, 44):
        assert compare(old, Part(name="b", teeth=Count(value=n, probability=0.8))).of("teeth").result == "cannot-tell"


def test_parts_that_surely_have_other_counts_are_hardly_the_same():
    # both counts right: 0.99 · 0.99, in which case 43 is not 44; the names stand where they belong
    old, new = Part(name="a", teeth=Count(value=43, probability=0.99)), Part(name="b", teeth=Count(value=44))
    c = compare(old, replace(new, teeth=Count(value=44, probability=0.99)))
    assert (c.old, c.new) == ("a", "b")
    match = c.of("teeth")
    assert (match.old.value, match.new.value, match.difference.value) == (43, 44, 1)
    assert match.probability_same == pytest.approx(1 - 0.9801)
    assert compare(old, old).of("teeth").probability_same == pytest.approx(0.9801)


@pytest.mark.parametrize(
    "bad",
    [
        {"tooth": 5},
        {"teeth": 15.5},
        {"teeth": "many"},
        {"bore_mm": -2},
        {"bore_mm": float("nan")},
        {"chain": "999"},
        {"bore_mm": {"value": 3}},
        {"holes": -1},
        {"teeth": True},
        {"teeth": 10**400},
        {"bore_mm": {"value": 3, "std": 10**400}},
        {"chain": "520", "pitch_mm": 12.7},
        {"chain": "520", "roller_diameter_mm": 11.1},
    ],
)
def test_bad_values_are_refused_by_name(bad):
    with pytest.raises(ValueError, match=r"must|may"):
        part_from_mapping(bad)


def test_a_part_may_be_measured_beside_its_chain_size():
    part = part_from_mapping({"chain": "520", "pitch_mm": 15.9, "roller_diameter_mm": {"value": 10.0, "std": 0.1}})
    assert (part.pitch_mm.value, part.roller_diameter_mm.value) == (15.9, 10.0)


def test_a_width_known_by_name_alone_speaks_for_no_part():
    old = part_from_mapping(REAR)
    for new in (old, replace(old, inner_width_mm=None)):
        assert compare(old, new).of("inner_width_mm").result == "does-not-apply"
        assert "chain width" not in compare(old, new).sentence


# --- gearing ---------------------------------------------------------------------------------------------------------


def change(**teeth):
    base = {"front_before": 15, "front_after": 15, "rear_before": 45, "rear_after": 45}
    return gear_change(pitch_mm=15.875, roller_diameter_mm=10.16, **{**base, **teeth})


def test_one_tooth_less_in_front():
    # our own arithmetic: 45/14 against 45/15 is 15/14 = +7.14 %
    c = change(front_after=14, pickup="gearbox")
    assert c.change_percent == pytest.approx(100 / 14)
    text = " ".join(c.warnings)
    # 45/15 = 3, 45/14 = 3.214; shorter gearing is what a smaller front sprocket is fitted for
    assert "3.000 -> 3.214 (+7.1 %): lower gearing, the engine turns faster" in text
    assert "may need entering in the papers" in text
    assert "7.1 % more" in text
    assert "distance counter" in text
    assert c.wheel_shift_mm == pytest.approx(-15.875 / 4)
    assert "back" in text


def test_a_larger_front_warns_of_the_room():
    c = change(front_after=16)
    text = " ".join(c.warnings)
    # 45/16 = 2.8125
    assert "3.000 -> 2.812 (-6.2 %): higher gearing, the engine turns slower" in text
    assert "it will read 6.2 % less than before" in text
    assert "2.5 mm nearer to the case" in text
    assert "forward" in text
    # pitch radius grows by about p/2π for each tooth (our arithmetic)
    assert c.front_radius_change_mm == pytest.approx(15.875 / (2 * np.pi), abs=0.03)


def test_the_wheel_shift_agrees_with_the_belt_formula():
    # chain length in pitches, handbook formula: L = 2C/p + (z1 + z2)/2 + ((z2 − z1)/2π)²·p/C; solved here for C
    def centre(z1, z2, links=112, p=15.875):
        k = ((z2 - z1) / (2 * np.pi)) ** 2
        a = (links - (z1 + z2) / 2) / 2
        return p * (a + np.sqrt(a * a - 2 * k)) / 2

    for front, rear_ in ((14, 45), (16, 45), (15, 44), (15, 47)):
        shift = change(front_after=front, rear_after=rear_).wheel_shift_mm
        assert centre(15, 45) - centre(front, rear_) == pytest.approx(shift, abs=0.7)
        # so far off is no tenth of a millimetre to be told
        told = " ".join(change(front_after=front, rear_after=rear_).warnings)
        assert f"the wheel moves about {abs(shift):.0f} mm" in told


def test_no_change_says_nothing():
    c = change()
    assert c.warnings == ()
    assert c.change_percent == 0


def test_wheel_pickup_does_not_change():
    assert "does not change" in " ".join(change(rear_after=43, pickup="wheel").warnings)


def test_circles_of_typed_part_are_what_the_form_says():
    # consistency of the invented part above with the ISO form (our arithmetic)
    form = IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=43)
    assert form.root_diameter_mm == pytest.approx(207.3, abs=0.1)
    assert form.tip_diameter_min_mm < 226 < form.tip_diameter_max_mm
