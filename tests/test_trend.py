"""Trend and forecast: against a reference fit, against made histories of known wear, and what must be said in words."""

import datetime as dt
import math
import re
import tracemalloc
import uuid
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from PIL import Image
from scipy import stats
from scipy.optimize import curve_fit

from toothcheck.logbook import KM_PER_MILE, Entry, Logbook, judged, replay
from toothcheck.logbook.demo import made_fleet
from toothcheck.report import from_logbook
from toothcheck.report.figures import trend_chart
from toothcheck.report.history import shown
from toothcheck.trend import BANDS, Point, due, fit, part_trend, parts_of, unread_since
from toothcheck.trend.chart import _panel, drawn
from toothcheck.trend.check import outcomes, table
from toothcheck.trend.kalman import KalmanFilter
from toothcheck.trend.posterior import Posterior, wander_covariance
from toothcheck.trend.practice import PRIOR_SPREAD, usual_rate
from toothcheck.trend.prior import Prior, starts_of

FLEET_DAY = dt.date(2026, 2, 27)


def line(rate, count, *, step=2000.0, std=0.5, noise=None):
    noise = [0.0] * count if noise is None else noise
    return [
        Point(km=step * i, percent=rate * step * i / 1000 + noise[i - 1], std_percent=std) for i in range(1, count + 1)
    ]


# --- against a reference -------------------------------------------------------------------------------------------
def test_with_nothing_assumed_the_rate_is_that_of_weighted_least_squares(monkeypatch):
    """Reference: scipy.optimize.curve_fit, absolute_sigma, a straight line through the origin."""
    for where, nothing in (
        ("grid._WANDER", (1e-6,)),
        ("grid._GROWTH", (0.0,)),
        ("kalman.OFFSET_STD", 1e-6),
        ("posterior.OFFSET_STD", 1e-6),
        ("prior.OFFSET_STD", 1e-6),
        ("prior._ODD_SHARE", 0.0),
        ("model._SEASON", 0.0),
    ):
        monkeypatch.setattr(f"toothcheck.trend.{where}", nothing)
    noise = np.random.default_rng(2).normal(0, 0.5, 12)
    std = [0.4, 0.8] * 6
    points = [
        Point(km=p.km, percent=p.percent, std_percent=s) for p, s in zip(line(0.4, 12, noise=noise), std, strict=True)
    ]
    (slope,), ((var,),) = curve_fit(
        lambda x, b: b * x, [p.km / 1000 for p in points], [p.percent for p in points], sigma=std, absolute_sigma=True
    )
    # the prior is known, so take it out of what is asked: a normal times the prior, by quadrature
    b = np.linspace(slope - 8 * math.sqrt(var), slope + 8 * math.sqrt(var), 4001)
    weight = stats.norm.pdf(b, slope, math.sqrt(var)) * stats.lognorm.pdf(b, PRIOR_SPREAD, scale=usual_rate("front"))
    want = np.interp([0.1, 0.5, 0.9], np.cumsum(weight) / weight.sum(), b)
    # between nodes the rate is not looked for: lay them closer than the one that is wanted is wide
    for module in ("grid", "kalman"):
        monkeypatch.setattr(f"toothcheck.trend.{module}.FEWEST_NODES", 400)
    monkeypatch.setattr("toothcheck.trend.grid._GRID", (8.0, 601))
    trend = fit(points, position="front")
    assert [trend.rate_interval[0], trend.rate, trend.rate_interval[1]] == pytest.approx(want, rel=2e-3)


def test_the_wandering_rates_integral_has_the_covariance_of_its_definition():
    """Double integral of τ² exp(-|x-x'|/L) by scipy.integrate against the closed form."""
    from scipy.integrate import dblquad

    a, b, memory = 3.0, 7.0, 2.5
    want, _ = dblquad(lambda y, x: math.exp(-abs(x - y) / memory), 0, a, 0, b, epsabs=1e-6)
    assert wander_covariance(np.array([a]), np.array([b]), memory)[0, 0] == pytest.approx(want, rel=1e-4)


# --- against made histories ----------------------------------------------------------------------------------------
def test_the_80_percent_interval_holds_over_500_made_histories():
    """The histories' riding and wear are not the model's (see toothcheck.logbook.demo)."""
    results = outcomes(500, 20260301)
    held = 100 * np.mean([r.held for r in results])
    assert 75 <= held <= 85
    for low, high in ((1, 2), (3, 5), (6, 10)):
        some = [r.held for r in results if low <= r.readings <= high]
        assert 70 <= 100 * np.mean(some) <= 92  # ± 2 standard deviations of so few about the same aim
    assert np.median([r.error_percent for r in results]) < 12
    assert 75 <= 100 * np.mean([r.rate_held for r in results]) <= 85
    assert table(results).count("\n") == 8


