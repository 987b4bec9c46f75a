"""Components that pages share: tags, cards, charts, tables, filters."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from arcdrift.figures.picture import Picture
from arcdrift.figures.theme import Scheme
from arcdrift.instants import day_text, instant_text
from arcdrift.verdicts import VERDICTS, Verdict, VerdictCode
from dashboard import ids
from dashboard.reading.data import CrewData
from dashboard.reading.stored_results import Run
from dashboard.url_query import Query, search

STATUS: dict[str, tuple[str, str]] = {
    "checked": ("✓", "checked"),
    "late": ("L", "late"),
    "failed-only": ("F", "failed only"),
    "missed": ("M", "missed"),
    "due": ("D", "due"),
    "no-work": ("·", "no work"),
}
SEVERITY: dict[str, tuple[str, str]] = {
    "act": ("!", "act"),
    "watch": ("◔", "watch"),
    "note": ("i", "note"),
}
LONG_NAME = 24
"""Letters of a name from which a headline does without it or is set small."""
PERIODS: dict[str, str] = {"30": "30 days", "90": "90 days", "365": "1 year", "all": "All"}


@dataclass(frozen=True)
class View:
    """Everything a page depends on."""

    data: CrewData
    run: Run
    query: Query
    scheme: Scheme

    def period(self, default: str) -> str:
        """Return the chosen period, a key of `PERIODS`."""
        chosen = self.query.get("period", default)
        return chosen if chosen in PERIODS else default

    def first_day(self, default: str) -> str:
        """Return the first ISO day of the chosen period; empty for all days."""
        period = self.period(default)
        if period == "all":
            return ""
        return (self.run.now - timedelta(days=int(period))).date().isoformat()


def tag(glyph: str, label: str, kind: str) -> html.Span:
    """Return a colored word with a glyph of its own, so that no meaning hangs on color alone."""
    return html.Span(
        [html.Span(glyph, className="tag-glyph", **{"aria-hidden": "true"}), label],
        className=f"tag tag-{kind}",
    )


def status_tag(status: str) -> html.Span:
    """Return the tag of a check day."""
    return tag(*STATUS[status], status)


def severity_tag(severity: str) -> html.Span:
    """Return the tag of a finding's severity."""
    return tag(*SEVERITY[severity], severity)


def verdict_mark(verdict: Verdict) -> html.Span:
    """Return the mark of a verdict in its shape."""
    return html.Span(
        verdict.mark,
        className=f"verdict-glyph shape-{verdict.shape}",
        **{"aria-hidden": "true"},
    )


def verdict_tag(code: VerdictCode) -> html.Span:
    """Return the mark and words of a verdict, as small as a tag."""
    verdict = VERDICTS[code]
    return html.Span(
        [verdict_mark(verdict), verdict.words],
        className=f"tag verdict-tag role-{verdict.color_role}",
    )


def verdict_line(code: VerdictCode) -> html.Div:
    """Return the mark and words of a verdict, as the first line of a page."""
    verdict = VERDICTS[code]
    return html.Div(
        [verdict_mark(verdict), html.Span(verdict.words, className="verdict")],
        className="verdict-line",
        role="status",
    )


def heading(title: str, line: str) -> html.Div:
    """Return the title of a page and the line below it."""
    return html.Div(
        [dmc.Title(title, order=1), dmc.Text(line, className="muted")], className="heading"
    )


def card(*children: Any, title: str = "", aside: Any = None, name: str = "") -> html.Section:
    """Return a titled panel."""
    head = (
        html.Div([dmc.Title(title, order=2), html.Div(aside)], className="card-head")
        if title
        else None
    )
    return html.Section([head, *children], className=f"card {name}".strip())


def with_code(sentence: str) -> list[Any]:
    """Return a sentence whose commands, between backticks, are set as such."""
    parts = enumerate(sentence.split("`"))
    return [html.Code(words) if number % 2 else words for number, words in parts]


def notice(*messages: str, title: str = "", name: str = "") -> html.Div:
    """Return sentences in a box, such as the reason why there is no chart."""
    return html.Div(
        [html.Strong(title) if title else None, *(html.P(with_code(text)) for text in messages)],
        className=f"notice {name}".strip(),
        role="note",
    )


def chart(
    title: str,
    picture: Picture,
    *,
    csv: str,
    hint: str = "",
    clicks: str = "",
    legend: bool = True,
) -> html.Section:
    """Return a chart with its title, its sentence and its CSV link.

    Parameters
    ----------
    csv : str
        Link to the table behind the chart.
    hint : str
        One line on how to read it.
    clicks : str
        Name under which clicked points are followed; empty when they are not.
    legend : bool
        Whether the chart has a legend, which needs more height on a narrow screen.
    """
    link = html.A("CSV", href=csv, className="csv", **{"aria-label": f"Download {title} as CSV"})
    if picture.figure is None:
        return card(notice(picture.summary), title=title)
    return card(
        html.P(hint, className="muted hint") if hint else None,
        figure_of(title, picture, clicks=clicks, legend=legend),
        title=title,
        aside=html.Div([png_button(title), link], className="row takes"),
    )


