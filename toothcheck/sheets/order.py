"""The order sheet: every field that a dealer needs, blank where unknown."""

from __future__ import annotations

from dataclasses import dataclass, field

from toothcheck.advice import links_doubt
from toothcheck.chains import Chain
from toothcheck.matching import Count, Part
from toothcheck.sheets.sheet import Section, Sheet


@dataclass(frozen=True, slots=True, kw_only=True)
class SprocketOrder:
    """One sprocket to order: what is known of the part, and its number if known."""

    part: Part | None = None
    part_number: str = ""
    size: Chain | None = None
    """The chain that it is made for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderFacts:
    """What is known of a machine's drive; empty where unknown."""

    machine: str
    model_and_year: str = ""
    frame_number: str = ""
    distance: str = ""
    size: Chain | None = None
    """The chain's."""
    links: int | None = None
    front: SprocketOrder = field(default_factory=SprocketOrder)
    rear: SprocketOrder = field(default_factory=SprocketOrder)
    plan: str = ""
    """The headline of the plan."""


def _value(part: Part | None, key: str, unit: str = "mm") -> str:
    value = None if part is None else getattr(part, key)
    if value is None:
        return ""
    if isinstance(value, Count):
        return str(value.value) if value.probability >= 0.95 else f"{value.value} (count again)"
    return str(value.text(unit))


def _sprocket(name: str, order: SprocketOrder, *, front: bool) -> Section:
    p = order.part
    rows = [
        ("part number", order.part_number),
        ("chain size", "" if order.size is None else order.size.name),
        ("teeth (count twice)", _value(p, "teeth")),
    ]
    if front:
        rows += [
            ("splines", _value(p, "splines")),
            ("over the splines' grooves", _value(p, "spline_major_mm")),
            ("between opposite splines", _value(p, "bore_mm")),
            ("thickness at the splines (calliper)", _value(p, "seat_thickness_mm")),
        ]
    else:
        rows += [
            ("bore", _value(p, "bore_mm")),
            ("fixing holes", _value(p, "holes")),
            ("hole circle", _value(p, "hole_circle_mm")),
            ("hole diameter", _value(p, "hole_mm")),
            ("thickness under the nuts (calliper)", _value(p, "seat_thickness_mm")),
        ]
    rows += [
        ("tooth thickness (calliper)", _value(p, "thickness_mm")),
        ("offset from teeth to seat, and to which side (calliper)", _value(p, "offset_mm")),
        ("material, with or without damping ring", ""),
    ]
    return Section(heading=name, facts=tuple(rows))


def order_sheet(facts: OrderFacts, *, date: str) -> Sheet:
    """Lay out the order sheet.

    Parameters
    ----------
    facts
        What is known.
    date
        As it is to be printed.
    """
    size = facts.size
    teeth = [o.part.teeth.value for o in (facts.front, facts.rear) if o.part is not None and o.part.teeth is not None]
    doubt = None if facts.links is None else links_doubt(facts.links, teeth)
    links = "" if facts.links is None else f"{facts.links}{'' if doubt is None else f' ({doubt})'}"
    pitch = "" if size is None else f"{size.name} (pitch {size.pitch_mm:g} mm, inner width {size.inner_width_mm:g} mm)"
    return Sheet(
        title=f"Order sheet: {facts.machine}",
        subtitle=facts.plan or "Chain and sprockets. Fill the blanks from the machine, the parts and the manual.",
        sections=(
            Section(
                heading="Machine",
                facts=(
                    ("machine", facts.machine),
                    ("make, model, year", facts.model_and_year),
                    ("frame number", facts.frame_number),
                    ("distance", facts.distance),
                    ("gearing as approved, or changed?", ""),
                ),
            ),
            Section(
                heading="Chain",
                facts=(
                    ("size stamped on the plates", pitch),
                    ("links, the joining link counted", links),
                    ("plain or with sealing rings", ""),
                    ("joining link: clip, riveted, endless", ""),
                    ("strength class asked for in the manual", ""),
                ),
            ),
            _sprocket("Front sprocket", facts.front, front=True),
            _sprocket("Rear sprocket", facts.rear, front=False),
            Section(
                heading="Small parts",
                facts=(
                    ("new front lock washer, plate, clip or nut", ""),
                    ("new rear nuts, bolts or lock plates", ""),
                    ("spare joining link", ""),
                    ("cush drive rubbers, chain slider", ""),
                    ("thread-lock, grease: as the manual says", ""),
                ),
            ),
            Section(
                heading="Before you send it",
                remarks=(
                    "Count teeth and links twice; read the chain's size off its plates, not off the sprocket.",
                    "A photo cannot see thickness and offset: write them from a calliper, or take the old parts along.",
                    "Lay new on old before fitting: toothcheck match compares them field by field.",
                ),
            ),
        ),
        footer=f"toothcheck order sheet, {date}. Lengths with their standard uncertainty; the parts list comes first.",
    )
