"""The truth of made parts: laws, and one independent set of shapes whose measures can be written down."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from toothcheck.geometry import rotated
from toothcheck.synthetic import TIERS, Part, Scene, Wear, make_wheel, random_scene, set_stage, truth_of
from toothcheck.synthetic.claims import FAULTS, make_pair, random_wrong_claim
from toothcheck.synthetic.fields import distance_to_polygon, wheel_field
from toothcheck.synthetic.part import drive_flank_side, spur_gear_outline
from toothcheck.synthetic.sampling import whole_markers
from toothcheck.synthetic.truth import grade, hollow, overhang, tooth_truth


def wheel(part, side="clockwise", turn=0.3, lot=0):
    return make_wheel(part, turn=turn, drive_flank_is=side, rng=np.random.default_rng(lot))


def truths(part, **how):
    made = wheel(part, **how)
    return [tooth_truth(t, made.form) for t in made.teeth_mm]


@settings(max_examples=12, deadline=None)
@given(
    teeth=st.integers(11, 48), blend=st.floats(0, 1), tip=st.floats(0, 1), chain=st.sampled_from(["428", "520", "12B"])
)
def test_an_unworn_part_reads_no_wear(teeth, blend, tip, chain):
    part = Part(chain=chain, teeth=teeth, blend=blend, tip_blend=tip)
    for t in truths(part)[::7]:
        assert t["drive_loss_pitch"] == pytest.approx(0, abs=1e-5)
        assert t["coast_loss_pitch"] == pytest.approx(0, abs=1e-5)
        assert t["overhang"] == 0
        assert t["hollow"] == pytest.approx(0, abs=1e-6)  # a new flank is convex
        assert t["drive_loss_max"] == pytest.approx(0, abs=1e-4)
        assert t["pitch_thickness"] == pytest.approx(
            2 * float(part.form.half_thickness_mm(part.form.pitch_radius_mm)), abs=1e-5
        )


@settings(max_examples=12, deadline=None)
@given(w=st.floats(0.05, 1.5), c=st.floats(0, 0.5), side=st.sampled_from(["clockwise", "counterclockwise"]))
def test_taking_the_same_arc_off_one_flank_reads_that_arc(w, c, side):
    t = truths(Part(wear=Wear(kind="even", depth_mm=w, coast_depth_mm=c)), side=side)[3]
    assert t["drive_loss_pitch"] == pytest.approx(w, abs=1e-5)
    assert t["coast_loss_pitch"] == pytest.approx(c, abs=1e-5)
    assert t["pitch_thickness"] == pytest.approx(t["pitch_thickness_ideal"] - w - c, abs=1e-5)
    assert t["overhang"] == 0


@pytest.mark.parametrize("kind", ["climb", "grit"])
def test_both_models_take_about_the_depth_asked_for_and_only_from_the_drive_flank(kind):
    for depth in (0.2, 0.7, 1.4):
        t = truths(Part(wear=Wear(kind=kind, depth_mm=depth, climb=0.5)))[0]
        assert t["drive_loss_pitch"] == pytest.approx(depth, rel=0.1)
        assert t["coast_loss_pitch"] == pytest.approx(0, abs=1e-5)
        assert 0.6 * depth < t["drive_loss_max"] < 1.6 * depth


def test_the_two_models_differ_in_kind():
    # same loss at the pitch circle: the roller leaves a pocket and a lip, the grit a thinned tooth
    climb = truths(Part(wear=Wear(kind="climb", depth_mm=1.2, climb=0.1)))[0]
    grit = truths(Part(wear=Wear(kind="grit", depth_mm=1.2, climb=0.1)))[0]
    assert climb["overhang"] > 0.05 > grit["overhang"]
    assert climb["hollow"] > 1.3 * grit["hollow"]
    assert climb["tip_thickness"] > grit["tip_thickness"] + 0.1


def test_a_tip_drawn_over_makes_a_hook_and_changes_nothing_at_the_pitch_circle():
    upright = truths(Part(wear=Wear(depth_mm=1.2, climb=0.1)))[0]
    hooked = truths(Part(wear=Wear(depth_mm=1.2, climb=0.1, lean_mm=0.6)))[0]
    assert hooked["overhang"] > 0.3 > upright["overhang"]
    for name in ("pitch_thickness", "drive_loss_pitch", "coast_loss_pitch", "tip_thickness", "tip_radius"):
        assert hooked[name] == pytest.approx(upright[name], abs=0.005)
    # metal that stands outside the ideal is no loss
    assert hooked["drive_loss_max"] <= upright["drive_loss_max"] + 1e-6


def test_overhang_and_hollow_of_shapes_whose_measures_are_plain():
    # our own arithmetic: a circular pocket of sagitta 0.4 over a chord of 4, and a lip that stands out by 0.25
    r = (2.0**2 + 0.4**2) / (2 * 0.4)
    a = np.linspace(-math.asin(2 / r), math.asin(2 / r), 801)
    pocket = np.stack([r - 0.4 - r * np.cos(a), r * np.sin(a) + 40], axis=1)
    assert hollow(pocket) == pytest.approx(0.4, abs=1e-4)
    assert overhang(pocket) == pytest.approx(0.4, abs=1e-4)
    lip = np.array([[2.0, 36], [1.5, 37], [1.2, 38], [1.45, 39], [0.8, 40]])
    assert overhang(lip) == pytest.approx(0.25)
    bulge = np.stack([2 - (np.linspace(0, 1, 50)) ** 2, np.linspace(36, 40, 50)], axis=1)
    assert hollow(bulge) == 0


def test_drive_flank_side_follows_the_four_cases_of_the_measures():
    # measures, section 1: front + clockwise or rear + counterclockwise is the clockwise side
    assert drive_flank_side("front", "clockwise") == "clockwise"
    assert drive_flank_side("rear", "counterclockwise") == "clockwise"
    assert drive_flank_side("front", "counterclockwise") == "counterclockwise"
    assert drive_flank_side("rear", "clockwise") == "counterclockwise"


@pytest.mark.parametrize("side", ["clockwise", "counterclockwise"])
def test_the_outline_loses_metal_on_the_side_that_is_told(side):
    new, worn = wheel(Part(), side=side), wheel(Part(wear=Wear(depth_mm=1.0)), side=side)
    field = wheel_field(worn.outline_mm())
    outline = np.asarray(new.outline_mm())
    radius, angle = np.hypot(*outline.T), np.arctan2(outline[:, 1], outline[:, 0])
    at = np.abs(radius - new.form.pitch_radius_mm) < 0.5
    from_tooth = (angle[at] - new.turn + np.pi / 15) % (2 * np.pi / 15) - np.pi / 15
    gone = field.at(*outline[at].T.astype(np.float32)) > 0.3
    lost = "clockwise" if from_tooth[gone].mean() < 0 else "counterclockwise"
    assert lost == side
    assert np.all((from_tooth[gone] < 0) == (side == "clockwise"))


def test_the_outline_is_one_counterclockwise_loop_of_short_steps():
    for side in ("clockwise", "counterclockwise"):
        x, y = np.asarray(wheel(Part(wear=Wear(depth_mm=1.3, climb=0.2, scatter=0.2)), side=side).outline_mm()).T
        assert np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) > 0
        assert np.hypot(np.diff(x, append=x[0]), np.diff(y, append=y[0])).max() < 0.06


def test_the_field_of_a_wheel_is_exact_at_its_outline_and_a_bound_elsewhere():
    outline = np.asarray(wheel(Part(teeth=17, wear=Wear(depth_mm=1.2, climb=0.2))).outline_mm())
    field = wheel_field(outline)
    rng = np.random.default_rng(0)
    points = outline[rng.integers(0, len(outline), 3000)] + rng.normal(0, 0.05, (3000, 2))
    exact = distance_to_polygon(points, outline)
    error = np.abs(field.at(*points.T.astype(np.float32)) - exact)
    assert np.percentile(error, 99) < 0.0005
    assert error.max() < 0.01  # within a step of a sharp corner only
    wide = rng.uniform(-48, 48, (5000, 2))
    wide = wide[np.hypot(*wide.T) > field.inner_mm]
    apart = np.min(
        np.hypot(wide[:, None, 0] - outline[None, ::40, 0], wide[:, None, 1] - outline[None, ::40, 1]), axis=1
    )
    assert np.all(np.abs(field.at(*wide.T.astype(np.float32))) <= apart + 0.01)


def test_eccentric_and_alternating_wear_and_damage_fall_on_the_teeth_they_should():
    part = Part(teeth=16, wear=Wear(kind="even", depth_mm=0.8, eccentric=0.5, eccentric_at=np.pi))
    loss = [t["drive_loss_pitch"] for t in truths(part)]
    assert int(np.argmax(loss)) == 8
    assert int(np.argmin(loss)) == 0
    part = Part(teeth=16, wear=Wear(kind="even", depth_mm=0.8, alternate=0.5))
    loss = [t["drive_loss_pitch"] for t in truths(part)]
    assert loss[0] == pytest.approx(0.8, abs=1e-4)
    assert loss[1] == pytest.approx(0.4, abs=1e-4)
    part = Part(wear=Wear(damage=((2, "missing"), (5, "broken"), (9, "chipped"))))
    tips = [t["tip_radius"] for t in truths(part)]
    form = part.form
    assert tips[2] < form.pitch_radius_mm - 0.3 * form.roller_diameter_mm
    assert tips[5] < form.tip_radius_mm - 1
    assert truths(part)[2]["pitch_thickness"] is None
    assert truths(part)[9]["drive_loss_pitch"] == pytest.approx(0, abs=1e-5)


def test_grades_follow_the_bands():
    def at(asymmetry, hook=0.0):
        h = 2.0
        t = {
            "pitch_thickness_ideal": 2 * h,
            "coast_loss_pitch": 0.0,
            "drive_loss_pitch": asymmetry / 100 * 2 * h,
            "overhang": hook,
        }
        return grade([t], damaged=False)[0]

    assert [at(a) for a in (0, 4.9, 5.1, 9.9, 10.1, 24.9, 25.1)] == [
        "good", "good", "watch", "watch", "replace-set", "replace-set", "replace-now"
    ]  # fmt: skip
    assert at(3, hook=0.31) == "replace-now"
    assert grade([], damaged=True)[0] == "replace-now"


def test_teeth_are_counted_counterclockwise_and_a_mirrored_photo_counts_again():
    scene = Scene(size_px=(400, 300), part=Part(wear=Wear(kind="even", depth_mm=0.6, alternate=0.4)), card=None)
    stage = set_stage(scene)
    plain, mirrored = truth_of(scene, stage), truth_of(replace(scene, mirror=True), stage)
    for t in (plain, mirrored):
        tips = np.array(t["tip_px"]) - t["centre_px"]
        angle = np.unwrap(np.arctan2(-tips[:, 1], tips[:, 0]))
        assert np.all(np.diff(angle) > 0)  # y is down in the photo: counterclockwise as seen
        assert math.degrees(angle[0]) % 360 == pytest.approx(t["turn"], abs=0.5)
    assert (plain["drive_flank_is"], mirrored["drive_flank_is"]) == ("clockwise", "counterclockwise")
    assert (plain["turning"], mirrored["turning"]) == ("clockwise", "counterclockwise")
    assert mirrored["teeth_truth"][1] == plain["teeth_truth"][14]


@pytest.mark.parametrize("turning", ["clockwise", "counterclockwise"])
def test_which_way_it_turns_is_told_as_inspect_asks_for_it(turning):
    # measures.md, section 1: at the rear the drive flank is the trailing one, so it lies on the other side
    scene = Scene(size_px=(400, 300), part=Part(position="rear"), turning=turning, card=None)
    truth = truth_of(scene, set_stage(scene))
    assert truth["turning"] == turning != truth["drive_flank_is"]


def test_a_chain_hides_the_teeth_under_it_and_no_others_far_from_it():
    scene = Scene(size_px=(640, 480), chain_first=3, chain_teeth=5, distance_mm=220.0, card=None)
    seen = truth_of(scene, set_stage(scene))["visible"]
    assert not set(seen) & {3, 4, 5, 6, 7}
    assert set(seen) >= {10, 11, 12, 13, 14, 0}
    hurt = replace(scene, part=replace(scene.part, wear=Wear(damage=((5, "broken"), (12, "broken")))))
    told = truth_of(hurt, set_stage(hurt))
    assert told["damaged"] == {"5": "broken", "12": "broken"}
    assert told["damaged_seen"] == [12]  # the other one lies under the chain
    assert told["true_grade"] == "replace-now"
    assert 12 not in told["visible"]
    free = replace(scene, chain_teeth=0)
    assert truth_of(free, set_stage(free))["visible"] == list(range(15))


@pytest.mark.parametrize("tier", TIERS)
def test_scenes_drawn_by_lot_are_the_same_for_the_same_lot_and_show_the_card(tier):
    for lot in range(4):
        one, two = (random_scene(np.random.default_rng([lot, 9]), tier, size_px=(800, 600)) for _ in range(2))
        assert one == two
        assert one.tier == tier
        if tier == "mat":
            assert one.card_lift_mm == one.card_lift_told_mm == -one.part.thickness_mm
        if tier in ("mat", "bench", "hand", "bike"):
            assert whole_markers(one) >= 4


def test_a_pair_is_one_part_and_only_the_second_is_worn():
    new, worn = make_pair(np.random.default_rng(3), "bench")
    assert new.part == replace(worn.part, wear=new.part.wear)
    assert new.part.wear == Wear()
    assert worn.part.wear.depth_mm > 0
    assert new.seed != worn.seed


@pytest.mark.parametrize("what", FAULTS)
def test_every_wrong_claim_is_wrong(what):
    made = random_wrong_claim(np.random.default_rng(1), what)
    part, claim, scene = made.scene.part, made.claim, made.scene
    is_wrong = {
        "teeth": claim.teeth != part.teeth,
        "pitch": claim.chain != part.chain,
        "roller": claim.chain != part.chain,
        "turning": claim.turning != scene.turning,
        "mirrored": scene.mirror,
        "print-scale": abs(scene.card_print_scale - 1) > 0.04,
        "card-height": abs(claim.card_height_mm - scene.card_lift_mm) > 7,
        "spur-gear": part.spur_gear,
        "chainring": part.chain == "cycle-1/8" != claim.chain,
        "two-sprockets": scene.second is not None,
        "no-sprocket": not made.with_part,
    }
    assert is_wrong[what]


def test_an_involute_gear_has_its_tooth_half_as_thick_as_its_pitch():
    # textbook: on the pitch circle of a standard gear tooth and gap are equal, π·m/2 each
    outline = spur_gear_outline(20, 4.0)
    radius = np.hypot(*outline.T)
    on = outline[np.abs(radius - 40.0) < 0.03]
    angle = np.degrees(np.arctan2(on[:, 1], on[:, 0]))
    first = np.abs(angle[np.abs(angle) < 9])
    assert first.mean() == pytest.approx(360 / 20 / 4, abs=0.05)
    assert radius.max() == pytest.approx(44.0)
    assert np.allclose(
        rotated(outline, 2 * np.pi / 20)[:5], np.roll(outline, -len(outline) // 20, axis=0)[:5], atol=1e-9
    )
