"""What comes of inspecting a photo, and what is found out on the way."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from toothcheck import claims
from toothcheck.cards.detect import CardSighting
from toothcheck.claims import Claim, Found
from toothcheck.estimate import Estimate
from toothcheck.flags import flag
from toothcheck.grade import CANNOT_TELL, Verdict, refusal, with_step
from toothcheck.inspection.document import document
from toothcheck.patterns import LIGHT_MM, Pattern, apart, patterns
from toothcheck.photo import Photo
from toothcheck.placing import Placed
from toothcheck.pose import CardPose
from toothcheck.tracing.trace import Traced
from toothcheck.wear import WheelWear


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
    faults: tuple[str, ...] = ()
    """What the photo itself is short of; stands before the reasons where no grade is given, and after them else."""
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
            wipe = f"Wipe tooth {odd} and look at it: it stands apart from all others, and dirt does that, too."
            steps = with_step(steps, wipe)
        first, last = (self.faults, ()) if verdict.grade == CANNOT_TELL else ((), self.faults)
        reasons = (*self.notes, *first, *own, *around, *last)
        return replace(self, verdict=replace(verdict, reasons=reasons, next_steps=steps))

    def document(self) -> dict[str, Any]:
        """The JSON document of measures.md, section 6."""
        return document(self)


@dataclass(slots=True, kw_only=True, eq=False)
class Told:
    """What has been found out so far; grows along the line."""

    photo: Photo
    claim: Claim
    card: CardSighting | None
    pose: CardPose | None
    flags: list[str]
    notes: list[str]
    faults: tuple[str, ...] = ()
    """What the photo itself is short of, in words."""
    worded: tuple[str, ...] = ()
    """Flags whose sentence a note gives with its number."""
    found: Found = field(default_factory=Found)
    chain_open: bool = False
    teeth_open: bool = False
    """Whether chain size and tooth count were left to the photo."""

    def say(self, flags: list[str], notes: list[str]) -> None:
        """Add flags, and sentences that come before the grade's own reasons."""
        self.flags += flags
        self.notes += notes

    def take(self, placed: Placed) -> None:
        """Go on with what was placed: fills in what was left to the photo, keeps what was told."""
        self.say(list(placed.flags), list(placed.notes))
        self.worded = placed.worded
        self.found = replace(placed.found, chains=claims.chain_shares(placed.pitches, None))
        self.claim = replace(
            self.claim,
            chain=placed.chain if self.claim.chain is None else self.claim.chain,
            teeth=placed.teeth if self.claim.teeth is None else self.claim.teeth,
        )

    def refused(self, *flags: str) -> Inspection:
        """The inspection where nothing could be measured."""
        self.flags += [f for f in flags if f not in self.flags]
        return self.inspection(refusal(self.flags), None, None, None)

    def inspection(
        self, verdict: Verdict, traced: Traced | None, wear: WheelWear | None, percent: Estimate | None
    ) -> Inspection:
        """The inspection with everything that has been found out."""
        found = self.found.in_words(teeth=self.teeth_open, chain=self.chain_open)
        around: tuple[Pattern, ...] = ()
        if wear is not None:
            around = patterns(wear.drive_loss_alone_mm, shared=wear.drive_loss_shared_mm2, light=LIGHT_MM)
        return Inspection(
            photo=self.photo, claim=self.claim, card=self.card, card_pose=self.pose, traced=traced, wear=wear,
            verdict=verdict, flags=tuple(dict.fromkeys(self.flags)), card_to_pitch_percent=percent, found=self.found,
            patterns=around, notes=((found,) if found else ()) + tuple(self.notes), faults=self.faults,
            worded=self.worded,
        ).judged(verdict)  # fmt: skip
