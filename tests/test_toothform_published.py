"""Tooth forms and chains against numbers that others published; the source stands beside each.

What has no such source is our own arithmetic and says so.
"""

import math

import numpy as np
import pytest

from toothcheck.chains import CHAINS, chain
from toothcheck.toothform import AsmeForm, IsoForm


def iso(name, teeth, **more):
    size = chain(name)
    return IsoForm(pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=teeth, **more)


# published pitch-diameter table for chain wheels, tandwiel.info; p = 25.4, to 0.01 mm
TANDWIEL = [
    (9, 74.26), (11, 90.16), (13, 106.14), (15, 122.17), (17, 138.23), (19, 154.32), (25, 202.66), (38, 307.58),
    (42, 339.89), (45, 364.12), (50, 404.52), (60, 485.33), (95, 768.22), (114, 921.81), (150, 1212.85),
]  # fmt: skip


@pytest.mark.parametrize(("teeth", "diameter_mm"), TANDWIEL)
@pytest.mark.parametrize("form", [IsoForm, AsmeForm])
def test_pitch_diameter_is_the_published_table_s(form, teeth, diameter_mm):
    wheel = form(pitch_mm=25.4, roller_diameter_mm=15.88, teeth=teeth)
    assert wheel.pitch_diameter_mm == pytest.approx(diameter_mm, abs=0.0051)
    assert wheel.pitch_radius_mm == wheel.pitch_diameter_mm / 2


# chain maker's "Sprockets design calculations" sheet (ISO form): pitch diameter over pitch
DESIGN_SHEET = [
    (9, 2.924), (11, 3.549), (13, 4.179), (15, 4.810), (17, 5.442), (20, 6.392), (25, 7.979), (30, 9.567),
    (38, 12.110), (41, 13.063), (45, 14.336), (50, 15.926),
]  # fmt: skip


@pytest.mark.parametrize(("teeth", "ratio"), DESIGN_SHEET)
def test_pitch_diameter_over_pitch_is_the_design_sheet_s(teeth, ratio):
    assert iso("10B", teeth).pitch_diameter_mm / 15.875 == pytest.approx(ratio, abs=0.0006)


# Chiaravalli chain wheel catalogue, May 2002, tables 10B (p 15.875, d1 10.16) and 08B (p 12.7, d1 8.51):
# teeth, tip diameter, pitch diameter
CHIARAVALLI = [
    ("10B", 13, 73.0, 66.32), ("10B", 15, 83.0, 76.36), ("10B", 17, 93.0, 86.39), ("10B", 20, 108.4, 101.49),
    ("10B", 42, 219.9, 212.44), ("10B", 45, 235.0, 227.58), ("10B", 50, 260.3, 252.82),
    ("08B", 13, 57.4, 53.06), ("08B", 15, 65.5, 61.09), ("08B", 17, 73.6, 69.11), ("08B", 25, 105.8, 101.33),
    ("08B", 30, 126.1, 121.50),
]  # fmt: skip


@pytest.mark.parametrize(("name", "teeth", "tip_mm", "pitch_circle_mm"), CHIARAVALLI)
def test_catalogue_wheels_have_this_pitch_circle_and_a_legal_tip(name, teeth, tip_mm, pitch_circle_mm):
    wheel = iso(name, teeth)
    assert wheel.pitch_diameter_mm == pytest.approx(pitch_circle_mm, abs=0.02)
    # the catalogue's own choice between the two limits, so no closer than that
    assert wheel.tip_diameter_min_mm < tip_mm < wheel.tip_diameter_max_mm


def test_tooth_width_of_08b_is_the_catalogue_s():
    # Chiaravalli catalogue, May 2002, 08B table: 7.2 mm
    assert chain("08B").tooth_width_mm == pytest.approx(7.2, abs=0.05)


