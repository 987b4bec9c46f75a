"""CSV downloads: the table behind each chart and grid, at a plain link."""

import pandas as pd
from flask import Flask, Response, abort, request

from dashboard.access.page_roles import may_open
from dashboard.access.roles import for_role
from dashboard.components import View
from dashboard.pages import TABLES
from dashboard.reading.data import CrewData
from dashboard.url_query import parse

FORMULA_STARTS = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""Beginnings of a cell that some spreadsheet runs; the last four are full-width forms."""

HEADERS = {
    "baseline_db": "usual_db",
    "charted_days": "days_judged",
    "again": "places_not_right_first_time",
}
"""Headers that pages have another word for than the stored results."""
CELLS = {
    "state": {"charted": "known"},
    "name": {"rolled_up": "all work of one"},
    "subject_type": {"stream": "splicer and program"},
    "measure": {"first_time": "not right first time", "errors": "errors per attempt"},
}
"""The same of cells, by column."""


def in_words_of_pages(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with the words that pages have for what the store calls by other names."""
    cells = {
        column: table[column].map(lambda value, words=words: words.get(value, value))
        for column, words in CELLS.items()
        if column in table.columns
    }
    return table.assign(**cells).rename(columns=HEADERS)


def as_csv(table: pd.DataFrame) -> str:
    """Return a table as CSV in which no text can act as a spreadsheet formula.

    A line break within a text would begin a new row for some readers, and becomes a space.
    """
    safe = table.copy()
    for column in safe.columns:
        values = safe[column]
        if not (
            pd.api.types.is_numeric_dtype(values) or pd.api.types.is_datetime64_any_dtype(values)
        ):
            is_text = values.map(lambda value: isinstance(value, str)).astype(bool)
            text = values.astype("string").str.replace("[\r\n\v\f\u2028\u2029]", " ", regex=True)
            risky = text.str.lstrip().str.startswith(FORMULA_STARTS).fillna(False).astype(bool)
            safe[column] = values.astype(object).mask(is_text, text.mask(risky, "'" + text))
    return str(safe.to_csv(index=False, float_format="%.6g"))


def register(server: Flask, data: CrewData) -> None:
    """Attach the download route: ``/csv/PAGE/TABLE.csv`` under the page's own query."""

    @server.get("/csv/<page>/<table>.csv")
    @for_role("technician")
    def download(page: str, table: str) -> Response:
        make = TABLES.get((page, table))
        if make is None or data.run() is None:
            abort(404)
        if not may_open(data.viewer, f"/{page}"):
            abort(403)
        query = parse(request.query_string.decode("utf-8", "replace"))

        def rows() -> pd.DataFrame:
            run = data.run()
            return pd.DataFrame() if run is None else make(View(data, run, query, "light"))

        body = as_csv(in_words_of_pages(data.in_one_state(rows)))
        return Response(
            body,
            mimetype="text/csv",
            headers={"Content-Disposition": f'attachment; filename="arcdrift-{page}-{table}.csv"'},
        )
