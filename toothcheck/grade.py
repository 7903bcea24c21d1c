"""The wear grade, its confidence, and what to say about it.

The bands are this project's convention (measures.md, section 5): no standard sets a limit; published limits run from
0.3 mm, through a tenth of the tooth at the pitch circle, to a quarter of the tooth.  Confidence is the share of draws
of the measurement (JCGM 101) that fall into the grade's band, lowered by what the flags say.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from toothcheck.flags import ANOTHER_PHOTO, flag
from toothcheck.geometry import Floats
from toothcheck.tooth import teeth_in_words
from toothcheck.wear import WheelWear

GRADES = ("good", "watch", "replace-set", "replace-now")
"""From best to worst."""
CANNOT_TELL = "cannot-tell"
ALL_GRADES = (*GRADES, CANNOT_TELL)
"""In order of wear; ``cannot-tell`` stands apart from them."""
BANDS_PERCENT = (5.0, 10.0, 25.0)
"""Asymmetry from which on a sprocket is `watch`, `replace-set`, `replace-now`."""
HOOK_MM = 0.3
"""Overhang from which on a sprocket is `replace-now`, whatever its asymmetry."""
LEAST_CONFIDENCE = 0.5
MOST_CONFIDENCE = 0.98
"""No photo makes a grade surer: of the surest on the survey's photos about as many were right."""
FEWEST_TEETH = 3
_BROKEN_SURE = 0.85
"""How sure a broken tooth can be from one photo: dirt of the ground's own look can pass for it."""
_UNLIKELY = 0.05
"""A grade of no larger share is not spoken of."""
HALTING = frozenset({"broken", "stands-aside", "leans"})
"""Flags of a tooth for which no other photo is to be taken before a mechanic has looked at it."""
_FAR_SHORT_MM = 2.2
"""A tip that ends farther short than this was not seen (`tracing.tips`): how far is a guess, and not told."""
_UNSEEN_ROW = 3
"""The longest row of teeth not measured that is to be looked at; a longer one is under a chain or a guard."""
_UNSEEN_HOOKED = 0.4
"""How likely a hook is where none could be seen or excluded, at the asymmetry of `replace-now`; it falls evenly to
nothing at that of `watch` (an assumption: hooks grow with wear, and no source says how often; of made photos with 10
to 25 % fewer have one)."""
_MODEL_STD_PERCENT = 0.5
"""Of the median asymmetry, what the model itself leaves out (profiles that are not arcs, burrs): a floor."""

MEANING = {
    "good": "no measurable hook; look again at the next service",
    "watch": "measurable wear: photograph at each service, plan parts",
    "replace-set": "renew both sprockets and chain together at the next opportunity",
    "replace-now": "do not ride on it",
    CANNOT_TELL: "the photo does not support a grade",
}

Renewal = Literal["next-opportunity", "before-next-ride"]
"""When parts are to be renewed though the grade cannot be told."""
RENEW_ANYWAY = "Renew both sprockets and the chain: whichever of the likely grades it is, it means that."
"""How the step begins where only the grade cannot be told; more follows where nobody may ride on it until then."""
OPTIONAL_PHOTO = "No other photo is needed for this; should you take one all the same: "
"""How the step begins that is left to the reader; it is always the last."""

MEASURED_AGAINST = "Drive flanks against coast flanks at the pitch circle"
"""How the reason begins that gives the asymmetry."""

CAUTIONS = (
    "Engine off, ignition key out, hands clear of the chain run while wheel or engine can turn.",
    "Stop riding when the chain jumps, snatches or grinds, a tooth is cracked or missing, or the chain lifts off the"
    " teeth.",
    "A photo cannot see cracks, loose or worn splines and bolts, a bent or loose sprocket, the far side, or the chain's"
    " own stretch.",
    "'good' is a measurement of tooth form, not a statement that the machine is safe to ride.",
    "The machine's manual, local rules and a qualified mechanic decide.",
)

