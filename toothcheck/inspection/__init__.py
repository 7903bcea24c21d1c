"""The line from a photo to a grade: the table of contents of the package.

photo -> scale -> pose -> tracing ==ToothRing==> wear -> grade, and between them what is asked of the claims:

1. `toothcheck.cards`, `toothcheck.pose` and `start`: is there a card, how does it stand, how high over it is the face?
2. `toothcheck.placing`: where is the sprocket, and are tooth count, pitch and scale as claimed?
3. `toothcheck.quality`: is the photo good enough there?
4. `toothcheck.tracing` and `toothcheck.wear`: the teeth, and what is gone of them; from both sides where it is in doubt
   which flank drives.
5. `toothcheck.claims`: does the measured wheel bear out the rest of the claims?
6. `toothcheck.grade`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from toothcheck import claims, placing, quality
from toothcheck.cards.detect import CardSighting, find_card
from toothcheck.chains import CHAINS
from toothcheck.claims import Claim
from toothcheck.edges import optics
from toothcheck.estimate import Estimate
from toothcheck.grade import FEWEST_TEETH, grade
from toothcheck.inspection.document import tip_pixels
from toothcheck.inspection.result import Inspection, Told
from toothcheck.inspection.start import Start, face_of, start_of
from toothcheck.photo import Photo
from toothcheck.placing import Placed
from toothcheck.pose import CardPose, card_pose
from toothcheck.tracing.fit import UNKNOWNS
from toothcheck.tracing.trace import Traced, trace
from toothcheck.wear import WheelWear, fit_datum, measure

__all__ = ["Claim", "Inspection", "inspect", "tip_pixels"]

_SIZE_OFF = 0.012
"""By which share the outline may look larger or smaller than the card has it."""

_UNREAD, _FEWER_UNREAD = 0.2, 0.15
"""From which share of teeth not read, though in the frame, a fine photo is looked at once more with fewer pixels; how
much smaller it must be then."""

_Rollers = dict[tuple[float, float], float]
"""Weights of (pitch, roller diameter), mm."""


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
    card = find_card(photo.grey)
    pose = None if card is None else card_pose(card, photo.grey, photo.focals_35mm)
    if card is None or pose is None:
        return _inspected(photo, claim, card, pose, seed)
    blur_px, px_per_mm = card.blur_px, pose.plane.px_per_mm
    if quality.soft(blur_px, px_per_mm):
        return inspect(*_reduced(photo, claim, quality.SHARP_PX / blur_px), seed=seed)
    found = _inspected(photo, claim, card, pose, seed)
    kept, unread = quality.coarser(blur_px, px_per_mm), _unread(found)
    if kept is not None and kept < 1 and unread > _UNREAD:
        again = inspect(*_reduced(photo, claim, kept), seed=seed)
        if _unread(again) < unread - _FEWER_UNREAD:
            return again
    return found


def _unread(found: Inspection) -> float:
    """Share of the teeth whose edges were not followed; those that a chain hides are not told from lost ones here."""
    if found.wear is None:
        return float("few-teeth" in found.flags)
    teeth = found.wear.teeth
    return sum(not {"covered", "unclear-edge"}.isdisjoint(t.flags) for t in teeth) / len(teeth)


def _inspected(photo: Photo, claim: Claim, card: CardSighting | None, pose: CardPose | None, seed: int) -> Inspection:
    """What `inspect` finds with the pixels that there are."""
    rng = np.random.default_rng(seed)
    told = Told(
        photo=photo, claim=claim, card=card, pose=pose, flags=quality.card_flags(card, pose), notes=[],
        chain_open=claim.chain is None, teeth_open=claim.teeth is None,
    )  # fmt: skip
    if card is None and find_card(np.ascontiguousarray(photo.grey[:, ::-1])) is not None:
        return told.refused("mirrored")
    if card is None and claim.chain is None:
        return told.refused("chain-needed", "no-card")

    if card is not None and pose is not None:
        plane, height_std = face_of(pose, claim, card)
        placed = placing.place(photo.grey, plane, claim, card)
    else:
        told.flags.append("no-card")
        height_std = 0.0
        placed = placing.place_facing(photo.grey, photo.focals_35mm, claim)
    if placed is None:
        return told.refused("no-sprocket" if claim.near_px is None else "nothing-there")
    if card is None:
        told.flags.append("pitch-guess")
    told.take(placed)
    if card is not None and "two-sprockets" not in told.flags and claim.near_px is None:
        other = placing.second_wheel(photo.grey, plane, placed, card)
        if other is not None:
            told.say(["two-sprockets"], [f"The one of {placed.teeth} teeth was taken; another has about {other}."])
    if {"teeth-disagree", "chain-disagrees", "scale-disagrees"} & set(told.flags):
        return told.refused()

    start = start_of(placed, claim, pose, card, height_std)
    seen = quality.judge(photo.grey, start.wheel, None if card is None else card.blur_px)
    told.flags += seen.flags
    told.faults = seen.notes
    told.worded = (*told.worded, *seen.worded)
    if seen.hopeless:
        return told.refused()

    if told.chain_open:
        placed = _with_fitting_roller(photo, placed, start, seen, bool(claim.drive_clockwise))
        start = start_of(placed, claim, pose, card, height_std)
    return _measured(told, placed, start, seen, rng)


def _measured(told: Told, placed: Placed, start: Start, seen: quality.Quality, rng: np.random.Generator) -> Inspection:
    """From a start good enough to trace, to the grade."""
    sides = _from_the_sides(told, placed, start, seen, rng)
    if sides is None:
        return told.refused("few-teeth")
    _ask_which_drives(told, sides)
    percent, rollers = _ask_what_was_traced(told, placed, start, sides.taken)
    _find_the_chain(told, placed, rollers, sides)
    # which flank drives is doubt, too, where the readings of both sides differ
    wear, other = sides.taken.wear, sides.other
    weighed = wear if other is None else claims.weighed_wear(wear, other.wear, sides.right)
    verdict = grade(weighed, told.flags, rng)
    if "turning-open" in told.flags and verdict.grade != "good":
        told.flags[told.flags.index("turning-open")] = "turning-unknown"
        verdict = grade(weighed, told.flags, rng)
    return told.inspection(verdict, sides.taken.traced, wear, percent)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Side:
    """A photo traced and measured with the drive flanks on one side."""

    traced: Traced
    wear: WheelWear
    evidence: float
    """Log of the odds that the clockwise sides are the worn ones."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sides:
    """The side that is taken for the drive flanks', and the other one where that is in doubt."""

    taken: _Side
    other: _Side | None
    clockwise: float
    """Probability that drive flanks are on the clockwise sides."""

    @property
    def right(self) -> float:
        """Probability that it is the drive flanks that are taken for them."""
        return self.clockwise if self.taken.wear.drive_clockwise else 1 - self.clockwise

    @property
    def worn(self) -> bool:
        """Whether either reading shows wear beyond doubt."""
        return any(claims.shows_wear(side.wear) for side in (self.taken, self.other) if side is not None)


