"""Fits, differs, cannot tell: by the probability that the true difference lies within what the field allows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from toothcheck.estimate import Estimate
from toothcheck.matching.part import OF_THE_CHAIN, Count, Part

SURE = 0.95
"""Probability from which *fits* or *differs* is claimed."""

Result = Literal["fits", "differs", "cannot-tell", "does-not-apply"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One thing that is compared."""

    key: str
    label: str
    allowed_mm: float
    """Difference up to which the two count as the same nominal part (our convention); 0 for counts."""
    must: bool
    """Whether the part is wrong when this differs; else it is to be looked into."""
    photo_sees: bool
    touches: str
    """What a difference touches."""


def _of_the_chain(key: str, label: str, touches: str, *, photo_sees: bool = True) -> Field:
    return Field(key=key, label=label, allowed_mm=OF_THE_CHAIN[key], must=True, photo_sees=photo_sees, touches=touches)


FIELDS = (
    Field(key="teeth", label="teeth", allowed_mm=0, must=True, photo_sees=True, touches="gear ratio, chain length"),
    _of_the_chain("pitch_mm", "pitch", "the chain does not seat"),
    _of_the_chain("roller_diameter_mm", "roller fit", "the rollers bind, or sit loose in the gaps"),
    _of_the_chain(
        "inner_width_mm",
        "chain width",
        "the chain does not go over the teeth, or runs loose on them sideways",
        photo_sees=False,
    ),
    Field(
        key="root_diameter_mm",
        label="root circle",
        allowed_mm=0.6,
        must=False,
        photo_sees=True,
        touches="how deep the chain sits; another tooth form or roller",
    ),
    Field(
        key="outer_diameter_mm",
        label="outer circle",
        allowed_mm=1.0,
        must=False,
        photo_sees=True,
        touches="room to the cover and guards; makers choose it freely within the standard, and worn tips are shorter",
    ),
    Field(
        key="bore_mm",
        label="bore",
        allowed_mm=0.5,
        must=True,
        photo_sees=True,
        touches="how it is centred; a photo cannot judge the fit on the shaft, a calliper can",
    ),
    Field(
        key="splines", label="splines", allowed_mm=0, must=True, photo_sees=True, touches="it does not go on the shaft"
    ),
    Field(
        key="spline_major_mm",
        label="diameter over the spline grooves",
        allowed_mm=0.4,
        must=True,
        photo_sees=True,
        touches="it does not go on the shaft, or rocks on it",
    ),
    Field(
        key="holes", label="fixing holes", allowed_mm=0, must=True, photo_sees=True, touches="it cannot be bolted on"
    ),
    Field(
        key="hole_circle_mm",
        label="hole circle",
        allowed_mm=0.8,
        must=True,
        photo_sees=True,
        touches="it cannot be bolted on",
    ),
    Field(
        key="hole_mm",
        label="hole diameter",
        allowed_mm=0.5,
        must=True,
        photo_sees=True,
        touches="bolts do not pass, or do not centre",
    ),
    Field(
        key="thickness_mm",
        label="tooth thickness",
        allowed_mm=0.2,
        must=False,
        photo_sees=False,
        touches="the chain's inner width: too thick runs on the plates, thinner wears sooner",
    ),
    Field(
        key="seat_thickness_mm",
        label="seat thickness",
        allowed_mm=0.2,
        must=False,
        photo_sees=False,
        touches=(
            "its seat on the shaft (end play, or the nut bottoming), the lock (washer, plate or clip in its groove) "
            "and the chain line. Makes differ and both may be usable: check these three before fitting"
        ),
    ),
    Field(
        key="offset_mm",
        label="offset of the seat",
        allowed_mm=0.3,
        must=True,
        photo_sees=False,
        touches="the chain line; of opposite sign, the part is turned round or made for the other side",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldMatch:
    """One field of old and new."""

    field: Field
    old: Count | Estimate | None
    new: Count | Estimate | None
    difference: Estimate | None
    """New minus old; None where either is unknown."""
    result: Result
    probability_same: float | None
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """The whole answer."""

    old: str
    new: str
    fields: tuple[FieldMatch, ...]
    result: Result
    """``fits`` only when every field that makes a part right or wrong is known and fits, and no other differs."""
    sentence: str
    measure_next: tuple[str, ...]

    def of(self, key: str) -> FieldMatch:
        """The field of that key."""
        return next(f for f in self.fields if f.field.key == key)


def _missing(field: Field, part: Part) -> str:
    because = part.unknown_because.get(field.key)
    if because is None:
        because = "not given" if field.photo_sees else "a photo cannot see it: measure with callipers"
    return because


def _match(field: Field, old: Part, new: Part) -> FieldMatch:
    a, b = getattr(old, field.key), getattr(new, field.key)
    if a is None or b is None:
        reasons = {w: _missing(field, p) for p, v, w in ((old, a, "old"), (new, b, "new")) if v is None}
        alike = len(reasons) == 2 and reasons["old"] == reasons["new"]
        why = f"both: {reasons['old']}" if alike else "; ".join(f"{w}: {r}" for w, r in reasons.items())
        return FieldMatch(
            field=field, old=a, new=b, difference=None, result="cannot-tell", probability_same=None, why=why
        )
    if isinstance(a, Count):
        right = a.probability * b.probability
        same = a.value == b.value
        result: Result = "cannot-tell" if right < SURE else "fits" if same else "differs"
        why = "" if right >= SURE else f"the counts are right with {100 * right:.0f} % only"
        if result == "differs":
            why = field.touches
        return FieldMatch(
            field=field,
            old=a,
            new=b,
            difference=Estimate(value=b.value - a.value, std=0.0),
            result=result,
            probability_same=right if same else 1 - right,
            why=why,
        )
    d = b.less(a)
    if d.std > 0:
        p = d.below(field.allowed_mm) - d.below(-field.allowed_mm)
    else:
        p = float(abs(d.value) <= field.allowed_mm)
    result = "fits" if p >= SURE else "differs" if p <= 1 - SURE else "cannot-tell"
    why = {
        "fits": "",
        "differs": field.touches,
        "cannot-tell": f"same within {field.allowed_mm:g} mm with {100 * p:.0f} % only: measure it more finely",
    }[result]
    return FieldMatch(field=field, old=a, new=b, difference=d, result=result, probability_same=p, why=why)


def _applies(field: Field, old: Part, new: Part) -> bool:
    """Whether the field means anything for these parts: no hole circle without holes, no splines in a round bore.

    The chain's width is nobody's reading but a size's by name: it speaks against a part, never for it.
    """
    if field.key == "inner_width_mm":
        return None not in (old.inner_width_mm, new.inner_width_mm) and _match(field, old, new).result == "differs"
    counter = {"hole_circle_mm": "holes", "hole_mm": "holes", "spline_major_mm": "splines"}.get(field.key)
    if counter is None:
        return True
    counts = [getattr(p, counter) for p in (old, new)]
    return not any(c is not None and c.value == 0 and c.probability >= SURE for c in counts)


def compare(old: Part, new: Part) -> Comparison:
    """Hold a new part against the old one.

    Notes
    -----
    A fitting photo alone never ends in *fits*: thickness and offset are beyond it, and a part made for the other side
    looks the same from in front.
    """
    out = []
    for field in FIELDS:
        match = _match(field, old, new)
        if not _applies(field, old, new):
            match = FieldMatch(
                field=field, old=match.old, new=match.new, difference=None, result="does-not-apply",
                probability_same=None, why="",
            )  # fmt: skip
        out.append(match)
    wrong = [m for m in out if m.result == "differs" and m.field.must]
    look = [m for m in out if m.result == "differs" and not m.field.must]
    # the root and outer circle follow from the rest and are no reason to hold a fit back; the clamped thickness is
    open_ = [
        m
        for m in out
        if m.result == "cannot-tell" and (m.field.must or m.field.key in {"thickness_mm", "seat_thickness_mm"})
    ]
    aside = [m.field.label for m in out if m.result == "cannot-tell" and m.field.photo_sees and m not in open_]
    untold = f" Not told either, but no reason against it: {', '.join(aside)}." if aside else ""
    if wrong:
        result: Result = "differs"
        sentence = f"Not the same part: differs in {', '.join(m.field.label for m in wrong + look)}."
    elif look:
        result = "differs"
        sentence = (
            f"Differs in {', '.join(m.field.label for m in look)}: not wrong by that alone, but look at what it touches"
            + (f"; still open: {', '.join(m.field.label for m in open_)}." if open_ else ".")
        )
    elif open_:
        result = "cannot-tell"
        known = [m.field.label for m in out if m.result == "fits"]
        sentence = (
            f"Agrees in {', '.join(known)}; c" if known else "C"
        ) + f"annot tell about {', '.join(m.field.label for m in open_)}.{untold}"
    else:
        result = "fits"
        sentence = f"Fits in every field {'that decides' if aside else 'compared'}.{untold}"
    return Comparison(
        old=old.name,
        new=new.name,
        fields=tuple(out),
        result=result,
        sentence=sentence,
        measure_next=tuple(f"{m.field.label} ({m.why})" for m in open_),
    )
