"""Damaged teeth in made photos: named by the ground in their place or by where their tips end, and no sound one is."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from flatwheel import facing_plane, wheel_photo
from scenes import worn_front
from scipy.spatial.transform import Rotation

from toothcheck.chains import chain
from toothcheck.edges import optics
from toothcheck.flags import MAY_BE_DAMAGED, flag
from toothcheck.inspection import Claim, inspect, tip_pixels
from toothcheck.photo import decode, load
from toothcheck.synthetic import Wear, encode, handled, honest_claim, make_photo, random_scene, set_stage
from toothcheck.toothform import IsoForm
from toothcheck.tracing.creases import creased
from toothcheck.tracing.fit import Priors
from toothcheck.tracing.looks import has_colours
from toothcheck.tracing.rims import Wheel
from toothcheck.tracing.trace import trace

SAMPLES = Path(__file__).parent.parent / "sample_images_synthetic"
TEETH = 15
SCENE = worn_front(teeth=TEETH, blend=0.5, depth_mm=0.4, scatter=0.1, size_px=(1600, 1200), seed=11)
SMALL = (1280, 960)
DARK, LIGHT = (0.05, 0.05, 0.06), (0.5, 0.48, 0.42)


def looked_at(*, damage=(), wear=SCENE.part.wear, **changes):
    """The inspection, and for each tooth by its number in the truth the flags it was given."""
    scene = replace(SCENE, part=replace(SCENE.part, wear=replace(wear, damage=damage)), **changes)
    made = make_photo(scene)
    claim = Claim(chain=chain("520"), teeth=TEETH, position="front", turning=scene.turning, thickness_mm=5.9)
    seen = inspect(decode(encode(made.picture, "jpg", focal_35mm=50, quality=92), "made.jpg"), claim)
    there = np.array(made.truth["tip_px"])
    number = [int(np.hypot(*(there - tip).T).argmin()) for tip in tip_pixels(seen.traced.wheel)]
    return seen, {number[t.index]: t.flags for t in seen.wear.teeth}


@pytest.mark.parametrize(
    ("ground", "colour"), [("plain", DARK), ("gravel", LIGHT), ("straw", LIGHT)], ids=["plain", "gravel", "straw"]
)
def test_teeth_that_are_gone_are_named_on_ground_with_and_without_edges_of_its_own(ground, colour):
    damage = ((6, "missing"), (11, "broken"))
    seen, flags = looked_at(damage=damage, ground=ground, ground_colour=colour, dirt=0.1, size_px=SMALL)
    assert sorted(i for i in flags if "broken" in flags[i]) == [6, 11]
    assert seen.verdict.grade == "replace-now"
    assert "broken" in seen.verdict.reasons[0]


def flagged_by_lot(seed, tier, lot, tooth, kind):
    """The inspection of a photo by lot with a damaged tooth, and for each flag the teeth in the truth that have it."""
    scene = random_scene(np.random.default_rng([seed, 500, lot]), tier, size_px=(2016, 1512))
    scene = replace(scene, part=replace(scene.part, wear=replace(scene.part.wear, damage=((tooth, kind),))))
    made = make_photo(scene)
    photo = decode(encode(made.picture, "jpg", focal_35mm=made.focal_35mm, quality=92), "made.jpg")
    told = honest_claim(scene)
    claim = Claim(
        chain=chain(told.chain), teeth=told.teeth, position=told.position, turning=told.turning,
        card_height_mm=told.card_height_mm,
    )  # fmt: skip
    seen, there = inspect(photo, claim), np.array(made.truth["tip_px"])
    out = {}
    for t, tip in zip(seen.wear.teeth, tip_pixels(seen.traced.wheel), strict=True):
        for code in t.flags:
            out.setdefault(code, []).append(int(np.hypot(*(there - tip).T).argmin()))
    return seen, out


def test_a_tooth_that_is_gone_does_not_speak_for_how_teeth_look():
    # what is seen in its place is like nothing so much as itself: among the other teeth it made dark ground look dark
    # teeth, and the break was not told
    _, flags = flagged_by_lot(8, "bench", 29, 28, "broken")
    assert flags["broken"] == [28]


@pytest.mark.parametrize(
    ("seed", "tier", "lot", "tooth", "kind", "code"),
    [
        pytest.param(8, "mat", 61, 10, "broken", "tip-differs", id="paper as light as the metal"),
        pytest.param(9, "hand", 33, 10, "broken", "tip-differs", id="stump with feet of both flanks"),
        pytest.param(8, "mat", 63, 13, "bent", "leans", id="bent, seen straight from the front"),
    ],
)
def test_a_damaged_tooth_that_looks_like_none_is_doubted_by_what_is_seen_across_it(seed, tier, lot, tooth, kind, code):
    # each was graded as if all its teeth were sound
    seen, flags = flagged_by_lot(seed, tier, lot, tooth, kind)
    assert flags[code] == [tooth]
    assert seen.verdict.grade == "cannot-tell"


def test_a_tooth_that_is_gone_is_named_though_the_turning_told_is_the_wrong_one():
    # traced from the wrong side its edge is only one more that could not be followed
    photo = load(SAMPLES / "harbour-front-broken-tooth.jpg")
    seen = inspect(photo, Claim(chain=chain("520"), teeth=TEETH, position="front", turning="clockwise"))
    truth = json.loads((SAMPLES / "harbour-front-broken-tooth.json").read_text())
    there = np.array([truth["tip_px"][int(i)] for i in truth["damaged"]])
    tips = tip_pixels(seen.traced.wheel)
    gone = [t.index for t in seen.wear.teeth if "broken" in t.flags]
    assert gone == [int(np.hypot(*(tips - tip).T).argmin()) for tip in there]
    assert seen.verdict.grade == "cannot-tell"
    assert seen.verdict.next_steps[0] == f"Do not ride until a qualified mechanic has looked at tooth {gone[0]}."


@pytest.mark.parametrize(
    ("ground", "colour", "kind"),
    [
        pytest.param("plain", DARK, "chipped", id="plain-chipped"),
        pytest.param("straw", LIGHT, "bent", id="straw-bent"),
        pytest.param("concrete", DARK, "chipped", id="concrete-chipped"),
        pytest.param("plain", DARK, "bent", id="plain-bent", marks=pytest.mark.slow),
        pytest.param("straw", LIGHT, "chipped", id="straw-chipped", marks=pytest.mark.slow),
        pytest.param("concrete", DARK, "bent", id="concrete-bent", marks=pytest.mark.slow),
    ],
)
def test_a_tooth_with_another_tip_is_named_and_no_grade_is_given_before_it_was_looked_at(ground, colour, kind):
    seen, flags = looked_at(damage=((2, kind),), ground=ground, ground_colour=colour, dirt=0.1)
    assert [i for i in flags if "tip-differs" in flags[i]] == [2]
    assert seen.verdict.grade == "cannot-tell"
    assert any("may be bent" in reason for reason in seen.verdict.reasons)
    assert flag("leans" if kind == "bent" else "tip-differs").remedy in seen.verdict.next_steps


@pytest.mark.parametrize("colour", [DARK, LIGHT], ids=["dark", "light"])
def test_dirt_and_shadow_take_no_tooth_away_and_change_no_tip(colour):
    _, flags = looked_at(ground="gravel", ground_colour=colour, dirt=0.5, size_px=SMALL)
    assert not any({"broken", "tip-differs"} & set(f) for f in flags.values())


@pytest.mark.parametrize(
    ("seed", "size_px"),
    [
        (20, (1600, 1200)),
        pytest.param(23, (1400, 1050), id="two alike side by side", marks=pytest.mark.slow),
    ],
)
def test_hooked_teeth_worn_unequally_have_no_tip_that_differs(seed, size_px):
    # of ten such photos (seeds 20 to 29) one has a tooth that is named all the same: 1 of 150 teeth
    wear = Wear(kind="grit", depth_mm=1.0, climb=0.9, scatter=0.3)
    _, flags = looked_at(wear=wear, ground="plain", ground_colour=LIGHT, dirt=0.2, seed=seed, size_px=size_px)
    assert not any({"broken", "tip-differs"} & set(f) for f in flags.values())


def test_teeth_under_a_chain_are_covered_and_not_gone():
    _, flags = looked_at(
        ground="concrete", ground_colour=DARK, ground_gap_mm=12.0, dirt=0.2, mounted=True, chain_first=2,
        chain_teeth=6, chain_strands=7, size_px=SMALL,
    )  # fmt: skip
    assert not any({"broken", "tip-differs"} & set(f) for f in flags.values())
    assert sum("covered" in flags[i] for i in range(2, 8)) >= 4


def made_by_lot(seed, tier, lot, *, colours=True, size_px=(2016, 1512)):
    """The inspection of a photo by lot, as it would come from a file."""
    scene = random_scene(np.random.default_rng([seed, 500, lot]), tier, size_px=size_px)
    told = honest_claim(scene)
    claim = Claim(
        chain=chain(told.chain), teeth=told.teeth, position=told.position, turning=told.turning,
        card_height_mm=told.card_height_mm,
    )  # fmt: skip
    way = "as taken" if colours else "without colours"
    photo = handled(make_photo(scene), set_stage(scene), way, quality=scene.sensor.jpeg_quality)
    return inspect(decode(photo.encoded, "made.jpg"), claim)


@pytest.mark.parametrize(
    ("tier", "lot", "size_px"),
    [
        pytest.param("mat", 53, (1344, 1008), id="pale on pale"),
        # a run of chain takes long to make; daily a plate before the tips is drawn flat, below
        pytest.param("bike", 9, (2016, 1512), id="light plates", marks=pytest.mark.slow),
    ],
)
def test_where_ground_metal_and_what_covers_them_look_alike_no_tooth_is_taken_away(tier, lot, size_px):
    # both were once graded replace-now for a tooth that is there
    seen = made_by_lot(47, tier, lot, size_px=size_px)
    assert not any("broken" in t.flags for t in seen.wear.teeth)


def test_without_colours_no_tooth_is_called_gone_before_it_was_looked_at():
    # dirt on a tooth is as grey as the ground: the photo was once graded replace-now for it
    seen = made_by_lot(53, "bench", 4, colours=False)
    assert not any("broken" in t.flags for t in seen.wear.teeth)
    doubted = [t for t in seen.wear.teeth if "tip-differs" in t.flags]
    assert len(doubted) == 1
    assert seen.verdict.grade == "cannot-tell"
    assert any(reason.startswith(f"The tip of tooth {doubted[0].index} ends ") for reason in seen.verdict.reasons)


def test_grey_steel_on_white_paper_still_has_colours():
    scene = replace(SCENE, ground="plain", ground_colour=(0.8, 0.8, 0.8), dirt=0.0, size_px=(800, 600))
    made, stage = make_photo(scene), set_stage(scene)
    for way in ("as taken", "without colours"):
        photo = decode(handled(made, stage, way, quality=85).encoded, "made.jpg")
        assert has_colours(photo.planes) == (way == "as taken")


# --- several teeth, drawn flat

METAL, GROUND, PHASE = 190, 70, 0.3


def leaned_about_root(plane, form, tooth, degrees):
    """The plane of a tooth that is bent at its root by so much, towards the camera where positive."""
    angle, lean = PHASE + (tooth + 0.5) * form.pitch_angle, math.radians(degrees)
    root = (form.pitch_radius_mm - form.roller_diameter_mm / 2) * np.array([math.cos(angle), math.sin(angle), 0.0])
    axis = np.array([math.sin(angle), -math.cos(angle), 0.0])  # turned about it what lies farther out rises
    turn = Rotation.from_rotvec(lean * axis).as_matrix()
    return replace(
        plane,
        camera_from_plane=plane.camera_from_plane @ turn,
        origin_mm=plane.origin_mm + plane.camera_from_plane @ (root - turn @ root),
    )


def flat(painted, *, dirty=None, turned=None, bent=None, plate=None, teeth=15, colours=True):
    """The planes of a flat wheel, of some teeth of which and what is beside them something else is seen, and the wheel.

    ``painted``: for a tooth, from what height over the pitch circle, how grey, and up to what height if not all the
    way; ``dirty``: the same on metal alone; ``turned``: by what angle round the wheel a tooth stands aside; ``bent``:
    by how many degrees it leans towards the camera; ``plate``: a tooth, how high over the pitch circle the straight rim
    of what lies before its tip crosses it, how steeply, and how grey it is.
    """
    form = IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=teeth, blend=0.5)
    size = round(17 * (form.pitch_radius_mm + 5))
    plane = facing_plane(size, size, 8.0)
    grey = wheel_photo(form, plane, phase=PHASE, metal=METAL, ground=GROUND).astype(np.float64)
    y, x = np.mgrid[0:size, 0:size].astype(np.float64)
    at = plane.on_plane(np.stack([x, y], axis=-1))
    height = np.hypot(at[..., 0], at[..., 1]) - form.pitch_radius_mm
    tooth = np.floor((np.arctan2(at[..., 1], at[..., 0]) - PHASE) / form.pitch_angle).astype(int) % teeth
    for i, angle in (turned or {}).items():
        there = tooth == i
        aside = wheel_photo(form, plane, phase=PHASE + angle, metal=METAL, ground=GROUND)
        grey[there] = aside[there]
    for i, degrees in (bent or {}).items():
        leaning = wheel_photo(form, leaned_about_root(plane, form, i, degrees), phase=PHASE, metal=METAL, ground=GROUND)
        there = (tooth == i) & (height > -0.5 * form.roller_diameter_mm)
        grey[there] = leaning[there]
    rng = np.random.default_rng(1)
    metal = grey > (METAL + GROUND) / 2
    for i, (above_mm, tone, *below_mm) in (painted | (dirty or {})).items():
        there = (tooth == i) & (height > above_mm) & (height < min(below_mm, default=np.inf)) & (metal | (i in painted))
        grey[there] = tone + 2 * rng.standard_normal(there.sum())
    if plate:
        before, high_mm, slope, tone = plate
        angle = PHASE + (before + 0.5) * form.pitch_angle
        out, right = np.array([math.cos(angle), math.sin(angle)]), np.array([math.sin(angle), -math.cos(angle)])
        there = at @ out - form.pitch_radius_mm > high_mm + slope * (at @ right)
        grey[there] = tone + 2 * rng.standard_normal(there.sum())
    warm = 0.15 * (grey - (METAL + GROUND) / 2) if colours else np.zeros_like(grey)
    planes = np.stack([grey, 128 + warm, 128 - warm], axis=-1)
    if colours:
        planes[..., 1:] += rng.standard_normal((size, size, 2))
    planes = np.clip(np.rint(planes), 0, 255).astype(np.uint8)
    return planes, Wheel(plane=plane, form=form, phase=PHASE, thickness_mm=5.9)


def drawn(painted, **changes):
    """The ring traced of a `flat` wheel."""
    planes, wheel = flat(painted, **changes)
    start = replace(wheel, phase=wheel.phase + 0.002)
    priors = Priors(pivot_mm=np.zeros(2), height_mm=0.35, tilt=math.radians(1.7), thickness_mm=0.3, bias_mm=0.02)
    seen = trace(planes, start, priors, optics(planes, 1.6), drive_clockwise=True, scale_std=0.003)
    return seen.ring


def flagged(ring):
    return {i: codes for i, codes in enumerate(ring.tooth_flags) if codes}


def test_two_or_three_teeth_that_are_gone_side_by_side_are_named():
    # a missing one, one broken off below the pitch circle, and a stump that reaches it: each stood before as a tooth
    # whose neighbours do not show how an edge looks, and the stump was measured
    ring = drawn({4: (-3.5, GROUND), 5: (-0.5, GROUND), 6: (0.1, GROUND)})
    assert flagged(ring) == dict.fromkeys((4, 5, 6), ("broken",))
    assert not ring.tips_apart


def test_without_colours_teeth_gone_side_by_side_are_doubted_and_not_measured():
    ring = drawn({4: (-0.5, GROUND), 5: (0.1, GROUND)}, colours=False)
    assert flagged(ring) == dict.fromkeys((4, 5), ("unclear-edge",))
    assert [i for i, higher in ring.tips_apart if higher < -3] == [4, 5]


def test_a_tooth_under_dirt_as_grey_as_the_ground_is_doubted_where_such_dirt_lies_on_the_face_too():
    # a new part was once graded replace-now for such a tooth
    on_tooth, on_face = {4: (-0.5, GROUND)}, {9: (-8.0, GROUND, -6.5)}
    assert flagged(drawn({}, dirty=on_tooth)) == {4: ("broken",)}
    ring = drawn({}, dirty=on_tooth | on_face)
    assert flagged(ring) == {4: ("unclear-edge",)}
    assert [i for i, higher in ring.tips_apart if higher < -3] == [4]


def test_a_tooth_that_is_gone_is_named_though_dirt_of_another_look_than_the_ground_lies_on_the_face():
    ring = drawn({4: (-0.5, GROUND)}, dirty={9: (-8.0, GROUND + 20, -6.5)})
    assert flagged(ring) == {4: ("broken",)}


@pytest.mark.parametrize("tone", [40, 115], ids=["darker than the ground", "lighter"])
def test_a_plate_before_the_tips_of_three_teeth_makes_none_of_them_broken(tone):
    # all gaps are seen to their bottoms: but nothing elsewhere behind the sprocket looks like the plate
    ring = drawn(dict.fromkeys((4, 5, 6), (0.3, tone)))
    assert flagged(ring) == dict.fromkeys((4, 5, 6), ("unclear-edge",))
    assert not ring.tips_apart


@pytest.mark.parametrize("slope", [-0.6, 0.0, 0.6])
@pytest.mark.parametrize("tone", [25, 130], ids=["darker than the ground", "lighter"])
def test_the_straight_rim_of_a_guard_is_no_break(tone, slope):
    # what lies over the gaps, too, looks like what is seen beside the tooth: one to three teeth were called broken
    ring = drawn({}, plate=(6, 0.1, slope, tone))
    assert {code for codes in ring.tooth_flags for code in codes} <= {"covered", "unclear-edge"}
    assert not ring.tips_apart


def test_where_every_second_tooth_has_an_edge_lower_down_none_of_them_differs():
    # the other four of eight have dirt there, with an edge at either end of it
    low = (2.6, GROUND)
    ring = drawn(dict.fromkeys(range(0, 16, 4), low), dirty=dict.fromkeys(range(2, 16, 4), (2.6, 130)), teeth=16)
    assert not ring.tips_apart
    # one that ends lower alone does
    assert [i for i, _ in drawn({6: low}, teeth=16).tips_apart] == [6]


def test_three_teeth_side_by_side_that_end_alike_do_not_speak_for_one_another():
    # each was named alone, and none beside another
    ring = drawn(dict.fromkeys((4, 5, 6), (2.6, GROUND)))
    assert [i for i, _ in ring.tips_apart] == [4, 5, 6]


def test_four_teeth_side_by_side_that_end_alike_are_what_light_does():
    assert not drawn(dict.fromkeys((4, 5, 6, 7), (2.6, GROUND))).tips_apart


def test_a_tooth_that_stands_aside_takes_none_of_those_about_it_out_of_plain_sight():
    # the gap on its one side lies on no form, beyond which both of the others stand: it was taken for a chain's end
    ring = drawn(dict.fromkeys((4, 7), (2.6, GROUND)), turned={5: 0.02})
    assert {4, 7} <= dict(ring.tips_apart).keys()


def test_beside_a_tooth_whose_edges_dirt_has_taken_nothing_is_in_plain_sight():
    # dirt bends no tooth: the next one does not speak for it
    low = {4: (2.6, GROUND)}
    assert [i for i, _ in drawn(low).tips_apart] == [4]
    assert not drawn(low, dirty={5: (0.3, GROUND)}).tips_apart


def test_an_edge_beyond_two_tips_side_by_side_is_a_shadows():
    beyond = (3.0, METAL, 4.4)  # tips end at 3.4
    assert [i for i, _ in drawn({6: beyond}).tips_apart] == [6]
    assert not drawn({6: beyond, 7: beyond}).tips_apart


@pytest.mark.parametrize("degrees", [-20, -14, 14, 20])
def test_a_tooth_bent_out_of_the_plane_is_named_with_its_lean(degrees):
    # its two flanks and its tip have each moved by a few tenths of a millimetre; that they go together tells
    ring = drawn({}, bent={6: degrees})
    assert [i for i, _ in ring.leaning] == [6]
    assert ring.leaning[0][1] == pytest.approx(degrees, abs=4)


def creases(dirty, *, bumpy=False):
    """Which teeth of a flat wheel show a crease, whose metal has another shade from so high up on."""
    planes, wheel = flat({}, dirty=dirty)
    if bumpy:  # the shade ends a millimetre higher on every other millimetre and a half
        other, _ = flat({}, dirty={i: (above + 1.0, tone) for i, (above, tone) in dirty.items()})
        y, x = np.mgrid[0 : planes.shape[0], 0 : planes.shape[1]].astype(np.float64)
        at = wheel.plane.on_plane(np.stack([x, y], axis=-1))
        every_other = (np.arctan2(at[..., 1], at[..., 0]) * wheel.form.pitch_radius_mm / 1.5 % 2) < 1
        planes = np.where(every_other[..., None], other, planes)
    return np.flatnonzero(creased(planes, wheel, optics(planes, 1.6), usual=1.0)).tolist()


@pytest.mark.parametrize("tone", [150, 175, 220])
def test_a_crease_is_another_shade_of_one_tooth_from_its_root_on(tone):
    root_mm = -0.5 * 10.16 + 0.3
    assert creases({6: (root_mm, tone)}) == [6]
    assert creases({6: (root_mm, tone), 11: (root_mm, tone)}) == [6, 11]
    # rings on the face are on the teeth beside it, too; dirt lies higher up, or ends unevenly
    assert not creases(dict.fromkeys((6, 7), (root_mm, tone)))
    assert not creases({6: (root_mm + 2.0, tone)})
    assert not creases({6: (root_mm, tone)}, bumpy=True)


def test_a_shade_from_the_root_on_bends_no_tooth_whose_outline_stands_where_a_sound_ones_does():
    assert not drawn({}, dirty={6: (-4.6, 165)}).leaning


def test_one_flank_or_tip_alone_bends_no_tooth():
    # a tooth turned round the wheel, one whose tip ends lower, one that shows no edges, and three side by side
    ring = drawn({4: (2.6, GROUND), 8: (0.3, GROUND)} | dict.fromkeys((11, 12), (2.6, GROUND)), turned={6: 0.02})
    assert not ring.leaning


def test_the_shadow_along_one_flank_and_about_the_tip_bends_no_tooth():
    """On a mat light from one side draws both at once: a new sprocket's tooth was said to be bent for it."""
    photo = load(SAMPLES / "harbour-front-new-on-mat.jpg")
    truth = json.loads((SAMPLES / "harbour-front-new-on-mat.json").read_text())
    seen = inspect(
        photo,
        Claim(
            chain=chain(truth["chain"]), teeth=truth["teeth"], position=truth["position"], turning=truth["turning"],
            card_height_mm=truth["card_lift_told"],
        ),
    )  # fmt: skip
    assert not any(MAY_BE_DAMAGED & set(tooth.flags) for tooth in seen.wear.teeth)
    assert seen.verdict.grade == truth["true_grade"] == "good"


def test_two_teeth_side_by_side_that_seem_bent_alike_are_what_light_does():
    assert not drawn({}, bent={6: 20, 7: 20}).leaning
    assert {i for i, _ in drawn({}, bent={6: 20, 8: 20}).leaning} == {6, 8}
