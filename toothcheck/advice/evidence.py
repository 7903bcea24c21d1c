"""What the evidence says: what is due and why, what is on its way, and what to measure next where it is thin."""

from __future__ import annotations

from dataclasses import dataclass

from toothcheck.advice.seen import LENGTH_HOLDS_KM, PHOTO_HOLDS_KM, InWords
from toothcheck.advice.situation import ChainState, Situation, SprocketState
from toothcheck.grade import RENEW_ANYWAY, halt_until
from toothcheck.stretch import COUNT_SHOWS_PITCHES
from toothcheck.stretch.published import general_figures

NEAR = 0.7
"""Share of the chain's limit from which it is watched (our convention)."""
ADJUSTER_LOW_PERCENT = 25.0
"""Travel of the adjuster below which it is watched (our convention)."""
OUTLIVED = 1.3
"""A sprocket with this many times the chain's distance has served an earlier chain (our convention)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a plan is made of, in sentences."""

    due: tuple[str, ...]
    """What makes the chain due."""
    no_further: str | None
    """Why the chain is not to be ridden on until it has been renewed; None where it may be."""
    soon: tuple[str, ...]
    """What makes the chain worth watching."""
    outlived: str | None
    """That a sprocket has served an earlier chain."""
    reasons: tuple[str, ...]
    """All that is known; ``due``, ``soon`` and ``outlived`` among it."""
    gaps: tuple[str, ...]
    """What is not known, and how to find it out."""


def evidence_of(s: Situation, far: InWords) -> Evidence:
    """Weigh all that is known; ``far`` puts km into words."""
    due, soon, unknown = _chain_signs(s)
    outlived = _outlived(s, far)
    return Evidence(
        due=tuple(due),
        no_further=_no_further(s),
        soon=tuple(soon),
        outlived=outlived,
        reasons=tuple(_reasons(s, [*due, *soon], outlived, far)),
        gaps=(*_sprocket_gaps(s), *unknown),
    )


def _reasons(s: Situation, signs: list[str], outlived: str | None, far: InWords) -> list[str]:
    out = [said for name, part in s.both for said in said_of(name.capitalize(), part, far)]
    if s.clash is not None:
        out.append(s.clash)
    out += signs
    if s.chain.long_without_limit:
        out += general_figures(None)
    if s.chain.doubt is not None:
        out.append(s.chain.doubt)
    if s.chain.decision is not None and s.chain.decision.sentence not in " ".join(out):
        out.append(s.chain.decision.sentence)
    out += _measured(s.chain, far)
    if outlived is not None:
        out.append(outlived)
    if s.chain.age_years is not None:
        km = f", {far(s.chain.distance_km)}" if s.chain.distance_km is not None else ""
        out.append(f"Chain: {s.chain.age_years:g} years{km}. Seals and grease age standing, too: feel for stiff links.")
    elif s.chain.distance_km is not None:
        out.append(f"Chain: {far(s.chain.distance_km)}.")
    return out


def said_of(name: str, s: SprocketState | None, far: InWords) -> list[str]:
    """What is known of one sprocket, in sentences; ``name`` is ``Front`` or ``Rear``."""
    if s is None:
        return [f"{name} sprocket: not graded."]
    unread = s.grade == "cannot-tell" and s.confidence is None
    graded = s.grade if s.seen is None else f"{s.grade} {s.seen.when(far)}"
    bits = [f"{name} sprocket: {'not graded' if unread else graded}"]
    if s.teeth is not None:
        bits.append(f"{s.teeth} teeth")
    if s.asymmetry_percent is not None:
        bits.append(f"asymmetry {s.asymmetry_percent.text('%')}")
    if s.confidence is not None:
        bits.append(f"confidence {100 * s.confidence:.0f} %")
    if s.distance_km is not None:
        bits.append(far(s.distance_km) if s.seen is None else f"has run {far(s.distance_km)} by now")
    out = [", ".join(bits) + "."]
    if s.untold_on is not None:
        out.append(f"The newest photo of the {name.lower()} sprocket, of {s.untold_on}, could not tell.")
    if s.old and s.seen is not None:
        why = s.seen.why_lapsed("a photo", PHOTO_HOLDS_KM, far)
        out.append(f"That grade of the {name.lower()} sprocket is too old to go by: {why}")
    if s.renew is not None:
        out.append(f"{name} sprocket: {RENEW_ANYWAY}")
    if s.halt is not None:
        may_be = f"{s.halt.which} may be broken, missing or bent{s.halt.photo}"
        out.append(f"{name} sprocket: {may_be}. {halt_until(s.halt.which)}.")
    if s.dispute is not None:
        out.append(f"{name} sprocket: {s.dispute.sentence}")
    if s.remark is not None:
        out.append(f"{name} sprocket: {s.remark}")
    return out


