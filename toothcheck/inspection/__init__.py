"""The line from a photo to a grade: the table of contents of the package.

photo -> scale -> pose -> tracing ==ToothRing==> wear -> grade, and between them what is asked of the claims:

1. `sighted`: is there a card, how does it stand, how high over it is the face?
2. `toothcheck.placing`: where is the sprocket, and are tooth count, pitch and scale as claimed?
3. `toothcheck.quality`: is the photo good enough there?
4. `toothcheck.tracing` and `toothcheck.wear`: the teeth, and what is gone of them; from both sides where it is in doubt
   which flank drives.
5. `toothcheck.claims`: does the measured wheel bear out the rest of the claims?
6. `toothcheck.grade`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from toothcheck import claims, placing, quality
from toothcheck.cards.detect import CardSighting, find_card
from toothcheck.chains import CHAINS
from toothcheck.claims import Claim, Found
from toothcheck.edges import optics
from toothcheck.estimate import Estimate
from toothcheck.flags import flag
from toothcheck.grade import Verdict, grade, refusal
from toothcheck.inspection.document import SCHEMA, document, tip_pixels
from toothcheck.patterns import LIGHT_MM, Pattern, apart, patterns
from toothcheck.photo import Photo
from toothcheck.placing import Placed
from toothcheck.pose import CardPose, PlanePose, card_pose
from toothcheck.tracing.fit import UNKNOWNS, Priors
from toothcheck.tracing.rims import Wheel
from toothcheck.tracing.trace import Traced, trace
from toothcheck.wear import DatumPriors, WheelWear, fit_datum, measure

__all__ = ["SCHEMA", "Claim", "Found", "Inspection", "inspect", "tip_pixels"]

_THICKNESS_SHARE = 0.91
"""Of the chain's inner width: single sprockets as sold run from 0.88 to 0.95 (common practice, no source)."""
_THICKNESS_STD = 0.03
_SCALE_STD_CARD = 0.004
_SIZE_OFF = 0.012
"""By which share the outline may look larger or smaller than the card has it."""
_EDGE_STD_MM = 0.02
"""How far a broken edge may draw all of a sprocket's edges in, in well exposed photos."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inspection:
    """Everything that was found out from one photo."""

    photo: Photo
    claim: Claim
    """As told; what was left to the photo is filled in once it is found."""
    card: CardSighting | None
    card_pose: CardPose | None
    traced: Traced | None
    wear: WheelWear | None
    verdict: Verdict
    flags: tuple[str, ...]
    card_to_pitch_percent: Estimate | None
    found: Found
    patterns: tuple[Pattern, ...] = ()
    """What was tested for coming back once per turn, most telling first."""
    notes: tuple[str, ...] = ()
    """What was found out besides the grade's own reasons; stands before them."""
    worded: tuple[str, ...] = ()
    """Flags whose sentence a note gives with its number."""
    against_baseline: bool = False
    """Whether asymmetry and grade are against the part's own photo when new."""

    def judged(self, verdict: Verdict) -> Inspection:
        """The same with another verdict, to whose reasons what else was found out is joined."""
        given = [flag(code).sentence for code in self.worded]
        around = [p.sentence() for p in self.patterns if p.significant]
        own = [r for r in verdict.reasons if r not in given]
        steps, odd = verdict.next_steps, apart(self.patterns)
        if odd is not None:
            steps += (f"Wipe tooth {odd} and look at it: it stands apart from all others, and dirt does that, too.",)
        return replace(self, verdict=replace(verdict, reasons=(*self.notes, *own, *around), next_steps=steps))

    def document(self) -> dict[str, Any]:
        """The JSON document of measures.md, section 6."""
        return document(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Start:
    """Everything that tracing begins with."""

    wheel: Wheel
    priors: Priors
    scale_std: float


def inspect(photo: Photo, claim: Claim, *, seed: int = 0) -> Inspection:
    """Measure and grade the sprocket in a photo.

    Parameters
    ----------
    photo
        As loaded.
    claim
        What the user says of it; chain and teeth may be left to the photo.
    seed
        Of the draws behind uncertainties and confidence.
    """
    rng = np.random.default_rng(seed)
    card = find_card(photo.grey)
    pose = None if card is None else card_pose(card, photo.grey, photo.focals_35mm)
    if card is not None and pose is not None and quality.soft(card.blur_px, pose.plane.px_per_mm):
        return inspect(*_reduced(photo, claim, card.blur_px), seed=seed)
    told = _Told(
        photo=photo, claim=claim, card=card, pose=pose, flags=quality.card_flags(card, pose), notes=[],
        chain_open=claim.chain is None, teeth_open=claim.teeth is None,
    )  # fmt: skip
    if card is None and find_card(np.ascontiguousarray(photo.grey[:, ::-1])) is not None:
        return told.refused("mirrored")
    if card is None and claim.chain is None:
        return told.refused("chain-needed", "no-card")

    if card is not None and pose is not None:
        plane, height_std = _face(pose, claim, card, _thickness(claim, card)[0])
        placed = placing.place(photo.grey, plane, claim, card)
    else:
        told.flags += ["no-card", "pitch-guess"]
        height_std = 0.0
        placed = placing.place_facing(photo.grey, photo.focals_35mm, claim)
    if placed is None:
        pointed = claim.near_px is not None
        return told.refused("no-sprocket", note="No sprocket was found at the place pointed at." if pointed else "")
    told.take(placed)
    if card is not None and "two-sprockets" not in told.flags and claim.near_px is None:
        other = placing.second_wheel(photo.grey, plane, placed, card)
        if other is not None:
            told.say(["two-sprockets"], [f"The one of {placed.teeth} teeth was taken; another has about {other}."])
    if {"teeth-disagree", "chain-disagrees", "scale-disagrees"} & set(told.flags):
        return told.refused()

    start = _start(placed, claim, pose, card, height_std)
    seen = quality.judge(photo.grey, start.wheel, None if card is None else card.blur_px)
    told.flags += seen.flags
    told.notes += seen.notes
    told.worded = seen.worded
    if seen.hopeless:
        return told.refused()

    if told.chain_open:
        placed = _with_fitting_roller(photo, placed, start, seen, bool(claim.drive_clockwise))
        start = _start(placed, claim, pose, card, height_std)
    return _measured(told, placed, start, seen, rng)


def _measured(
    told: _Told, placed: Placed, start: _Start, seen: quality.Quality, rng: np.random.Generator
) -> Inspection:
    """From a start good enough to trace, to the grade."""
    photo, claim = told.photo, told.claim
    light = optics(photo.planes, seen.blur_px)
    priors = DatumPriors(bias_mean_mm=start.priors.bias_mean_mm, bias_mm=start.priors.bias_mm)

    def from_side(drive_clockwise: bool) -> _Side | None:
        try:
            traced = trace(
                photo.planes,
                start.wheel,
                start.priors,
                light,
                drive_clockwise=drive_clockwise,
                scale_std=start.scale_std,
            )
        except np.linalg.LinAlgError:  # next to nothing could be followed
            return None
        if not traced.ring.gaps:
            return None
        wear = measure(traced.ring, drive_clockwise=drive_clockwise, rng=rng, priors=priors)
        return _Side(
            traced=traced, wear=wear, evidence=claims.side_evidence(traced.ring, wear.datum, drive_clockwise, priors)
        )

    claimed = claim.drive_clockwise
    side = from_side(bool(claimed))
    measured = 0 if side is None else sum(t.measured for t in side.wear.teeth)
    if measured < 3:
        told.say(*_untraceable(photo, placed, told.card))
    elif told.card is not None and measured < 0.5 * (placed.teeth - seen.teeth_outside):
        # an arc may lie on the form though the wheel has another size: centre and tilt give way
        told.say(*_size_disagrees(photo, placed))
    if side is None:
        return told.refused("few-teeth")
    other: _Side | None = None
    probability = claims.drive_probability(side.evidence, claimed)
    if claimed is None or claims.turning_doubted(side.wear, side.evidence, claimed):
        # in doubt: trace from the other side too, since each tracing trusts the gaps whose coast side lies on the form
        other = from_side(not bool(claimed))
        if other is not None:
            probability = claims.drive_probability((side.evidence + other.evidence) / 2, claimed)
            if claimed is None and (probability > 0.5) != bool(claimed):
                side, other = other, side
    traced, wear = side.traced, side.wear
    right = probability if wear.drive_clockwise else 1 - probability
    if other is not None:
        wear = _with_gone(wear, other.wear)
    worn = claims.shows_wear(wear) or (other is not None and claims.shows_wear(other.wear))
    if claimed is None:
        told.flags += _turning_flags(worn, probability)
    else:
        told.flags += claims.wear_flags(wear, None if other is None else other.wear, right)
    if "wear-on-coast-flank" not in told.flags:  # else it is the drive flank that is taken for the coast one
        told.flags += claims.coast_flags(wear)

    percent = None
    if told.pose is not None:
        percent, distance = claims.card_to_pitch(traced.fit, start.wheel, start.priors)
        off = claims.scale_flags(percent, start.priors.height_mm, distance)
        told.say(*off)
        told.worded = (*told.worded, *off[0])
    told.say(*claims.seat_flags(traced, wear, with_card=told.card is not None))
    told.say(*claims.form_flags(wear))
    told.say(*claims.tip_flags(traced.ring, wear))
    shares = claims.roller_shares(traced.ring, placed.chain, wear.datum, wear.drive_clockwise, priors)
    if not told.chain_open:
        told.say(*claims.roller_flags(shares, placed.chain))
    k = [UNKNOWNS.index(name) for name in ("tilt_x", "tilt_y")]
    tilts = np.sqrt(np.diag(traced.fit.covariance)[k])
    told.flags += quality.plane_flags(math.degrees(float(max(tilts))))
    if sum(t.measured for t in wear.teeth) < 3:
        told.flags.append("few-teeth")

    # only a thickness that was measured tells sizes apart: walls are followed as the chain told has them
    width = None if claim.thickness_mm is None else Estimate(value=claim.thickness_mm, std=0.1)
    tells = worn and (probability > 0.6 or probability < 0.4)
    told.found = replace(
        told.found,
        chains=claims.chain_shares(_joined(placed.pitches, shares), width),
        drive_clockwise=probability if tells else None,
    )
    if told.chain_open and told.found.chains:
        told.claim = replace(told.claim, chain=CHAINS[told.found.chains[0][0]])
        if told.found.chains[0][1] < claims.SURE:
            told.flags.append("chain-open")
        if len(told.found.chains_alike) > 1:
            told.worded = (*told.worded, "chain-open")  # what was found is said by name
    # which flank drives is doubt, too, where the readings of both sides differ
    weighed = wear if other is None else claims.weighed_wear(wear, other.wear, right)
    verdict = grade(weighed, told.flags, rng)
    if "turning-open" in told.flags and verdict.grade != "good":
        told.flags[told.flags.index("turning-open")] = "turning-unknown"
        verdict = grade(weighed, told.flags, rng)
    return told.inspection(verdict, traced, wear, percent)


def _with_fitting_roller(photo: Photo, placed: Placed, start: _Start, seen: quality.Quality, drive: bool) -> Placed:
    """The place with the chain whose roller fits the seats best; only its pitch was found before."""
    light = optics(photo.planes, seen.blur_px)
    priors = DatumPriors(bias_mean_mm=start.priors.bias_mean_mm, bias_mm=start.priors.bias_mm)
    try:
        traced = trace(photo.planes, start.wheel, start.priors, light, drive_clockwise=drive, scale_std=start.scale_std)
        datum = fit_datum(traced.ring, drive_clockwise=drive, priors=priors)
    except (np.linalg.LinAlgError, ValueError):  # too little was seen to tell
        return placed
    shares = claims.roller_shares(traced.ring, placed.chain, datum, drive, priors)
    names = claims.chain_shares(shares, None)
    return replace(placed, chain=CHAINS[names[0][0]]) if names else placed


def _size_disagrees(photo: Photo, placed: Placed) -> tuple[list[str], list[str]]:
    """Whether the outline that was placed is seen in another size than the card has it."""
    off = placing.free_scale(photo.grey, placed) - 1
    if abs(off) < _SIZE_OFF:
        return [], []
    size = f"{100 * abs(off):.1f} % {'larger' if off > 0 else 'smaller'}"
    return ["scale-disagrees"], [f"The sprocket's outline looks {size} than the card has it."]


def _untraceable(photo: Photo, placed: Placed, card: CardSighting | None) -> tuple[list[str], list[str]]:
    """Why an outline that was placed without doubt cannot be traced: it has another size, or another form."""
    off = ([], []) if card is None else _size_disagrees(photo, placed)
    if off[0] or placed.score < placing.SURE_SCORE:
        return off
    return ["form-disagrees"], ["The tooth count fits, but seats and flanks do not lie on the ISO 606 form."]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Side:
    """A photo traced and measured with the drive flanks on one side."""

    traced: Traced
    wear: WheelWear
    evidence: float
    """Log of the odds that the clockwise sides are the worn ones."""


def _with_gone(wear: WheelWear, other: WheelWear) -> WheelWear:
    """The wear, and teeth of which it measures nothing that are gone as traced from the other side.

    A tooth is gone whichever flank drives; from the wrong side its neighbours' worn flanks draw the outline off its
    place, and it is but one more edge that could not be followed.
    """
    gone = {t.index: t.flags for t in other.teeth if "broken" in t.flags}
    return replace(
        wear, teeth=tuple(t if t.measured else replace(t, flags=gone.get(t.index, t.flags)) for t in wear.teeth)
    )


def _turning_flags(worn: bool, probability: float) -> list[str]:
    """Flags where the turning was not told: inferred, of no account, or unknown."""
    if not worn:
        return ["turning-open"]
    return ["turning-inferred"] if max(probability, 1 - probability) > claims.SURE else ["turning-unknown"]


def _joined(
    pitches: dict[tuple[float, float], float], rollers: dict[tuple[float, float], float]
) -> dict[tuple[float, float], float]:
    """Weights of (pitch, roller): the place tells the pitch, the seats tell the roller."""
    out: dict[tuple[float, float], float] = {}
    for (pitch, d1), weight in rollers.items():
        out[pitch, d1] = weight * max(sum(w for (p, _), w in pitches.items() if p == pitch), 1e-3)
    for (pitch, d1), weight in pitches.items():
        if all(pitch != p for p, _ in rollers):
            out[pitch, d1] = weight
    return out


@dataclass(slots=True, kw_only=True, eq=False)
class _Told:
    """What has been found out so far; grows along the line."""

    photo: Photo
    claim: Claim
    card: CardSighting | None
    pose: CardPose | None
    flags: list[str]
    notes: list[str]
    worded: tuple[str, ...] = ()
    """Flags whose sentence a note gives with its number."""
    found: Found = field(default_factory=Found)
    chain_open: bool = False
    teeth_open: bool = False
    """Whether chain size and tooth count were left to the photo."""

    def say(self, flags: list[str], notes: list[str]) -> None:
        self.flags += flags
        self.notes += notes

    def take(self, placed: Placed) -> None:
        """Go on with what was placed: fills in what was left to the photo, keeps what was told."""
        self.say(list(placed.flags), list(placed.notes))
        self.found = replace(placed.found, chains=claims.chain_shares(placed.pitches, None))
        self.claim = replace(
            self.claim,
            chain=placed.chain if self.claim.chain is None else self.claim.chain,
            teeth=placed.teeth if self.claim.teeth is None else self.claim.teeth,
        )

    def refused(self, *flags: str, note: str = "", traced: Traced | None = None) -> Inspection:
        """The inspection where nothing could be measured."""
        self.flags += [f for f in flags if f not in self.flags]
        if note:
            self.notes.append(note)
        return self.inspection(refusal(self.flags), traced, None, None)

    def inspection(
        self, verdict: Verdict, traced: Traced | None, wear: WheelWear | None, percent: Estimate | None
    ) -> Inspection:
        found = self.found.in_words(teeth=self.teeth_open, chain=self.chain_open)
        around: tuple[Pattern, ...] = ()
        if wear is not None:
            around = patterns(wear.drive_loss_alone_mm, shared=wear.drive_loss_shared_mm2, light=LIGHT_MM)
        return Inspection(
            photo=self.photo, claim=self.claim, card=self.card, card_pose=self.pose, traced=traced, wear=wear,
            verdict=verdict, flags=tuple(dict.fromkeys(self.flags)), card_to_pitch_percent=percent, found=self.found,
            patterns=around, notes=((found,) if found else ()) + tuple(self.notes), worded=self.worded,
        ).judged(verdict)  # fmt: skip


def _reduced(photo: Photo, claim: Claim, blur_px: float) -> tuple[Photo, Claim]:
    """A soft photo with as many pixels as its blur fills, and what was claimed of it in them."""
    fewer = photo.reduced(quality.SHARP_PX / blur_px)
    if claim.near_px is None:
        return fewer, claim
    x, y = fewer.from_loaded(np.array(claim.near_px))
    return fewer, replace(claim, near_px=(float(x), float(y)))


# --- from the card to the start of tracing -------------------------------------------------------------------


def _is_mat(card: CardSighting) -> bool:
    return card.layout.name.startswith("mat")


def _thickness(claim: Claim, card: CardSighting | None) -> tuple[float, float]:
    """Thickness and its standard uncertainty, mm."""
    if claim.thickness_mm is not None:
        return claim.thickness_mm, 0.05
    if claim.chain is None:  # anything from 5 to 9 mm, told apart by the far rims
        return 7.0, 1.2
    nominal = _THICKNESS_SHARE * claim.chain.inner_width_mm
    told = claim.card_height_mm
    # a part lying on the mat stands as high over it as it is thick
    if card is not None and _is_mat(card) and told is not None and abs(-told - nominal) < 0.3 * nominal:
        return -told, 0.1
    return nominal, _THICKNESS_STD * nominal


def _face(pose: CardPose, claim: Claim, card: CardSighting, thickness: float) -> tuple[PlanePose, float]:
    """The sprocket's face from the card's plane, and the standard uncertainty of its height, mm."""
    if claim.card_height_mm is not None:
        height, std = -claim.card_height_mm, 0.1 if _is_mat(card) else 0.35
    elif _is_mat(card):
        height, std = thickness, 0.4
    else:
        height, std = 0.0, 0.35
    # a height shows by how much larger it makes things: seen through another lens the same height looks another one
    return pose.plane.moved(height_mm=height), math.hypot(std, height * pose.focal_std)


def _start(placed: Placed, claim: Claim, pose: CardPose | None, card: CardSighting | None, height_std: float) -> _Start:
    """What tracing begins with, with or without a card."""
    thickness, thickness_std = _thickness(claim, card)
    wheel = Wheel(plane=placed.plane, form=placed.form, phase=placed.phase, thickness_mm=thickness)
    if pose is not None and card is not None:
        priors = _priors(pose, card, wheel, height_std, thickness_std)
        return _Start(wheel=wheel, priors=priors, scale_std=_SCALE_STD_CARD)
    # the pitch gives the scale: the distance is as free as the tilt, about the sprocket's own centre
    distance = float(np.linalg.norm(placed.plane.origin_mm))
    priors = Priors(
        pivot_mm=np.zeros(2),
        height_mm=0.03 * distance,
        tilt=math.radians(4.0),
        thickness_mm=thickness_std,
        bias_mm=0.03,
    )
    return _Start(wheel=wheel, priors=priors, scale_std=0.03)


def _priors(pose: CardPose, card: CardSighting, start: Wheel, height_std: float, thickness_std: float) -> Priors:
    pivot = start.plane.on_plane(pose.plane.project(pose.middle_mm[None]))[0]
    # burnt-out edges stand outside the metal; how much more than usual the card's ink shrank tells how burnt out it is
    excess = max(0.0, abs(pose.ink_px) - 0.2) / start.plane.px_per_mm
    return Priors(
        pivot_mm=pivot,
        height_mm=height_std,
        tilt=math.radians(0.2 if _is_mat(card) else 1.7),
        thickness_mm=math.hypot(thickness_std, start.thickness_mm * pose.focal_std),
        bias_mean_mm=0.4 * excess,
        bias_mm=_EDGE_STD_MM + 0.5 * excess,
    )
