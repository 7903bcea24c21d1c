"""Files in: what is read, and how what cannot be read is refused."""

import io
import os

import cv2
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from toothcheck.errors import PhotoError
from toothcheck.photo import MAX_SIDE_PX, decode, linear_light, load


def a_photo(kind="JPEG", size=(320, 240), **words):
    rng = np.random.default_rng(1)
    out = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (size[1], size[0], 3), dtype=np.uint8)).save(out, kind, **words)
    return out.getvalue()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"these are words, not a photo", "is not a photo that can be read"),
        (a_photo()[:9000], "damaged or cut off"),
        (a_photo(size=(1, 1)), "too small to measure"),
        (a_photo(size=(1000, 199)), "too small to measure"),
        (a_photo("PNG")[:3000], "damaged or cut off"),
    ],
    ids=["empty", "words", "cut JPEG", "one pixel", "flat", "cut PNG"],
)
def test_what_is_no_photo_is_refused_in_one_line_with_a_remedy(tmp_path, content, said):
    path = tmp_path / "photo.jpg"
    path.write_bytes(content)
    with pytest.raises(PhotoError, match=said) as caught:
        load(path)
    assert caught.value.exit_status == 4
    assert caught.value.hint
    assert "\n" not in str(caught.value)
    assert "photo.jpg" in str(caught.value)


def test_a_heic_of_which_one_byte_is_lost_is_read_or_refused():
    pillow_heif.register_heif_opener()
    out = io.BytesIO()
    Image.new("RGB", (320, 240), "grey").save(out, "HEIF")
    whole, refused = out.getvalue(), 0
    for at in range(16, len(whole)):
        try:
            assert decode(whole[:at] + b"\0" + whole[at + 1 :], "a.heic").colour().shape[2] == 3
        except PhotoError:
            refused += 1
    assert refused > 20


def test_a_photo_whose_exif_block_cannot_be_read_is_read_as_it_lies():
    exif = Image.Exif()
    exif[0x0112] = 6
    photo = a_photo("WEBP", exif=exif.tobytes())
    assert decode(photo, "a").colour().shape == (320, 240, 3)
    assert photo.count(b"MM\0*") == 1
    broken = decode(photo.replace(b"MM\0*", b"MM\0?"), "a")
    assert broken.planes.shape == broken.colour().shape == (240, 320, 3)


def a_palette_with_transparency():
    out = io.BytesIO()
    Image.open(io.BytesIO(a_photo())).convert("P").save(out, "PNG", transparency=bytes(range(256)))
    return out.getvalue()


def an_exif_block_that_is_cut_off():
    exif = Image.Exif()
    exif[0x010E] = "words that are longer than what is left of the block"
    return a_photo(exif=exif.tobytes()[:-20])


@pytest.mark.parametrize("photo", [a_palette_with_transparency(), an_exif_block_that_is_cut_off()], ids=["P", "EXIF"])
def test_pillow_says_nothing_of_its_own_about_a_photo_that_is_read(photo):
    assert decode(photo, "a").colour().shape == (240, 320, 3)  # warnings are errors here


def test_a_name_that_is_no_utf_8_becomes_text_that_can_be_written(tmp_path):
    path = tmp_path / os.fsdecode("Mär.jpg".encode("latin-1"))
    path.write_bytes(a_photo())
    assert load(path).name == "M\N{REPLACEMENT CHARACTER}r.jpg"


def test_no_file_and_a_folder_are_refused(tmp_path):
    with pytest.raises(PhotoError, match="does not exist"):
        load(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match="is a folder"):
        load(tmp_path)


def test_a_photo_above_the_greatest_size_is_refused_before_it_is_decoded():
    # 12000 x 10000 pixels of one bit: a small file
    out = io.BytesIO()
    Image.new("1", (12000, 10000)).save(out, "PNG")
    with pytest.raises(PhotoError, match="120 megapixels"):
        decode(out.getvalue(), "huge.png")


def test_a_photo_far_above_the_greatest_size_is_refused_in_our_words():
    # more than Pillow itself opens
    out = io.BytesIO()
    Image.new("1", (20000, 16000)).save(out, "PNG")
    with pytest.raises(PhotoError) as refused:
        decode(out.getvalue(), "huge.png")
    assert str(refused.value) == "huge.png has far more than the 110 megapixels that are read. Scale it down."


@pytest.mark.parametrize("size", [(32767, 300), (300, 32767)])
def test_a_photo_with_a_longer_side_than_opencv_samples_is_refused(size):
    out = io.BytesIO()
    Image.new("1", size).save(out, "PNG")
    with pytest.raises(PhotoError, match=f"^strip.png is {size[0]} × {size[1]} pixels: no side of more than 32766"):
        decode(out.getvalue(), "strip.png")