@pytest.mark.parametrize("position", ["front", "rear"])
@pytest.mark.parametrize("rate", [0.2, 0.3, 0.4, 0.5, 0.7, 1.0])
def test_the_rate_of_a_straight_line_lies_in_its_interval(rate, position):
    """Readings without any error; the truth is the line that they were taken from."""
    for count in (6, 12):
        low, high = fit(line(rate, count), position=position).rate_interval
        assert low < rate < high
    many = fit([Point(km=300.0 * i, percent=0.3 * rate * i, std_percent=0.5) for i in range(1, 101)], position=position)
    assert many.rate_interval[0] < rate < many.rate_interval[1] < 1.1 * many.rate_interval[0] + 0.05


def test_the_rate_is_that_of_the_distance_run_last_not_that_of_a_part_without_wear():
    """Wear of 0.2 % per 1000 km for 12 000 km and 0.4 after that: over the newer two thirds 0.35 on average."""
    km = [2000.0 * i for i in range(1, 13)]
    percent = [0.2 * k / 1000 + 0.2 * max(0.0, k - 8000) / 1000 for k in km]
    trend = fit([Point(km=k, percent=p, std_percent=0.3) for k, p in zip(km, percent, strict=True)], position="front")
    assert (trend.rate_from_km, trend.rate_to_km) == pytest.approx((8000, 24000))
    assert trend.rate_interval[0] < 0.4 < trend.rate_interval[1]
    assert trend.rate > 0.35


def test_steady_fast_wear_is_a_line_of_its_own_not_a_jump():
    trend = fit(line(2.5, 6), position="rear")
    assert trend.jumps == ()
    assert trend.rate_interval[0] < 2.5 < trend.rate_interval[1]
    assert any("times as fast as common practice, no source" in s for s in trend.sentences())
    two = fit(line(2.5, 2), position="rear")  # 5 and 10 %
    replace_now = two.crossings[-1]
    assert replace_now.early_km < 10_000 < replace_now.late_km
    assert fit(line(0.4, 6), position="front").times_usual is None


def test_what_readings_have_seen_is_not_widened_by_what_the_form_may_do_next():
    trend = fit([Point(km=4000.0 * i, percent=4.0 * i, std_percent=0.8) for i in range(1, 6)], position="front")
    low, high = trend.now_interval
    assert 1.5 < high - low < 2 * 1.28 * 1.0  # no wider than one reading with its offset
    assert trend.crossings[0].early_km > 21_000
    # what was ridden since is not seen
    later = fit(trend.points, position="front", now_km=22_000)
    assert later.now_interval[1] - later.now_interval[0] > 1.5 * (high - low)


@pytest.mark.parametrize("readings", [[(0, 8.0)], [(0, 8.0), (3000, 9.2)], [(0, 8.0), (3000, 9.2), (6000, 10.4)]])
def test_a_part_that_cannot_have_been_new_is_asked_about_and_not_called_damaged(readings):
    trend = fit([Point(km=k, percent=p, std_percent=0.7) for k, p in readings], position="front")
    assert trend.jumps == ()
    assert trend.now_interval[0] < readings[-1][1] < trend.now_interval[1]
    assert trend.now_interval[0] > 6
    (said,) = [s for s in trend.sentences() if "may not have been new" in s]
    assert "add-part --ridden" in said
    assert not any("damage" in s or "readings before it" in s for s in trend.sentences())
    assert not any("may not have been new" in s for s in fit(line(0.4, 3), position="front").sentences())


def test_interval_narrows_as_readings_come_and_is_marked_while_it_rests_on_common_practice():
    widths = []
    for count in (0, 1, 2, 5, 10):
        trend = fit(line(0.41, count, step=1500), position="front")
        ten = next(c for c in trend.crossings if c.percent == 10)
        widths.append(ten.late_km / ten.early_km)
        assert ten.early_km < ten.median_km < ten.late_km
        if count <= 2:
            assert trend.rests_on_prior
            assert any("common practice, no source" in s for s in trend.sentences())
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] - 1 < (widths[0] - 1) / 2
    assert not trend.rests_on_prior


def test_the_prior_is_that_of_common_practice():
    """15-40 thousand km to 10 % at the front; the rear 41/17 times as long (common practice, no source)."""
    front = fit([], position="front").crossings[1]
    rear = fit([], position="rear").crossings[1]
    assert front.early_km < 15_000 < front.median_km < 40_000 < front.late_km * 1.05
    assert rear.median_km / front.median_km == pytest.approx(41 / 17, rel=0.05)


