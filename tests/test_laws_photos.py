"""The same laws from the photo on: small made photos of one worn sprocket, seen in several ways."""

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image
from scenes import worn_front

from toothcheck.chains import chain
from toothcheck.inspection import Claim, inspect
from toothcheck.photo import decode
from toothcheck.synthetic import encode, handled, make_pair, make_photo, set_stage

MEASURES = ("drive_loss_mm", "coast_loss_mm", "thickness_mm", "asymmetry_percent", "tip_thickness_mm", "overhang_mm")
SCENE = worn_front(teeth=13, blend=0.45, depth_mm=0.6, scatter=0.15, size_px=(1600, 1200), seed=3)


def inspected(encoded, *, turning=SCENE.turning, height=0.0):
    claim = Claim(
        chain=chain("520"), teeth=13, position="front", turning=turning, card_height_mm=height, thickness_mm=5.9
    )
    return inspect(decode(encoded, "made.png"), claim)


def png(picture):
    return encode(picture, "png", focal_35mm=50)


def teeth_by_place(inspection, move=lambda xy: xy):
    """Teeth by where their tips stand in the photo, moved into the first photo's pixels."""
    wear = inspection.wear
    tips = {t["index"]: move(np.array(t["tip_px"])) for t in inspection.document()["teeth"]}
    return [(tips[t.index], t) for t in wear.teeth]


def pairs(first, second, move=lambda xy: xy):
    there = teeth_by_place(second, move)
    for at, tooth in teeth_by_place(first):
        distance, other = min(((float(np.hypot(*(at - b))), t) for b, t in there), key=lambda d: d[0])
        assert distance < 12, "a tooth has moved"
        yield tooth, other


def agree(first, second, *, stds, move=lambda xy: xy, slips=0):
    """Teeth measured in both agree within so many stated uncertainties, ``slips`` values apart."""
    over, compared = [], 0
    for a, b in pairs(first, second, move):
        if not (a.measured and b.measured):
            continue
        for name in MEASURES:
            x, y = getattr(a, name), getattr(b, name)
            if x is not None and y is not None:
                compared += 1
                if abs(x.value - y.value) > stds * max(x.std, y.std):
                    over.append((a.index, name, x, y))
    assert compared >= 6 * len(MEASURES)
    assert len(over) <= slips, over


@pytest.fixture(scope="module")
def made():
    return make_photo(SCENE)


@pytest.fixture(scope="module")
def quarter(made):
    """Every second row and column: enough for what loading does to a photo."""
    return np.ascontiguousarray(made.picture[::2, ::2])


@pytest.fixture(scope="module")
def base(made):
    return inspected(png(made.picture))


def test_the_photo_shows_what_was_made(made, base):
    # our own arithmetic on the outline that the picture was drawn from
    truth = made.truth
    assert sum(t.measured for t in base.wear.teeth) >= 11
    assert abs(base.wear.asymmetry_percent.value - truth["true_asymmetry_percent"]) < 2
    errors = []
    for (x, y), tooth in teeth_by_place(base):
        i = int(np.argmin(np.hypot(*(np.array(truth["tip_px"]) - (x, y)).T)))
        if tooth.measured:
            lost = truth["teeth_truth"][i]["drive_loss_pitch"]
            errors.append((tooth.drive_loss_mm.value - lost) / tooth.drive_loss_mm.std)
    assert np.sqrt(np.mean(np.square(errors))) < 2


def test_covering_a_tooth_takes_it_away_and_adds_only_flags(made, base):
    place, hidden = next((p, t) for p, t in teeth_by_place(base) if t.measured)
    picture = made.picture.copy()
    yy, xx = np.mgrid[: picture.shape[0], : picture.shape[1]]
    middle = np.mean([p for p, _ in teeth_by_place(base)], axis=0)
    along = (place - middle) / np.hypot(*(place - middle))
    u = (xx - place[0]) * along[0] + (yy - place[1]) * along[1]
    v = (xx - place[0]) * -along[1] + (yy - place[1]) * along[0]
    plate = (np.abs(u) < 75) & (np.abs(v) < 60)
    rng = np.random.default_rng(4)
    picture[plate] = np.clip(70 + rng.normal(0, 3, (int(plate.sum()), 3)), 0, 255).astype(np.uint8)
    after = inspected(png(picture))
    for a, b in pairs(base, after):
        if a is hidden:
            assert not b.measured
            assert b.flags
            assert b.drive_loss_mm is None
        elif not b.measured:
            assert b.flags
    lost = [a.index for a, b in pairs(base, after) if a.measured and not b.measured]
    n = len(base.wear.teeth)
    assert set(lost) <= {(hidden.index + k) % n for k in (-1, 0, 1)}
    assert set(base.flags) <= set(after.flags)
    agree(base, after, stds=1.0)


