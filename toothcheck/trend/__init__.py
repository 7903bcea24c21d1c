"""The trend of wear over distance: rate, forecast, jumps, and what falls due in a fleet."""

from toothcheck.trend.model import BANDS, PRIOR_SOURCE, Crossing, Jump, Point, Trend, fit

__all__ = ["BANDS", "PRIOR_SOURCE", "Crossing", "Jump", "Point", "Trend", "fit"]