def test_bands_passed_are_not_foretold_again_wider_past_10_none_past_25():
    below = fit(line(0.4, 8, step=2800), position="front")  # at 9 %
    beyond = fit(line(0.4, 8, step=4000), position="front")  # at 13 %
    past = fit(line(0.9, 8, step=4000), position="front")  # at 29 %
    assert [c.grade for c in below.crossings] == ["replace-set", "replace-now"]
    assert [c.grade for c in beyond.crossings] == ["replace-now"]
    assert beyond.reached == "replace-set"
    assert past.crossings == ()
    assert past.reached == "replace-now"
    assert any("nothing is foretold" in s for s in past.sentences())

    def spread(trend, percent):  # of the wear, at the distance where its middle reaches the level
        at = int(np.argmin(abs(trend.curve_percent[1] - percent)))
        return trend.curve_percent[2, at] - trend.curve_percent[0, at]

    assert spread(below, 20) > 2 * spread(below, 10)


@given(shift=st.floats(0.5, 3.0), count=st.integers(2, 6))
@settings(max_examples=15, deadline=None)
def test_more_wear_never_postpones_a_band(shift, count):
    less = fit(line(0.3, count), position="front")
    more = fit([Point(km=p.km, percent=p.percent + shift, std_percent=0.5) for p in line(0.3, count)], position="front")
    if less.jumps or more.jumps:
        return
    for c in more.crossings:
        other = next(x for x in less.crossings if x.percent == c.percent)
        assert c.median_km <= other.median_km * 1.001


def test_readings_out_of_order_or_without_uncertainty_are_a_callers_mistake():
    with pytest.raises(ValueError, match="in order of distance"):
        fit(line(0.3, 3)[::-1], position="front")
    with pytest.raises(ValueError, match="std_percent above 0"):
        fit(line(0.3, 3, std=0.0), position="front")
    with pytest.raises(ValueError, match="position must be"):
        fit([], position="chain")


# --- jumps ---------------------------------------------------------------------------------------------------------
def test_one_bad_reading_is_called_out_and_changes_nothing():
    clean = line(0.35, 9)
    bad = [*clean]
    bad[4] = Point(km=bad[4].km, percent=bad[4].percent + 9, std_percent=0.5)
    trend = fit(bad, position="front")
    assert [(j.index, j.kind) for j in trend.jumps] == [(4, "single")]
    assert trend.rate == pytest.approx(fit(clean, position="front").rate, rel=0.03)
    assert any("later ones do not follow" in s for s in trend.sentences())


@pytest.mark.parametrize(("step", "words"), [(8.0, "look for damage"), (-5.0, "was the part changed")])
def test_a_step_that_stays_is_called_out_and_the_rate_is_kept(step, words):
    points = line(0.35, 10)
    points = [*points[:6], *(Point(km=p.km, percent=p.percent + step, std_percent=0.5) for p in points[6:])]
    trend = fit(points, position="front")
    assert [(j.index, j.kind) for j in trend.jumps] == [(6, "level")]
    assert any(words in s for s in trend.sentences())
    assert trend.rate_interval[0] < 0.35 < trend.rate_interval[1]
    assert trend.now_percent == pytest.approx(points[-1].percent, abs=0.8)


def test_wear_is_never_less_than_nothing():
    for points in ([], [Point(km=0.0, percent=-1.5, std_percent=0.5), Point(km=50.0, percent=-1.2, std_percent=0.5)]):
        trend = fit(points, position="front", now_km=points[-1].km if points else 0.0)
        assert all(math.copysign(1.0, v) > 0 for v in (trend.now_percent, *trend.now_interval))


def test_the_newest_reading_alone_may_be_either():
    points = line(0.35, 6)
    points[-1] = Point(km=points[-1].km, percent=points[-1].percent + 8, std_percent=0.5)
    trend = fit(points, position="front")
    assert [j.kind for j in trend.jumps] == ["newest"]
    assert "take another photo" in trend.sentences()[0]


def test_photo_noise_alone_is_seldom_called_a_jump():
    rng = np.random.default_rng(4)
    called = sum(len(fit(line(0.3, 8, noise=rng.normal(0, 0.5, 8)), position="front").jumps) for _ in range(60))
    assert called <= 3  # of 480 readings


# --- with the logbook ----------------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def fleet():
    return replay(made_fleet(np.random.default_rng(11), machines=50, years=3, last_day=FLEET_DAY))


