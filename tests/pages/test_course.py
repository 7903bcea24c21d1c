"""Scenes for teaching: what a level promises is in it (the scenes only; one photo is made)."""

import numpy as np
import pytest
from made import asked

from toothcheck.synthetic import encode, make_photo, make_wheel
from toothcheck.synthetic.course import course
from toothcheck.synthetic.truth import grade, tooth_truth


def true_grade(scene):
    wheel = make_wheel(scene.part, turn=0.3, drive_flank_is=scene.drive_flank_is, rng=np.random.default_rng(scene.seed))
    return grade([tooth_truth(t, scene.part.form) for t in wheel.teeth_mm], bool(wheel.damage))[0]


@pytest.mark.parametrize("seed", [1, 2])
def test_level_1_shows_each_grade_in_turn_and_nothing_else_to_see(seed):
    scenes = list(course(np.random.default_rng(seed), 4, 1))
    assert sorted(map(true_grade, scenes)) == ["good", "replace-now", "replace-set", "watch"]
    assert all(s.card is None and s.dirt <= 0.12 and s.tier == "bench" for s in scenes)


def test_level_2_has_new_parts_that_look_worn():
    scenes = list(course(np.random.default_rng(3), 9, 2))
    new = [s for s in scenes if s.part.wear.depth_mm == 0]
    assert any(s.part.blend >= 0.9 for s in new)
    assert any(s.dirt > 0.3 for s in new)


def test_level_3_has_damage_alternation_both_flanks_and_a_photo_that_shows_nothing():
    scenes = list(course(np.random.default_rng(4), 9, 3))
    assert any(s.part.wear.damage for s in scenes)
    assert any(s.part.wear.alternate > 0.5 and s.part.teeth % 2 == 0 for s in scenes)
    assert any(s.part.wear.coast_depth_mm > 0.8 * s.part.wear.depth_mm > 0 for s in scenes)
    assert any(s.tier == "hostile" for s in scenes)


def test_the_same_seed_makes_the_same_scenes_and_a_level_that_is_none_is_refused():
    assert list(course(np.random.default_rng(5), 3, 2)) == list(course(np.random.default_rng(5), 3, 2))
    with pytest.raises(ValueError, match="level must be one of"):
        list(course(np.random.default_rng(5), 3, 4))


def test_a_made_photo_becomes_a_question_with_its_truth():
    scene = next(course(np.random.default_rng(6), 1, 1, size_px=(240, 240)))
    photo = make_photo(scene)
    case = asked(encode(photo.picture, "jpg", focal_35mm=photo.focal_35mm), photo.truth, np.random.default_rng(0))
    assert case.made
    assert case.grade == photo.truth["true_grade"] == "replace-set"
    assert case.drive_side == photo.truth["drive_flank_is"]
