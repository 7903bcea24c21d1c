"""The answer on the terminal: grade, confidence, the three numbers that matter, why, what next, what to mind.

Eighty columns; colour only where the console has any, and it says nothing that a word does not say.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from toothcheck.cli.output import paragraph

if TYPE_CHECKING:
    from rich.console import Console

    from toothcheck.inspection import Inspection
    from toothcheck.wear import WheelWear

COLUMNS = 80
_BAR = 20
_UNDER = "    "
"""In front of what does not fit beside its number."""
_STYLE = {
    "good": "bold black on green",
    "watch": "bold black on yellow",
    "replace-set": "bold white on magenta",
    "replace-now": "bold white on red",
    "cannot-tell": "bold black on white",
}


def answer(inspection: Inspection, out: Console) -> None:
    """Print the answer."""
    from toothcheck.grade import CANNOT_TELL, MEANING

    out.width = min(out.width, COLUMNS)
    verdict = inspection.verdict
    refused = verdict.grade == CANNOT_TELL
    head = Text(f" {verdict.grade.upper()} ", style=_STYLE[verdict.grade])
    if not refused:
        head.append("  ", style="none")
        head.append(f"confidence {100 * verdict.confidence:.0f} %  ", style="not bold default on default")
        head.append(_bar(verdict.confidence, out), style="not bold default on default")
    out.print(head)
    paragraph(out, _sentence(MEANING[verdict.grade]))
    if refused:
        _list(out, verdict.advice_heading, verdict.next_steps, numbered=True)
        _list(out, "Why", verdict.reasons)
        if inspection.wear is not None and inspection.wear.asymmetry_percent is not None:
            _heading(out, "What was measured all the same (no grade follows from it)")
            _numbers(out, inspection.wear)
    else:
        if inspection.wear is not None:
            out.print()
            _numbers(out, inspection.wear)
        _list(out, "Why", verdict.reasons)
        _list(out, verdict.advice_heading, verdict.next_steps, numbered=True)
    if inspection.wear is not None:
        _list(out, "Teeth", teeth_in_words(inspection.wear))
    _list(out, "Mind", verdict.cautions)


def teeth_in_words(wear: WheelWear) -> list[str]:
    """Which teeth are left out, or stand out, and why: one sentence a reason."""
    from toothcheck.flags import flag

    by_code: dict[str, list[int]] = {}
    for tooth in wear.teeth:
        for code in tooth.flags:
            by_code.setdefault(code, []).append(tooth.index)
    return [f"{ranges(indices)}: {flag(code).sentence} {flag(code).remedy}" for code, indices in by_code.items()]


def ranges(numbers: Sequence[int]) -> str:
    """``0-4, 7`` of rising numbers."""
    runs: list[list[int]] = []
    for n in numbers:
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(f"{a}" if a == b else f"{a}-{b}" for a, b in runs)


def _numbers(out: Console, wear: WheelWear) -> None:
    from toothcheck.estimate import said
    from toothcheck.grade import BANDS_PERCENT, GRADES, HOOK_MM
    from toothcheck.wear import hook_said

    limits = [f"{name} {limit:g} %" for name, limit in zip(GRADES[1:], BANDS_PERCENT, strict=True)]
    most_worn = ""
    if wear.worst_tooth is not None:
        most_worn = f"most worn: tooth {wear.worst_tooth}, {said(wear.teeth[wear.worst_tooth].drive_loss_mm, 'mm')}"
    rows = [
        ("asymmetry", said(wear.asymmetry_percent, "%"), ", ".join(limits)),
        ("hook overhang", hook_said(wear.overhang_mm), f"{GRADES[3]} {HOOK_MM:g} mm"),
        ("drive flank loss", said(wear.drive_loss_mm, "mm"), most_worn),
    ]
    wide = max(len(value) for _, value, _ in rows)
    for name, value, note in rows:
        line = Text.assemble(f"{name:16}  ", (value.rjust(wide), "bold"))
        beside = line.cell_len + 2 + len(note) <= out.width
        out.print(line.append(f"  {note}", style="dim") if beside and note else line, soft_wrap=True)
        if not beside:
            paragraph(out, note, mark=_UNDER, style="dim")
    measured = sum(t.measured for t in wear.teeth)
    paragraph(out, f"Medians of {measured} of {len(wear.teeth)} teeth; ± is one standard uncertainty.", style="dim")


def _bar(share: float, out: Console) -> str:
    full = int(_BAR * share)  # full only where there is no doubt
    solid, empty = ("█", "░") if out.encoding.lower().startswith("utf") else ("#", "-")
    return solid * full + empty * (_BAR - full)


def _heading(out: Console, words: str) -> None:
    out.print()
    paragraph(out, words, style="bold")


def _list(out: Console, heading: str, rows: Iterable[str], *, numbered: bool = False) -> None:
    rows = list(rows)
    if not rows:
        return
    _heading(out, heading)
    for n, row in enumerate(rows, start=1):
        mark = f" {n}. " if numbered else " - "
        paragraph(out, row, mark=mark)


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."
