"""What the logbook knows of a machine's drive, for ``toothcheck advise``."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from toothcheck.cli.books import file_of, opened, wrong_words
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.advice import Situation, SprocketState
    from toothcheck.chains import Chain
    from toothcheck.logbook import History, Part


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """One machine, by the logbook."""

    situation: Situation
    parts: dict[str, str]
    """Names of the parts fitted, by place."""
    retired_on: str | None


def known_of(machine: str, where: str | None, typed: dict[str, Any], unit: str) -> Known | None:
    """What the logbook knows; None when the name is for the papers only.

    That it is where everything was typed, or where there is no logbook at all.  Else a name that the logbook does not
    have is more likely misspelt, and the plan would leave out what is known.
    """
    from toothcheck.chains import chain as chain_of
    from toothcheck.drive import situation_of

    complete = "elongation_percent" in typed and all("grade" in typed.get(name, {}) for name in ("front", "rear"))
    file = file_of(where)
    if file is not None and not file.exists() and (complete or (typed and not where)):
        return None
    with opened(where) as book:
        history = book.history()
    if machine not in history.machines and complete:
        return None
    try:
        size = None if "chain" not in typed else chain_of(typed["chain"])
        situation = situation_of(history, machine, today=dt.date.today(), size=size)
    except ValueError as error:
        raise wrong_words(error) from error
    logged = history.machines[machine]
    _check_chain(machine, size, history.parts.get(logged.fitted.get("chain", "")))
    for position, state in situation.both:
        fitted = history.parts.get(logged.fitted.get(position, ""))
        _check_fitted(machine, position, typed.get(position, {}).get("teeth"), fitted, state)
    foretold: dict[str, Any] = {
        position: _foretold(history, logged.fitted[position], state, unit)
        for position, state in situation.known.items()
        if "distance_km" not in typed.get(position, {})  # then it is not the logbook's
    }
    return Known(situation=replace(situation, **foretold), parts=logged.fitted, retired_on=logged.retired_on)


def _foretold(history: History, part: str, state: SprocketState, unit: str) -> SprocketState:
    """With when it will be due by its readings."""
    from toothcheck.logbook import distance_rough
    from toothcheck.trend import part_trend

    trend = part_trend(history, part, curve=False)
    return replace(state, foretold=trend.foretold(lambda km: distance_rough(km, unit), dt.date.today()))


def _check_chain(machine: str, told: Chain | None, fitted: Part | None) -> None:
    """Refuse a chain size that is not that of the chain fitted by the logbook."""
    size = None if fitted is None else fitted.entry.chain
    if told is not None and size is not None and told.name != size:
        raise UsageError(
            f"The chain is told to be {told.name}, but the one fitted to {machine} is {size} by the logbook.",
            hint="Leave --chain out; or, if it was changed or entered wrong, tell the logbook first (add-part "
            "--replace, correct --chain).",
        )


def _check_fitted(
    machine: str, position: str, told: int | None, fitted: Part | None, state: SprocketState | None
) -> None:
    """Refuse a tooth count, typed or of an inspection, that is not that of the sprocket fitted by the logbook."""
    count = None if fitted is None else fitted.entry.teeth
    if count is None and state is not None and state.grade != "cannot-tell":
        count = state.teeth  # what a photo that could tell counted
    if None not in (told, count) and told != count:
        raise UsageError(
            f"The {position} sprocket is told to have {told} teeth, but the one fitted to {machine} has {count} by the "
            "logbook.",
            hint="If it was changed, or counted wrong, tell the logbook first (add-part --replace, correct --teeth).",
        )
