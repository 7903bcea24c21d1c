"""The one registry of quality flags: what each says, and what to do about it.

A flag means: the measurement went on, but trust it less (or: this tooth was left out).  Codes are lower-case words
with hyphens; results carry codes, people see the sentence and the remedy.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One thing that can be wrong with a photo, a tooth or a claim."""

    code: str
    sentence: str
    remedy: str

    @property
    def needs_words_only(self) -> bool:
        """Whether its remedy names an option: that is told of this photo, and needs no other one."""
        return "--" in self.remedy


_CARD = "Print a card (toothcheck card pocket), lay it in the sprocket's face plane, all markers in view."

_ALL = (
    # --- the photo
    Flag(
        code="no-card",
        sentence="No scale card was found.",
        remedy=_CARD,
    ),
    Flag(
        code="card-cut",
        sentence="Part of the scale card is covered, out of frame or unreadable.",
        remedy="Keep every marker of the card in the picture, flat and clean.",
    ),
    Flag(
        code="card-bowed",
        sentence="The card's markers do not lie in one plane.",
        remedy="Print on stiff paper, or glue the card to something flat.",
    ),
    Flag(
        code="mixed-cards",
        sentence="Markers of different cards are in the picture; the card with more markers was used.",
        remedy="Leave only one card in the picture.",
    ),
    Flag(
        code="too-far",
        sentence="The teeth are too small in the picture to measure.",
        remedy="Come closer or zoom in until the sprocket fills most of the picture, or use more megapixels.",
    ),
    Flag(
        code="blurred",
        sentence="The picture is not sharp.",
        remedy="Rest the phone on something, tap on the teeth to focus, use more light.",
    ),
    Flag(
        code="burnt-out",
        sentence="Much of the sprocket is burnt out to white.",
        remedy="Take the photo in the shade or with less light, without flash.",
    ),
    Flag(
        code="dark",
        sentence="The sprocket is too dark in the picture.",
        remedy="Use more, and diffuse, light.",
    ),
    Flag(
        code="oblique",
        sentence="The photo was taken too much from the side.",
        remedy="Hold the phone square on to the sprocket's face, within about 25 degrees.",
    ),
    Flag(
        code="steep",
        sentence="The photo was taken so much from the side that the teeth hide one another.",
        remedy="Hold the phone square on to the sprocket's face, within about 25 degrees.",
    ),
    Flag(
        code="teeth-out-of-frame",
        sentence="Some teeth are outside the picture.",
        remedy="Step back until every free tooth is in the picture.",
    ),
    Flag(
        code="mirrored",
        sentence="The photo is mirrored: its scale card can be read only in a mirror.",
        remedy="Send the original photo, not one from a front camera or an edited one.",
    ),
    # --- the sprocket and the claims about it
    Flag(
        code="no-sprocket",
        sentence="No sprocket with these data was found in the picture.",
        remedy="Check chain size and tooth count; put the sprocket in the middle against a plain background.",
    ),
    Flag(
        code="nothing-there",
        sentence="No sprocket was found at the place pointed at.",
        remedy="Check the pixels of --near X,Y: x from the left edge, y from the top one, of the photo as it is shown;"
        " then chain size and tooth count.",
    ),
    Flag(
        code="teeth-disagree",
        sentence="The photo does not support the tooth count given.",
        remedy="Count the teeth again, or leave the count to the photo with --teeth auto.",
    ),
    Flag(
        code="teeth-uncertain",
        sentence="The photo leaves more than one tooth count open.",
        remedy="Count the teeth and say so with --teeth.",
    ),
    Flag(
        code="chain-disagrees",
        sentence="The photo does not support the chain size given.",
        remedy="Read the size stamped on the chain's plates, or leave it to the photo with --chain auto.",
    ),
    Flag(
        code="chain-needed",
        sentence="Without a card the chain size is needed: its pitch gives the scale.",
        remedy="Read the size on the chain's plates and say it with --chain.",
    ),
    Flag(
        code="roller-disagrees",
        sentence="The seats fit another roller than that of the chain size given.",
        remedy="Read the size stamped on the chain's plates: sizes of one pitch differ in their rollers.",
    ),
    Flag(
        code="scale-disagrees",
        sentence="The card's scale and the sprocket's own pitch disagree.",
        remedy="Measure the card's print against a bank card or a rule, print at 100 %, and check or say how far the"
        " card lies over the face (--card-height).",
    ),
    Flag(
        code="form-disagrees",
        sentence="What was followed does not lie on the ISO 606 form: this may be a gear, a chainring or another"
        " profile, or a shadow, dirt or an unquiet ground was taken for the teeth.",
        remedy="Check the part; if it is a chain sprocket, wipe the teeth, use diffuse light and put something plain"
        " behind them.",
    ),
    Flag(
        code="wear-on-coast-flank",
        sentence="The wear is on the flank that should be unworn.",
        remedy="Check --turning and --position; the photo may be mirrored, or the part has been turned round.",
    ),
    Flag(
        code="turning-doubted",
        sentence="The photo raises doubt about the turning given: the other flank may be the drive flank.",
        remedy="Check --turning and --position: which way the sprocket turns in the photo when rolling forward.",
    ),
    Flag(
        code="worn-both-flanks",
        sentence="Both flanks are worn; the part may have been turned round.",
        remedy="Compare with a new part, or with a photo of this one as new (--baseline).",
    ),
    Flag(
        code="flanks-worn-alike",
        sentence="Both flanks are worn towards the roots, so how much the drive flank has lost cannot be told.",
        remedy="Look whether the part was turned round, and lay a new one beside it (toothcheck match).",
    ),
    Flag(
        code="baseline-not-used",
        sentence="The baseline could not be compared with this photo, or is of another part.",
        remedy="Name a photo or a reading of this very part (--baseline).",
    ),
    Flag(
        code="chain-open",
        sentence="The photo leaves several chain sizes open; one of them was taken.",
        remedy="Read the size on the chain's plates and say it with --chain.",
    ),
    Flag(
        code="turning-inferred",
        sentence="The drive flank was inferred from the wear itself.",
        remedy="Say which way the sprocket turns in the photo with --turning.",
    ),
    Flag(
        code="turning-unknown",
        sentence="Which flank is the drive flank was not told, and the wear does not show it.",
        remedy="Say which way the sprocket turns in the photo with --turning.",
    ),
    Flag(
        code="turning-open",
        sentence="Which flank is the drive flank was not told; neither is worn, so it makes no difference.",
        remedy="Say which way the sprocket turns in the photo with --turning, next time wear may show.",
    ),
    Flag(
        code="two-sprockets",
        sentence="More than one sprocket of these data is in the picture; the clearest was taken.",
        remedy="Point at the one meant with --near X,Y.",
    ),
    Flag(
        code="plane-uncertain",
        sentence="The sprocket's plane is poorly determined by this photo.",
        remedy="Lay the card in the plane of the face, close to the teeth, and photograph square on.",
    ),
    Flag(
        code="few-teeth",
        sentence="Few teeth could be measured.",
        remedy="Turn the sprocket and photograph the other teeth, or wipe them clean.",
    ),
    Flag(
        code="pitch-guess",
        sentence="The pitch alone gives the scale, so a wrong chain size would go unnoticed.",
        remedy=_CARD,
    ),
    # --- before and after
    Flag(
        code="teeth-not-told-apart",
        sentence="Nothing tells which tooth is which between the two photos; only the median loss holds.",
        remedy="Mark one tooth with paint or chalk before both photos, or give the turn by hand.",
    ),
    Flag(
        code="metal-grown",
        sentence="The later photo shows more metal than the earlier one.",
        remedy="Check the order of the photos, and that they show the same part from the same side.",
    ),
    Flag(
        code="unworn-side-differs",
        sentence="The side of the teeth that should not wear differs between the photos.",
        remedy="Check the direction of turning, and that both photos show the same part from the same side.",
    ),
    Flag(
        code="part-turned-over",
        sentence="The later photo fits better as a mirror image: the part may have been turned over.",
        remedy="Photograph the same face both times.",
    ),
    # --- a tooth
    Flag(
        code="covered",
        sentence="No flanks were seen there: chain, guard or dirt cover the tooth, or shadow or glare hide its edges.",
        remedy="Wipe it, or turn the sprocket until it is free; use diffuse light.",
    ),
    Flag(
        code="out-of-frame",
        sentence="The tooth is outside the picture.",
        remedy="Step back or aim again.",
    ),
    Flag(
        code="unclear-edge",
        sentence="The tooth's edge could not be followed.",
        remedy="Wipe it, use diffuse light, put something plain behind it.",
    ),
    Flag(
        code="broken",
        sentence="The tooth is broken, missing or bent: most of it is not there; what lies behind it is seen instead.",
        remedy="Do not ride; renew the set.",
    ),
    Flag(
        code="stands-aside",
        sentence="A tooth stands aside of its place, both flanks alike, by more than chance: it may be bent.",
        remedy="Look along the sprocket's edge and lay a straight edge on the teeth: with a bent tooth, do not ride.",
    ),
    Flag(
        code="leans",
        sentence="A tooth is seen as one bent out of the plane: by where it stands or a crease at its root.",
        remedy="Look along the sprocket's edge and lay a straight edge on the teeth: with a bent tooth, do not ride.",
    ),
    Flag(
        code="tip-differs",
        sentence="A tooth's tip ends elsewhere than the other tips: it may be bent, or a corner of it broken off.",
        remedy="Wipe the tooth in doubt and look at it from all sides and along the edge: bent or broken, do not ride.",
    ),
    Flag(
        code="hook-unseen",
        sentence="The drive flank was not seen far enough up to its tip to tell a hook.",
        remedy="Wipe the tip, put something plain behind it, and look for a lip with a fingernail (engine off).",
    ),
    Flag(
        code="tip-unmeasured",
        sentence="The tip's thickness or thinning was not measured: both edges were not seen so high up, or the tooth"
        " ends about there.",
        remedy="The grade does not need it. Wipe the tips and put something plain behind them to measure it.",
    ),
)

