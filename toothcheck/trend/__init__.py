"""The trend of wear over distance: rate, forecast, jumps, and what falls due in a fleet."""

from toothcheck.trend.fleet import (
    STALE_DAYS,
    UP_TO_DATE,
    PartTrend,
    dated,
    due,
    part_trend,
    parts_of,
    passed,
    unread_since,
)
from toothcheck.trend.model import fit
from toothcheck.trend.practice import PRIOR_SOURCE
from toothcheck.trend.result import BANDS, Crossing, Jump, Point, Trend

__all__ = [
    "BANDS",
    "PRIOR_SOURCE",
    "STALE_DAYS",
    "UP_TO_DATE",
    "Crossing",
    "Jump",
    "PartTrend",
    "Point",
    "Trend",
    "dated",
    "due",
    "fit",
    "part_trend",
    "parts_of",
    "passed",
    "unread_since",
]