_BLOCKING = {
    "too-far": 0.0,
    "no-sprocket": 0.0,
    "teeth-disagree": 0.0,
    "chain-disagrees": 0.0,
    "form-disagrees": 0.0,
    "wear-on-coast-flank": 0.0,
    "turning-unknown": 0.0,
    "scale-disagrees": 0.0,
    "flanks-worn-alike": 0.3,
    "roller-disagrees": 0.3,
    "blurred": 0.4,
    "few-teeth": 0.0,
    "stands-aside": 0.49,
    "leans": 0.49,
    "tip-differs": 0.49,
}
"""Flags that hold a grade back, with the share of confidence that they leave."""
_LOWERING = {
    "no-card": 0.8,
    "burnt-out": 0.9,
    "dark": 0.85,
    "oblique": 0.9,
    "worn-both-flanks": 0.7,
    "two-sprockets": 0.9,
    "turning-inferred": 0.9,
    "teeth-uncertain": 0.8,
    "plane-uncertain": 0.85,
    "card-bowed": 0.9,
}
"""Flags that lower the confidence of a grade, with the share that they leave.

Most are judgement.  ``oblique``: of 26 made photos 33 to 48° from square on (216 of `bike` and `hand` each, other seeds
than README's) 22 were right, with 0.76 told before the flag: the measures' own uncertainties say what the tilt costs.
What is left off is for lenses and edges that made photos do not have.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What is said about the sprocket."""

    grade: str
    confidence: float
    """Probability that the true grade is the one given; for `cannot-tell` that of the best grade there would be."""
    reasons: tuple[str, ...]
    next_steps: tuple[str, ...]
    cautions: tuple[str, ...]
    advice_heading: str = "Next"
    """What stands over the next steps."""
    renew_anyway: Renewal | None = None
    """When parts are to be renewed though the grade cannot be told; None where it can, or the likely grades differ."""


def band(asymmetry_percent: float, overhang_mm: float, *, broken: bool = False) -> str:
    """The grade of exact values."""
    if broken or overhang_mm >= HOOK_MM or asymmetry_percent >= BANDS_PERCENT[2]:
        return GRADES[3]
    return GRADES[sum(asymmetry_percent >= limit for limit in BANDS_PERCENT[:2])]


def probabilities(asymmetry_percent: Floats, overhang_mm: Floats) -> dict[str, float]:
    """Share of draws in each grade's band; both arrays (draws,).

    Where no overhang was measured, (0,), hooks are taken to be as likely as the wear makes them.
    """
    if len(overhang_mm):
        hooked = (overhang_mm >= HOOK_MM).astype(np.float64)
    else:
        least, most = BANDS_PERCENT[0], BANDS_PERCENT[2]
        hooked = _UNSEEN_HOOKED * np.clip((asymmetry_percent - least) / (most - least), 0.0, 1.0)
    step = np.searchsorted(BANDS_PERCENT, asymmetry_percent, side="right")
    return {name: float(np.mean((1 - hooked) * (step == k) + hooked * (k == 3))) for k, name in enumerate(GRADES)}


def halting(teeth: Iterable[tuple[int, Iterable[str]]]) -> tuple[int, ...]:
    """Of teeth, each its index and its flags, those for which nobody may ride before a mechanic has looked at them."""
    return tuple(index for index, codes in teeth if not HALTING.isdisjoint(codes))


def halt_until(which: str) -> str:
    """What is said of teeth that halt, wherever it is said; ``which`` is the teeth in words."""
    return f"Do not ride until a qualified mechanic has looked at {which}"


