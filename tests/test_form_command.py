"""``toothcheck form``: the sheet, its JSON, and the drawings read back."""

import json
import math
import re
from xml.etree import ElementTree

import ezdxf
import ezdxf.path
import numpy as np
import pytest
from ezdxf import units

from toothcheck.chains import chain
from toothcheck.geometry import rotated
from toothcheck.toothform import AsmeForm, IsoForm, form_sheet

SVG = "{http://www.w3.org/2000/svg}"


def wheel(name, teeth, blend=0.5):
    size = chain(name)
    return IsoForm(pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=teeth, blend=blend)


def off_outline_mm(form, points):
    """How far points lie off the outline of a form whose gap 0 stands at +y."""
    gap = np.round(np.arctan2(points[:, 0], points[:, 1]) / form.pitch_angle)
    local = np.stack([rotated(p, k * form.pitch_angle) for p, k in zip(points, gap, strict=True)])
    return np.abs(form.metal_depth_mm(local))


def test_sheet_shows_the_published_numbers(run):
    status, out, err = run("form", "--chain", "10B", "--teeth", 17)
    assert (status, err) == (0, "")
    # Chiaravalli chain wheel catalogue, May 2002, 10B table: pitch circle 86.39, tip circle 93.0
    assert re.search(r"Pitch circle +d +86\.39$", out, re.M)
    least, most = (float(re.search(rf"Tip circle, {w} .* (\S+)$", out, re.M)[1]) for w in ("least", "greatest"))
    assert least < 93.0 < most
    assert "ISO 606, chain 10B, 17 teeth" in out


def test_sheet_says_what_is_uncertain(run):
    _, out, _ = run("form", "--chain", "520", "--teeth", 17)
    text = " ".join(out.split())
    assert "Do not take the root as a reference" in text
    assert "makers choose any diameter from" in text
    # own arithmetic: the maximum form of this wheel is pointed when new
    assert "flanks meet inside the drawn tip circle of 93.35 mm, at 92.86 mm (maximum)" in text
    assert "They are no wear limit" in text


def test_cycle_chain_is_said_to_be_from_memory(run):
    _, out, _ = run("form", "--chain", "cycle-1/8", "--teeth", 17)
    assert "from memory" in " ".join(out.split())


def test_json_stands_alone_on_stdout_and_agrees_with_the_forms(run):
    status, out, _ = run("form", "--chain", "520", "--teeth", 15, "--json", "-")
    document = json.loads(out)
    assert status == 0
    assert document["schema"] == "toothcheck/form/1"
    assert document["pitch_diameter_mm"] == pytest.approx(15.875 / math.sin(math.pi / 15), abs=1e-4)
    assert [f["name"] for f in document["forms"]] == ["minimum", "middle", "maximum"]
    for entry, blend in zip(document["forms"], (0, 0.5, 1), strict=True):
        form = wheel("520", 15, blend)
        assert entry["blend"] == blend
        assert entry["seat_radius_mm"] == pytest.approx(form.seat_radius_mm, abs=1e-4)
        assert entry["seat_angle_deg"] == pytest.approx(140 - 90 / 15 - 20 * blend, abs=1e-4)
        assert entry["thickness_mm"] == pytest.approx(2 * form.half_thickness_mm(form.pitch_radius_mm), abs=1e-4)
    assert all(note.endswith(".") for note in document["notes"])


def test_json_into_a_file(run, tmp_path):
    _, out, _ = run("form", "--chain", "520", "--teeth", 15, "--blend", 0.25, "--json", tmp_path / "a.json")
    document = json.loads((tmp_path / "a.json").read_text())
    assert document["forms"][1]["blend"] == 0.25
    assert "blend 0.25" in out
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]


def test_asme_json_has_the_standard_s_letters(run):
    _, out, _ = run("form", "--chain", "16A", "--teeth", 28, "--standard", "asme", "--json", "-")
    (form,) = json.loads(out)["forms"]
    # GEARS educational design sheet has A 37.1429 and B 16.0 for 28 teeth
    assert form["seat_half_angle_deg"] == pytest.approx(37.1429, abs=6e-5)
    assert form["working_angle_deg"] == pytest.approx(16.0)
    assert "blend" not in form