def test_the_longest_side_that_is_read_can_be_sampled():
    grey = np.zeros((2, MAX_SIDE_PX), np.uint8)
    at = np.zeros((1, 1), np.float32)
    assert cv2.remap(grey, at, at, cv2.INTER_LINEAR).shape == (1, 1)


@pytest.mark.parametrize("mode", ["L", "P", "RGBA", "CMYK", "I;16", "LA"])
def test_other_kinds_of_pixels_are_read(mode):
    grey = np.tile(np.linspace(20, 230, 300).astype(np.uint8), (220, 1))
    if mode == "I;16":
        image = Image.fromarray(grey.astype(np.uint16) * 257)
    else:
        image = Image.fromarray(grey).convert(mode)
    out = io.BytesIO()
    image.save(out, "TIFF" if mode == "CMYK" else "PNG")
    photo = decode(out.getvalue(), "a")
    assert photo.planes.shape == (220, 300, 3)
    assert not photo.planes.flags.writeable
    assert np.abs(photo.grey.astype(int) - grey).max() <= 4
    assert np.abs(photo.planes[..., 1:].astype(int) - 128).max() <= 4


@pytest.mark.parametrize("marked", [True, False], ids=["Adobe's marker", "names alone"])
def test_a_jpeg_that_is_stored_as_rgb_is_read(marked):
    photo = a_photo(keep_rgb=True, quality=100)
    at = photo.index(b"Adobe") - 4  # FF EE and a length that counts itself (ITU-T T.81, B.1.1.4)
    if not marked:
        photo = photo[:at] + photo[at + 2 + int.from_bytes(photo[at + 2 : at + 4], "big") :]
    as_it_is = np.asarray(Image.open(io.BytesIO(a_photo("PNG"))).convert("RGB")).astype(int)
    read = decode(photo, "a.jpg")
    assert np.abs(read.colour() - as_it_is).max() <= 4
    assert np.abs(read.grey - as_it_is @ [0.299, 0.587, 0.114]).max() <= 4  # BT.601


def test_floating_point_numbers_are_refused_not_taken_for_black():
    out = io.BytesIO()
    Image.fromarray(np.tile(np.linspace(0, 1, 300, dtype=np.float32), (220, 1))).save(out, "TIFF")
    with pytest.raises(PhotoError, match=r"^a.tif holds floating-point numbers.*8 or 16 bits"):
        decode(out.getvalue(), "a.tif")


def test_a_reduced_photo_knows_where_its_pixels_stood():
    photo = decode(a_photo("PNG", size=(800, 600)), "a.png")
    fewer = photo.reduced(0.4)
    assert (fewer.width_px, fewer.height_px) == (320, 240)
    assert fewer.loaded_px == (800, 600)
    # the middle of the first pixel is the middle of the 2.5 x 2.5 that it covers: pixel centres at whole numbers
    np.testing.assert_allclose(fewer.as_loaded(np.array([[0.0, 0.0]])), [[0.75, 0.75]])
    at = np.array([[12.0, 30.5], [799.0, 0.0]])
    np.testing.assert_allclose(fewer.as_loaded(fewer.from_loaded(at)), at)
    np.testing.assert_allclose(photo.as_loaded(at), at)
    assert fewer.colour().shape == (240, 320, 3)
    block = photo.planes[:5, :5].astype(float)
    assert np.abs(fewer.planes[0, 0] - block[:2, :2].mean((0, 1))).max() <= np.ptp(block) / 2 + 1


def test_focal_length_is_believed_only_where_it_makes_sense():
    for written, want in ((26, (26,)), (0, ()), (5000, ())):
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0xA405] = written
        assert decode(a_photo(exif=exif.tobytes()), "a").focals_35mm == want
    assert decode(a_photo(), "a").focals_35mm == ()


def test_a_digital_zoom_leaves_two_focal_lengths_possible():
    # EXIF 2.32: DigitalZoomRatio (0xA404) 0 is "not used"; whether 0xA405 counts it in, cameras answer differently
    for zoom, want in ((2.5, (26, 65)), (1.0, (26,)), (0.0, (26,)), (float("nan"), (26,))):
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0xA405] = 26
        exif.get_ifd(0x8769)[0xA404] = zoom
        assert decode(a_photo(exif=exif.tobytes()), "a").focals_35mm == pytest.approx(want)


def test_light_of_grey_values_is_the_srgb_curve():
    # IEC 61966-2-1: 0.5 encoded is 0.2140 linear; 0.04045 is where the straight part ends (0.00313)
    light = linear_light(np.array([0, 255, 128, 10], np.uint8)) / 255
    assert light[:2].tolist() == [0, 1]
    assert light[2] == pytest.approx(((128 / 255 + 0.055) / 1.055) ** 2.4, rel=1e-5)
    assert light[2] == pytest.approx(0.2159, abs=2e-4)
    assert light[3] == pytest.approx(10 / 255 / 12.92, rel=1e-5)
