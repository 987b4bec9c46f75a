"""Write a drafted layout as TOML with comments, and as layouts to try on the sample."""

import json
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from arcdrift.intake.draft.date_formats import Choice, TimeFormat
from arcdrift.intake.draft.sample_table import Table
from arcdrift.intake.layout.layouts import DELIMITERS, Encoding, Layout
from arcdrift.intake.schema.kinds import Kind

_EXAMPLES = {"splicer": "Heron", "site": "Harbor", "asset": "Heron"}
_WIDTH = 100
_UNNAMED = "not named yet"


@dataclass(frozen=True)
class Column:
    """One of our columns in a draft: the keys of its line in the layout, and a comment."""

    ours: str
    header: str
    unit: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    values: dict[str, str] = field(default_factory=dict)
    split: str | None = None
    part: int | None = None
    pattern: str | None = None
    comment: str = ""
    is_unit_open: bool = False

    def line(self) -> str:
        """The line in TOML."""
        keys = ("unit", "decimal", "thousands", "split", "part", "pattern", "values")
        settings = {key: value for key in keys if (value := getattr(self, key))}
        source = {"header": self.header, **settings} if settings else self.header
        line = f"{self.ours} = {_toml(source)}"
        if not self.comment:
            return line
        beside = f"{line} # {self.comment}"
        return beside if len(beside) <= _WIDTH else f"# {self.ours}: {self.comment}\n{line}"


