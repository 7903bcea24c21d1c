"""Parts seen in made photos, and old against new."""

import functools
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from flatpart import FlatShot, Middle, any_part, any_shot, draw_flat

from toothcheck.chains import chain
from toothcheck.errors import CannotTell
from toothcheck.estimate import Estimate
from toothcheck.features import part_from_photo
from toothcheck.matching import Count, compare
from toothcheck.photo import decode, load
from toothcheck.synthetic import encode, make_photo, random_scene
from toothcheck.synthetic.part import Part

SAMPLES = Path(__file__).parents[1] / "sample_images_synthetic"
REAR = Part(chain="520", teeth=43, position="rear", bore_mm=96.0, holes=5, hole_mm=10.5, hole_circle_mm=122.0)
FRONT = Part(chain="428", teeth=14, position="front", bore_mm=19.0, holes=0)
CLEAR = FlatShot(ground="concrete", ground_tone=0.12, metal_tone=0.4, tilt_deg=7.0, azimuth_deg=200)


@functools.cache
def drawn(part, seed, shot, middle=None):
    """A part's photo and the focal length it was taken with, mm; tests look at one in several ways."""
    rng = np.random.default_rng(seed)
    shot = shot or any_shot(rng)
    grey = draw_flat(part, shot, rng, middle)
    grey.flags.writeable = False
    return grey, round(shot.focal_35mm)


def look(part, seed, shot=None, middle=None, **more):
    grey, focal_mm = drawn(part, seed, shot, middle)
    return part_from_photo(grey, (focal_mm,), name="part", **more)


@pytest.fixture(scope="module")
def rear():
    return look(REAR, 1, shot=CLEAR)


@pytest.fixture(scope="module")
def front():
    return look(FRONT, 2)


def near(estimate, truth):
    assert estimate is not None
    assert abs(estimate.value - truth) < 3 * estimate.std, f"{estimate} against {truth}"


def test_a_rear_sprocket_is_read_without_being_told(rear):
    form = REAR.form
    assert rear.teeth.value == 43
    assert rear.holes.value == 5
    near(rear.pitch_mm, 15.875)
    near(rear.bore_mm, 96.0)
    near(rear.hole_circle_mm, 122.0)
    near(rear.hole_mm, 10.5)
    near(rear.outer_diameter_mm, 2 * form.tip_radius_mm)
    near(rear.root_diameter_mm, 2 * (form.seat_centre_radius_mm - form.seat_radius_mm))


def test_a_front_sprocket_is_read_without_being_told(front):
    assert front.teeth.value == 14
    near(front.pitch_mm, 12.7)
    near(front.bore_mm, 19.0)
    assert front.holes is None
    assert "holes=0" in front.unknown_because["holes"]


def test_rim_and_bore_are_in_one_scale_where_the_card_lay_higher_than_told():
    shot = FlatShot(ground="concrete", ground_tone=0.12, metal_tone=0.4, card_height_mm=2.5)
    told = look(REAR, 5, shot=shot, size=chain("520"))
    form = REAR.form
    root_mm = 2 * (form.seat_centre_radius_mm - form.seat_radius_mm)
    shares = [told.root_diameter_mm.value / root_mm, told.bore_mm.value / 96.0]
    # the card alone would make it all 0.8 % small; the pitch brings most of that back, for all of it
    assert min(shares) > 0.996
    assert max(shares) - min(shares) < 0.0025
    near(told.root_diameter_mm, root_mm)
    near(told.outer_diameter_mm, 2 * form.tip_radius_mm)
    near(told.pitch_mm, 15.875)
    # another roller of this pitch would stand for another scale
    assert look(REAR, 5, shot=shot).bore_mm.std > 1.05 * told.bore_mm.std


def test_a_card_printed_too_small_is_in_the_uncertainty_and_mostly_brought_back_by_the_pitch():
    # 1.5 % is three times the standard uncertainty of a print that nobody measured; alone it would be 1.4 and 1.8 mm
    shot = FlatShot(ground="concrete", ground_tone=0.12, metal_tone=0.4, print_scale=0.985)
    told = look(REAR, 5, shot=shot, size=chain("520"))
    for found, truth in ((told.bore_mm, 96.0), (told.hole_circle_mm, 122.0)):
        near(found, truth)
        assert abs(found.value / truth - 1) < 0.004


def test_a_card_whose_print_was_measured_gives_the_sizes_whatever_its_print():
    # printed 2.5 % small, a large sprocket is refused; measured, it is read as beside a true card
    shot = FlatShot(ground="concrete", ground_tone=0.12, metal_tone=0.4, print_scale=0.975)
    with pytest.raises(CannotTell, match="toothed rim"):
        look(REAR, 5, shot=shot, size=chain("520"))
    told = look(REAR, 5, shot=shot, size=chain("520"), card_measured_mm=0.975 * 75.6)
    near(told.bore_mm, 96.0)
    near(told.hole_circle_mm, 122.0)
    near(told.pitch_mm, 15.875)
    # a small one is read either way, to the printer's half a per cent or to the calliper's 0.05 mm
    alone = look(FRONT, 5, shot=shot, size=chain("428"))
    told = look(FRONT, 5, shot=shot, size=chain("428"), card_measured_mm=0.975 * 75.6)
    assert abs(told.bore_mm.value - 19.0) < 0.1 * abs(alone.bore_mm.value - 19.0)
    assert told.bore_mm.std < alone.bore_mm.std
    with pytest.raises(ValueError, match="within 10 %"):
        look(FRONT, 5, shot=shot, card_measured_mm=50.0)