@pytest.mark.parametrize(
    ("words", "forms"),
    [
        (
            ["--chain", "520", "--teeth", "15"],
            {
                "OUTLINE_MINIMUM": wheel("520", 15, 0),
                "OUTLINE": wheel("520", 15),
                "OUTLINE_MAXIMUM": wheel("520", 15, 1),
            },
        ),
        (["--chain", "428", "--teeth", "45", "--blend", "0.3"], {"OUTLINE": wheel("428", 45, 0.3)}),
        (["--chain", "520", "--teeth", "17"], {"OUTLINE_MAXIMUM": wheel("520", 17, 1)}),  # pointed
        (
            ["--chain", "12A", "--teeth", "9", "--standard", "asme"],
            {"OUTLINE": AsmeForm(pitch_mm=19.05, roller_diameter_mm=11.91, teeth=9)},
        ),
    ],
)
def test_dxf_read_back_is_in_mm_and_lies_on_the_form(run, tmp_path, words, forms):
    target = tmp_path / "wheel.dxf"
    status, out, _ = run("form", *words, "--dxf", target)
    assert status == 0
    assert f"Wrote {target}" in out
    drawing = ezdxf.readfile(target)
    assert not drawing.audit().errors
    assert drawing.units == units.MM
    outlines = {e.dxf.layer: e for e in drawing.modelspace().query("LWPOLYLINE")}
    for layer, form in forms.items():
        polyline = outlines[layer]
        assert polyline.closed
        points = np.array([(v.x, v.y) for v in ezdxf.path.make_path(polyline).flattening(0.001)])
        assert len(points) > 10 * form.teeth
        assert off_outline_mm(form, points).max() < 0.002
        radius = np.hypot(*points.T)
        assert radius.max() == pytest.approx(form.tip_radius_mm, abs=1e-6)
        assert radius.min() == pytest.approx(form.seat_centre_radius_mm - form.seat_radius_mm, abs=0.002)
    (circle,) = drawing.modelspace().query("CIRCLE")
    assert circle.dxf.radius == pytest.approx(next(iter(forms.values())).pitch_radius_mm)
    bar = max(
        (e.dxf.start.distance(e.dxf.end) for e in drawing.modelspace().query("LINE") if e.dxf.layer == "NOTES"),
    )
    assert bar == 50


def svg_paths_mm(root):
    """Points of all paths of an SVG in mm: absolute and relative moves, lines and Bézier curves."""
    width, unit = re.fullmatch(r"([\d.]+)(mm)", root.get("width")).groups()
    assert unit == "mm"
    scale = float(width) / float(root.get("viewBox").split()[2])
    for path in root.iter(f"{SVG}path"):
        at, points = np.zeros(2), []
        for command, numbers in re.findall(r"([a-zA-Z])([^a-zA-Z]*)", path.get("d")):
            xy = np.array(numbers.split(), dtype=float).reshape(-1, 2)
            if command in "Mml":
                for step in xy:
                    at = step if command == "M" else at + step
                    points.append(at)
            elif command == "c":
                for a, b, c in xy.reshape(-1, 3, 2):
                    t = np.linspace(0, 1, 9)[1:, None]
                    points.extend(at + 3 * t * (1 - t) ** 2 * a + 3 * t**2 * (1 - t) * b + t**3 * c)
                    at = at + c
            else:
                raise AssertionError(command)
        yield np.array(points) * scale


