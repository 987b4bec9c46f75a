"""A sample on its way to a draft: its table, its kind, its words, and the answers so far."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

import pandas as pd
import pyarrow as pa

from arcdrift.intake.draft.headers.word_lists import WordLists
from arcdrift.intake.draft.sample_table import Table
from arcdrift.intake.draft.values.value_formats import (
    NumberCells,
    distinct,
    number_cells,
    sample_of,
)
from arcdrift.intake.schema.kinds import Kind
from arcdrift.intake.text.raw_rows import RawRows
from arcdrift.intake.typing.cells import text
from arcdrift.settings import Crew


@dataclass(frozen=True)
class Sample:
    """The table of a sample and what is known about it.

    Attributes
    ----------
    table, kind, words : Table, Kind, WordLists
        Its table, the kind of the file, and the words that are known.
    now : aware datetime
        The present time.
    answers : dict of str to str
        What a person answered, by the key of the question.
    crew : Crew, optional
        The crew, for its names and its time zone.
    """

    table: Table
    kind: Kind
    words: WordLists
    now: datetime
    answers: Mapping[str, str]
    crew: Crew | None
    _cells: dict[str, pa.ChunkedArray] = field(default_factory=dict, init=False, repr=False)
    _numbers: dict[tuple[str, str], NumberCells] = field(
        default_factory=dict, init=False, repr=False
    )

    @cached_property
    def rows(self) -> RawRows:
        """The rows without those of the footer."""
        return self.table.body

    @property
    def headers(self) -> tuple[str, ...]:
        """The headers."""
        return self.table.headers

    @property
    def crew_zone(self) -> str | None:
        """Time zone of the crew."""
        return None if self.crew is None else self.crew.time_zone

    def names(self, header: str) -> tuple[str, ...]:
        """A header, and its other names if it stands in two lines."""
        return header, *self.table.aliases.get(header, ())

    def cells(self, header: str) -> pa.ChunkedArray:
        """Trimmed cells of a column, at regular intervals if there are many."""
        if header not in self._cells:
            column = self.rows.cells.column(self.rows.header.index(header))
            self._cells[header] = sample_of(column)
        return self._cells[header]

    def values(self, header: str) -> pd.Series:
        """Distinct values of a column, without words for no value."""
        return distinct(self.cells(header), self.words.no_value)

    def counts(self, header: str) -> pd.Series:
        """How many rows have each of the distinct values of a column."""
        counts = text(self.cells(header)).value_counts()
        return self.values(header).map(counts)

    def numbers(self, column: str, header: str) -> NumberCells:
        """Numbers under a header, without the unit behind each of them."""
        if (column, header) not in self._numbers:
            found = number_cells(self.values(header), column, self.words)
            self._numbers[column, header] = found
        return self._numbers[column, header]
