"""Records: add files, see where every row went, mend what was set aside, what is missing."""

from typing import Any

from dash import html

from dashboard import ids
from dashboard.access.current_user import current_user
from dashboard.access.request_guard import MAX_REQUEST_BYTES
from dashboard.components import card, heading
from dashboard.forms import remembered_name_field
from dashboard.my_splicer import my_splicer
from dashboard.pages.records.clocks_card import clocks_slot
from dashboard.pages.records.conflicts import conflicts_card
from dashboard.pages.records.coverage import coverage_card
from dashboard.pages.records.crew_setup_card import setup_part
from dashboard.pages.records.file_list import files_card
from dashboard.pages.records.set_aside import set_aside_card
from dashboard.pages.records.unknown_reasons import unknown_reasons_card
from dashboard.reading.data import CrewData
from dashboard.url_query import Query


def render(data: CrewData, query: Query) -> html.Div:
    """Return the page; it needs no analysis."""
    return html.Div(
        [
            heading("Records", "Add log files, see where every row went, mend what was set aside."),
            *setup_part(data),
            _add_card(data),
            html.Div(id=ids.uploads("records"), className="uploads"),
            html.Div(id=ids.uploads_open("records")),
            coverage_card(data),
            set_aside_card(data, query),
            conflicts_card(data),
            unknown_reasons_card(data),
            clocks_slot(),
            files_card(data),
        ],
        className="records-page",
    )


def _add_card(data: CrewData) -> html.Section:
    user = current_user()
    whose: Any = None
    if user is not None and user.viewer.role == "technician":
        mine = my_splicer(data)
        whose = html.P(
            f"You add the records of your splicer, {mine}."
            if mine
            else "Choose your splicer first: open its page and press Make it mine.",
            className="muted",
        )
    size = MAX_REQUEST_BYTES // (1 << 20)
    return card(
        whose,
        remembered_name_field(),
        html.Div(
            [
                html.P("Drop files or a folder here", className="drop-words"),
                html.Div(
                    [
                        html.Button("Choose files", className="button big choose-files"),
                        html.Button("Choose a folder", className="button big choose-folder"),
                    ],
                    className="row",
                ),
                html.P(
                    "CSV, .xlsx, .ods or Parquet, also packed as .gz or .zip; METAR reports. "
                    f"Up to {size} MiB a file: pack larger ones. Adding a file twice adds nothing.",
                    className="muted hint",
                ),
                html.Div(className="sending", role="status"),
            ],
            className="drop-zone",
        ),
        title="Add files",
    )
