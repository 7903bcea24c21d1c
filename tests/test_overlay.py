"""The pictures, on a wheel made by hand: what is drawn stands where the metal stands."""

import functools
import io
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.color import rgb2lab

from toothcheck import overlay
from toothcheck.chains import chain
from toothcheck.estimate import Estimate, said
from toothcheck.grade import CAUTIONS, Verdict, refusal
from toothcheck.overlay.chart import _bars
from toothcheck.overlay.drawing import hundredths
from toothcheck.overlay.frames import Placement, drive_flank, flanks
from toothcheck.overlay.panel import Panel
from toothcheck.overlay.photograph import _called, picture, tips_shown
from toothcheck.overlay.style import canvas, loss_scale, ramp, width_px, wrapped
from toothcheck.overlay.views import Window, upright, window_around
from toothcheck.photo import decode
from toothcheck.pose import Camera, PlanePose
from toothcheck.toothform import IsoForm
from toothcheck.tracing.rims import Wheel
from toothcheck.wear import Datum, ToothWear, WheelWear, hook_said

TEETH, LOSS_MM, COVERED, WORST = 15, 0.8, 4, 7
FORM = IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=TEETH)
SHIFT_MM, TURN, SCALE, PHASE = np.array([0.4, -0.3]), 0.02, 1.004, 0.7
WIDTH, HEIGHT = 900, 800
GREY_METAL, GREY_GROUND = 190, 70


def plane():
    tilt = cv2.Rodrigues(np.array([0.2, -0.15, 0.3]))[0] @ np.diag([1.0, -1.0, -1.0])
    return PlanePose(
        camera=Camera(width_px=WIDTH, height_px=HEIGHT, focal_px=2400.0),
        camera_from_plane=tilt,
        origin_mm=np.array([3.0, -4.0, 300.0]),
    )


def loss_of(tooth, radius):
    """Arc length missing from a drive flank: most at the pitch circle; the worst tooth has half as much again."""
    bump = np.exp(-(((radius - FORM.pitch_radius_mm) / 2.0) ** 2))
    return LOSS_MM * (1.5 if tooth == WORST else 1.0) * bump


def worn_wheel_in_plane(drive_clockwise):
    """The wheel's outline, told in the plane itself and not by way of the room under test.

    A point at radius r stands half the tooth's thickness, as arc length, to the side of the tooth's centre line: its
    clockwise side is at smaller angles.  What is lost is lost there when the drive flank is on the clockwise side.
    """
    radii = np.linspace(FORM.seat_centre_radius_mm - FORM.seat_radius_mm + 0.02, FORM.tip_radius_mm, 120)
    half = FORM.half_thickness_mm(radii)
    points = []
    for i in range(TEETH):
        middle = PHASE + TURN + (i + 0.5) * 2 * math.pi / TEETH
        worn = (half - loss_of(i, radii)) / radii
        whole = half / radii
        clockwise, other = (worn, whole) if drive_clockwise else (whole, worn)
        angle = np.concatenate([middle - clockwise, (middle + other)[::-1]])
        r = np.concatenate([radii, radii[::-1]])
        points.append(np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1))
    return np.concatenate(points) / SCALE + SHIFT_MM


