"""Once-per-turn patterns: against published and reference tests, and made wheels with one thing wrong."""

import math

import numpy as np
import pytest
from scipy import stats

from toothcheck.estimate import Estimate
from toothcheck.patterns import _odd_one, _test, apart, patterns, told


def wheel(values, std=0.03, hidden=()):
    return [None if i in hidden else Estimate(value=float(v), std=std) for i, v in enumerate(values)]


def test_one_odd_value_is_grubbs_test():
    """NIST/SEMATECH e-Handbook, 1.3.5.17.1: G = 2.4687, critical value 2.032 at 5 %, N = 8 (figures from memory)."""
    y = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    index, p, _, _ = _odd_one(y, np.full(8, 1e-6), np.ones((8, 1)))
    assert index == 7
    g = abs(y - y.mean()).max() / y.std(ddof=1)
    assert g == pytest.approx(2.4687, abs=1e-4)
    # its critical value marks 5 % for an odd greatest value, so 10 % for one at either end: bring G down to it
    low, high = y[:7].max(), y[7]
    for _ in range(60):
        y[7] = 0.5 * (low + high)
        low, high = (y[7], high) if abs(y - y.mean()).max() / y.std(ddof=1) < 2.032 else (low, y[7])
    assert _odd_one(y, np.full(8, 1e-6), np.ones((8, 1)))[1] == pytest.approx(0.10, abs=2e-3)
    assert p < 1e-6


def test_alternation_alone_is_the_two_sample_t_test():
    """Reference: scipy.stats.ttest_ind with equal variances."""
    rng = np.random.default_rng(1)
    y = rng.normal(0, 1, 16) + np.where(np.arange(16) % 2, 0.4, -0.4)
    sign = np.where(np.arange(16) % 2, 1.0, -1.0)[:, None]
    p, coefficient, _ = _test(y, np.full(16, 1e-9), sign, [], np.zeros((16, 16)))
    want = stats.ttest_ind(y[1::2], y[::2])
    assert p == pytest.approx(want.pvalue, rel=1e-9)
    assert 2 * coefficient[0] == pytest.approx(y[1::2].mean() - y[::2].mean())


def test_a_wave_alone_is_the_regressions_f_test():
    """Reference: the F statistic written out from two sums of squares of numpy.linalg.lstsq."""
    rng = np.random.default_rng(2)
    turn = 2 * np.pi * np.arange(15) / 15
    y = rng.normal(0, 1, 15) + 0.8 * np.cos(turn)
    waves = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    full = np.column_stack([np.ones(15), waves])
    _, (rss,), _, _ = np.linalg.lstsq(full, y, rcond=None)
    tss = ((y - y.mean()) ** 2).sum()
    want = stats.f.sf(((tss - rss) / 2) / (rss / 12), 2, 12)
    assert _test(y, np.full(15, 1e-9), waves, [], np.zeros((15, 15)))[0] == pytest.approx(want, rel=1e-9)


