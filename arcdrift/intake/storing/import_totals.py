"""Running totals of an import: where the lines and rows of the chunks went so far."""

import json
from collections import Counter
from dataclasses import dataclass, field, replace

from arcdrift.intake.schema.problems import Balance, ProblemGroup
from arcdrift.intake.text.raw_rows import RawRows
from arcdrift.intake.typing.convert import Typed

OUTCOMES = ("accepted", "already_stored", "conflicting", "quarantined")
LINE_COUNTS = ("header", "blank", "skipped", "row_lines")


@dataclass
class ImportTotals:
    """What the chunks and buckets of one file add up to.

    Attributes
    ----------
    counts : Counter of str
        Lines and rows by where they went, named as in `Balance`.
    to_the_second : bool
        Whether any time has seconds.
    dates_alone : bool
        Whether no time has a time of day.
    stated_columns : tuple of str
        The columns that the file or its layout has.
    has_future : bool
        Whether any time lies in the future, so that the same file may be read otherwise later.
    """

    counts: Counter[str] = field(default_factory=Counter)
    to_the_second: bool = False
    dates_alone: bool = True
    stated_columns: tuple[str, ...] = ()
    has_future: bool = False
    _groups: dict[tuple[str, str], ProblemGroup] = field(default_factory=dict)

    def add_chunk(self, rows: RawRows, typed: Typed) -> None:
        """Count the lines and rows of a chunk."""
        self.to_the_second |= typed.to_the_second
        self.dates_alone &= typed.dates_alone
        self.stated_columns = typed.stated_columns
        self.has_future |= typed.problems.has("time-in-future")
        self.counts.update(
            lines=len(rows.lines),
            header=rows.header_lines,
            blank=rows.blank_lines,
            skipped=rows.skipped_lines,
            row_lines=int((rows.last - rows.first + 1).sum())
            + sum(row.last - row.first + 1 for row in rows.broken),
            rows=rows.cells.num_rows + len(rows.broken),
        )

    def add_problems(self, groups: tuple[ProblemGroup, ...]) -> None:
        """Add the problems of a chunk to those of the same code and column."""
        for new in groups:
            known = self._groups.get((new.code, new.column))
            if known is not None:
                first = min(known, new, key=lambda group: group.first_line)
                new = replace(first, count=known.count + new.count)
            self._groups[new.code, new.column] = new

    @property
    def problems(self) -> tuple[ProblemGroup, ...]:
        """The problems so far, the commonest first."""
        order = sorted(self._groups.values(), key=lambda group: (-group.count, group.first_line))
        return tuple(order)

    @property
    def line_counts(self) -> str:
        """Lines by what they are, as the list of imports holds them."""
        return json.dumps({name: self.counts[name] for name in LINE_COUNTS})

    @property
    def rows_done(self) -> int:
        """Rows of which it is known what became of them."""
        return sum(self.counts[name] for name in OUTCOMES)

    @property
    def balance(self) -> Balance:
        """Where every line and row went."""
        return Balance(
            **{name: self.counts[name] for name in ("lines", "rows", *LINE_COUNTS, *OUTCOMES)}
        )
