"""Counts, pitches and scales asked of flat wheels that stand where and as large as we put them."""

import math

import numpy as np
import pytest
from flatwheel import facing_plane, wheel_photo
from rings import form_of

from toothcheck.chains import chain
from toothcheck.claims import Claim, Found
from toothcheck.counting import around, beside, concentric, fit_form, matched_side, mean_gap, ring_for, rivals, unwound
from toothcheck.placing import Placed, free_scale, place
from toothcheck.tracing.seed import PlaneView, find, view_plane

FORM = form_of(15.875, 10.16, 15)
PLANE = facing_plane(640, 480, 4.5)


def view_of(grey, plane=PLANE, step=0.5):
    return view_plane(grey, plane, reach_mm=200, step_mm=step)


@pytest.fixture(scope="module")
def view():
    return view_of(wheel_photo(FORM, PLANE, centre_mm=(6.0, -4.0)))


def test_the_true_count_matches_most_of_the_outline_and_no_other_comes_near(view):
    ring = unwound(view, (6.0, -4.0), 10.0, 60.0)
    scores = {z: fit_form(ring, form_of(15.875, 10.16, z), np.ones(1)).score for z in range(9, 22)}
    assert scores[15] > 0.8
    assert max(v for z, v in scores.items() if z != 15) < 0.35


def test_phase_and_place_are_those_of_the_picture(view):
    start = fit_form(ring_for(view, FORM, 1.0, (7.0, -4.5)), FORM, np.ones(1))
    best = around(view, start)
    assert math.dist(best.centre_mm, (6.0, -4.0)) < 0.4
    # the picture's gaps stand at 0.3 and every pitch further
    assert abs((best.phase - 0.3 + FORM.pitch_angle / 2) % FORM.pitch_angle - FORM.pitch_angle / 2) < 0.02


def beside_its_shadow(way, aside_mm=2.6, line=60.0, nut_mm=0.0):
    """Metal as light as the paper, a thin dark line about it, a nut on it, and its shadow; where the shadow stands."""
    aside = aside_mm * np.array([math.cos(way), math.sin(way)])
    under = wheel_photo(FORM, PLANE, centre_mm=tuple(aside), metal=110, ground=200, noise=0.0)
    share = wheel_photo(FORM, PLANE, metal=255, ground=0, noise=0.0) / 255.0
    y, x = np.mgrid[0 : share.shape[0], 0 : share.shape[1]]
    share[np.hypot(*PLANE.on_plane(np.stack([x, y], -1)).T).T < nut_mm] = 1.0
    grain = 4 * np.random.default_rng(1).standard_normal(share.shape)
    seen = under * (1 - share) + 200 * share - line * share * (1 - share) + grain
    return np.clip(np.rint(seen), 0, 255).astype(np.uint8), aside


@pytest.mark.parametrize("way", [0.4, 2.1, 4.0])
def test_beside_a_clearer_shadow_the_wheel_itself_is_found(way):
    grey, aside = beside_its_shadow(way)
    view = view_of(grey)
    start = fit_form(ring_for(view, FORM, 1.0, tuple(aside)), FORM, np.ones(1))
    shadow = around(view, start, reach_mm=0.5)
    assert math.dist(shadow.centre_mm, aside) < 0.6  # a place by itself, from which none leads uphill
    assert math.dist(beside(view, shadow).centre_mm, (0.0, 0.0)) < 0.8


@pytest.mark.parametrize(("named", "teeth"), [("520", 15), ("520", None), (None, 15), (None, None)])
@pytest.mark.parametrize("way", [2.1, 5.2])
def test_whatever_is_left_to_the_photo_the_wheel_is_placed_and_not_its_shadow(way, named, teeth):
    grey, _ = beside_its_shadow(way, aside_mm=3.0, line=25.0, nut_mm=20.0)
    claim = Claim(chain=named and chain(named), teeth=teeth, position="front", turning="clockwise")
    placed = place(grey, PLANE, claim, None)
    assert placed.teeth == 15
    assert math.dist(PLANE.on_plane(placed.plane.project(np.zeros((1, 2))))[0], (0.0, 0.0)) < 0.8


def test_where_nothing_lies_aside_a_place_stays_as_it_is(view):
    best = around(view, fit_form(ring_for(view, FORM, 1.0, (6.5, -4.5)), FORM, np.ones(1)))
    assert beside(view, best) is best


