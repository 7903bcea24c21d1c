"""``toothcheck synthetic``: what it writes, and how it fails."""

import io
import json
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image
from typer.testing import CliRunner

from toothcheck.cli import app
from toothcheck.cli.output import check_replaceable
from toothcheck.errors import OutputError, UsageError
from toothcheck.marks import MADE_SIGNS
from toothcheck.photo import load
from toothcheck.synthetic import encode, set_stage, truth_of
from toothcheck.synthetic.samples import inspect_words, samples

runner = CliRunner()

# what score.py and the photos' own README ask for
FIELDS = {
    "tier", "card", "card_present", "chain", "pitch", "roller", "teeth", "position", "thickness", "drive_flank_is",
    "visible", "tip_px", "centre_px", "teeth_truth", "seat_blend", "tip_blend", "card_lift_told", "card_lift_true",
    "tilt", "distance", "f35", "k1", "mm_per_px", "blur", "grime", "level", "family",
}  # fmt: skip
MEASURES = {
    "pitch_thickness", "pitch_thickness_ideal", "drive_loss_pitch", "coast_loss_pitch", "tip_thickness",
    "tip_thickness_ideal", "overhang", "hollow", "drive_loss_max", "tip_radius",
}  # fmt: skip


def run(*words):
    return runner.invoke(app, ["synthetic", *words])


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "heic"])
def test_every_kind_of_file_carries_the_focal_length(kind):
    picture = np.full((48, 64, 3), 120, np.uint8)
    picture[:, :20] = 30
    pillow_heif.register_heif_opener()
    image = Image.open(io.BytesIO(encode(picture, kind, focal_35mm=28)))
    assert image.getexif().get_ifd(0x8769)[41989] == 28
    assert np.abs(np.asarray(image.convert("RGB")).astype(int) - picture).mean() < 4


def test_photos_are_written_with_their_truth_and_the_same_again(tmp_path):
    words = ("--tier", "hand", "--count", "1", "--seed", "7", "--size", "320x240")
    for name in ("one", "two"):
        assert run("--out", str(tmp_path / name), *words).exit_code == 0
    files = sorted(p.name for p in (tmp_path / "one").iterdir())
    assert files == ["hand_0007_000.jpg", "hand_0007_000.json"]
    for name in files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    assert run("--out", str(tmp_path / "one"), *words).exit_code == 0  # its own is replaced
    truth = json.loads((tmp_path / "one" / "hand_0007_000.json").read_text())
    assert set(truth) >= FIELDS
    assert len(truth["teeth_truth"]) == len(truth["tip_px"]) == truth["teeth"]
    assert all(set(t) == MEASURES for t in truth["teeth_truth"])
    photo = load(tmp_path / "one" / "hand_0007_000.jpg")
    assert photo.focals_35mm == (truth["f35"],)


def test_pairs_and_wrong_claims_say_what_they_are(tmp_path):
    assert run("pairs", "--out", str(tmp_path), "--size", "240x180", "--different").exit_code == 0
    assert [p.name for p in sorted(tmp_path.glob("*.jpg"))] == ["bench_0000_000_one.jpg", "bench_0000_000_two.jpg"]
    one, two = (json.loads(p.read_text()) for p in sorted(tmp_path.glob("*.json")))
    assert one["same_part"] is False
    assert any(one[k] != two[k] for k in ("bore", "holes", "hole_circle", "teeth"))
    assert run("wrong", "--out", str(tmp_path / "w"), "--count", "1", "--size", "240x180").exit_code == 0
    (made,) = (tmp_path / "w").glob("*.json")
    truth = json.loads(made.read_text())
    assert truth["fault"] == "teeth"
    assert truth["claim"]["teeth"] != truth["teeth"]


@pytest.mark.parametrize(
    ("words", "error", "said"),
    [
        ((), UsageError, "--out"),
        (("--out", "x", "--tier", "garage"), UsageError, "--tier"),
        (("--out", "x", "--size", "big"), UsageError, "--size"),
        (("--out", "x", "--size", "40000x40000"), UsageError, "--size"),
        (("--out", "x", "--format", "bmp"), UsageError, "--format"),
        (("--out", "file/x"), OutputError, "file/x"),
        (("samples",), UsageError, "--out"),
        (("samples", "--out", "x", "--only", "kestrel-rear"), UsageError, "--only"),
    ],
)
def test_wrong_words_end_in_one_sentence_and_write_nothing(tmp_path, monkeypatch, words, error, said):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").write_text("in the way")
    result = run(*words)
    assert isinstance(result.exception, error)
    assert result.exception.exit_status == 2
    assert said in str(result.exception)
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


OUTPUTS = {
    "photos": ((), "bench_0003_000.jpg"),
    "a kind of file": (("--format", "heic", "--tier", "all"), "mat_0003_000.heic"),
    "pairs": (("pairs",), "bench_0003_000_worn.json"),
    "wrong": (("wrong", "--count", "2"), "pitch_0003_001.jpg"),
    "chain": (("chain",), "chain_0003_000.json"),
    "samples": (("samples", "--only", "kestrel-front-mat"), "kestrel-front-mat.png"),
    "the set's index": (("samples",), "README.md"),
}


