"""The rooms of seeing, each on something made whose truth is exact."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr

from toothcheck.cards.detect import CardSighting, find_card
from toothcheck.cards.layout import layouts
from toothcheck.edges import Optics, fit_erf, optics, sample
from toothcheck.photo import linear_light
from toothcheck.pose import Camera, PlanePose, card_pose
from toothcheck.pose.lens import Lens, cut_lens, together
from toothcheck.synthetic import Part, Scene, Sensor, make_photo, set_stage
from toothcheck.toothform import IsoForm
from toothcheck.tracing.follow import follow, step_evidence
from toothcheck.tracing.locate import locate
from toothcheck.tracing.profiles import Lines, place
from toothcheck.tracing.rims import Wheel, flank_outline, rims, worn_outline
from toothcheck.tracing.seed import find, view_plane

FEW = settings(max_examples=25, derandomize=True, deadline=None, database=None)


# --- edges -----------------------------------------------------------------------------------------------------------


def erf_profiles(places, *, low, high, blur, samples=13, noise=0.0, seed=0):
    """Light on profiles across blurred steps; places in samples from the middle."""
    t = np.arange(samples) - (samples - 1) / 2
    light = low + (high - low) * ndtr((t - np.asarray(places)[:, None]) / blur)
    return light + noise * np.random.default_rng(seed).standard_normal(light.shape)


def test_an_edge_is_found_where_it_stands_without_pixel_locking():
    places = np.linspace(-1, 1, 201)
    fit = fit_erf(erf_profiles(places, low=20, high=160, blur=0.9, noise=1.5))
    error = fit.position - places
    assert fit.good.all()
    assert abs(error.mean()) < 0.01
    # no pixel locking: the error does not go with the place inside a pixel
    assert abs((error * np.sin(2 * np.pi * places)).mean()) < 0.01
    # Cramér-Rao bound for a step's place, other unknowns known: sigma · sqrt(2 sqrt(pi) blur) / step (our arithmetic)
    bound = 1.5 * math.sqrt(2 * math.sqrt(math.pi) * 0.9) / 140
    assert error.std() < 2 * bound
    assert np.median(fit.blur) == pytest.approx(0.9, abs=0.03)
    assert np.median(fit.step) == pytest.approx(140, abs=2)


@pytest.mark.parametrize("ceiling", [250.0, 255.0])
def test_burnt_out_white_does_not_draw_an_edge_to_its_dark_side(ceiling):
    places = np.linspace(-0.5, 0.5, 101)
    full = erf_profiles(places, low=10, high=330, blur=1.2)
    fit = fit_erf(np.minimum(full, ceiling))
    assert np.abs(fit.position - places).mean() < 0.02
    # what happens when clipped samples are believed, as a check that the case is not an easy one
    believed = fit_erf(np.minimum(full, ceiling) * (240 / 255))
    assert (believed.position - places).mean() < -0.05


def test_an_edge_of_a_drawn_picture_is_found_along_its_normal():
    # a half plane whose border passes (30.37, 20) at 20 degrees, each pixel a mean of 16 x 16 points
    a = math.radians(20)
    n = np.array([math.cos(a), math.sin(a)])
    s = (np.arange(60 * 16) + 0.5) / 16 - 0.5
    xx, yy = np.meshgrid(s, s[: 40 * 16])
    inside = ((xx - 30.37) * n[0] + (yy - 20) * n[1] > 0).reshape(40, 16, 60, 16).mean((1, 3))
    picture = cv2.GaussianBlur(30 + 150 * inside, (0, 0), 0.8).astype(np.float32)
    along = np.linspace(-12, 12, 40)
    base = np.array([30.37, 20.0]) + along[:, None] * np.array([-n[1], n[0]])
    t = np.arange(-6, 7)
    profiles = sample(picture, base[:, :1] + t * n[0], base[:, 1:] + t * n[1]).astype(float)
    fit = fit_erf(profiles)
    assert abs(fit.position.mean()) < 0.02
    assert np.abs(fit.position).max() < 0.08  # bilinear sampling alone


def test_samples_outside_the_photo_are_no_numbers():
    values = sample(np.ones((4, 5), np.float32), np.array([[-0.1, 0.0, 4.0, 4.1]]), np.zeros((1, 4)))
    assert np.isnan(values).tolist() == [[True, False, False, True]]


def test_noise_of_a_photo_is_told_and_its_content_is_not_taken_for_it():
    rng = np.random.default_rng(5)
    planes = np.full((640, 800, 3), 128.0)
    planes[:, 400:] = 60
    planes += rng.standard_normal(planes.shape) * (4.0, 2.0, 2.0)
    found = optics(np.clip(planes + 0.5, 0, 255).astype(np.uint8), 1.1)
    assert found.blur_px == 1.1
    assert found.noise[0] == pytest.approx(4.0, rel=0.02)
    assert found.noise[1] == pytest.approx(2.0, rel=0.12)


# --- camera and plane ------------------------------------------------------------------------------------------------

CAMERAS = st.builds(
    Camera, width_px=st.just(4000), height_px=st.just(3000), focal_px=st.floats(2500, 9000), k1=st.floats(-0.06, 0.06)
)


def tilted(camera, tilt_x, tilt_y, distance=300.0):
    turn = cv2.Rodrigues(np.array([math.pi, 0.0, 0.0]))[0] @ cv2.Rodrigues(np.array([tilt_x, tilt_y, 0.2]))[0]
    return PlanePose(camera=camera, camera_from_plane=turn, origin_mm=np.array([5.0, -8.0, distance]))


@FEW
@given(CAMERAS, st.floats(0, 3999), st.floats(0, 2999))
def test_a_pixel_goes_out_as_a_ray_and_comes_back(camera, x, y):
    back = camera.project(camera.rays(np.array([x, y])))
    assert np.abs(back - (x, y)).max() < 0.01


@FEW
@given(CAMERAS, st.floats(-0.6, 0.6), st.floats(-0.6, 0.6), st.floats(-40, 40), st.floats(-40, 40), st.floats(-9, 9))
def test_a_point_over_the_plane_is_seen_and_found_again(camera, tilt_x, tilt_y, x, y, height):
    pose = tilted(camera, tilt_x, tilt_y)
    point = np.array([x, y])
    assert np.abs(pose.on_plane(pose.project(point, height), height) - point).max() < 1e-3


@FEW
@given(st.floats(-0.05, 0.05), st.floats(-0.05, 0.05), st.floats(-60, 60), st.floats(-60, 60))
def test_the_pivot_stays_when_a_plane_tilts(tilt_x, tilt_y, px, py):
    pose = tilted(Camera(width_px=4000, height_px=3000, focal_px=3000), 0.2, -0.1)
    pivot = np.array([px, py])
    moved = pose.moved(tilt=np.array([tilt_x, tilt_y]), pivot_mm=pivot)
    assert np.abs(moved.project(pivot) - pose.project(pivot)).max() < 1e-6
    shifted = pose.moved(centre_mm=np.array([3.0, -2.0]), height_mm=1.5)
    assert np.abs(shifted.project(pivot - (3.0, -2.0)) - pose.project(pivot, 1.5)).max() < 1e-6


# --- card ------------------------------------------------------------------------------------------------------------


def apart(plane, other):
    """Turn about the camera's axes (rad) and shift (mm) from the other to the plane."""
    turn = cv2.Rodrigues(plane.camera_from_plane @ other.camera_from_plane.T)[0].ravel()
    return np.concatenate([turn, plane.origin_mm - other.origin_mm])


