"""From evidence to one plan, with its reasons and with what to measure next where the evidence is thin.

The rules (this project's convention, except where a limit was typed from the machine's manual):

1. a sprocket to be replaced, by its grade or by every one that is likely, or a broken tooth: the whole set.
2. a chain that is due (beyond its limit, too near to tell, adjuster used up, stiff or damaged links): chain only when
   both sprockets are graded `good` with confidence and have not already outlived a chain; the whole set when either is
   worn; and when a sprocket is not graded, that first.  Before the next ride, unless it is only too near to tell.
3. the chain's reading cannot be right: that first, whatever it would say.  What was seen too long ago counts as not
   seen (`toothcheck.advice.seen`), and so does a grade better than ``replace-set`` once a newer photo could not tell;
   what is worn stays worn however long ago.  A chain as long as some machines' limits allow, and its own limit not
   known: that first, too.
4. neither is due, but something is on its way: watch.
5. a tooth that may be broken or bent (`toothcheck.grade.HALTING`) comes before all of these but the first: nobody rides
   before a qualified mechanic has looked at it.
6. nothing, only when both sprockets and the chain were judged and are good.

Where two readings of a part contradict each other, the worse one counts in all of these (`Dispute`), and the headline,
which the papers carry, says so.  Parts of different chain sizes are sorted out before anything but a set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from toothcheck.advice.meshing import meshing, roller_lift_mm
from toothcheck.advice.seen import LENGTH_HOLDS_KM, PHOTO_HOLDS_KM, Dispute, Halt, InWords, Seen
from toothcheck.chains import FEWEST_LINKS, Chain
from toothcheck.estimate import Estimate
from toothcheck.grade import ALL_GRADES, GRADES, RENEW_ANYWAY, Renewal, halt_until
from toothcheck.stretch import COUNT_SHOWS_PITCHES, Decision, Limit, decide, doubt_about
from toothcheck.stretch.published import general_figures, published_percent

Action = Literal["nothing", "watch", "chain-only", "set", "measure-first"]
Grade = Literal["good", "watch", "replace-set", "replace-now", "cannot-tell"]
CONFIDENT = 0.8
"""Below this, a grade does not carry a decision to keep a part (our convention)."""
NEAR = 0.7
"""Share of the chain's limit from which it is watched (our convention)."""
OUTLIVED = 1.3
"""A sprocket with this many times the chain's distance has served an earlier chain (our convention)."""

