"""Hand-made photos with truth, for pages: a flat drawing of a wheel, no camera, no light."""

import hashlib
import io
import math

import numpy as np
from PIL import Image, ImageDraw

from toothcheck.lessons import case_of
from toothcheck.lessons.model import Wear, reading, tooth_table, worn
from toothcheck.photo import decode
from toothcheck.toothform import IsoForm


def asked(photo, truth, rng):
    """A question about the bytes of a photo."""
    return case_of(decode(photo, "made.png"), truth, rng)


def drawn_photo(
    *, loss, position="front", side="clockwise", teeth=15, worn_teeth=None, damaged=(), size=900, grade=None
):
    """PNG bytes and a truth document with the fields that made photos have."""
    form = IsoForm(pitch_mm=15.875, roller_diameter_mm=10.16, teeth=teeth)
    table = tooth_table(form)
    scale = size / 2 / (form.tip_radius_mm * 1.25)
    mirror = 1 if side == "clockwise" else -1
    outline, tips, truths = [], [], []
    for i in range(teeth):
        is_worn = worn_teeth is None or i in worn_teeth
        tooth = worn(table, Wear(flank_loss_mm=loss if is_worn else 0.0))
        r = reading(tooth)
        angle = math.pi / 2 + 2 * math.pi * i / teeth  # counterclockwise from straight up
        c, s = math.cos(angle - math.pi / 2), math.sin(angle - math.pi / 2)
        xy = tooth.outline_mm() * [mirror, 1]
        if mirror > 0:
            xy = xy[::-1]  # drawn counterclockwise
        turned = np.stack([c * xy[:, 0] - s * xy[:, 1], s * xy[:, 0] + c * xy[:, 1]], axis=1)
        outline.append(turned if i not in damaged else turned[[0, -1]])
        tips.append(form.tip_radius_mm * np.array([math.cos(angle), math.sin(angle)]))
        half = float(table.half_mm[table.at_pitch])
        truths.append(
            {
                "pitch_thickness_ideal": 2 * half,
                "drive_loss_pitch": r.drive_loss_mm,
                "coast_loss_pitch": r.coast_loss_mm,
                "overhang": r.overhang_mm,
            }
        )
    centre = np.array([size / 2, size / 2])

    def px(xy):
        return centre + np.asarray(xy) * [scale, -scale]

    image = Image.new("RGB", (size, size), "#d8d2c4")
    ImageDraw.Draw(image).polygon([tuple(p) for p in px(np.concatenate(outline))], fill="#5b6469")
    out = io.BytesIO()
    image.save(out, "PNG")
    truth = {
        "tier": "bench",
        "chain": "520",
        "teeth": teeth,
        "position": position,
        "drive_flank_is": side,
        "visible": [i for i in range(teeth) if i not in damaged],
        "tip_px": px(tips).tolist(),
        "centre_px": centre.tolist(),
        "teeth_truth": truths,
        "damaged": {str(i): "broken" for i in damaged},
    }
    if grade:
        truth["true_grade"] = grade
    return out.getvalue(), truth


def document(
    *,
    teeth=15,
    measured=12,
    asymmetry=16.2,
    std=0.9,
    overhang=0.11,
    grade="replace-set",
    confidence=0.93,
    broken=(),
    photo=b"",
):
    """An inspection document as section 6 of the measures describes it, from plain numbers, of the photo's bytes."""

    def value(v, s):
        return {"value": round(v, 4), "std": s}

    rows = []
    for i in range(teeth):
        if i >= measured:
            rows.append({"index": i, "measured": False, "flags": ["covered"], "tip_px": None})
            continue
        angle = 2 * math.pi * i / teeth
        tip = [450 + 300 * math.cos(angle), 450 - 300 * math.sin(angle)]
        if i in broken:
            rows.append({"index": i, "measured": False, "flags": ["broken"], "tip_px": tip, "asymmetry_percent": None})
            continue
        percent = asymmetry + 0.2 * ((7 * i) % 5 - 2)
        loss = 0.0439 * percent
        rows.append(
            {
                "index": i,
                "measured": True,
                "flags": ["stands-aside"] if i == 3 else [],
                "tip_px": tip,
                "drive_loss_mm": value(loss, 0.04),
                "coast_loss_mm": value(0.02, 0.03),
                "thickness_mm": value(4.39 - loss, 0.05),
                "asymmetry_percent": value(percent, std),
                "tip_thickness_mm": value(1.9, 0.08),
                "tip_thinning_percent": value(9.0, 4.0),
                "overhang_mm": value(overhang, 0.03),
                "hollow_mm": None,
                "greatest_loss_mm": value(1.2 * loss, 0.05),
            }
        )
    return {
        "schema": "toothcheck/inspection/1",
        "photo": {
            "name": "harbour-07.jpg", "sha256": hashlib.sha256(photo).hexdigest(), "width_px": 900, "height_px": 900,
        },
        "sprocket": {
            "chain": "520", "pitch_mm": 15.875, "roller_diameter_mm": 10.16, "teeth": teeth, "position": "front",
            "drive_flank": "clockwise", "gap_form": value(0.46, 0.08),
        },
        "scale": {
            "source": "card", "card": "pocket", "markers": 6, "px_per_mm": 18.4, "tilt_deg": 12.0,
            "card_to_pitch_percent": value(0.3, 0.2),
        },
        "teeth": rows,
        "wear": {
            "measured_teeth": measured, "asymmetry_percent": value(asymmetry, std / 2), "worst_tooth": 2,
            "tip_thinning_percent": value(9.0, 3.0), "overhang_mm": value(overhang, 0.02), "pattern": "even",
        },
        "verdict": {
            "grade": grade, "confidence": confidence, "reasons": ["Median asymmetry 16.2 % lies between 10 and 25 %."],
            "next_steps": ["Renew the set."], "cautions": ["The other face was not seen."],
        },
        "flags": ["oblique"],
    }  # fmt: skip