@dataclass(frozen=True)
class Draft:
    """A drafted layout.

    Attributes
    ----------
    name : str
        File name of the sample.
    kind : Kind
        Its kind.
    table : Table
        Its table.
    columns : tuple of Column
        The matched columns, except the time.
    time : tuple of str
        Headers of the time; empty if not found.
    time_format : TimeFormat
        How times are written.
    decimal : str
        Decimal mark of most columns.
    missing : tuple of str
        Words for no value.
    unmatched : tuple of str
        Headers that were not recognized.
    time_zone : str, optional
        Time zone that the times are written in.
    encoding : str, optional
        Encoding, if it is not UTF-8.
    """

    name: str
    kind: Kind
    table: Table
    columns: tuple[Column, ...]
    time: tuple[str, ...]
    time_format: TimeFormat
    decimal: str
    missing: tuple[str, ...]
    unmatched: tuple[str, ...]
    time_zone: str | None = None
    encoding: Encoding | None = None

    @property
    def open_orders(self) -> tuple[Choice, ...]:
        """Formats of the dates that all fit; empty if there is nothing to decide."""
        return self.time_format.choices if len(self.time_format.choices) > 1 else ()

    @property
    def open_units(self) -> tuple[str, ...]:
        """Our columns whose unit nothing decides."""
        return tuple(column.ours for column in self.columns if column.is_unit_open)

    @property
    def absent(self) -> tuple[str, ...]:
        """Columns that a file of the kind needs and the sample does not have."""
        present = {column.ours for column in self.columns}
        present |= {self.kind.time_column} if self.time else set()
        needs = (need for need in self.kind.needs if not present.intersection(need))
        return tuple(" or ".join(need) for need in needs)

    @property
    def matched(self) -> int:
        """Number of headers that were matched to a column."""
        return len({column.header for column in self.columns} | set(self.time))

    @property
    def unnamed(self) -> tuple[str, ...]:
        """Names that are needed and can be set for the whole file."""
        ours = (need.split(" or ")[0] for need in self.absent)
        return tuple(name for name in ours if name in _EXAMPLES)

    def text(self) -> str:
        """Text of the layout file; what is open stands in it as comments."""
        text = "\n".join([*self._head(), "", *self._columns(), *self._fixed(), *self._skip()])
        self._layout(tomllib.loads(text))  # fails if the draft cannot be loaded
        return text + "\n"

    def trials(self) -> Iterator[tuple[str, Layout]]:
        """Layouts to try on the sample, each with the order of its dates, "" if it is decided.

        What is open is filled in for the trial: headers not recognized are ignored, and names that
        the file does not have are set to a placeholder.
        """
        raw = tomllib.loads(self.text())
        raw |= {"ignore_unknown": True, "undecided": []}
        if self.unnamed:
            raw["fixed"] = dict.fromkeys(self.unnamed, _UNNAMED)
        if not self.open_orders:
            yield "", self._layout(raw)
        for choice in self.open_orders:
            yield choice.order, self._layout({**raw, "time_format": choice.time_format})

    def _layout(self, raw: dict[str, Any]) -> Layout:
        layout = Layout.model_validate(raw)
        layout._name = "just drafted"
        return layout

    def _head(self) -> Iterator[str]:
        yield f"# A layout for files of {self.kind.name} like {_toml(self.name)}, drafted from it."
        yield "# Lines that start with # are comments; what they leave open is yours to decide."
        yield f"kind = {_toml(self.kind.name)}"
        names = {mark: name for name, mark in DELIMITERS.items()}
        yield f"delimiter = {_toml(names[self.table.rows.delimiter])}"
        if self.encoding is not None:
            yield f"encoding = {_toml(self.encoding)}"
        if self.decimal != ".":
            yield f"decimal = {_toml(self.decimal)}"
        if self.missing:
            yield f"missing = {_toml(list(self.missing))} # no value"
        yield from self._time_lines()
        undecided = ["time_format"] if self.open_orders else []
        undecided += [f"unit of {name}" for name in self.open_units]
        if undecided:
            yield "# Take this line away when you have decided."
            yield f"undecided = {_toml(undecided)}"
        if self.table.header_at:
            begin = self.table.rows.delimiter.join(self.table.rows.written[:2])
            yield f"header_starts_with = {_toml(begin)} # the lines before it are passed over"
        if self.table.units:
            yield "skip_after_header = 1 # the line of units"
        if self.unmatched:
            yield ""
            yield "# Not recognized: take away a # to leave that column out, or map it below."
            yield "ignore = ["
            yield from (f"  # {_toml(header)}," for header in self.unmatched)
            yield "]"

    def _time_lines(self) -> Iterator[str]:
        if self.open_orders:
            sample = _toml(self.time_format.sample)
            yield f"# Dates such as {sample} can be read in more than one way, and no value tells"
            yield "# which is right. Take away the # of one, and the line with undecided."
            for choice in self.open_orders:
                span = f"{choice.order}: from {choice.first} to {choice.last}"
                yield f"# time_format = {_toml(choice.time_format)} # {span}"
        elif self.time_format.choices:
            sample = _toml(self.time_format.sample)
            choice = self.time_format.choices[0]
            yield f"time_format = {_toml(choice.time_format)} # {choice.order}, such as {sample}"
        if self.time_zone is not None:
            yield f"time_zone = {_toml(self.time_zone)}"
        elif self.time and not self.time_format.has_offset:
            yield '# time_zone = "Europe/Oslo" # where the clock ticks; else that of site or crew'

    def _columns(self) -> Iterator[str]:
        yield "[columns]"
        time = self.kind.time_column
        if self.time:
            source = self.time[0] if len(self.time) == 1 else {"header": list(self.time)}
            yield f"{time} = {_toml(source)}"
        else:
            yield f'# {time} = "" # not found, and needed'
        yield from (column.line() for column in self.columns)
        for need in self.absent:
            if need != time and need.split(" or ")[0] not in self.unnamed:
                yield f'# {need} = "" # not found, and needed'

    def _fixed(self) -> Iterator[str]:
        if self.unnamed:
            yield ""
            yield "# The sample does not say this; say it here for the whole file, or map it above."
            yield "[fixed]"
            yield from (f"# {ours} = {_toml(_EXAMPLES[ours])}" for ours in self.unnamed)

    def _skip(self) -> Iterator[str]:
        if self.table.footer:
            yield ""
            yield "# Lines at the end that are no rows."
            yield "[[skip]]"
            yield f"starts_with = {_toml(list(self.table.footer))}"


def _toml(value: Any) -> str:
    """A value as TOML; a JSON string is a TOML string, except for one control character."""
    if isinstance(value, dict):
        return (
            "{ " + ", ".join(f"{_key(key)} = {_toml(item)}" for key, item in value.items()) + " }"
        )
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _key(key: str) -> str:
    return key if key.isascii() and key.replace("_", "").replace("-", "").isalnum() else _toml(key)