def figure_of(
    title: str, picture: Picture, *, clicks: str = "", legend: bool = True
) -> html.Figure:
    """Return a chart with its sentence below it, as part of a card.

    Parameters are those of `chart`; the picture has a figure.
    """
    extra = {"id": ids.clickable_chart(clicks)} if clicks else {}
    figure: Any = picture.figure
    if isinstance(figure, dict):  # labels stand at its lines, it has no legend
        layout = dict(figure["layout"])
        height, entries, legend = layout.pop("height"), 0, False
        figure = {"data": figure["data"], "layout": layout}
    else:
        height = figure.layout.height
        figure.update_layout(height=None)  # the style sheet gives narrow screens more
        legend_names = {trace.name for trace in figure.data if trace.showlegend is not False}
        entries = len(legend_names - {None, ""})
    graph = dcc.Graph(
        figure=figure,
        config={"displayModeBar": False, "responsive": True, "doubleClick": False},
        **extra,
    )
    return html.Figure(
        [
            html.Div(
                graph,  # fills this frame: it brings a height of 100 % of its own
                role="img",
                style={"--chart-height": f"{height}px", "--legend-entries": entries},
                className="chart chart-over-time" if legend else "chart",
                **{"aria-label": f"{title}. {picture.summary}"},
            ),
            html.Figcaption(picture.summary),
        ]
    )


def png_button(title: str) -> html.Button:
    """Return the button that saves the chart of its card as a picture."""
    return html.Button("PNG", className="csv png", **{"aria-label": f"Save {title} as a picture"})


def folded(summary: str, page: str, part: str, query: Query) -> html.Details:
    """Return a part of a page that is made only when somebody opens it.

    Parameters
    ----------
    page, part : str
        Its key in `dashboard.pages.FOLDED`.
    """
    name = search(query)
    return html.Details(
        [
            html.Summary(summary, id=ids.folded(page, part, name)),
            html.Div(id=ids.folded_slot(page, part, name), className="folded"),
        ],
        className="card fold",
    )


def facts(pairs: Sequence[tuple[str, Any]]) -> html.Dl:
    """Return a list of labeled facts."""
    return html.Dl(
        [html.Div([html.Dt(label), html.Dd(value)]) for label, value in pairs], className="facts"
    )


def csv_link(page: str, table: str, query: Query) -> str:
    """Return the link that downloads a table of a page under the same query."""
    return f"/csv{page}/{table}.csv{search(query)}"


def csv_button(page: str, table: str, query: Query, table_name: str) -> html.A:
    """Return the button that downloads a table; ``table_name`` is read out by screen readers."""
    return html.A(
        "CSV",
        href=csv_link(page, table, query),
        className="csv",
        **{"aria-label": f"Download {table_name} as CSV"},
    )


def report_button(text: str, kind: str, query: Mapping[str, object]) -> html.A:
    """Return the button that downloads a report as one HTML file, to print or to send.

    Parameters
    ----------
    kind : str
        Its key in `dashboard.reports.report_kinds.REPORT_KINDS`.
    query : mapping
        What it is about: a week, a splicer, a person.
    """
    return html.A(
        text,
        href=f"/report/{kind}.html{search(query)}",
        className="button report-button",
        title="One file to print or to send; opens without a network",
        download="",
    )


def paper_card(*buttons: html.A) -> html.Section:
    """Return the card of the reports that a page offers."""
    return card(
        html.P(
            "One file each, to print or to send; it opens without a network.",
            className="muted hint",
        ),
        html.Div(list(buttons), className="row"),
        title="On paper",
        name="screen-only on-paper",
    )


def share_table(
    heads: Sequence[tuple[str, str]], body: Sequence[html.Tr], name: str = ""
) -> html.Table:
    """Return a plain table; ``heads`` are the title and the class of each column."""
    return html.Table(
        [
            html.Thead(
                html.Tr([html.Th(title, scope="col", className=kind) for title, kind in heads])
            ),
            html.Tbody(body),
        ],
        className=f"plain-table shares {name}".strip(),
    )


def select(
    key: str,
    label: str,
    options: Sequence[tuple[str, str]],
    value: str | None,
    *,
    default: str = "",
    empty: str = "all",
) -> dmc.Select:
    """Return a filter that sets `key` in the URL; one with a default cannot be emptied."""
    clear = not default
    return dmc.Select(
        id=ids.filter_control(key, default),
        label=label,
        data=[{"value": v, "label": text} for v, text in options],
        value=value,
        clearable=clear,
        clearButtonProps={"aria-label": f"Clear {label}"},
        allowDeselect=clear,
        placeholder=empty,
        size="sm",
        className="filter",
        comboboxProps={"withinPortal": True},
    )


def period(view: View, default: str) -> html.Div:
    """Return the period filter."""
    chosen = view.query.get("period", default)
    return html.Div(
        [
            html.Div("Period", className="filter-label"),
            dmc.SegmentedControl(
                id=ids.filter_control("period", default),
                data=[{"value": v, "label": text} for v, text in PERIODS.items()],
                value=chosen if chosen in PERIODS else default,
                size="sm",
            ),
        ],
        className="filter",
        role="group",
        **{"aria-label": "Period"},
    )


def shown_time(value: datetime, data: CrewData, splicer: str | None = None) -> str:
    """Format an instant as local date and time."""
    zone = data.zone_of_splicer(splicer) if splicer else data.zone()
    return instant_text(value.astimezone(zone))


def shown_day(text: str | None) -> str:
    """Format an ISO time or day as a date; empty for None."""
    return day_text(datetime.fromisoformat(text)) if text else ""