@functools.cache
def photo_of(drive_clockwise):
    """Grey metal on darker ground, at eight times the size and averaged down; PNG without loss."""
    fine = 8
    at = (plane().project(worn_wheel_in_plane(drive_clockwise)) + 0.5) * fine - 0.5
    canvas = np.full((HEIGHT * fine, WIDTH * fine), GREY_GROUND, np.uint8)
    cv2.fillPoly(canvas, [np.round(at).astype(np.int32)], GREY_METAL)
    grey = cv2.resize(canvas, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    out = io.BytesIO()
    Image.fromarray(np.dstack([grey] * 3)).save(out, "PNG")
    return decode(out.getvalue(), "made.png")


def measured_tooth(index):
    """As `toothcheck.wear` would give it: outline in the tooth's frame, coast root to drive root."""
    if index == COVERED:
        return ToothWear(index=index, measured=False, flags=("covered",))
    radii = np.linspace(FORM.junction_radius_mm - 0.3, FORM.pitch_radius_mm + 3.0, 40)
    half = FORM.half_thickness_mm(radii)
    rows = []
    for sign, h in ((-1, half), (1, half - loss_of(index, radii))):
        line = np.stack([sign * radii * np.sin(h / radii), radii * np.cos(h / radii)], axis=1)
        rows.append(line if sign < 0 else line[::-1])
    loss = float(loss_of(index, FORM.pitch_radius_mm))
    return ToothWear(
        index=index,
        measured=True,
        flags=(),
        outline_mm=np.concatenate(rows),
        drive_loss_mm=Estimate(value=loss, std=0.03),
        coast_loss_mm=Estimate(value=0.0, std=0.02),
        thickness_mm=Estimate(value=4.4 - loss, std=0.04),
        asymmetry_percent=Estimate(value=18.0, std=0.8),
        overhang_mm=Estimate(value=0.0, std=0.02),
        greatest_loss_mm=Estimate(value=0.9 * loss, std=0.03),
    )


def made(drive_clockwise=True, grade="replace-set"):
    datum = Datum(
        form=FORM, shift_mm=SHIFT_MM, turn=TURN, scale=SCALE, bias_mm=0.0, coast_mm=0.0,
        gap_form=Estimate(value=0.5, std=0.1), turn_mm=Estimate(value=0.0, std=0.03),
        unknowns=np.zeros(10), covariance=1e-4 * np.eye(10), spread_mm=0.03,
    )  # fmt: skip
    wear = WheelWear(
        drive_clockwise=drive_clockwise,
        datum=datum,
        teeth=tuple(measured_tooth(i) for i in range(TEETH)),
        asymmetry_percent=Estimate(value=18.0, std=0.8),
        overhang_mm=Estimate(value=0.0, std=0.02),
        tip_thinning_percent=None,
        drive_loss_mm=Estimate(value=0.8, std=0.04),
        coast_fade_mm=None,
        worst_tooth=WORST,
        draws_asymmetry=np.full(10, 18.0),
        draws_overhang=np.zeros(10),
        drive_loss_alone_mm=(None,) * TEETH,
        drive_loss_shared_mm2=np.zeros((TEETH, TEETH)),
    )
    wheel = Wheel(plane=plane(), form=FORM, phase=PHASE, thickness_mm=0.5)
    verdict = Verdict(grade=grade, confidence=0.9, reasons=(), next_steps=("Wipe it.",), cautions=CAUTIONS)
    return SimpleNamespace(
        photo=photo_of(drive_clockwise),
        claim=SimpleNamespace(chain=chain("520"), position="front"),
        card=None,
        traced=SimpleNamespace(wheel=wheel),
        wear=wear,
        verdict=verdict,
        flags=(),
        patterns=(),
    )


@pytest.fixture(scope="module", params=[True, False], ids=["drive clockwise", "drive counterclockwise"])
def inspection(request):
    return made(request.param)


def placement(inspection):
    wear = inspection.wear
    return Placement(wheel=inspection.traced.wheel, datum=wear.datum, drive_clockwise=wear.drive_clockwise)


def light(grey, at):
    """Grey value between pixels."""
    x, y = (at[..., k].astype(np.float32) for k in (0, 1))
    return cv2.remap(grey, x[None], y[None], cv2.INTER_LINEAR)[0].astype(float)


def edge_offset_px(grey, line, reach_px=4):
    """How far along its normal each point of a line stands from where the grey value is half way; px."""
    tangent = np.gradient(line, axis=0)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) / np.hypot(*tangent.T)[:, None]
    reach = np.linspace(-reach_px, reach_px, 40 * reach_px + 1)
    profile = np.stack([light(grey, line + s * normal) for s in reach])
    middle = (GREY_METAL + GREY_GROUND) / 2
    rising = profile[-1] > profile[0]
    profile = np.where(rising, profile, profile[::-1])
    crossing = np.argmax(profile > middle, axis=0)
    assert (crossing > 0).all(), "a line that stands at no edge at all"
    return np.where(rising, 1, -1) * reach[crossing]


