"""What stands beside a report's figures, and what is read aloud in place of its picture."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from toothcheck.estimate import Estimate
from toothcheck.flags import number_mark
from toothcheck.lessons.scale import GRADES, OVERHANG_LIMIT_MM, grade_of
from toothcheck.pages import tied
from toothcheck.tooth import teeth_in_words

_CHART = (
    "Asymmetry with bars that hold about 95 of 100. A dash under the line: not measured. Behind a number: ! broken or"
    " missing, ? may be damaged. Teeth are counted counterclockwise in the photo"
)
TREND = (
    "Dots: readings, with bars that hold about 95 of 100; crosses: readings called out, not fitted. Dashed: the trend."
    " Shaded: the interval that it is meant to stay in 8 times out of 10."
)
_RULE = "Median asymmetry of the measured teeth; the bar above holds about 95 of 100."
_RULE_BASELINE = (
    "What is gone from the drive flanks since the baseline, median of the teeth; the bar above holds about 95 of 100."
)
_DRAWN = (
    "Dashed: the ideal new tooth. Solid: what was measured. What is gone from the drive flank is coloured, the lighter"
    " and wider the more. Dotted rings: teeth not measured."
)


def estimate_of(value: object) -> Estimate | None:
    """``{"value", "std"}`` as an estimate; None where it is unknown."""
    if not isinstance(value, Mapping) or value.get("value") is None or value.get("std") is None:
        return None
    return Estimate(value=float(value["value"]), std=float(value["std"]))


def rule_caption(d: Mapping[str, Any], asymmetry: Estimate, *, by_baseline: bool = False) -> str:
    """What the mark on the rule is, and where the grade is not that of its band: what decided instead."""
    rule = _RULE_BASELINE if by_baseline else _RULE
    grade, alone = str(d["verdict"].get("grade")), grade_of(asymmetry.value, 0.0)
    if grade == alone:
        return rule
    if grade not in GRADES:
        return f"{rule} No grade is given all the same; the reasons stand under “Why”."
    gone, hook = _gone(d["teeth"]), estimate_of((d.get("wear") or {}).get("overhang_mm"))
    if grade == GRADES[-1] and gone:
        are = "is" if len(gone) == 1 else "are"
        why = f"{teeth_in_words(gone)} {are} broken, missing or bent, which decides by itself"
    elif grade == GRADES[-1] and hook and hook.value >= OVERHANG_LIMIT_MM:
        why = f"the hook of {hook.text('mm')} decides by itself"
    else:
        # of a reading whose teeth were not kept nobody can say whether one of them decided
        why = "all doubts counted, that is the likeliest" if d["teeth"] else ""
    because = f", because {why}" if why else ""
    return tied(f"{rule} By the mark alone it would be {alone}; the grade is {grade}{because}.")


def chart_caption(teeth: Sequence[Mapping[str, Any]], *, outlined: bool) -> str:
    """How to read the chart of teeth, and where in the photo their count begins."""
    hour = _hour_of_first(teeth)
    start = "" if hour is None else f", from tooth 0 at about {hour} o'clock"
    return f"{_CHART}{start}{'; the picture has their numbers' if outlined else ''}."


def picture_caption(origin: str, *, outlined: bool) -> str:
    """Where the picture comes from, and what the lines on it are."""
    return origin.capitalize() + (f"; outlines drawn in by toothcheck. {_DRAWN}" if outlined else ".")


def picture_alt(d: Mapping[str, Any], *, outlined: bool) -> str:
    """The picture in words: grade, damaged teeth, the most worn one."""
    wear, teeth = d.get("wear") or {}, d["teeth"]
    words = ["The photo that was inspected" + (", the ideal and the measured outlines drawn in." if outlined else ".")]
    words.append(f"Grade {d['verdict'].get('grade')}.")
    gone = _gone(teeth)
    if gone:
        words.append(f"{teeth_in_words(gone).capitalize()}: broken, missing or bent.")
    doubtful = [int(t["index"]) for t in teeth if number_mark(t.get("flags") or ()) == "?"]
    if doubtful:
        words.append(f"{teeth_in_words(doubtful).capitalize()}: may be damaged.")
    worst = next((t for t in teeth if t.get("measured") and t.get("index") == wear.get("worst_tooth")), None)
    if worst is not None:
        loss = estimate_of(worst.get("drive_loss_mm"))
        lost = f", {loss.text('mm')} lost from its drive flank" if loss else ""
        words.append(f"Most worn{' of the others' if gone else ''}: tooth {worst['index']}{lost}.")
    if teeth:
        words.append("Every number stands in the table of teeth.")
    return tied(" ".join(words))


def _gone(teeth: Sequence[Mapping[str, Any]]) -> list[int]:
    return [int(t["index"]) for t in teeth if "broken" in (t.get("flags") or ())]


def _hour_of_first(teeth: Sequence[Mapping[str, Any]]) -> int | None:
    """Where on a clock face tooth 0 stands in the photo; None unless every tip's place is known."""
    tips = [t["tip_px"] for t in teeth if t.get("tip_px")]
    first = next((t.get("tip_px") for t in teeth if int(t["index"]) == 0), None)
    if first is None or len(tips) < len(teeth):
        return None
    x, y = (float(first[i]) - sum(float(tip[i]) for tip in tips) / len(tips) for i in (0, 1))
    return round(math.degrees(math.atan2(x, -y)) / 30) % 12 or 12
