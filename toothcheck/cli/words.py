"""The words that say what is in a photo, as options of commands, and what they come to.

Every wrong word ends in one line that says which option, what was given and what is allowed (exit status 2).
"""

from __future__ import annotations

import math
import typing
from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.chains import Chain
    from toothcheck.inspection import Claim

AUTO = "auto"
FARTHEST_CARD_MM = 100.0
"""A card farther from the face than this is no measure of its scale (our own limit)."""
_SLACK = 1.05
"""A caliper reads a burr along with the tooth."""


class Position(StrEnum):
    """Which sprocket it is."""

    front = "front"
    rear = "rear"


class Turning(StrEnum):
    """Which way it turns in the photo when the machine rolls forward."""

    clockwise = "clockwise"
    counterclockwise = "counterclockwise"


class Paper(StrEnum):
    """Paper of a PDF."""

    A4 = "a4"
    LETTER = "letter"


ChainWord = Annotated[str, typer.Option("--chain", help="Chain size, such as 520, or auto.", show_default=False)]
TeethWord = Annotated[str, typer.Option("--teeth", help="Tooth count, 7 to 150, or auto.", show_default=False)]
PositionWord = Annotated[
    Position,
    typer.Option(
        "--position", help="The front sprocket drives the chain, the rear one is driven.", case_sensitive=False
    ),
]
TurningWord = Annotated[
    Turning | None,
    typer.Option(
        "--turning",
        help="Which way the sprocket turns in this photo when the machine rolls forward.",
        case_sensitive=False,
    ),
]
CardHeightWord = Annotated[
    float | None,
    typer.Option(
        "--card-height",
        metavar="MM",
        help="How far the card lies over the sprocket's face, towards the camera; negative when it lies behind. "
        "Default: 0 for the pocket card; on a mat the sprocket lies on the card, so it is behind by the sprocket's "
        "thickness (--thickness, else what is usual for the chain).",
    ),
]
CardMeasuredWord = Annotated[
    float | None,
    typer.Option(
        "--card-measured",
        metavar="MM",
        help="Outer edge to outer edge of the card's top row of markers, as printed (pocket: 75.6).",
        show_default=False,
    ),
]
ThicknessWord = Annotated[
    float | None, typer.Option("--thickness", metavar="MM", help="Thickness of the teeth, where it is known.")
]
NearWord = Annotated[
    str | None,
    typer.Option("--near", metavar="X,Y", help="A pixel on the sprocket meant, where the photo shows several."),
]
PaperWord = Annotated[Paper, typer.Option("--paper", help="Paper of a PDF.", case_sensitive=False)]
JsonWord = Annotated[
    str | None,
    typer.Option(
        "--json", metavar="FILE|-", help="Write the result as JSON to a file, or to stdout and nothing else there."
    ),
]


def chain_of(word: str) -> Chain | None:
    """The chain size, or None for `auto`."""
    from toothcheck import chains

    if word.strip().lower() == AUTO:
        return None
    try:
        return chains.chain(word)
    except ValueError:
        names = ", ".join(chains.CHAINS)
        raise UsageError(f"--chain must be a size known here, not {word!r}.", hint=f"Known: {names}.") from None


def teeth_of(word: str) -> int | None:
    """The tooth count, or None for `auto`."""
    from toothcheck.toothform.outline import MAX_TEETH, MIN_TEETH

    if word.strip().lower() == AUTO:
        return None
    rule = f"--teeth must be a whole number from {MIN_TEETH} to {MAX_TEETH}, or auto, not {word!r}."
    try:
        teeth = int(word)
    except ValueError:
        raise UsageError(rule, hint="Count the tips once round.") from None
    if not MIN_TEETH <= teeth <= MAX_TEETH:
        raise UsageError(rule, hint="Count the tips once round.")
    return teeth


def one_of(option: str, word: str, allowed: Sequence[str]) -> str:
    """A word that must be one of a few, in small or capital letters.

    Raises
    ------
    UsageError
        When it is none of them.
    """
    meant = word.strip().lower()
    if meant not in allowed:
        raise UsageError(f"{option} must be {', '.join(allowed[:-1])} or {allowed[-1]}, not {word!r}.")
    return meant


