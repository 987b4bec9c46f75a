"""Rises and falls of the loss of each splicer and program, as findings have them."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import pandas as pd

from arcdrift.analysis.cases.outcome import relief_text
from arcdrift.analysis.common.days import day_begun_at
from arcdrift.analysis.loss.return_to_usual import return_to_usual
from arcdrift.figures.loss_titles import LossChange
from dashboard.components import View
from dashboard.pages.findings.finding_words import is_open

KINDS = ("loss-raised", "loss-lowered")
WHOLE = {
    "splicer": "all programs", "program": "all splicers with it", "site": "all splicers there",
    "crew": "the whole crew",
}  # fmt: skip


def changes_of(
    view: View, row: Mapping[Any, Any], days: pd.DataFrame, first_day: str
) -> list[LossChange]:
    """Return the changes of one splicer and program since a day, in order of their onset.

    A change of the whole splicer, its program, its site or the crew counts too, unless its own is
    open.

    Parameters
    ----------
    row : mapping
        Row of ``result_streams``.
    days : DataFrame
        Its rows of ``result_stream_days``.
    """
    about = [
        finding
        for finding in view.data.findings()
        if finding["kind"] in KINDS and "ratio" in finding["evidence"] and _holds(finding, row)
        and local_day(finding["until"]).isoformat() >= first_day
    ]  # fmt: skip
    own = [finding for finding in about if finding["subject"]["type"] == "stream"]
    if any(_is_now(finding, row) for finding in own):
        about = own
    changes = [_change(view, finding, row, days) for finding in about]
    return sorted(changes, key=lambda change: change.since)


def _holds(finding: Mapping[str, Any], row: Mapping[Any, Any]) -> bool:
    subject = finding["subject"]
    names = {
        "stream": f"{row['splicer']} / {row['program']}", "splicer": row["splicer"],
        "program": row["program"], "site": row["site"], "crew": subject["id"],
    }  # fmt: skip
    return bool(names.get(subject["type"]) == subject["id"])


def _is_now(finding: Mapping[str, Any], row: Mapping[Any, Any]) -> bool:
    """Whether a change is the present one of a stream: its evidence is new, its case is open."""
    return bool(row["change_finding"] == finding["id"]) and is_open(dict(finding))


def _change(
    view: View, finding: Mapping[str, Any], row: Mapping[Any, Any], days: pd.DataFrame
) -> LossChange:
    onset = finding["onset"]["estimate"] if finding["onset"] else finding["since"]
    since, until = local_day(onset), local_day(finding["until"])
    now_open = _is_now(finding, row)
    if now_open and isinstance(row["change_since"], str):
        since = date.fromisoformat(row["change_since"])
    back = None
    if not now_open and pd.notna(row["sd_within"]) and pd.notna(row["sd_between"]):
        frame = days.assign(day=pd.to_datetime(days["day"]), n=days["splices"])
        returned = return_to_usual(
            frame, pd.Timestamp(since), pd.Timestamp(until),
            float(row["sd_within"]) ** 2, float(row["sd_between"]) ** 2,
        )  # fmt: skip
        back = None if returned is None else returned.date()
    return LossChange(
        change=float(finding["evidence"]["ratio"]) - 1.0,
        since=since,
        until=until,
        is_open=now_open,
        back=back,
        whole=WHOLE.get(str(finding["subject"]["type"]), ""),
        relief=relief_of(view, finding["id"]) if now_open else "",
    )


def relief_of(view: View, finding_id: Any) -> str:
    """Say that the last action of a finding's case helped; empty where it did not."""
    case = next((case for case in view.data.cases() if finding_id in case["findings"]), None)
    return "" if case is None or case["state"] == "closed" else relief_text(case)


def with_open_changes(view: View, rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows of ``result_streams`` without the changes whose case is closed.

    Those rows then say how the last days compare with what is usual, as those without a change do.
    """
    closed = {
        finding["id"] for finding in view.data.findings() if finding["case_state"] == "closed"
    }
    is_over = rows["change_finding"].isin(closed)
    columns = ("change_since", "since_db", "change", "change_finding")
    return rows.assign(**{column: rows[column].mask(is_over) for column in columns})


def local_day(instant: str) -> date:
    """Return the local day that began at an instant of a finding."""
    return day_begun_at(pd.Timestamp(instant)).date()


def open_change(changes: Sequence[LossChange]) -> LossChange | None:
    """Return the latest open change."""
    return next((change for change in reversed(changes) if change.is_open), None)
