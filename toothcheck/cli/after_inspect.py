"""What ``inspect`` does once the photo is measured: set against a baseline, recorded in the logbook."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothcheck.cli.output import same_file
from toothcheck.cli.reading import json_object_of
from toothcheck.errors import CannotTell, DifferentPartError, InputError, UsageError

if TYPE_CHECKING:
    from toothcheck.comparing import AgainstBaseline
    from toothcheck.estimate import Estimate
    from toothcheck.inspection import Claim, Inspection
    from toothcheck.photo import Photo


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """An inspection as it stands after it was held against a baseline, if one was given."""

    inspection: Inspection
    document: dict[str, Any]
    """The inspection's document; with a baseline, ``baseline`` in it."""
    lines: tuple[str, ...]
    """For people."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """What an earlier inspection's JSON says of the part."""

    name: str
    sprocket: dict[str, Any]
    thickness_mm: Estimate
    """Median of its teeth at the pitch circle."""
    sha256: str | None
    """Of the photo that was read."""
    grade: str | None
    flags: tuple[str, ...]


def is_reading(baseline: str) -> bool:
    """Whether a baseline is the JSON of an inspection, not a photo."""
    return Path(baseline).suffix.lower() == ".json"


def baseline_of(path: Path, photo: Path, claim: Claim) -> Photo | Reading:
    """Read the part when it was new, before anything is measured: what is refused here costs no inspection.

    Parameters
    ----------
    path
        A photo of the same part when new, or a reading of it: the JSON file of an earlier inspection.
    photo
        The file to be inspected.
    claim
        What is said of it.

    Raises
    ------
    UsageError, InputError, DifferentPartError
        When the file is the photo itself, cannot be read, or is a reading of another part than is claimed.
    """
    if same_file(path, photo):
        raise UsageError(f"--baseline {path} is the photo itself.", hint="Name the part's photo when new.")
    from toothcheck.photo import load, name_of

    if not is_reading(str(path)):
        return load(path)
    told = _read(path)
    reading = Reading(
        name=name_of(path),
        sprocket=told["sprocket"],
        thickness_mm=_thickness(told, path),
        sha256=_of(told, "photo", "sha256"),
        grade=_of(told, "verdict", "grade"),
        flags=tuple(str(code) for code in told["flags"]) if isinstance(told.get("flags"), list) else (),
    )
    _check_same(reading, claim)
    return reading


def held(
    inspection: Inspection, baseline: Photo | Reading | None = None, *, card_height_mm: float | None = None
) -> Held:
    """Hold an inspection against a baseline.

    A photo of the part when it was new, and graded good, becomes the ideal (measures.md, section 2): asymmetry and
    grade are then by what is gone since.  A reading, or a photo of a part that was not new, only says how much.  Where
    the two cannot be compared, or turn out to be two parts, the inspection stands as it is, with a flag and the reason:
    what it says of the photo, such as a broken tooth, holds all the same.

    Parameters
    ----------
    inspection
        As measured.
    baseline
        From `baseline_of`.
    card_height_mm
        Of the baseline's photo; as in this photo when None.
    """
    if baseline is None:
        return Held(inspection=inspection, document=inspection.document(), lines=())
    about = {"kind": "reading" if isinstance(baseline, Reading) else "photo", "name": baseline.name}
    try:
        if baseline.sha256 == inspection.photo.sha256:
            raise CannotTell("It is this very photo.", hint="Name the part's photo when new.")
        if isinstance(baseline, Reading):
            found, more = _by_reading(inspection, baseline)
        else:
            found, more, inspection = _by_photo(inspection, baseline, card_height_mm)
    except (CannotTell, DifferentPartError) as error:
        return _not_used(inspection, about, str(error))
    document = inspection.document()
    document["baseline"] = about | {"ideal": inspection.against_baseline, "not_used": None} | found.document() | more
    lines = _in_words(found, baseline.name, more, inspection, of_reading=isinstance(baseline, Reading))
    return Held(inspection=inspection, document=document, lines=tuple(lines))


def _not_used(inspection: Inspection, about: dict[str, str], why: str) -> Held:
    from toothcheck.grade import GRADES

    inspection = replace(inspection, flags=(*inspection.flags, "baseline-not-used"))
    unknown = dict.fromkeys(("loss_mm", "asymmetry_percent", "band", "band_probability", "tooth_by_tooth"))
    document = inspection.document()
    document["baseline"] = about | {"ideal": False, "not_used": why} | unknown | {"flags": []}
    lines = [f"{about['name']} was not used as baseline. {why}"]
    if inspection.verdict.grade in GRADES:
        lines.append("The grade is by the ideal form.")
    return Held(inspection=inspection, document=document, lines=tuple(lines))


def recorded(
    result: Held,
    photo: Path,
    *,
    log: str,
    at: str,
    logbook: str | None = None,
    part: str | None = None,
    on: str | None = None,
    text: str | None = None,
    operator: str | None = None,
    keep_photo: bool = False,
    reason: str | None = None,
    again: str | None = None,
) -> tuple[str, ...]:
    """Record it in the logbook, in the words of these options, and say so, a line for each entry.

    Raises
    ------
    UsageError, PhotoError, LogbookError
        When words or photo do not fit; nothing is recorded then.
    """
    from toothcheck.cli.logbook.recorded import record_inspection

    done = record_inspection(
        result.document, photo, machine=log, at=at, logbook=logbook, part=part, on=on,
        operator=operator, text=text, keep_photo=keep_photo, reason=reason, again=again,
    )  # fmt: skip
    line = f"Entry {done.entry.number} in the logbook: {done.entry.part}, {done.entry.grade}{done.at}"
    return (*done.before, line, *done.after)