def test_a_mirrored_photo_is_noticed_by_its_card(made):
    # AprilTag 36h11 holds no mirror image of its own codes: the card cannot be read, and the photo says so
    # (that the numbers themselves mirror is a law of the judging, held on rings)
    other = inspected(png(made.picture[:, ::-1].copy()), turning="counterclockwise")
    assert other.card is None
    assert "mirrored" in other.flags
    assert other.verdict.grade == "cannot-tell"


@pytest.mark.parametrize(("tilt_deg", "graded"), [(36, True), (56, False)])
def test_what_the_photo_is_short_of_is_said_after_the_wear_and_before_a_refusal_for_it(tilt_deg, graded):
    photo = make_photo(replace(SCENE, tilt_deg=tilt_deg))
    seen = inspected(png(photo.picture))
    fault = [i for i, reason in enumerate(seen.verdict.reasons) if "from the side" in reason]
    assert len(fault) == 1
    assert (seen.verdict.grade != "cannot-tell") is graded
    assert fault[0] == (len(seen.verdict.reasons) - 1 if graded else 0)


def with_orientation(picture, orientation):
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif.get_ifd(0x8769)[41989] = 50
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "PNG", exif=exif)
    return out.getvalue()


def test_a_photo_turned_by_its_exif_orientation_is_the_same_photo(quarter):
    # EXIF 2.32, tag 0x0112: 6 is to be turned clockwise by a quarter, 3 by a half, 8 counterclockwise by a quarter
    upright = decode(png(quarter), "a.png")
    for orientation, quarters in ((6, 1), (3, 2), (8, 3)):
        photo = decode(with_orientation(np.rot90(quarter, quarters).copy(), orientation), "a.png")
        assert np.array_equal(photo.planes, upright.planes)
        assert photo.focals_35mm == upright.focals_35mm == (50,)


def test_a_photo_held_upright_gives_the_same_numbers(made, base):
    width = made.picture.shape[1]
    # turned by a quarter counterclockwise: (x, y) goes to (y, width - 1 - x)
    other = inspected(png(np.rot90(made.picture).copy()))
    agree(base, other, stds=1.0, move=lambda xy: np.array([width - 1 - xy[1], xy[0]]))


def test_all_file_kinds_load_alike(quarter):
    plain = decode(png(quarter), "a.png")
    out = io.BytesIO()
    Image.fromarray(quarter).save(out, "TIFF")
    assert np.array_equal(decode(out.getvalue(), "a.tif").planes, plain.planes)
    for kind in ("jpg", "webp", "heic"):
        photo = decode(encode(quarter, kind, focal_35mm=50, quality=95), f"a.{kind}")
        assert photo.planes.shape == plain.planes.shape
        assert photo.focals_35mm == (50,)
        d = photo.planes.astype(int) - plain.planes
        assert np.abs(d.mean((0, 1))).max() < 1
        assert np.sqrt((d[..., 0] ** 2).mean()) < 5


def test_half_the_resolution_moves_nothing_by_more_than_two_stated_uncertainties(base):
    half = make_photo(replace(SCENE, size_px=(800, 600)))
    small = inspected(png(half.picture))
    # one value in twenty may stand outside: 78 at most are compared
    agree(base, small, stds=2.0, move=lambda xy: 2 * xy + 0.5, slips=4)
    assert abs(small.wear.asymmetry_percent.value - base.wear.asymmetry_percent.value) < 2 * max(
        small.wear.asymmetry_percent.std, base.wear.asymmetry_percent.std
    )


def test_a_photo_enlarged_beyond_what_it_shows_gives_the_same_numbers(made, base):
    # as of a sensor with more pixels than its lens resolves; no pixel tells more than before
    size = 4000, 3000
    large = decode(png(np.asarray(Image.fromarray(made.picture).resize(size, Image.Resampling.BICUBIC))), "made.png")
    # a place that is told is one in the photo as loaded
    near = 2.5 * np.array(base.document()["teeth"][0]["tip_px"])
    large = inspect(large, replace(base.claim, near_px=(float(near[0]), float(near[1]))))
    assert large.photo.width_px < 0.8 * size[0]
    assert sum(t.measured for t in large.wear.teeth) >= sum(t.measured for t in base.wear.teeth) - 1
    assert large.verdict.grade == base.verdict.grade
    agree(base, large, stds=1.0, move=lambda xy: (xy + 0.5) / 2.5 - 0.5, slips=4)
    told = large.document()
    assert (told["photo"]["width_px"], told["photo"]["height_px"]) == size
    assert told["scale"]["px_per_mm"] == pytest.approx(2.5 * base.document()["scale"]["px_per_mm"], rel=0.002)
    assert large.photo.colour().shape == large.photo.planes.shape  # what outlines are drawn on


