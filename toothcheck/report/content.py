"""What a report says, in order, before it becomes a page: an inspection document turned into words and figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from toothcheck import __version__
from toothcheck.flags import FLAGS, number_mark
from toothcheck.geometry import Floats
from toothcheck.grade import CANNOT_TELL, CAUTIONS, MOST_CONFIDENCE, halt_until, halting
from toothcheck.lessons.scale import ALL_GRADES, ASYMMETRY_LIMITS_PERCENT, MEANING, OVERHANG_LIMIT_MM
from toothcheck.marks import INSPECTION_SCHEMA
from toothcheck.pages import Figure, tied
from toothcheck.report.captions import TREND, chart_caption, estimate_of, picture_alt, picture_caption, rule_caption
from toothcheck.report.figures import reading_on_rule, teeth_chart, trend_chart, two_teeth
from toothcheck.tooth import teeth_in_words

UNSEEN = (
    "cracks, and anything inside the metal",
    "the other face, and teeth behind the chain, a guard or dirt",
    "splines, nuts, bolts and the lock plate",
    "the chain itself: stretch, tension, stiff links, rollers, pins and seals",
    "alignment of the two sprockets, and bearings",
)
"""What no photo of a sprocket shows."""

_MEASURES = (
    ("asymmetry_percent", "Asymmetry", "%"),
    ("drive_loss_mm", "Drive flank loss, along the pitch circle", "mm"),
    ("coast_loss_mm", "Coast flank loss, along the pitch circle", "mm"),
    ("thickness_mm", "Thickness at the pitch circle", "mm"),
    ("tip_thickness_mm", "Thickness near the tip", "mm"),
    ("tip_thinning_percent", "Tip thinning", "%"),
    ("overhang_mm", "Hook overhang", "mm"),
    ("hollow_mm", "Hollow of the drive flank", "mm"),
    ("greatest_loss_mm", "Greatest drive flank loss, square to it", "mm"),
)


class Origin(StrEnum):
    """Where a picture comes from; every picture is marked with it."""

    REAL = "real photo"
    MADE = "made picture: an invented part, not a photograph"
    UNTOLD = "origin of the picture not told"


_DAMAGE = {"!": "broken or missing", "?": "may be damaged"}
_NOT_BASELINE = " Outlines are drawn against the ideal form; losses and grade are by what is gone since the baseline."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ToothOutline:
    """The traced outline of one tooth in its own frame, mm: (n, 2) from the coast gap over the tip to the drive gap."""

    index: int
    measured_mm: Floats
    ideal_mm: Floats


class TrendLine(Protocol):
    """What is drawn of a trend; `toothcheck.trend` gives it."""

    @property
    def points(self) -> Sequence[TrendPoint]:
        """Readings in the order of distance."""

    @property
    def called_out(self) -> Sequence[int]:
        """Which of them the line was not fitted to."""

    @property
    def curve_km(self) -> Floats:
        """(n,) distances of the curve, km."""

    @property
    def curve_percent(self) -> Floats:
        """(3, n): early end, middle and late end of the interval, %."""

    @property
    def sentences(self) -> Sequence[str]:
        """What to know about it."""


class TrendPoint(Protocol):
    """One reading of a trend."""

    @property
    def km(self) -> float:
        """Distance of the part, km."""

    @property
    def percent(self) -> float:
        """Asymmetry, %."""

    @property
    def std_percent(self) -> float:
        """Its standard uncertainty, %."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrendShown:
    """A trend with the words that a report puts beside it."""

    points: Sequence[TrendPoint]
    called_out: Sequence[int] = ()
    curve_km: Floats
    curve_percent: Floats
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReportInput:
    """All that a report can show; only the document is needed."""

    document: Mapping[str, Any]
    """The JSON document of an inspection."""
    origin: Origin = Origin.UNTOLD
    picture: bytes | None = None
    """The photo (PNG or JPEG), or what `toothcheck.overlay.picture` drew on it."""
    outlined: bool = False
    """Whether it is the drawn picture."""
    tips_shown: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    """Of the drawn picture: where teeth stand in it (`toothcheck.overlay.tips_shown`)."""
    outlines: Sequence[ToothOutline] = ()
    doubts: Sequence[str] = ()
    """What stands against the grade today, such as its age; said beside it."""
    drive: Sequence[str] = ()
    """What the logbook knows of the machine's sprockets and chain, sentence by sentence."""
    trends: Sequence[tuple[str, TrendLine]] = ()
    """Trends with their titles."""
    unit: str = "km"
    """Of the trends' distances as they are drawn: ``km`` or ``miles``."""
    machine: str = ""
    date: str = ""
    """Of the report or the reading, as it shall be printed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A measure by name."""

    name: str
    value: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToothRow:
    """One line of the table of teeth."""

    index: int
    flags: str
    """Why it was not measured, or what to mind about it; first, so that a phone shows it."""
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """A place of the picture that can be looked at enlarged."""

    key: str
    """Its name in the page's addresses."""
    label: str
    x: float
    """From the picture's left, as a share of its width; of the drawn picture, of its height."""
    y: float
    """From its top, as a share of its height."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagRow:
    """A flag in words, and where it stands."""

    sentence: str
    remedy: str
    teeth: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReportView:
    """The report in order."""

    title: str
    facts: tuple[str, ...]
    grade: str
    doubts: tuple[str, ...]
    meaning: str
    confidence: str
    reasons: tuple[str, ...]
    next_steps: tuple[str, ...]
    cautions: tuple[str, ...]
    unseen: tuple[str, ...]
    drive: tuple[str, ...]
    rule: Figure | None
    rule_caption: str
    chart: Figure | None
    chart_caption: str
    trend_caption: str
    teeth_figure: Figure | None
    teeth_caption: str
    picture: bytes | None
    picture_caption: str
    picture_alt: str
    spots: tuple[Spot, ...]
    outlined: bool
    """Whether the picture is the drawn one: the photo in a square on the left, what is in this report on the right."""
    summary: tuple[Row, ...]
    worst: tuple[Row, ...]
    worst_title: str
    teeth_head: tuple[str, ...]
    teeth: tuple[ToothRow, ...]
    flags: tuple[FlagRow, ...]
    trends: tuple[tuple[str, Figure, tuple[str, ...]], ...] = field(default=())
    method: tuple[Row, ...] = ()
    source: str = ""
    """What the report is of, and what was done with it."""
    limits: str = ""
    version: str = __version__


def view_of(given: ReportInput) -> ReportView:
    """Turn an inspection into what a report says.

    Raises
    ------
    ValueError
        When the document is not an inspection, or holds something else than an inspection does.
    """
    d = given.document
    if d.get("schema") != INSPECTION_SCHEMA:
        instead = "and has none" if d.get("schema") is None else f"not {d['schema']!r:.60}"
        raise ValueError(f"document must have the schema {INSPECTION_SCHEMA}, {instead}")
    missing = [name for name in ("photo", "sprocket", "scale", "teeth", "verdict") if d.get(name) is None]
    if missing:
        raise ValueError(f"document must hold {', '.join(missing)}")
    for name in ("photo", "sprocket", "scale", "verdict"):
        if not isinstance(d[name], Mapping):
            raise ValueError(f"{name} must be an object, not {d[name]!r:.60}")
    if not isinstance(d["teeth"], Sequence) or not all(isinstance(tooth, Mapping) for tooth in d["teeth"]):
        raise ValueError("teeth must be a list of objects")
    try:
        return _view(given)
    except (ArithmeticError, AttributeError, LookupError, TypeError) as error:  # the file is anybody's
        raise ValueError(f"document must be laid out as {INSPECTION_SCHEMA} is") from error


def _view(given: ReportInput) -> ReportView:
    d = given.document
    by_baseline = _by_baseline(d)
    verdict, wear, sprocket = d["verdict"], d.get("wear") or {}, d["sprocket"]  # no wear: nothing could be measured
    grade = str(verdict.get("grade"))
    if grade not in ALL_GRADES:
        raise ValueError(f"verdict.grade must be one of {', '.join(ALL_GRADES)}, not {grade!r}")
    asymmetry = estimate_of(wear.get("asymmetry_percent"))
    worst = _worst_tooth(d)
    figure, caption = two_teeth(sprocket, worst, given.outlines) if worst else (None, "")
    return ReportView(
        title=f"Sprocket wear: {given.machine or d['photo'].get('name') or 'one photo'}",
        facts=_facts(given),
        grade=grade,
        doubts=_texts(given.doubts),
        meaning=_meaning(grade, d["teeth"]),
        confidence=_confidence(verdict.get("confidence"), grade, typed=_typed(d)),
        reasons=_texts(verdict.get("reasons")),
        next_steps=_texts(verdict.get("next_steps")),
        cautions=_texts(verdict.get("cautions")) or CAUTIONS,
        unseen=UNSEEN,
        drive=_texts(given.drive),
        rule=reading_on_rule(asymmetry) if asymmetry else None,
        rule_caption=rule_caption(d, asymmetry, by_baseline=by_baseline) if asymmetry else "",
        chart=teeth_chart(d["teeth"]),
        chart_caption=chart_caption(d["teeth"], outlined=given.outlined) + (_NOT_BASELINE if by_baseline else ""),
        trend_caption=TREND,
        teeth_figure=figure,
        teeth_caption=caption,
        picture=given.picture,
        picture_caption=picture_caption(given.origin.value, outlined=given.outlined),
        picture_alt=picture_alt(d, outlined=given.outlined),
        spots=_spots(d["teeth"], wear.get("worst_tooth"), given.tips_shown if given.outlined else {}),
        outlined=given.outlined,
        summary=_summary(wear, by_baseline),
        worst=_measures(worst) if worst else (),
        worst_title=f"Tooth {worst['index']}, the most worn of those measured" if worst else "",
        teeth_head=("Flags", "Asymmetry", "Drive flank loss", "Hook overhang", "Tip thinning"),
        teeth=tuple(_tooth_row(tooth) for tooth in d["teeth"]),
        flags=_flags(d),
        trends=tuple(
            (title, trend_chart(title, trend, given.unit), tuple(map(tied, trend.sentences)))
            for title, trend in given.trends
        ),
        method=_method(d),
        source="A reading as the logbook holds it, shown" if _typed(d) else "One photo of one face, read",
        limits=tied(
            f"Grades by asymmetry, {', '.join(f'{limit:.0f} %' for limit in ASYMMETRY_LIMITS_PERCENT)}, and "
            f"hook overhang, {OVERHANG_LIMIT_MM} mm: a convention of this project. No standard sets a limit, and "
            "published ones differ fourfold."
        ),
    )


def _texts(value: object) -> tuple[str, ...]:
    return (
        tuple(tied(str(text)) for text in value) if isinstance(value, Sequence) and not isinstance(value, str) else ()
    )


def _shown(value: object, unit: str) -> str:
    known = estimate_of(value)
    return tied(known.text(unit)) if known else "not measured"


def _meaning(grade: str, teeth: Sequence[Mapping[str, Any]]) -> str:
    """What the grade means; first of all that nobody may ride, where a tooth says so and the grade does not."""
    halted = halting((tooth["index"], tooth.get("flags", ())) for tooth in teeth) if grade == CANNOT_TELL else ()
    return f"{halt_until(teeth_in_words(halted))}. {MEANING[grade]}" if halted else MEANING[grade]


def _typed(d: Mapping[str, Any]) -> bool:
    """Whether the document stands for a reading whose inspection the logbook does not hold: it may be read by eye."""
    return bool(d.get("wear")) and not d["teeth"]


def _confidence(value: float | None, grade: str, *, typed: bool) -> str:
    if value is None:
        return "No confidence is stated."
    share = float(value)
    if grade == "cannot-tell" and share == 0:  # refused before any grade was weighed
        return "No grade is given."
    if grade == "cannot-tell":
        return tied(f"No grade is given below 50 %: all doubts counted, the most likely one has {100 * share:.0f} %.")
    # a reading from elsewhere may claim more than any inspection does
    text = f"{'over ' if share > MOST_CONFIDENCE else ''}{100 * min(share, MOST_CONFIDENCE):.0f} %"
    right = "as the logbook holds it" if typed else "on made photos about that share of such grades was right"
    return tied(f"Confidence {text}: {right}. Damage that was not seen is not in it.")


def _chain(d: Mapping[str, Any]) -> str:
    """The chain size; each that it may be, where the photo was to tell and does not; empty where nothing is known."""
    chains = (d.get("found") or {}).get("chains") or []
    alike = [str(c["chain"]) for c in chains if c["probability"] == chains[0]["probability"]]
    if "chain-open" not in d["flags"] or not alike:
        return str(d["sprocket"].get("chain") or "")
    if len(alike) == 1:
        return f"{alike[0]} ({100 * chains[0]['probability']:.0f} %, not told)"
    return f"{', '.join(alike[:-1])} or {alike[-1]} (not told)"


def _facts(given: ReportInput) -> tuple[str, ...]:
    sprocket, photo = given.document["sprocket"], given.document["photo"]
    out = []
    if sprocket.get("position"):
        out.append(f"{sprocket['position']} sprocket")
    if chain := _chain(given.document):
        out.append(f"chain {chain}")
    if sprocket.get("teeth"):
        out.append(f"{sprocket['teeth']} teeth")
    if photo.get("name"):
        out.append(f"photo {photo['name']}")
    if given.date:
        out.append(given.date)
    return tuple(out)


def _worst_tooth(d: Mapping[str, Any]) -> Mapping[str, Any] | None:
    wanted = (d.get("wear") or {}).get("worst_tooth")
    for tooth in d["teeth"]:
        if tooth.get("index") == wanted and tooth.get("measured"):
            found: Mapping[str, Any] = tooth
            return found
    return None


def _spots(
    teeth: Sequence[Mapping[str, Any]], worst: object, tips: Mapping[int, tuple[float, float]]
) -> tuple[Spot, ...]:
    """Where to look closer: gone teeth, doubtful ones, the most worn; where none of them is known, the middle."""
    marks = {int(t["index"]): number_mark(t.get("flags") or ()) for t in teeth}
    words = {index: said for sign, said in _DAMAGE.items() for index, mark in marks.items() if mark == sign}
    if isinstance(worst, int):
        words.setdefault(worst, "most worn")
    return tuple(
        Spot(key=f"tooth-{index}", label=f"tooth {index}, {said}", x=tips[index][0], y=tips[index][1])
        for index, said in words.items()
        if index in tips
    ) or (Spot(key="middle", label="the middle", x=0.5, y=0.5),)


def _by_baseline(d: Mapping[str, Any]) -> bool:
    """Whether asymmetry and grade are by what is gone since a photo of the part when new."""
    return bool((d.get("baseline") or {}).get("ideal"))


def _summary(wear: Mapping[str, Any], by_baseline: bool) -> tuple[Row, ...]:
    rows = []
    if wear.get("measured_teeth") is not None:
        rows.append(Row(name="Teeth measured", value=str(wear["measured_teeth"])))
    for key, name, unit in _MEASURES:
        if key in wear:
            since = by_baseline and key == "asymmetry_percent"
            note = "of the baseline's thickness, gone since" if since else ""
            rows.append(Row(name=f"{name}, median", value=_shown(wear[key], unit), note=note))
    if wear.get("pattern"):
        rows.append(Row(name="Pattern round the sprocket", value=str(wear["pattern"]).replace("-", " ")))
    return tuple(rows)


def _measures(tooth: Mapping[str, Any]) -> tuple[Row, ...]:
    return tuple(Row(name=name, value=_shown(tooth.get(key), unit)) for key, name, unit in _MEASURES)


def _tooth_row(tooth: Mapping[str, Any]) -> ToothRow:
    keys = (("asymmetry_percent", "%"), ("drive_loss_mm", "mm"), ("overhang_mm", "mm"), ("tip_thinning_percent", "%"))
    flags = ", ".join(str(code).replace("-", " ") for code in tooth.get("flags") or ())
    if tooth.get("measured"):
        return ToothRow(index=int(tooth["index"]), flags=flags, cells=tuple(_shown(tooth.get(k), u) for k, u in keys))
    return ToothRow(
        index=int(tooth["index"]), flags=f"not measured: {flags}" if flags else "not measured", cells=("–",) * len(keys)
    )


def _flags(d: Mapping[str, Any]) -> tuple[FlagRow, ...]:
    where: dict[str, list[int]] = {code: [] for code in d.get("flags") or ()}
    for tooth in d["teeth"]:
        for code in tooth.get("flags") or ():
            where.setdefault(code, []).append(int(tooth["index"]))
    rows = []
    for code, teeth in where.items():
        known = FLAGS.get(code)  # a newer toothcheck may have flags that this one does not know
        rows.append(
            FlagRow(
                sentence=known.sentence if known else str(code),
                remedy=known.remedy if known else "",
                teeth=f"teeth {_runs(teeth)}"
                if len(teeth) > 1
                else f"tooth {teeth[0]}"
                if teeth
                else "the whole photo",
            )
        )
    return tuple(rows)


def _runs(numbers: Sequence[int]) -> str:
    """Sorted numbers with runs drawn together: 0-4, 7."""
    out: list[list[int]] = []
    for n in sorted(set(numbers)):
        if out and n == out[-1][1] + 1:
            out[-1][1] = n
        else:
            out.append([n, n])
    return ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in out)


def _method(d: Mapping[str, Any]) -> tuple[Row, ...]:
    scale, sprocket, photo = d["scale"], d["sprocket"], d["photo"]
    rows = []
    if sprocket.get("gap_form") is not None:
        rows.append(
            Row(
                name="Ideal tooth",
                value="ISO 606, between the minimum and the maximum gap form",
                note=f"place between them (0 to 1): {_shown(sprocket['gap_form'], '')}",
            )
        )
    if (baseline := d.get("baseline")) is not None:
        loss, share = _shown(baseline.get("loss_mm"), "mm"), _shown(baseline.get("asymmetry_percent"), "%")
        does = (
            "it is the ideal that the grade is by" if _by_baseline(d) else "the grade is by the ideal form all the same"
        )
        unused = baseline.get("not_used")
        held = f"{loss} gone since, {share} of its thickness; {does}" if unused is None else f"Not used. {unused}"
        rows.append(
            Row(
                name="Baseline",
                value=f"{'reading' if baseline.get('kind') == 'reading' else 'photo'} {baseline.get('name')}",
                note=tied(held),
            )
        )
    measured = d.get("wear") and not _typed(d)
    if measured:
        rows.append(Row(name="Datum", value="coast flanks, coast half of the seats and the spacing of all teeth"))
    if sprocket.get("drive_flank"):
        rows.append(Row(name="Drive flank in the photo", value=f"{sprocket['drive_flank']} side of each tooth"))
    elif measured:
        rows.append(Row(name="Drive flank in the photo", value="not known: which way it turns was not told"))
    source = {"card": "scale card", "pitch": "pitch of the chain alone"}.get(str(scale.get("source")), "")
    note = []
    if scale.get("px_per_mm") is not None:
        note.append(f"{scale['px_per_mm']:.1f} px per mm")
    if scale.get("tilt_deg") is not None:
        note.append(f"camera tilted by {scale['tilt_deg']:.0f}°")
    if estimate_of(scale.get("card_to_pitch_percent")):
        note.append(f"by the card the pitch is off by {_shown(scale['card_to_pitch_percent'], '%')}")
    if scale.get("source"):
        rows.append(Row(name="Scale", value=source, note=tied(", ".join(note))))
    if photo.get("width_px"):
        rows.append(Row(name="Photo", value=f"{photo['width_px']} × {photo['height_px']} px"))
    if photo.get("sha256"):
        rows.append(Row(name="SHA-256 of the photo", value=str(photo["sha256"])))
    rows.append(Row(name="Uncertainty", value="standard uncertainty behind ±; about 95 in 100 lie within twice that"))
    rows.append(Row(name="Made with", value=f"toothcheck {__version__}"))
    return tuple(rows)