def grade(wear: WheelWear, flags: Sequence[str], rng: np.random.Generator) -> Verdict:
    """Judge a measured wheel.

    Parameters
    ----------
    wear
        All teeth and the wheel's medians.
    flags
        Codes raised on the photo, the claims and the wheel as a whole.
    rng
        For the model's own share of the draws.
    """
    broken = [t.index for t in wear.teeth if "broken" in t.flags]
    measured = [t for t in wear.teeth if t.measured]
    doubts, doubted = _doubtful_teeth(wear)
    halt = halting((t.index, t.flags) for t in wear.teeth)
    reasons: list[str] = []
    if broken:
        reasons.append(
            f"{teeth_in_words(broken).capitalize()} {'is' if len(broken) == 1 else 'are'} broken, missing or bent."
        )
    if wear.asymmetry_percent is None or (len(measured) < FEWEST_TEETH and not broken):
        seen = f"Only {len(measured)} of {len(wear.teeth)} teeth could be measured"
        few = f"{seen}; {FEWEST_TEETH} are the least for a grade."
        return _cannot_tell([*reasons, *doubted, few], flags, 0.0, doubts, halt)
    draws = wear.draws_asymmetry + _MODEL_STD_PERCENT * rng.standard_normal(len(wear.draws_asymmetry))
    chances = probabilities(draws, wear.draws_overhang)
    if broken:
        # should the tooth be whole after all, the others' wear decides
        chances = {name: (1 - _BROKEN_SURE) * share for name, share in chances.items()}
        chances[GRADES[3]] += _BROKEN_SURE
    best = max(chances, key=lambda name: chances[name])
    # where the others' wear alone says "do not ride", a tooth in doubt changes nothing
    holding = doubts if best != GRADES[3] else []
    confidence = min(chances[best], MOST_CONFIDENCE)
    for code in (*flags, *holding):
        confidence *= _BLOCKING.get(code, _LOWERING.get(code, 1.0))
    if holding or confidence < LEAST_CONFIDENCE:
        reasons += doubted
    reasons += _reasons(wear, len(measured))
    ranked = sorted(chances, key=lambda name: -chances[name])
    likely = [f"{name} ({100 * chances[name]:.0f} %)" for name in ranked[:2] if chances[name] > _UNLIKELY]
    if confidence < LEAST_CONFIDENCE:
        if not holding and _BLOCKING.keys().isdisjoint(flags):
            reasons.append(f"By the teeth measured the likeliest is {' or '.join(likely)}.")
            if chances[GRADES[0]] + chances[GRADES[1]] <= _UNLIKELY:
                return _renew_anyway(_cannot_tell(reasons, flags, confidence, doubts, halt), chances[GRADES[3]])
        return _cannot_tell(reasons, flags, confidence, doubts, halt)
    reasons += [f"The next most likely grade is {name}." for name in likely[1:]]
    return Verdict(
        grade=best,
        confidence=round(confidence, 3),
        reasons=tuple(reasons + [flag(code).sentence for code in flags]),
        next_steps=_next_steps(best, flags, _unseen_between(wear), settled=len(likely) == 1),
        cautions=CAUTIONS,
    )


def _reasons(wear: WheelWear, measured: int) -> list[str]:
    out = [f"{measured} of {len(wear.teeth)} teeth measured."]
    a = wear.asymmetry_percent
    if a is not None:
        out.append(f"{MEASURED_AGAINST}: {a.text('%')} of the tooth (median).")
    hook = wear.overhang_mm
    if hook is None:
        out.append("Hook overhang: not measured; the drive flanks were not seen far enough up to their tips.")
    else:
        seen = hook.text("mm") if hook.value > hook.std else "none seen"
        out.append(f"Hook overhang: {seen} (median).")
    return out


def _doubtful_teeth(wear: WheelWear) -> tuple[list[str], list[str]]:
    """Flags and sentences on teeth that may be damaged: no grade is given until they have been looked at."""
    flags, said = [], []
    aside = [t.index for t in wear.teeth if "stands-aside" in t.flags]
    if aside:
        flags.append("stands-aside")
        stands, it = ("stands aside of its place", "it") if len(aside) == 1 else ("stand aside of their places", "they")
        said.append(f"{teeth_in_words(aside).capitalize()} {stands}, both flanks alike: {it} may be bent.")
    leaning = {t.index: t.leans_deg for t in wear.teeth if "leans" in t.flags}
    if leaning:
        flags.append("leans")
        said += [_of_a_lean(i, degrees) for i, degrees in leaning.items()]
    # what a lean does to a tip is said with it
    tips = [(t.index, t.tip_higher_mm) for t in wear.teeth if t.tip_higher_mm is not None and t.index not in leaning]
    if tips:
        flags.append("tip-differs")
        said += [_of_a_tip(i, mm) for i, mm in tips]
    return flags, said


def _of_a_lean(i: int, degrees: float | None) -> str:
    """What is said of tooth ``i`` that is seen to lean."""
    way = "out of the plane"
    if degrees is not None:
        way = f"by about {abs(degrees):.0f}° {'towards' if degrees > 0 else 'away from'} the camera"
    return f"Tooth {i} is seen as one bent {way} would be: it may be bent."


def _of_a_tip(i: int, higher_mm: float) -> str:
    """What is said of the tip of tooth ``i`` that does not end with the others."""
    if higher_mm < -_FAR_SHORT_MM:
        return f"The tip of tooth {i} ends far short of the other teeth's, or is hidden: most of it may be broken off."
    where = f"reaches {higher_mm:.1f} mm beyond" if higher_mm > 0 else f"ends {-higher_mm:.1f} mm short of"
    return f"The tip of tooth {i} {where} the other teeth's: it may be bent, or a corner of it broken off."