def test_ideal_coast_flanks_and_seats_and_measured_flanks_lie_on_the_edges_of_the_rendered_photo(inspection):
    # the edge was drawn in the plane by its own arithmetic: 0.3 px are 0.04 mm here, and what rounding to an eighth of
    # a pixel and OpenCV's slightly large polygons leave
    place, grey = placement(inspection), inspection.photo.grey
    for tooth in inspection.wear.teeth:
        ideal = FORM.tooth(0.2)
        r = np.hypot(*ideal.points_mm.T)
        coast = (ideal.points_mm[:, 0] < 0) & (r < FORM.tip_radius_mm - 1.0) & (r > FORM.junction_radius_mm - 2.5)
        lines = [ideal.points_mm[coast]]
        if tooth.outline_mm is not None:
            lines += [line[4:-4] for line in flanks(tooth.outline_mm)]
        for line in lines:
            away = edge_offset_px(grey, place.in_photo(line, tooth.index))[2:-2]
            assert np.abs(away).max() < 0.3


def test_the_ideal_drive_flank_stands_off_the_edge_by_what_was_lost(inspection):
    place, grey = placement(inspection), inspection.photo.grey
    ideal = FORM.tooth(0.1).points_mm
    near = (ideal[:, 0] > 0) & (np.abs(np.hypot(*ideal.T) - FORM.pitch_radius_mm) < 0.6)
    for tooth in (0, WORST):
        # the loss is an arc length; the normal of this flank is some twenty degrees off the arc
        away = np.abs(edge_offset_px(grey, place.in_photo(ideal[near], tooth), 14)).mean() / place.wheel.plane.px_per_mm
        lost = float(loss_of(tooth, FORM.pitch_radius_mm))
        assert 0.8 * lost < away < 1.0 * lost


def test_tips_are_told_where_the_picture_shows_them(inspection):
    shown = np.array([tips_shown(inspection)[i] for i in range(TEETH)]) * 1280
    image, colour = coloured(picture(inspection))
    grey = image[:, :1280].mean(2).astype(np.float32)
    # the way from root to tip to ground by the test's own arithmetic; the photo is shown at one scale, unturned
    angles = PHASE + TURN + (np.arange(TEETH) + 0.5) * 2 * math.pi / TEETH
    ring = [
        plane().project(r * np.stack([np.cos(angles), np.sin(angles)], axis=1) / SCALE + SHIFT_MM)
        for r in (FORM.tip_radius_mm - 2.0, FORM.tip_radius_mm)
    ]
    scale = np.hypot(*np.ptp(shown, axis=0)) / np.hypot(*np.ptp(ring[1], axis=0))
    assert shown - shown.mean(0) == pytest.approx(scale * (ring[1] - ring[1].mean(0)), abs=0.5)
    y, x = np.nonzero(colour[:, :1280])
    for i in (WORST, 0):
        inside = shown[i] + scale * (ring[0] - ring[1])[i]
        assert light(grey, inside[None])[0] > (GREY_METAL + GREY_GROUND) / 2
        assert np.hypot(x - shown[i, 0], y - shown[i, 1]).min() < 0.4 * np.hypot(*(shown[i] - shown[i - 1]))
    assert tips_shown(SimpleNamespace(wear=None, traced=None)) == {}


def test_loss_of_the_drive_flank_is_measured_square_to_the_ideal():
    inspection = made()
    tooth = inspection.wear.teeth[WORST]
    flank = drive_flank(tooth, inspection.wear.datum)
    again = [np.hypot(*(FORM.tooth(0.01).points_mm - p).T).min() for p in flank.measured_mm]  # our own arithmetic
    assert flank.loss_mm == pytest.approx(again, abs=0.02)
    assert np.hypot(*flank.ideal_mm.T) == pytest.approx(np.hypot(*flank.measured_mm.T))


