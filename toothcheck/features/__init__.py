"""What a photo shows of a sprocket as a part: teeth, pitch, circles, bore, fixing holes."""

from __future__ import annotations

from toothcheck.features.circles import Seen, find_circles
from toothcheck.features.part import part_from_photo

__all__ = ["Seen", "find_circles", "part_from_photo"]
