"""Appearance and behavior of grids."""

from typing import Any

from dashboard.reading.data import PAGE_ROWS

LIST_ROWS = 20
THEME = {
    "function": "themeQuartz.withParams({"
    "fontFamily: 'inherit', fontSize: 14, backgroundColor: 'var(--surface)', "
    "foregroundColor: 'var(--ink)', borderColor: 'var(--line)', accentColor: 'var(--focus)', "
    "headerBackgroundColor: 'var(--page)', headerTextColor: 'var(--muted)', "
    "wrapperBorderRadius: 8, cellHorizontalPadding: 10})"
}


def work_list_options(rows: int) -> dict[str, Any]:
    """Return options of a list whose rows open a page when chosen."""
    return {
        "theme": THEME,
        "rowSelection": {"mode": "singleRow", "checkboxes": False, "enableClickSelection": True},
        "pagination": rows > LIST_ROWS,
        "paginationPageSize": LIST_ROWS,
        "paginationPageSizeSelector": False,
        "domLayout": "autoHeight",
    }


def paged_options() -> dict[str, Any]:
    """Return options of a long table that loads blocks of rows while it is scrolled."""
    return {
        "theme": THEME,
        "cacheBlockSize": PAGE_ROWS,
        "maxBlocksInCache": 5,
        "rowBuffer": LIST_ROWS,
    }
