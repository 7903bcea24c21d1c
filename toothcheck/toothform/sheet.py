"""The key dimensions of a wheel as one sheet: what is the same for every legal form, what is not, what is uncertain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from toothcheck.chains import Chain
from toothcheck.toothform.asme import AsmeForm
from toothcheck.toothform.iso import IsoForm

Form = IsoForm | AsmeForm
STANDARDS = {"iso": "ISO 606", "asme": "ASME B29.1"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Dimension:
    """One dimension in every form of the sheet."""

    key: str
    """Name in JSON, ending in its unit."""
    label: str
    symbol: str
    values: tuple[float, ...]
    """One for each form; mm, or degrees where the key ends in ``_deg``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FormSheet:
    """What a drawing of this wheel needs, and what nobody can know from chain and tooth count alone."""

    standard: str
    chain: Chain
    teeth: int
    names: tuple[str, ...]
    """Of the forms."""
    forms: tuple[Form, ...]
    drawn: int
    """Index of the form that a drawing shows first."""
    shared: tuple[Dimension, ...]
    """The same in every form: one value each."""
    dimensions: tuple[Dimension, ...]
    """One value for each form."""
    notes: tuple[str, ...]
    """Sentences on what is uncertain, with numbers."""

    def document(self) -> dict[str, Any]:
        """As a dictionary for JSON (schema ``toothcheck/form/1``); mm to 0.1 µm, degrees to 0.0001."""

        def entry(i: int, name: str, form: Form) -> dict[str, Any]:
            numbers: dict[str, Any] = {d.key: round(d.values[i], 4) for d in self.dimensions}
            blend = {"blend": form.blend} if isinstance(form, IsoForm) else {}
            return {"name": name, **blend, **numbers}

        return {
            "schema": "toothcheck/form/1",
            "standard": STANDARDS[self.standard],
            "chain": self.chain.name,
            "chain_source": self.chain.source,
            "pitch_mm": self.chain.pitch_mm,
            "roller_diameter_mm": self.chain.roller_diameter_mm,
            "inner_width_mm": self.chain.inner_width_mm,
            "teeth": self.teeth,
            **{d.key: round(d.values[0], 4) for d in self.shared},
            "forms": [entry(i, n, f) for i, (n, f) in enumerate(zip(self.names, self.forms, strict=True))],
            "notes": list(self.notes),
        }


def form_sheet(chain: Chain, teeth: int, *, standard: str = "iso", blend: float | None = None) -> FormSheet:
    """Gather the dimensions of a wheel.

    Parameters
    ----------
    chain
        Chain size.
    teeth
        Tooth count, 7 to 150.
    standard
        ``"iso"``: minimum gap form, the middle (or the form of ``blend``), maximum gap form.
        ``"asme"``: the one form of ASME B29.1.
    blend
        Gap form between 0 (minimum) and 1 (maximum); only for ISO.

    Raises
    ------
    ValueError
        When an argument is out of its range, or ``blend`` is given for ASME.
    """
    if standard not in STANDARDS:
        raise ValueError(f"standard must be one of {', '.join(STANDARDS)}, not {standard!r}")
    if standard == "asme":
        if blend is not None:
            raise ValueError(f"blend must not be given for asme, which has one form, not {blend}")
        asme = AsmeForm(pitch_mm=chain.pitch_mm, roller_diameter_mm=chain.roller_diameter_mm, teeth=teeth)
        return _asme_sheet(chain, asme)
    if blend is not None and not 0 <= blend <= 1:
        raise ValueError(f"blend must lie between 0 and 1, not {blend}")
    middle = 0.5 if blend is None else blend
    low, drawn, high = (
        IsoForm(pitch_mm=chain.pitch_mm, roller_diameter_mm=chain.roller_diameter_mm, teeth=teeth, blend=b)
        for b in (0.0, middle, 1.0)
    )
    name = "middle" if blend is None else f"blend {blend:g}"
    return _iso_sheet(chain, (low, drawn, high), ("minimum", name, "maximum"))


def _one(key: str, label: str, symbol: str, value: float) -> Dimension:
    return Dimension(key=key, label=label, symbol=symbol, values=(value,))


