"""Problem codes of rows with their sentences, and the balance of a file's lines and rows."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from arcdrift.arrays import Bools, Ints
from arcdrift.quantities import QUANTITIES

SENTENCES: dict[str, str] = {
    "cells-missing": "The row has fewer cells than the header; it may be cut short.",
    "cells-extra": "The row has more cells than the header; quote a cell that holds a separator.",
    "quote-unclosed": "A quoted cell is never closed; add the closing quote.",
    "quote-unopened": (
        "The first cell ends with a quote that was not opened; the lines above may belong to the "
        "same row."
    ),
    "quote-stray": "Text follows a closing quote; double the quotes inside a quoted cell.",
    "nul-byte": "The line holds NUL bytes, so part of it is lost; export the log again.",
    "not-utf8": "The line is not UTF-8 text; save the file as CSV UTF-8.",
    "line-long": "The line is longer than 65,536 bytes; it is damaged.",
    "cell-not-parted": (
        "{label} {value!r} does not hold what the layout expects in one cell; correct it, or split "
        "or pattern in the layout."
    ),
    "value-missing": "{column} is missing; fill it in.",
    "number-unreadable": "{label} {value!r} is not a number; write it like 12.5.",
    "number-separator": (
        "{label} {value!r} has a separator that may part thousands or decimals; write it like "
        "1234.5, or set decimal in a layout."
    ),
    "not-whole": "{label} {value} is not a whole number; correct it.",
    "value-too-low": (
        "{label} {value}{symbol} is below {low}..{high}{symbol}; check the unit and the sensor."
    ),
    "value-too-high": (
        "{label} {value}{symbol} is above {low}..{high}{symbol}; check the unit and the sensor."
    ),
    "word-unknown": "{column} {value!r} is not one of {words}; correct it, or map it in a layout.",
    "setting-missing": "arc_setting is missing on a passed check; fill it in.",
    "loss-missing": "loss_db is missing and outcome is not error; fill it in.",
    "place-missing": "A reading needs a site, a splicer or a station; fill one in.",
    "dew-point-too-high": "The dew point is above the temperature; check both.",
    "report-unreadable": (
        "This is no METAR or SPECI report with a station, a day and a time; correct it, like METAR "
        "ENXX 300020Z 24008KT 9999 12/08 Q1013=."
    ),
    "report-nil": "{value} is NIL: the station made no report, so there is nothing to import.",
    "report-undated": (
        "{value} has a day but no month; write the date in front of the report (2026-11-30), or "
        "the month into the name of the file (2026-11)."
    ),
    "report-date-unclear": (
        "The day of {value} is not one day of the dates around it or of the name of the file; "
        "write the date in front of the report (2026-11-30)."
    ),
    "report-group-unreadable": "{label} cannot be read from {value!r}; correct the group.",
    "report-groups-differ": (
        "{label} of {value} differs between two groups of the report; correct or remove one."
    ),
    "report-corrected": "{value} is corrected by another report in the file, which counts.",
    "time-unreadable": "{column} {value!r} is not a time; write it like 2025-03-01 14:05.",
    "time-not-existing": (
        "{column} {value!r} lies in the hour skipped when clocks went forward; correct it."
    ),
    "time-ambiguous": (
        "{column} {value!r} lies in the hour that came twice when clocks went back, and nothing "
        "tells which; add the UTC offset."
    ),
    "time-in-future": "{column} {value!r} is more than a day ahead; check the clock.",
    "time-too-old": "{column} {value!r} is before 1990; check the clock.",
}
"""Sentence for each problem code. Codes keep their meaning; scripts may rely on them."""


@dataclass(frozen=True)
class ProblemGroup:
    """Rows with the same problem in the same column.

    Attributes
    ----------
    code, column : str
        Problem code and column; the column is "" for a problem of the whole row.
    count : int
        Rows with it.
    first_line : int
        Physical line of the first of them, counted from 1.
    message : str
        The sentence for the first of them.
    """

    code: str
    column: str
    count: int
    first_line: int
    message: str

    def __str__(self) -> str:
        if self.count == 1:
            return f"Line {self.first_line}: {self.message}"
        return f"{self.count:,} rows, first at line {self.first_line}: {self.message}"


@dataclass(frozen=True)
class _Problem:
    code: str
    column: str
    rows: Ints
    quoted: Sequence[Any]
    allowed_words: str

    def messages(self) -> Iterator[str]:
        sentence = SENTENCES[self.code]
        quantity = QUANTITIES.get(self.column)
        parts: dict[str, Any] = {
            "column": self.column,
            "label": self.column,
            "words": self.allowed_words,
        }
        if quantity is not None:
            gap = "" if quantity.symbol in ("", "°", "%") else " "
            parts |= {
                "label": quantity.label,
                "symbol": gap + quantity.symbol,
                "low": f"{quantity.low:.12g}",
                "high": f"{quantity.high:.12g}",
            }
        for value in self.quoted:
            plain = f"{value:.10g}" if isinstance(value, float) else value
            yield sentence.format(value=plain, **parts)


class Problems:
    """All problems of the rows of one file; a row may have several."""

    def __init__(self, rows: int) -> None:
        self.bad = np.zeros(rows, bool)
        """Rows with any problem."""
        self._problems: list[_Problem] = []
        self._in_column: dict[str, Bools] = {}

    def add(
        self,
        code: str,
        column: str,
        where: Bools,
        values: pd.Series | None = None,
        allowed_words: Sequence[str] = (),
    ) -> None:
        """Add a problem.

        Parameters
        ----------
        where : array of bool
            The rows that have it.
        values : Series, optional
            The value of every row of the file, as the sentence is to quote it.
        allowed_words : sequence of str
            The words that are allowed in the column.
        """
        rows = np.flatnonzero(where)
        if len(rows) == 0:
            return
        shown = [None] * len(rows) if values is None else values.iloc[rows].tolist()
        self._problems.append(_Problem(code, column, rows, shown, ", ".join(allowed_words)))
        self.bad[rows] = True
        self._in_column.setdefault(column, np.zeros(len(self.bad), bool))[rows] = True

    def in_column(self, column: str) -> Bools:
        """Rows that already have a problem in this column."""
        known = self._in_column.get(column)
        return np.zeros(len(self.bad), bool) if known is None else known

    def has(self, code: str) -> bool:
        """Whether any row has a problem with this code."""
        return any(problem.code == code for problem in self._problems)

    def groups(self, first_line: Ints, chosen: Bools) -> list[ProblemGroup]:
        """Group the problems of the chosen rows, the commonest first.

        Parameters
        ----------
        first_line : array of int64
            Physical line of every row, counted from 1.
        chosen : array of bool
            The chosen rows.
        """
        groups = []
        for problem in self._problems:
            here = np.flatnonzero(chosen[problem.rows])
            if len(here):
                first = here[0]
                example = replace(problem, quoted=[problem.quoted[first]])
                groups.append(
                    ProblemGroup(
                        problem.code,
                        problem.column,
                        count=len(here),
                        first_line=int(first_line[problem.rows[first]]),
                        message=next(example.messages()),
                    )
                )
        return sorted(groups, key=lambda group: (-group.count, group.first_line))

    def by_row(self) -> pd.DataFrame:
        """For each row with a problem: its position, first column and code, and all sentences."""
        parts = [
            pd.DataFrame(
                {
                    "row": problem.rows,
                    "column": problem.column,
                    "code": problem.code,
                    "message": list(problem.messages()),
                }
            )
            for problem in self._problems
        ]
        if not parts:
            return pd.DataFrame({"row": [], "column": [], "code": [], "message": []})
        problems = pd.concat(parts, ignore_index=True).sort_values("row", kind="stable")
        by_row = problems.groupby("row", sort=True)
        first = by_row.first()
        several = by_row.size() > 1
        if several.any():
            repeated = problems[problems["row"].isin(several.index[several])]
            first.loc[several, "message"] = repeated.groupby("row")["message"].agg(" ".join)
        return first.reset_index()


@dataclass(frozen=True)
class Balance:
    """Where every line and every row of a file went.

    Attributes
    ----------
    lines : int
        Physical lines of the file.
    header, blank, skipped : int
        Lines that are not rows.
    row_lines : int
        Lines of all rows; a row with line breaks in a cell has several.
    rows : int
        Rows read.
    accepted, already_stored, conflicting, quarantined : int
        Rows by where they went.
    """

    lines: int
    header: int
    blank: int
    skipped: int
    row_lines: int
    rows: int
    accepted: int
    already_stored: int
    conflicting: int
    quarantined: int

    def __post_init__(self) -> None:
        """Raise an error if the counts do not add up, as a line or row would be lost."""
        lines = self.header + self.blank + self.skipped + self.row_lines
        rows = self.accepted + self.already_stored + self.conflicting + self.quarantined
        if lines != self.lines or rows != self.rows:
            raise AssertionError(
                f"the file's balance does not add up: {lines} of {self.lines} lines and {rows} "
                f"of {self.rows} rows are accounted for"
            )