CAUTIONS = (
    "A good grade does not mean safe to ride: a photo sees the shape of the teeth, not cracks, hardness, the joints of "
    "the chain, bearings, or how things are tightened.",
    "Do not ride with hooked, broken or missing teeth, a chain that jumps or clatters, stiff links, cracked or missing "
    "rollers, or an adjuster at its end.",
    "Engine off and cold, key out; turn the wheel by hand only, fingers out of the run of the chain.",
    "The machine's manual and local rules come first; when in doubt ask a qualified mechanic.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SprocketState:
    """One sprocket as judged.

    Raises
    ------
    ValueError
        When the grade is none of the five or a number is out of range.
    """

    grade: Grade
    confidence: float | None = None
    teeth: int | None = None
    asymmetry_percent: Estimate | None = None
    distance_km: float | None = None
    """The part's own, by now."""
    seen: Seen | None = None
    """When its grade was given; None for one given today."""
    untold_on: str | None = None
    """The day of a newer photo that could not tell."""
    chain_size: str | None = None
    """The chain that it is made for, by name."""
    dispute: Dispute | None = None
    """A newer photo's milder grade that contradicts this one."""
    halt: Halt | None = None
    """Teeth for which nobody may ride, whatever the grade."""
    renew: Renewal | None = None
    """When parts are to be renewed by the newest photo, which could not tell the grade."""
    remark: str | None = None
    """What else was read of it that does not count, a sentence."""
    foretold: str | None = None
    """When it will be due by its readings, a sentence: told only beside a plan by which it may stay."""

    def __post_init__(self) -> None:
        if self.grade not in ALL_GRADES:
            raise ValueError(f"grade must be one of {', '.join(ALL_GRADES)}, not {self.grade!r}")
        if self.confidence is not None and not 0 <= self.confidence <= 1:
            raise ValueError(f"confidence must lie between 0 and 1, not {self.confidence}")
        if self.teeth is not None and not 7 <= self.teeth <= 150:
            raise ValueError(f"teeth must lie between 7 and 150, not {self.teeth}")
        if self.distance_km is not None and self.distance_km < 0:
            raise ValueError(f"distance_km must not be negative, not {self.distance_km}")

    @property
    def old(self) -> bool:
        """Whether the part may have worn into another grade since."""
        return self.grade in ("good", "watch") and self.seen is not None and self.seen.lapsed(PHOTO_HOLDS_KM)

    @property
    def grade_now(self) -> Grade:
        """The grade that counts today: ``good`` and ``watch`` only while they hold, and while nothing newer doubts."""
        doubted = self.grade in ("good", "watch") and self.untold_on is not None
        return "cannot-tell" if self.old or doubted else self.grade

    @property
    def sure(self) -> bool:
        """Whether the grade may decide: typed without confidence (an eye's grade) it may, but not below `CONFIDENT`.

        Nor may it while a tooth halts.
        """
        told = self.halt is None and self.grade_now != "cannot-tell"
        return told and (self.confidence is None or self.confidence >= CONFIDENT)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainState:
    """The chain as measured and looked at."""

    elongation_percent: Estimate | None = None
    if_one_fewer_percent: Estimate | None = None
    """The elongation, should rollers have been counted as pitches; None where that cannot be, or is not known."""
    misread: str | None = None
    """What the reading behind the elongation looks like instead, where it is known and cannot be right."""
    dispute: Dispute | None = None
    """A later, shorter length that contradicts it."""
    remark: str | None = None
    """What else was measured of it that does not count, a sentence."""
    size: str | None = None
    """Its own size, by name."""
    limit: Limit | None = None
    links: int | None = None
    distance_km: float | None = None
    """Its own, by now."""
    seen: Seen | None = None
    """When its elongation was measured; None for today."""
    age_years: float | None = None
    stiff_or_uneven: bool = False
    """Links that do not straighten, or a tight and a slack part in one turn."""
    damaged: bool = False
    """Cracked plates, cracked or missing rollers, a loose joining link, missing seals."""

    def __post_init__(self) -> None:
        if self.links is not None and self.links < FEWEST_LINKS:
            raise ValueError(f"links must be at least {FEWEST_LINKS}, not {self.links}")
        for name in ("distance_km", "age_years"):
            value = getattr(self, name)
            if value is not None and not 0 <= value < math.inf:
                raise ValueError(f"{name} must be a number from 0 up, not {value}")

    @property
    def doubt(self) -> str | None:
        """Why the elongation is not to be believed; None when it may be, or was not measured."""
        e = self.elongation_percent
        return None if e is None else self.misread or doubt_about(e.value)

    @property
    def decision(self) -> Decision | None:
        """The elongation held against the limit, if it was measured and can be right."""
        e = self.elongation_percent
        if e is None or self.doubt is not None:
            return None
        return decide(e, self.limit, if_one_fewer=self.if_one_fewer_percent)

    @property
    def old(self) -> bool:
        """Whether a chain that was not beyond its limit may be by now."""
        decision = self.decision
        kept = decision is not None and decision.side in ("within", "no-limit")
        return kept and self.seen is not None and self.seen.lapsed(LENGTH_HOLDS_KM)

    @property
    def long_without_limit(self) -> bool:
        """Whether it is as long as the least of the published limits, while its own machine's is not known."""
        e, decision = self.elongation_percent, self.decision
        open_ = e is not None and decision is not None and decision.side == "no-limit"
        return e is not None and open_ and e.value >= published_percent()[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Situation:
    """All that is known of one machine's drive; None is unknown."""

    front: SprocketState | None = None
    rear: SprocketState | None = None
    chain: ChainState = field(default_factory=ChainState)
    size: Chain | None = None
    adjuster_left_percent: float | None = None
    """How much of the adjuster's travel is left, 0 at its end or at the renew mark, 100 when new."""

    def __post_init__(self) -> None:
        left = self.adjuster_left_percent
        if left is not None and not 0 <= left <= 100:
            raise ValueError(f"adjuster_left_percent must lie between 0 and 100, not {left}")

    @property
    def clash(self) -> str | None:
        """That the parts are of different chain sizes, in words; None when they are not, as far as is known."""
        sizes = {
            "front sprocket": None if self.front is None else self.front.chain_size,
            "rear sprocket": None if self.rear is None else self.rear.chain_size,
            "chain": self.chain.size,
        }
        known = {name: size for name, size in sizes.items() if size is not None}
        if len(set(known.values())) < 2:
            return None
        return (
            f"The chain sizes do not match: {', '.join(f'{name} {size}' for name, size in known.items())}. Chain and "
            "sprockets must be of one size."
        )

    @property
    def disputed(self) -> tuple[str, ...]:
        """The parts of which two readings contradict each other, for people."""
        parts = (("the front sprocket", self.front), ("the rear sprocket", self.rear), ("the chain", self.chain))
        return tuple(name for name, part in parts if part is not None and part.dispute is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What to do, why, and what would make it surer."""

    action: Action
    before_next_ride: bool
    headline: str
    reasons: tuple[str, ...]
    measure_next: tuple[str, ...]
    notes: tuple[str, ...]
    """Why a set, why the front wears first, which links a tooth meets."""
    cautions: tuple[str, ...] = CAUTIONS

    def as_json(self) -> dict[str, object]:
        """The plan as plain values."""
        return {
            "schema": "toothcheck/plan/1",
            "action": self.action,
            "before_next_ride": self.before_next_ride,
            "headline": self.headline,
            "reasons": list(self.reasons),
            "measure_next": list(self.measure_next),
            "notes": list(self.notes),
            "cautions": list(self.cautions),
        }


def _km(km: float) -> str:
    return f"{km:.0f} km"


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
        bits.append(far(s.distance_km) if s.seen is None else f"now {far(s.distance_km)}")
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
    elif left < 25:
        soon.append(f"Only {left:.0f} % of the adjuster's travel is left.")
    return due, soon, unknown


def _no_further(s: Situation) -> str | None:
    """Why the chain is not to be ridden on until it has been renewed, as `CAUTIONS` has it; None where it may be."""
    decision, left = s.chain.decision, s.adjuster_left_percent
    signs = (
        (s.chain.damaged, "the chain is damaged"),
        (s.chain.stiff_or_uneven, "the chain has stiff links or a tight and a slack part"),
        (decision is not None and decision.side == "beyond", "the chain is beyond its limit"),
        (left is not None and left <= 0, "the adjuster is at its end"),
    )
    return " and ".join(why for sign, why in signs if sign) or None


def _sprocket_gaps(s: Situation) -> list[str]:
    out = []
    for name, sprocket in (("front", s.front), ("rear", s.rear)):
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
    return out


def _outlived(s: Situation, far: InWords) -> str | None:
    km = s.chain.distance_km
    if km:
        for name, sprocket in (("front", s.front), ("rear", s.rear)):
            if sprocket is not None and sprocket.distance_km is not None and sprocket.distance_km >= OUTLIVED * km:
                return (
                    f"The {name} sprocket has {far(sprocket.distance_km)}, the chain {far(km)}: "
                    "it has served an earlier chain already."
                )
    return None


def _lift_mm(size: Chain, teeth: int, percent: float) -> float:
    return roller_lift_mm(
        pitch_mm=size.pitch_mm, roller_diameter_mm=size.roller_diameter_mm, teeth=teeth, elongation_percent=percent
    )


def _foretold(s: Situation, action: Action, now: bool) -> list[str]:
    """When the sprockets will be due, where nothing has to be done or looked at first."""
    if now or action in {"set", "measure-first"}:
        return []
    both = [("Front", s.front), ("Rear", s.rear)]
    kept = [(name, p) for name, p in both if p is not None and p.grade_now in ("good", "watch")]
    return [f"{name} sprocket: {p.foretold}" for name, p in kept if p.foretold is not None]


def _notes(s: Situation, action: Action) -> list[str]:
    out = []
    e = s.chain.elongation_percent
    teeth = {n: p.teeth for n, p in (("front", s.front), ("rear", s.rear)) if p is not None and p.teeth is not None}
    if action in {"set", "chain-only", "measure-first"}:
        lift = ""
        believed = s.chain.doubt is None and not s.chain.old
        if s.size is not None and teeth and e is not None and e.value > 0 and believed:
            parts = [f"{_lift_mm(s.size, z, e.value):.2f} mm on {z} teeth" for z in teeth.values()]
            lift = f" This chain rides {' and '.join(parts)} higher than a new one would."
        out.append(
            "Why a set: chain and teeth wear to each other. A longer chain rides higher on the teeth and digs hooks; "
            f"a new chain on hooked teeth, or an old chain on new teeth, wears the new part fast.{lift}"
        )
    if len(teeth) == 2:
        z1, z2 = teeth["front"], teeth["rear"]
        out.append(
            f"Why the front wears first: each of its {z1} teeth meets a roller {z2}/{z1} = {z2 / z1:.2f} times as "
            f"often as each of the rear's {z2}. Look at the front before trusting a good rear."
        )
    if s.chain.links is not None:
        out += [f"{n.capitalize()}: {meshing(z, s.chain.links).sentence()}" for n, z in teeth.items()]
    return out


def plan_for(s: Situation, *, far: InWords = _km) -> Plan:
    """Make one plan of all that is known (rules: the module's docstring).

    Parameters
    ----------
    s
        What is known.
    far
        How a distance in km is put into words.
    """
    both = [("Front", s.front), ("Rear", s.rear)]
    reasons = [said for name, part in both for said in said_of(name, part, far)]
    known = [p for _, p in both if p is not None]
    grades = {p.grade_now for p in known}
    worn = any(p.grade == "watch" for p in known)  # whatever came after, the teeth have not grown back
    due, soon, chain_unknown = _chain_signs(s)
    gaps = _sprocket_gaps(s)
    outlived = _outlived(s, far)
    keepable = len(known) == 2 and all(p.sure and p.grade == "good" for p in known)
    unseen = any(p is None or p.grade_now == "cannot-tell" for _, p in both)
    renewals = {p.renew for p in known if p.renew is not None}
    no_further = _no_further(s)
    now = False

    action: Action
    if "replace-now" in grades:
        action, now = "set", True
        headline = "Renew both sprockets and the chain before the next ride: do not ride on it."
    elif "replace-set" in grades or renewals:
        action = "set"
        headline = "Renew both sprockets and the chain together at the next opportunity."
        whys = [no_further, f"a sprocket may be {GRADES[-1]}" if "before-next-ride" in renewals else None]
        if any(whys):
            now, because = True, " and ".join(why for why in whys if why)
            headline = f"Renew both sprockets and the chain before the next ride: {because}."
    elif due:
        now = no_further is not None
        when, is_due = ("before the next ride", no_further) if now else ("now", "the chain is due")
        if worn:
            action = "set"
            headline = f"Renew the set {when}: {is_due}, and a sprocket is worn measurably."
        elif keepable and outlived is None:
            action = "chain-only"
            why = f": {no_further}" if now else ""
            headline = f"Renew the chain {when}{why}; both sprockets are good, so the chain alone is defensible."
        elif keepable:
            action = "set"
            headline = f"Renew the set {when}: {is_due}, and a sprocket is on its second chain."
        else:
            action = "measure-first"
            why = f" ({no_further})" if now else ""
            headline = (
                f"The chain is due {when}{why}; whether the sprockets may stay cannot be said before both are graded. "
                "If that cannot be done, renew the set."
            )
    elif s.chain.doubt is not None:
        action = "measure-first"
        headline = "The chain's reading cannot be right: measure it again first."
    elif s.chain.long_without_limit:
        action = "measure-first"
        headline = (
            "The chain has stretched as far as some machines' limits allow, and this machine's is not known: look it "
            "up in the manual before you rely on it."
        )
    elif "watch" in grades or (soon and not unseen and not s.chain.old):
        action = "watch"
        open_sides = ("no-limit", "cannot-tell")
        headline = "Nothing to renew yet, but watch: photograph and measure at each service, and plan the parts."
        if unseen or s.chain.decision is None or s.chain.decision.side in open_sides or s.chain.old:
            headline = (
                "Watch what is known, and look at the rest before relying on it: a part of the drive was not judged, "
                "or not lately."
            )
    elif soon:
        action = "measure-first"
        headline = "The chain is on its way, and a part of the drive was not judged, or not lately: look at that first."
    elif keepable and s.chain.decision is not None and s.chain.decision.side == "within" and not s.chain.old:
        action, headline = "nothing", "Nothing to renew now; look again at the next service."
    elif s.chain.old or any(p.grade_now != p.grade for p in known):
        action, headline = "measure-first", "What was seen no longer counts: measure again first."
    else:
        action, headline = "measure-first", "Too little is known for a plan: measure first."

    halted = [f"{p.halt.which} of the {name.lower()} sprocket" for name, p in both if p is not None and p.halt]
    if halted and "replace-now" not in grades:
        now, first = True, f"{halt_until(' and at '.join(halted))}."
        headline = first if action in {"nothing", "watch"} else f"{first} {headline}"
        action = "set" if action == "set" else "measure-first"
    if s.clash is not None:
        sizes = "chain and sprockets are of different sizes by what is known: read the sizes off the parts first."
        if action == "chain-only":
            headline = f"The chain is due {f'before the next ride ({no_further})' if now else 'now'}, but {sizes}"
        elif action in {"nothing", "watch"}:
            headline = sizes.capitalize()
        else:
            headline += f" But {sizes}"
        action = "set" if action == "set" else "measure-first"
        reasons.append(s.clash)
        gaps.append(
            "Read the chain size off the chain's plates and off each sprocket, and correct what is wrong: the words "
            "given here, or the logbook's entry (toothcheck logbook correct NUMBER --chain SIZE --reason WHY)."
        )
    if s.disputed:
        headline += (
            f" Two readings of {' and of '.join(s.disputed)} disagree and the worse one counts: settle that before "
            "ordering parts."
        )
    reasons += due + soon
    if s.chain.long_without_limit:
        reasons += general_figures(None)
    if s.chain.doubt is not None:
        reasons.append(s.chain.doubt)
    if s.chain.decision is not None and s.chain.decision.sentence not in " ".join(reasons):
        reasons.append(s.chain.decision.sentence)
    reasons += _measured(s.chain, far)
    if outlived is not None:
        reasons.append(outlived)
    if s.chain.age_years is not None:
        km = f", {far(s.chain.distance_km)}" if s.chain.distance_km is not None else ""
        reasons.append(
            f"Chain: {s.chain.age_years:g} years{km}. Seals and grease age standing, too: feel for stiff links."
        )
    elif s.chain.distance_km is not None:
        reasons.append(f"Chain: {far(s.chain.distance_km)}.")
    return Plan(
        action=action,
        before_next_ride=now,
        headline=headline,
        reasons=tuple(reasons),
        measure_next=tuple(gaps + chain_unknown),
        notes=(*_foretold(s, action, now), *_notes(s, action)),
    )
