"""Photos that are too far, blurred, dark, burnt out, oblique or cut: judged on flat wheels, with what to change."""

import ast
import re
from pathlib import Path

import numpy as np
import pytest
from flatwheel import facing_plane, wheel_photo
from rings import form_of

from toothcheck import quality
from toothcheck.flags import FLAGS, flag
from toothcheck.tracing.rims import Wheel

FORM = form_of(15.875, 10.16, 13)


def judged(*, px_per_mm=4.5, size=(560, 480), tilt=(0.0, 0.0), centre=(0.0, 0.0), card_blur_px=None, **look):
    plane = facing_plane(*size, px_per_mm, tilt=tilt)
    grey = wheel_photo(FORM, plane, centre_mm=centre, **look)
    wheel = Wheel(plane=plane.moved(centre_mm=np.array(centre)), form=FORM, phase=0.3, thickness_mm=6.0)
    return quality.judge(grey, wheel, card_blur_px)


def test_a_good_photo_has_no_flag():
    seen = judged()
    assert seen.flags == ()
    assert not seen.hopeless
    assert seen.px_per_mm == pytest.approx(4.5, rel=0.01)


@pytest.mark.parametrize("blur_mm", [0.3, 0.5])
def test_without_a_card_the_teeth_tell_the_blur(blur_mm):
    """Our own arithmetic: an erf of so many mm, times px per mm; grey is not light, which costs some per cent."""
    assert judged(blur_mm=blur_mm).blur_px == pytest.approx(blur_mm * 4.5, rel=0.2)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"px_per_mm": 2.0, "size": (320, 240)}, "too-far"),
        ({"blur_mm": 0.6}, "blurred"),
        ({"card_blur_px": 2.0}, "blurred"),
        ({"metal": 35, "ground": 12}, "dark"),
        ({"metal": 255, "noise": 0.5}, "burnt-out"),
        ({"tilt": (0.65, 0.0)}, "oblique"),
        ({"tilt": (0.95, 0.0)}, "steep"),
        ({"centre": (40.0, 0.0)}, "teeth-out-of-frame"),
    ],
)
def test_what_is_wrong_is_said_with_what_to_change(change, code):
    seen = judged(**change)
    assert code in seen.flags
    assert len(flag(code).remedy) > 20
    if code != "teeth-out-of-frame":
        told = flag(code).sentence.removesuffix(".") + ":"  # so that it is not said twice
        assert any(note.startswith(told) and re.search(r"\d", note) for note in seen.notes), "a number belongs to it"


def test_hopeless_is_only_what_cannot_be_measured():
    assert judged(px_per_mm=2.0, size=(320, 240)).hopeless
    assert judged(tilt=(0.95, 0.0)).hopeless
    assert judged(card_blur_px=3.0).hopeless
    assert not judged(card_blur_px=1.8).hopeless
    assert not judged(metal=255, noise=0.5).hopeless


RAISING = {
    "claims", "comparing", "counting", "inspection", "pairing", "placing", "quality", "tooth", "tracing", "wear",
}  # fmt: skip
"""Rooms in whose code a word with hyphens is a flag and nothing else."""


def test_every_flag_that_is_raised_is_registered_and_every_registered_one_is_raised():
    """Flags are plain words in the code, which nothing checks before they are said."""
    package = Path(quality.__file__).parent
    named, raised = set(), set()
    for path in package.rglob("*.py"):
        room = path.relative_to(package).parts[0].removesuffix(".py")
        if room != "flags":
            words = {n.value for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.Constant)}
            named |= words & set(FLAGS)
            if room in RAISING:
                raised |= {w for w in words if isinstance(w, str) and re.fullmatch("[a-z]+(-[a-z]+)+", w)}
    assert len(raised) > 20
    assert raised <= set(FLAGS)
    assert named == set(FLAGS)


def test_only_a_fine_photo_is_worth_a_coarser_look():
    assert quality.coarser(1.5, 9.0) is None
    assert quality.coarser(5.0, 12.0) is None  # blurred for good: more than 0.35 mm
    assert quality.coarser(1.5, 19.0) == pytest.approx(0.85 / 1.5)  # as few pixels as its blur fills
    assert quality.coarser(1.5, 11.0) == pytest.approx(7 / 11)  # but no fewer than 7 px/mm
    assert quality.coarser(0.6, 18.0) == 1.0  # all of it is sharp
