"""Teeth judged together: what is kept of single teeth, of one worn side, and of a damaged tooth."""

import numpy as np
import pytest
from scipy.stats import norm

from toothcheck.wear.pooling import _APART, _APART_MM, _ASTRAY, _ASTRAY_MM, _answers, pool


def _wheel(rng: np.random.Generator, teeth: int, *, once_a_turn: float) -> tuple[np.ndarray, np.ndarray]:
    """Angles and true losses: 0.6 mm, single teeth differing by 0.05 mm, and one side worn more than the other."""
    angle = np.arange(teeth) * 2 * np.pi / teeth
    loss = 0.6 + 0.05 * rng.standard_normal(teeth) + once_a_turn * np.cos(angle - rng.uniform(0, 2 * np.pi))
    return angle, loss


@pytest.mark.parametrize("teeth", [14, 42])
@pytest.mark.parametrize("once_a_turn", [0.0, 0.1])
def test_teeth_judged_together_are_nearer_the_truth_than_each_alone(teeth, once_a_turn):
    rng = np.random.default_rng(teeth)
    std = np.full(teeth, 0.06)
    alone, together = [], []
    for _ in range(200):
        angle, true = _wheel(rng, teeth, once_a_turn=once_a_turn)
        seen = true + std * rng.standard_normal(teeth)
        alone.append(seen - true)
        together.append(pool(seen, std, np.ones(teeth, dtype=bool), angle).value - true)
    assert np.sqrt(np.mean(np.square(together))) < 0.85 * np.sqrt(np.mean(np.square(alone)))


def test_a_side_that_is_worn_more_stays_so():
    rng = np.random.default_rng(1)
    std = np.full(15, 0.08)
    kept = []
    for _ in range(200):
        angle = np.arange(15) * 2 * np.pi / 15
        true = 1.1 + 0.12 * np.cos(angle)
        found = pool(true + std * rng.standard_normal(15), std, np.ones(15, dtype=bool), angle).value
        kept.append(np.polyfit(true, found, 1)[0])
    # drawn to one mean for all teeth alone, more than a third of it would be lost
    assert np.mean(kept) > 0.85


@pytest.mark.parametrize("turn", [0.9, np.pi / 2, 4.0])
def test_where_the_count_round_the_wheel_begins_changes_nothing(turn):
    rng = np.random.default_rng(8)
    angle, true = _wheel(rng, 15, once_a_turn=0.1)
    std, clear = rng.uniform(0.03, 0.1, 15), np.arange(15) != 4
    one, other = (pool(true + 0.05 * np.sin(7 * angle), std, clear, a) for a in (angle, angle + turn))
    assert np.abs(one.value - other.value).max() < 1e-9
    assert np.abs(one.own - other.own).max() < 1e-9
    assert np.abs(one.root @ one.root.T - other.root @ other.root.T).max() < 1e-9


def test_why_a_tooth_stands_apart_is_bayes_rule():
    """Against sums over all that a tooth may have lost, for each answer by itself, with scipy's normal densities."""
    off, var, differ = np.array([-0.4, -0.1, 0.0, 0.2, 0.9]), np.array([0.002, 0.01, 0.004, 0.003, 0.006]), 0.01
    share, kept, own_var = _answers(off, var, differ)
    own = np.linspace(-4, 4, 80_001)
    for i, o in enumerate(off):
        mass = []
        for k, (wide, astray, usual) in enumerate(
            [(differ, 0.0, 1.0), (differ, _ASTRAY_MM**2, _ASTRAY), (_APART_MM**2, 0.0, _APART if o > 0 else 0.0)]
        ):
            density = norm.pdf(own, 0, np.sqrt(wide)) * norm.pdf(o, own, np.sqrt(var[i] + astray))
            total = density.sum()
            mean = (own * density).sum() / total
            assert kept[k, i] * o == pytest.approx(mean, abs=1e-6)
            assert own_var[k, i] == pytest.approx(((own - mean) ** 2 * density).sum() / total, abs=1e-6)
            mass.append(usual * total)
        assert share[:, i] == pytest.approx(np.array(mass) / sum(mass), abs=1e-6)


def test_a_damaged_tooth_keeps_its_own_and_bends_nothing():
    angle = np.arange(16) * 2 * np.pi / 16
    loss = np.full(16, 0.4)
    loss[5] = 1.6
    std = np.full(16, 0.05)
    found = pool(loss, std, np.ones(16, dtype=bool), angle).value
    assert found[5] >= 1.55 - 1e-9
    assert np.abs(np.delete(found, 5) - 0.4).max() < 0.02


def test_a_tooth_that_seems_less_worn_than_all_others_is_drawn_to_them_and_in_doubt():
    """No chain spares one tooth: another edge was followed there, whatever its own points say of themselves."""
    angle = np.arange(16) * 2 * np.pi / 16
    loss, std = np.full(16, 1.1), np.full(16, 0.04)
    loss[5] = 0.7
    found = pool(loss, std, np.ones(16, dtype=bool), angle)
    assert 0.95 < found.value[5] < 1.1
    assert found.own[5] > 1.5 * found.own[6]
    assert abs(found.value[5] - 1.1) < 2 * found.own[5]
    assert np.abs(np.delete(found.value, 5) - 1.1).max() < 0.02


def test_flanks_of_which_some_followed_another_edge_are_nearer_the_truth_and_their_doubt_holds():
    """Invented: one in thirty is off by a quarter of a millimetre, which its own uncertainty does not tell."""
    rng = np.random.default_rng(3)
    errors, held, alone = [], [], []
    for _ in range(200):
        angle, true = _wheel(rng, 16, once_a_turn=0.05)
        std = np.full(16, 0.04)
        wrong = std * rng.standard_normal(16) + 0.25 * rng.standard_normal(16) * (rng.random(16) < 1 / 30)
        found = pool(true + wrong, std, np.ones(16, dtype=bool), angle)
        together = np.sqrt(found.own**2 + (1 - found.kept) ** 2 * (found.root**2).sum(1))
        errors.append(found.value - true)
        alone.append(wrong)
        held.append(np.abs(found.value - true) < 1.96 * together)
    assert np.sqrt(np.mean(np.square(errors))) < 0.75 * np.sqrt(np.mean(np.square(alone)))
    assert 0.93 < np.mean(held) < 0.985


def test_fewer_than_five_clear_teeth_are_left_alone():
    loss, std = np.array([0.1, 0.5, 0.9, 0.2]), np.full(4, 0.1)
    found = pool(loss, std, np.ones(4, dtype=bool), np.arange(4.0))
    assert np.array_equal(found.value, loss)
    assert np.array_equal(found.kept, np.ones(4))
    # what is doubtful of a median of n alike: π/2 of the mean's variance (its efficiency of 2/π in textbooks)
    assert found.root @ found.root.T == pytest.approx(np.full((4, 4), np.pi / 2 * 0.01 / 4))
