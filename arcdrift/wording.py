"""How counts, probabilities and spans of time are written for people."""

import pandas as pd


def probability_text(probability: float) -> str:
    """Write a probability in whole percent; near 0 and 1 as a bound, so never as certainty."""
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def count_text(count: int, noun: str) -> str:
    """Write a count with its noun in singular or plural, such as "1,200 splices"."""
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def span_text(span: pd.Timedelta, *, minutes_below: float = 60.0) -> str:
    """Write a span of time in one unit: minutes, hours, or from 48 hours on days.

    Parameters
    ----------
    span : Timedelta
    minutes_below : float
        Length in minutes below which the span is written in minutes.
    """
    minutes = span.total_seconds() / 60
    if minutes < minutes_below:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < 48 * 60 else f"{minutes / 1440:.0f} days"
