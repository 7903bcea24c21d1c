"""A photo with its truth, as one question of an exercise.

Truth comes from one of two documents beside the photo: of a made photo (known to the last digit), or the reading that
toothcheck gave a real one (known within its uncertainty).  Both become a `Case`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from toothcheck.lessons.pictures import cropped_jpeg
from toothcheck.lessons.scale import ALL_GRADES, ASYMMETRY_LIMITS_PERCENT, GRADES, OVERHANG_LIMIT_MM, grade_of

WORN_FROM_PERCENT = ASYMMETRY_LIMITS_PERCENT[0]
"""A tooth counts as worn from here: the end of ``good``."""
DOUBT_PERCENT = 1.0
"""Within this of the limit, or within two standard uncertainties, either answer is accepted and none is scored."""
BOTH_FLANKS_MM = 0.25
"""Median loss of the coast flank from which a part counts as worn on both flanks; this project's choice."""
SOFT_MM = 0.35
"""Blur on the sprocket from which a photo supports no grade; the same as where an inspection calls it blurred."""
MOST_ASKED = 8
"""Teeth that a learner is asked about: more do not fit a thumb on a phone."""
_LEAST_ASKED = 3


class NothingToAsk(ValueError):
    """A sound inspection that gives no question: refused, of another picture, or without what a question needs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedTooth:
    """One numbered tooth of a question; pixels of the cropped picture."""

    index: int
    x_px: float
    y_px: float
    asymmetry_percent: float | None
    overhang_mm: float | None
    damaged: bool
    worn: bool | None
    """None: not scored, as it is too close to the limit, or as the photo or the part does not let it be judged."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One question: the picture, what is told, and the truth."""

    key: str
    """Names the photo without giving anything away."""
    jpeg: bytes
    width_px: int
    height_px: int
    made: bool
    """Made by a program; otherwise a real photo."""
    chain: str
    teeth: int
    position: str
    turning: str
    drive_side: str
    """Side of each tooth with the drive flank, ``clockwise`` or ``counterclockwise``."""
    centre_px: tuple[float, float]
    pitch_px: float
    asked: tuple[AskedTooth, ...]
    grade: str
    """The right answer; ``cannot-tell`` where the photo supports none."""
    true_grade: str
    """What the part really is."""
    asymmetry_percent: float | None
    overhang_mm: float | None
    difficulty: int
    """0 (plain) and up."""
    notes: tuple[str, ...]
    """What makes it hard, shown with the truth."""


class Photo(Protocol):
    """What a question needs of a photo; ``photo`` reads it from a file."""

    @property
    def sha256(self) -> str:
        """Of the file."""

    def colour(self) -> NDArray[np.uint8]:
        """(height, width, 3) RGB, upright."""


def case_of(photo: Photo, truth: Mapping[str, Any], rng: np.random.Generator) -> Case:
    """Read one photo and the document beside it.

    Parameters
    ----------
    photo
        The photo as read.
    truth
        Its document: of a made photo, or an inspection (``schema`` toothcheck/inspection/1).
    rng
        Chooses which teeth are asked about.

    Raises
    ------
    NothingToAsk
        When the document is that of an inspection of another picture, or of one that measured too little or was not
        told the turning.
    ValueError
        When the document lacks what a question needs, holds something else, or tells of teeth outside the photo.
    """
    try:
        return _case(photo, truth, rng)
    except (ArithmeticError, AttributeError, LookupError, TypeError) as error:  # the file is anybody's
        raise ValueError(f"truth must be laid out as inspect or synthetic writes it, but {error}") from error