def test_a_pose_scatters_as_it_states():
    # photos of one card whose lenses and corners err as the priors say: the stated spread is that of the errors
    rng = np.random.default_rng(8)
    layout = layouts()["pocket"]
    mm = np.array([layout.corners_mm[i] for i in layout.corners_mm])
    on_card = mm * (1, -1)
    seen, stated = [], []
    for _ in range(60):
        lens = Camera(
            width_px=1200, height_px=900, focal_px=35 / 36 * 1200 * math.exp(0.03 * rng.standard_normal()),
            k1=0.04 * rng.standard_normal(),
        )  # fmt: skip
        true = tilted(lens, 0.25, -0.15, 230.0)
        sighting = CardSighting(
            layout=layout, ids=tuple(layout.corners_mm), corners_mm=mm, blur_px=0.7, white=200.0, black=20.0,
            mixed=False, corners_px=true.project(on_card) + 0.15 * rng.standard_normal(mm.shape),
        )  # fmt: skip
        found = card_pose(sighting, np.zeros((900, 1200), np.uint8), (35.0,))
        seen.append(apart(found.plane, true))
        plane_of = found.beside(0.0, height_std_mm=0.0, lean_std=0.0)
        stated += [apart(plane_of(rng.standard_normal(found.freedoms)), found.plane) for _ in range(20)]
    # 60 photos tell a spread to a tenth
    assert np.sqrt(np.mean(np.square(seen), 0)) == pytest.approx(np.sqrt(np.mean(np.square(stated), 0)), rel=0.3)


