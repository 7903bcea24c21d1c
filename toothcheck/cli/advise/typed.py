"""What was typed of a drive, or stands in an invented case.

Both become one mapping: ``front`` and ``rear`` (each fields of a `SprocketState`), ``elongation_percent``, ``limit``,
``chain``, ``links``, ``chain_km``, ``age_years``, ``adjuster_left_percent``, ``stiff``, ``damaged``; what is not known
is not in it.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothcheck.cli.books import kilometres, number_of, telling
from toothcheck.cli.reading import json_object_of
from toothcheck.errors import InputError, UsageError

if TYPE_CHECKING:
    from toothcheck.estimate import Estimate

_ESTIMATES = ("asymmetry_percent", "elongation_percent")


def sprocket_of(
    grade: str | None, teeth: int | None, confidence: float | None, km: float | None, name: str
) -> dict[str, Any] | None:
    """One sprocket as typed; ``grade`` may name an inspection's file.  None where nothing was."""
    if confidence is not None and not 0 <= confidence <= 1:
        hint = f"{confidence:g} % is {confidence / 100:g}." if 1 < confidence <= 100 else ""
        raise UsageError(f"--{name}-confidence must lie between 0 and 1, not {confidence:g}.", hint=hint)
    from toothcheck.advice import Halt, SprocketState

    more = {"teeth": teeth, "confidence": confidence, "distance_km": km}
    typed: dict[str, Any] = {key: value for key, value in more.items() if value is not None}
    path = None if grade is None else json_file(grade)
    given: dict[str, Any] = {"grade": grade.strip().lower(), **typed} if grade is not None and path is None else typed
    with telling(grade=f"--{name}", teeth=f"--{name}-teeth"):
        SprocketState(**{"grade": "cannot-tell", **given})  # refuses what was typed while it is known as what
    if grade is None or path is None:
        return given or None  # known but not graded: still worth its notes
    made = f"--{name} takes a grade, or what toothcheck inspect … --json FILE wrote."
    from toothcheck.estimate import Estimate
    from toothcheck.logbook.documents import facts_of, halts_of, renewal_of

    document = json_object_of(path, hint=made)
    try:
        facts, halts = facts_of(document), halts_of(document)
        asymmetry = None
        if facts["asymmetry_percent"] is not None:
            asymmetry = Estimate(value=facts["asymmetry_percent"], std=facts["asymmetry_std_percent"])
        told = {"grade": facts["grade"], "teeth": facts["teeth"], "asymmetry_percent": asymmetry}
        told["chain_size"] = facts["chain"]
        told["renew"] = renewal_of(document)
        told["halt"] = Halt(teeth=halts) if halts else None
        if facts["grade"] != "cannot-tell":  # then it is simply not graded, which needs no confidence
            told["confidence"] = facts["confidence"]
        SprocketState(**told)
    except (ValueError, TypeError) as error:
        raise InputError(f"{grade} is not an inspection's JSON: {error}.", hint=made) from None
    if facts["position"] not in (None, name):
        raise UsageError(f"{grade} is of a {facts['position']} sprocket, not of the {name} one.")
    _check_teeth(name, teeth, told, grade)
    return {**told, **typed}


def _check_teeth(name: str, typed: int | None, known: dict[str, Any], source: str) -> None:
    """Refuse a typed tooth count beside a grade that is of a sprocket with another."""
    counted = known["teeth"]
    if known["grade"] != "cannot-tell" and None not in (typed, counted) and typed != counted:
        raise UsageError(
            f"--{name}-teeth is {typed}, but the grade {known['grade']} is of a sprocket of {counted} teeth "
            f"({source}).",
            hint=f"Leave it out, or give the grade of the one of {typed} teeth with --{name}.",
        )


def case_of(name: str) -> tuple[str, dict[str, Any]]:
    """The machine of an invented case, and its drive."""
    from toothcheck.cli.cases import case
    from toothcheck.estimate import Estimate

    found = {key: value for key, value in case("advise", name).items() if key != "about"}
    for told in (found, *(found[position] for position in ("front", "rear") if position in found)):
        told |= {key: Estimate(**value) for key, value in told.items() if key in _ESTIMATES}
    return found.pop("machine"), found


def over_case(found: dict[str, Any], typed: dict[str, Any], source: str) -> dict[str, Any]:
    """What was typed over an invented case; a new grade takes the place of the old one, not of the teeth."""
    out = {**found, **typed}
    for name in {"front", "rear"} & set(found) & set(typed):
        old, new = found[name], typed[name]
        if "grade" in new:
            old = {key: old[key] for key in ("teeth", "distance_km") if key in old}
        else:
            _check_teeth(name, new.get("teeth"), old, source)
        out[name] = {**old, **new}
    return out


def km_of(words: str | None, option: str) -> float | None:
    """A distance in km, said with that option; a bare number is one already."""
    if words is None:
        return None
    bare = words.strip() and not words.strip()[-1:].isalpha()
    return kilometres(f"{words}km" if bare else words, option)


def json_file(grade: str | None) -> Path | None:
    """The inspection's file that stands in place of a grade."""
    return Path(grade) if grade is not None and grade.lower().endswith(".json") else None


def elongation(text: str) -> Estimate:
    """A chain's elongation in per cent, as ``--stretch`` has it."""
    from toothcheck.estimate import Estimate
    from toothcheck.stretch import says_nothing

    words, _, more = text.replace("%", "").replace("±", "+-").partition("+-")
    hint = "Write 0.45 or 0.45+-0.05 (per cent)."
    try:
        # without its own uncertainty: what a rule over 20 pitches of 520 gives
        value, std = number_of(words), number_of(more) if more.strip() else 0.09
    except UsageError as error:
        raise UsageError(f"--stretch {text!r} cannot be read.", hint=error.hint or hint) from None
    if std < 0:
        raise UsageError(f"--stretch must not have an uncertainty below 0, not {text!r}.", hint=hint)
    nothing = says_nothing(std)
    if nothing is not None:
        raise UsageError(
            f"--stretch {text!r} cannot be used: {nothing}.",
            hint="Write its standard uncertainty in per cent, such as 0.45+-0.05, or the reading alone: 0.45.",
        )
    return Estimate(value=value, std=std)
