"""The JSON document of measures.md, section 6."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from toothcheck.estimate import Estimate
from toothcheck.flags import TURNING_GUESSED
from toothcheck.geometry import Floats
from toothcheck.marks import INSPECTION_SCHEMA
from toothcheck.patterns import told
from toothcheck.tracing.fit import UNKNOWNS
from toothcheck.tracing.rims import Wheel

if TYPE_CHECKING:
    from toothcheck.inspection.result import Inspection
    from toothcheck.tracing.trace import Traced


def _json(e: Estimate | None) -> dict[str, float] | None:
    return None if e is None else e.as_json()


def document(i: Inspection) -> dict[str, Any]:
    """Everything that was found out, as plain lists and numbers; unknown is None."""
    claim, wear, traced = i.claim, i.wear, i.traced
    drive = claim.drive_clockwise if wear is None else wear.drive_clockwise
    if TURNING_GUESSED & set(i.flags):
        drive = None
    wheel = None if traced is None else traced.wheel
    teeth = []
    if wear is not None and wheel is not None:
        tips = i.photo.as_loaded(tip_pixels(wheel, None if traced is None else traced.ring.tip_radius_mm))
        for tooth in wear.teeth:
            x, y = tips[tooth.index]
            teeth.append(
                {
                    "index": tooth.index,
                    "measured": tooth.measured,
                    "flags": list(tooth.flags),
                    "tip_px": [round(float(x), 1), round(float(y), 1)],
                    "drive_loss_mm": _json(tooth.drive_loss_mm),
                    "coast_loss_mm": _json(tooth.coast_loss_mm),
                    "thickness_mm": _json(tooth.thickness_mm),
                    "asymmetry_percent": _json(tooth.asymmetry_percent),
                    "tip_thickness_mm": _json(tooth.tip_thickness_mm),
                    "tip_thinning_percent": _json(tooth.tip_thinning_percent),
                    "overhang_mm": _json(tooth.overhang_mm),
                    "hollow_mm": _json(tooth.hollow_mm),
                    "greatest_loss_mm": _json(tooth.greatest_loss_mm),
                }
            )
    return {
        "schema": INSPECTION_SCHEMA,
        "photo": {
            "name": i.photo.name,
            "sha256": i.photo.sha256,
            "width_px": i.photo.loaded_px[0],
            "height_px": i.photo.loaded_px[1],
        },
        "sprocket": {
            "chain": None if claim.chain is None or "chain-open" in i.flags else claim.chain.name,
            "pitch_mm": None if claim.chain is None else claim.chain.pitch_mm,
            "roller_diameter_mm": None if claim.chain is None else claim.chain.roller_diameter_mm,
            "teeth": claim.teeth,
            "position": claim.position,
            "drive_flank": None if drive is None else ("clockwise" if drive else "counterclockwise"),
            "gap_form": None if wear is None else _json(wear.datum.gap_form),
        },
        "scale": {
            "source": _scale_source(i),
            "card": None if i.card is None else i.card.layout.name,
            "markers": 0 if i.card is None else len(i.card.ids),
            "px_per_mm": None if wheel is None else round(wheel.plane.px_per_mm / float(i.photo.per_loaded.mean()), 3),
            "tilt_deg": None if wheel is None else round(wheel.plane.tilt_deg, 2),
            "card_to_pitch_percent": _json(i.card_to_pitch_percent),
            "plane": None if traced is None else _plane(traced),
        },
        "teeth": teeth,
        "wear": None
        if wear is None
        else {
            "measured_teeth": sum(t.measured for t in wear.teeth),
            "asymmetry_percent": _json(wear.asymmetry_percent),
            "worst_tooth": wear.worst_tooth,
            "tip_thinning_percent": _json(wear.tip_thinning_percent),
            "overhang_mm": _json(wear.overhang_mm),
            "pattern": told(i.patterns),
        },
        "verdict": {
            "grade": i.verdict.grade,
            "confidence": i.verdict.confidence,
            "renew_anyway": i.verdict.renew_anyway,
            "reasons": list(i.verdict.reasons),
            "next_steps": list(i.verdict.next_steps),
            "cautions": list(i.verdict.cautions),
        },
        "found": i.found.as_json(),
        "flags": list(i.flags),
    }


def _scale_source(i: Inspection) -> str | None:
    """Where the scale came from; None where there was neither a card nor a sprocket placed by its pitch."""
    if i.card is not None:
        return "card"
    return "pitch" if "pitch-guess" in i.flags else None


def _plane(traced: Traced) -> dict[str, Any]:
    """What was solved for of the sprocket's own plane, against where card and claims have it, and how well."""

    def of(name: str, unit: float = 1.0) -> Estimate:
        k = UNKNOWNS.index(name)
        return Estimate(
            value=unit * float(traced.fit.unknowns[k]), std=unit * math.sqrt(float(traced.fit.covariance[k, k]))
        )

    thickness = Estimate(value=traced.wheel.thickness_mm, std=of("thickness").std)
    return {
        "tilt_x_deg": _json(of("tilt_x", math.degrees(1))),
        "tilt_y_deg": _json(of("tilt_y", math.degrees(1))),
        "height_mm": _json(of("height")),
        "thickness_mm": _json(thickness),
    }


def tip_pixels(wheel: Wheel, tip_radius_mm: float | None = None) -> Floats:
    """(z, 2) where the tips stand in the photo, at mid-thickness; on the form's tip circle where theirs is not told."""
    radius = wheel.form.tip_radius_mm if tip_radius_mm is None else tip_radius_mm
    angle = wheel.phase + (np.arange(wheel.form.teeth) + 0.5) * wheel.form.pitch_angle
    points = radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return wheel.plane.project(points, -wheel.thickness_mm / 2)