def _from_the_sides(
    told: Told, placed: Placed, start: Start, seen: quality.Quality, rng: np.random.Generator
) -> _Sides | None:
    """The wheel traced and measured from the side told, and from the other one where there is doubt; None: neither."""
    photo, claimed = told.photo, told.claim.drive_clockwise
    light, priors = optics(photo.planes, seen.blur_px), start.datum_priors

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

    side = from_side(bool(claimed))
    measured = 0 if side is None else sum(t.measured for t in side.wear.teeth)
    if measured < FEWEST_TEETH:
        told.say(*_untraceable(photo, placed, told.card))
    elif told.card is not None and measured < 0.5 * (placed.teeth - seen.teeth_outside):
        # an arc may lie on the form though the wheel has another size: centre and tilt give way
        told.say(*_size_disagrees(photo, placed))
    if side is None:
        return None
    clockwise = claims.drive_probability(side.evidence, claimed)
    if claimed is not None and not claims.turning_doubted(side.wear, side.evidence, claimed):
        return _Sides(taken=side, other=None, clockwise=clockwise)
    # in doubt: trace from the other side too, since each tracing trusts the gaps whose coast side lies on the form
    other = from_side(not bool(claimed))
    if other is None:
        return _Sides(taken=side, other=None, clockwise=clockwise)
    clockwise = claims.drive_probability((side.evidence + other.evidence) / 2, claimed)
    if claimed is None and (clockwise > 0.5) != bool(claimed):
        side, other = other, side
    taken = replace(side, wear=_with_gone(side.wear, other.wear))
    return _Sides(taken=taken, other=other, clockwise=clockwise)