def test_flanks_come_apart_at_the_tip_whichever_reaches_higher():
    outline = measured_tooth(0).outline_mm
    coast, drive = flanks(outline)
    assert len(coast) == len(drive) == 40
    for cut in (slice(0, 33), slice(33, 40), slice(38, 40)):  # something of the coast flank's upper end is not there
        keep = np.ones(80, bool)
        keep[40 - 7 : 40] = False if cut.start == 33 else keep[40 - 7 : 40]
        shorter = outline[keep]
        coast, drive = flanks(shorter)
        assert (coast[:, 0] < 0).all()
        assert (drive[:, 0] > 0).all()
        assert len(coast) + len(drive) == len(shorter)
    only_coast, nothing = flanks(outline[:40])
    assert (len(only_coast), len(nothing)) == (40, 0)
    nothing, only_drive = flanks(outline[40:])
    assert (len(nothing), len(only_drive)) == (0, 40)


def test_flanks_end_where_no_metal_is_left_between_them():
    radii = np.linspace(36, 40, 30)
    coast = np.stack([np.full(30, -1.0), radii], axis=1)
    drive = np.stack([1.5 - (radii - 36), radii], axis=1)  # crosses the coast flank at 38.5
    short_coast, short_drive = flanks(np.concatenate([coast, drive[::-1]]))
    assert short_drive[-1][1] == pytest.approx(38.5, abs=0.2)
    assert short_coast[-1][1] == pytest.approx(38.5, abs=0.2)


def coloured(png):
    """Where a picture is not grey."""
    image = np.asarray(Image.open(io.BytesIO(png)).convert("RGB")).astype(int)
    return image, (image.max(2) - image.min(2)) > 60


def test_colour_stands_on_drive_flanks_only_and_on_every_measured_one(inspection):
    place = placement(inspection)
    image, colour = coloured(picture(inspection))
    assert image.shape == (1280, 1920, 3)
    tips = np.array([place.in_photo(np.array([[0.0, FORM.tip_radius_mm]]), i)[0] for i in range(TEETH)])
    window = window_around(tips, 1280)
    y, x = np.nonzero(colour[:, :1280])
    spots = np.stack([x, y], axis=1).astype(float)
    nearest = np.full(len(spots), np.inf)
    for tooth in inspection.wear.teeth:
        flank = drive_flank(tooth, inspection.wear.datum)
        if flank is None:
            continue
        both = np.concatenate([flank.measured_mm, flank.ideal_mm])
        line = window.shown(place.in_photo(both, tooth.index))
        away = np.hypot(*(spots[:, None] - line[None]).transpose(2, 0, 1)).min(1)
        assert (away < 4).sum() > 100
        nearest = np.minimum(nearest, away)
    assert nearest.max() < 12


def test_a_window_shows_what_it_says():
    image = np.zeros((300, 400, 3), np.uint8)
    image[100:110, 200:210] = 255
    window = Window(left_px=150, top_px=50, side_px=200, shown_px=800)
    y, x = np.nonzero(window.cut(image)[..., 0] > 128)
    assert [x.mean(), y.mean()] == pytest.approx(window.shown(np.array([204.5, 104.5])), abs=0.6)
    beyond = Window(left_px=-40, top_px=250, side_px=100, shown_px=100)
    assert beyond.cut(image).shape == (100, 100, 3)