@pytest.mark.parametrize("scale", [0.95, 1.05])
def test_a_scale_that_is_off_is_found_beside_the_count(scale):
    view = view_of(wheel_photo(FORM, PLANE, scale=scale))
    ring = unwound(view, (0.0, 0.0), 10.0, 60.0)
    scales = np.linspace(0.9, 1.1, 41)
    found = {z: fit_form(ring, form_of(15.875, 10.16, z), scales) for z in (14, 15, 16)}
    best = max(found.values(), key=lambda f: f.score)
    assert best.form.teeth == 15
    assert best.scale == pytest.approx(scale, abs=0.011)


@pytest.mark.parametrize("claimed", [12, 14, 16, 18])
def test_from_the_place_of_a_wrong_count_the_right_one_is_found(view, claimed):
    wrong = form_of(15.875, 10.16, claimed)
    seed = find(view, wrong)[0]
    own = around(view, fit_form(ring_for(view, wrong, 1.0, seed.centre_mm), wrong, np.ones(1)))
    others = [(form_of(15.875, 10.16, z), 1.0) for z in range(claimed - 5, claimed + 6) if z != claimed and z > 8]
    best = rivals(view, own, others)[0]
    assert best.form.teeth == 15
    assert best.score > own.score + 0.2


def test_half_a_wheel_is_matched_on_the_side_that_is_seen():
    hidden = (0.5, 0.5 + math.pi)
    view = view_of(wheel_photo(FORM, PLANE, hidden=hidden))
    fit = fit_form(ring_for(view, FORM, 1.0, (0.0, 0.0)), FORM, np.ones(1))
    side = matched_side(view, fit)
    seen = np.exp(1j * (hidden[1] + math.pi / 2))
    assert (side * np.conj(seen)).real > 0.5
    assert abs(matched_side(view_of(wheel_photo(FORM, PLANE)), fit)) < 0.1


def test_the_lines_of_the_gradients_meet_in_the_centre_whatever_the_count(view):
    assert math.dist(concentric(view, 60.0, 1)[0], (6.0, -4.0)) < 2.5


def test_mean_gap_of_a_field_of_one_order_is_that_order():
    """Our own arithmetic: a field cos(z·θ) keeps its two halves at z, which add up, and leaves nothing at z + 1."""
    step, half = 0.5, 60
    y, x = np.mgrid[-half : half + 1, -half : half + 1] * step
    turn = np.exp(2j * np.arctan2(y, x))
    field = (np.cos(12 * np.arctan2(y, x)) * turn).astype(np.complex64)
    view = PlaneView(field=field, x_min_mm=-half * step, y_min_mm=-half * step, step_mm=step)
    ring = unwound(view, (0.0, 0.0), 20.0, 28.0)
    assert np.abs(mean_gap(ring, 12).sum(axis=1)).max() == pytest.approx(1.0, abs=0.1)
    assert np.abs(mean_gap(ring, 13)).max() < 0.05


def test_a_ring_unwound_for_one_count_says_the_same_of_it_and_nothing_of_others(view):
    place = (view, (6.0, -4.0), 30.0, 44.0)
    np.testing.assert_allclose(mean_gap(unwound(*place, teeth=15), 15), mean_gap(unwound(*place), 15), atol=1e-5)
    with pytest.raises(ValueError, match="teeth must be 15, for which the ring was unwound, got 16"):
        mean_gap(unwound(*place, teeth=15), 16)


@pytest.mark.parametrize(
    ("true", "chains", "aside_mm"),
    [(1.0, 0.97, 0.0), (1.0, 0.97, -1.0), (1.0, 1.03, 1.0), (0.94, 1.0, 0.0), (1.06, 1.0, 0.0)],
)
def test_size_is_asked_of_what_is_seen_and_not_of_the_chain_over_more_than_half_of_a_wheel(true, chains, aside_mm):
    # plates and pins match some size best, too: here a part of each gap does.  The place may be that of such a size
    y, x = np.mgrid[0:480, 0:640]
    at = PLANE.on_plane(np.stack([x, y], axis=-1))
    angle = np.arctan2(at[..., 1], at[..., 0])
    covered = np.abs(angle) < math.radians(108)
    edges = covered & ((angle - 0.3) % FORM.pitch_angle < 0.4 * FORM.pitch_angle)
    grey = np.where(edges, wheel_photo(FORM, PLANE, scale=chains), wheel_photo(FORM, PLANE, scale=true))
    grey = np.where(covered & ~edges, 130, grey).astype(np.uint8)
    placed = Placed(
        plane=PLANE.moved(centre_mm=np.array([aside_mm, 0.0])), chain=chain("520"), teeth=15, phase=0.3, score=0.56,
        found=Found(), pitches={}, flags=(), notes=(), worded=(),
    )  # fmt: skip
    size = free_scale(grey, placed)
    assert size == 1.0 if true == 1 else (size - 1) / (true - 1) > 0.4