@pytest.fixture(scope="module")
def card_scene():
    scene = Scene(
        size_px=(1200, 900), focal_35mm=28, focal_share=1.02, distance_mm=230, look_at_mm=(45, 0), tilt_deg=24,
        azimuth_deg=70, k1=0.02, ground="plain", card_lift_mm=1.3, sensor=Sensor(blur_px=0.7, noise=0.002), seed=1,
    )  # fmt: skip
    photo, stage = make_photo(scene), set_stage(scene)
    grey = cv2.cvtColor(photo.picture, cv2.COLOR_RGB2GRAY)
    return scene, stage, grey, find_card(grey)


def test_corners_of_markers_stand_within_a_twentieth_of_a_pixel(card_scene):
    _, stage, _, sighting = card_scene
    face = stage.card.skin
    assert sighting.layout.name == "pocket"
    assert sighting.ids == tuple(sorted(layouts()["pocket"].corners_mm))
    errors = []
    for ident, corners in zip(sighting.ids, sighting.corners_px, strict=True):
        marker = next(m for m in face.markers if m.ident == ident)
        world = stage.card.pose.world(np.column_stack([face.corners_mm(marker), np.zeros(4)]))
        errors.append(corners - stage.camera.project(world))
    errors = np.array(errors)
    assert np.sqrt((errors**2).mean()) < 0.05
    assert np.abs(errors.mean((0, 1))).max() < 0.02
    assert sighting.blur_px == pytest.approx(0.75, abs=0.2)


def test_a_photo_without_markers_has_no_card():
    assert find_card(np.random.default_rng(2).integers(0, 255, (300, 400)).astype(np.uint8)) is None


def test_pose_tells_focal_length_tilt_and_scale_within_what_it_states(card_scene):
    scene, stage, grey, sighting = card_scene
    found = card_pose(sighting, grey, (float(scene.focal_35mm),))
    focal_std = math.sqrt(found.covariance[6, 6]) * scene.focal_px
    assert abs(found.plane.camera.focal_px - scene.focal_px) < 2 * focal_std
    # the card's middle and a point 20 mm beside it, in the world and by the pose
    half = np.array([sighting.layout.width_mm, -sighting.layout.height_mm]) / 2
    world = stage.card.pose.world(np.array([[0.0, 0, 0], [20.0, 0, 0], [0, 20.0, 0]]))
    want = stage.camera.project(world)
    got = found.plane.project(half + np.array([[0.0, 0], [20, 0], [0, 20]]))
    assert np.abs(got - want).max() < 0.1
    # tilt: the angle between the card's normal and the line of sight, from the scene
    normal = stage.card.pose.world(np.array([[0.0, 0, 1.0]]))[0] - world[0]
    sight = stage.camera.place_mm - world[0]
    truth = math.degrees(math.acos(float(normal @ sight) / float(np.linalg.norm(normal) * np.linalg.norm(sight))))
    assert found.plane.moved(centre_mm=half).tilt_deg == pytest.approx(truth, abs=0.6)
    assert not found.bowed
    assert found.markers == len(sighting.ids)