def near_of(words: str | None) -> tuple[float, float] | None:
    """The pixel of `--near`."""
    if words is None:
        return None
    try:
        x, y = (float(part) for part in words.split(","))
    except ValueError:
        x = y = math.nan
    if not (math.isfinite(x) and math.isfinite(y) and x >= 0 and y >= 0):
        raise UsageError(f"--near must be two pixel numbers such as 1200,850, not {words!r}.")
    return x, y


def within(option: str, value: float | None, least: float, most: float, why: str = "") -> None:
    """Refuse a length in mm outside its range; None, which was not typed, is within."""
    if value is not None and not least <= value <= most:  # NaN too
        raise UsageError(f"{option} must lie between {least:g} and {most:.3g} mm{why}, not {value:g}.")


def card_height_within(option: str, value: float | None) -> None:
    """Refuse a card so far from the face that it is no measure of its scale."""
    within(option, value, -FARTHEST_CARD_MM, FARTHEST_CARD_MM)


def refuse_typed(context: typer.Context, why: str, *names: str) -> None:
    """Refuse what was typed but would do nothing: a word that is passed over in silence is taken for heard.

    Only what stands on the command line is meant, not defaults and the environment.

    Parameters
    ----------
    context
        Of the command.
    why
        What stands behind the option's name, such as "is for --log MACHINE, which is missing".
    names
        Parameters of the command's function.

    Raises
    ------
    UsageError
        At the first that was typed.
    """
    for param in context.command.params:
        source = context.get_parameter_source(param.name or "")
        if param.name in names and source is not None and source.name == "COMMANDLINE":
            shown = param.opts[0] if param.param_type_name == "option" else param.name.upper()
            raise UsageError(f"{shown} {why}.")


def claim_of(
    *,
    chain: str,
    teeth: str,
    position: Position,
    turning: Turning | None,
    card_height: float | None,
    thickness: float | None,
    near: str | None = None,
) -> Claim:
    """What the options claim about the photo.

    Raises
    ------
    UsageError
        At the first word that cannot be.
    """
    from toothcheck.chains import CHAINS
    from toothcheck.inspection import Claim

    size, count = chain_of(chain), teeth_of(teeth)
    widest = max(c.inner_width_mm for c in CHAINS.values()) if size is None else size.inner_width_mm
    why = "" if size is None else f", the width between the inner plates of a {size.name} chain"
    within("--thickness", thickness, 1.0, _SLACK * widest, why)
    card_height_within("--card-height", card_height)
    told: dict[str, Any] = {
        "chain": size,
        "teeth": count,
        "position": position.value,
        "turning": None if turning is None else turning.value,
        "card_height_mm": card_height,
        "thickness_mm": thickness,
        "near_px": near_of(near),
    }
    _may_be_left_open(Claim, told)
    try:
        return Claim(**told)
    except ValueError as error:
        raise UsageError(f"{error}.") from error


def _may_be_left_open(claim: type, told: dict[str, Any]) -> None:
    """Refuse `auto` for what the measuring itself cannot find out."""
    kinds = typing.get_type_hints(claim)
    for name in ("chain", "teeth"):
        if told[name] is None and type(None) not in typing.get_args(kinds[name]):
            raise UsageError(f"--{name} auto is not possible here.", hint=f"Say what --{name} is.")


def made_size(words: str, least_px: int) -> tuple[int, int]:
    """Width and height as typed for photos that are to be made; both at least ``least_px``, 13 megapixels at most.

    Raises
    ------
    UsageError
        When they are no such numbers.
    """
    try:
        width, height = (int(part) for part in words.lower().split("x"))
    except ValueError:
        raise UsageError(f"--size must be WIDTHxHEIGHT such as 2016x1512, not {words!r}.") from None
    if not (least_px <= min(width, height) and width * height <= 13_000_000):
        raise UsageError(f"--size must lie between {least_px}x{least_px} and 13 million px, not {words}.")
    return width, height
