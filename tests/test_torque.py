"""Torque conversion and its source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from toothcheck.torque import UNITS, Torque, convert


def test_rear_nuts_of_common_practice():
    # common practice, no source: 43.5 lbf·ft = 59.0 N·m
    assert convert(43.5, "lbf·ft", "N·m") == pytest.approx(59.0, abs=0.05)


def test_defined_factors():
    # by definition: 1 lbf = 0.45359237 kg × 9.80665 m/s², 1 ft = 0.3048 m, 1 kgf = 9.80665 N (NIST SP 811, appendix B)
    assert convert(1, "lbf-ft", "Nm") == pytest.approx(0.45359237 * 9.80665 * 0.3048, rel=1e-12)
    assert convert(1, "kgf m", "N.m") == pytest.approx(9.80665, rel=1e-12)


@given(st.floats(0.1, 500), st.sampled_from(sorted(UNITS)), st.sampled_from(sorted(UNITS)))
def test_there_and_back(value, a, b):
    assert convert(convert(value, a, b), b, a) == pytest.approx(value, rel=1e-9)


def test_typed_torque_keeps_its_source():
    t = Torque.parse("rear sprocket nuts=43.5 lbf·ft @ machine's manual p. 7-12")
    assert t.fastener == "rear sprocket nuts"
    assert t.in_all_units()["N·m"] == pytest.approx(59.0, abs=0.05)
    assert t.text() == "43.5 lbf·ft (= 59 N·m = 6.01 kgf·m; machine's manual p. 7-12)"


@pytest.mark.parametrize(
    ("typed", "text"),
    [
        # our own arithmetic with the factors above
        ("740 lbf·ft", "740 lbf·ft (= 1000 N·m = 102 kgf·m; manual p. 3)"),
        ("999.5 kgf·m", "999.5 kgf·m (= 9800 N·m = 7230 lbf·ft; manual p. 3)"),
        ("59 newton metres", "59 N·m (= 43.5 lbf·ft = 6.02 kgf·m; manual p. 3)"),
        ("123.4567 Nm", "123.4567 N·m (= 91.1 lbf·ft = 12.6 kgf·m; manual p. 3)"),
        ("0.00005 Nm", "0.00005 N·m (= 0.0000369 lbf·ft = 0.0000051 kgf·m; manual p. 3)"),
    ],
)
def test_torque_is_written_without_a_power_of_ten_and_as_typed(typed, text):
    assert Torque.parse(f"nuts={typed} @ manual p. 3").text() == text


@pytest.mark.parametrize(
    "text",
    [
        "rear nuts=43.5 lbf·ft",  # no source
        "rear nuts=43.5 lbf·ft @ somewhere",  # no page
        "rear nuts=43.5 stone @ manual p. 3",
        "43.5 Nm @ manual p. 3",
        "nuts=-3 Nm @ manual p. 3",
        "nuts=0 Nm @ manual p. 3",
        "nuts",
    ],
)
def test_no_torque_without_unit_and_page(text):
    with pytest.raises(ValueError, match="torque"):
        Torque.parse(text)