def _case(photo: Photo, truth: Mapping[str, Any], rng: np.random.Generator) -> Case:
    inspected = str(truth.get("schema", "")).startswith("toothcheck/inspection/")
    # a photo's name is shared by the picture that inspect drew of it, and may be another photo's by mistake
    if inspected and truth.get("photo", {}).get("sha256") not in (None, photo.sha256):
        raise NothingToAsk("its JSON is of another picture")
    facts = _of_inspection(truth) if inspected else _of_made(truth)
    tips = np.array([tooth.tip for tooth in facts.teeth])
    hurt = [i for i, tooth in enumerate(facts.teeth) if tooth.damage]
    whole = [i for i, tooth in enumerate(facts.teeth) if not tooth.damage]
    if len(tips) < _LEAST_ASKED or not whole:
        raise ValueError("truth must name at least three visible teeth with their tip_px, and one of them whole")
    centre = np.array(facts.centre if facts.centre else _centre(tips))
    reach = float(np.median(np.hypot(*(tips - centre).T)))
    pitch_px = 2 * reach * math.sin(math.pi / facts.count)
    picture = cropped_jpeg(photo.colour(), centre, reach + 1.3 * pitch_px)
    # a damaged tooth is always asked about, and a whole one, too: it is the one to mark the flank on
    chosen = sorted([*(whole[i] for i in _spread(len(whole), rng)), *hurt])
    asked, damaged = [], []
    for number, i in enumerate(chosen, 1):
        tooth = facts.teeth[i]
        if tooth.damage:
            damaged.append(f"tooth {tooth.index} {tooth.damage} (number {number} in the picture)")
        x, y = (np.array(tooth.tip) - picture.origin_px) * picture.scale
        asked.append(
            AskedTooth(
                index=tooth.index,
                x_px=round(float(x), 1),
                y_px=round(float(y), 1),
                asymmetry_percent=tooth.asymmetry,
                overhang_mm=tooth.overhang,
                damaged=bool(tooth.damage),
                worn=_is_worn(tooth) if facts.comparable else None,
            )
        )
    x, y = (centre - picture.origin_px) * picture.scale
    return Case(
        key=photo.sha256[:12],
        jpeg=picture.jpeg,
        width_px=picture.width_px,
        height_px=picture.height_px,
        made=facts.made,
        chain=facts.chain,
        teeth=facts.count,
        position=facts.position,
        turning=facts.drive_side if facts.position == "front" else _other(facts.drive_side),
        drive_side=facts.drive_side,
        centre_px=(round(float(x), 1), round(float(y), 1)),
        pitch_px=round(pitch_px * picture.scale, 1),
        asked=tuple(asked),
        grade=facts.grade,
        true_grade=facts.true_grade,
        asymmetry_percent=facts.asymmetry,
        overhang_mm=facts.overhang,
        difficulty=facts.difficulty,
        notes=(*facts.notes, *([f"Damaged: {', '.join(damaged)}."] if damaged else [])),
    )


def graded_set(cases: Sequence[Case], count: int, level: int, rng: np.random.Generator) -> tuple[Case, ...]:
    """Choose cases for a level and put the plain ones first.

    Parameters
    ----------
    cases
        What there is to choose from.
    count
        How many are wanted; fewer come when there are fewer.
    level
        1: plain cases, and no photo that supports no grade; 2: anything; 3: the hard ones.
    rng
        Breaks ties.
    """
    if level not in (1, 2, 3):
        raise ValueError(f"level must be 1, 2 or 3, not {level}")
    if count < 1:
        raise ValueError(f"count must be at least 1, not {count}")
    order = [cases[i] for i in rng.permutation(len(cases)) if level > 1 or cases[i].grade in GRADES]
    if level == 1:
        order.sort(key=lambda case: case.difficulty)
    elif level == 3:
        order.sort(key=lambda case: -case.difficulty)
    # every grade that there is should come up: take the grades by turns
    piles: dict[str, list[Case]] = {}
    for case in order:
        piles.setdefault(case.grade, []).append(case)
    chosen: list[Case] = []
    while len(chosen) < min(count, len(order)):
        for pile in piles.values():
            if pile and len(chosen) < count:
                chosen.append(pile.pop(0))
    return tuple(sorted(chosen, key=lambda case: case.difficulty))


