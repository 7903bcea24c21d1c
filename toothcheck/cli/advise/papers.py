"""The papers for a plan: the order sheet, the work checklist."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from toothcheck.cli.reading import PART_HINT, json_object_of, part_of
from toothcheck.cli.words import Paper
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.advice import InWords, Plan, Situation, SprocketState
    from toothcheck.chains import Chain
    from toothcheck.matching import Part
    from toothcheck.sheets import Sheet

_OTHER_PITCH_MM = 0.5
"""The sizes of `toothcheck.chains` that are not of one pitch lie at least 1.5 mm apart; what is measured is nearer."""


def papers_of(
    name: str,
    situation: Situation,
    plan: Plan,
    far: InWords,
    *,
    order_sheet: Path | None,
    checklist: Path | None,
    torque: Sequence[str],
    paper: Paper,
    model: str,
    frame: str,
    front_part: Path | None,
    rear_part: Path | None,
) -> list[tuple[Path, bytes]]:
    """The papers that were asked for, each with its file; parameters as the options of ``toothcheck advise``."""
    from toothcheck.torque import Torque

    torques = [Torque.parse(text) for text in torque]
    sheets: list[tuple[Path, Sheet]] = []
    if order_sheet is not None:
        order = _order_of(
            name, situation, plan, far, model=model, frame=frame, front_part=front_part, rear_part=rear_part
        )
        sheets.append((order_sheet, order))
    if checklist is not None:
        from toothcheck.sheets import work_checklist

        work = work_checklist(plan, machine=name, torques=torques, date=dt.date.today().isoformat())
        sheets.append((checklist, work))
    return [(path, _rendered(sheet, path, paper)) for path, sheet in sheets]


def _order_of(
    name: str,
    situation: Situation,
    plan: Plan,
    far: InWords,
    *,
    model: str,
    frame: str,
    front_part: Path | None,
    rear_part: Path | None,
) -> Sheet:
    """The order sheet; the files hold parts' values."""
    from toothcheck.chains import chain as chain_of
    from toothcheck.matching import Count, Part
    from toothcheck.sheets import OrderFacts, SprocketOrder, order_sheet

    def size(own: str | None) -> Chain | None:
        """A part's own size; where it is not known the others', as long as these agree."""
        return chain_of(own) if own is not None else None if situation.clash is not None else situation.size

    def part(which: str, path: Path | None, state: SprocketState | None) -> SprocketOrder:
        number, known = "", Part(name="part")
        made_for, teeth = size(None if state is None else state.chain_size), None if state is None else state.teeth
        if path is not None:
            told = json_object_of(path, hint=PART_HINT)
            number = str(told.pop("part_number", ""))
            known = part_of(path, told)
            own = None if told.get("chain") is None else chain_of(str(told["chain"]))
            _check_part(which, path, known, own, made_for, teeth)
            made_for = made_for or own
        if known.teeth is None and teeth is not None:
            known = replace(known, teeth=Count(value=teeth))
        return SprocketOrder(part=known, part_number=number, size=made_for)

    return order_sheet(
        OrderFacts(
            machine=name,
            model_and_year=model,
            frame_number=frame,
            distance="" if situation.chain.distance_km is None else f"{far(situation.chain.distance_km)} on the chain",
            size=size(situation.chain.size),
            links=situation.chain.links,
            front=part("front", front_part, situation.front),
            rear=part("rear", rear_part, situation.rear),
            plan=plan.headline,
        ),
        date=dt.date.today().isoformat(),
    )


def _check_part(
    which: str, path: Path, part: Part, own: Chain | None, made_for: Chain | None, teeth: int | None
) -> None:
    """Refuse a part's file that contradicts what is known of the sprocket: both would stand on one order sheet."""
    hint = f"Correct the file or what was typed; the sheet is for a part like the {which} sprocket."
    if part.teeth is not None and teeth is not None and part.teeth.value != teeth:
        raise UsageError(f"{path} is of {part.teeth.value} teeth, but the {which} sprocket has {teeth}.", hint=hint)
    said = None
    if made_for is not None and own is not None and own.name != made_for.name:
        said = f"chain {own.name}"
    elif made_for is not None and part.pitch_mm and abs(part.pitch_mm.value - made_for.pitch_mm) > _OTHER_PITCH_MM:
        said = f"a pitch of {part.pitch_mm.value:g} mm"
    if made_for is not None and said is not None:
        raise UsageError(f"{path} is for {said}, but the {which} sprocket is for chain {made_for.name}.", hint=hint)


def _rendered(sheet: Sheet, path: Path, paper: Paper) -> bytes:
    """A paper in the form that its file's name asks for."""
    from toothcheck.sheets import to_markdown, to_pdf

    if path.suffix.lower() == ".md":
        return to_markdown(sheet).encode()
    return to_pdf(sheet, paper=paper.value)