@pytest.mark.parametrize("height", [4.0])
def test_a_card_out_of_plane_by_a_told_height_changes_nothing(base, height):
    lifted = make_photo(replace(SCENE, card_lift_mm=height, card_lift_told_mm=height))
    other = inspected(png(lifted.picture), height=height)
    agree(base, other, stds=2.0, slips=2)


def test_a_photo_without_its_focal_length_gives_the_same_numbers(made, base):
    # messengers and screenshots drop it; the photo was taken at 50 mm, twice what a phone's first lens has
    other = inspected(encode(made.picture, "png", focal_35mm=None))
    assert other.photo.focals_35mm == ()
    assert other.verdict.grade == base.verdict.grade
    assert set(other.flags) == set(base.flags)
    agree(base, other, stds=1.0, slips=4)


@pytest.mark.parametrize("handling", ["cut", "cut, focal length lost", "straightened"])
def test_a_photo_cut_or_straightened_gives_the_same_numbers(made, base, handling):
    # what is left still shows the whole card and all teeth; the lens's axis is far from its middle
    file = handled(made, set_stage(SCENE), handling, quality=98)
    other = inspected(file.encoded)
    assert made.picture.shape[1] - other.photo.grey.shape[1] > 0.12 * made.picture.shape[1]
    # the principal point counts among what is not known of the lens
    assert other.card_pose.freedoms == base.card_pose.freedoms + 2
    assert other.verdict.grade == base.verdict.grade
    assert set(other.flags) == set(base.flags)
    back, _ = cv2.findHomography(np.array(file.truth["tip_px"]), np.array(made.truth["tip_px"]))

    def move(xy):
        return cv2.perspectiveTransform(np.reshape(xy, (-1, 1, 2)).astype(float), back).reshape(np.shape(xy))

    agree(base, other, stds=1.0, move=move, slips=4)


def test_wear_of_every_second_tooth_is_recognised_in_the_photo(base):
    part = replace(SCENE.part, teeth=14, wear=replace(SCENE.part.wear, scatter=0.03, alternate=0.6))
    made = make_photo(replace(SCENE, part=part, size_px=(1200, 900)))
    claim = Claim(
        chain=chain("520"), teeth=14, position="front", turning=SCENE.turning, card_height_mm=0.0, thickness_mm=5.9
    )
    seen = inspect(decode(png(made.picture), "made.png"), claim)
    assert seen.document()["wear"]["pattern"] == "alternate-teeth"
    assert any("Every second tooth" in r for r in seen.verdict.reasons)
    drive = [made.truth["teeth_truth"][i]["drive_loss_pitch"] for i in range(14)]
    half = abs(np.mean(drive[::2]) - np.mean(drive[1::2])) / 2
    size = seen.patterns[0].size
    assert abs(size.value - half) < 3 * size.std
    # the sprocket whose teeth wear alike has none
    assert base.document()["wear"]["pattern"] is None


def test_a_fine_photo_is_looked_at_once_more_where_metal_is_as_light_as_paper():
    """12 megapixels, 12 px/mm, ground steel on a mat: of half of the teeth the edges are lost in grain at first.

    The truth is measured on the made outline: an unworn part, whose drive flanks have lost nothing.
    """
    scene = make_pair(np.random.default_rng([1, 100, 0]), "mat", size_px=(4032, 3024))[0]
    made = make_photo(scene)
    claim = Claim(
        chain=chain("428"), teeth=36, position="rear", turning=scene.turning, card_height_mm=scene.card_lift_told_mm
    )
    file = encode(made.picture, "jpg", focal_35mm=made.focal_35mm, quality=scene.sensor.jpeg_quality)
    seen = inspect(decode(file, "made.jpg"), claim)
    assert all(t["drive_loss_pitch"] == 0 for t in made.truth["teeth_truth"])
    measured = [t for t in seen.wear.teeth if t.measured]
    assert len(measured) > 30
    assert seen.verdict.grade == "good"
    assert all(abs(t.drive_loss_mm.value) < 1.96 * t.drive_loss_mm.std for t in measured)
    # what is drawn and written is in the photo's own pixels
    tips = np.array([t["tip_px"] for t in seen.document()["teeth"]])
    assert np.max(np.min(np.hypot(*(tips[:, None] - np.array(made.truth["tip_px"])).T), axis=0)) < 12
