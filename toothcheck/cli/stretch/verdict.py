"""A chain's elongation held against its limit, as it is said and written, from readings and from a photo alike."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import typer

from toothcheck.cli.books import note
from toothcheck.cli.output import console, paragraph, write_json
from toothcheck.cli.stretch.log import ChainLog

if TYPE_CHECKING:
    from toothcheck.chains import Chain
    from toothcheck.stretch import Decision, Limit, Trap

_NEXT = {
    "beyond": "renew the chain, and look at both sprockets before the new one goes on (toothcheck advise). Do not ride "
    "on this one until then; the machine's manual decides.",
    "too-near": "measure again with a calliper, over more pitches and at more places; until that settles it, treat the "
    "chain as due (toothcheck advise).",
}
"""What to do, by the side of the limit."""
_WORDS = {
    "beyond": "BEYOND THE LIMIT",
    "within": "within the limit",
    "too-near": "TOO NEAR TO TELL",
    "no-limit": "no limit",
    "cannot-tell": "CANNOT TELL",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked of a chain, however its length is found."""

    size: Chain
    limit: Limit | None
    rear_teeth: int | None
    """Of the rear sprocket, for the general figures."""
    slack: bool
    """Whether the run was not pulled straight."""
    book: ChainLog | None
    """Where the length is to be kept."""
    json_to: str | None


def answer(
    question: Question,
    decision: Decision | None,
    *,
    document: Mapping[str, Any],
    say: Callable[[], None],
    kept: tuple[str, ...],
) -> None:
    """Write the JSON, say the rest where it does not take stdout, and leave with the status.

    Parameters
    ----------
    question, decision
        What was asked, and what came of it; None where the reading is not to be believed.
    document
        The JSON, without the decision.
    say
        Says what was measured and the decision.
    kept
        What the logbook recorded, line by line.
    """
    if question.json_to is not None:
        write_json({**document, **decision_json(decision, question.limit)}, question.json_to)
    if question.json_to == "-":
        note(*kept)
    else:
        say()
        for line in kept:
            console().print(line, soft_wrap=True, markup=False)
        _cautions()
    if decision is None or decision.side in ("too-near", "cannot-tell"):
        raise typer.Exit(3)


def say_decision(decision: Decision, question: Question) -> None:
    """On which side of the limit it is, and what to do; without one, the general figures."""
    from toothcheck.stretch.published import general_figures

    out = console()
    paragraph(out, f": {decision.sentence}", head=_WORDS[decision.side])
    if decision.side in _NEXT:
        paragraph(out, f"Next: {_NEXT[decision.side]}")
    if question.limit is None:
        for sentence in general_figures(question.rear_teeth):
            paragraph(out, sentence, mark="  general figure: ")
    elif question.rear_teeth is not None:  # the logbook's limit: beside a typed one it was refused
        paragraph(out, "--rear-teeth is not used: general figures are for chains whose limit is not known.", mark="· ")


def _cautions() -> None:
    paragraph(
        console(),
        "Engine off, hands out of the run of the chain, measure under pull at several places. A chain can be within "
        "its limit and still be unsafe: stiff links, cracked or missing rollers, loose joining link.",
        style="dim",
    )


def trap_json(trap: Trap) -> dict[str, Any]:
    """A trap, for programs."""
    return {"code": trap.code, "sentence": trap.sentence, "spoils": trap.spoils}


def decision_json(decision: Decision | None, limit: Limit | None) -> dict[str, Any]:
    """What came of it, for programs; None where there is nothing to decide on."""
    return {
        "limit": None
        if limit is None
        else {
            "elongation_percent": round(limit.elongation_percent, 3),
            "given_as": limit.given_as,
            "source": limit.source,
        },
        "side": "cannot-tell" if decision is None else decision.side,
        "probability_beyond": None
        if decision is None or decision.probability_beyond is None
        else round(decision.probability_beyond, 3),
    }