def test_fifty_machines_forecast_worst_first(fleet):
    rows = due(fleet, today=FLEET_DAY)
    assert len(rows) == 100
    order = ["good", "watch", "replace-set", "replace-now"]
    ranks = [order.index(t.listed_as) for t in rows]
    assert ranks == sorted(ranks, reverse=True)
    for t in rows:
        for c in t.trend.crossings:
            assert t.date_at(c.early_km) is None or t.date_at(c.early_km) >= t.counted_from
    soon = due(fleet, today=FLEET_DAY, within_km=3000)
    assert 0 < len(soon) < len(rows)
    assert {t.part for t in soon} <= {t.part for t in rows}
    jumped = part_trend(fleet, "KC-05 front 1")
    assert jumped.worst == "replace-set"  # the reading after the stone's blow is not fitted away
    assert [j.kind for j in jumped.trend.jumps] in (["newest"], ["level"])


def test_a_list_says_of_a_part_what_its_own_trend_says_and_draws_nothing(fleet):
    for listed in due(fleet, today=FLEET_DAY)[:40]:
        alone = part_trend(fleet, listed.part)
        said, drawn = listed.trend, alone.trend
        assert said.curve_km.tolist() == [pytest.approx(said.now_km)]
        np.testing.assert_allclose([said.now_percent, *said.now_interval], [drawn.now_percent, *drawn.now_interval])
        assert (said.reached, said.crossings, said.jumps) == (drawn.reached, drawn.crossings, drawn.jumps)
        assert (said.rate, said.rate_interval) == (drawn.rate, drawn.rate_interval)


@pytest.mark.parametrize(
    ("readings", "ridden_km", "due_now"),
    [
        ([], 0.0, False),
        ([], 90_000.0, True),  # by common practice worn out by now
        ([{"grade": "cannot-tell", "asymmetry_percent": None, "asymmetry_std_percent": None}], 0.0, False),
        ([{"grade": "cannot-tell", "asymmetry_percent": 4.0, "asymmetry_std_percent": 3.0}], 12_000.0, False),
        ([{"grade": "cannot-tell", "asymmetry_percent": 20.0, "asymmetry_std_percent": 3.0}], 40_000.0, True),
    ],
)
def test_a_part_that_no_photo_could_grade_is_not_said_to_be_good(readings, ridden_km, due_now):
    t = part_trend(front_of([{"distance_km": 0.0} | r for r in readings], ridden_km=ridden_km), "F")
    assert t.worst is None
    assert t.is_due == due_now
    numbers = [r["asymmetry_percent"] for r in readings if r["asymmetry_percent"] is not None]
    assert any("Wear now not known" in s for s in shown(t, FLEET_DAY).sentences) != bool(numbers)
    then = {"distance_km": 100.0, "grade": "watch", "asymmetry_percent": 6.0}
    assert part_trend(front_of([{"distance_km": 0.0} | r for r in readings] + [then]), "F").worst is not None


def test_the_trend_starts_anew_when_the_part_is_changed(fleet):
    machine = next(m for m in fleet.machines.values() if m.fitted["front"].endswith(" 3"))
    last, before = (part_trend(fleet, f"{machine.name} front {n}") for n in (3, 2))
    assert last.trend.now_km < before.trend.now_km
    assert parts_of(fleet, machine.name) == [machine.fitted["front"], machine.fitted["rear"]]
    assert parts_of(fleet, machine.name, "rear") == [machine.fitted["rear"]]
    assert parts_of(fleet, machine.name, f"{machine.name} front 1") == [f"{machine.name} front 1"]
    with pytest.raises(ValueError, match="part must be"):
        parts_of(fleet, machine.name, "KC-99 front 1")
    with pytest.raises(ValueError, match="is not in the logbook"):
        parts_of(fleet, "KC-99")


def test_a_part_of_unknown_past_counts_from_when_it_joined_and_says_so():
    base = {"recorded_at": "2026-01-01T00:00:00Z", "machine": "M"}
    moment = {"recorded_at": base["recorded_at"]}
    entries = [
        Entry(number=1, uid="1" * 32, kind="machine", on_date="2025-01-01", distance_km=30_000.0, **base),
        Entry(number=2, uid="2" * 32, kind="part", on_date="2025-01-01", part="P", position="front", **moment),
        Entry(
            number=3,
            uid="3" * 32,
            kind="fit",
            on_date="2025-01-01",
            part="P",
            position="front",
            distance_km=30_000.0,
            **base,
        ),
    ]
    for i, (km, percent) in enumerate([(30_000.0, 7.0), (32_000.0, 7.8), (34_000.0, 8.6)]):
        entries.append(
            Entry(
                number=4 + i, uid=str(4 + i) * 32, kind="reading", on_date=f"2025-0{2 + i}-01", part="P",
                distance_km=km, grade="watch", asymmetry_percent=percent, asymmetry_std_percent=0.4, **base,
            )
        )  # fmt: skip
    t = part_trend(replay(entries), "P")
    assert t.trend.now_percent == pytest.approx(8.6, abs=0.7)
    assert t.trend.now_km == 4000
    assert any("unknown" in s for s in t.line_sentences())
    assert t.next_action.early_km < 4000 + 1400 / 0.4 < t.next_action.late_km