def test_what_a_photo_cannot_see_stays_unknown(rear):
    for key in ("thickness_mm", "seat_thickness_mm", "offset_mm", "roller_diameter_mm"):
        assert getattr(rear, key) is None
    assert compare(rear, rear).result == "cannot-tell"


def test_a_six_is_not_taken_for_a_three():
    assert look(replace(REAR, holes=6), 4).holes.value == 6


def test_a_brighter_ground_gives_no_wrong_size():
    # through the holes the far rims outshine the near ones: right within its uncertainty, or not at all
    part = look(REAR, 8, shot=FlatShot(ground="plain", ground_tone=0.5, metal_tone=0.25, tilt_deg=10.0))
    assert part.teeth.value == 43
    for found, truth in ((part.bore_mm, 96.0), (part.hole_circle_mm, 122.0), (part.hole_mm, 10.5)):
        if found is not None:
            near(found, truth)
    assert part.hole_mm is not None or "darker ground" in part.unknown_because["hole_mm"]


def test_a_wrong_chain_claim_is_refused():
    with pytest.raises(CannotTell, match="428") as refused:
        look(REAR, 1, shot=CLEAR, size=chain("428"))
    assert "measure the card's print" in refused.value.hint


def test_no_card_and_no_part_are_refused():
    with pytest.raises(CannotTell, match="card"):
        part_from_photo(np.full((900, 1200), 100, np.uint8), (), name="nothing")
    # the card alone, its part painted over with grain
    rng = np.random.default_rng(6)
    shot = FlatShot(tilt_deg=0.0)
    grey = draw_flat(FRONT, shot, rng).copy()
    grey[:, :640] = rng.integers(60, 140, (grey.shape[0], 640))
    with pytest.raises(CannotTell, match=r"bore|rim"):
        part_from_photo(grey, (35,), name="no part")


CASES = ("same", "one tooth more", "other pitch", "other circle", "flipped")


def pair_of(case, part, rng):
    """The new part, and the sign of its offset."""
    if case == "same":
        return replace(part, blend=float(rng.uniform(0.1, 0.9)), tip_blend=float(rng.uniform(0.2, 0.8))), 1
    if case == "one tooth more":
        return replace(part, teeth=part.teeth + 1), 1
    if case == "other pitch":
        return replace(part, chain="520" if part.chain == "428" else "428"), 1
    if case == "other circle":
        if part.holes:
            return replace(part, hole_circle_mm=part.hole_circle_mm + 2), 1
        return replace(part, bore_mm=part.bore_mm + 2), 1
    return part, -1


def told(seen, part, sign, rng, offset, seat):
    """What a user adds from callipers and stamps: everything that a photo cannot see, so that a fit can be claimed."""

    def calliper(v):
        return Estimate(value=v + float(rng.uniform(-0.1, 0.1)), std=0.06)

    return replace(
        seen,
        roller_diameter_mm=Estimate(value=chain(part.chain).roller_diameter_mm, std=0.0),
        thickness_mm=calliper(5.9),
        seat_thickness_mm=calliper(seat),
        offset_mm=calliper(sign * offset),
        holes=Count(value=0) if not part.holes else seen.holes,
    )


def pairs(seeds):
    for s in seeds:
        rng = np.random.default_rng(s)
        part = any_part(rng)
        offset, seat = float(rng.uniform(0.5, 2)), float(rng.uniform(5, 8))
        shot = any_shot(rng)
        try:
            old = part_from_photo(draw_flat(part, shot, rng), (round(shot.focal_35mm),), name="old")
        except CannotTell:
            yield from ((case, None) for case in CASES)
            continue
        old = told(old, part, 1, rng, offset, seat)
        for case in CASES:
            other, sign = pair_of(case, part, rng)
            shot = any_shot(rng)
            try:
                new = part_from_photo(draw_flat(other, shot, rng), (round(shot.focal_35mm),), name="new")
            except CannotTell:
                yield case, None
                continue
            yield case, compare(old, told(new, other, sign, rng, offset, seat))


def check(made):
    for case, answer in made:
        if answer is not None and case != "same":
            assert answer.result != "fits", case
    answers = [(case, answer) for case, answer in made if answer is not None]
    assert len(answers) >= 0.75 * len(made)  # parts on gravel are mostly refused
    different = [answer.result == "differs" for case, answer in answers if case != "same"]
    assert np.mean(different) >= 0.85
    same = [answer for case, answer in answers if case == "same"]
    # of the same part, no field that makes a part wrong may be said to differ
    assert not [m.field.key for answer in same for m in answer.fields if m.result == "differs" and m.field.must]