@pytest.mark.parametrize(
    ("marker", "corner", "off_px"), [(0, 3, (9.0, -2.0)), (3, 0, (-20.0, 16.0)), (5, 2, (0.0, 3.0))]
)
def test_a_marker_that_a_finger_covers_in_part_says_nothing_of_the_card(card_scene, marker, corner, off_px):
    scene, _, grey, sighting = card_scene
    corners = sighting.corners_px.copy()
    corners[marker, corner] += off_px
    found = card_pose(replace(sighting, corners_px=corners), grey, (float(scene.focal_35mm),))
    rest = np.arange(len(sighting.ids)) != marker
    want = card_pose(sighting.only(rest), grey, (float(scene.focal_35mm),))
    assert found.markers == rest.sum() == len(sighting.ids) - 1
    assert not found.bowed
    assert np.array_equal(found.covariance, want.covariance)
    assert np.array_equal(found.plane.origin_mm, want.plane.origin_mm)


@pytest.mark.parametrize("sag_mm", [3.0, 5.0])
def test_a_card_that_bows_keeps_all_its_markers_and_is_said_to(card_scene, sag_mm):
    scene, stage, grey, sighting = card_scene
    # a sheet bent about its short axis; the sag is that of its middle against its ends
    half = np.array([sighting.layout.width_mm, sighting.layout.height_mm]) / 2
    flat = (sighting.corners_mm - half) * (1, -1)
    bent = np.concatenate([flat, sag_mm * (1 - (flat[..., :1] / half[0]) ** 2)], axis=-1)
    px = stage.camera.project(stage.card.pose.world(bent.reshape(-1, 3))).reshape(-1, 4, 2)
    found = card_pose(replace(sighting, corners_px=px), grey, (float(scene.focal_35mm),))
    assert found.markers == len(sighting.ids)
    assert found.bowed


def test_lenses_that_remain_possible_become_one_with_their_mean_and_spread():
    # our own arithmetic: of ln 1000 and ln 2000, three to one; each by itself uncertain by 0.1
    lenses = [Lens(focal_px=f, focal_std=0.1) for f in (1000.0, 2000.0)]
    one = together(lenses, np.array([0.75, 0.25]))
    assert one.focal_px == pytest.approx(1000 * 2**0.25)
    assert one.focal_std == pytest.approx(math.hypot(0.1, math.log(2) * math.sqrt(0.75 * 0.25)))


@pytest.mark.parametrize("upright", [False, True])
def test_a_photo_of_no_cameras_shape_was_likelier_cut(upright):
    # sensors and screens are 4:3, 3:2 and 16:9
    def cut(*size):
        return cut_lens(*(size[::-1] if upright else size), (28.0,)).weight

    usual = [cut(*size) for size in ((4000, 3000), (6000, 4000), (1920, 1080))]
    odd = [cut(*size) for size in ((3000, 3000), (3500, 3000), (4000, 1517))]
    assert max(usual) < 0.5 < min(odd)


@pytest.mark.parametrize("focal_35mm", [24, 50, 77])
def test_a_lens_that_is_not_told_is_found_from_a_card_seen_aslant(focal_35mm):
    scene = Scene(
        size_px=(1200, 900), focal_35mm=focal_35mm, distance_mm=8 * focal_35mm, look_at_mm=(45, 0), tilt_deg=24,
        azimuth_deg=70, k1=0.01, ground="plain", sensor=Sensor(blur_px=0.7, noise=0.002), seed=1,
    )  # fmt: skip
    grey = cv2.cvtColor(make_photo(scene).picture, cv2.COLOR_RGB2GRAY)
    found = card_pose(find_card(grey), grey, ())
    assert found.focal_std < 0.2
    assert abs(math.log(found.plane.camera.focal_px / scene.focal_px)) < 2 * found.focal_std
    assert found.plane.camera.shift_px == (0, 0)


@pytest.mark.parametrize("counted_in", [True, False])
def test_a_digital_zoom_may_be_counted_into_the_focal_length_or_not(card_scene, counted_in):
    scene, _, grey, sighting = card_scene
    true = float(scene.focal_35mm)
    found = card_pose(sighting, grey, (true, 2 * true) if counted_in else (true / 2, true))
    assert found.focal_std < 0.04
    assert abs(math.log(found.plane.camera.focal_px / scene.focal_px)) < 2 * found.focal_std


