"""Rounding of a value together with its uncertainty."""

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from toothcheck.estimate import Estimate, median_of, said


@pytest.mark.parametrize(
    ("value", "std", "rounded"),
    [
        # JCGM 100:2008, 7.2.6, from memory: 10.057 62 ohm with u = 27 milliohm is given as 10.058 ohm
        (10.05762, 0.027, (10.058, 0.027)),
        # 7.2.2, from memory: the nominally 100 g standard, 100.021 47 g with u = 0.35 mg
        (100.02147, 0.00035, (100.02147, 0.00035)),
        # 7.2.6, from memory: u(x) = 28.05 kHz comes down to 28 kHz
        (1234567.0, 28.05, (1234567.0, 28.0)),
        # our arithmetic from the same rule
        (0.41666, 0.0487, (0.417, 0.049)),
        (-0.004, 0.123, (0.0, 0.12)),
    ],
)
def test_at_most_two_digits_of_uncertainty_and_the_value_to_the_same_place(value, std, rounded):
    e = Estimate(value=value, std=std)
    assert (e.rounded().value, e.rounded().std) == pytest.approx(rounded, abs=1e-9)
    assert e.as_json() == {"value": e.rounded().value, "std": e.rounded().std}


def test_nothing_has_no_sign():
    # "-0.0" stood in the JSON where a little less than nothing was rounded
    assert json.dumps(Estimate(value=-0.004, std=0.123).as_json()) == '{"value": 0.0, "std": 0.12}'


@settings(max_examples=60, derandomize=True, deadline=None, database=None)
@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3))
def test_rounding_moves_nothing_by_more_than_a_twentieth_of_the_uncertainty(value, std):
    r = Estimate(value=value, std=std).rounded()
    assert abs(r.value - value) <= 0.051 * std + 1e-12
    assert r.std == pytest.approx(std, rel=0.051)
    # the same estimate said again is rounded no further
    assert r.rounded() == r


@pytest.mark.parametrize(
    ("value", "std", "text"),
    [
        (0.4163, 0.052, "0.42 ± 0.05 mm"),
        (0.4163, 0.0152, "0.416 ± 0.015 mm"),
        (12.3, 3.2, "12 ± 3 mm"),
        (2.0, 0, "2 mm"),
        (24.28, 2.52, "24 ± 3 mm"),
        (24.28, 2.46, "24 ± 3 mm"),
        (24.28, 2.44, "24 ± 2 mm"),
        (0.4163, 0.0996, "0.42 ± 0.10 mm"),
        (812.0, 25.0, "810 ± 30 mm"),
    ],
)
def test_text_for_people(value, std, text):
    assert Estimate(value=value, std=std).text("mm") == text


def test_what_was_not_measured_is_said_to_be_so():
    assert said(None, "mm") == "not measured"
    assert said(Estimate(value=0.4163, std=0.052), "mm") == "0.42 ± 0.05 mm"


@settings(max_examples=200, derandomize=True, deadline=None, database=None)
@given(st.floats(-1e4, 1e4), st.floats(1e-6, 1e3))
def test_a_file_and_what_is_read_from_it_say_the_same(value, std):
    e = Estimate(value=value, std=std)
    assert Estimate(**e.as_json()).text("mm") == e.text("mm")


@pytest.mark.parametrize(("value", "std"), [(math.nan, 0.1), (1.0, math.inf), (1.0, -0.1)])
def test_what_is_no_estimate_is_refused(value, std):
    with pytest.raises(ValueError, match="must"):
        Estimate(value=value, std=std)


def test_the_median_of_uncertain_values_is_no_surer_than_they_are():
    values = [Estimate(value=v, std=s) for v, s in ((0.9, 0.3), (0.2, 0.1), (0.4, 0.2), (0.3, 0.1))]
    middle = median_of(values)
    assert (middle.value, middle.std) == pytest.approx((0.35, 0.15))
    assert median_of([]) is None


def test_the_probability_of_lying_below_a_limit_is_the_normal_distributions():
    limits = np.array([-math.inf, -2.0, 0.3, 0.9, 7.0, math.inf])
    assert [Estimate(value=0.5, std=0.4).below(x) for x in limits] == pytest.approx(
        ndtr((limits - 0.5) / 0.4), rel=1e-12
    )
    assert [Estimate(value=0.5, std=0.0).below(x) for x in (0.4, 0.5, 0.6)] == [0, 0, 1]
