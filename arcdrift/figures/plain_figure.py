"""Figures as plain dictionaries: what a browser gets, without Plotly's checks of every property.

They take a tenth of the time. Names of splicers, programs and people come from files and may hold
anything: `label` makes them harmless and legible in labels and hovers, which read some HTML.
"""

from functools import lru_cache
from html import escape
from typing import Any
from unicodedata import bidirectional

import pandas as pd

from arcdrift.figures.theme import Scheme, template

LONGEST_LABEL = 32
"""Characters of a name in a chart; longer ones are cut."""
ISOLATE, END_ISOLATE = "\u2068", "\u2069"
"""Marks around a name that is written from right to left, so that it does not turn what follows."""
TURNING = ("R", "AL", "RLE", "RLO", "RLI", "LRE", "LRO", "LRI", "FSI", "PDF", "PDI")
"""Kinds of characters, by the Unicode standard, that decide in which direction text runs."""
HOVER_DAY = "%{x|%-d %b %Y}"
BEHIND: dict[Scheme, str] = {"light": "rgba(255,255,255,0.75)", "dark": "rgba(27,33,39,0.75)"}
"""Background of words that stand over marks."""
Plain = dict[str, Any]


def label(name: object, longest: int = LONGEST_LABEL) -> str:
    """Return a name for a chart: its characters as they are, none of them an order to draw."""
    text = " ".join(str(name).split())
    kinds = {bidirectional(character) for character in text}
    # characters that only turn the text are left out, letters stay
    text = "".join(letter for letter in text if bidirectional(letter) not in TURNING[2:])
    if len(text) > longest:
        text = text[: longest - 1] + "…"
    harmless = escape(text, quote=False)
    return f"{ISOLATE}{harmless}{END_ISOLATE}" if kinds & set(TURNING) else harmless


@lru_cache
def _template(scheme: Scheme) -> Plain:
    found: Plain = template(scheme).to_plotly_json()
    return found


def plain_figure(scheme: Scheme, *, y_title: str, height: int, over_time: bool = True) -> Plain:
    """Return an empty figure in the house style: ``data`` and ``layout``, without a legend."""
    return {
        "data": [],
        "layout": {
            "template": _template(scheme),
            "height": height,
            "dragmode": False,
            "showlegend": False,
            "shapes": [],
            "annotations": [],
            "yaxis": {"title": {"text": y_title}, "fixedrange": True},
            "xaxis": {
                "fixedrange": True,
                "type": "date" if over_time else "linear",
                **({"tickformat": "%-d %b\n%Y"} if over_time else {}),
            },
        },
    }


def line(
    x: Any, y: Any, color: str, *, width: float = 2.0, dash: str = "solid", **more: Any
) -> Plain:
    """Return a line; `x` and `y` are any sequences, missing values break it."""
    style = {"color": color, "width": width, "dash": dash}
    return {
        "type": "scatter",
        "mode": "lines",
        "x": _days(x),
        "y": _numbers(y),
        "line": style,
    } | more


def dots(
    x: Any, y: Any, color: str, *, size: Any = 7, symbol: Any = "circle", **more: Any
) -> Plain:
    """Return marks."""
    style = {"color": color, "size": size, "symbol": symbol}
    return {
        "type": "scatter", "mode": "markers", "x": _days(x), "y": _numbers(y), "marker": style,
    } | more  # fmt: skip


def band(x: Any, low: Any, high: Any, color: str) -> list[Plain]:
    """Return the area between two lines."""
    edge = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip", "type": "scatter"}
    return [
        {"x": _days(x), "y": _numbers(low), **edge},
        {"x": _days(x), "y": _numbers(high), "fill": "tonexty", "fillcolor": color, **edge},
    ]


def level_line(
    y: float, text: str, color: str, scheme: Scheme, *, dash: str = "dash"
) -> tuple[Plain, Plain]:
    """Return a line over the whole width and the label that stands on it at the right end."""
    shape = {
        "type": "line", "xref": "paper", "x0": 0, "x1": 1, "y0": y, "y1": y, "layer": "below",
        "line": {"color": color, "width": 1.5, "dash": dash},
    }  # fmt: skip
    words = note(1, y, text, color, xref="paper", xanchor="right", yanchor="bottom")
    return shape, words | {"bgcolor": BEHIND[scheme]}


def note(x: Any, y: Any, text: str, color: str, **more: Any) -> Plain:
    """Return words at a place of the plot; `text` must be harmless (`label`)."""
    return {
        "x": x, "y": y, "text": text, "showarrow": False, "font": {"color": color, "size": 12},
        "borderpad": 1,
    } | more  # fmt: skip


def shade(first: Any, last: Any, color: str) -> Plain:
    """Return a shaded span of days over the whole height."""
    return {
        "type": "rect", "x0": _day(first), "x1": _day(last), "yref": "paper", "y0": 0, "y1": 1,
        "fillcolor": color, "line": {"width": 0}, "layer": "below",
    }  # fmt: skip


def _day(value: Any) -> Any:
    return pd.Timestamp(value).isoformat()


def _days(values: Any) -> list[Any]:
    series = pd.Series(values)
    if pd.api.types.is_datetime64_any_dtype(series):
        return series.dt.strftime("%Y-%m-%dT%H:%M:%S").tolist()
    return series.tolist()


def _numbers(values: Any) -> list[Any]:
    series = pd.Series(values)
    if pd.api.types.is_numeric_dtype(series):
        rounded = series.astype(float).round(6).astype(object)
        return rounded.where(rounded.notna(), None).tolist()
    return series.tolist()
