"""Made photos against what the projection and an independent marker detector say."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.special import erf

from toothcheck.cards.detect import find_card
from toothcheck.photo import decode
from toothcheck.synthetic import HANDLINGS, handled
from toothcheck.synthetic.fields import Box
from toothcheck.synthetic.part import Part
from toothcheck.synthetic.photo_truth import make_photo
from toothcheck.synthetic.render import render
from toothcheck.synthetic.scene import Scene, scene_camera, set_stage
from toothcheck.synthetic.scenery import Light, Paint, Setting, Solid, pose
from toothcheck.synthetic.sensor import Sensor
from toothcheck.synthetic.wearing import Wear

PLAIN = np.ones((1024, 1024), np.float32)


def flat(tone):
    return Paint(colour=(tone, tone, tone), tile=PLAIN, shine=0.0)


def step(line, spacing=1.0):
    """Place of an edge along a line of samples, by an erf with free levels and width."""
    x = np.arange(len(line)) * spacing

    def model(x, at, low, high, width):
        return low + (high - low) * 0.5 * (1 + erf((x - at) / (math.sqrt(2) * width)))

    middle = x[int(np.argmax(np.abs(np.diff(line))))] + 0.5 * spacing
    found, _ = curve_fit(model, x, line, p0=[middle, line[0], line[-1], 0.6])
    return found[0]


def along_normals(light, at, out, reach=5.0, spacing=0.25):
    """Lines of samples (n, k) through points along their normals, in px."""
    s = np.arange(-reach, reach + 1e-9, spacing)
    px = (at[:, None] + s[None, :, None] * out[:, None]).astype(np.float32)
    lines = cv2.remap(light.astype(np.float32), px[..., 0], px[..., 1], cv2.INTER_CUBIC)
    return s, lines.astype(float)


@pytest.mark.parametrize("slope_deg", [0.0, 1.5, 30.0])
def test_rendered_edge_stands_where_the_projection_puts_it(slope_deg):
    # a bright sheet over a dark ground, square on; its side passes through (20.137, 0), turned by the slope
    a = math.radians(slope_deg)
    middle = (20.137 - 30 * math.cos(a), -30 * math.sin(a))
    sheet = Solid(
        name="sprocket", field=Box(middle_mm=middle, size_mm=(60.0, 300.0), turn=a), top_mm=0.0, bottom_mm=-0.01,
        skin=flat(0.6), pose=pose(),
    )  # fmt: skip
    camera = scene_camera(Scene(size_px=(240, 180), distance_mm=200.0))
    setting = Setting(
        solids=(sheet,), ground_mm=-0.01, ground=flat(0.1), ground_tone=0.1,
        light=Light(place_mm=(0.0, 0.0, 50000.0), radius_mm=1.0),
    )  # fmt: skip
    light = render(setting, camera, np.random.default_rng(0))[..., 1].astype(float)
    blurred = cv2.GaussianBlur(light, (0, 0), 0.7)
    ends = camera.project(np.array([[20.137 - s * math.sin(a), s * math.cos(a), 0.0] for s in (-100.0, 100.0)]))
    by_area, by_erf = [], []
    for y in range(40, 140):
        want = ends[0, 0] + (y - ends[0, 1]) / (ends[1, 1] - ends[0, 1]) * (ends[1, 0] - ends[0, 0])
        first = int(want) - 12
        line = light[y, first : first + 25]
        # without blur a pixel holds the covered share of its square: the levels' areas give the edge
        by_area.append(first - 0.5 + np.sum((line - line[-1]) / (line[0] - line[-1])) - want)
        by_erf.append(first + step(blurred[y, first : first + 25]) - want)
    for errors in (by_area, by_erf):
        assert abs(np.mean(errors)) < 0.01
        assert np.sqrt(np.mean(np.square(errors))) < 0.05


def test_flanks_of_a_sprocket_stand_where_the_outline_projects():
    # far away and thin: near and far rim fall together, so the border is the outline itself
    scene = Scene(
        part=Part(teeth=15, thickness_mm=0.05, bore_mm=0.0, wear=Wear(depth_mm=0.7, climb=0.6, scatter=0.1)),
        card=None, size_px=(800, 600), focal_35mm=300,
        distance_mm=2600.0, seed=3, lamp_mm=(0.0, 100.0, 50000.0),
    )  # fmt: skip
    stage = set_stage(scene)
    wheel, camera = stage.wheel, stage.camera
    solid = replace(stage.setting.solids[0], skin=flat(0.5))
    setting = replace(stage.setting, solids=(solid,), ground=flat(0.05))
    light = cv2.GaussianBlur(render(setting, camera, np.random.default_rng(1))[..., 1], (0, 0), 0.7)
    at, out = [], []
    for tooth in range(15):
        points = wheel.placed(tooth, wheel.teeth_mm[tooth])
        for k in np.flatnonzero(np.abs(np.hypot(*points.T) - wheel.form.pitch_radius_mm) < 2.0)[::30]:
            tangent = points[k + 1] - points[k - 1]
            away = np.array([tangent[1], -tangent[0]]) / np.hypot(*tangent)
            px = camera.project(np.array([[*points[k], 0.0], [*(points[k] + 0.1 * away), 0.0]]))
            at.append(px[0])
            out.append((px[1] - px[0]) / np.hypot(*(px[1] - px[0])))
    s, lines = along_normals(light, np.array(at), np.array(out))
    errors = np.array([step(line, 0.25) + s[0] for line in lines])
    # the outward normal is clockwise of the outline's own direction or counterclockwise of it: take the dark side
    errors = np.where(lines[:, 0] > lines[:, -1], errors, -errors)
    assert len(errors) > 100
    assert abs(errors.mean()) < 0.02  # px, at 0.39 mm a px: 8 µm
    assert np.sqrt(np.mean(errors**2)) < 0.05


def test_side_wall_ends_at_the_far_rim_and_a_hidden_wall_at_the_near_one():
    # a block 7 mm thick, the camera moved towards +x: the wall at x = 20 is seen, that at x = -20 is not
    thick, tilt = 7.0, 18.0
    block = Solid(
        name="sprocket", field=Box(middle_mm=(0.0, 0.0), size_mm=(40.0, 300.0)), top_mm=0.0, bottom_mm=-thick,
        skin=flat(0.6), pose=pose(),
    )  # fmt: skip
    camera = scene_camera(Scene(size_px=(600, 300), focal_35mm=240, distance_mm=400.0, tilt_deg=tilt, azimuth_deg=0.0))
    setting = Setting(
        solids=(block,), ground_mm=-thick, ground=flat(0.01), ground_tone=0.0,
        light=Light(place_mm=(8000.0, 0.0, 20000.0), radius_mm=1.0),
    )  # fmt: skip
    light = render(setting, camera, np.random.default_rng(0))[..., 1].astype(float)
    blurred = cv2.GaussianBlur(light, (0, 0), 0.7)
    corners = np.array([[20.0, 0, 0], [20.0, 0, -thick], [-20.0, 0, 0]])
    near, far, hidden = camera.project(corners)[:, 0]
    assert far - near > 12  # the wall is a dozen px wide: b·tan(view angle) of section 3 of the measures
    rows = range(130, 170)
    row0 = camera.project(corners)[0, 1]

    def mean_edge(around, reach):
        first = round(around) - reach
        return np.mean([first + step(blurred[y, first : first + 2 * reach + 1]) for y in rows])

    # the edges run along y, straight up the photo only in its middle row; a few rows about it are enough
    assert abs(row0 - 149.5) < 1
    assert mean_edge(near, 5) == pytest.approx(near, abs=0.05)
    assert mean_edge(far, 5) == pytest.approx(far, abs=0.05)
    assert mean_edge(hidden, 5) == pytest.approx(hidden, abs=0.05)


@pytest.fixture(scope="module")
def card_photo():
    scene = Scene(
        size_px=(1200, 900), distance_mm=230, look_at_mm=(45, 0), tilt_deg=12, azimuth_deg=70, k1=0.02, ground="plain",
        card_lift_mm=1.3, card_lean_deg=1.0, sensor=Sensor(blur_px=0.6, noise=0.001), seed=1,
    )  # fmt: skip
    return scene, make_photo(scene), set_stage(scene)


def test_an_independent_detector_finds_the_markers_where_the_projection_puts_them(card_photo):
    # outside check: OpenCV's AprilTag 36h11 detector.  Its corners are drawn inwards by blur, the same at all four,
    # so the comparison is between middles: where the diagonals cross
    _, photo, stage = card_photo
    grey = cv2.cvtColor(photo.picture, cv2.COLOR_RGB2GRAY)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), settings)
    corners, idents, _ = detector.detectMarkers(grey)
    found = dict(
        zip(np.ravel(idents).tolist(), [np.asarray(c).reshape(4, 2).astype(float) for c in corners], strict=True)
    )
    face = stage.card.skin
    assert sorted(found) == [m.ident for m in face.markers] == [0, 1, 2, 3, 4, 5]

    def crossing(quad):
        a, b, c, d = quad
        t = np.linalg.solve(np.stack([c - a, b - d], axis=1), b - a)
        return a + t[0] * (c - a)

    for marker in face.markers:
        world = stage.card.pose.world(np.column_stack([face.corners_mm(marker), np.zeros(4)]))
        want = stage.camera.project(world)
        got = found[marker.ident]
        assert np.abs(got - want).max() < 0.8  # the corners come in the same order
        assert np.hypot(*(crossing(got) - crossing(want))) < 0.1


def test_sides_of_the_markers_stand_where_the_projection_puts_them(card_photo):
    _, _, stage = card_photo
    light = cv2.GaussianBlur(render(stage.setting, stage.camera, np.random.default_rng(0))[..., 1], (0, 0), 0.6)
    face, errors = stage.card.skin, []
    for marker in face.markers:
        quad = face.corners_mm(marker)
        middle = quad.mean(axis=0)
        for a, b in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            t = np.linspace(0.1, 0.9, 17)[:, None]
            points = a + t * (b - a)
            away = (a + b) / 2 - middle
            both = [np.column_stack([p, np.zeros(len(p))]) for p in (points, points + 0.05 * away)]
            at, other = (stage.camera.project(stage.card.pose.world(p)) for p in both)
            out = (other - at) / np.hypot(*(other - at).T)[:, None]
            s, lines = along_normals(light, at, out)
            errors += [step(line, 0.25) + s[0] for line in lines]
    # positive: the black square stands out too far
    assert abs(np.mean(errors)) < 0.01
    assert np.sqrt(np.mean(np.square(errors))) < 0.05


def test_same_seed_same_picture_other_seed_other_picture():
    scene = Scene(size_px=(320, 240), seed=5, chain_first=2, chain_teeth=4, clutter=3, dirt=0.3)
    one, two, other = make_photo(scene), make_photo(scene), make_photo(replace(scene, seed=6))
    assert np.array_equal(one.picture, two.picture)
    assert one.truth == two.truth
    assert not np.array_equal(one.picture, other.picture)


@pytest.fixture(scope="module")
def taken():
    scene = Scene(size_px=(1600, 1200), distance_mm=330, look_at_mm=(60, 20), tilt_deg=10, card_at_mm=(95, 0), seed=5)
    return make_photo(scene), set_stage(scene)


@pytest.mark.parametrize("handling", HANDLINGS)
def test_what_is_done_to_a_photo_takes_its_truth_along(taken, handling):
    made, stage = taken
    file = handled(made, stage, handling, quality=95)
    photo = decode(file.encoded, "made.jpg")
    lost = {"focal length lost", "cut, focal length lost", "straightened", "sent"}
    assert (photo.focals_35mm == ()) == (handling in lost)
    smaller = {"cut", "cut, focal length lost", "straightened", "sent"}
    assert (photo.grey.size < 0.9 * made.picture[..., 0].size) == (handling in smaller)
    # what stands about each tip still stands there
    scale = made.truth["mm_per_px"] / file.truth["mm_per_px"]
    grey = cv2.cvtColor(made.picture, cv2.COLOR_RGB2GRAY)
    for before, after in zip(made.truth["tip_px"], file.truth["tip_px"], strict=True):
        patch = cv2.getRectSubPix(grey, (25, 25), before).astype(float)
        there = cv2.getRectSubPix(photo.grey, (round(25 * scale),) * 2, after)
        there = cv2.resize(there, (25, 25), interpolation=cv2.INTER_LINEAR).astype(float)
        assert np.corrcoef(patch.ravel(), there.ravel())[0, 1] > 0.9
    card = find_card(photo.grey)
    assert card is not None
    if handling == "straightened":  # as the card lies on the table, but for size and the lens's bend
        mm, px = card.corners_mm.reshape(-1, 2), card.corners_px.reshape(-1, 2)
        growth, *_ = np.linalg.lstsq(np.column_stack([mm, np.ones(len(mm))]), px, rcond=None)
        assert growth[0, 0] == pytest.approx(growth[1, 1], rel=0.003)
        assert abs(growth[0, 1]) + abs(growth[1, 0]) < 0.006 * growth[0, 0]
