"""A photo of a straight run of chain beside the card: pin ends found, measured at sub-pixel, and handed on as a row."""

from __future__ import annotations

from toothcheck.chainphoto.measure import ChainSighting, measure_run

__all__ = ["ChainSighting", "measure_run"]
