"""``toothcheck match``: whether this is the right new part."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.books import number_of, wrong_words
from toothcheck.cli.reading import PART_HINT, json_object_of, part_of
from toothcheck.cli.words import CardMeasuredWord, JsonWord, card_height_within, one_of, refuse_typed
from toothcheck.errors import CannotTell, UsageError

if TYPE_CHECKING:
    from toothcheck.matching import Comparison, Count, GearChange, Part

_OTHER_CHAIN = (
    "What the gear ratio does is not told: the old part's chain does not run on the new one, and the other sprocket is "
    "of that chain, too."
)
_NOT_COMPARED: dict[str, Any] = {
    "schema": "toothcheck/match/1",
    "old": None,
    "new": None,
    "result": "cannot-tell",
    "sentence": None,
    "why": None,
    "fields": [],
    "measure_next": [],
    "gears_untold": None,
    "gears": None,
}
"""The document where a photo shows no part that can be compared; ``why`` says why."""
_EPILOG = "Example: toothcheck match old.jpg new.jpg --chain 520 --old seat_thickness_mm=7.4"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=_EPILOG)(match)


def match(
    context: typer.Context,
    old: Annotated[
        Path | None,
        typer.Argument(
            help="The old part: a photo, or a JSON file of typed values.", readable=False, show_default=False
        ),
    ] = None,
    new: Annotated[
        Path | None, typer.Argument(help="The new part, likewise.", readable=False, show_default=False)
    ] = None,
    old_values: Annotated[
        list[str] | None,
        typer.Option(
            "--old",
            metavar="KEY=VALUE",
            help="A value of the old part, KEY=VALUE or KEY=VALUE+-STD, in mm.",
            show_default=False,
        ),
    ] = None,
    new_values: Annotated[
        list[str] | None,
        typer.Option("--new", metavar="KEY=VALUE", help="A value of the new part, likewise.", show_default=False),
    ] = None,
    chain: Annotated[
        str | None, typer.Option(help="Chain size of both parts where they are not told.", show_default=False)
    ] = None,
    card_height: Annotated[
        float | None,
        typer.Option(
            help="Height of the card over the face in the photos, towards the camera, mm. Default: 0; on a mat it is "
            "behind by the part's thickness, as typed, else as is usual for the chain.",
            show_default=False,
        ),
    ] = None,
    card_measured: CardMeasuredWord = None,
    position: Annotated[str | None, typer.Option(help="front or rear.", show_default=False)] = None,
    other_teeth: Annotated[
        int | None,
        typer.Option(help="Teeth of the other sprocket: tells what the gear ratio does.", show_default=False),
    ] = None,
    speedometer: Annotated[
        str, typer.Option(help="Where the speedometer takes its speed: wheel, gearbox or unknown.")
    ] = "unknown",
    case: Annotated[str | None, typer.Option(help="Try a bundled, invented case.", show_default=False)] = None,
    json_to: JsonWord = None,
) -> None:
    """Compare an old and a new sprocket, field by field: fits, differs, cannot tell."""
    from toothcheck.cli.output import check_targets, same_file, write_json
    from toothcheck.matching import OF_THE_CHAIN, compare, part_from_mapping

    check_targets(read={"the old part": old, "the new part": new}, written={"--json": json_to}, json_kind="match")
    card_height_within("--card-height", card_height)
    try:
        found = {} if case is None else _case(context, case)
        position = position or found.get("position")
        other_teeth = found.get("other_teeth") if other_teeth is None else other_teeth
        if other_teeth is None:
            refuse_typed(context, "is for --other-teeth, which is missing", "position", "speedometer")
        position, pickup = _gear_words(position, other_teeth, speedometer)
        if found:
            parts = [part_from_mapping(found["old"]), part_from_mapping(found["new"])]
        elif old is None or new is None:
            raise UsageError("Name the old and the new part.", hint="See: toothcheck match --help")
        else:
            if same_file(old, new) and not _is_typed(old):
                raise UsageError("OLD and NEW are the same photo.", hint="Name two photos.")
            if _is_typed(old) and _is_typed(new):
                refuse_typed(context, "is for a photo; both parts are typed values", "card_height", "card_measured")
            parts = [
                _part(old, "--old", old_values or [], chain, card_height, card_measured),
                _part(new, "--new", new_values or [], chain, card_height, card_measured),
            ]
        answer = compare(parts[0], parts[1])
        gears = _gears(parts[0], parts[1], position, other_teeth, pickup)
        untold = None
        if gears is not None and "differs" in {answer.of(key).result for key in OF_THE_CHAIN}:
            gears, untold = None, _OTHER_CHAIN  # it would be told of the old part's chain
    except CannotTell as error:
        if json_to is not None and old is not None and new is not None:
            write_json({**_NOT_COMPARED, "old": old.stem, "new": new.stem, "why": " ".join(error.args)}, json_to)
        raise
    except ValueError as error:
        raise wrong_words(error) from error
    if json_to is not None:
        write_json(_as_json(answer, gears, untold), json_to)
    if json_to != "-":
        warnings = () if gears is None else gears.warnings
        _show(answer, warnings if untold is None else (untold,))
    if answer.result == "cannot-tell":
        raise typer.Exit(3)


def _case(context: typer.Context, name: str) -> dict[str, Any]:
    from toothcheck.cli.cases import case

    refuse_typed(
        context, f"is told by --case {name} already", "old", "new", "old_values", "new_values", "chain", "card_height",
        "card_measured",
    )  # fmt: skip
    return case("match", name)


def _is_typed(path: Path) -> bool:
    """Whether a part is a file of typed values, not a photo."""
    return path.suffix.lower() == ".json"


def _part(
    path: Path, option: str, typed: list[str], chain: str | None, card_height: float | None, card_measured: float | None
) -> Part:
    from dataclasses import fields, replace

    from toothcheck.chains import chain as chain_of
    from toothcheck.matching import Part, part_from_mapping

    values: dict[str, Any] = {}
    for text in typed:
        key, equals, value = text.partition("=")
        number, plus, std = value.replace("±", "+-").partition("+-")
        unread = f"{option} {text!r} cannot be read."
        hint = "Write e.g. seat_thickness_mm=7.4."
        if not equals:
            raise UsageError(unread, hint=hint)
        try:
            values[key.strip()] = (
                value.strip()
                if key.strip() in ("chain", "name")
                else {"value": number_of(number), "std": number_of(std)}
                if plus
                else number_of(number)
            )
        except UsageError as error:
            raise UsageError(unread, hint=error.hint or hint) from None
    try:
        extra = part_from_mapping(values)
    except ValueError as error:
        raise UsageError(f"{option}: {error}.") from error
    if _is_typed(path):
        told = json_object_of(path, hint=PART_HINT)
        told.pop("part_number", None)  # for the order sheet, which is made from the same file; it is no measure
        if chain is not None:
            told.setdefault("chain", chain_of(chain).name)
        return part_of(path, {"name": path.stem, **told, **values})
    thick = extra.seat_thickness_mm or extra.thickness_mm
    size = values.pop("chain", chain)
    seen = _seen(path, size, None if thick is None else thick.value, card_height, card_measured)
    # without the chain: pitch and roller come from what was seen and told together; its width no photo shows
    extra = part_from_mapping(values)
    if size is not None and extra.inner_width_mm is None:
        extra = replace(extra, inner_width_mm=part_from_mapping({"chain": size}).inner_width_mm)
    for key in ("teeth", "holes"):
        told, shown = getattr(extra, key), getattr(seen, key)
        if told is not None and shown is not None and told.value != shown.value:
            raise UsageError(
                f"{path.name} shows {shown.value} {key}, not {told.value}.", hint="Count again, or leave it out."
            )
    known = {f.name: getattr(extra, f.name) for f in fields(Part) if f.name not in ("name", "unknown_because")}
    name = str(values.get("name", seen.name))
    return replace(seen, name=name, **{k: v for k, v in known.items() if v is not None})


def _seen(
    path: Path, chain: str | None, thickness: float | None, card_height: float | None, card_measured: float | None
) -> Part:
    from toothcheck.chains import chain as chain_of
    from toothcheck.features import part_from_photo
    from toothcheck.photo import load

    photo = load(path)
    return part_from_photo(
        photo.grey,
        photo.focals_35mm,
        name=Path(photo.name).stem,
        card_height_mm=card_height,
        card_measured_mm=card_measured,
        size=None if chain is None else chain_of(str(chain)),
        thickness_mm=thickness,
    )


def _gear_words(position: str | None, other: int | None, speedometer: str) -> tuple[str | None, str]:
    """Position and pickup as they are meant, found out before anything is measured."""
    pickup = one_of("--speedometer", speedometer, ("wheel", "gearbox", "unknown"))
    if position is not None:
        position = one_of("--position", position, ("front", "rear"))
    if other is not None and position is None:
        raise UsageError("--other-teeth needs --position.", hint="Say whether the parts compared are front or rear.")
    if other is not None and not 7 <= other <= 150:
        raise UsageError(f"--other-teeth must lie between 7 and 150, not {other}.")
    return position, pickup


def _gears(old: Part, new: Part, position: str | None, other: int | None, pickup: str) -> GearChange | None:
    from toothcheck.matching import gear_change

    if other is None:
        return None
    if old.teeth is None or new.teeth is None or old.pitch_mm is None or old.roller_diameter_mm is None:
        raise UsageError(
            "--other-teeth needs the teeth of both parts, and the chain size.",
            hint="Add --chain, or type what is missing, such as --old teeth=15.",
        )
    pair = (old.teeth.value, new.teeth.value)
    front, rear = (pair, (other, other)) if position == "front" else ((other, other), pair)
    return gear_change(
        pitch_mm=old.pitch_mm.value,
        roller_diameter_mm=old.roller_diameter_mm.value,
        front_before=front[0],
        front_after=front[1],
        rear_before=rear[0],
        rear_after=rear[1],
        pickup=pickup,  # type: ignore[arg-type]  # checked by `_gear_words`
    )


def _text(value: Count | Any) -> str:  # noqa: ANN401  # a count or an estimate
    from toothcheck.matching import Count

    if value is None:
        return "–"
    if isinstance(value, Count):
        return f"{value.value}" + ("" if value.probability > 0.995 else f" ({100 * value.probability:.0f} %)")
    return str(value.text())


def _show(answer: Comparison, said: Sequence[str]) -> None:
    """Show the comparison, and what is ``said`` of the gearing."""
    from rich.markup import escape
    from rich.table import Table

    from toothcheck.cli.output import console, paragraph

    out = console()
    table = Table(box=None, pad_edge=False, header_style="bold")
    for column in ("field", "old", "new", "result", "why"):
        table.add_column(column, overflow="fold")
    sign = {"fits": "= fits", "differs": "≠ DIFFERS", "cannot-tell": "? cannot tell"}
    for m in answer.fields:
        if m.result != "does-not-apply":
            table.add_row(m.field.label, _text(m.old), _text(m.new), sign[m.result], escape(m.why))
    out.print(f"[bold]{escape(answer.old)}  ->  {escape(answer.new)}[/bold]   (lengths in mm, ± standard uncertainty)")
    out.print(table)
    out.print(f"[bold]{answer.sentence}[/bold]")
    for sentence in said:
        paragraph(out, sentence, mark="· ")
    paragraph(
        out,
        "A photo sees neither thickness, offset, hardness nor the fit on the shaft: lay new on old before fitting, and "
        "follow the machine's parts list.",
        style="dim",
    )


def _as_json(answer: Comparison, gears: GearChange | None, untold: str | None) -> dict[str, Any]:
    from toothcheck.matching import Count

    def value(v: Any) -> Any:  # noqa: ANN401  # a count or an estimate
        if v is None:
            return None
        return {"value": v.value, "probability": round(v.probability, 3)} if isinstance(v, Count) else v.as_json()

    return {
        "schema": "toothcheck/match/1",
        "old": answer.old,
        "new": answer.new,
        "result": answer.result,
        "sentence": answer.sentence,
        "why": None,
        "fields": [
            {
                "field": m.field.key,
                "old": value(m.old),
                "new": value(m.new),
                "result": m.result,
                "probability_same": None if m.probability_same is None else round(m.probability_same, 4),
                "why": m.why,
            }
            for m in answer.fields
        ],
        "measure_next": list(answer.measure_next),
        "gears_untold": untold,
        "gears": None
        if gears is None
        else {
            "ratio_before": round(gears.ratio_before, 4),
            "ratio_after": round(gears.ratio_after, 4),
            "change_percent": round(gears.change_percent, 2),
            "front_radius_change_mm": round(gears.front_radius_change_mm, 2),
            "wheel_shift_mm": round(gears.wheel_shift_mm, 1),
            "warnings": list(gears.warnings),
        },
    }
