"""The trend of wear over distance: rate, forecast, jumps, and what falls due in a fleet."""

from toothcheck.trend.fleet import PartTrend, due, part_trend, parts_of, unread_since
from toothcheck.trend.model import BANDS, PRIOR_SOURCE, Crossing, Jump, Point, Trend, fit

__all__ = [
    "BANDS",
    "PRIOR_SOURCE",
    "Crossing",
    "Jump",
    "PartTrend",
    "Point",
    "Trend",
    "due",
    "fit",
    "part_trend",
    "parts_of",
    "unread_since",
]