def _tooth(chain: Chain) -> tuple[Dimension, ...]:
    return (
        _one("tooth_width_mm", "Tooth width, single strand", "bf1", chain.tooth_width_mm),
        _one("tip_bevel_mm", "Width of the tip bevel, about", "ba", chain.tip_bevel_mm),
        _one("side_radius_min_mm", "Radius of the bevelled sides, at least", "rx", chain.side_radius_min_mm),
    )


def _across(form: Form) -> tuple[Dimension, ...]:
    return (
        _one("over_pins_mm", f"Over pins of {form.roller_diameter_mm:g} mm", "MR", form.over_pins_mm),
        _one("across_root_mm", "Across the root, by calliper", "", form.across_root_mm),
    )


def _thickness(forms: tuple[Form, ...]) -> tuple[Dimension, ...]:
    above = [f.pitch_radius_mm + 0.25 * f.roller_diameter_mm for f in forms]
    return (
        Dimension(
            key="thickness_mm",
            label="Thickness at the pitch circle (arc)",
            symbol="",
            values=tuple(2 * float(f.half_thickness_mm(f.pitch_radius_mm)) for f in forms),
        ),
        Dimension(
            key="tip_thickness_mm",
            label="Thickness 0.25 d1 further out (arc)",
            symbol="",
            values=tuple(2 * float(f.half_thickness_mm(r)) for f, r in zip(forms, above, strict=True)),
        ),
    )


def _points(forms: tuple[Form, ...]) -> tuple[Dimension, ...]:
    return (
        Dimension(
            key="drawn_root_diameter_mm",
            label="Root as drawn, seat on the pitch circle",
            symbol="",
            values=tuple(2 * (f.seat_centre_radius_mm - f.seat_radius_mm) for f in forms),
        ),
        Dimension(
            key="drawn_tip_diameter_mm",
            label="Tip as drawn",
            symbol="",
            values=tuple(2 * f.tip_radius_mm for f in forms),
        ),
        Dimension(
            key="pointed_diameter_mm",
            label="Flanks meet at",
            symbol="",
            values=tuple(2 * f.pointed_radius_mm for f in forms),
        ),
    )


def _closing_notes(chain: Chain) -> tuple[str, ...]:
    return (
        f"Sources: the text of the standard was not at hand; the formulas are from secondary sources that agree. "
        f"Chain size {chain.name}: {chain.source}.",
        "These are dimensions of new teeth. They are no wear limit: limits belong to the machine's manual.",
    )


def _iso_sheet(chain: Chain, forms: tuple[IsoForm, IsoForm, IsoForm], names: tuple[str, ...]) -> FormSheet:
    low, _, high = forms
    gap = (
        Dimension(
            key="seat_radius_mm", label="Seating radius", symbol="ri", values=tuple(f.seat_radius_mm for f in forms)
        ),
        Dimension(
            key="seat_angle_deg",
            label="Seating angle",
            symbol="α",
            values=tuple(math.degrees(f.seat_angle) for f in forms),
        ),
        Dimension(
            key="flank_radius_mm", label="Flank radius", symbol="re", values=tuple(f.flank_radius_mm for f in forms)
        ),
    )
    roots = [f.pitch_diameter_mm - 2 * f.seat_radius_mm for f in (low, high)]
    thickest, thinnest = (2 * float(f.half_thickness_mm(f.pitch_radius_mm)) for f in (low, high))
    notes = [
        f"Root depth: the standard's root circle is {low.root_diameter_mm:.2f} mm. With the seat's centre on the pitch "
        f"circle, as drawn here and by some sources, the bottom lies at {roots[0]:.2f} (minimum) to {roots[1]:.2f} mm "
        f"(maximum gap form). Do not take the root as a reference.",
        f"Tip circle: makers choose any diameter from {low.tip_diameter_min_mm:.2f} to {low.tip_diameter_max_mm:.2f} "
        f"mm; the middle is drawn. Do not take the tip as a reference.",
        f"Thickness: new teeth from {thinnest:.2f} to {thickest:.2f} mm are within the standard, "
        f"{thickest - thinnest:.2f} mm apart. One fixed template cannot show early wear.",
    ]
    middle_tip = (low.tip_diameter_min_mm + low.tip_diameter_max_mm) / 2
    pointed = [n for n, f in zip(names, forms, strict=True) if 2 * f.pointed_radius_mm < middle_tip]
    if pointed:
        diameters = " and ".join(
            f"{2 * f.pointed_radius_mm:.2f} mm ({n})" for n, f in zip(names, forms, strict=True) if n in pointed
        )
        notes.append(
            f"Pointed when new: the flanks meet inside the drawn tip circle of {middle_tip:.2f} mm, at {diameters}. "
            f"A pointed tooth by itself is no sign of wear here."
        )
    return FormSheet(
        standard="iso",
        chain=chain,
        teeth=low.teeth,
        names=names,
        forms=forms,
        drawn=1,
        shared=(
            _one("pitch_diameter_mm", "Pitch circle", "d", low.pitch_diameter_mm),
            _one("root_diameter_mm", "Root circle of the standard", "df", low.root_diameter_mm),
            _one("tip_diameter_min_mm", "Tip circle, least", "da min", low.tip_diameter_min_mm),
            _one("tip_diameter_max_mm", "Tip circle, greatest", "da max", low.tip_diameter_max_mm),
            *_across(low),
            *_tooth(chain),
        ),
        dimensions=(*gap, *_thickness(forms), *_points(forms)),
        notes=(*notes, *_closing_notes(chain)),
    )