@pytest.mark.parametrize("teeth", [14, 16, 42])
def test_every_second_tooth(teeth):
    rng = np.random.default_rng(3)
    y = 0.3 + 0.08 * np.where(np.arange(teeth) % 2, 1, -1) + rng.normal(0, 0.03, teeth)
    found = patterns(wheel(y, hidden=range(teeth - teeth // 4, teeth)))
    assert told(found) == "alternate-teeth"
    assert found[0].size.value == pytest.approx(0.08, abs=4 * found[0].size.std)
    assert found[0].tooth == 1
    assert "even number of links" in found[0].sentence()
    assert told(patterns(wheel(y), links=111)) != "alternate-teeth"


def test_an_odd_wheel_cannot_alternate():
    y = 0.3 + 0.08 * np.where(np.arange(15) % 2, 1, -1)
    assert "alternate-teeth" not in {p.kind for p in patterns(wheel(y))}


def test_eccentricity_and_where_it_is_greatest():
    rng = np.random.default_rng(4)
    y = 0.4 + 0.15 * np.cos(2 * np.pi * (np.arange(45) - 12) / 45) + rng.normal(0, 0.03, 45)
    found = patterns(wheel(y, hidden=range(20, 30)))
    assert told(found) == "once-per-turn"
    assert found[0].size.value == pytest.approx(0.15, abs=0.03)
    assert abs(found[0].tooth - 12) <= 1
    assert "once per turn" in found[0].sentence()


def test_one_damaged_tooth_is_not_taken_for_a_wave():
    rng = np.random.default_rng(5)
    y = 0.2 + rng.normal(0, 0.03, 15)
    y[6] += 0.4
    found = patterns(wheel(y))
    assert told(found) == "single-tooth"
    assert found[0].tooth == 6
    assert found[0].size.value == pytest.approx(0.4, abs=0.1)
    assert not any(p.significant for p in found if p.kind != "single-tooth")
    assert "Tooth 6 has lost 0.38" in found[0].sentence()
    assert "mm more than the others" in found[0].sentence()


def test_a_tooth_that_has_lost_less_is_told_without_a_minus():
    y = 0.4 + np.random.default_rng(5).normal(0, 0.03, 15)
    y[1] -= 0.3
    found = patterns(wheel(y))
    assert told(found) == "single-tooth"
    assert found[0].size.value < -0.2
    assert "Tooth 1 has lost 0.3" in found[0].sentence()
    assert "mm less than the others" in found[0].sentence()


def test_a_wave_and_a_damaged_tooth_are_both_found():
    rng = np.random.default_rng(6)
    y = 0.4 + 0.15 * np.cos(2 * np.pi * np.arange(42) / 42) + rng.normal(0, 0.02, 42)
    y[20] += 0.3
    assert {p.kind for p in patterns(wheel(y, std=0.02)) if p.significant} == {"once-per-turn", "single-tooth"}


@pytest.mark.parametrize(("teeth", "hidden"), [(14, ()), (15, range(8, 15)), (42, range(0, 42, 3))])
def test_chance_alone_shows_a_pattern_no_more_often_than_stated(teeth, hidden):
    """1 % over all tests; 150 draws: more than 6 would happen once in a thousand times (binomial)."""
    rng = np.random.default_rng(teeth)
    false = sum(told(patterns(wheel(rng.normal(0.3, 0.03, teeth), hidden=hidden))) is not None for _ in range(150))
    assert false <= stats.binom.ppf(0.999, 150, 0.01)


def test_a_tooth_too_little_apart_for_a_pattern_is_looked_at_all_the_same():
    rng = np.random.default_rng(8)
    even = rng.normal(0.06, 0.03, 42)
    for more in np.arange(0.0, 0.3, 0.005):  # until it is one tooth's test that notices it, and not yet all three
        y = even.copy()
        y[16] += more
        found = patterns(wheel(y))
        if apart(found) is not None:
            break
    assert apart(found) == 16
    assert told(found) is None
    assert apart(()) is None


def test_chance_alone_sets_a_tooth_apart_no_more_often_than_stated():
    """1 %; 300 draws: more than 9 would happen less than once in a thousand times (binomial)."""
    rng = np.random.default_rng(9)
    false = sum(apart(patterns(wheel(rng.normal(0.3, 0.03, 42)))) is not None for _ in range(300))
    assert false <= stats.binom.ppf(0.999, 300, 0.01)


def test_scatter_below_the_stated_uncertainty_is_not_believed():
    y = 0.3 + 0.001 * np.where(np.arange(14) % 2, 1, -1)
    assert told(patterns(wheel(y, std=0.03))) is None


def test_few_teeth_say_nothing():
    assert patterns(wheel(np.arange(15.0), hidden=range(5, 15))) == ()
    assert told(()) is None
    assert math.isfinite(patterns(wheel(np.zeros(8)))[0].p_value)


def test_a_wave_that_an_ill_found_centre_makes_is_not_the_parts():
    """0.05 mm off centre makes a wave of 0.05 mm that no scatter among the teeth shows."""
    rng = np.random.default_rng(7)
    turn = 2 * np.pi * np.arange(43) / 43
    y = 0.4 + 0.05 * np.cos(turn - 1.0) + rng.normal(0, 0.02, 43)
    assert told(patterns(wheel(y, std=0.02))) == "once-per-turn"
    centre = 0.05**2 * np.cos(turn[:, None] - turn)
    assert told(patterns(wheel(y, std=0.02), shared=centre)) is None
    assert told(patterns(wheel(y, std=0.02), light=0.05)) is None
    # one far larger than that is
    y = 0.4 + 0.25 * np.cos(turn - 1.0) + rng.normal(0, 0.02, 43)
    far = patterns(wheel(y, std=0.02), shared=centre)
    assert told(far) == "once-per-turn"
    assert far[0].size.std == pytest.approx(0.05, rel=0.1)
