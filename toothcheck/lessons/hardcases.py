"""Drawn cases in which a photo, or an eye, goes wrong: each with what it reads, what is so, and what to do.

Every outline comes from the teaching tooth, every number from measuring that outline.  The drawings are made, and
larger than life: wear is exaggerated where the text says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from markupsafe import Markup

from toothcheck.geometry import Floats, rotated
from toothcheck.lessons.model import Reading, ToothTable, Wear, WornTooth, overhang, reading, worn
from toothcheck.pages import tied
from toothcheck.pages.figure import Figure, Role, Shape, line, word


@dataclass(frozen=True, slots=True, kw_only=True)
class HardCase:
    """One case of the lesson."""

    key: str
    title: str
    figure: Markup
    caption: str
    """What is drawn, and whether it is exaggerated."""
    seen: str
    so: str
    do: str


def hard_cases(front: ToothTable, even: ToothTable) -> tuple[HardCase, ...]:
    """All cases, drive flank to the right.

    Parameters
    ----------
    front
        The wheel that most cases are drawn on.
    even
        A sprocket with an even number of teeth, for wear of every second tooth.

    Raises
    ------
    ValueError
        When ``even`` is not.
    """
    if even.teeth % 2:
        raise ValueError(f"even must have an even number of teeth, not {even.teeth}")
    cases = (_dirt(front), _turned_round(front), _chipped(front), _alternate(even), _rolled_lip(front), _pointed(front))
    return tuple(replace(case, seen=tied(case.seen), so=tied(case.so)) for case in cases)


# --- drawing -----------------------------------------------------------------------------------------------------
def _window(title: str, table: ToothTable, shapes: list[Shape], half_width: float) -> Figure:
    bottom = float(table.radius_mm[0]) - 3.2 * table.size
    half_width *= table.size
    return Figure(
        title=title,
        left=-half_width,
        bottom=bottom,
        width=2 * half_width,
        height=float(table.radius_mm[-1]) + 2.6 * table.size - bottom,
        shapes=tuple(shapes),
        text_size=half_width / 14,
    )


def _teeth(teeth: list[tuple[WornTooth, float]], table: ToothTable) -> list[Shape]:
    """Teeth at angles (radians, clockwise positive) joined along their roots into one piece of rim."""
    rim: list[Floats] = [rotated(tooth.outline_mm(), -angle) for tooth, angle in teeth]
    first, last = rim[0][0], rim[-1][-1]
    inner = float(table.radius_mm[0]) - 3.0 * table.size
    down = [inner * last / math.hypot(*last), inner * first / math.hypot(*first)]
    return [line(Role.METAL, np.concatenate([*rim, np.array(down)]), closed=True)]


def _placed(table: ToothTable, teeth: list[WornTooth]) -> list[tuple[WornTooth, float]]:
    step = 2 * math.pi / table.teeth
    middle = (len(teeth) - 1) / 2
    return [(tooth, (i - middle) * step) for i, tooth in enumerate(teeth)]


def _pair(table: ToothTable, tooth: WornTooth) -> list[tuple[WornTooth, float]]:
    return _placed(table, [tooth, tooth, tooth])


def _ideal_line(table: ToothTable, angle: float = 0.0) -> Shape:
    return line(Role.IDEAL, rotated(worn(table, Wear()).outline_mm(), -angle))


def _wear(table: ToothTable, *, loss: float, hook: float = 0.0) -> Wear:
    """So many mm on chain 520, and as much of the tooth on every other."""
    return Wear(flank_loss_mm=loss * table.size, hook_mm=hook * table.size)


def _numbers(r: Reading) -> str:
    return f"asymmetry {r.asymmetry_percent:.0f} %, overhang {max(0.0, r.overhang_mm):.1f} mm"


# --- the cases ---------------------------------------------------------------------------------------------------
def _dirt(table: ToothTable) -> HardCase:
    tooth = worn(table, _wear(table, loss=0.6, hook=0.6))
    clean = reading(tooth)
    flank, new = tooth.flank_mm(drive=True), worn(table, Wear()).flank_mm(drive=True)
    part = slice(table.at_junction - 18, table.at_tip_probe + 4)
    # grease bridges the pocket in a smooth curve a little inside the new flank
    fill = 0.85 * new[part] + 0.15 * flank[part]
    covered = flank.copy()
    covered[part] = fill
    seen_loss = float(table.half_mm[table.at_pitch] - _arc(covered[table.at_pitch]))
    coast = float(tooth.coast_mm[table.at_pitch])
    seen = 100 * seen_loss / (2 * coast)
    shapes = [
        *_teeth(_pair(table, tooth), table),
        line(Role.DIRT, np.concatenate([fill, flank[part][::-1]]), closed=True),
        _ideal_line(table),
        line(Role.WORN, covered[table.at_junction - 30 :]),
        word(
            "grease in the pocket", 13.6 * table.size, float(table.tip_probe_radius_mm) - 1.1 * table.size, anchor="end"
        ),
    ]
    return HardCase(
        key="dirt",
        title="Dirt that looks like metal",
        figure=_window(
            "Three worn teeth; on the middle one grease fills the pocket of the drive flank", table, shapes, 14
        ).svg(),
        caption="Made; wear exaggerated. Thick line: the edge that a photo shows. Dashed: the new form.",
        seen=f"The edge of the grease reads as flank: asymmetry {seen:.0f} %, no overhang.",
        so=f"Under it the tooth reads {_numbers(clean)}.",
        do="Grease collects exactly where the hook is. Wipe the flank until you see bright or brown metal, then take "
        "the photo. A grease edge is soft, dull and different on every tooth; metal is the same all the way round.",
    )


def _arc(point: Floats) -> float:
    return math.atan2(point[0], point[1]) * math.hypot(*point)


def _turned_round(table: ToothTable) -> HardCase:
    tooth = worn(table, _wear(table, loss=0.7), coast_loss_mm=0.65 * table.size)
    r = reading(tooth)
    new = 2 * float(table.half_mm[table.at_pitch])
    shapes = [
        *_teeth(_pair(table, tooth), table),
        _ideal_line(table),
        line(Role.WORN, tooth.flank_mm(drive=True)[table.at_junction - 30 :]),
        line(Role.WORN, tooth.flank_mm(drive=False)[table.at_junction - 30 :]),
    ]
    return HardCase(
        key="turned",
        title="A part that was turned round",
        figure=_window("Three teeth worn on both flanks alike", table, shapes, 14).svg(),
        caption="Made; wear exaggerated. Thick: worn on both flanks. Dashed: the new form.",
        seen=f"The teeth look even: asymmetry {r.asymmetry_percent:.0f} %.",
        so=f"{new - r.thickness_mm:.1f} mm of {new:.1f} mm is gone at the pitch circle. The two losses cancel in the "
        "comparison of the flanks, and the datum taken from the coast flank is no datum any more.",
        do="Ask whether the sprocket was ever taken off and put on the other way. Compare with a new part or with a "
        "photo of this one when it was new; asymmetry alone cannot grade it.",
    )


def _chipped(table: ToothTable) -> HardCase:
    tooth = worn(table, _wear(table, loss=0.25))
    chipped = tooth.outline_mm().copy()
    # a straight break across the corner of the tip, on the coast side
    high = float(table.radius_mm[-1])
    size = table.size
    a = np.array([-2.6 * size, table.pitch_radius_mm - 0.4 * size])
    b = np.array([0.45 * size, high + 0.1 * size])
    side = (b[0] - a[0]) * (chipped[:, 1] - a[1]) - (b[1] - a[1]) * (chipped[:, 0] - a[0])
    off = (side > 0) & (chipped[:, 1] > a[1])  # below it the line runs out under the root
    inside = np.nonzero(off)[0]
    edge = np.linspace(0, 1, 9)[:, None]
    rough = (
        a
        + (b - a) * edge
        + size
        * np.array(
            [
                [0.0, 0.0],
                [0.08, -0.1],
                [-0.05, 0.03],
                [0.1, -0.06],
                [0, 0.05],
                [0.09, -0.09],
                [-0.04, 0.02],
                [0.05, -0.03],
                [0, 0],
            ]
        )
    )
    rough = rough[(rough[:, 0] > chipped[inside[0] - 1, 0]) & (rough[:, 1] < high)]
    broken = np.concatenate([chipped[: inside[0]], rough, chipped[inside[-1] + 1 :]])
    piece = np.concatenate([chipped[inside], rough[::-1]])
    step = 2 * math.pi / table.teeth
    left, right = rotated(tooth.outline_mm(), step), rotated(tooth.outline_mm(), -step)
    inner = float(table.radius_mm[0]) - 3.0 * table.size
    rim = np.concatenate([left, broken, right])
    down = np.array([inner * rim[-1] / math.hypot(*rim[-1]), inner * rim[0] / math.hypot(*rim[0])])
    shapes = [
        line(Role.METAL, np.concatenate([rim, down]), closed=True),
        line(Role.GONE, piece, closed=True),
        line(Role.WORN, rough),
        word("broken off", -3.4 * size, high + 0.6 * size, anchor="end"),
    ]
    return HardCase(
        key="chip",
        title="A chipped tooth",
        figure=_window("Three teeth; the middle one has a corner of its tip broken off", table, shapes, 14).svg(),
        caption="Made. The shaded corner is missing; the break is rough and straight, wear is smooth and curved.",
        seen="One tooth reads unlike its neighbours, which read asymmetry "
        f"{reading(tooth).asymmetry_percent:.0f} %. A median over all teeth hides it.",
        so="A broken, missing or bent tooth is a grade of its own: do not ride on it, however good the others are.",
        do="Look at every tooth, not at the mean. Turn the sprocket so that each one has been seen, and look for the "
        "cause: a stone, a dropped tool, a chain that jumped.",
    )


def _alternate(table: ToothTable) -> HardCase:
    deep, light = worn(table, _wear(table, loss=0.75, hook=0.3)), worn(table, _wear(table, loss=0.2))
    placed = _placed(table, [light, deep, light, deep, light, deep, light])
    shapes = _teeth(placed, table)
    shapes += [_ideal_line(table, angle) for _, angle in placed]
    for tooth, angle in placed:
        shapes.append(line(Role.WORN, rotated(tooth.flank_mm(drive=True)[table.at_junction - 20 :], -angle)))
    a, b = reading(deep), reading(light)
    return HardCase(
        key="alternate",
        title="Every second tooth worn",
        figure=_window("A row of teeth, every second one worn deeper", table, shapes, 30).svg(),
        caption=f"Made; wear exaggerated. A sprocket of {table.teeth} teeth. Thick: drive flanks. Dashed: new form.",
        seen=f"By turns the teeth read asymmetry {a.asymmetry_percent:.0f} % and {b.asymmetry_percent:.0f} %. A photo "
        "that shows few teeth may show mostly one kind.",
        so="A chain has inner and outer links by turns. On an even number of teeth each tooth meets the same kind for "
        "ever, and when the links have stretched unequally every second tooth wears faster. With an odd number of "
        "teeth the kinds change places every turn.",
        do="Count the teeth; look at the pattern round the sprocket and not only at the median. A chain with unequal "
        "links is worn, whatever the other teeth look like.",
    )


def _rolled_lip(table: ToothTable) -> HardCase:
    tooth = worn(table, _wear(table, loss=0.45))
    plain = reading(tooth)
    flank = tooth.flank_mm(drive=True)
    r = table.radius_mm[: tooth.rows]
    bead = 0.42 * table.size * np.exp(-(((r - table.pitch_radius_mm) / table.size - 1.55) ** 2) / 0.42**2)
    lipped = flank + np.stack([bead, 0.2 * bead], axis=1)
    seen_overhang = overhang(lipped[table.at_junction :])
    part = slice(table.at_pitch, tooth.rows)
    shapes = [
        *_teeth(_pair(table, tooth), table),
        line(Role.GONE, np.concatenate([lipped[part], flank[part][::-1]]), closed=True),
        line(Role.WORN, lipped[table.at_junction - 30 :]),
        _ideal_line(table),
        word("rolled lip", 13.6 * table.size, float(table.tip_probe_radius_mm) - 0.8 * table.size, anchor="end"),
    ]
    return HardCase(
        key="lip",
        title="A rolled lip",
        figure=_window(
            "Three worn teeth; on the middle one a lip of rolled metal stands out under the tip", table, shapes, 14
        ).svg(),
        caption="Made; lip exaggerated. Shaded: metal pushed up by the rollers, standing past the flank.",
        seen=f"Overhang reads {seen_overhang:.1f} mm with the lip, and {max(0.0, plain.overhang_mm):.1f} mm without "
        "it; seen square on, a lip over the faces also makes the tooth look thicker than it is.",
        so="The lip is metal, but it carries nothing. The flank under it has lost "
        f"{plain.drive_loss_mm:.2f} mm at the pitch circle.",
        do="Feel along the edge with a gloved finger, never near a running chain. A lip is itself a sign of "
        "high load on soft teeth: report it, and do not file it off to make the tooth look better.",
    )


def _pointed(table: ToothTable) -> HardCase:
    sharp = worn(table, Wear(tip_thinning_percent=85))
    r = reading(sharp)
    shapes = [*_teeth(_pair(table, sharp), table), _ideal_line(table)]
    return HardCase(
        key="pointed",
        title="Pointed on both sides",
        figure=_window("Three teeth with thin tips, alike on both flanks", table, shapes, 14).svg(),
        caption="Made. Tips thinned alike on both flanks; the flanks at the pitch circle are new. Dashed: this "
        "maker's new form.",
        seen=f"It looks sharp. Tip thinning reads {r.tip_thinning_percent:.0f} %, asymmetry "
        f"{abs(r.asymmetry_percent):.0f} %.",
        so="Pointed is not hooked. Some legal forms are pointed when new (see above), and every maker chooses the tip "
        "circle; a tip that both flanks share alike says little about wear of the drive flank.",
        do="Compare the two flanks of one tooth before you judge its tip. Look for a pocket on one side only.",
    )
