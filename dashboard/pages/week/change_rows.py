"""Changes of a week as rows of dots with intervals, each a link."""

from dash import dcc, html

from arcdrift.figures.change_dots import ChangeDot, ChangeDots
from dashboard.url_query import href


def change_rows(dots: ChangeDots) -> html.Div:
    """Return the rows under their scale; what is folded opens with a tap."""
    return html.Div(
        [
            _scale(dots),
            html.Ul([_row(dot, dots) for dot in dots.rows], className="change-rows"),
            html.Details(
                [
                    html.Summary(dots.folded_text),
                    html.Ul([_row(dot, dots) for dot in dots.folded], className="change-rows"),
                ],
                className="change-more",
            )
            if dots.folded
            else None,
        ],
        className="changes",
    )


def _scale(dots: ChangeDots) -> html.Div:
    marks = [
        html.Span(text, style={"left": f"{position}%"}, className="zero" if text == "0 %" else "")
        for position, text in dots.ticks
    ]
    return html.Div(
        [html.Span("less loss", className="side"), html.Div(marks, className="ticks"),
         html.Span("more loss", className="side")],
        className="change-scale", **{"aria-hidden": "true"},
    )  # fmt: skip


def _row(dot: ChangeDot, dots: ChangeDots) -> html.Li:
    width = max(dot.high - dot.low, 0.5)
    track = html.Div(
        [
            html.B(style={"left": f"{dots.zero}%"}),
            html.Div(style={"left": f"{dot.low}%", "width": f"{width:.2f}%"}),
            html.I(style={"left": f"{dot.at}%"}),
        ],
        className="track", **{"aria-hidden": "true"},
    )  # fmt: skip
    words = {"up": "▲ ", "down": "▼ ", "even": ""}[dot.tone]
    inside = [
        html.Span(dot.name, className="name"),
        track,
        html.Span([words, dot.text], className="size"),
    ]
    kind = f"change-row {dot.tone}" + ("" if dot.splicer else " crew-row")
    if not dot.splicer:
        return html.Li(html.Div(inside, className=kind, title=dot.hover))
    address = href("/loss", splicer=dot.splicer, program=dot.program)
    return html.Li(dcc.Link(inside, href=address, className=kind, title=dot.hover))