def front_of(readings, *, ridden_km=0.0, day="2025-06-01"):
    """The history of a part F on a machine M; each reading a dict of what differs from 2.0 ± 0.5 %, good."""
    common = {"recorded_at": "2026-01-01T00:00:00Z", "on_date": day}
    entries = [
        Entry(number=1, uid="1" * 32, kind="machine", machine="M", **common),
        Entry(number=2, uid="2" * 32, kind="part", part="F", position="front", ridden_km=ridden_km, **common),
        Entry(number=3, uid="3" * 32, kind="fit", machine="M", part="F", position="front", distance_km=0.0, **common),
    ]
    usual = {"grade": "good", "asymmetry_percent": 2.0, "asymmetry_std_percent": 0.5}
    entries += [
        Entry(number=4 + i, uid=f"{4 + i:032x}", kind="reading", machine="M", part="F", **common | usual | reading)
        for i, reading in enumerate(readings)
    ]
    return replay(entries)


def test_a_photo_recorded_twice_counts_once():
    readings = [("1" * 64, 2000.0), ("2" * 64, 4000.0), ("2" * 64, 4100.0), (None, 5000.0), (None, 6000.0)]
    history = front_of([{"photo_sha256": sha256, "distance_km": km} for sha256, km in readings])
    assert [p.km for p in part_trend(history, "F").trend.points] == [2000, 4100, 5000, 6000]


@pytest.mark.parametrize("known", [True, False])
def test_what_foretells_step_by_step_is_what_all_readings_at_once_foretell(known):
    km = [900.0, 2400.0, 4100.0, 4100.0, 6000.0, 7200.0, 9000.0]
    percent = [0.6, 0.9, 1.9, 1.4, 8.9, 9.1, 30.0]
    points = [
        Point(km=x, percent=y, std_percent=0.5 + 0.1 * i) for i, (x, y) in enumerate(zip(km, percent, strict=True))
    ]
    prior = Prior(rate=0.4, starts=starts_of(points, 0.4, known=known), memory=3.0)
    kinds = ["line"] * 4 + ["level", "line", "single"]
    ahead = KalmanFilter(prior)
    for i, (point, kind) in enumerate(zip(points, kinds, strict=True)):
        ahead = ahead.after(point, kind)
        ahead._lay(prior)  # anew, as the other one does
        steps, left_out = ([k for k in range(i + 1) if kinds[k] == what] for what in ("level", "single"))
        at_once = Posterior(points[: i + 1], prior, steps=steps, left_out=left_out)
        assert ahead.z == pytest.approx(at_once.z)
        assert ahead.weight == pytest.approx(at_once.weight, abs=1e-6)
        mean, std = at_once.wear(np.array([point.km / 1000 + 1.5]))
        shown, spread = ahead._shown(Point(km=point.km + 1500, percent=0.0, std_percent=0.3))
        assert shown == pytest.approx(mean[:, 0], abs=1e-4)
        assert spread == pytest.approx(np.sqrt(std[:, 0] ** 2 + 0.3**2 + 0.5**2), abs=1e-4)


@pytest.mark.parametrize("at_once", [1, 7 * 12**2])
def test_few_nodes_at_a_time_tell_what_all_at_once_tell(at_once, monkeypatch):
    points = line(0.3, 12, noise=np.random.default_rng(4).normal(0, 0.5, 12))
    points = [replace(p, percent=p.percent + (17 if i < 8 else 40)) for i, p in enumerate(points)]
    together = fit(points, position="rear")
    assert together.perhaps_used  # twice the nodes: whether the part was new is asked too
    assert [jump.kind for jump in together.jumps] == ["level"]
    monkeypatch.setattr("toothcheck.trend.posterior.AT_ONCE", at_once)
    apart = fit(points, position="rear")
    assert [apart.rate, *apart.rate_interval] == pytest.approx([together.rate, *together.rate_interval], rel=1e-12)
    assert apart.curve_percent == pytest.approx(together.curve_percent, rel=1e-12, abs=1e-12)


def test_five_hundred_readings_are_foretold_in_little_memory():
    """The truth is the line of which the readings are taken: 0.3 % per 1000 km, so 10 % at 33 333 km."""
    noise = np.random.default_rng(6).normal(0, 0.5, 500)
    points = line(0.3, 500, step=50.0, noise=noise)
    tracemalloc.start()
    try:
        trend = fit(points, position="front")
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert trend.rate_interval[0] < 0.3 < trend.rate_interval[1]
    ten = next(c for c in trend.crossings if c.percent == 10)
    assert ten.early_km < 10_000 / 0.3 < ten.late_km
    assert most < 132 * 500**2 * 8 / 2  # half of what the covariances of all nodes would take in one array


