"""Elongation from a photo of a straight, pulled run beside the card."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothcheck.cli.output import console, counted, paragraph, write_json, write_whole
from toothcheck.cli.stretch.verdict import Question, answer, decision_json, say_decision, trap_json
from toothcheck.errors import CannotTell

if TYPE_CHECKING:
    from toothcheck.chainphoto import ChainSighting
    from toothcheck.stretch import Run, Trap

_NOT_MEASURED: dict[str, Any] = {
    "schema": "toothcheck/stretch/1",
    "source": "photo",
    "photo": None,
    "chain": None,
    "pitches": None,
    "elongation_percent": None,
    "links": [],
    "alternation_mm": None,
    "kinks": [],
    "pins_px": [],
    "pins_measured": [],
    "scale": None,
    "lower_bound": False,
    "traps": [],
    "why": None,
}
"""The document of a photo on which no run could be measured; ``why`` says why."""
_TOLD = 2.0
"""A difference of fewer standard uncertainties is not called one."""
PICTURE = {".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg"}
"""What the photo with the pins marked may be, by the ending of its file's name."""


def from_photo(
    question: Question, photo: Path, *, card_height: float | None, card_measured: float | None, picture: Path | None
) -> None:
    """Answer from a photo; parameters as the options of ``toothcheck stretch``."""
    from toothcheck.chainphoto import measure_run
    from toothcheck.estimate import Estimate
    from toothcheck.photo import load
    from toothcheck.stretch import SLACK, decide, length_mm, run_of

    size = question.size
    loaded = load(photo)
    try:
        seen = measure_run(
            loaded.grey, loaded.focals_35mm, size, card_height_mm=card_height, card_measured_mm=card_measured
        )
    except CannotTell as error:
        if question.json_to is not None:
            told = {**_NOT_MEASURED, "photo": loaded.name, "chain": size.name, "why": " ".join(error.args)}
            write_json({**told, **decision_json(None, question.limit)}, question.json_to)
        raise
    run = run_of(seen.row, size)
    decision = decide(run.percent, question.limit, lower_bound=question.slack)
    traps = [SLACK] if question.slack else []
    drawn = None
    if picture is not None:
        from toothcheck.overlay import chain_picture

        drawn = chain_picture(loaded.colour(), seen, run, size, kind=PICTURE[picture.suffix.lower()])
    kept: tuple[str, ...] = ()
    if question.book is not None:
        kept = question.book.record(run.pitches, run.percent, size, question.limit, rollers=run.pitches + 1)
    if picture is not None and drawn is not None:
        write_whole(picture, drawn)

    def say() -> None:
        out = console()
        paragraph(out, f"Chain {size.name}, {run.pitches} pitches from {photo.name}", style="bold")
        say_decision(decision, question)
        length, new = length_mm(run.percent, run.pitches, size), run.pitches * size.pitch_mm
        paragraph(out, f"Pin to pin over {run.pitches} pitches: {length.text('mm')} ({new:g} mm when new).")
        known = [bool(seen.seen[k.index] and seen.seen[k.index + 1]) for k in run.links]
        bars = "".join(_bar(k.elongation_percent) if ok else "?" for k, ok in zip(run.links, known, strict=True))
        shown = [k.elongation_percent for k, ok in zip(run.links, known, strict=True) if ok] or [run.percent.value]
        out.print(f"Link by link: {bars}  ({min(shown):+.2f} … {max(shown):+.2f} %)")
        play = Estimate(value=abs(run.alternation_mm.value), std=run.alternation_mm.std)
        sure = play.value >= _TOLD * play.std
        meant = ": the play of pins and bushes" if sure else ", which is too little to tell"
        paragraph(out, f"Every second link is {play.text('mm')} longer than its neighbours{meant}.")
        for link in run.uneven:
            odd = f"Link {link.index + 1} differs from its kind: {link.elongation_percent:+.2f} %. Look at it."
            paragraph(out, odd, mark="! ")
        for kink in run.kinks:
            bent = f"The joint at pin {kink.pin + 1} is bent by {kink.angle_deg:+.1f}°: a stiff link."
            paragraph(out, bent, mark="! ")
        for trap in traps:
            paragraph(out, trap.sentence, mark="· ")
        if not seen.seen.all():
            hidden = int((~seen.seen).sum())
            its = "its" if hidden == 1 else "their"
            words = f"{counted(hidden, 'pin end')} could not be measured (dirt); {its} neighbours tell {its} place."
            paragraph(out, words, mark="· ")
        paragraph(
            out,
            f"Photo: {seen.px_per_mm:.1f} px/mm, {seen.tilt_deg:.0f}° tilt, {seen.distance_mm:.0f} mm away; "
            f"uncertainty from plane {100 * seen.plane_std:.2f} %, from the card's print {100 * seen.print_std:.2f} %.",
        )
        if card_measured is None:
            paragraph(out, "The card's print was not measured: give --card-measured to be surer.", mark="· ")
        if picture is not None:
            out.print(f"Wrote {picture}", soft_wrap=True, markup=False)

    answer(question, decision, document=_document(loaded.name, size.name, seen, run, traps), say=say, kept=kept)


def _bar(percent: float) -> str:
    marks = "▁▂▃▄▅▆▇█"
    return marks[min(7, max(0, int(percent / 0.6)))]


def _document(
    name: str,
    size: str,
    seen: ChainSighting,
    run: Run,
    traps: list[Trap],
) -> dict[str, Any]:
    return {
        **_NOT_MEASURED,
        "photo": name,
        "chain": size,
        "pitches": run.pitches,
        "elongation_percent": run.percent.as_json(),
        "links": [
            {"elongation_percent": round(k.elongation_percent, 2), "std": round(100 * k.std_mm / k.length_mm, 2),
             "uneven": k.uneven}
            for k in run.links
        ],
        "alternation_mm": run.alternation_mm.as_json(),
        "kinks": [{"pin": k.pin + 1, "angle_deg": round(k.angle_deg, 1)} for k in run.kinks],
        "pins_px": [[round(float(x), 2), round(float(y), 2)] for x, y in seen.pins_px],
        "pins_measured": [bool(s) for s in seen.seen],
        "scale": {"px_per_mm": round(seen.px_per_mm, 2), "tilt_deg": round(seen.tilt_deg, 1),
                  "plane_std_percent": round(100 * seen.plane_std, 3),
                  "print_std_percent": round(100 * seen.print_std, 3)},
        "lower_bound": bool(traps),
        "traps": [trap_json(t) for t in traps],
    }  # fmt: skip
