"""The first fit where a chain lies on most of the wheel: edges whose true wheel is known to the last digit."""

from dataclasses import fields, replace

import numpy as np
import pytest
from flatwheel import facing_plane

from toothcheck.toothform import IsoForm
from toothcheck.tracing.consensus import first_fit, how_seen
from toothcheck.tracing.fit import UNKNOWNS, Priors, fit
from toothcheck.tracing.locate import Edges
from toothcheck.tracing.rims import Wheel, flank_outline

TEETH = 40
FREE = tuple(range(12, 26))
PRIORS = Priors(pivot_mm=np.zeros(2), height_mm=0.3, tilt=0.01, thickness_mm=0.2)
FORM = IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=TEETH, blend=0.5)


def wheel_at(x_mm, y_mm):
    plane = facing_plane(2016, 1512, 5.0).moved(centre_mm=np.array([x_mm, y_mm]))
    return Wheel(plane=plane, form=FORM, phase=0.0, thickness_mm=6.0)


def edges_on(wheels, rng, noise_mm=0.02):
    """Edges of coast flanks and seats of each gap as they stand on its wheel, with noise along their normals."""
    outline = flank_outline(FORM, 0.4, 3.0)
    coast = outline.points_mm[:, 0] > 0
    points, normals = outline.points_mm[coast], outline.normals[coast]
    px, gap = [], []
    for g, wheel in enumerate(wheels):
        noisy = points + noise_mm * rng.standard_normal((len(points), 1)) * normals
        px.append(wheel.plane.project(wheel.from_gap(noisy, np.full(len(points), g))))
        gap.append(np.full(len(points), g))
    m, z = len(points), len(wheels)
    return Edges(
        gap=np.concatenate(gap),
        place=np.tile(np.flatnonzero(coast), z),
        far=np.zeros(m * z, dtype=bool),
        px=np.concatenate(px),
        std_px=np.full(m * z, 0.1),
        offset_mm=np.zeros(m * z),
        step=np.full(m * z, 50.0),
        drive=np.zeros(m * z, dtype=bool),
        spacing_mm=0.4,
        line=np.zeros(3),
    )


def under_a_chain(true, rng, by_chance):
    """Wheels on which gaps' edges stand: the true one's where it is free, anywhere else under the chain, and about
    the place where it was looked for in some gaps ``by_chance``."""
    wheels = [wheel_at(*rng.uniform(-2.5, 2.5, 2)) for _ in range(TEETH)]
    for g in by_chance:
        wheels[g] = wheel_at(0.0, 0.0)
    for g in FREE:
        wheels[g] = wheel_at(*true)
    return wheels


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("true", [(0.7, 0.8), (-0.6, 0.9), (0.9, -0.5)])
def test_links_that_lie_on_the_form_by_chance_do_not_draw_the_first_fit_aside(seed, true):
    rng = np.random.default_rng(seed)
    edges = edges_on(under_a_chain(true, rng, by_chance=(1, 3, 6, 9, 28, 31, 33, 36, 38)), rng)
    votes = np.where(np.isin(edges.gap, FREE), 0.8, rng.uniform(0.2, 0.9, TEETH)[edges.gap])
    found = first_fit(wheel_at(0.0, 0.0), edges, votes, PRIORS)
    alone = fit(wheel_at(0.0, 0.0), edges, votes, PRIORS, wide_mm=1.5, free=("x", "y", "phase"))
    assert np.hypot(*(alone.unknowns[:2] - true)) > 0.2
    assert np.hypot(*(found.unknowns[:2] - true)) < 0.06
    assert abs(found.unknowns[UNKNOWNS.index("phase")]) < 0.001


def test_a_wheel_that_is_free_all_round_is_fitted_as_it_is():
    rng = np.random.default_rng(3)
    edges = edges_on([wheel_at(0.4, -0.3)] * TEETH, rng)
    votes = np.ones(len(edges.gap))
    start = wheel_at(0.0, 0.0)
    found = first_fit(start, edges, votes, PRIORS)
    alone = fit(start, edges, votes, PRIORS, wide_mm=1.5, free=("x", "y", "phase"))
    assert np.array_equal(found.unknowns, alone.unknowns)
    assert np.hypot(*(found.unknowns[:2] - (0.4, -0.3))) < 0.01


def test_where_no_gaps_agree_the_fit_of_all_stands():
    rng = np.random.default_rng(5)
    edges = edges_on([wheel_at(*rng.uniform(-3, 3, 2)) for _ in range(TEETH)], rng, noise_mm=0.5)
    votes = np.full(len(edges.gap), 0.3)
    start = wheel_at(0.0, 0.0)
    found = first_fit(start, edges, votes, PRIORS)
    alone = fit(start, edges, votes, PRIORS, wide_mm=1.5, free=("x", "y", "phase"))
    assert np.array_equal(found.unknowns, alone.unknowns)


def test_without_votes_nothing_is_fitted():
    edges = edges_on([wheel_at(0.0, 0.0)] * TEETH, np.random.default_rng(0))
    with pytest.raises(np.linalg.LinAlgError, match="no edge votes"):
        first_fit(wheel_at(0.0, 0.0), edges, np.zeros(len(edges.gap)), PRIORS)


LINKS = tuple(g for g in range(TEETH) if g not in FREE and g % 9)
"""Gaps under a chain that lies on more of the wheel than is free."""


def only(edges, which):
    """Those edges that are meant, (m,)."""
    parts = {f.name: getattr(edges, f.name) for f in fields(edges)}
    return replace(edges, **{k: v[which] for k, v in parts.items() if np.shape(v)[:1] == which.shape})


def plates_beside(true, rng, share):
    """Edges of free gaps all along, and of a chain's plates that stand beside them all alike, of which ``share`` is
    seen."""
    wheels = [wheel_at(*true) if g in FREE else wheel_at(true[0] + 0.5, true[1]) for g in range(TEETH)]
    edges = edges_on(wheels, rng)
    seen = np.isin(edges.gap, FREE) | (np.isin(edges.gap, LINKS) & (rng.random(len(edges.gap)) < share))
    places = int(np.count_nonzero(edges.gap == 0))
    return only(edges, seen), places


@pytest.mark.parametrize("seed", range(4))
def test_plates_that_lie_on_the_form_all_alike_give_way_to_gaps_seen_all_along(seed):
    true = (0.3, -0.2)
    edges, places = plates_beside(true, np.random.default_rng(seed), share=0.62)
    trust = np.isin(np.arange(TEETH), FREE + LINKS) * 0.7
    start, free = wheel_at(0.0, 0.0), ("x", "y", "phase")
    alike = fit(start, edges, trust[edges.gap], PRIORS, wide_mm=0.35, free=free)
    weighed = fit(start, edges, (trust * how_seen(edges, trust, places))[edges.gap], PRIORS, wide_mm=0.35, free=free)
    assert np.hypot(*(alike.unknowns[:2] - true)) > 0.1
    assert np.hypot(*(weighed.unknowns[:2] - true)) < 0.06


def test_where_few_gaps_are_seen_all_along_all_count_alike():
    edges, places = plates_beside((0.3, -0.2), np.random.default_rng(0), share=0.62)
    trust = np.isin(np.arange(TEETH), FREE[:9] + LINKS) * 0.7
    assert (how_seen(only(edges, np.isin(edges.gap, FREE[:9] + LINKS)), trust, places) == 1.0).all()
    assert (how_seen(edges, np.zeros(TEETH), places) == 1.0).all()
