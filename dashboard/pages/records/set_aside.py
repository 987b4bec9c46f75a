"""Part of the page Records: rows that were set aside, mended in place and tried again."""

import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

import dash_ag_grid as dag
import pandas as pd
from dash import dcc, html

from arcdrift.errors import UsageError
from arcdrift.intake.storing.quarantine_export import cells_of, export, join_cells, split_cells
from arcdrift.wording import count_text
from dashboard import ids
from dashboard.components import card, notice, share_table
from dashboard.forms import words_field
from dashboard.grids import THEME
from dashboard.pages.records.file_list import visible_imports
from dashboard.reading.data import CrewData
from dashboard.uploads.upload import Sender
from dashboard.uploads.uploads import Uploads
from dashboard.url_query import Query, href

GROUPS_SHOWN = 30
"""Kinds of problem listed at most."""
ROWS_SHOWN = 200
"""Rows of a file that are mended at a time."""
KEY = "mend"
"""Key of the address: the import whose rows are mended."""
HEADS = (("File", ""), ("What is wrong, and how to mend it", ""), ("Rows", "number"), ("", ""))


def visible_rows(data: CrewData) -> pd.DataFrame:
    """Return the rows set aside that the viewer may see, by import and line."""
    rows = data.rows_set_aside()
    return rows[rows["import_id"].isin(visible_imports(data)["id"])]


def set_aside_card(data: CrewData, query: Query) -> html.Section:
    """Return the rows set aside by problem, and those of the chosen file to mend."""
    rows = visible_rows(data)
    if rows.empty:
        return card(notice("No row is set aside.", name="good"), title="Set aside")
    by = ["import_id", "file_name", "code", "column"]
    groups = rows.groupby(by, dropna=False, sort=False).agg(
        rows=("line", "size"), line=("line", "first"), message=("message", "first")
    )
    groups = groups.reset_index().sort_values(["import_id", "rows"], ascending=False)
    more = len(groups) - GROUPS_SHOWN
    return card(
        html.P(
            f"{count_text(len(rows), 'row')} could not be read as they stand. Nothing of them is "
            "lost: mend them here, or correct the log and add it again.",
            className="muted",
        ),
        share_table(
            HEADS,
            [_group(group) for group in groups.head(GROUPS_SHOWN).to_dict("records")],
            "set-aside wraps",
        ),
        html.P(f"and {count_text(more, 'other kind')} of problem.") if more > 0 else None,
        _mending(data, rows, query.get(KEY, "")),
        title="Set aside",
    )


def _group(group: Mapping[Any, Any]) -> html.Tr:
    first = (
        f"line {group['line']:,}: " if group["rows"] == 1 else f"first in line {group['line']:,}: "
    )
    return html.Tr(
        [
            html.Td(html.Span(group["file_name"], className="file-name")),
            html.Td(f"{first}{group['message']}"),
            html.Td(f"{group['rows']:,}", className="number"),
            html.Td(
                dcc.Link(
                    "Mend",
                    href=href("/records", None, mend=str(group["import_id"])) + f"#{KEY}",
                    className="button",
                    title=f"Mend the rows of {group['file_name']}",
                )
            ),
        ]
    )  # fmt: skip


