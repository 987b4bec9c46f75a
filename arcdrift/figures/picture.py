"""A figure with a sentence that describes it and the table of its numbers."""

from dataclasses import dataclass
from typing import Any

import pandas as pd
import plotly.graph_objects as go


@dataclass(frozen=True)
class Picture:
    """A figure, its description and its table; the result of every figure function.

    Attributes
    ----------
    figure : plotly.graph_objects.Figure, dict or None
        A dict is one of `arcdrift.figures.plain_figure`. None when there is nothing to draw;
        `summary` then says why.
    summary : str
        The picture in words: alternative text, and the line shown under the chart.
    table : pandas.DataFrame
        The numbers drawn, with units in the column names, for the CSV download.
    title : str
        What is seen in it, computed from the numbers; empty where the page names it.
    """

    figure: go.Figure | dict[str, Any] | None
    summary: str
    table: pd.DataFrame
    title: str = ""


def nothing(summary: str, table: pd.DataFrame) -> Picture:
    """Return a picture without a figure, whose sentence says why there is nothing to draw."""
    return Picture(None, summary, table.iloc[0:0])