def _ask_which_drives(told: Told, sides: _Sides) -> None:
    """Flags on the turning, as told or left to the photo, and on coast flanks that are worn, too."""
    wear, other = sides.taken.wear, sides.other
    if told.claim.drive_clockwise is None:
        told.flags += _turning_flags(sides.worn, sides.clockwise)
    else:
        told.flags += claims.wear_flags(wear, None if other is None else other.wear, sides.right)
    if "wear-on-coast-flank" not in told.flags:  # else it is the drive flank that is taken for the coast one
        told.flags += claims.coast_flags(wear)


def _ask_what_was_traced(told: Told, placed: Placed, start: Start, side: _Side) -> tuple[Estimate | None, _Rollers]:
    """Flags on scale, form, tips, roller and plane; the card's scale against the pitch's, and the rollers' weights."""
    traced, wear = side.traced, side.wear
    percent = None
    if told.pose is not None:
        percent, distance = claims.card_to_pitch(traced.fit, start.wheel, start.priors)
        off = claims.scale_flags(percent, start.priors.height_mm, distance)
        told.say(*off)
        told.worded = (*told.worded, *off[0])
    told.say(*claims.seat_flags(traced, wear, with_card=told.card is not None))
    told.say(*claims.form_flags(wear))
    told.say(*claims.tip_flags(traced.ring, wear))
    rollers = claims.roller_shares(traced.ring, placed.chain, wear.datum, wear.drive_clockwise, start.datum_priors)
    if not told.chain_open:
        told.say(*claims.roller_flags(rollers, placed.chain))
    k = [UNKNOWNS.index(name) for name in ("tilt_x", "tilt_y")]
    tilts = np.sqrt(np.diag(traced.fit.covariance)[k])
    told.flags += quality.plane_flags(math.degrees(float(max(tilts))))
    if sum(t.measured for t in wear.teeth) < FEWEST_TEETH:
        told.flags.append("few-teeth")
    return percent, rollers


def _find_the_chain(told: Told, placed: Placed, rollers: _Rollers, sides: _Sides) -> None:
    """What the photo says of chain size and turning, and the size filled in where it was left to the photo."""
    # only a thickness that was measured tells sizes apart: walls are followed as the chain told has them
    thick = told.claim.thickness_mm
    width = None if thick is None else Estimate(value=thick, std=0.1)
    tells = sides.worn and not 0.4 <= sides.clockwise <= 0.6
    told.found = replace(
        told.found,
        chains=claims.chain_shares(_joined(placed.pitches, rollers), width),
        drive_clockwise=sides.clockwise if tells else None,
    )
    if told.chain_open and told.found.chains:
        told.claim = replace(told.claim, chain=CHAINS[told.found.chains[0][0]])
        if told.found.chains[0][1] < claims.SURE:
            told.flags.append("chain-open")
        if len(told.found.chains_alike) > 1:
            told.worded = (*told.worded, "chain-open")  # what was found is said by name


def _with_fitting_roller(photo: Photo, placed: Placed, start: Start, seen: quality.Quality, drive: bool) -> Placed:
    """The place with the chain whose roller fits the seats best; only its pitch was found before."""
    light, priors = optics(photo.planes, seen.blur_px), start.datum_priors
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


def _joined(pitches: _Rollers, rollers: _Rollers) -> _Rollers:
    """Weights of (pitch, roller): the place tells the pitch, the seats tell the roller."""
    out: _Rollers = {}
    for (pitch, d1), weight in rollers.items():
        out[pitch, d1] = weight * max(sum(w for (p, _), w in pitches.items() if p == pitch), 1e-3)
    for (pitch, d1), weight in pitches.items():
        if all(pitch != p for p, _ in rollers):
            out[pitch, d1] = weight
    return out


def _reduced(photo: Photo, claim: Claim, kept: float) -> tuple[Photo, Claim]:
    """A photo with a share of its width and height, and what was claimed of it in these pixels."""
    fewer = photo.reduced(kept)
    if claim.near_px is None:
        return fewer, claim
    x, y = fewer.from_loaded(np.array(claim.near_px))
    return fewer, replace(claim, near_px=(float(x), float(y)))