def _mending(data: CrewData, rows: pd.DataFrame, chosen: str) -> html.Div | None:
    """Return the grid of the rows of one file; None where none is chosen."""
    rows = rows[rows["import_id"].astype("str") == chosen]
    if rows.empty:
        return None
    number = int(rows["import_id"].iloc[0])
    header, delimiter = header_of(data, number)
    shown = rows.head(ROWS_SHOWN)
    columns = [
        {"field": "line", "headerName": "Line", "width": 80, "pinned": "left"},
        {"field": "message", "headerName": "What is wrong", "width": 340, "wrapText": True,
         "autoHeight": True, "tooltipField": "message"},
        *(
            {"field": f"cell{place}", "headerName": name or f"column {place + 1}",
             "editable": True, "width": 260 if name.endswith("_at") else 140}
            for place, name in enumerate(header)
        ),
    ]  # fmt: skip
    return html.Div(
        [
            html.H3([f"{rows['file_name'].iloc[0]}: ", count_text(len(rows), "row")]),
            html.P(
                "Type over a cell to correct it, then try again: rows that are right are added, "
                "and leave this list."
                + (f" The first {ROWS_SHOWN} are shown." if len(rows) > ROWS_SHOWN else ""),
                className="muted",
            ),
            dag.AgGrid(
                id=ids.mend_grid(number),
                rowData=[_grid_row(row, header, delimiter) for row in shown.to_dict("records")],
                columnDefs=columns,
                defaultColDef={"sortable": False, "suppressMovable": True, "resizable": True,
                               "cellDataType": "text"},
                dashGridOptions={
                    "theme": THEME,
                    "singleClickEdit": True,
                    "stopEditingWhenCellsLoseFocus": True,
                    "domLayout": "autoHeight" if len(shown) <= 12 else "normal",
                },
                className="mend-grid",
            ),
            html.Div(
                [
                    html.Button("Try again", id=ids.mend_try(number), className="button big"),
                    html.Details(
                        [
                            html.Summary("Give these rows up"),
                            words_field(ids.mend_why(number), "Why"),
                            html.Button("Give them up", id=ids.mend_drop(number),
                                        className="button big"),
                        ],
                        className="undo-fold",
                    ),
                ],
                className="row mend-buttons",
            ),
            html.Div(id=ids.mend_answer(number), role="status"),
        ],
        className="mending",
        id=KEY,
    )  # fmt: skip


def header_of(data: CrewData, number: int) -> tuple[list[str], str | None]:
    """Return the header cells of an imported file, and the character between its cells."""
    imports = data.imports()
    row = imports[imports["id"] == number].iloc[0]
    header = [] if pd.isna(row["header"]) else json.loads(row["header"])
    return header, None if pd.isna(row["delimiter"]) else str(row["delimiter"])


def _grid_row(
    row: Mapping[Any, Any], header: Sequence[str], delimiter: str | None
) -> dict[str, Any]:
    raw = str(row["raw"])
    cells = cells_of(raw, header) if delimiter is None else split_cells(raw, delimiter)
    cells = [*cells, *[""] * (len(header) - len(cells))]
    return {
        "id": int(row["id"]),
        "line": f"{row['line']:,}",
        "message": row["message"],
        **{f"cell{place}": cell for place, cell in enumerate(cells[: len(header)])},
    }


def try_again(
    data: CrewData, uploads: Uploads, number: int, grid: Sequence[Mapping[str, Any]], sender: Sender
) -> str:
    """Import the mended rows of a file again; return what to say.

    Raises
    ------
    UsageError
        When the viewer may not, or none of these rows is set aside any more.
    """
    rows, header, delimiter = _rows_of(data, number, grid)
    mended = {int(row["id"]): row for row in grid}
    sign = delimiter or ","
    raw = [
        join_cells([str(mended[i].get(f"cell{n}") or "") for n in range(len(header))], sign)
        for i in rows["id"].tolist()
    ]
    text = export(rows.assign(raw=raw), header, sign)
    name = f"mended rows of {rows['file_name'].iloc[0]}"
    uploads.receive(name, io.BytesIO(text.encode("utf-8")), sender)
    return f"{count_text(len(rows), 'row')} of {rows['file_name'].iloc[0]} tried again: see above."


def give_up(
    data: CrewData, number: int, grid: Sequence[Mapping[str, Any]], why: str, by: str
) -> str:
    """Take the rows of a file that the grid shows off the list; return what to say.

    Raises
    ------
    UsageError
        When the viewer may not, or gives no name or reason.
    """
    if not by:
        raise UsageError("Say who you are first: type your name above.")
    if not why.strip():
        raise UsageError("Say why these rows are given up.")
    rows, _, _ = _rows_of(data, number, grid)
    data.close_rows(rows["id"].tolist(), why=why.strip(), by=by)
    return f"{count_text(len(rows), 'row')} given up by {by}: {why.strip()}."


def _rows_of(
    data: CrewData, number: int, grid: Sequence[Mapping[str, Any]]
) -> tuple[pd.DataFrame, list[str], str | None]:
    """Return the rows of a grid that are still set aside, and how their file is written."""
    rows = visible_rows(data)
    rows = rows[(rows["import_id"] == number) & rows["id"].isin([row["id"] for row in grid])]
    if rows.empty:
        raise UsageError("These rows are set aside no longer; load the page again.")
    return rows, *header_of(data, number)
