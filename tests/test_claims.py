"""What is claimed against what the photo shows."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rings import form_of, ring_of
from scenes import worn_front

from toothcheck import claims
from toothcheck.chains import CHAINS, chain
from toothcheck.claims import Claim, Found
from toothcheck.counting import Fit
from toothcheck.estimate import Estimate
from toothcheck.flags import flag
from toothcheck.grade import CANNOT_TELL, grade
from toothcheck.inspection import inspect
from toothcheck.photo import decode
from toothcheck.placing.forms import count_open
from toothcheck.report import ReportInput, report_page
from toothcheck.synthetic import encode, make_photo, set_stage
from toothcheck.wear import DatumPriors, fit_datum, measure

FORM = form_of(15.875, 10.16, 15)
PRIORS = DatumPriors()


# --- numbers alone -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width_mm", "name"), [(5.8, "520"), (7.2, "525"), (8.7, "530")])
def test_thickness_tells_chains_of_one_pitch_and_roller_apart(width_mm, name):
    shares = claims.chain_shares({(15.875, 10.16): 1.0}, Estimate(value=width_mm, std=0.15))
    assert shares[0][0] == name
    assert sum(p for _, p in shares) == pytest.approx(1.0, abs=0.02)


def test_chains_without_a_measured_thickness_share_by_trade():
    shares = dict(claims.chain_shares({(15.875, 10.16): 1.0}, None))
    assert shares["520"] == shares["525"] == shares["530"] > shares["10B"]
    assert "532" not in shares


def test_scale_off_by_a_print_error_is_flagged_and_a_lens_error_is_not():
    flags, notes = claims.scale_flags(Estimate(value=5.0, std=0.002), 0.35, 300.0)
    assert flags == ["scale-disagrees"]
    assert "5.0 %" in notes[0]
    assert "smaller" in notes[0]
    assert "15 mm deeper than reckoned with" in notes[0]  # the height may not have been told
    assert "--card-height" in flag("scale-disagrees").remedy
    assert claims.scale_flags(Estimate(value=0.6, std=0.05), 0.35, 300.0) == ([], [])
    # near by, a third of a millimetre of told height is a good part of a per cent
    assert claims.scale_flags(Estimate(value=1.2, std=0.05), 1.5, 300.0) == ([], [])


def evidence(*, drive_clockwise, told, **worn):
    ring = ring_of(FORM, drive_clockwise=drive_clockwise, noise_mm=0.01, **worn)
    known = fit_datum(ring, drive_clockwise=told, priors=PRIORS)
    return claims.side_evidence(ring, known, told, PRIORS)


@pytest.mark.parametrize("drive_clockwise", [True, False])
@pytest.mark.parametrize("told", [True, False])
def test_the_worn_flank_shows_whichever_was_told(drive_clockwise, told):
    e = evidence(drive_clockwise=drive_clockwise, told=told, drive=0.6)
    assert (e > 3) if drive_clockwise else (e < -3)


def test_an_unworn_ring_shows_no_flank():
    assert abs(evidence(drive_clockwise=True, told=True)) < 2


def test_probability_starts_from_what_was_told():
    assert claims.drive_probability(0.0, None) == pytest.approx(0.5)
    assert claims.drive_probability(0.0, True) == pytest.approx(0.97)
    assert claims.drive_probability(0.0, False) == pytest.approx(0.03)
    assert claims.drive_probability(6.0, False) > 0.9


def test_wear_on_the_other_flank_is_flagged_but_not_where_both_readings_agree():
    rng = np.random.default_rng(0)
    ring = ring_of(FORM, drive=0.9, noise_mm=0.01)
    right = measure(ring, drive_clockwise=True, rng=rng, priors=PRIORS)
    wrong = measure(ring, drive_clockwise=False, rng=rng, priors=PRIORS)
    assert claims.wear_flags(wrong, right, right=0.05) == ["wear-on-coast-flank"]
    assert claims.wear_flags(right, None, right=0.97) == []
    assert claims.wear_flags(right, right, right=0.3) == []


@pytest.fixture(scope="module")
def unworn():
    return measure(ring_of(FORM, noise_mm=0.01), drive_clockwise=True, rng=np.random.default_rng(0), priors=PRIORS)


def reading(wear, percent, std, seed):
    """The wheel with another asymmetry and no hook."""
    draws = percent + std * np.random.default_rng(seed).standard_normal(400)
    found = Estimate(value=percent, std=std)
    return replace(wear, asymmetry_percent=found, draws_asymmetry=draws, draws_overhang=np.zeros(400))


def graded(wear, flags):
    return grade(wear, flags, np.random.default_rng(1))


def test_a_turning_that_the_photo_contradicts_is_doubted_where_wear_is_small(unworn):
    told, other = reading(unworn, 3.1, 1.6, 0), reading(unworn, 4.6, 1.5, 1)
    flags = claims.wear_flags(told, other, right=0.012)
    assert flags == ["turning-doubted"]
    # the confidence is that of the reading which the photo says is the right one
    weighed = claims.weighed_wear(told, other, right=0.012)
    assert graded(told, []).confidence > 0.8
    assert graded(weighed, flags).confidence == pytest.approx(graded(other, []).confidence, abs=0.03)
    assert weighed.asymmetry_percent == told.asymmetry_percent


def test_a_contradicted_turning_with_another_grade_is_refused_however_near_the_readings_are(unworn):
    told, other = reading(unworn, 4.4, 1.0, 0), reading(unworn, 5.9, 1.0, 1)
    assert claims.wear_flags(told, other, right=0.3) == ["wear-on-coast-flank"]
    # rather right than wrong: the confidence holds the doubt, and the flag says it
    assert claims.wear_flags(told, other, right=0.7) == ["turning-doubted"]
    alone, both = (graded(w, []).confidence for w in (told, claims.weighed_wear(told, other, right=0.7)))
    assert both < alone - 0.1


def test_a_turning_surely_wrong_is_said_though_both_readings_agree(unworn):
    told, other = reading(unworn, 15.5, 2.0, 0), reading(unworn, 15.0, 2.0, 1)
    assert claims.wear_flags(told, other, right=0.01) == ["turning-doubted"]


def test_a_turning_in_doubt_costs_nothing_where_nothing_is_worn(unworn):
    told, other = reading(unworn, -0.7, 1.3, 0), reading(unworn, 0.5, 1.5, 1)
    assert claims.wear_flags(told, other, right=0.45) == []
    weighed = claims.weighed_wear(told, other, right=0.45)
    assert graded(weighed, []).confidence == graded(told, []).confidence


@pytest.mark.parametrize(("told", "other"), [(0, 400), (400, 0)])
def test_a_side_that_measured_nothing_is_not_weighed(unworn, told, other):
    a, b = (
        replace(reading(unworn, 3.0, 1.0, 0), draws_asymmetry=np.full(n, 3.0), draws_overhang=np.zeros(n))
        for n in (told, other)
    )
    assert claims.weighed_wear(a, b, right=0.4) is a


def test_a_hook_told_by_one_reading_alone_stands_for_both_and_none_does_not(unworn):
    none = reading(unworn, 12.0, 1.0, 0)
    hooked = replace(none, draws_overhang=np.full(400, 0.5))
    unseen = replace(none, draws_overhang=np.zeros(0))
    for told, other in ((hooked, unseen), (unseen, hooked), (none, hooked)):
        assert graded(claims.weighed_wear(told, other, right=0.1), []).grade == "replace-now"
    for told, other in ((none, unseen), (unseen, none)):
        assert len(claims.weighed_wear(told, other, right=0.9).draws_overhang) == 0


@pytest.mark.parametrize(("drive", "coast", "told"), [(0.6, 0.05, False), (0.6, 0.6, True), (0.4, 0.4, True)])
def test_coast_flanks_that_fade_towards_the_tip_are_worn_whatever_turn_hides_it(drive, coast, told):
    """A part that was turned round: rollers reach up a flank only so far (common practice, no source)."""
    form = form_of(15.875, 10.16, 43)
    worn = ring_of(form, drive=drive, coast=coast, fading=0.3, noise_mm=0.02, turn=0.004)
    wear = measure(worn, drive_clockwise=True, rng=np.random.default_rng(1))
    assert claims.coast_flags(wear) == (["flanks-worn-alike"] if told else [])
    # too few teeth to say so
    few = replace(wear, coast_fade_mm=None)
    assert claims.coast_flags(few) == []


@pytest.mark.parametrize(("told", "true"), [("530", 11.10), ("532", 10.16), ("428", 7.77)])
def test_the_roller_of_another_chain_is_noticed(told, true):
    size = chain(told)
    ring = ring_of(form_of(size.pitch_mm, true, 15), noise_mm=0.01)
    ring = replace(ring, roller_diameter_mm=size.roller_diameter_mm)
    known = fit_datum(ring, drive_clockwise=True, priors=PRIORS)
    shares = claims.roller_shares(ring, size, known, True, PRIORS)
    flags, notes = claims.roller_flags(shares, size)
    assert flags == ["roller-disagrees"]
    assert f"{size.roller_diameter_mm:g} mm of {told}" in notes[0]


@pytest.mark.parametrize("told", ["530", "532", "428"])
@pytest.mark.parametrize("drive", [0.0, 0.8])
def test_the_right_roller_is_left_alone(told, drive):
    size = chain(told)
    ring = ring_of(form_of(size.pitch_mm, size.roller_diameter_mm, 15, 0.3), drive=drive, noise_mm=0.01)
    known = fit_datum(ring, drive_clockwise=True, priors=PRIORS)
    assert claims.roller_flags(claims.roller_shares(ring, size, known, True, PRIORS), size) == ([], [])


@pytest.mark.parametrize(
    ("found", "score", "asked"),
    [(15, 0.451, True), (15, 0.55, False), (12, 0.451, False), (12, 0.2, True), (None, 0.0, True)],
)
def test_another_count_than_told_must_fit_beyond_doubt(found, score, asked):
    # 12 told where there are 14: wheels of the wrong size and place match up to 0.45
    at = {"scale": 1.0, "phase": 0.0, "centre_mm": (0.0, 0.0)}
    best = None if found is None else Fit(form=form_of(15.875, 10.16, found), score=score, **at)
    assert count_open(best, 12) is asked


@pytest.mark.parametrize(
    ("above_mm", "drive", "told"),
    # a disc with holes: its edges leave the form 0.6 mm above the pitch circle; ISO 606: da_min = d + p(1 - 1.6/z) - d1
    [(0.6, 0.0, True), (0.6, 0.3, True), (1.6, 0.0, False), (2.01, 0.0, False), (0.6, 1.6, False)],
)
def test_seats_without_teeth_above_them_are_no_sprocket(above_mm, drive, told):
    ring = replace(ring_of(FORM, drive=drive, noise_mm=0.01), tip_radius_mm=FORM.pitch_radius_mm + above_mm)
    wear = measure(ring, drive_clockwise=True, rng=np.random.default_rng(0), priors=PRIORS)
    flags, notes = claims.tip_flags(ring, wear)
    assert flags == (["form-disagrees"] if told else [])
    assert all("seen to 0.6 mm" in note and "reach 2.0 mm" in note for note in notes)


def test_where_the_flanks_end_was_not_seen_nothing_is_said_of_it():
    ring = replace(ring_of(FORM), tip_radius_mm=None)
    wear = measure(ring, drive_clockwise=True, rng=np.random.default_rng(0), priors=PRIORS)
    assert claims.tip_flags(ring, wear) == ([], [])


def test_found_is_plain_json():
    found = Found(teeth=((15, 0.98), (16, 0.02)), chains=(("520", 1.0),), drive_clockwise=0.25)
    assert json.loads(json.dumps(found.as_json())) == {
        "teeth": [{"teeth": 15, "probability": 0.98}, {"teeth": 16, "probability": 0.02}],
        "chains": [{"chain": "520", "probability": 1.0}],
        "drive_flank": {"clockwise": 0.25, "counterclockwise": 0.75},
    }
    assert Found().as_json()["drive_flank"] is None


# --- from the photo on ---------------------------------------------------------------------------------------

SCENE = worn_front(teeth=14, blend=0.4, depth_mm=0.7, scatter=0.06, size_px=(1200, 900), seed=4)
HONEST = Claim(chain=chain("520"), teeth=14, position="front", turning=SCENE.turning, card_height_mm=0.0)


def photo_of(scene, *, mirrored=False):
    picture = make_photo(scene).picture
    if mirrored:
        picture = np.ascontiguousarray(picture[:, ::-1])
    return decode(encode(picture, "png", focal_35mm=50), "made.png")


@pytest.fixture(scope="module")
def photo():
    return photo_of(SCENE)


@pytest.fixture(scope="module")
def without_card():
    return photo_of(replace(SCENE, card=None, look_at_mm=(0.0, 0.0)))


@pytest.fixture(scope="module")
def honest(photo):
    return inspect(photo, HONEST)


def test_an_honest_claim_raises_no_flag(honest):
    assert honest.flags == ()
    assert honest.verdict.grade == "replace-set"
    assert honest.found.teeth[0] == (14, 1.0)
    assert honest.found.drive_clockwise is not None
    assert (honest.found.drive_clockwise > 0.9) == HONEST.drive_clockwise
    assert abs(honest.card_to_pitch_percent.value) < 0.5


def test_the_document_tells_what_was_found(honest):
    document = honest.document()
    assert document["scale"]["source"] == "card"
    assert document["found"]["teeth"][0] == {"teeth": 14, "probability": 1.0}
    assert {c["chain"] for c in document["found"]["chains"]} <= set(CHAINS)
    json.dumps(document, allow_nan=False)
    # a size that was told is not echoed as what the photo says
    shares = {found["chain"]: found["probability"] for found in document["found"]["chains"]}
    assert shares["520"] == shares["525"] == shares["530"]
    plane = document["scale"]["plane"]
    assert set(plane) == {"tilt_x_deg", "tilt_y_deg", "height_mm", "thickness_mm"}
    assert 0 < plane["tilt_x_deg"]["std"] < 1.5
    assert abs(plane["height_mm"]["value"]) < 1.0


@pytest.mark.parametrize("wrong", [12, 15, 28])
def test_a_wrong_count_is_refused_and_the_right_one_named(photo, wrong):
    result = inspect(photo, replace(HONEST, teeth=wrong))
    assert "teeth-disagree" in result.flags
    assert result.verdict.grade == CANNOT_TELL
    assert result.found.teeth[0][0] == 14
    # told once, with the numbers
    (told,) = [reason for reason in result.verdict.reasons if "support" in reason]
    assert f"14 teeth (100 %), not {wrong}" in told


def test_a_wrong_pitch_is_refused(photo):
    result = inspect(photo, replace(HONEST, chain=chain("428")))
    assert result.verdict.grade == CANNOT_TELL
    assert {"chain-disagrees", "no-sprocket", "teeth-disagree"} & set(result.flags)


@pytest.mark.parametrize("height_mm", [-12.0, 14.0])
def test_a_wrong_card_height_is_noticed(photo, height_mm):
    result = inspect(photo, replace(HONEST, card_height_mm=height_mm))
    assert "scale-disagrees" in result.flags
    assert result.verdict.grade == CANNOT_TELL


@pytest.mark.parametrize(
    ("height_mm", "said"),
    [
        (11.0, "the card was printed smaller than meant, or lies 11 mm deeper than reckoned with"),
        (12.0, "the card was printed smaller than meant, or lies 12 mm deeper than reckoned with"),
        # only an arc of the wheel can be brought to lie on the form, by a lean; the outline as a whole cannot
        (13.0, "larger than the card has it"),
        (14.0, "larger than the card has it"),
    ],
)
def test_a_card_height_that_hardly_leaves_the_outline_on_the_form_is_noticed(height_mm, said):
    name = "harbour-front-broken-tooth.jpg"
    encoded = (Path(__file__).parents[1] / "sample_images_synthetic" / name).read_bytes()
    claim = Claim(chain=chain("520"), teeth=15, position="front", turning="counterclockwise", card_height_mm=height_mm)
    result = inspect(decode(encoded, name), claim)
    assert "scale-disagrees" in result.flags
    assert result.verdict.grade == CANNOT_TELL
    assert said in " ".join(result.verdict.reasons)


@pytest.mark.parametrize("printed", [1.02, 0.98])
def test_a_card_printed_at_another_size_is_told_by_how_much(printed):
    result = inspect(photo_of(replace(SCENE, card_print_scale=printed)), HONEST)
    assert "scale-disagrees" in result.flags
    off, true = result.card_to_pitch_percent, 100 * (1 / printed - 1)
    # three standard uncertainties: the height's prior, which would hide most of it, is taken out
    assert abs(off.value - true) < 3 * off.std < 1.2
    assert f"{abs(off.value):.1f} % too {'small' if true < 0 else 'large'}" in " ".join(result.verdict.reasons)


def test_a_wrong_chain_is_named_where_the_count_is_left_to_the_photo(photo):
    result = inspect(photo, replace(HONEST, chain=chain("428"), teeth=None))
    assert result.verdict.grade == CANNOT_TELL
    assert "chain-disagrees" in result.flags
    assert any("15.875 mm (520," in r and "not 12.7 mm" in r for r in result.verdict.reasons)
    assert result.found.teeth[0][0] == 14


def test_the_wrong_turning_is_noticed(photo):
    other = "clockwise" if HONEST.turning == "counterclockwise" else "counterclockwise"
    result = inspect(photo, replace(HONEST, turning=other))
    assert "wear-on-coast-flank" in result.flags
    assert result.verdict.grade == CANNOT_TELL


def test_turning_not_told_is_inferred_from_the_wear(photo, honest):
    result = inspect(photo, replace(HONEST, turning=None))
    assert "turning-inferred" in result.flags
    assert result.wear.drive_clockwise == HONEST.drive_clockwise
    assert result.verdict.grade == honest.verdict.grade
    assert result.verdict.confidence < honest.verdict.confidence


def test_count_and_chain_left_to_the_photo(photo, honest):
    result = inspect(photo, replace(HONEST, teeth=None, chain=None))
    assert result.claim.teeth == 14
    assert result.claim.chain.pitch_mm == 15.875
    assert result.found.teeth[0][0] == 14
    # sizes of one pitch and roller differ in width alone, which was not told
    assert dict(result.found.chains)["520"] == dict(result.found.chains)["530"]
    told = result.document()["sprocket"]
    assert (told["chain"], told["pitch_mm"], told["roller_diameter_mm"]) == (None, 15.875, 10.16)
    assert result.verdict.grade == honest.verdict.grade
    # what was found is said, and that one of several chains was taken
    assert re.match(
        r"Found in the photo: 14 teeth \(100 %\); chain 520, 525 or 530, which fit alike \(\d+ % each\)\.$",
        result.verdict.reasons[0],
    )
    assert result.flags == ("chain-open",)
    assert flag("chain-open").remedy in result.verdict.next_steps
    assert flag("chain-open").sentence not in result.verdict.reasons
    page = report_page(ReportInput(document=result.document())).replace("\xa0", " ")
    assert "chain 520, 525 or 530 (not told)" in page


def test_what_was_found_is_said_of_what_was_left_open_only():
    found = Found(teeth=((14, 0.97), (15, 0.03)), chains=(("428", 0.8), ("520", 0.2)))
    assert found.in_words(teeth=True, chain=True) == "Found in the photo: 14 teeth (97 %); chain 428 (80 %)."
    assert found.in_words(teeth=True, chain=False) == "Found in the photo: 14 teeth (97 %)."
    assert found.in_words(teeth=False, chain=False) == Found().in_words(teeth=True, chain=True) == ""


def test_without_a_card_the_pitch_gives_the_scale(without_card, honest):
    result = inspect(without_card, replace(HONEST, card_height_mm=None))
    assert {"no-card", "pitch-guess"} <= set(result.flags)
    assert sum("gives the scale" in reason for reason in result.verdict.reasons) == 1
    assert result.document()["scale"]["source"] == "pitch"
    assert result.document()["scale"]["card_to_pitch_percent"] is None
    a, b = result.wear.asymmetry_percent, honest.wear.asymmetry_percent
    assert abs(a.value - b.value) < 3 * np.hypot(a.std, b.std)
    assert result.verdict.confidence < honest.verdict.confidence


def test_without_a_card_a_wrong_count_is_noticed(without_card):
    result = inspect(without_card, replace(HONEST, teeth=15, card_height_mm=None))
    assert "teeth-disagree" in result.flags
    assert result.found.teeth[0][0] == 14
    # it was refused, but found: at the scale that its pitch gives
    assert (result.wear, result.document()["scale"]["source"]) == (None, "pitch")


def test_without_card_and_chain_nothing_gives_the_scale(without_card):
    result = inspect(without_card, replace(HONEST, chain=None, card_height_mm=None))
    assert result.verdict.grade == CANNOT_TELL
    assert result.verdict.reasons == (
        "Without a card the chain size is needed: its pitch gives the scale.",
        "No scale card was found.",  # and not that a pitch, which nobody knows, gave it
    )
    assert result.document()["scale"]["source"] is None
    assert "--chain" in result.verdict.next_steps[0]  # sooner done than another photo


def test_a_sprocket_that_was_not_found_gives_no_scale():
    plain = encode(np.full((600, 800, 3), 128, dtype=np.uint8), "png", focal_35mm=50)
    result = inspect(decode(plain, "plain.png"), HONEST)
    assert result.flags == ("no-card", "no-sprocket")
    assert not any("gives the scale" in reason for reason in result.verdict.reasons)
    scale = result.document()["scale"]
    assert (scale["source"], scale["card"], scale["px_per_mm"]) == (None, None, None)


def test_the_wheel_measured_is_the_one_pointed_at_or_none():
    scene = replace(
        SCENE, second=replace(SCENE.part, teeth=11), second_at_mm=(5.0, 85.0), look_at_mm=(40.0, 35.0), distance_mm=420
    )
    photo, camera = photo_of(scene), set_stage(scene).camera

    def near(x, y):
        x_px, y_px = camera.project(np.array([[x, y, 0.0]]))[0].tolist()
        return inspect(photo, replace(HONEST, near_px=(x_px, y_px)))

    # a pixel on the rim will do
    own = near(0.0, -30.0)
    assert own.claim.teeth == sum(t.measured for t in own.wear.teeth) == 14
    other = near(5.0, 85.0)
    assert "teeth-disagree" in other.flags
    assert other.found.teeth[0][0] == 11
    assert other.wear is None
    nothing = near(60.0, 100.0)
    # there is a sprocket in the picture: neither another photo nor "none was found in it" is what helps
    assert nothing.flags == ("nothing-there",)
    assert nothing.verdict.reasons == ("No sprocket was found at the place pointed at.",)
    assert nothing.verdict.advice_heading == "Next"
    assert "--near" in nothing.verdict.next_steps[0]


def test_a_mirrored_photo_is_refused():
    result = inspect(photo_of(SCENE, mirrored=True), HONEST)
    assert result.flags == ("mirrored",)
    assert result.verdict.grade == CANNOT_TELL
    assert result.document()["scale"]["source"] is None  # refused before anything was looked for


def test_no_sprocket_at_all():
    picture = make_photo(SCENE, with_part=False).picture
    result = inspect(decode(encode(picture, "png", focal_35mm=50), "empty.png"), HONEST)
    assert "no-sprocket" in result.flags
    assert result.document()["sprocket"]["teeth"] == 14
    assert result.document()["wear"] is None