def test_worked_example_14_5_of_bhandari():
    # V. B. Bhandari, Design of Machine Elements, example 14.5 (from a public worked solution): p 19.05, d1 12.07,
    # b1 11.68, z 17, means of the two limit forms
    size = chain("12B")
    assert (size.pitch_mm, size.roller_diameter_mm, size.inner_width_mm) == (19.05, 12.07, 11.68)
    wheel = iso("12B", 17)
    assert (wheel.tip_diameter_min_mm + wheel.tip_diameter_max_mm) / 2 == pytest.approx(112.1385, abs=0.002)
    assert wheel.pitch_diameter_mm - 2 * wheel.seat_radius_mm == pytest.approx(91.3248, abs=0.002)
    assert wheel.flank_radius_mm == pytest.approx(36.4031, abs=0.001)
    assert size.side_radius_min_mm == pytest.approx(19.05)
    assert size.tooth_width_mm == pytest.approx(11.096)


@pytest.mark.parametrize(("roller_mm", "root_mm"), [(7.75, 129.89), (8.51, 129.13)])
def test_root_circle_worked_after_din_8196(roller_mm, root_mm):
    # DIN 8196 procedure, worked in a public forum thread: p 12.7, z 34
    wheel = IsoForm(pitch_mm=12.7, roller_diameter_mm=roller_mm, teeth=34)
    assert wheel.root_diameter_mm == pytest.approx(root_mm, abs=0.0051)
    assert wheel.across_root_mm == pytest.approx(root_mm, abs=0.0051)  # even tooth count: across is the circle


# GEARS educational design sheet, ASME form, inch: p 1, z 28, d1 0.625
GEARS_SHEET = {
    "pitch_diameter_mm": 8.9314, "seat_diameter_mm": 0.6311, "seat_radius_mm": 0.3156, "working_radius_mm": 0.8156,
    "working_chord_mm": 0.2270, "straight_mm": 0.0844, "topping_radius_mm": 0.5114, "tip_height_mm": 0.3477,
    "tip_from_axis_mm": 0.5358,
}  # fmt: skip


class TestAsmeAgainstTheGearsSheet:
    wheel = AsmeForm(pitch_mm=25.4, roller_diameter_mm=0.625 * 25.4, teeth=28)

    @pytest.mark.parametrize(("name", "inches"), [*GEARS_SHEET.items()])
    def test_lengths(self, name, inches):
        assert getattr(self.wheel, name) / 25.4 == pytest.approx(inches, abs=6e-5)

    def test_angles(self):
        assert self.wheel.seat_half_angle_deg == pytest.approx(37.1429, abs=6e-5)
        assert self.wheel.working_angle_deg == pytest.approx(16.0, abs=6e-5)

    def test_centres(self):
        assert np.array(self.wheel.working_centre_offset_mm) / 25.4 == pytest.approx([0.3986, 0.3019], abs=6e-5)
        assert np.array(self.wheel.topping_centre_offset_mm) / 25.4 == pytest.approx([0.8695, 0.0980], abs=6e-5)

    def test_drawn_outline_has_the_sheet_s_chord_straight_and_tip(self):
        # the same numbers taken off the drawing instead of the formulas; x, y, z as the sheet names the points
        w = self.wheel
        chord = np.hypot(*(w.straight_start_mm - w.junction_mm))
        straight = np.hypot(*(w.straight_end_mm - w.straight_start_mm))
        assert chord / 25.4 == pytest.approx(0.2270, abs=6e-5)
        assert straight / 25.4 == pytest.approx(0.0844, abs=6e-5)
        pointed = AsmeForm(pitch_mm=25.4, roller_diameter_mm=0.625 * 25.4, teeth=28, tip_diameter_mm=300)
        assert pointed.half_gap().points_mm[-1, 0] / 25.4 == pytest.approx(0.5358, abs=6e-5)


def test_misprinted_seat_diameter_would_break_the_construction():
    # some copies print Ds = 1.0005 d1; the seat and the working curve only meet with 1.005 (E = ac + R)
    w = AsmeForm(pitch_mm=25.4, roller_diameter_mm=0.625 * 25.4, teeth=28)
    assert w.working_radius_mm == pytest.approx(0.8 * w.roller_diameter_mm + w.seat_radius_mm, abs=1e-12)