def test_the_enlarged_tooth_stands_upright_and_unmirrored(inspection):
    place = placement(inspection)
    view = upright(inspection.photo.colour(), place, 3, 500, 400)
    tip, root = view.shown(place.in_photo(np.array([[0, FORM.tip_radius_mm], [0, FORM.pitch_radius_mm - 8]]), 3))
    assert abs(tip[0] - root[0]) < 1
    assert tip[1] < root[1]
    drive = view.shown(place.in_photo(np.array([[2.0, FORM.pitch_radius_mm]]), 3))[0]
    # clockwise of a tooth that points up is to the right, as in the photo itself
    assert (drive[0] > tip[0]) == inspection.wear.drive_clockwise
    line = view.shown(place.in_photo(flanks(inspection.wear.teeth[3].outline_mm)[1][4:-4], 3))
    assert np.abs(edge_offset_px(view.image[..., 0], line)[2:-2]).max() < 0.35 * view.px_per_mm / 7  # 0.05 mm


@pytest.mark.parametrize("grade", ["good", "cannot-tell"])
def test_every_grade_makes_all_pictures(grade):
    inspection = made(grade=grade)
    for png, size in (
        (overlay.picture(inspection), (1920, 1280)),
        (overlay.teeth_chart(inspection), (1800, 1260)),
        (overlay.tooth_pair(inspection), (1800, 770)),
    ):
        assert Image.open(io.BytesIO(png)).size == size
    assert Image.open(io.BytesIO(overlay.picture(inspection, kind="jpeg"))).format == "JPEG"


def test_the_deepest_place_may_be_less_than_the_loss_beside_it_and_the_picture_says_why(monkeypatch):
    words = []
    monkeypatch.setattr("toothcheck.overlay.chart._write", lambda figure, x, y, text, size, **look: words.append(text))
    overlay.tooth_pair(made())
    said = " ".join(words)
    assert "Along the pitch circle: drive flank" in said
    assert "The deepest place is measured square to the flank" in said


def test_the_arrow_at_a_tooth_unlike_all_others_says_so():
    worst = measured_tooth(WORST)
    assert _called(worst, WORST) == f"{_called(worst, None)}\nunlike all others: wipe it, look"
    assert "unlike" not in _called(replace(worst, flags=("tip-differs",)), WORST)  # that says to look already


@pytest.mark.parametrize(
    ("grade", "said"),
    [("replace-now", "Do not ride on it."), ("cannot-tell", "The photo does not support a grade. Wipe it.")],
)
def test_a_chart_that_is_passed_on_alone_says_what_to_do_and_what_no_photo_sees(monkeypatch, grade, said):
    rows = []
    monkeypatch.setattr("toothcheck.overlay.chart._write", lambda figure, x, y, text, size, **look: rows.append(text))
    overlay.teeth_chart(made(grade=grade))
    assert rows[1] == said
    assert "“good” does not mean safe to ride" in " ".join(rows)


@pytest.mark.parametrize("at", [0, WORST, TEETH - 1])
def test_the_most_worn_tooths_number_stands_over_the_bars_beside_it(at):
    wear = made().wear
    high = Estimate(value=2.0, std=0.1)
    teeth = [replace(t, coast_loss_mm=high) if t.measured and abs(t.index - at) == 1 else t for t in wear.teeth]
    axes = canvas(1800, 1260).add_axes((0.1, 0.1, 0.5, 0.5))
    _bars(axes, replace(wear, teeth=tuple(teeth), worst_tooth=at), "")
    label = next(text for text in axes.texts if text.get_text().startswith(f"most worn: tooth {at}\n"))
    assert label.xy[1] == pytest.approx(2.1)
    assert axes.get_ylim()[1] > 2.4


def test_reasons_that_find_no_room_beside_the_photo_are_counted():
    reasons = tuple(f"Reason number {n} that takes a whole line." for n in range(30))
    inspection = made(grade="cannot-tell")
    inspection.verdict = replace(inspection.verdict, reasons=reasons)
    panel = Panel(canvas(1920, 1280), 2 / 3)
    panel.advice(inspection, 930.0)
    rows = [text.get_text() for text in panel.axes.texts]
    told = sum(row.startswith("• Reason number") for row in rows)
    assert 10 < told < 30
    assert rows[-1] == f"• and {30 - told} more"
    assert panel.y <= 930


