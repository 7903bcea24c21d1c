"""The photo with its pins marked."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from toothcheck.chainphoto.measure import ChainSighting
from toothcheck.stretch import Run

_MARK, _UNEVEN, _LINE = (0, 158, 115), (213, 94, 0), (0, 114, 178)  # told apart by colour-blind eyes, and by shape


def marked(colour: NDArray[np.uint8], seen: ChainSighting, run: Run) -> bytes:
    """PNG of the photo: a cross on each pin (a ring where its neighbours told its place), links with their elongation.

    Parameters
    ----------
    colour
        (height, width, 3) RGB.
    """
    image = np.ascontiguousarray(colour[..., ::-1])
    unit = max(1, round(max(image.shape) / 1600))
    px = np.round(seen.pins_px).astype(int)
    for link in run.links:
        a, b = px[link.index], px[link.index + 1]
        shade = _UNEVEN if link.uneven else _LINE
        cv2.line(
            image, tuple(map(int, a)), tuple(map(int, b)), shade[::-1], (3 if link.uneven else 1) * unit, cv2.LINE_AA
        )
        middle = (a + b) // 2
        text = f"{link.elongation_percent:+.1f}" + ("!" if link.uneven else "")
        at = (int(middle[0]) - 18 * unit, int(middle[1]) + 34 * unit)
        cv2.putText(image, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.42 * unit, (255, 255, 255), 3 * unit, cv2.LINE_AA)
        cv2.putText(image, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.42 * unit, shade[::-1], unit, cv2.LINE_AA)
    for (x, y), measured in zip(px.tolist(), seen.seen, strict=True):
        if measured:
            cv2.drawMarker(image, (x, y), _MARK[::-1], cv2.MARKER_CROSS, 14 * unit, 2 * unit, cv2.LINE_AA)
        else:
            cv2.circle(image, (x, y), 7 * unit, _MARK[::-1], unit, cv2.LINE_AA)
    encoded, data = cv2.imencode(".png", image)
    if not encoded:
        raise ValueError("colour must be a picture that can be written as PNG")
    return bytes(data)