ANOTHER_PHOTO = frozenset(
    {
        "no-card", "pitch-guess", "card-cut", "card-bowed", "mixed-cards", "burnt-out", "dark", "oblique",
        "teeth-out-of-frame", "plane-uncertain",
    }
)  # fmt: skip
"""Flags with which a grade may be given, and whose remedy is nothing but another photo."""
TURNING_GUESSED = frozenset({"turning-open", "turning-unknown"})
"""Flags with which it is not known which flank drives; the measuring then takes one side for granted."""
MAY_BE_DAMAGED = frozenset({"stands-aside", "leans", "tip-differs"})
"""Flags of teeth that must be looked at before a grade is given."""


def number_mark(codes: Collection[str]) -> str:
    """What stands behind a tooth's number in pictures and charts: it is gone, or may be damaged."""
    if "broken" in codes:
        return "!"
    return "" if MAY_BE_DAMAGED.isdisjoint(codes) else "?"


FLAGS: dict[str, Flag] = {flag.code: flag for flag in _ALL}


def flag(code: str) -> Flag:
    """The flag of that code.

    Raises
    ------
    ValueError
        When no such flag is registered.
    """
    if code not in FLAGS:
        raise ValueError(f"flag must be a registered code, not {code!r}")
    return FLAGS[code]