@pytest.mark.parametrize("teeth", [11, 52])
def test_words_in_an_svg_are_as_large_on_every_wheel(run, tmp_path, teeth):
    run("form", "--chain", "520", "--teeth", teeth, "--svg", tmp_path / "wheel.svg")
    root = ElementTree.parse(tmp_path / "wheel.svg").getroot()
    (group,) = (g for g in root.iter(f"{SVG}g") if g.find(f"{SVG}text") is not None)
    scale = float(re.fullmatch(r"scale\(([\d.e+]+)\)", group.get("transform"))[1])
    units_per_mm = float(root.get("viewBox").split()[2]) / float(root.get("width").removesuffix("mm"))
    for text in group:
        size = float(text.get("font-size"))
        assert size < 10_000  # the most that Chromium draws
        assert size * scale / units_per_mm == pytest.approx(9 / 72 * 25.4, rel=0.02)  # 9 points


def test_svg_read_back_has_real_size_and_lies_on_the_form(run, tmp_path):
    run("form", "--chain", "520", "--teeth", 15, "--svg", tmp_path / "wheel.svg")
    root = ElementTree.parse(tmp_path / "wheel.svg").getroot()
    paths = list(svg_paths_mm(root))
    forms = [wheel("520", 15, blend) for blend in (0, 0.5, 1)]
    reach = max(form.tip_radius_mm for form in forms)
    width, height = (float(root.get(side)[:-2]) for side in ("width", "height"))
    assert min(width, height) > 2 * reach + 20  # a margin all round
    centre = np.array([width / 2, 10 + reach])
    wheels = [p for p in paths if np.ptp(p[:, 0]) > 1.9 * reach]
    assert len(wheels) == 3
    for form in forms:
        assert min(off_outline_mm(form, (p - centre) * [1, -1]).max() for p in wheels) < 0.004
    across = [np.ptp(p[:, 0]) for p in paths if np.ptp(p[:, 1]) < 1e-6 and p[:, 1].min() > centre[1] + 40]
    assert max(across) == pytest.approx(50, abs=0.001)
    words = " ".join(t.text for t in root.iter(f"{SVG}text"))
    assert "chain 520, 15 teeth" in words
    assert root.find(f"{SVG}title").text.startswith("ISO 606, chain 520, 15 teeth")


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["--chain", "520", "--teeth", "0"], "--teeth must lie between 7 and 150, not 0"),
        (["--chain", "520", "--teeth", "400"], "--teeth must lie between 7 and 150, not 400"),
        (["--chain", "5200", "--teeth", "15"], "--chain must be one of 415, .*, not '5200'"),
        (["--chain", "520", "--teeth", "15", "--blend", "1.2"], r"--blend must lie between 0 and 1, not 1\.2"),
        (["--chain", "520", "--teeth", "15", "--blend", "nan"], "--blend must lie between 0 and 1, not nan"),
        (["--chain", "520", "--teeth", "15", "--standard", "asme", "--blend", "1"], "--blend must not be given"),
    ],
)
def test_wrong_words_end_in_one_line_and_status_2(run, tmp_path, words, line):
    status, out, err = run("form", *words, "--svg", tmp_path / "a.svg", "--dxf", tmp_path / "a.dxf")
    assert (status, out) == (2, "")
    assert re.fullmatch(rf"toothcheck: {line}.*\n", err)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("option", ["--svg", "--dxf", "--json"])
@pytest.mark.parametrize("target", ["no/such/folder/a", "folder", "file.txt/a"])
def test_unwritable_output_ends_in_one_line_and_leaves_nothing(run, tmp_path, option, target):
    (tmp_path / "file.txt").write_text("mine")
    ending = option.replace("--", ".")
    (tmp_path / f"folder{ending}").mkdir()
    status, out, err = run("form", "--chain", "520", "--teeth", 15, option, tmp_path / f"{target}{ending}")
    assert (status, out) == (2, "")
    assert re.fullmatch(r"toothcheck: Cannot write .*\n", err)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file.txt", f"folder{ending}"]
    assert (tmp_path / "file.txt").read_text() == "mine"


def test_a_sheet_for_every_standard_and_no_other():
    with pytest.raises(ValueError, match="standard must be one of iso, asme, not 'din'"):
        form_sheet(chain("520"), 15, standard="din")