def _by_photo(
    inspection: Inspection, photo: Photo, card_height_mm: float | None
) -> tuple[AgainstBaseline, dict[str, Any], Inspection]:
    from toothcheck.comparing import against_photo
    from toothcheck.inspection import inspect
    from toothcheck.pairing import knowing_the_turning, loss_between, thickness_of, with_baseline

    height = inspection.claim.card_height_mm if card_height_mm is None else card_height_mm
    claim = replace(inspection.claim, card_height_mm=height, near_px=None)
    earlier = knowing_the_turning(photo, claim, inspect(photo, claim), inspection)
    comparison = loss_between(earlier, inspection)
    _refuse_doubts(comparison.flags, earlier.flags, inspection.flags)
    thickness = thickness_of(earlier)
    if thickness is None:
        raise CannotTell(f"{photo.name}: no tooth of the baseline could be measured.", hint="Use a clearer photo.")
    found = against_photo(comparison, thickness)
    told = {"flags": list(comparison.flags), "grade": earlier.verdict.grade}
    return found, told, with_baseline(inspection, earlier, comparison, found)


def _by_reading(inspection: Inspection, reading: Reading) -> tuple[AgainstBaseline, dict[str, Any]]:
    from toothcheck.comparing import against_reading
    from toothcheck.pairing import thickness_of

    now = thickness_of(inspection)
    if now is None:
        raise CannotTell(f"{inspection.photo.name}: no tooth could be measured.", hint="Use a clearer photo.")
    _check_same(reading, inspection.claim, chain_open="chain-open" in inspection.flags)
    _refuse_doubts(reading.flags, inspection.flags)
    told = {} if reading.grade is None else {"grade": reading.grade}
    return against_reading(reading.thickness_mm, now), {"flags": []} | told


def _refuse_doubts(*flags: Iterable[str]) -> None:
    """Refuse a loss where photos and claims disagree, as ``compare`` does."""
    from toothcheck.flags import flag
    from toothcheck.pairing import doubts

    found = doubts(*flags)
    if found:
        said = " ".join(flag(code).sentence for code in found)
        raise CannotTell(f"The photos and what is said of them do not agree. {said}", hint=flag(found[0]).remedy)


def _check_same(reading: Reading, claim: Claim, *, chain_open: bool = False) -> None:
    """Refuse a reading of another part; what is left to the photo, and not found yet, is passed over.

    Where several chain sizes fit the photo, or fitted the reading's, what they have in common is compared.
    """
    here: dict[str, object] = {"teeth": claim.teeth, "position": claim.position}
    if claim.chain is not None and (chain_open or reading.sprocket.get("chain") is None):
        here |= {"pitch_mm": claim.chain.pitch_mm, "roller_diameter_mm": claim.chain.roller_diameter_mm}
    elif claim.chain is not None:
        here["chain"] = claim.chain.name
    for key, value in here.items():
        there = reading.sprocket.get(key)
        if value is not None and there != value:
            name = key.removesuffix("_mm").replace("_", " ")
            raise DifferentPartError(
                f"{reading.name} is a reading of another part: {name} {there or 'not told'} there, {value} here.",
                hint="Name a reading of this part.",
            )


def _read(path: Path) -> dict[str, Any]:
    hint = "A baseline is a photo, or a file that inspect --json wrote."
    reading = json_object_of(path, hint=hint)
    if (
        not str(reading.get("schema", "")).startswith("toothcheck/inspection/")
        or not isinstance(reading.get("sprocket"), dict)
        or not isinstance(reading.get("teeth"), list)
    ):
        raise InputError(f"--baseline {path} is not the JSON of an inspection.", hint=hint)
    return reading


def _of(reading: dict[str, Any], part: str, key: str) -> str | None:
    there = reading.get(part)
    value = there.get(key) if isinstance(there, dict) else None
    return value if isinstance(value, str) else None


def _thickness(reading: dict[str, Any], path: Path) -> Estimate:
    from toothcheck.estimate import Estimate, median_of

    try:
        values = [Estimate(**t["thickness_mm"]) for t in reading["teeth"] if t["thickness_mm"] is not None]
    except (KeyError, TypeError, ValueError, OverflowError):
        raise InputError(
            f"--baseline {path} is damaged: its teeth's thickness_mm are no numbers.", hint="Inspect that photo again."
        ) from None
    middle = median_of(values)
    if middle is None or middle.value <= 0:
        raise UsageError(f"--baseline {path} holds no measured tooth.", hint="Inspect a clearer photo of the part.")
    return middle


def _in_words(
    found: AgainstBaseline, name: str, more: dict[str, Any], inspection: Inspection, *, of_reading: bool
) -> list[str]:
    from toothcheck.flags import flag
    from toothcheck.grade import GRADES

    lines = [f"Against {name}: {found.loss_mm.text('mm')} gone, {found.asymmetry_percent.text('%')} of its thickness."]
    if inspection.verdict.grade in GRADES:
        lines.append(
            "The grade is by that: the baseline is the ideal."
            if inspection.against_baseline
            else "The grade is by the ideal form all the same; what the baseline had lost before counts, too."
        )
    if more.get("grade", "good") != "good":
        lines.append(f"The baseline itself is not graded good ({more['grade']}), so it is no ideal.")
    if of_reading:
        lines.append(
            "A reading holds only numbers: two medians are subtracted, each with its own photo's scale and light; the "
            "photo itself as baseline says more."
        )
    for code in more["flags"]:
        if code != "teeth-not-told-apart":  # only the median is used here
            lines.append(f"{flag(code).sentence} {flag(code).remedy}")
    return lines
