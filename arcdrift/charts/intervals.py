"""Confidence level of all reported intervals, and the normal quantile that belongs to it."""

CONFIDENCE_LEVEL = 0.95
Z95 = 1.959964
"""Half width of a normal 95 % interval in standard deviations: the 0.975 quantile."""