@pytest.mark.parametrize("told", [True, False])
def test_the_axis_of_a_photo_that_was_cut_is_looked_for(card_scene, told):
    scene, stage, grey, whole = card_scene
    height, width = grey.shape
    reach = whole.corners_px.reshape(-1, 2)
    left = max(0, min(int(reach[:, 0].min()) - 20, width // 4))
    bottom = max(0, min(height - int(reach[:, 1].max()) - 20, height // 4))
    assert left > 0.1 * width or bottom > 0.1 * width
    cut = np.array([left, 0])
    part = np.ascontiguousarray(grey[: height - bottom, left:])
    sighting = find_card(part)
    found = card_pose(sighting, part, (float(scene.focal_35mm),) if told else ())
    camera = found.plane.camera
    assert camera.shift_px != (0, 0)
    axis = np.array(camera.middle_px) + cut
    std = np.sqrt(np.diag(found.covariance)[8:])
    assert (np.abs(axis - stage.camera.middle_px) < 2.5 * std).all()
    assert abs(math.log(camera.focal_px / scene.focal_px)) < 2.5 * found.focal_std
    # the plane is seen where it is, whatever is not known of the lens
    half = np.array([sighting.layout.width_mm, -sighting.layout.height_mm]) / 2
    world = stage.card.pose.world(np.array([[0.0, 0, 0], [20.0, 0, 0], [0, 20.0, 0]]))
    got = found.plane.project(half + np.array([[0.0, 0], [20, 0], [0, 20]])) + cut
    assert np.abs(got - stage.camera.project(world)).max() < 0.1


def test_a_whole_photo_is_not_taken_for_a_cut_one(card_scene):
    scene, _, grey, sighting = card_scene
    assert card_pose(sighting, grey, (float(scene.focal_35mm),)).plane.camera.shift_px == (0, 0)
    assert card_pose(sighting, grey, ()).plane.camera.shift_px == (0, 0)


# --- tracing ---------------------------------------------------------------------------------------------------------

FORM = IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=15)
OUTLINE = flank_outline(FORM, 0.25, 2.5)


def wheel_before(camera, *, tilt=(0.0, 0.0), centre=(0.0, 0.0), phase=0.3, thickness=5.0, distance=300.0):
    pose = tilted(camera, *tilt, distance)
    return Wheel(plane=pose.moved(centre_mm=np.array(centre)), form=FORM, phase=phase, thickness_mm=thickness)


def test_walls_are_in_sight_on_the_side_that_is_turned_to_the_camera():
    camera = Camera(width_px=1200, height_px=900, focal_px=1500)
    wheel = wheel_before(camera, centre=(40.0, 0.0))
    seen = rims(wheel, OUTLINE)
    # square on, the back is drawn towards the point under the camera: a wall that faces it is in sight
    under = wheel.plane.camera_in_plane()[:2]
    towards = ((under - seen.points_mm) * seen.normals).sum(-1)
    share = (under - seen.points_mm) * 5.0 / (5.0 + 300.0)
    expected = (share * seen.normals).sum(-1)
    clear = np.abs(towards) > 0.6 * np.hypot(*np.moveaxis(under - seen.points_mm, -1, 0))
    assert np.array_equal(seen.wall_mm[clear] > 0, towards[clear] > 0)
    # where the wall is straight and faces the camera its width follows from similar triangles (our arithmetic)
    straight = clear & (OUTLINE.part == 1)
    assert np.median(np.abs(seen.wall_mm - expected)[straight]) < 0.06


def test_between_its_rims_an_oblique_hooked_tooth_hides_what_its_swept_outline_covers():
    """Against the outline drawn at sixty depths on one fine raster, and the way out of it along each normal."""
    camera = Camera(width_px=1200, height_px=900, focal_px=1500)
    wheel = wheel_before(camera, tilt=(0.46, 0.0), thickness=7.0)
    ideal = flank_outline(FORM, 0.2, 3.4)
    above = np.hypot(*ideal.points_mm.T) - FORM.pitch_radius_mm
    hollow = np.where(ideal.points_mm[:, 0] < 0, -0.8 * np.exp(-((above / 1.5) ** 2)), 0.0)
    outline = worn_outline(ideal, hollow, 0.2)
    tip = FORM.pitch_radius_mm + 2.2
    seen = rims(wheel, outline, tip)
    metal = np.hypot(*outline.points_mm.T) <= tip
    fine, middle = 25, 55.0
    covered = np.zeros((int(2 * middle * fine),) * 2, np.uint8)
    # gaps are counted counterclockwise and each runs from -x to +x, clockwise: reversed, they make one outline
    loop = seen.points_mm[:, metal][:, ::-1].reshape(-1, 2)
    for depth in np.linspace(0, wheel.thickness_mm, 60):
        at = wheel.plane.on_plane(wheel.plane.project(loop, -depth))
        cv2.fillPoly(covered, [np.rint((at + middle) * fine * 16).astype(np.int32)], 1, shift=4)
    out = np.arange(0.0, 4.0, 0.02)
    along = seen.points_mm[..., None, :] + (out[:, None] + 0.08) * seen.normals[..., None, :]
    column, row = np.moveaxis(np.rint((along + middle) * fine).astype(int), -1, 0)
    inside = covered[row, column] > 0
    free = np.where(inside.all(-1), out[-1], out[inside.argmin(-1)])
    flank = metal & (np.hypot(*outline.points_mm.T) > FORM.pitch_radius_mm - 1.5)
    whole = np.broadcast_to(flank, free.shape) & (free < 3.5)
    wall = np.where(seen.wall_seen, seen.wall_mm, 0.0)
    error = np.abs(wall - free)[whole]
    assert (free[whole] > 0.2).sum() > 100
    assert np.quantile(error, 0.9) < 0.15
    plain = rims(wheel, outline)  # told nothing of the tip, flanks drawn on beyond it
    worse = np.abs(np.where(plain.wall_seen, plain.wall_mm, 0.0) - free)[whole]
    assert (worse > 0.3).sum() > 2 * (error > 0.3).sum()


def drawn(wheel, size, *, blur=0.8, noise=1.5, metal=170, ground=60, shade=0.0, rolled_px=0.0, ground_above=None):
    """A thin wheel of grey metal; (height, width, 3) luma and grey chroma; ``shade`` darkens the ground beside it.

    Within ``rolled_px`` of its edge the metal has 0.4 of its light; ``ground_above`` lies in the photo's upper half.

    Each of 2 x 2 points in a pixel is covered as far as the form's edge leaves it: exact but for the edge's curvature.
    """
    width, height = size
    s = (np.arange(2 * max(size)) + 0.5) / 2 - 0.5
    at = wheel.plane.on_plane(np.stack(np.meshgrid(s[: 2 * width], s[: 2 * height]), axis=-1))
    gap = np.rint((np.arctan2(at[..., 1], at[..., 0]) - wheel.phase) / wheel.form.pitch_angle).astype(int)
    depth = wheel.form.metal_depth_mm(wheel.to_gap(at.reshape(-1, 2), gap.ravel())) * wheel.plane.px_per_mm
    covered = np.clip(2 * depth + 0.5, 0, 1).reshape(height, 2, width, 2).mean((1, 3))
    # lenses blur light, not grey values: in light and back, by the sRGB curve (IEC 61966-2-1)
    dark, bright = linear_light(np.array([ground, metal], np.uint8)) / 255
    outside = np.maximum(-depth, 0).reshape(height, 2, width, 2).mean((1, 3))
    dark = dark * (1 - shade * np.exp(-outside / 4))
    if ground_above is not None:
        dark[: height // 2] = linear_light(np.array([ground_above], np.uint8)) / 255
    face = np.clip(2 * (depth - rolled_px) + 0.5, 0, 1).reshape(height, 2, width, 2).mean((1, 3))
    bright = bright * (1 - 0.6 * (covered - face) / np.maximum(covered, 1e-9))
    light = cv2.GaussianBlur(dark + (bright - dark) * covered, (0, 0), blur)
    luma = 255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    planes = np.full((height, width, 3), 128.0)
    planes[..., 0] = luma + noise * np.random.default_rng(3).standard_normal((height, width))
    return np.clip(planes + 0.5, 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def drawing():
    camera = Camera(width_px=640, height_px=640, focal_px=1900)
    wheel = wheel_before(camera, centre=(-4.0, -7.0), thickness=0.01)
    return wheel, drawn(wheel, (640, 640))


def test_the_search_finds_a_wheel_and_its_phase(drawing):
    wheel, planes = drawing
    plane = wheel.plane.moved(centre_mm=np.array([6.0, 4.0]))
    view = view_plane(planes[..., 0], plane, reach_mm=300, step_mm=0.8)
    seed = find(view, FORM)[0]
    assert seed.score > 0.5
    assert np.abs(np.array(seed.centre_mm) - (-6.0, -4.0)).max() < 1.0
    turned = (seed.phase - wheel.phase + FORM.pitch_angle / 2) % FORM.pitch_angle - FORM.pitch_angle / 2
    assert abs(turned) * FORM.pitch_radius_mm < 1.0


def test_an_empty_photo_has_no_place_worth_the_name():
    camera = Camera(width_px=400, height_px=300, focal_px=700)
    grey = np.full((300, 400), 90, np.uint8)
    assert all(s.score < 0.1 for s in find(view_plane(grey, tilted(camera, 0, 0), reach_mm=100, step_mm=0.8), FORM))


@pytest.mark.parametrize("lost", [0.0, 0.5])
def test_edges_are_followed_and_located_where_they_were_drawn(drawing, lost):
    wheel, planes = drawing
    frame = rims(wheel, OUTLINE)
    if lost:  # the nominal outline stands outside the metal by so much
        grown = replace(OUTLINE, points_mm=OUTLINE.points_mm + lost * OUTLINE.normals)
        frame = rims(wheel, grown)
    quality = Optics(blur_px=0.85, noise=(1.5, 0.5, 0.5))
    paths = follow(planes, frame, quality)
    step = 0.5 / wheel.plane.px_per_mm
    assert paths.in_frame.all()
    assert np.median(np.abs(paths.offset_mm + lost)) < 1.5 * step
    assert (np.abs(paths.offset_mm + lost) < 4 * step).mean() > 0.9
    edges = locate(planes, frame, paths, quality, drive_clockwise=True)
    assert not edges.far.any()
    assert len(edges.gap) > 0.9 * paths.offset_mm.size
    flank = OUTLINE.part[edges.place] < 1.5
    error_px = (edges.offset_mm + lost)[flank] * wheel.plane.px_per_mm
    assert abs(np.median(error_px)) < 0.08  # the blur is told 0.05 px too wide
    assert 1.4826 * np.median(np.abs(error_px - np.median(error_px))) < 0.06
    assert np.median(edges.step) < 0  # metal is brighter than what lies behind


@pytest.mark.parametrize(("metal", "ground"), [(140, 205), (225, 205)])
def test_a_shadow_beside_the_metal_does_not_move_its_edge(metal, ground):
    camera = Camera(width_px=640, height_px=640, focal_px=1900)
    wheel = wheel_before(camera, centre=(-4.0, -7.0), thickness=0.01)
    planes = drawn(wheel, (640, 640), metal=metal, ground=ground, shade=0.35)
    frame = rims(wheel, OUTLINE)
    quality = Optics(blur_px=0.85, noise=(1.5, 0.5, 0.5))
    edges = locate(planes, frame, follow(planes, frame, quality), quality, drive_clockwise=True)
    flank = OUTLINE.part[edges.place] < 1.5
    error_px = edges.offset_mm[flank] * wheel.plane.px_per_mm
    assert abs(np.median(error_px)) < 0.2  # taken for level, the ground draws it by 0.48 and by 0.24 px


@pytest.mark.parametrize("levels", [(120, 50, 190), (120, 50, 60), (150, 110, 200), (120, 200, 60)])
@pytest.mark.parametrize("told", [0.8, 1.0, 1.25])
def test_a_near_rim_stands_where_it_is_however_wide_its_wall_is_thought_to_be(levels, told):
    # face, side wall and ground; before a lighter ground the far rim is the clearer of both
    face, wall, ground = linear_light(np.array(levels, np.uint8)).tolist()
    near, width, rows = 30.3, 2.4, np.arange(2, 38)
    x = np.arange(64)
    light = face + (wall - face) * ndtr((x - near) / 0.8) + (ground - wall) * ndtr((x - near - width) / 0.8)
    grey = np.interp(light, linear_light(np.arange(256, dtype=np.uint8)), np.arange(256))
    planes = np.full((40, 64, 3), 128, np.uint8)
    planes[..., 0] = np.rint(grey + np.random.default_rng(0).normal(0, 1.5, (40, 64)))
    n = len(rows)
    lines = Lines(
        base=np.column_stack([np.full(n, 30.0), rows]), unit=np.tile([1.0, 0.0], (n, 1)), start=np.full(n, 0.1),
        wall=np.full(n, told * width), share=np.full(n, 0.5), known=np.zeros(n),
    )  # fmt: skip
    # sampling between pixels adds to the blur that was drawn
    found = place(planes, lines, Optics(blur_px=0.9, noise=(1.5, 0.5, 0.5)), np.ones(n, bool))
    assert len(found.at) == n
    assert abs(np.median(found.at) - (near - 30)) < 0.12  # with its width held: by up to 0.45 px


ROLLED_PX = 1.2


@pytest.fixture(scope="module")
def rolled():
    """Errors in px of edges with a dark line along them, and whether each stands before a dark ground.

    Above, the ground is as light as the metal: nothing but the line is seen there.
    """
    camera = Camera(width_px=640, height_px=640, focal_px=1900)
    wheel = wheel_before(camera, centre=(-4.0, -7.0), thickness=0.01)
    planes = drawn(wheel, (640, 640), metal=150, ground=60, ground_above=150, rolled_px=ROLLED_PX)
    frame = rims(wheel, OUTLINE)
    frame = replace(frame, wall_mm=np.full_like(frame.wall_mm, -1.0))  # no wall can be taken for the line
    quality = Optics(blur_px=0.85, noise=(1.5, 0.5, 0.5))
    paths = follow(planes, frame, quality)

    def errors(line):
        edges = locate(planes, frame, paths, quality, drive_clockwise=True, line=line)
        plain = (OUTLINE.part[edges.place] < 1.5) & (np.abs(edges.px[:, 1] - 320) > 12)
        below = edges.px[plain, 1] > 320
        return edges, edges.offset_mm[plain] * wheel.plane.px_per_mm, below

    return errors


def test_a_line_along_the_rim_is_an_edge_where_metal_and_ground_are_equally_light(rolled):
    first, _, _ = rolled(None)
    _, error_px, dark = rolled(first.line)
    off = error_px[~dark] + ROLLED_PX / 2  # from the line's middle
    assert len(off) > 500
    assert abs(np.median(off)) < 0.15
    # asked for steps alone, nearly all of them stand at the line's inner side, 0.9 px and more away
    assert (np.abs(off) > 0.5).mean() < 0.05


def test_what_is_learnt_of_a_line_says_what_it_does_to_clear_edges(rolled):
    first, drawn_px, dark = rolled(None)
    assert first.line[0] < -0.1
    assert np.abs(first.line[1:]).max() < 0.1  # equally dark all round
    _, error_px, still_dark = rolled(first.line)
    assert np.median(drawn_px[dark]) < -0.9
    assert -0.7 < np.median(error_px[still_dark]) < 0.0


def test_step_evidence_peaks_on_the_step_and_not_on_noise():
    places = np.array([0.0, 3.0, -5.0])
    profiles = erf_profiles(places / 0.5, low=50, high=120, blur=0.9 / 0.5, samples=61, noise=1.0).astype(np.float32)
    evidence = step_evidence(profiles, 0.5, 0.9, 1.0)
    best = (evidence.argmax(1) - 30) * 0.5
    assert np.abs(best - places).max() <= 0.5
    assert evidence.max(1).min() > 0.8
    noise = np.random.default_rng(1).normal(80, 1.0, (50, 61)).astype(np.float32)
    assert step_evidence(noise, 0.5, 0.9, 1.0).max() < 0.25


def test_the_scene_of_these_tests_has_the_part_that_is_asked_for():
    assert Part(chain="520", teeth=15).form.pitch_mm == FORM.pitch_mm
