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

from dataclasses import dataclass, replace
from typing import Literal

from toothcheck.advice.evidence import Evidence, evidence_of
from toothcheck.advice.notes import foretold, notes_on
from toothcheck.advice.seen import InWords
from toothcheck.advice.situation import Situation
from toothcheck.grade import GRADES, halt_until

Action = Literal["nothing", "watch", "chain-only", "set", "measure-first"]

CAUTIONS = (
    "A good grade does not mean safe to ride: a photo sees the shape of the teeth, not cracks, hardness, the joints of "
    "the chain, bearings, or how things are tightened.",
    "Do not ride with hooked, broken or missing teeth, a chain that jumps or clatters, stiff links, cracked or missing "
    "rollers, or an adjuster at its end.",
    "Engine off and cold, key out; turn the wheel by hand only, fingers out of the run of the chain.",
    "The machine's manual and local rules come first; when in doubt ask a qualified mechanic.",
)


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


def plan_for(s: Situation, *, far: InWords = _km) -> Plan:
    """Make one plan of all that is known (rules: the module's docstring).

    Parameters
    ----------
    s
        What is known.
    far
        How a distance in km is put into words.
    """
    evidence = evidence_of(s, far)
    step = _disputed(_clashing(_halted(_step(s, evidence), s), s, evidence), s)
    stays = step.action in {"nothing", "watch", "chain-only"} and not step.before_next_ride
    return Plan(
        action=step.action,
        before_next_ride=step.before_next_ride,
        headline=step.headline,
        reasons=evidence.reasons,
        measure_next=evidence.gaps,
        notes=(*(foretold(s) if stays else ()), *notes_on(s, renewing=step.action not in {"nothing", "watch"})),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    action: Action
    before_next_ride: bool = False
    headline: str


def _step(s: Situation, evidence: Evidence) -> _Step:
    """What the parts ask for by their wear: rules 1 to 4, and 6."""
    grades = {sprocket.grade_now for sprocket in s.known.values()}
    renewals = {sprocket.renew for sprocket in s.known.values()} - {None}
    if "replace-now" in grades:
        return _Step(
            action="set",
            before_next_ride=True,
            headline="Renew both sprockets and the chain before the next ride: do not ride on it.",
        )
    if "replace-set" in grades or renewals:
        whys = (evidence.no_further, f"a sprocket may be {GRADES[-1]}" if "before-next-ride" in renewals else None)
        because = " and ".join(why for why in whys if why)
        when = f"before the next ride: {because}" if because else "together at the next opportunity"
        return _Step(
            action="set", before_next_ride=bool(because), headline=f"Renew both sprockets and the chain {when}."
        )
    return _chain_due(s, evidence) if evidence.due else _nothing_due(s, evidence)


def _chain_due(s: Situation, evidence: Evidence) -> _Step:
    """Rule 2."""
    why = evidence.no_further
    now = why is not None
    when = "before the next ride" if now else "now"
    is_due = why or "the chain is due"
    if any(sprocket.grade == "watch" for sprocket in s.known.values()):  # the teeth have not grown back since
        headline = f"Renew the set {when}: {is_due}, and a sprocket is worn measurably."
        return _Step(action="set", before_next_ride=now, headline=headline)
    if s.keepable and evidence.outlived is not None:
        headline = f"Renew the set {when}: {is_due}, and a sprocket is on its second chain."
        return _Step(action="set", before_next_ride=now, headline=headline)
    if s.keepable:
        because = f": {why}" if now else ""
        headline = f"Renew the chain {when}{because}; both sprockets are good, so the chain alone is defensible."
        return _Step(action="chain-only", before_next_ride=now, headline=headline)
    because = f" ({why})" if now else ""
    headline = (
        f"The chain is due {when}{because}; whether the sprockets may stay cannot be said before both are "
        f"{'graded' if s.unseen else 'surely graded'}. "
        "If that cannot be done, renew the set."
    )
    return _Step(action="measure-first", before_next_ride=now, headline=headline)


def _nothing_due(s: Situation, evidence: Evidence) -> _Step:
    """Rules 3, 4 and 6."""
    if s.chain.doubt is not None:
        headline = "The chain's reading cannot be right: measure it again first."
    elif s.chain.long_without_limit:
        headline = (
            "The chain has stretched as far as some machines' limits allow, and this machine's is not known: look it "
            "up in the manual before you rely on it."
        )
    elif any(p.grade_now == "watch" for p in s.known.values()) or (evidence.soon and not s.unseen and not s.chain.old):
        if s.chain.within and not s.unseen:
            headline = "Nothing to renew yet, but watch: photograph and measure at each service, and plan the parts."
        else:
            headline = (
                "Watch what is known, and look at the rest before relying on it: a part of the drive was not judged, "
                "or not lately."
            )
        return _Step(action="watch", headline=headline)
    elif evidence.soon:
        headline = "The chain is on its way, and a part of the drive was not judged, or not lately: look at that first."
    elif s.keepable and s.chain.within:
        return _Step(action="nothing", headline="Nothing to renew now; look again at the next service.")
    elif s.chain.old or any(p.grade_now != p.grade for p in s.known.values()):
        headline = "What was seen no longer counts: measure again first."
    else:
        headline = "Too little is known for a plan: measure first."
    return _Step(action="measure-first", headline=headline)


def _halted(step: _Step, s: Situation) -> _Step:
    """Rule 5."""
    halted = [f"{p.halt.which} of the {name} sprocket" for name, p in s.known.items() if p.halt is not None]
    if not halted or any(p.grade_now == "replace-now" for p in s.known.values()):
        return step
    first = f"{halt_until(' and at '.join(halted))}."
    return _Step(
        action="set" if step.action == "set" else "measure-first",
        before_next_ride=True,
        headline=first if step.action in {"nothing", "watch"} else f"{first} {step.headline}",
    )


def _clashing(step: _Step, s: Situation, evidence: Evidence) -> _Step:
    """Parts of different chain sizes are sorted out before anything but a set."""
    if s.clash is None:
        return step
    sizes = "chain and sprockets are of different sizes by what is known: read the sizes off the parts first."
    if step.action == "chain-only":
        when = f"before the next ride ({evidence.no_further})" if step.before_next_ride else "now"
        headline = f"The chain is due {when}, but {sizes}"
    elif step.action in {"nothing", "watch"}:
        headline = sizes.capitalize()
    else:
        headline = f"{step.headline} But {sizes}"
    return replace(step, action="set" if step.action == "set" else "measure-first", headline=headline)


def _disputed(step: _Step, s: Situation) -> _Step:
    """Where two readings of a part contradict each other, the headline says so."""
    if not s.disputed:
        return step
    more = f"Two readings of {' and of '.join(s.disputed)} disagree and the worse one counts: settle that before"
    return replace(step, headline=f"{step.headline} {more} ordering parts.")
