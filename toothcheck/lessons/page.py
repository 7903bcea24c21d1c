"""The lesson as one page: tables for the script, fixed drawings, and numbers, all from the tooth form."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
from markupsafe import Markup

from toothcheck import __version__
from toothcheck.chains import Chain
from toothcheck.grade import MOST_CONFIDENCE
from toothcheck.lessons.hardcases import hard_cases
from toothcheck.lessons.model import ToothTable, Wear, drive_flank_side, roller_seat, tooth_table, worn
from toothcheck.lessons.scale import (
    ALL_GRADES,
    ASYMMETRY_LIMITS_PERCENT,
    GRADES,
    MEANING,
    OVERHANG_LIMIT_MM,
)
from toothcheck.pages import Figure, Role, Shape, json_for_page, render
from toothcheck.pages.figure import line, word
from toothcheck.toothform import MIN_TEETH, IsoForm

FORMS = (("thickest legal tooth", 0.0), ("middle", 0.5), ("slimmest legal tooth", 1.0))
"""Place between the minimum (0) and the maximum (1) gap form, in a learner's words."""
STRETCHES_PERCENT = (0.0, 0.5, 1.0, 2.0, 3.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LessonWheel:
    """One of the lesson's two wheels, new; forms and tables in the order of `FORMS`."""

    chain: Chain
    teeth: int
    forms: tuple[IsoForm, ...]
    tables: tuple[ToothTable, ...]

    @property
    def middle(self) -> ToothTable:
        """The form midway between the two that the standard draws."""
        return self.tables[1]


def lesson_wheel(chain: Chain, teeth: int) -> LessonWheel:
    """One of the lesson's two wheels.

    Raises
    ------
    ValueError
        When a tooth count does not give forms that can be drawn and measured.
    """
    forms = tuple(form(chain, teeth, blend) for _, blend in FORMS)
    try:
        tables = tuple(tooth_table(new) for new in forms)
    except ValueError as error:
        raise ValueError(
            f"no lesson can be made of chain {chain.name} with {teeth} teeth: {error}; take another chain size"
        ) from error
    return LessonWheel(chain=chain, teeth=teeth, forms=forms, tables=tables)


def lesson_data(front: LessonWheel, rear: LessonWheel) -> dict[str, object]:
    """What the page's script works on; lengths mm, in the tooth's own frame."""
    chain = front.chain
    return {
        "most_confidence": MOST_CONFIDENCE,
        "wheels": {
            position: {"teeth": wheel.teeth, "forms": [_table_json(table) for table in wheel.tables]}
            for position, wheel in (("front", front), ("rear", rear))
        },
        "size": front.middle.size,
        "chain": {"name": chain.name, "pitch_mm": chain.pitch_mm, "roller_diameter_mm": chain.roller_diameter_mm},
        "grades": list(GRADES),
        "meaning": MEANING,
        "asymmetry_limits_percent": list(ASYMMETRY_LIMITS_PERCENT),
        "overhang_limit_mm": OVERHANG_LIMIT_MM,
    }


def form(chain: Chain, teeth: int, blend: float) -> IsoForm:
    """The new form of one wheel of the lesson."""
    return IsoForm(pitch_mm=chain.pitch_mm, roller_diameter_mm=chain.roller_diameter_mm, teeth=teeth, blend=blend)


def _table_json(table: ToothTable) -> dict[str, object]:
    return {
        "pitch_radius": table.pitch_radius_mm,
        "roller_radius": table.roller_diameter_mm / 2,
        "teeth": table.teeth,
        "at_pitch": table.at_pitch,
        "at_probe": table.at_tip_probe,
        "at_junction": table.at_junction,
        **{
            name: [round(float(v), 6) for v in values]
            for name, values in (
                ("r", table.radius_mm),
                ("half", table.half_mm),
                ("even", table.even),
                ("pocket", table.pocket),
                ("tip", table.tip),
            )
        },
    }


def lesson_page(front: LessonWheel, rear: LessonWheel) -> str:
    """The lesson as self-contained HTML; the two wheels are of one chain."""
    chain = front.chain
    even_teeth = max(MIN_TEETH + 1, rear.teeth - rear.teeth % 2)  # no form has fewer than MIN_TEETH, which is odd
    return render(
        "toothcheck.lessons",
        "lesson.html.j2",
        {
            "version": __version__,
            "chain": chain,
            "front_teeth": front.teeth,
            "rear_teeth": rear.teeth,
            "forms": FORMS,
            "size": front.middle.size,
            "data": json_for_page(lesson_data(front, rear)),
            "cases": [
                asdict(case) for case in hard_cases(front.middle, tooth_table(form(chain, even_teeth, FORMS[1][1])))
            ],
            "climb": _climb_rows(front.middle, rear.middle),
            "flanks": _flank_rows(),
            "new_teeth": _new_teeth(front),
            "pointed": _pointed_rows(chain, (13, front.teeth, 17, 25, rear.teeth)),
            "thickness_span": _thickness_span(front),
            "tenth_mm": front.middle.half_mm[front.middle.at_pitch] * 0.2,
            "grades": [(name, MEANING[name]) for name in ALL_GRADES],
            "limits": ASYMMETRY_LIMITS_PERCENT,
            "overhang_limit_mm": OVERHANG_LIMIT_MM,
        },
    )


def _climb_rows(front: ToothTable, rear: ToothTable) -> list[dict[str, object]]:
    rows = []
    for stretch in STRETCHES_PERCENT:
        seats = [roller_seat(worn(table, Wear()), stretch) for table in (front, rear)]
        rows.append({"stretch": stretch, "front": seats[0], "rear": seats[1]})
    return rows


def _flank_rows() -> list[dict[str, str]]:
    rows = []
    for position in ("front", "rear"):
        for travel, turning in (("right", "clockwise"), ("left", "counterclockwise")):
            side = drive_flank_side(position, turning)
            at_top = "right" if side == "clockwise" else "left"
            rows.append(
                {
                    "position": position,
                    "travel": travel,
                    "turning": turning,
                    "side": side,
                    "at_top": at_top,
                    "name": "leading" if side == turning else "trailing",
                    "lean": "with" if side == turning else "against",
                }
            )
    return rows


def _new_teeth(wheel: LessonWheel) -> Markup:
    """The three new forms of one sprocket side by side."""
    shapes: list[Shape] = []
    base = min(float(t.radius_mm[0]) for t in wheel.tables) - 0.6
    top = max(float(t.radius_mm[-1]) for t in wheel.tables)
    spacing = 1.18 * wheel.chain.pitch_mm
    size = 0.042 * 3.16 * spacing  # of letters that a phone of 390 px still shows at 12 px and more
    for i, ((name, _), table) in enumerate(zip(FORMS, wheel.tables, strict=True)):
        outline = worn(table, Wear()).outline_mm()
        foot = np.array([[outline[-1, 0], base], [outline[0, 0], base]])
        x = (i - 1) * spacing
        shapes.append(line(Role.METAL, np.concatenate([outline, foot]) + np.array([x, 0.0]), closed=True))
        land = 2 * float(table.half_mm[-1])
        first, _, rest = name.partition(" ")
        shapes.append(word(first, x, base - 1.2 * size))
        shapes.append(word(rest, x, base - 2.4 * size))
        shapes.append(word("pointed" if land < 0.05 else f"tip {land:.1f} mm", x, base - 3.7 * size, role=Role.SMALL))
        r = table.pitch_radius_mm
        reach = float(table.half_mm[table.at_pitch])
        shapes.append(line(Role.AXIS, [(x - reach, r), (x + reach, r)]))
        shapes.append(word(f"{2 * reach:.2f} mm", x + reach + 0.3 * size, r, role=Role.SMALL, anchor="start"))
    return Figure(
        title="Three new teeth of one size: the thickest legal form, the middle and the slimmest, which is pointed",
        left=-1.45 * spacing,
        bottom=base - 4.2 * size,
        width=3.16 * spacing,
        height=top - base + 4.9 * size,
        shapes=tuple(shapes),
        text_size=size,
    ).svg(css_class="figure forms")


def _pointed_rows(chain: Chain, counts: tuple[int, ...]) -> list[dict[str, object]]:
    rows = []
    for teeth in sorted(set(counts)):
        lands = []
        for _, blend in FORMS:
            new = form(chain, teeth, blend)
            lands.append(2 * float(new.half_thickness_mm(new.tip_radius_mm)))
        rows.append({"teeth": teeth, "lands": lands})
    return rows


def _thickness_span(wheel: LessonWheel) -> tuple[float, float]:
    values = [2 * float(new.half_thickness_mm(new.pitch_radius_mm)) for new in wheel.forms]
    return min(values), max(values)
