"""What ``inspect`` does once the photo is measured: set against a baseline, recorded in the logbook."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothcheck.cli.reading import json_object_of
from toothcheck.errors import InputError, UsageError

if TYPE_CHECKING:
    from toothcheck.comparing import AgainstBaseline
    from toothcheck.estimate import Estimate
    from toothcheck.inspection import Inspection


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """An inspection as it stands after it was held against a baseline, if one was given."""

    inspection: Inspection
    document: dict[str, Any]
    """The inspection's document; with a baseline, ``baseline`` in it."""
    lines: tuple[str, ...]
    """For people."""


def held(
    inspection: Inspection, photo: Path, *, baseline: str | None = None, baseline_card_height: float | None = None
) -> Held:
    """Hold an inspection against a baseline.

    A photo of the part when it was new, and graded good, becomes the ideal (measures.md, section 2): asymmetry and
    grade are then by what is gone since.  A reading, or a photo of a part that was not new, only says how much.

    Parameters
    ----------
    inspection
        As measured.
    photo
        Its file.
    baseline
        A photo of the same part when new, or a reading of it: the JSON file of an earlier inspection.
    baseline_card_height
        Of the baseline's photo, mm; as in this photo when None.

    Raises
    ------
    UsageError, PhotoError, CannotTell, DifferentPartError
        When words, photo or part do not fit.
    """
    if baseline is None:
        return Held(inspection=inspection, document=inspection.document(), lines=())
    path = Path(baseline)
    if path.resolve() == photo.resolve():
        raise UsageError(f"--baseline {path} is the photo itself.", hint="Name the part's photo when new.")
    if path.suffix.lower() == ".json":
        found, more = _by_reading(inspection, path)
        about = {"kind": "reading", "name": path.name, "ideal": False}
    else:
        found, more, inspection = _by_photo(inspection, path, baseline_card_height)
        about = {"kind": "photo", "name": path.name, "ideal": inspection.against_baseline}
    document = inspection.document()
    document["baseline"] = about | found.document() | more
    return Held(inspection=inspection, document=document, lines=tuple(_in_words(found, path, more, inspection)))


def recorded(
    result: Held,
    photo: Path,
    *,
    log: str,
    at: str | None,
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
    if at is None:
        raise UsageError("--log needs --at DISTANCE: what the odometer shows.", hint="For example --at 24600km.")
    from toothcheck.cli.logbook import record_inspection

    done = record_inspection(
        result.document, photo, machine=log, at=at, logbook=logbook, part=part, on=on, operator=operator, text=text,
        keep_photo=keep_photo, reason=reason, again=again,
    )  # fmt: skip
    line = f"Entry {done.entry.number} in the logbook: {done.entry.part}, {done.entry.grade}{done.at}"
    return (*done.before, line, *done.after)


def _by_photo(
    inspection: Inspection, path: Path, card_height: float | None
) -> tuple[AgainstBaseline, dict[str, Any], Inspection]:
    from toothcheck.comparing import against_photo
    from toothcheck.errors import CannotTell
    from toothcheck.inspection import inspect
    from toothcheck.pairing import loss_between, thickness_of, with_baseline
    from toothcheck.photo import load

    height = inspection.claim.card_height_mm if card_height is None else card_height
    earlier = inspect(load(path), replace(inspection.claim, card_height_mm=height, near_px=None))
    comparison = loss_between(earlier, inspection)
    thickness = thickness_of(earlier)
    if thickness is None:
        raise CannotTell(f"{path.name}: no tooth of the baseline could be measured.", hint="Use a clearer photo.")
    found = against_photo(comparison, thickness)
    told = {"flags": list(comparison.flags), "grade": earlier.verdict.grade}
    return found, told, with_baseline(inspection, earlier, comparison, found)


def _by_reading(inspection: Inspection, path: Path) -> tuple[AgainstBaseline, dict[str, Any]]:
    from toothcheck.comparing import against_reading
    from toothcheck.errors import CannotTell, DifferentPartError
    from toothcheck.pairing import thickness_of

    reading = _read(path)
    now = thickness_of(inspection)
    if now is None:
        raise CannotTell(f"{inspection.photo.name}: no tooth could be measured.", hint="Use a clearer photo.")
    document = inspection.document()
    for key, name in (("teeth", "teeth"), ("chain", "chain"), ("position", "position")):
        one, two = reading["sprocket"].get(key), document["sprocket"].get(key)
        if one != two:
            raise DifferentPartError(
                f"{path.name} is a reading of another part: {name} {one} there, {two} here.",
                hint="Name a reading of this part.",
            )
    return against_reading(_thickness(reading, path), now), {"flags": []}


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


def _thickness(reading: dict[str, Any], path: Path) -> Estimate:
    from toothcheck.estimate import Estimate, median_of

    try:
        values = [Estimate(**t["thickness_mm"]) for t in reading["teeth"] if t["thickness_mm"] is not None]
    except (KeyError, TypeError, ValueError):
        raise UsageError(
            f"--baseline {path} is damaged: its teeth's thickness_mm are no numbers.", hint="Inspect that photo again."
        ) from None
    middle = median_of(values)
    if middle is None or middle.value <= 0:
        raise UsageError(f"--baseline {path} holds no measured tooth.", hint="Inspect a clearer photo of the part.")
    return middle


def _in_words(found: AgainstBaseline, path: Path, more: dict[str, Any], inspection: Inspection) -> list[str]:
    from toothcheck.flags import flag
    from toothcheck.grade import GRADES

    lines = [
        f"Against {path.name}: {found.loss_mm.text('mm')} gone, {found.asymmetry_percent.text('%')} of its thickness."
    ]
    if inspection.verdict.grade in GRADES:
        lines.append(
            "The grade is by that: the baseline is the ideal."
            if inspection.against_baseline
            else "The grade is by the ideal form all the same; what the baseline had lost before counts, too."
        )
    if more.get("grade", "good") != "good":
        lines.append(f"The baseline itself is not graded good ({more['grade']}), so it is no ideal.")
    if not found.tooth_by_tooth:
        lines.append(
            "A reading holds only numbers: two medians are subtracted, each with its own photo's scale and light; the "
            "photo itself as baseline says more."
        )
    for code in more["flags"]:
        if code != "teeth-not-told-apart":  # only the median is used here
            lines.append(f"{flag(code).sentence} {flag(code).remedy}")
    return lines