# chain vendors' tables (motorcycle sizes), makers' catalogues of the ISO 606 series, last two from memory:
# pitch, roller diameter, inner width
CHAIN_TABLE = """
415 12.70/7.77/4.76   420 12.70/7.77/6.35   428 12.70/8.51/7.94   520 15.875/10.16/6.35   525 15.875/10.16/7.94
530 15.875/10.16/9.53   532 15.875/11.10/9.53   630 19.05/11.91/9.53   632 19.05/12.68/9.66
05B 8.000/5.00/3.00   06B 9.525/6.35/5.72   08B 12.70/8.51/7.75   10B 15.875/10.16/9.65   12B 19.05/12.07/11.68
16B 25.40/15.88/17.02   20B 31.75/19.05/19.56   08A 12.70/7.92/7.85   10A 15.875/10.16/9.40   12A 19.05/11.91/12.57
16A 25.40/15.88/15.75   20A 31.75/19.05/18.90   cycle-1/8 12.70/7.75/3.30   cycle-3/32 12.70/7.75/2.38
""".split()


@pytest.mark.parametrize(("name", "numbers"), [*zip(CHAIN_TABLE[::2], CHAIN_TABLE[1::2], strict=True)])
def test_chain_sizes(name, numbers):
    size = chain(name)
    assert (size.pitch_mm, size.roller_diameter_mm, size.inner_width_mm) == tuple(map(float, numbers.split("/")))
    assert size.name == name
    assert size.source


def test_no_chain_stands_in_the_table_untested():
    assert set(CHAINS) == set(CHAIN_TABLE[::2])


def test_the_first_two_digits_of_an_iso_606_name_are_the_pitch_in_sixteenths_of_an_inch():
    # ISO 606 designation: 08B is 8/16 in; 05B is metric (8 mm) and the exception
    for name, size in CHAINS.items():
        if name[-1] in "AB" and name != "05B":
            assert size.pitch_mm == pytest.approx(int(name[:2]) / 16 * 25.4)


def test_the_first_digit_of_a_motorcycle_size_is_the_pitch_in_eighths_of_an_inch():
    # common practice, no source
    for name, size in CHAINS.items():
        if name.isdigit():
            assert size.pitch_mm == pytest.approx(int(name[0]) / 8 * 25.4)


