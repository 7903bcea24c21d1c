"""One situation of what was typed and what the logbook knows."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from toothcheck.advice import ChainState, Seen, Situation, SprocketState
    from toothcheck.stretch import Limit

_OF_THE_CHAIN = {
    "elongation_percent": "elongation_percent",
    "links": "links",
    "chain_km": "distance_km",
    "age_years": "age_years",
    "stiff": "stiff_or_uneven",
    "damaged": "damaged",
}
"""What may be typed of a chain, with the fields that it becomes."""


def situation_from(given: dict[str, Any], known: Situation | None) -> Situation:
    """What was typed over what the logbook knows.

    Parameters
    ----------
    given
        As in `toothcheck.cli.advise.typed`.
    known
        By the logbook; None where it does not know the machine.

    Raises
    ------
    ValueError
        When something typed is none of its kind.
    """
    from toothcheck.advice import ChainState, Situation
    from toothcheck.chains import chain as chain_of
    from toothcheck.stretch import Limit

    size = None if known is None else known.size
    if "chain" in given:
        size = chain_of(given["chain"])
    if known is None:
        known = Situation(chain=ChainState(size=None if size is None else size.name))
    limit = known.chain.limit
    if "limit" in given:
        limit = Limit.typed(given["limit"], pitch_mm=None if size is None else size.pitch_mm)
    return Situation(
        front=_sprocket(known.front, given.get("front")),
        rear=_sprocket(known.rear, given.get("rear")),
        chain=_chain(known.chain, limit, given),
        size=size,
        adjuster_left_percent=given.get("adjuster_left_percent"),
    )


def _sprocket(old: SprocketState | None, new: dict[str, Any] | None) -> SprocketState | None:
    from toothcheck.advice import SprocketState

    if new is None:
        return old
    if old is None:
        return SprocketState(**{"grade": "cannot-tell", **new})
    out = _judged_anew(old, new)
    return replace(out, seen=_ridden_to(out.seen, new["distance_km"])) if "distance_km" in new else out


def _judged_anew(old: SprocketState, new: dict[str, Any]) -> SprocketState:
    """One sprocket as the logbook has it, with what was typed of it or an inspection's file says.

    A new grade takes the place of the old reading, not of the teeth.  A tooth that halts does so whatever is typed:
    only the withdrawal of its reading takes that back.
    """
    from toothcheck.advice import SprocketState
    from toothcheck.logbook import halted_in_logbook, outweighed_photo, renewal_in_logbook, worse_in_logbook

    told = {key: value for key, value in new.items() if value is not None}
    if "grade" not in new:
        return replace(old, **told)
    of_a_photo = "halt" in new
    beside = {key: value for key, value in told.items() if key in ("teeth", "distance_km", "chain_size", "halt")}
    if new["grade"] == "cannot-tell" and old.grade != "cannot-tell":  # as a newer reading that could not tell
        return replace(old, untold_on=dt.date.today().isoformat(), renew=new.get("renew"), **beside)
    if of_a_photo and old.seen is not None:
        outweighed = outweighed_photo(old.grade, old.seen.on, new["grade"])
        if outweighed is not None:
            return replace(old, remark=outweighed, **beside)
    said = [] if old.seen is None else [worse_in_logbook(old.grade, old.seen.on, new["grade"])]
    if old.renew is not None:
        said.append(renewal_in_logbook(new["grade"]))
    if old.halt is not None and not of_a_photo:
        said.append(halted_in_logbook(old.halt))
    lasting = {
        "teeth": old.teeth,
        "distance_km": old.distance_km,
        "chain_size": old.chain_size,
        "halt": old.halt,
        "remark": " ".join(one for one in said if one is not None) or None,
    }
    return SprocketState(**{**lasting, **told})


def _chain(old: ChainState, limit: Limit | None, given: dict[str, Any]) -> ChainState:
    from toothcheck.logbook import longer_in_logbook

    told = {field: given[key] for key, field in _OF_THE_CHAIN.items() if key in given}
    if "elongation_percent" in told:
        # those were about the logbook's reading
        told |= {"misread": None, "if_one_fewer_percent": None, "seen": None, "dispute": None}
        if old.elongation_percent is not None and old.seen is not None and not old.misread:
            told["remark"] = longer_in_logbook(old.elongation_percent, old.seen.on, told["elongation_percent"])
    elif "distance_km" in told:
        told["seen"] = _ridden_to(old.seen, told["distance_km"])
    return replace(old, limit=limit, **told)


def _ridden_to(seen: Seen | None, part_km: float) -> Seen | None:
    """When a part was seen, with its distance told anew."""
    if seen is None or seen.part_km is None:
        return seen
    return replace(seen, since_km=max(0.0, part_km - seen.part_km), unread_days=0)