def test_no_number_for_programs_is_minus_nought():
    from toothcheck.cli.trend import _three

    assert str(_three(-0.001, 0.0, None, digits=2)) == "{'early': 0.0, 'median': 0.0, 'late': None}"


def test_what_is_said_of_a_line_is_in_the_unit_asked_for():
    t = part_trend(front_of([{"distance_km": 3219.0, "asymmetry_percent": 12.0, "grade": "replace-set"}]), "F")
    assert any("12.0 % at 2 000 miles of its own" in s for s in t.line_sentences("miles"))
    assert any("9-25 thousand miles to 10 %" in s for s in t.line_sentences("miles"))
    assert not any(" km" in s for s in t.line_sentences("miles"))


def test_letters_that_a_chart_s_font_lacks_are_named(monkeypatch):
    t = part_trend(front_of([{"distance_km": 3000.0}]), "F")
    svg = drawn([replace(t, part="駅 front")], title="日本", form="svg").decode()  # a warning would be an error here
    assert "[U+65E5 U+672C]" in svg
    assert "U+99C5 CJK UNIFIED IDEOGRAPH-99C5" in svg


def test_what_was_ridden_since_the_last_entry_brings_parts_nearer():
    km = [{"distance_km": 1500.0 * i, "asymmetry_percent": 0.6 * i, "on_date": f"2025-0{i}-01"} for i in range(1, 7)]
    history = front_of(km, day="2024-12-01")
    last = dt.date(2025, 6, 1)
    t = part_trend(history, "F")
    early = t.ahead_km(t.next_action.early_km)
    assert early > 3000
    assert due(history, today=last, within_km=1000) == []
    later = last + dt.timedelta(days=math.ceil((early - 1000) / t.km_per_day))
    assert [row.part for row in due(history, today=later, within_km=1000)] == ["F"]
    assert due(history, today=later - dt.timedelta(days=2), within_km=1000) == []
    assert unread_since(history, last) == []
    assert unread_since(history, later) == [("M", "2025-06-01")]


def test_a_machine_seen_once_a_year_has_a_riding_rate_and_days():
    readings = [{"distance_km": 5000.0 * i, "on_date": f"{2021 + i}-06-10"} for i in range(1, 4)]
    t = part_trend(front_of(readings, day="2021-06-01"), "F")
    assert t.km_per_day == pytest.approx(5000 / 366)
    assert t.date_at(t.next_action.median_km) > "2025"
    # but with enough inside the year what lies before it stays out
    near = [{"distance_km": 20_000.0, "on_date": "2025-05-01"}, {"distance_km": 20_100.0, "on_date": "2025-06-01"}]
    assert part_trend(front_of([*readings, *near], day="2021-06-01"), "F").rate_days < 365


def test_a_part_graded_replace_now_is_foretold_nothing():
    line_ = [{"distance_km": 2000.0 * i, "asymmetry_percent": 0.8 * i, "on_date": f"2025-0{i}-01"} for i in range(1, 6)]
    hooked = {"distance_km": 12_000.0, "asymmetry_percent": 4.8, "on_date": "2025-07-01", "grade": "replace-now"}
    history = front_of([*line_, hooked], day="2024-12-01")
    t = part_trend(history, "F")
    assert t.trend.crossings
    assert t.crossings == ()
    assert t.next_action is None
    assert t.worst == "replace-now"
    assert t.grade_sentences[0].startswith("Graded replace-now on 2025-07-01; the line, at good, does not know of it.")
    assert "nothing is foretold" in t.grade_sentences[1]
    said = shown(t, FLEET_DAY)
    assert said.sentences[0].startswith("Graded")
    assert not any("from 25" in s for s in said.sentences)
    assert said.curve_km[-1] == t.trend.now_km
    # a photo that could not tell takes nothing back, nor does a milder one while the worse one stands
    blurred = {
        "distance_km": 12_500.0,
        "asymmetry_percent": None,
        "asymmetry_std_percent": None,
        "grade": "cannot-tell",
    }
    t = part_trend(front_of([*line_, hooked, blurred | {"on_date": "2025-08-01"}], day="2024-12-01"), "F")
    assert (t.worst, t.crossings) == ("replace-now", ())
    assert t.grade_sentences[-1] == (
        "The newest photo (2025-08-01) could not tell; the one before it that could counts."
    )
    given = from_logbook(history, "M", whole=lambda _: history.readings["F"][-1].entry, today=dt.date(2025, 8, 1))
    assert given.document["verdict"]["grade"] == "replace-now"
    milder = {"distance_km": 13_000.0, "asymmetry_percent": 5.2, "grade": "watch", "on_date": "2025-09-01"}
    t = part_trend(front_of([*line_, hooked, milder], day="2024-12-01"), "F")
    assert (t.worst, t.crossings, t.mind) == ("replace-now", (), "readings disagree")
    assert "replace-now on 2025-07-01 (4.8 ± 0.5 %, entry 9), but later watch on 2025-09-01" in t.grade_sentences[0]
    assert "withdraw" in t.grade_sentences[1]
    assert part_trend(front_of([*line_, milder], day="2024-12-01"), "F").crossings


