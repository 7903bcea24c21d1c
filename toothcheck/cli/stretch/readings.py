"""Elongation from typed readings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from toothcheck.cli.books import number_of
from toothcheck.cli.output import console, paragraph
from toothcheck.cli.stretch.log import lower_bound_refused
from toothcheck.cli.stretch.verdict import Question, answer, say_decision, trap_json
from toothcheck.cli.words import one_of
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.stretch import Elongation, Reading, Tool

_WAYS = "Write 319.4 or 314.3/324.5 (inner/outer), in mm."


def from_readings(
    question: Question,
    *,
    readings: list[str],
    pitches: int,
    tool: str,
    read_to: float | None,
    over: str,
    rollers: int | None,
) -> None:
    """Answer from readings; parameters as the options of ``toothcheck stretch``."""
    from toothcheck.stretch import decide, elongation_of

    e = elongation_of(
        [_reading(text) for text in readings],
        pitches=pitches,
        size=question.size,
        tool=_tool(tool, read_to),
        under_pull=not question.slack,
        over_rollers=over == "rollers",
        rollers=rollers,
    )
    book, limit = question.book, question.limit
    if book is not None and e.lower_bound:
        raise lower_bound_refused("over the joining link")
    if book is not None and e.believable and e.if_one_fewer is not None:
        raise UsageError(
            f"A length over {e.pitches} pitches does not show whether rollers were counted as pitches.",
            hint=f"Count the rollers from end to end; if they are {e.pitches + 1}, add --rollers {e.pitches + 1}.",
        )
    decision = (
        decide(e.percent, limit, lower_bound=e.lower_bound, if_one_fewer=e.if_one_fewer) if e.believable else None
    )
    kept: tuple[str, ...] = ()
    if book is not None and e.believable:
        kept = book.record(e.pitches, e.percent, question.size, limit, rollers=rollers)

    def say() -> None:
        out = console()
        places = ", ".join(f"{p:+.2f} %" for p in e.places_percent)
        head = f"Chain {e.chain}, {e.pitches} pitches, {e.tool}"
        paragraph(out, f" (± {e.limits_percent:.2f} % each reading)", head=head)
        paragraph(out, f"Places: {places}; place {e.worst_place + 1} decides")
        if decision is not None:
            say_decision(decision, question)
        for trap in e.traps:
            paragraph(out, trap.sentence, mark="! " if trap.spoils else "· ")
        if not e.believable:
            paragraph(out, f"Cannot tell: clear this up first.{'' if book is None else ' Nothing was recorded.'}")

    answer(question, decision, document=_document(e), say=say, kept=kept)


def _reading(text: str) -> Reading:
    from toothcheck.stretch import Reading

    body, colon, tag = text.partition(":")
    if colon and tag.lower() not in ("joint", "joining-link"):
        raise UsageError(f"The reading {text!r} cannot be read.", hint="After the colon only 'joint' may stand.")
    try:
        numbers = [number_of(part) for part in body.split("/")]
    except UsageError as error:
        raise UsageError(f"The reading {text!r} cannot be read.", hint=error.hint or _WAYS) from None
    if len(numbers) == 1:
        return Reading(span_mm=numbers[0], over_joining_link=bool(colon))
    if len(numbers) == 2:
        if numbers[0] >= numbers[1]:
            raise UsageError(
                f"The reading {text!r} cannot be: the length between the pins must be shorter than the one over them.",
                hint="Write INNER/OUTER, such as 314.3/324.5.",
            )
        return Reading.over_pins(inner_mm=numbers[0], outer_mm=numbers[1], over_joining_link=bool(colon))
    raise UsageError(f"The reading {text!r} cannot be read.", hint=_WAYS)


def _tool(name: str, read_to: float | None) -> Tool:
    from toothcheck.stretch import TOOLS, Tool

    name = "calliper" if name.lower() == "caliper" else name  # one country's spelling
    if read_to is not None:
        return Tool(name=name, half_width_mm=read_to)
    return TOOLS[one_of("--tool", name, [*TOOLS])]


def _document(e: Elongation) -> dict[str, Any]:
    return {
        "schema": "toothcheck/stretch/1",
        "source": "readings",
        "chain": e.chain,
        "pitches": e.pitches,
        "tool": e.tool,
        "elongation_percent": e.percent.as_json() if e.believable else None,
        "if_one_pitch_fewer_percent": None if e.if_one_fewer is None or not e.believable else e.if_one_fewer.as_json(),
        "tool_limits_percent": round(e.limits_percent, 3),
        "places_percent": [round(p, 3) for p in e.places_percent],
        "worst_place": e.worst_place + 1,  # counted as people count, like the text
        "lower_bound": e.lower_bound,
        "traps": [trap_json(t) for t in e.traps],
    }
