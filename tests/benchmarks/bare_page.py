"""A Dash page with one chart and nothing else: ``python -m tests.benchmarks.bare_page PORT``.

What it takes is the least that any Dash page with a chart takes on the same machine.
"""

import sys
from typing import Any

import plotly.graph_objects as go
import waitress
from dash import Dash, Input, Output, dcc, html


def bare_app() -> Dash:
    """Return an app whose one callback draws one chart below a title."""
    app = Dash(__name__, title="bare")
    app.layout = html.Div([dcc.Location(id="url"), html.Div(id="page")])

    @app.callback(Output("page", "children"), Input("url", "pathname"))
    def show(_path: str) -> Any:
        figure = go.Figure(go.Scatter(x=list(range(60)), y=[x % 7 for x in range(60)]))
        return [html.H1("One chart"), dcc.Graph(figure=figure, style={"height": "360px"})]

    return app


if __name__ == "__main__":
    waitress.serve(bare_app().server, host="127.0.0.1", port=int(sys.argv[1]), threads=8)
