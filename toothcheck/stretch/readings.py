"""Elongation from calliper and rule readings, with the traps that spoil them."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from toothcheck.chains import CHAINS, Chain
from toothcheck.estimate import Estimate

LEAST_PITCHES = 6
"""Below this, the reading of any hand tool is coarser than the wear it should show."""
PLAUSIBLE_PERCENT = (-0.35, 4.0)
"""Elongations that a real chain can have; a new one may be a little long, hardly ever short (our convention)."""
UNMEASURED_STD_PERCENT = (PLAUSIBLE_PERCENT[1] - PLAUSIBLE_PERCENT[0]) / math.sqrt(12)
"""Standard uncertainty of an elongation of which nothing is known but that a chain has it: all that are plausible
alike (JCGM 100:2008, 4.3.7).  A reading that is less sure says nothing."""
_LEAST_PIN = 0.3
"""Least diameter of a pin, in rollers: makers' are about half as thick as the roller (our convention)."""
_ROLLER_MM = 0.35
"""How far what was measured may be from a size's roller: it wears by less; 520's and 532's differ by 0.94."""
COUNT_SHOWS_PITCHES = 20
"""Over so many pitches a count that is wrong by one cannot be an elongation: one pitch is more than wear can do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tool:
    """What a length was read with.

    The error of one reading is taken as anywhere within ± ``half_width_mm``, all values alike: standard uncertainty
    half_width/√3 (JCGM 100:2008, 4.3.7).
    """

    name: str
    half_width_mm: float

    def __post_init__(self) -> None:
        if not 0 < self.half_width_mm <= 5:
            raise ValueError(f"half_width_mm must lie between 0 and 5, not {self.half_width_mm}")

    @property
    def std_mm(self) -> float:
        """Standard uncertainty of one reading, mm."""
        return self.half_width_mm / math.sqrt(3)


TOOLS: dict[str, Tool] = {
    # our convention: not the scale's division but what a hand can do on round pins
    "calliper": Tool(name="calliper", half_width_mm=0.1),
    "rule": Tool(name="rule", half_width_mm=0.5),
    "tape": Tool(name="tape", half_width_mm=1.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One place on the chain: pin centre to pin centre, or inner and outer over the same two pins or rollers.

    Parameters
    ----------
    span_mm
        Pin centre to pin centre.
    inner_mm, outer_mm
        Between the two pins (or rollers), and over them: the centre distance is their mean, because what the pins
        add outside they take away inside.
    over_joining_link
        Whether the joining link lies in the stretch measured.
    """

    span_mm: float
    inner_mm: float | None = None
    outer_mm: float | None = None
    over_joining_link: bool = False

    @classmethod
    def over_pins(cls, *, inner_mm: float, outer_mm: float, over_joining_link: bool = False) -> Reading:
        """From the reading between and the reading over the same two pins or rollers, mm."""
        if not 0 < inner_mm < outer_mm:
            raise ValueError(f"inner_mm must be shorter than outer_mm, not {inner_mm} and {outer_mm}")
        return cls(
            span_mm=(inner_mm + outer_mm) / 2,
            inner_mm=inner_mm,
            outer_mm=outer_mm,
            over_joining_link=over_joining_link,
        )

    def __post_init__(self) -> None:
        if not (math.isfinite(self.span_mm) and self.span_mm > 0):
            raise ValueError(f"span_mm must be a length above 0, not {self.span_mm}")

    @property
    def pin_mm(self) -> float | None:
        """Diameter of what was measured over: pin or roller, mm."""
        if self.inner_mm is None or self.outer_mm is None:
            return None
        return (self.outer_mm - self.inner_mm) / 2

    def std_mm(self, tool: Tool) -> float:
        """Standard uncertainty of the span: the mean of two readings is better by √2."""
        return tool.std_mm / (math.sqrt(2) if self.inner_mm is not None else 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trap:
    """Something that spoils the reading: which, and the sentence for people."""

    code: str
    sentence: str
    spoils: bool
    """Whether no elongation should be believed until it is cleared up."""


SLACK = Trap(
    code="not-under-pull",
    sentence="Not pulled straight: a slack run reads short, so this is only a lower bound.",
    spoils=False,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Elongation:
    """What the readings say: the worst place decides."""

    chain: str
    pitches: int
    tool: str
    percent: Estimate
    """Of the worst place."""
    limits_percent: float
    """Half width of the tool's error of one such reading, per cent of the nominal length (not a standard deviation)."""
    places_percent: tuple[float, ...]
    """Every place in the order given."""
    if_one_fewer: Estimate | None
    """The same, per cent, should one pitch fewer lie in the run: None where no chain has that, or the rollers were
    counted, too."""
    worst_place: int
    """Index into the places."""
    traps: tuple[Trap, ...]
    lower_bound: bool
    """Whether the chain may be longer than was read: a slack run, or one over the joining link that is the longest."""

    @property
    def believable(self) -> bool:
        """Whether no trap spoils it."""
        return not any(trap.spoils for trap in self.traps)


def _plausible(percent: float) -> bool:
    low, high = PLAUSIBLE_PERCENT
    return low <= percent <= high


def doubt_about(percent: float) -> str | None:
    """Why an elongation, per cent, cannot be one of a real chain; None where it can."""
    if _plausible(percent):
        return None
    far = " If all three are right, the chain is far beyond use." if percent > PLAUSIBLE_PERCENT[1] else ""
    return (
        f"An elongation of {percent:+.2f} % is none that a chain has: check the count (n rollers are n − 1 pitches), "
        f"the chain size and the reading.{far}"
    )


def says_nothing(std_percent: float) -> str | None:
    """Why an elongation of that standard uncertainty, per cent, is no reading; None where it is one."""
    if std_percent <= UNMEASURED_STD_PERCENT:
        return None
    low, high = PLAUSIBLE_PERCENT
    return (
        f"an uncertainty of {std_percent:.3g} % says nothing: without measuring a chain is known to lie between {low} "
        f"and {high:g} %, which is ± {UNMEASURED_STD_PERCENT:.3g} %"
    )


def _elongation_if(span_mm: float, pitches: int, pitch_mm: float) -> float | None:
    """Elongation, per cent, over so many pitches; None where no chain has that."""
    percent = 100 * (span_mm / (pitches * pitch_mm) - 1) if pitches > 0 else math.inf
    return percent if _plausible(percent) else None


def _odd_percent(percent: float, pitches: int) -> float:
    """What an odd number of pitches leaves open of an elongation, per cent.

    The joints alternate, so the reading depends on which link it starts at, by ± elongation/n.
    """
    return abs(percent) / pitches if pitches % 2 else 0.0


def estimate_of(span_mm: float, std_mm: float, pitches: int, size: Chain) -> Estimate:
    """Elongation, per cent, of a span and its standard uncertainty, mm; with what an odd count leaves open."""
    nominal = pitches * size.pitch_mm
    percent = 100 * (span_mm / nominal - 1)
    return Estimate(value=percent, std=math.hypot(100 * std_mm / nominal, _odd_percent(percent, pitches)))


def span_of(percent: Estimate, pitches: int, size: Chain) -> Estimate:
    """The span, mm, to be kept of an elongation, per cent: `estimate_of` gives that back.

    What an odd count leaves open is not in its uncertainty, since it is added there.
    """
    length = length_mm(percent, pitches, size)
    odd = pitches * size.pitch_mm * _odd_percent(percent.value, pitches) / 100
    return Estimate(value=length.value, std=math.sqrt(max(0.0, length.std**2 - odd**2)))


def if_one_fewer(span_mm: float, std_mm: float, pitches: int, size: Chain) -> Estimate | None:
    """Elongation, per cent, should a span told as ``pitches`` hold one fewer, as where rollers were counted.

    On a long run one pitch is no more than what wear can do: the length then does not show the wrong count, which
    hides the wear.

    Parameters
    ----------
    span_mm, std_mm
        Pin centre to pin centre, and its standard uncertainty.
    pitches, size
        As they are told.

    Returns
    -------
    Estimate or None
        None where no chain has that elongation, and where none has the one told (`count_trap` tells what it is then).
    """
    for count in (pitches, pitches - 1):
        if _elongation_if(span_mm, count, size.pitch_mm) is None:
            return None
    return estimate_of(span_mm, std_mm, pitches - 1, size)


def check_rollers(pitches: int, rollers: int | None) -> None:
    """Refuse a count of the rollers from end to end that does not go with that of the pitches.

    Raises
    ------
    ValueError
        When there is one and it is not one more.
    """
    if rollers is not None and rollers != pitches + 1:
        raise ValueError(
            f"rollers must be one more than the pitches, not {rollers} for {pitches} pitches: n rollers are n − 1 "
            "pitches; count both again"
        )


def _count_again(span_mm: float, pitches: int, size: Chain) -> Trap | None:
    """The question that a plausible reading brings where it is one over another count, too."""
    others = [
        f"{other:+.2f} % over {count}"
        for count in (pitches - 1, pitches + 1)
        if (other := _elongation_if(span_mm, count, size.pitch_mm)) is not None
    ]
    if not others:
        return None
    e = 100 * (span_mm / (pitches * size.pitch_mm) - 1)
    return Trap(
        code="count-again",
        sentence=(
            f"{span_mm:.2f} mm is {e:+.2f} % over {pitches} pitches, but also {' and '.join(others)}: n rollers are "
            f"n − 1 pitches. Count the rollers from end to end; if they are {pitches + 1}, say --rollers "
            f"{pitches + 1}. Or measure over {COUNT_SHOWS_PITCHES} pitches, where a wrong count shows."
        ),
        spoils=False,
    )


def count_trap(span_mm: float, pitches: int, size: Chain, *, sure: bool = False) -> Trap | None:
    """Find what else a reading could be, above all when it cannot be an elongation of this chain.

    Parameters
    ----------
    span_mm
        Pin centre to pin centre.
    pitches, size
        As they are told.
    sure
        Whether the rollers were counted, too, and go with the pitches: a plausible reading is then not asked about.
    """
    if _elongation_if(span_mm, pitches, size.pitch_mm) is not None:
        return None if sure else _count_again(span_mm, pitches, size)
    e = 100 * (span_mm / (pitches * size.pitch_mm) - 1)
    said = f"{span_mm:.2f} mm over {pitches} pitches of {size.name} is {e:+.1f} %, which no such chain has."
    fewer = _elongation_if(span_mm, pitches - 1, size.pitch_mm)
    if fewer is not None:
        return Trap(
            code="rollers-counted",
            sentence=(
                f"{said} It looks as if {pitches} rollers (or pins) were counted: they span {pitches - 1} pitches, "
                f"which would make it {fewer:+.2f} %. Count the gaps between them and measure again."
            ),
            spoils=True,
        )
    more = _elongation_if(span_mm, pitches + 1, size.pitch_mm)
    if more is not None:
        return Trap(
            code="one-too-few-counted",
            sentence=(
                f"{said} It fits {pitches + 1} pitches ({more:+.2f} %): count again. "
                "If the count is right, the chain is far beyond use."
            ),
            spoils=True,
        )
    sizes = sorted({s.pitch_mm for s in CHAINS.values() if _elongation_if(span_mm, pitches, s.pitch_mm) is not None})
    if sizes:
        names = [s.name for s in CHAINS.values() if s.pitch_mm in sizes]
        return Trap(
            code="wrong-chain",
            sentence=(
                f"{said} It fits a pitch of {' or '.join(f'{p:g}' for p in sizes)} mm "
                f"({', '.join(names)}): read the size stamped on the plates."
            ),
            spoils=True,
        )
    return Trap(
        code="not-this-chain",
        sentence=f"{said} Check the count, the chain size and the reading.",
        spoils=True,
    )


def _roller_trap(reading: Reading, size: Chain, over_rollers: bool) -> Trap | None:
    pin = reading.pin_mm
    if pin is None:
        return None
    d1 = size.roller_diameter_mm
    if over_rollers and abs(pin - d1) > _ROLLER_MM:
        fitting = [s.name for s in CHAINS.values() if abs(s.roller_diameter_mm - pin) <= _ROLLER_MM]
        also = f" {pin:.1f} mm is the roller of {', '.join(fitting)}." if fitting else ""
        return Trap(
            code="wrong-roller",
            sentence=(
                f"Inner and outer make a roller of {pin:.2f} mm, but {size.name} has {d1:.2f} mm: "
                f"wrong chain size, or measured over something else.{also}"
            ),
            spoils=True,
        )
    if not over_rollers and not _LEAST_PIN * d1 <= pin <= d1 + _ROLLER_MM:
        return Trap(
            code="no-pin",
            sentence=(
                f"Inner and outer make a pin of {pin:.2f} mm, and no pin or roller of {size.name} is that thick: "
                "INNER/OUTER are taken between and over the same two pins; two places are typed with a blank between "
                "them."
            ),
            spoils=True,
        )
    if not over_rollers and pin > 0.75 * d1:
        return Trap(
            code="pin-or-roller",
            sentence=(
                f"Inner and outer make a pin of {pin:.2f} mm, more like a roller: say so with --over rollers, "
                "so that the chain size can be checked by it."
            ),
            spoils=False,
        )
    return None


def elongation_of(
    readings: Sequence[Reading],
    *,
    pitches: int,
    size: Chain,
    tool: Tool,
    under_pull: bool = True,
    over_rollers: bool = False,
    rollers: int | None = None,
) -> Elongation:
    """Elongation of the worst place, per cent of ``pitches`` nominal pitches.

    Parameters
    ----------
    readings
        One or more places.  Over the joining link, whose pins may be newer, a place reads short if anything: beside
        others it decides only where it is the longest, and then the chain is at least that long.
    pitches
        Counted from pin to pin: n rollers are n − 1 pitches.
    size, tool
        Chain size and what was read with.
    under_pull
        Whether the run was pulled straight.
    over_rollers
        Whether inner and outer were taken at the rollers rather than at pins; then they show the roller's diameter.
    rollers
        How many were counted from end to end, both ends included: shows that rollers were not counted as pitches.

    Raises
    ------
    ValueError
        Without readings, with too few or too many pitches, or when the rollers are not one more.

    Notes
    -----
    The worst of several equally long places is high by about half a standard deviation for two and one for four
    (order statistics of a normal sample): left in, since it errs to the safe side.
    """
    if not readings:
        raise ValueError("readings must hold at least one place, not none")
    if not LEAST_PITCHES <= pitches <= 200:
        raise ValueError(f"pitches must lie between {LEAST_PITCHES} and 200, not {pitches}")
    check_rollers(pitches, rollers)
    nominal = pitches * size.pitch_mm
    places = tuple(100 * (r.span_mm / nominal - 1) for r in readings)
    worst = max(range(len(readings)), key=lambda i: (places[i], not readings[i].over_joining_link))

    traps: list[Trap] = []
    for trap in [count_trap(r.span_mm, pitches, size, sure=rollers is not None) for r in readings] + [
        _roller_trap(r, size, over_rollers) for r in readings
    ]:
        if trap is not None and trap.code not in {t.code for t in traps}:
            traps.append(trap)
    beside = sum(not r.over_joining_link for r in readings)
    over_joint = readings[worst].over_joining_link
    if beside < len(readings):
        where = "The longest place is" if beside else "Measured"
        newer = "over the joining link, whose pins may be newer than the chain: only a lower bound. Measure beside it."
        traps.append(
            Trap(
                code="joining-link",
                sentence=f"{where} {newer}"
                if over_joint
                else "A place over the joining link is shown but does not decide.",
                spoils=False,
            )
        )
    percent_per_mm = 100 / nominal
    spread = max(places) - statistics.median(places)
    noise = percent_per_mm * readings[worst].std_mm(tool)
    if len(readings) >= 3 and spread > max(5 * noise, 0.25) and not any(t.spoils for t in traps):
        traps.append(
            Trap(
                code="uneven-places",
                sentence=(
                    f"The worst place is {spread:.2f} % longer than the middle one: a tight and a slack part, "
                    "or a reading over the joining link. The worst place decides; look at it."
                ),
                spoils=False,
            )
        )
    if not under_pull:
        traps.append(SLACK)
    if beside == 1 or len(readings) == 1:
        where = " beside the joining link" if len(readings) > 1 else ""
        traps.append(
            Trap(
                code="one-place",
                sentence=f"Only one place was measured{where}: chains wear unevenly; measure at least three.",
                spoils=False,
            )
        )
    # each place was counted by itself: the longest that a wrong count would make of any of them
    fewer = [if_one_fewer(r.span_mm, r.std_mm(tool), pitches, size) for r in readings]
    return Elongation(
        chain=size.name,
        pitches=pitches,
        tool=tool.name,
        percent=estimate_of(readings[worst].span_mm, readings[worst].std_mm(tool), pitches, size),
        limits_percent=percent_per_mm * tool.half_width_mm,
        places_percent=places,
        if_one_fewer=None
        if rollers is not None
        else max((x for x in fewer if x is not None), key=lambda x: x.value, default=None),
        worst_place=worst,
        traps=tuple(traps),
        lower_bound=over_joint or not under_pull,
    )


def length_mm(percent: Estimate, pitches: int, size: Chain) -> Estimate:
    """Pin to pin over so many pitches, mm, of a run elongated by ``percent``."""
    nominal = pitches * size.pitch_mm
    return Estimate(value=nominal * (1 + percent.value / 100), std=nominal * percent.std / 100)
