"""A picture: a figure, the same thing in one sentence, and the table behind it."""

from dataclasses import dataclass

import pandas as pd
import plotly.graph_objects as go


@dataclass(frozen=True)
class Picture:
    """What every figure builder returns.

    Attributes
    ----------
    figure : plotly.graph_objects.Figure or None
        None when there is nothing to draw; `summary` then says why.
    summary : str
        The picture in words: alternative text, and the line shown under the chart.
    table : pandas.DataFrame
        The numbers drawn, with units in the column names, for the CSV download.
    """

    figure: go.Figure | None
    summary: str
    table: pd.DataFrame


def nothing(summary: str, table: pd.DataFrame) -> Picture:
    """Return a picture that says in words why there is nothing to draw."""
    return Picture(None, summary, table.iloc[0:0])