def test_chart_as_svg_is_xml_and_the_same_every_time():
    inspection = made()
    svg = overlay.teeth_chart(inspection, kind="svg")
    assert ET.fromstring(svg).tag == "{http://www.w3.org/2000/svg}svg"
    assert svg == overlay.teeth_chart(inspection, kind="svg")


def test_a_chart_says_which_words_were_not_told():
    inspection = made()
    assert "drive flank?" not in overlay.teeth_chart(inspection, kind="svg").decode()
    inspection.flags = ("turning-unknown", "chain-open")
    rows = re.findall(r"<!-- (.*?) -->", overlay.teeth_chart(inspection, kind="svg").decode())
    assert {"drive flank?", "coast flank?"} <= {*rows}
    assert any("chain 520 (taken, not told), " in row for row in rows)


@pytest.mark.parametrize(
    ("name", "shown"),
    [("a$x_$.jpg", "a$x_$.jpg"), ("写\t真 🦊.jpg", "[U+5199] [U+771F] [U+1F98A].jpg"), ("ё " * 60, "ё " * 60)],
    ids=["mathematics", "no such letters", "long"],
)
def test_any_name_of_a_photo_can_be_drawn(name, shown):
    inspection = made()
    inspection.photo = replace(inspection.photo, name=name)
    # matplotlib's own comments in the file; a warning of a letter that its font lacks would be an error here
    rows = re.findall(r"<!-- (.*?) -->", overlay.teeth_chart(inspection, kind="svg").decode())
    assert f"{shown}: chain 520, {TEETH} teeth, front; {TEETH - 1} measured" in " ".join(rows)
    overlay.teeth_chart(inspection)


def test_a_photo_that_shows_nothing_is_shown_with_advice_and_has_no_chart():
    inspection = made()
    inspection.wear = inspection.traced = None
    inspection.verdict = refusal(["no-card", "no-sprocket"])
    assert Image.open(io.BytesIO(overlay.picture(inspection))).size == (1920, 1280)
    for draw in (overlay.teeth_chart, overlay.tooth_pair):
        with pytest.raises(ValueError, match="at least one measured tooth"):
            draw(inspection)


@pytest.mark.parametrize(("draw", "kind"), [(overlay.picture, "gif"), (overlay.teeth_chart, "pdf")])
def test_unknown_kinds_are_refused(draw, kind):
    with pytest.raises(ValueError, match=f"kind must be .* not '{kind}'"):
        draw(made(), kind=kind)


def test_teeth_of_which_one_flank_alone_was_followed_are_drawn_too():
    inspection = made()
    teeth = list(inspection.wear.teeth)
    outline = teeth[WORST].outline_mm
    teeth[WORST] = replace(teeth[WORST], outline_mm=outline[:40])
    teeth[0] = replace(teeth[0], outline_mm=outline[40:])
    inspection.wear = replace(inspection.wear, teeth=tuple(teeth))
    for draw in (overlay.picture, overlay.teeth_chart, overlay.tooth_pair):
        assert draw(inspection).startswith(b"\x89PNG")


@functools.cache
def flagged_picture(*flags):
    """A picture as grey levels, photograph and panel apart, with teeth flagged so: (index, flags) of each."""
    flagged, marked = dict(flags), made()
    teeth = [
        replace(t, measured="broken" not in flagged[t.index], flags=flagged[t.index]) if t.index in flagged else t
        for t in marked.wear.teeth
    ]
    marked.wear = replace(marked.wear, teeth=tuple(teeth))
    grey = np.asarray(Image.open(io.BytesIO(overlay.picture(marked))).convert("L")).astype(int)
    return grey[:, :1280], grey[:, 1280:]


def pictures(*flags_of):
    """The picture of one wheel for each way in which its teeth are flagged."""
    return [flagged_picture(*flagged.items()) for flagged in flags_of]


def reach(one, two):
    """How wide and how high the region is in which two pictures differ, px."""
    y, x = np.nonzero(np.abs(one - two) > 40)
    return np.ptp(x), np.ptp(y)