def test_the_first_digits_of_an_asme_b29_1_number_are_the_pitch_in_eighths_of_an_inch():
    # naming rule of ASME B29.1, from memory: 40, 50, 60, 80, 100; 0 behind them for the usual width, which is
    # about 5/8 of the pitch
    for number in (40, 50, 60, 80, 100):
        for spelling in (f"{number}", f"#{number}", f"{number}-1"):
            size = chain(spelling)
            assert size.name.endswith("A")
            assert size.pitch_mm == pytest.approx(number // 10 * 25.4 / 8, abs=0.005)
            assert size.inner_width_mm / size.pitch_mm == pytest.approx(5 / 8, abs=0.04)


@pytest.mark.parametrize("spelling", ["10b", " 10B ", "10B\t", "10B-1", "10b-1"])
def test_chain_names_are_forgiving_about_case_and_blanks(spelling):
    assert chain(spelling) is CHAINS["10B"]


@pytest.mark.parametrize("wrong", ["", "521", "10C", "5 20", "10B-2", "520-1", "50-2"])
def test_unknown_chain_says_which_there_are(wrong):
    with pytest.raises(ValueError, match=r"chain must be one of 415, .*520.*, not '"):
        chain(wrong)


def test_tooth_width_factor_changes_above_half_an_inch():
    # ISO 606 as in several secondary sources: 0.93 b1 up to p = 12.7, 0.95 b1 above
    assert chain("428").tooth_width_mm == pytest.approx(0.93 * 7.94)
    assert chain("520").tooth_width_mm == pytest.approx(0.95 * 6.35)


class TestOwnArithmetic:
    """Worked by hand beforehand from the formulas: no source, but not printed by this code either."""

    @pytest.mark.parametrize(
        ("teeth", "diameter_mm"), [(13, 66.335), (15, 76.355), (17, 86.395), (43, 217.480), (45, 227.577)]
    )
    def test_pitch_diameters(self, teeth, diameter_mm):
        assert iso("520", teeth).pitch_diameter_mm == pytest.approx(diameter_mm, abs=0.0006)

    @pytest.mark.parametrize(("blend", "thickness_mm"), [(0, 4.97), (0.5, 4.39), (1, 3.68)])
    def test_thickness_of_a_new_15_tooth_wheel(self, blend, thickness_mm):
        # straight across the tooth, as a calliper has it; along the circle it is up to 0.004 more
        wheel = iso("520", 15, blend=blend)
        r = wheel.pitch_radius_mm
        chord = 2 * r * math.sin(float(wheel.half_thickness_mm(r)) / r)
        assert chord == pytest.approx(thickness_mm, abs=0.0051)

    def test_a_tenth_of_the_tooth_is_less_than_legal_forms_differ(self):
        wide, middle, narrow = (iso("520", 15, blend=b) for b in (0, 0.5, 1))
        thickness = [2 * float(w.half_thickness_mm(w.pitch_radius_mm)) for w in (wide, middle, narrow)]
        assert thickness[1] / 10 == pytest.approx(0.44, abs=0.0051)
        assert thickness[1] / 10 < thickness[0] - thickness[2]

    @pytest.mark.parametrize(("teeth", "lift_mm"), [(15, 0.38), (45, 1.14)])
    def test_each_percent_of_chain_stretch_lifts_the_roller_circle(self, teeth, lift_mm):
        new = IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=teeth)
        stretched = IsoForm(pitch_mm=15.875 * 1.01, roller_diameter_mm=10.16, teeth=teeth)
        assert stretched.pitch_radius_mm - new.pitch_radius_mm == pytest.approx(lift_mm, abs=0.0051)

    def test_the_maximum_form_of_a_17_tooth_wheel_is_pointed_when_new(self):
        wheel = iso("520", 17, blend=1)
        mean_tip = (wheel.tip_diameter_min_mm + wheel.tip_diameter_max_mm) / 2
        assert 2 * wheel.pointed_radius_mm == pytest.approx(92.86, abs=0.0051)
        assert mean_tip == pytest.approx(93.35, abs=0.0051)
        assert wheel.tip_radius_mm == wheel.pointed_radius_mm
        assert wheel.half_thickness_mm(wheel.tip_radius_mm) == pytest.approx(0, abs=1e-9)

    def test_over_pins_and_across_the_root_of_an_odd_wheel_by_laying_the_pins_in(self):
        # two pins of d1 on the pitch circle, in gaps as near to opposite as 15 teeth allow (7 of 15 pitches apart)
        wheel = iso("520", 15)
        apart = 2 * wheel.pitch_radius_mm * math.sin(math.pi * 7 / 15)
        assert wheel.over_pins_mm == pytest.approx(apart + 10.16, abs=1e-9)
        assert wheel.across_root_mm == pytest.approx(apart - 10.16, abs=1e-9)

    def test_over_pins_of_an_even_wheel(self):
        wheel = iso("520", 16)
        assert wheel.over_pins_mm == pytest.approx(wheel.pitch_diameter_mm + 10.16)
        assert wheel.across_root_mm == pytest.approx(wheel.root_diameter_mm)

    @pytest.mark.parametrize("teeth", [15, 16])
    def test_asme_measures_over_the_same_pins(self, teeth):
        asme = AsmeForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=teeth)
        assert asme.over_pins_mm == pytest.approx(iso("520", teeth).over_pins_mm)
        assert asme.across_root_mm == pytest.approx(iso("520", teeth).across_root_mm)
