"""Colors and Plotly templates, light and dark.

The series colors are the Okabe-Ito set (Okabe and Ito 2008, "Color Universal Design"), which
stays apart for the common kinds of color blindness. No meaning hangs on color alone: every
series also has its own symbol, dash or word.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import plotly.graph_objects as go

Scheme = Literal["light", "dark"]

ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"


@dataclass(frozen=True)
class Colors:
    """Colors of one scheme; `rise` and `fall` stay readable on its background."""

    ink: str
    muted: str
    grid: str
    surface: str
    main: str
    expected: str
    band: str
    limit: str
    rise: str
    fall: str
    shade: str
    onset: str


_COLORS: dict[Scheme, Colors] = {
    "light": Colors(
        ink="#1f2933",
        muted="#5b6770",
        grid="#e3e8ec",
        surface="#ffffff",
        main=BLUE,
        expected="#3f4a54",
        band="rgba(86,180,233,0.22)",
        limit="#8a3b00",
        rise=VERMILLION,
        fall=GREEN,
        shade="rgba(110,120,130,0.10)",
        onset="rgba(230,159,0,0.25)",
    ),
    "dark": Colors(
        ink="#e6eaee",
        muted="#a3afb9",
        grid="#36404a",
        surface="#1b2127",
        main=SKY,
        expected="#c9d2da",
        band="rgba(86,180,233,0.20)",
        limit=ORANGE,
        rise="#ff8a3d",
        fall="#2fc79b",
        shade="rgba(200,210,220,0.09)",
        onset="rgba(230,159,0,0.20)",
    ),
}

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Liberation Sans', sans-serif"


def colors(scheme: Scheme) -> Colors:
    """Return the colors of a scheme."""
    return _COLORS[scheme]


@lru_cache
def template(scheme: Scheme) -> go.layout.Template:
    """Return the template of a scheme: clear background, horizontal grid, legend on top."""
    c = colors(scheme)
    axis = {
        "gridcolor": c.grid,
        "linecolor": c.muted,
        "tickcolor": c.muted,
        "zerolinecolor": c.muted,
        "zeroline": False,
        "automargin": True,
        "title": {"font": {"size": 13}, "standoff": 8},
    }
    return go.layout.Template(
        layout={
            "font": {"family": FONT, "size": 13, "color": c.ink},
            "paper_bgcolor": "rgba(0,0,0,0)",
            "plot_bgcolor": "rgba(0,0,0,0)",
            "colorway": [c.main, ORANGE, GREEN, PURPLE, VERMILLION, YELLOW],
            "xaxis": axis | {"showgrid": False, "showline": True, "ticks": "outside"},
            "yaxis": axis,
            "legend": {
                "orientation": "h",
                "x": 0,
                "xanchor": "left",
                "y": 1.02,
                "yanchor": "bottom",
                "font": {"size": 12},
                "bgcolor": "rgba(0,0,0,0)",
                "itemsizing": "constant",
            },
            "margin": {"l": 12, "r": 12, "t": 12, "b": 8},
            "hovermode": "closest",
            "hoverlabel": {"bgcolor": c.surface, "font": {"color": c.ink, "size": 12}},
        }
    )


def new_figure(
    scheme: Scheme, *, y_title: str, height: int = 340, over_time: bool = True
) -> go.Figure:
    """Return an empty figure in the house style with a titled value axis."""
    days = {"type": "date", "tickformat": "%-d %b\n%Y"} if over_time else {"type": "linear"}
    return go.Figure(
        layout={
            "template": template(scheme),
            "height": height,
            "dragmode": False,
            "yaxis": {"title": {"text": y_title}, "fixedrange": True},
            # stated, because Plotly would guess it from the first trace, which may be empty
            "xaxis": {"fixedrange": True, **days},
        }
    )