def test_what_a_tooth_may_be_is_no_reason_why_it_was_not_measured():
    wear = made().wear
    teeth = list(wear.teeth)
    teeth[2] = ToothWear(index=2, measured=False, flags=("unclear-edge", "leans"))
    panel = Panel(canvas(1920, 1280), 2 / 3)
    panel.legend(replace(wear, teeth=tuple(teeth)))
    rows = [text.get_text() for text in panel.axes.texts]
    assert [row for row in rows if row.startswith("not measured")] != []
    assert not any("leans" in row for row in rows)
    assert "may be bent: look along its edge" in rows


@pytest.mark.parametrize("code", ["stands-aside", "leans", "tip-differs"])
def test_a_tooth_that_may_be_damaged_is_called_out_marked_at_its_number_and_explained(code):
    assert 2 not in (COVERED, WORST)
    plain, marked, gone, both = pictures({}, {2: (code,)}, {COVERED: ("broken",)}, {COVERED: ("broken",), 2: (code,)})
    assert reach(plain[0], marked[0])[0] > 300  # the box stands elsewhere
    assert 0 < max(reach(gone[0], both[0])) < 90  # beside one that is gone, nothing but the number
    assert reach(plain[1], marked[1])[0] > 200  # a line in the legend


def test_a_tooth_that_is_gone_is_called_out_before_the_one_that_lost_most():
    assert COVERED < WORST
    gone = ("broken",)
    one, two, three = (p for p, _ in pictures({}, {COVERED: gone}, {COVERED: gone, WORST: gone}))
    assert reach(one, two)[0] > 300  # the box stands elsewhere
    assert max(reach(two, three)) < 300  # the first of two that are gone keeps it; the other's own colours go


# G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE TVCG 15 (2009) 1291-1298: matrices at full severity, for linear RGB, as the authors tabulate them
VISION = {
    "usual": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


@pytest.mark.parametrize("vision", VISION)
def test_more_loss_is_lighter_with_any_colour_vision(vision):
    rgb = ramp()(np.linspace(0, 1, 65))[:, :3]
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ np.array(VISION[vision]).T, 0, 1)
    back = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * seen ** (1 / 2.4) - 0.055)
    lightness = rgb2lab(back[None])[0, :, 0]
    assert (np.diff(lightness) > 0).all()
    assert lightness[-1] - lightness[0] > 60


def test_colours_mean_a_share_of_the_tooth():
    scale = loss_scale(4.0)
    assert scale.share(np.array([-0.1, 0.0, 0.6, 1.2, 9.0])) == pytest.approx([0, 0, 0.5, 1, 1])


def test_words_are_broken_to_fit():
    words = "A photo cannot see cracks, splines, bolts or the chain's stretch."
    rows = wrapped(words, 20, 200)
    assert " ".join(rows) == words
    assert all(width_px(row, 20) <= 200 for row in rows)
    assert wrapped("unbreakableword", 20, 10) == ["unbreakableword"]


def test_measures_in_words():
    assert said(None, "mm") == "not measured"
    assert hook_said(None) == "not measured"
    assert [hook_said(Estimate(value=v, std=0.02)) for v in (0.0, 0.02, 0.31)] == ["none seen"] * 2 + ["0.31 ± 0.02 mm"]
    assert said(Estimate(value=0.79, std=0.04), "mm") == "0.79 ± 0.04 mm"
    assert [hundredths(mm) for mm in (-0.004, -0.0, 0.004, -0.006, 0.79)] == ["0.00"] * 3 + ["-0.01", "0.79"]


def test_no_turning_is_drawn_where_none_is_known(monkeypatch):
    drawn = []
    monkeypatch.setattr("toothcheck.overlay.photograph._rotation", lambda *args: drawn.append(args))
    inspection = made()
    picture(inspection)
    assert len(drawn) == 1
    inspection.flags = ("turning-open",)
    picture(inspection)
    assert len(drawn) == 1