def test_a_grade_that_the_number_gives_is_not_said_to_be_unknown_to_the_line():
    readings = [
        {"distance_km": 4000.0 * i, "asymmetry_percent": 1.9 * i, "on_date": f"2025-0{i}-01"} for i in range(1, 6)
    ]
    readings[-1] |= {"asymmetry_percent": 10.1, "grade": "replace-set"}
    (said,) = part_trend(front_of(readings, day="2024-12-01"), "F").grade_sentences
    assert (
        said == "Graded replace-set on 2025-05-01; the line through all readings is still at watch. The grade counts."
    )


def test_a_reading_called_out_is_a_cross_in_the_report():
    readings = [
        {"distance_km": 2000.0 * i, "asymmetry_percent": 0.8 * i, "on_date": f"2025-0{i}-01"} for i in range(1, 7)
    ]
    readings[3] |= {"asymmetry_percent": 14.0}
    said = shown(part_trend(front_of(readings, day="2024-12-01"), "F"), FLEET_DAY)
    assert list(said.called_out) == [3]
    shapes = trend_chart("F", said).shapes
    assert sum(s.role == "point" for s in shapes) == 5
    plain = trend_chart("F", replace(said, called_out=())).shapes
    assert sum(s.role == "point" for s in plain) == 6
    assert len(shapes) == len(plain) + 1  # two strokes for a dot


def readings_of(*told):
    """Readings of one part, 100 km apart; each (grade, asymmetry, confidence, photo) as far as it is told."""
    names = ("grade", "asymmetry_percent", "confidence", "photo_sha256")
    rows = [{"distance_km": 100.0 * i, **dict(zip(names, one, strict=False))} for i, one in enumerate(told)]
    return front_of(rows).readings["F"]


def test_a_photo_that_could_not_tell_takes_no_grade_back():
    readings = readings_of(("good",), ("replace-now",), ("cannot-tell",), ("cannot-tell",))
    found = judged(readings)
    assert (found.counts, found.untold, found.dispute) == (readings[1], readings[3], None)
    assert judged(readings[:1]).counts is readings[0]
    assert not judged(readings[2:]).told
    assert judged([]) is None


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (("replace-now", 30.0, 0.9), ("good", 3.0, 0.9)),  # far apart
        (("watch", 7.0, 0.9), ("good", 4.0, 0.9)),  # neighbours, six standard uncertainties of one reading apart
        (("replace-now", 3.0, 0.9), ("replace-set", 3.0, 0.9)),  # a tooth that the later photo may not have seen
        (("watch", 5.2, 0.9), ("good", 4.8, 0.6)),  # neighbours and alike, but the later one is not sure
        (("watch", None), ("good", 4.8, 0.9)),  # nothing to compare
    ],
)
def test_a_milder_reading_does_not_take_back_a_clearly_worse_one(before, after):
    readings = readings_of(("good", 2.0, 0.9), before, after)
    found = judged(readings)
    assert (found.counts, found.milder, found.worse) == (readings[1], readings[2], None)
    assert "entry 5" in found.dispute
    assert "entry 6" in found.dispute
    assert "correct 5 --withdraw --reason WHY, or 6" in found.remedy
    # a blurred one after it changes nothing; one that is as bad settles it; so does a withdrawal
    assert judged(readings_of(before, after, ("cannot-tell", None))).milder is not None
    assert judged(readings_of(before, after, before)).milder is None
    assert judged(readings[:1] + readings[2:]).milder is None


def test_readings_to_either_side_of_a_limit_flip_honestly():
    readings = readings_of(("watch", 5.2, 0.6), ("good", 4.8, 0.6))
    found = judged(readings)
    assert (found.counts, found.milder, found.worse) == (readings[1], None, readings[0])
    assert "watch on 2025-06-01 (5.2 ± 0.5 %, entry 4); the newest agrees" in found.remark
    # the same photo read again with better words takes the place of what was read of it before
    again = readings_of(("replace-now", 30.0, 0.9, "a" * 64), ("good", 3.0, 0.9, "a" * 64))
    assert (judged(again).counts, judged(again).milder) == (again[1], None)