def _asme_sheet(chain: Chain, form: AsmeForm) -> FormSheet:
    m, t = form.working_centre_offset_mm
    w, v = form.topping_centre_offset_mm
    letters = (
        ("seat_diameter_mm", "Seating curve, diameter", "Ds", form.seat_diameter_mm),
        ("seat_half_angle_deg", "Angle of the seat's end", "A", form.seat_half_angle_deg),
        ("working_angle_deg", "Angle of the working curve", "B", form.working_angle_deg),
        ("working_radius_mm", "Working curve, radius", "E", form.working_radius_mm),
        ("working_centre_across_mm", "Its centre, across", "M", m),
        ("working_centre_out_mm", "Its centre, outwards", "T", t),
        ("straight_mm", "Straight", "yz", form.straight_mm),
        ("topping_radius_mm", "Topping curve, radius", "F", form.topping_radius_mm),
        ("topping_centre_across_mm", "Its centre, across", "W", w),
        ("topping_centre_in_mm", "Its centre, inwards", "V", v),
        ("tip_height_mm", "Height of the pointed tip", "H", form.tip_height_mm),
        ("tip_from_axis_mm", "Pointed tip from the gap's axis", "S", form.tip_from_axis_mm),
    )
    forms = (form,)
    drawn_root = 2 * (form.seat_centre_radius_mm - form.seat_radius_mm)
    notes = (
        f"Root depth: the standard's bottom diameter is {form.root_diameter_mm:.2f} mm; the seating curve, drawn about "
        f"the pitch circle, reaches {drawn_root:.2f} mm. Do not take the root as a reference.",
        f"Tip circle: {form.outside_diameter_mm:.2f} mm is the standard's approximate outside diameter; makers choose "
        f"their own. Do not take the tip as a reference.",
        "Tooth width and bevel are the rules of ISO 606; the ASME tolerances were not at hand.",
    )
    return FormSheet(
        standard="asme",
        chain=chain,
        teeth=form.teeth,
        names=("form",),
        forms=forms,
        drawn=0,
        shared=(
            _one("pitch_diameter_mm", "Pitch circle", "PD", form.pitch_diameter_mm),
            _one("root_diameter_mm", "Bottom diameter of the standard", "BD", form.root_diameter_mm),
            _one("outside_diameter_mm", "Outside diameter", "OD", form.outside_diameter_mm),
            *_across(form),
            *_tooth(chain),
        ),
        dimensions=(
            *(_one(*letter) for letter in letters),
            *_thickness(forms),
            *_points(forms),
        ),
        notes=(*notes, *_closing_notes(chain)),
    )