def _measured(c: ChainState, far: InWords) -> list[str]:
    """When the chain was measured."""
    more = [f"Chain: {said}" for said in (c.dispute.sentence if c.dispute else None, c.remark) if said is not None]
    if c.seen is None or c.elongation_percent is None:
        return more
    out = [f"The chain was measured {c.seen.when(far)}."]
    if c.old:
        out.append(f"That is too old to go by: {c.seen.why_lapsed('a length', LENGTH_HOLDS_KM, far)}")
    return [" ".join(out), *more]


def _chain_signs(s: Situation) -> tuple[list[str], list[str], list[str]]:
    """What makes the chain due, what makes it worth watching, what is not known."""
    due, soon, unknown = [], [], []
    c, decision = s.chain, s.chain.decision
    if c.dispute is not None:
        unknown.append(c.dispute.remedy)
    elif decision is None or c.old:
        unknown.append(
            f"Measure the chain's elongation {'again ' if c.old else ''}under pull, at three places or more, not over "
            "the joining link (toothcheck stretch)."
        )
    side, sentence = ("", "") if decision is None else (decision.side, decision.sentence)
    if side == "no-limit":
        unknown.append("Look up the chain's limit in the machine's manual and type it with its page (--limit).")
    elif side == "beyond":
        due.append(sentence)
    elif side == "too-near":
        due.append(f"{sentence} A chain that may be beyond its limit is treated as due.")
        unknown.append("Measure the chain again with a calliper, over more pitches, to settle which side it is on.")
    elif side == "cannot-tell":
        unknown.append(
            f"Measure the chain again over {COUNT_SHOWS_PITCHES} pitches, or count the rollers, too "
            "(toothcheck stretch --rollers)."
        )
    elif side == "within" and c.elongation_percent is not None and c.limit is not None:
        if c.elongation_percent.value >= NEAR * c.limit.elongation_percent:
            soon.append(f"{sentence} Most of it is used.")
    if c.damaged:
        due.append("The chain is damaged: it must not be ridden.")
    if c.stiff_or_uneven:
        due.append(
            "The chain has stiff links or a tight and a slack part: cleaning does not cure worn or seized joints."
        )
    left = s.adjuster_left_percent
    if left is None:
        unknown.append("Look how much of the adjuster's travel is left, and whether its renew mark is reached.")
    elif left <= 0:
        due.append(
            "The adjuster is at its end or at the renew mark: with the right number of links the chain is worn out."
        )
    elif left < ADJUSTER_LOW_PERCENT:
        soon.append(f"Only {left:.0f} % of the adjuster's travel is left.")
    return due, soon, unknown


def _no_further(s: Situation) -> str | None:
    """As `Evidence.no_further`, for the reasons that every plan's cautions name."""
    decision, left = s.chain.decision, s.adjuster_left_percent
    signs = (
        (s.chain.damaged, "the chain is damaged"),
        (s.chain.stiff_or_uneven, "the chain has stiff links or a tight and a slack part"),
        (decision is not None and decision.side == "beyond", "the chain is beyond its limit"),
        (left is not None and left <= 0, "the adjuster is at its end"),
    )
    return " and ".join(why for sign, why in signs if sign) or None


def _sprocket_gaps(s: Situation) -> list[str]:
    """What of the sprockets is not known, or not surely."""
    out = []
    for name, sprocket in s.both:
        if sprocket is not None and sprocket.halt is not None:
            remedy = "" if sprocket.halt.remedy is None else f"; {sprocket.halt.remedy}"
            out.append(f"Have a qualified mechanic look at {sprocket.halt.which} of the {name} sprocket{remedy}.")
        if sprocket is not None and sprocket.dispute is not None:
            out.append(f"{name.capitalize()} sprocket: {sprocket.dispute.remedy}")
        elif sprocket is not None and sprocket.halt is not None:
            continue  # another photo does not settle it
        elif sprocket is None or sprocket.grade_now == "cannot-tell":
            extra = " (take its cover off)" if name == "front" else ""
            again = " again" if sprocket is not None and sprocket.grade != "cannot-tell" else ""
            out.append(f"Photograph the {name} sprocket{again}{extra} and grade it (toothcheck inspect).")
        elif not sprocket.sure:
            out.append(f"The {name} sprocket's grade is not sure: photograph it again, cleaner, squarer or closer.")
    if s.clash is not None:
        out.append(
            "Read the chain size off the chain's plates and off each sprocket, and correct what is wrong: the words "
            "given here, or the logbook's entry (toothcheck logbook correct NUMBER --chain SIZE --reason WHY)."
        )
    return out


def _outlived(s: Situation, far: InWords) -> str | None:
    """That a sprocket has served an earlier chain; None where none is known to have."""
    km = s.chain.distance_km
    if km:
        for name, sprocket in s.known.items():
            if sprocket.distance_km is not None and sprocket.distance_km >= OUTLIVED * km:
                return (
                    f"The {name} sprocket has {far(sprocket.distance_km)}, the chain {far(km)}: "
                    "it has served an earlier chain already."
                )
    return None