def test_charts_are_whole_pictures_and_the_same_each_time(fleet, tmp_path):
    trends = [part_trend(fleet, name) for name in ("KC-05 front 1", "KC-05 rear 1")]
    for form in ("png", "svg"):
        one = drawn(trends, title="KC-05", form=form, unit="miles")
        assert one == drawn(trends, title="KC-05", form=form, unit="miles")
        (tmp_path / f"a.{form}").write_bytes(one)
    with Image.open(tmp_path / "a.png") as image:
        image.load()
        assert image.width == 960
    root = ET.fromstring(one)
    assert root.tag.endswith("svg")
    said = [text.strip() for text in re.findall("<!-- (.*?) -->", one.decode(), re.S)]
    for trend in trends:
        rate = trend.trend.rate * KM_PER_MILE
        assert any(text.startswith(f"{trend.part}: {rate:.2f} % per 1000 miles (") for text in said)
    assert said.count("a band begins, 8 times out of 10 within") == len(trends)
    with pytest.raises(ValueError, match="form must be one of"):
        drawn(trends, title="x", form="gif")


def test_no_band_s_name_lies_on_what_is_drawn(fleet):
    figure = Figure()
    axes = figure.subplots()
    _panel(axes, part_trend(fleet, "KC-05 front 1"), "km")
    figure.canvas.draw()
    names = [text for text in axes.texts if "from" in text.get_text()]
    assert names[0].get_text() == "watch\nfrom 5 %"
    for text in names:
        assert text.get_window_extent().x0 > axes.get_window_extent().x1


def test_the_legend_hides_nothing_and_names_are_not_read_as_formulas(fleet):
    figure = Figure(figsize=(8, 4.2), layout="constrained")
    axes = figure.subplots()
    named = replace(part_trend(fleet, "KC-05 front 1"), part=r"Bike $\frac$ " + "long name " * 8)
    _panel(axes, named, "km")
    figure.draw_without_rendering()
    inside, legend = axes.get_window_extent(), axes.get_legend().get_window_extent()
    assert legend.y1 < inside.y0
    assert legend.y0 >= 0
    title = axes._left_title.get_window_extent()
    assert title.x0 >= 0
    assert title.x1 <= figure.bbox.x1
    assert drawn([named], title=r"Bike $\frac$", form="png")


def test_every_reading_s_bar_ends_inside_the_chart_and_the_last_entry_has_its_day(fleet):
    for part in ("KC-05 front 1", "KC-05 rear 1"):
        trend = part_trend(fleet, part)
        axes = Figure().subplots()
        _panel(axes, replace(trend, counted_from="2026-01-25"), "km")
        lowest = min(p.percent - 2 * p.std_percent for p in trend.trend.points)
        assert axes.get_ylim()[0] < lowest or axes.get_ylim()[0] == 0 <= lowest
        assert " last entry\n 2026-01-25" in [text.get_text() for text in axes.texts]


def test_nothing_is_drawn_where_nothing_is_foretold():
    readings = [{"distance_km": 4000.0 * i, "asymmetry_percent": 3.5 * i} for i in range(1, 9)]
    past = part_trend(front_of(readings), "F")  # at 28 %
    ahead = part_trend(front_of(readings[:5]), "F")
    for t, forecast in ((past, False), (ahead, True)):
        axes = Figure().subplots()
        _panel(axes, t, "km")
        dashed = [line for line in axes.lines if line.get_label() == "forecast"]
        assert bool(dashed) is forecast
        assert all(line.get_ydata().max() <= 25 for line in dashed)


def test_a_part_that_is_fitted_nowhere_has_no_days(fleet):
    off = next(name for name, part in sorted(fleet.parts.items()) if part.retired_on and "front" in name)
    t = part_trend(fleet, off)
    assert t.counted_from is None
    assert all(t.date_at(c.median_km) is None for c in t.trend.crossings)


def test_bands_are_those_of_the_grades():
    assert dict(BANDS) == {"watch": 5.0, "replace-set": 10.0, "replace-now": 25.0}


def test_a_fleet_on_disk_gives_the_same_trend(tmp_path, fleet):
    entries = made_fleet(np.random.default_rng(11), machines=3, years=2, last_day=FLEET_DAY)
    now = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
    with Logbook(tmp_path / "a.sqlite", now=lambda: now, new_uid=lambda: uuid.uuid4().hex, create=True) as book:
        book.bring_in(entries)
        stored = part_trend(book.history(), "KC-01 front 1").trend
    straight = part_trend(replay(entries), "KC-01 front 1").trend
    assert stored.rate == straight.rate
    assert stored.crossings == straight.crossings
