"""The drawings of a report: the reading on a rule, all teeth, the ideal beside the worst tooth, a trend."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.flags import number_mark
from toothcheck.geometry import Floats
from toothcheck.lessons.model import ToothTable, Wear, reading, tooth_table, worn
from toothcheck.lessons.scale import ASYMMETRY_LIMITS_PERCENT, GRADES
from toothcheck.logbook import distance_text, in_unit
from toothcheck.pages.figure import Figure, Role, Shape, box, dot, line, word
from toothcheck.toothform import IsoForm

if TYPE_CHECKING:
    from toothcheck.report.content import ToothOutline, TrendLine

COVER = 1.96
"""Standard uncertainties to each side that hold about 95 of 100."""
_RED = 0.12  # least room above the highest reading, as a share of the scale
_WHOLE = 100.0  # %; more than the tooth is not gone from it, whatever a file says
_FORETOLD = 45.0  # %; a line that is foretold need not be seen beyond


def _top(highest: float) -> float:
    """End of a scale of asymmetry: always past the last limit, so that all four bands are seen."""
    return max(36.0, 5 * math.ceil(min(highest * (1 + _RED), _WHOLE) / 5))


def reading_on_rule(asymmetry: Estimate) -> Figure:
    """The median asymmetry as a mark on a rule that carries the four bands."""
    top = _top(asymmetry.value + COVER * asymmetry.std)
    wide = 100.0

    def x(percent: float) -> float:
        return wide * min(max(percent, 0.0), top) / top

    edges = (0.0, *ASYMMETRY_LIMITS_PERCENT, top)
    shapes: list[Shape] = []
    for i, (name, low, high) in enumerate(zip(GRADES, edges, edges[1:], strict=False)):
        if i % 2:
            shapes.append(box(Role.BAND, x(low), 0, x(high) - x(low), 7))
        # neighbouring names by turns on two lines: the first bands are narrow
        shapes.append(word(name, (x(low) + x(high)) / 2, -9.2 if i % 2 else -4.7, role=Role.SMALL))
        if i:
            shapes.append(line(Role.AXIS, [(x(low), 0), (x(low), 7)]))
            # the first limits stand close: the last one alone carries the unit
            shapes.append(word(f"{low:.0f}" + " %" * (high == top), x(low), -14.2, role=Role.SMALL))
            shapes.append(line(Role.RULE, [(x(low), 0), (x(low), -10.6)]))
    shapes += [line(Role.RULE, [(x(p), 0), (x(p), 1.6)]) for p in range(1, int(top))]
    shapes.append(line(Role.AXIS, [(0, 0), (wide, 0), (wide, 7), (0, 7)], closed=True))
    low, high = x(asymmetry.value - COVER * asymmetry.std), x(asymmetry.value + COVER * asymmetry.std)
    at = x(asymmetry.value)
    shapes.append(line(Role.WHISKER, [(low, 9.5), (high, 9.5)]))
    shapes += [line(Role.WHISKER, [(end, 8.8), (end, 10.2)]) for end in (low, high)]
    shapes.append(line(Role.WORN, [(at, 0.2), (at, 9.5)]))
    shapes.append(line(Role.ARROW, [(at, 7.2), (at - 1.2, 9.6), (at + 1.2, 9.6)], closed=True))
    anchor = "start" if at < 20 else "end" if at > 80 else "middle"
    shapes.append(word(asymmetry.text("%").replace(" %", "\u00a0%"), at, 11.8, role=Role.STRONG, anchor=anchor))
    return Figure(
        title=f"Median asymmetry {asymmetry.text('%')} on a rule with the bands "
        + ", ".join(f"{name} from {low:.0f} %" for name, low in zip(GRADES, edges, strict=False)),
        left=-3,
        bottom=-15.6,
        width=106,
        height=33.4,
        shapes=tuple(shapes),
        text_size=4.6,  # a phone of 390 px shows the small words at 12 px
    )


def teeth_chart(teeth: Sequence[Mapping[str, Any]]) -> Figure | None:
    """Asymmetry of every tooth with its 95 % whisker; None when nothing was measured."""
    values = {int(t["index"]): t.get("asymmetry_percent") for t in teeth if t.get("measured")}
    known = {i: Estimate(value=v["value"], std=v["std"]) for i, v in values.items() if v}
    if not known:
        return None
    marks = {int(t["index"]): mark for t in teeth if (mark := number_mark(t.get("flags") or ()))}
    count = max(int(t["index"]) for t in teeth) + 1
    ends = [e.value + COVER * e.std for e in known.values()]
    top = _top(max(ends))
    lowest = max(-_WHOLE, min(e.value - COVER * e.std for e in known.values()))
    bottom = min(0.0, 5 * math.floor(lowest / 5))
    wide, high = 100.0, 42.0

    def x(index: float) -> float:
        return wide * (index + 0.5) / count

    def y(percent: float) -> float:
        return high * (min(max(percent, bottom), top) - bottom) / (top - bottom)

    shapes: list[Shape] = []
    edges = (0.0, *ASYMMETRY_LIMITS_PERCENT, top)
    for i, (name, low, upper) in enumerate(zip(GRADES, edges, edges[1:], strict=False)):
        if i % 2:
            shapes.append(box(Role.BAND, 0, y(low), wide, y(upper) - y(low)))
        shapes.append(line(Role.AXIS if low == 0 else Role.RULE, [(0, y(low)), (wide, y(low))]))
        shapes.append(word(f"{low:.0f} %", -1, y(low) - 0.9, anchor="end", role=Role.SMALL))
        shapes.append(word(name, wide + 1, (y(low) + y(upper)) / 2 - 0.9, anchor="start", role=Role.SMALL))
    step = 1 if count <= 20 else 5
    for index in range(count):
        mark = marks.get(index, "")
        crowded = step > 1 and any(0 < abs(index - other) <= 2 for other in marks)
        if mark or (index % step == 0 and not crowded):
            shapes.append(word(f"{index}{mark}", x(index), -4.4, role=Role.STRONG if mark else Role.SMALL))
        if index not in known:
            if mark != "!":  # which says it already
                shapes.append(word("–", x(index), -1.6, role=Role.SMALL))
            continue
        e = known[index]
        shapes.append(
            line(Role.WHISKER, [(x(index), y(e.value - COVER * e.std)), (x(index), y(e.value + COVER * e.std))])
        )
        shapes.append(dot(Role.POINT, x(index), y(e.value), min(0.9, 30 / count)))
    shapes.append(word("tooth", wide / 2, -8.2, role=Role.SMALL))
    return Figure(
        title=f"Asymmetry of {len(known)} measured teeth of {count}, from {min(e.value for e in known.values()):.1f} "
        f"to {max(e.value for e in known.values()):.1f} %; the table of teeth holds every number",
        left=-9,
        bottom=-9.5,
        width=125,
        height=high + 12,
        shapes=tuple(shapes),
        text_size=2.7,
    )


def two_teeth(
    sprocket: Mapping[str, Any], tooth: Mapping[str, Any], outlines: Sequence[ToothOutline]
) -> tuple[Figure | None, str]:
    """The ideal tooth and the worst one side by side, large, and what is to be said about the drawing."""
    traced = next((o for o in outlines if o.index == tooth["index"]), None)
    if traced is not None:
        ideal = np.asarray(traced.ideal_mm)
        seen = np.asarray(traced.measured_mm)
        measured = _completed(seen, ideal)
        caption = (
            "Left: the ideal tooth. Right: as traced in the photo (thick: the drive flank), the ideal dashed; below "
            "the traced part its foot is only drawn in."
        )
    else:
        drawn = _drawn_from_numbers(sprocket, tooth)
        if drawn is None:
            return None, ""
        ideal, measured = drawn
        seen = measured
        caption = (
            "Left: the ideal tooth. Right: drawn from its numbers (losses at the pitch circle, tip, overhang), "
            "the ideal dashed; between those numbers the line is a guess."
        )
    front = sprocket.get("position") == "front"
    mirror = np.array([1.0 if sprocket.get("drive_flank") != "counterclockwise" else -1.0, 1.0])
    flank = _drive_side(seen) * mirror
    ideal, measured = ideal * mirror, measured * mirror
    span = float(np.ptp(ideal[:, 0]))
    apart = span * 1.12
    low, high = float(ideal[:, 1].min()), float(ideal[:, 1].max())
    base = low - 0.04 * span
    size = 0.09 * span  # a phone of 390 px shows the small words at 12 px

    def solid(outline: Floats, shift: float) -> Shape:
        foot = np.array([[outline[-1, 0], base], [outline[0, 0], base]])
        return line(Role.METAL, np.concatenate([outline, foot]) + np.array([shift, 0.0]), closed=True)

    to_right = np.array([apart / 2, 0.0])
    shapes = [
        solid(ideal, -apart / 2),
        line(Role.GONE, np.concatenate([ideal, measured[::-1]]) + to_right, closed=True),
        solid(measured, apart / 2),
        line(Role.WORN, flank + to_right),
        line(Role.IDEAL, ideal + to_right),
        word("ideal", -apart / 2, base - 1.5 * size, role=Role.STRONG),
        word(f"tooth {tooth['index']}", apart / 2, base - 1.5 * size, role=Role.STRONG),
    ]
    side = float(mirror[0])
    doubt = "" if sprocket.get("drive_flank") else "?"  # the turning was not told: it may as well be the other one
    for shift in (-apart / 2, apart / 2):
        for name, way in ((f"drive{doubt}", side), (f"coast{doubt}", -side)):
            shapes.append(
                word(
                    name,
                    shift + way * 0.2 * span,
                    high - 0.05 * span,
                    role=Role.SMALL,
                    anchor="start" if way > 0 else "end",
                )
            )
    bar = 1.0
    shapes.append(line(Role.AXIS, [(-apart, base - 1.2 * size), (-apart + bar, base - 1.2 * size)]))
    shapes.append(word("1 mm", -apart + bar + 0.3 * size, base - 1.5 * size, role=Role.SMALL, anchor="start"))
    figure = Figure(
        title=f"The ideal tooth beside tooth {tooth['index']}; "
        + (
            "which is the drive flank is not known"
            if doubt
            else f"drive flank on the {'right' if side > 0 else 'left'}"
        ),
        left=-1.06 * apart,
        bottom=base - 2.4 * size,
        width=2.12 * apart,
        height=high - base + 3.2 * size,
        shapes=tuple(shapes),
        text_size=size,
    )
    if doubt:
        return figure, f"{caption} Which flank is the drive flank is not known: the turning was not told."
    lean = (
        "with the rotation, towards the leading flank" if front else "against the rotation, towards the trailing flank"
    )
    return figure, f"{caption} On a {sprocket.get('position')} sprocket a hook leans {lean}."


def _halves(outline: Floats) -> tuple[Floats, Floats]:
    """Coast and drive side of an outline, both from the root up; the highest point goes to the coast side."""
    top = int(np.argmax(np.hypot(*outline.T)))
    return outline[: top + 1], outline[top + 1 :][::-1]


def _drive_side(outline: Floats) -> Floats:
    """The drive side from the tip down, the highest point included."""
    top = int(np.argmax(np.hypot(*outline.T)))
    out: Floats = outline[top:]
    return out


def _completed(measured: Floats, ideal: Floats) -> Floats:
    """A traced outline with a foot where nothing was traced: from the ideal at the root to the lowest traced point."""
    sides = []
    for seen, new in zip(_halves(measured), _halves(ideal), strict=True):
        if len(seen) == 0:
            sides.append(new)
            continue
        r, angle = np.hypot(*new.T), np.arctan2(new[:, 0], new[:, 1])
        low = math.hypot(*seen[0])
        below = r < low - 0.05
        if below.any():
            off = math.atan2(*seen[0]) - float(np.interp(low, r, angle))
            share = np.clip((r[below] - r[0]) / (low - r[0]), 0, 1) ** 2
            turned = angle[below] + off * share
            foot = np.stack([r[below] * np.sin(turned), r[below] * np.cos(turned)], axis=1)
            seen = np.concatenate([foot, seen])
        sides.append(seen)
    return np.concatenate([sides[0], sides[1][::-1]])


def _drawn_from_numbers(sprocket: Mapping[str, Any], tooth: Mapping[str, Any]) -> tuple[Floats, Floats] | None:
    """Outlines of the ideal and of a tooth that has the measured losses, tip and overhang."""
    needed = [
        tooth.get("drive_loss_mm"),
        sprocket.get("pitch_mm"),
        sprocket.get("roller_diameter_mm"),
        sprocket.get("teeth"),
    ]
    if any(value is None for value in needed):
        return None
    blend = min(1.2, max(-0.2, (sprocket.get("gap_form") or {}).get("value", 0.5)))
    try:
        table = tooth_table(
            IsoForm(
                pitch_mm=sprocket["pitch_mm"],
                roller_diameter_mm=sprocket["roller_diameter_mm"],
                teeth=sprocket["teeth"],
                blend=blend,
            )
        )
    except ValueError:
        return None

    def value(name: str) -> float:
        return max(0.0, float((tooth.get(name) or {}).get("value", 0.0)))

    wear = _wear_like(table, value("drive_loss_mm"), min(100.0, value("tip_thinning_percent")), value("overhang_mm"))
    return (
        worn(table, Wear()).outline_mm(),
        worn(table, wear, coast_loss_mm=value("coast_loss_mm")).outline_mm(),
    )


def _wear_like(table: ToothTable, loss_mm: float, thinning_percent: float, overhang_mm: float) -> Wear:
    """Share the loss between even wear and a pocket so that the overhang comes nearest."""
    tries = [
        Wear(flank_loss_mm=loss_mm * (1 - share), hook_mm=loss_mm * share, tip_thinning_percent=thinning_percent)
        for share in np.linspace(0, 1, 21).tolist()
    ]
    return min(tries, key=lambda wear: abs(reading(worn(table, wear)).overhang_mm - overhang_mm))


def trend_chart(title: str, trend: TrendLine, unit: str = "km") -> Figure:
    """Readings over distance (``km`` or ``miles``) with the trend and its interval."""
    points = list(trend.points)
    far = _far_enough(trend)
    km = np.asarray(trend.curve_km)
    percent = (
        np.array([np.interp(np.append(km[km < far], far), km, row) for row in trend.curve_percent]) if len(km) else km
    )
    km = np.append(km[km < far], far) if len(km) else km
    ends = [p.percent + COVER * p.std_percent for p in points]
    top = min(_FORETOLD, _top(max([*ends, float(percent[1].max()) if len(km) else 0.0])))
    top = max(top, _top(max((p.percent for p in points), default=0.0)))
    wide, high = 100.0, 46.0

    def xy(at_km: Floats, at_percent: Floats) -> Floats:
        return np.stack([wide * at_km / far, high * np.clip(at_percent, 0, top) / top], axis=-1)

    shapes: list[Shape] = []
    if len(km):
        band = np.concatenate([xy(km, percent[0]), xy(km, percent[2])[::-1]])
        shapes.append(line(Role.BAND, band, closed=True))
    edges = (0.0, *ASYMMETRY_LIMITS_PERCENT, top)
    for name, low, upper in zip(GRADES, edges, edges[1:], strict=False):
        y = high * low / top
        shapes.append(line(Role.AXIS if low == 0 else Role.RULE, [(0, y), (wide, y)]))
        shapes.append(word(f"{low:.0f} %", -1, y - 0.9, anchor="end", role=Role.SMALL))
        if upper > low:
            shapes.append(word(name, wide + 1, high * (low + upper) / 2 / top - 0.9, anchor="start", role=Role.SMALL))
    if len(km):
        below = percent[1] <= top
        if below.any():
            shapes.append(line(Role.IDEAL, xy(km[below], percent[1][below])))
    for i, p in enumerate(points):
        x, y = xy(np.array(p.km), np.array(p.percent))
        reach = high * COVER * p.std_percent / top
        shapes.append(line(Role.WHISKER, [(x, max(0.0, y - reach)), (x, min(high, y + reach))]))
        if i in trend.called_out:
            shapes += [line(Role.AXIS, [(x - 1, y - end), (x + 1, y + end)]) for end in (-1, 1)]
        else:
            shapes.append(dot(Role.POINT, float(x), float(y), 0.9))
    length = in_unit(far, unit)
    for tick in np.arange(0, length + 1e-9, _round_step(length / 4)).tolist():
        shapes.append(word(f"{tick:,.0f}".replace(",", "\u202f"), wide * tick / length, -4, role=Role.SMALL))
    shapes.append(word(f"the part's own distance, {unit}", wide / 2, -8, role=Role.SMALL))
    return Figure(
        title=f"{title}: asymmetry of {len(points)} readings over {distance_text(far, unit)} with the trend",
        left=-9,
        bottom=-9.5,
        width=125,
        height=high + 12,
        shapes=tuple(shapes),
        text_size=2.7,
    )


def _far_enough(trend: TrendLine) -> float:
    """Where to end the axis, km, at least 1: a forecast as far as ``replace-now``, but the readings stay apart."""
    last = max([p.km for p in trend.points], default=0.0)
    km = np.asarray(trend.curve_km)
    if len(km) == 0:
        return max(last, 1.0)
    reached = np.nonzero(np.asarray(trend.curve_percent)[1] >= ASYMMETRY_LIMITS_PERCENT[-1])[0]
    forecast = float(km[reached[0]]) if len(reached) else float(km[-1])
    if last > 0:
        forecast = min(max(forecast, 1.25 * last), 4 * last)
    return max(min(float(km[-1]), forecast), 1.0)  # a used part may be past it all on the day it joins


def _round_step(rough: float) -> float:
    power = 10 ** math.floor(math.log10(rough))
    return float(next(m * power for m in (1, 2, 5, 10) if m * power >= rough))
