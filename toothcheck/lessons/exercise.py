"""The exercise as one page: questions in the open, answers out of sight until they are given."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence

from toothcheck import __version__
from toothcheck.lessons.cases import WORN_FROM_PERCENT, Case
from toothcheck.lessons.scale import ALL_GRADES, ASYMMETRY_LIMITS_PERCENT, MEANING, OVERHANG_LIMIT_MM
from toothcheck.pages import data_uri, json_for_page, render

RESULT_SCHEMA = "toothcheck/exercise-result/1"


def exercise_page(cases: Sequence[Case], *, title: str) -> str:
    """The exercise as self-contained HTML.

    The truth is in the page, only made unreadable at a glance: this is practice, not an examination.

    Raises
    ------
    ValueError
        When there is no case.
    """
    if not cases:
        raise ValueError("cases must hold at least one photo with its truth")
    data = {
        "id": exercise_id(cases),
        "title": title,
        "tool": __version__,
        "schema": RESULT_SCHEMA,
        "grades": list(ALL_GRADES),
        "meaning": MEANING,
        "questions": [_question(case) for case in cases],
        "sealed": _sealed([_answer(case) for case in cases]),
    }
    return render(
        "toothcheck.lessons",
        "exercise.html.j2",
        {
            "version": __version__,
            "title": title,
            "count": len(cases),
            "grades": [(name, MEANING[name]) for name in ALL_GRADES],
            "limits": ASYMMETRY_LIMITS_PERCENT,
            "overhang_limit_mm": OVERHANG_LIMIT_MM,
            "worn_from": WORN_FROM_PERCENT,
            "data": json_for_page(data),
        },
    )


def exercise_id(cases: Sequence[Case]) -> str:
    """The same photos in the same order have the same name, so that repeats can be told."""
    return hashlib.sha256("".join(case.key for case in cases).encode()).hexdigest()[:12]


def _question(case: Case) -> dict[str, object]:
    whole = next(i for i, tooth in enumerate(case.asked) if not tooth.damaged)  # a broken tooth has no flank to mark
    return {
        "key": case.key,
        "picture": data_uri(case.jpeg, "image/jpeg"),
        "width": case.width_px,
        "height": case.height_px,
        "made": case.made,
        "chain": case.chain,
        "teeth": case.teeth,
        "position": case.position,
        "turning": case.turning,
        "centre": case.centre_px,
        "pitch": case.pitch_px,
        "asked": [{"index": t.index, "x": t.x_px, "y": t.y_px} for t in case.asked],
        "upright": whole,
    }


def _answer(case: Case) -> dict[str, object]:
    def rounded(value: float | None, places: int) -> float | None:
        return None if value is None else round(value, places)

    return {
        "drive": case.drive_side,
        "grade": case.grade,
        "true_grade": case.true_grade,
        "asymmetry": rounded(case.asymmetry_percent, 1),
        "overhang": rounded(case.overhang_mm, 2),
        "notes": case.notes,
        "teeth": [
            {
                "index": t.index,
                "worn": t.worn,
                "damaged": t.damaged,
                "asymmetry": rounded(t.asymmetry_percent, 1),
                "overhang": rounded(t.overhang_mm, 2),
            }
            for t in case.asked
        ],
    }


def _sealed(value: object) -> str:
    """Base64, back to front: nobody reads it by accident in the page's source."""
    return base64.b64encode(json.dumps(value).encode()).decode("ascii")[::-1]