def _unseen_between(wear: WheelWear) -> list[int]:
    """Teeth that were not measured, no more than three in a row: what hides so few may be their own damage.

    Those that are known to be broken count in the row, and are not named again.
    """
    measured, z = [t.measured for t in wear.teeth], len(wear.teeth)
    out: list[int] = []
    for i in (k for k in range(z) if not measured[k] and measured[k - 1]):
        many = next((n for n in range(1, _UNSEEN_ROW + 1) if measured[(i + n) % z]), 0)
        out += [(i + k) % z for k in range(many)]
    return sorted(i for i in out if "broken" not in wear.teeth[i].flags)


def _next_steps(best: str, flags: Sequence[str], unseen: list[int], *, settled: bool) -> tuple[str, ...]:
    """What to do about a sprocket of that grade; ``settled``: by what was measured no other grade is likely.

    A part that is to be renewed needs no better photo then: how to take one comes last, and is left to the reader.
    """
    steps = {
        "good": ["Look again at the next service; keep this photo as a record."],
        "watch": [
            "Photograph it again at each service, from the same place.",
            "Measure the chain (toothcheck stretch) and plan parts.",
        ],
        "replace-set": [
            "Renew both sprockets and the chain together at the next opportunity.",
            "Measure the chain and compare the new part with this one before fitting (toothcheck match).",
        ],
        "replace-now": ["Do not ride on it.", "Renew both sprockets and the chain together."],
    }[best]
    if unseen:
        which, them = teeth_in_words(unseen).capitalize(), "it" if len(unseen) == 1 else "them"
        steps.append(f"Look for damage at {which.lower()}: the photo shows the teeth beside, but not {them}.")
    optional = [code for code in flags if code in ANOTHER_PHOTO] if settled and best in GRADES[2:] else []
    steps += [flag(code).remedy for code in flags if code not in optional]
    if optional:
        how = " ".join(dict.fromkeys(flag(code).remedy for code in optional))
        steps.append(f"{OPTIONAL_PHOTO}{how[0].lower()}{how[1:]}")
    return tuple(dict.fromkeys(steps))


def with_step(steps: Sequence[str], more: str) -> tuple[str, ...]:
    """One more thing to do, before what is left to the reader."""
    optional = [step for step in steps if step.startswith(OPTIONAL_PHOTO)]
    return (*(step for step in steps if step not in optional), more, *optional)


def _cannot_tell(
    reasons: list[str], flags: Sequence[str], confidence: float, doubts: Sequence[str] = (), halt: Sequence[int] = ()
) -> Verdict:
    """``doubts``: flags of single teeth, of which the reasons tell; ``halt``: teeth for which nobody may ride."""
    steps = [f"{halt_until(teeth_in_words(halt))}."] if halt else []
    raised = [flag(code) for code in (*doubts, *flags)]
    steps += dict.fromkeys(one.remedy for one in raised)  # one may answer two flags
    heading = "Next" if any(one.needs_words_only for one in raised) else "For the next photo"
    return Verdict(
        grade=CANNOT_TELL,
        confidence=round(confidence, 3),
        reasons=tuple(reasons + [flag(code).sentence for code in flags]),
        next_steps=tuple(
            steps or ["Take another photo: closer, sharp, square on, teeth wiped, card in the face's plane."]
        ),
        cautions=CAUTIONS,
        advice_heading="Look first" if doubts or halt else heading,
    )


def _renew_anyway(verdict: Verdict, replace_now: float) -> Verdict:
    """Where only the grade cannot be told, and every likely one asks for the same; ``replace_now``: its share."""
    step = RENEW_ANYWAY
    when: Renewal = "next-opportunity"
    if replace_now > _UNLIKELY:
        step += f" Do not ride on it until it is known not to be {GRADES[3]}."
        when = "before-next-ride"
    return replace(verdict, next_steps=(step, *verdict.next_steps), advice_heading="Next", renew_anyway=when)


def refusal(flags: Sequence[str]) -> Verdict:
    """The verdict where nothing could be measured."""
    return _cannot_tell([], flags, 0.0)
