"""Try a layout on a file without storing anything: count the rows and their problems."""

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import pandas as pd

from arcdrift.errors import BadInput
from arcdrift.intake.draft.draft_toml import Draft
from arcdrift.intake.draft.questions import Question
from arcdrift.intake.layout.layouts import Layout
from arcdrift.intake.layout.log_reader import LogReader
from arcdrift.intake.schema.problems import ProblemGroup
from arcdrift.intake.storing.quarantine_rows import problem_groups
from arcdrift.intake.typing.convert import convert
from arcdrift.settings import Crew


@dataclass(frozen=True)
class Trial:
    """Counts of a file that was read with a layout.

    Attributes
    ----------
    rows, sound : int
        Rows read, and those without a problem.
    skipped : int
        Lines that the layout skips.
    problems : tuple of ProblemGroup
        Problems of the other rows, the commonest first.
    """

    rows: int
    sound: int
    skipped: int
    problems: tuple[ProblemGroup, ...]


_PREVIEW_LINES = 40
"""Lines behind the header from which the first rows are shown."""
_LEAST_SOUND = 0.5
"""Least share of rows that a reading must make sense of."""


def with_trial_question(draft: Draft, content: bytes, crew: Crew, now: datetime) -> Draft:
    """Try a draft that leaves nothing open; it gets a question if most rows make no sense with it.

    Raises
    ------
    BadInput
        When the file as a whole cannot be used, as without any time zone.
    """
    trial = try_layout(content, draft.layout(), crew, now=now, file=draft.name)
    if trial.sound >= _LEAST_SOUND * trial.rows:
        return draft
    text = (
        f"Are these columns right? Read so, only {trial.sound:,} of {trial.rows:,} rows make "
        f"sense; {trial.problems[0]}"
    )
    return replace(draft, questions=(Question("columns", text),))


def first_rows(
    draft: Draft, content: bytes, crew: Crew, now: datetime, most: int = 6
) -> pd.DataFrame:
    """Return the first rows of a log as they would be stored under a draft.

    What is open is filled in for the trial (`Draft.trials`).

    Parameters
    ----------
    content : bytes
        The beginning of the log.

    Returns
    -------
    DataFrame
        The kind's columns that the log has, and ``problem``: what is wrong with the row, "" for
        nothing. Empty where the draft cannot be tried.
    """
    lines = content.splitlines(keepends=True)
    start = b"".join(lines[: draft.table.header_at + _PREVIEW_LINES])
    try:
        _, layout = next(draft.trials())
        rows = LogReader(draft.name, layout=layout).divide(start)
        typed = convert(rows, layout.kind_, layout, crew, now=now, file=draft.name)
    except BadInput:
        return pd.DataFrame()
    found = typed.problems.by_row().astype({"row": "int64", "message": "str"})
    wrong = found.drop_duplicates("row").set_index("row")["message"]
    stated = [name for name in typed.frame if name in typed.stated_columns]
    frame = typed.frame[stated].head(most).dropna(axis="columns", how="all")
    return frame.assign(problem=wrong.reindex(frame.index).fillna(""))


def try_layout(content: bytes, layout: Layout, crew: Crew, *, now: datetime, file: str) -> Trial:
    """Read a file with a layout and count its rows.

    Raises
    ------
    BadInput
        When the file as a whole cannot be used.
    """
    rows = LogReader(file, layout=layout).divide(content)
    typed = convert(rows, layout.kind_, layout, crew, now=now, file=file)
    lines = np.concatenate([rows.first, [row.first for row in rows.broken]]) + 1
    bad = int(typed.problems.bad.sum())
    return Trial(
        rows=rows.cells.num_rows + len(rows.broken),
        sound=rows.cells.num_rows - bad,
        skipped=rows.skipped_lines,
        problems=problem_groups(rows, typed, lines.astype(np.int64)),
    )