def test_a_part_fits_itself_and_not_its_neighbours(rear):
    rng = np.random.default_rng(12)
    plain = FlatShot(ground="plain", ground_tone=0.08, metal_tone=0.4, tilt_deg=4.0)
    old = told(rear, REAR, 1, rng, 1.0, 6.0)
    for case in ("same", "one tooth more", "other circle"):
        other, sign = pair_of(case, REAR, rng)
        new = told(look(other, 13, shot=plain), other, sign, rng, 1.0, 6.0)
        answer = compare(old, new)
        key = {"one tooth more": "teeth", "other circle": "hole_circle_mm"}.get(case)
        if key is None:
            assert not [m.field.key for m in answer.fields if m.result == "differs"]
            for seen in ("teeth", "pitch_mm", "roller_diameter_mm", "holes", "hole_circle_mm", "hole_mm"):
                assert answer.of(seen).result == "fits", seen
        else:
            assert answer.result == "differs"
            assert answer.of(key).result == "differs"


@pytest.mark.slow
def test_a_hundred_pairs_give_no_wrong_fit():
    check(list(pairs(range(1020, 1040))))


@pytest.mark.parametrize("told", [{}, {"size": chain("428")}, {"thickness_mm": 7.3}])
def test_a_part_on_a_mat_stands_over_it_by_its_thickness(told):
    # a made photo of a part 7.3 mm thick, whose bore is known; at the mat's own height it reads 0.6 mm too much
    photo = load(SAMPLES / "kestrel-front-mat.png")
    truth = json.loads((SAMPLES / "kestrel-front-mat.json").read_text())
    part = part_from_photo(photo.grey, photo.focals_35mm, name="on a mat", **told)
    assert part.teeth.value == truth["teeth"]
    assert abs(part.bore_mm.value - truth["bore"]) < 1.96 * part.bore_mm.std
    assert abs(part.pitch_mm.value - truth["pitch"]) < 1.96 * part.pitch_mm.std


def test_the_markers_of_a_mat_do_not_hide_the_middle_of_what_lies_on_it():
    """Their edges send more lines to one another than a bore does to its middle."""
    scene = random_scene(np.random.default_rng([1, 2]), "mat")
    part = replace(scene.part, nut=False)
    made = make_photo(replace(scene, part=part))
    photo = decode(encode(made.picture, "jpg", focal_35mm=made.focal_35mm), "mat.jpg")
    found = part_from_photo(
        photo.grey, photo.focals_35mm, name="on the mat", card_height_mm=scene.card_lift_told_mm,
        size=chain(part.chain), thickness_mm=part.thickness_mm,
    )  # fmt: skip
    assert found.teeth.value == part.teeth
    near(found.bore_mm, part.bore_mm)


@pytest.mark.parametrize(
    ("splines", "seed", "ground", "ground_tone", "metal_tone"),
    [
        (6, 2, "concrete", 0.12, 0.4),
        (13, 2, "concrete", 0.12, 0.4),
        # no lines meet in the middle as often as elsewhere
        (16, 2, "concrete", 0.13, 0.44),
        (13, 3, "wood", 0.14, 0.52),
        # the grooves' far rims outshine the near ones
        (15, 2, "wood", 0.49, 0.15),
    ],
)
def test_a_splined_bore_is_not_taken_for_a_round_one(splines, seed, ground, ground_tone, metal_tone):
    shot = FlatShot(ground=ground, ground_tone=ground_tone, metal_tone=metal_tone, tilt_deg=4.0, azimuth_deg=30)
    part = look(replace(FRONT, chain="520"), seed, shot=shot, middle=Middle(splines=splines))
    assert part.teeth.value == 14
    near(part.pitch_mm, 15.875)
    # round it would go on a round shaft
    assert part.splines is None or part.splines.value == splines
    if part.splines is None:
        assert "count" in part.unknown_because["splines"]
    if part.bore_mm is not None:
        near(part.bore_mm, 19.0)
    else:
        assert "bore_mm" in part.unknown_because


@pytest.mark.parametrize("splines", [8, 10, 13, 16])
def test_splines_on_dark_ground_are_counted_and_measured(splines):
    part = look(replace(FRONT, chain="520"), 2, shot=CLEAR, middle=Middle(splines=splines))
    assert part.splines.value == splines
    near(part.bore_mm, 19.0)
    near(part.spline_major_mm, 23.0)


def test_a_round_bore_has_no_splines():
    assert look(replace(FRONT, chain="520"), 2, shot=CLEAR).splines.value == 0


def test_a_damping_ring_close_to_the_roots_hides_neither_teeth_nor_bore():
    part = replace(FRONT, chain="520")
    root_mm = part.form.root_diameter_mm / 2
    found = look(part, 2, shot=CLEAR, middle=Middle(ring_mm=(root_mm - 7.0, root_mm - 2.0)))
    assert found.teeth.value == 14
    near(found.pitch_mm, 15.875)
    near(found.bore_mm, 19.0)