@pytest.mark.parametrize("what", OUTPUTS)
def test_a_file_that_is_not_its_own_is_refused_before_anything_is_drawn(tmp_path, monkeypatch, what):
    words, name = OUTPUTS[what]
    for draws in ("make_photo", "random_scene", "make_pair", "random_wrong_claim", "chainrun.any_run"):
        monkeypatch.setattr(f"toothcheck.synthetic.{draws}", lambda *_, **__: pytest.fail("drawn for nothing"))
    (tmp_path / name).write_bytes(b"mine")
    seed = () if words[:1] == ("samples",) else ("--seed", "3")
    result = run(*words, "--out", str(tmp_path), *seed)
    assert isinstance(result.exception, OutputError)
    assert str(result.exception) == (
        f"--out: {tmp_path / name} is there already, and does not look like anything that toothcheck wrote. "
        "Give another name, or remove it first."
    )
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [(name, b"mine")]


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "heic"])
def test_made_photos_are_known_again_and_a_camera_s_are_not(tmp_path, kind):
    picture, target = np.full((48, 64, 3), 120, np.uint8), tmp_path / f"photo.{kind}"
    pillow_heif.register_heif_opener()
    target.write_bytes(encode(picture, kind, focal_35mm=28))
    check_replaceable("--out:", target, MADE_SIGNS)
    for tags in ({0x8769: {41989: 28, 33434: 0.01}}, {271: "Invented", 0x8769: {41989: 28}}, {}):  # exposure; make
        exif = Image.Exif()
        exif.get_ifd(0x8769).update(tags.pop(0x8769, {}))
        exif.update(tags)
        Image.fromarray(picture).save(target, exif=exif.tobytes())
        with pytest.raises(OutputError, match="is there already"):
            check_replaceable("--out:", target, MADE_SIGNS)


def test_bundled_set_may_be_made_again():
    for file in BUNDLED.iterdir():
        if file.is_file():
            check_replaceable("--out:", file, MADE_SIGNS)


def test_bundled_set_covers_what_it_should():
    bundled = samples()
    parts = [s.scene.part for s in bundled]
    assert len(bundled) >= 13
    assert len({s.name for s in bundled}) == len(bundled)
    assert {p.position for p in parts} == {"front", "rear"}
    assert {"heic", "png", "jpg"} <= {s.kind for s in bundled}
    assert any(s.scene.card is None for s in bundled)
    assert any(s.scene.chain_teeth for s in bundled)
    assert {"mat-a4", "mat-letter", "pocket"} <= {s.scene.card for s in bundled}
    for sample in bundled:
        if "Letter" in sample.story:
            assert sample.scene.card == "mat-letter"
        if "A4" in sample.story:
            assert sample.scene.card == "mat-a4"
    assert all(f"inspect {s.name}.{s.kind} --chain {s.scene.part.chain}" in inspect_words(s) for s in bundled)


BUNDLED = Path(__file__).parent.parent / "sample_images_synthetic"


def test_bundled_files_are_those_of_the_scenes_and_small():
    want = {f"{s.name}.{s.kind}" for s in samples()} | {f"{s.name}.json" for s in samples()} | {"README.md"}
    # folders beside them hold other invented things: pictures for README, an exercise's results, a pair
    assert {p.name for p in BUNDLED.iterdir() if p.is_file()} == want
    assert sum(p.stat().st_size for p in BUNDLED.rglob("*") if p.is_file()) < 12e6


@pytest.mark.parametrize("name", ["harbour-front-worn", "kestrel-front-mat"])
def test_bundled_truth_is_what_the_scene_says_today(name):
    # regression pin: if this moves, `toothcheck synthetic samples` must be run again
    sample = next(s for s in samples() if s.name == name)
    kept = json.loads((BUNDLED / f"{name}.json").read_text())
    now = truth_of(sample.scene, set_stage(sample.scene))
    assert kept["visible"] == now["visible"]
    assert np.allclose(kept["tip_px"], now["tip_px"], atol=0.01)
    for a, b in zip(kept["teeth_truth"], now["teeth_truth"], strict=True):
        assert a == pytest.approx(b, abs=1e-4)


def test_one_photo_of_the_set_leaves_the_others_and_their_index_alone(tmp_path):
    (tmp_path / "README.md").write_text("the set's own")
    result = run("samples", "--out", str(tmp_path), "--only", "kestrel-rear-new", "--size", "160x160")
    assert result.exit_code == 0
    assert {p.name for p in tmp_path.iterdir()} == {"README.md", "kestrel-rear-new.jpg", "kestrel-rear-new.json"}
    assert (tmp_path / "README.md").read_text() == "the set's own"


def test_the_index_of_the_bundled_set_names_every_photo_and_its_command():
    index = (BUNDLED / "README.md").read_text()
    for sample in samples():
        assert f"`{sample.name}.{sample.kind}`" in index
        assert inspect_words(sample) in index