# --- reading the documents -----------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, kw_only=True)
class _Tooth:
    index: int
    tip: tuple[float, float]
    asymmetry: float | None
    std: float
    overhang: float | None
    damage: str
    """What has happened to it besides wear; empty where nothing has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Facts:
    made: bool
    chain: str
    count: int
    position: str
    drive_side: str
    centre: tuple[float, float] | None
    teeth: tuple[_Tooth, ...]
    grade: str
    true_grade: str
    asymmetry: float | None
    overhang: float | None
    difficulty: int
    notes: tuple[str, ...]
    comparable: bool
    """Whether comparing the flanks of a tooth in this photo can tell its wear."""


def _need(document: Mapping[str, Any], *names: str) -> list[Any]:
    missing = [name for name in names if document.get(name) is None]
    if missing:
        raise ValueError(f"truth must hold {', '.join(missing)}")
    return [document[name] for name in names]


def _of_made(m: Mapping[str, Any]) -> _Facts:
    chain, count, position, side, truths, tips = _need(
        m, "chain", "teeth", "position", "drive_flank_is", "teeth_truth", "tip_px"
    )
    damage = {int(index): str(what) for index, what in (m.get("damaged") or {}).items()}
    teeth = []
    # a broken tooth is none of the whole ones in "visible", yet it is the one to find
    seen = sorted({*(m.get("visible") or range(len(truths))), *damage})
    for i in seen:
        t = truths[i]
        asymmetry = None
        if t.get("drive_loss_pitch") is not None and t.get("coast_loss_pitch") is not None:
            half = t["pitch_thickness_ideal"] / 2
            coast = half - t["coast_loss_pitch"]
            asymmetry = 100 * (t["drive_loss_pitch"] - t["coast_loss_pitch"]) / (2 * coast)
        teeth.append(
            _Tooth(
                index=int(i),
                tip=(float(tips[i][0]), float(tips[i][1])),
                asymmetry=asymmetry,
                std=0.0,
                overhang=None if t.get("overhang") is None else float(t["overhang"]),
                damage=damage.get(i, ""),
            )
        )
    known = [t.asymmetry for t in teeth if t.asymmetry is not None]
    hooks = [t.overhang for t in teeth if t.overhang is not None]
    asymmetry = median(known) if known else None
    hook = median(hooks) if hooks else None
    true_grade = "replace-now" if damage or asymmetry is None else grade_of(asymmetry, hook or 0.0)
    true_grade = str(m.get("true_grade") or true_grade)
    if true_grade not in ALL_GRADES:
        raise ValueError(f"true_grade must be one of {', '.join(ALL_GRADES)}, not {true_grade!r}")
    tier = str(m.get("tier", ""))
    soft_mm = float(m.get("blur") or 0.0) * float(m.get("mm_per_px") or 0.0)
    unreadable = tier == "hostile" or soft_mm > SOFT_MM
    notes, difficulty = [], {"hand": 1, "bike": 1, "hostile": 2}.get(tier, 0)
    if unreadable:
        notes.append("The photo is too far away, too blurred, too steep or badly lit to support a grade.")
    if m.get("grime", 0) > 0.15:
        notes.append("Dirt lies on the part.")
        difficulty += 1
    if damage:
        difficulty += 1
    both = _both_flanks(truths[t.index] for t in teeth)
    if both:
        notes.append("Both flanks are worn alike, so comparing them says nothing: compare with a new part.")
        difficulty += 1
    difficulty += _near_limit(asymmetry, notes)
    return _Facts(
        made=True,
        chain=str(chain),
        count=int(count),
        position=str(position),
        drive_side=str(side),
        centre=tuple(m["centre_px"]) if m.get("centre_px") else None,
        teeth=tuple(teeth),
        grade="cannot-tell" if unreadable or both else true_grade,
        true_grade=true_grade,
        asymmetry=asymmetry,
        overhang=hook,
        difficulty=difficulty,
        notes=tuple(notes),
        comparable=not (unreadable or both),
    )


def _of_inspection(document: Mapping[str, Any]) -> _Facts:
    sprocket, rows, verdict = _need(document, "sprocket", "teeth", "verdict")
    names = ("chain", "teeth", "position", "drive_flank")
    shown = [row for row in rows if row.get("tip_px")]
    measured = sum(bool(row.get("measured")) for row in shown)
    told = document.get("wear") is not None and all(sprocket.get(name) is not None for name in names)
    if verdict.get("grade") == "cannot-tell" and (not told or measured < _LEAST_ASKED):
        raise NothingToAsk("its inspection was refused, and there is no answer to a question")
    if "drive_flank" in sprocket and sprocket["drive_flank"] is None:
        raise NothingToAsk("its turning was not told")
    (wear,) = _need(document, "wear")
    chain, count, position, side = _need(sprocket, *names)
    teeth = []
    for row in shown:
        broken = "broken" in row.get("flags", ())
        if not (row.get("measured") or broken):  # a broken tooth is never measured, yet it is the one to find
            continue
        asymmetry, overhang = row.get("asymmetry_percent"), row.get("overhang_mm")
        teeth.append(
            _Tooth(
                index=int(row["index"]),
                tip=(float(row["tip_px"][0]), float(row["tip_px"][1])),
                asymmetry=float(asymmetry["value"]) if asymmetry else None,
                std=float(asymmetry["std"]) if asymmetry else 0.0,
                overhang=float(overhang["value"]) if overhang else None,
                damage="broken" if broken else "",
            )
        )
    if len(teeth) < _LEAST_ASKED or measured == 0:
        raise NothingToAsk("too few of its teeth were measured")
    grade = str(verdict.get("grade"))
    if grade not in ALL_GRADES:
        raise ValueError(f"verdict.grade must be one of {', '.join(ALL_GRADES)}, not {grade!r}")
    medians = [(wear.get(name) or {}).get("value") for name in ("asymmetry_percent", "overhang_mm")]
    asymmetry, hook = (None if value is None else float(value) for value in medians)
    confidence = verdict.get("confidence") or 0.0
    notes = [f"Measured from this photo, not known: the grade has a confidence of {100 * confidence:.0f} %."]
    difficulty = int(confidence < 0.8) + any(tooth.damage for tooth in teeth) + _near_limit(asymmetry, notes)
    return _Facts(
        made=False,
        chain=str(chain),
        count=int(count),
        position=str(position),
        drive_side=str(side),
        centre=None,
        teeth=tuple(teeth),
        grade=grade,
        true_grade=grade,
        asymmetry=asymmetry,
        overhang=hook,
        difficulty=difficulty,
        notes=tuple(notes),
        comparable=grade != "cannot-tell",
    )


def _both_flanks(truths: Iterable[Mapping[str, Any]]) -> bool:
    """Whether the coast flank has lost enough, beside the drive flank, that the two no longer tell wear apart."""
    pairs = [(t.get("drive_loss_pitch") or 0.0, t.get("coast_loss_pitch") or 0.0) for t in truths]
    drive, coast = median([d for d, _ in pairs]), median([c for _, c in pairs])
    return coast > BOTH_FLANKS_MM and coast > 0.5 * drive


def _near_limit(asymmetry: float | None, notes: list[str]) -> int:
    if asymmetry is None:
        return 0
    limit = min(ASYMMETRY_LIMITS_PERCENT, key=lambda value: abs(value - asymmetry))
    if abs(asymmetry - limit) >= 2:
        return 0
    notes.append(f"Close to a limit: {asymmetry:.1f} % beside {limit:.0f} %.")
    return 1


def _is_worn(tooth: _Tooth) -> bool | None:
    if tooth.damage:
        return True
    if tooth.asymmetry is None:
        return None
    if (tooth.overhang or 0.0) >= OVERHANG_LIMIT_MM:
        return True
    if abs(tooth.asymmetry - WORN_FROM_PERCENT) < max(DOUBT_PERCENT, 2 * tooth.std):
        return None
    return tooth.asymmetry > WORN_FROM_PERCENT


def _other(side: str) -> str:
    return "counterclockwise" if side == "clockwise" else "clockwise"


def _spread(count: int, rng: np.random.Generator) -> list[int]:
    """Up to `MOST_ASKED` of ``count`` teeth, one by lot from each stretch of the wheel.

    Not every n-th: on a wheel where every second tooth is worn that would show one kind only.
    """
    wanted = min(MOST_ASKED, count)
    ends = [round(i * count / wanted) for i in range(wanted + 1)]
    return [int(rng.integers(low, high)) for low, high in pairwise(ends)]


def _centre(tips: np.ndarray[Any, Any]) -> tuple[float, float]:
    """Centre of the circle through the tips, least squares on x² + y² + ax + by + c = 0 (Kåsa)."""
    shift = tips.mean(axis=0)
    xy = tips - shift
    a, b, _ = np.linalg.lstsq(np.column_stack([xy, np.ones(len(xy))]), -(xy**2).sum(axis=1), rcond=None)[0]
    return float(shift[0] - a / 2), float(shift[1] - b / 2)
