"""Write a drafted layout as TOML with comments, and as layouts to try on the sample."""

import json
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from arcdrift.intake.draft.questions import Question
from arcdrift.intake.draft.sample_table import Table
from arcdrift.intake.draft.values.date_formats import Choice, TimeFormat
from arcdrift.intake.layout.layouts import DELIMITERS, Encoding, Layout, parse_layout
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

    def line(self) -> str:
        """The line in TOML."""
        keys = ("unit", "decimal", "thousands", "split", "part", "pattern", "values")
        settings = {key: value for key in keys if (value := getattr(self, key))}
        source = {"header": self.header, **settings} if settings else self.header
        line = f"{self.ours} = {_toml(source)}"
        if not self.comment:
            return line
        comment = _comment(self.comment)
        beside = f"{line} # {comment}"
        return beside if len(beside) <= _WIDTH else f"# {self.ours}: {comment}\n{line}"


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
        Headers that are not read.
    fixed : dict of str to str
        Values for the whole file.
    language : str
        Language of most headers.
    questions : tuple of Question
        What is open.
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
    fixed: dict[str, str]
    language: str
    questions: tuple[Question, ...]
    time_zone: str | None = None
    encoding: Encoding | None = None

    @property
    def open_orders(self) -> tuple[Choice, ...]:
        """Formats of the dates that all fit; empty if there is nothing to decide."""
        return self.time_format.choices if len(self.time_format.choices) > 1 else ()

    @property
    def absent(self) -> tuple[str, ...]:
        """Columns that a file of the kind needs and the sample does not have."""
        present = {column.ours for column in self.columns}
        present |= {self.kind.time_column} if self.time else set()
        present |= set(self.fixed)
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

    def layout(self) -> Layout:
        """The layout; it can be used if there is no question."""
        return parse_layout(self.text(), self._layout_name)

    def trials(self) -> Iterator[tuple[str, Layout]]:
        """Layouts to try on the sample, each with the order of its dates, "" if it is decided.

        What is open is filled in for the trial: names that the file does not have are set to a
        placeholder.
        """
        raw = tomllib.loads(self.text())
        raw |= {"ignore_unknown": True, "undecided": []}
        if self.unnamed:
            raw["fixed"] = {**self.fixed, **dict.fromkeys(self.unnamed, _UNNAMED)}
        if not self.open_orders:
            yield "", self._layout(raw)
        for choice in self.open_orders:
            yield choice.order, self._layout({**raw, "time_format": choice.time_format})

    def _layout(self, raw: dict[str, Any]) -> Layout:
        layout = Layout.model_validate(raw)
        layout._name = self._layout_name
        return layout

    @property
    def _layout_name(self) -> str:
        return f"drafted from {self.name}"

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
        yield from self._header_place()
        if self.table.header_lines > 1:
            yield f"header_lines = {self.table.header_lines}"
        if self.table.units:
            yield "skip_after_header = 1 # the line of units"
        if self.unmatched:
            yield ""
            yield "# Columns that are not read; map one below to read it."
            yield f"ignore = {_toml(list(self.unmatched))}"
        if self.questions:
            yield ""
            for question in self.questions:
                yield f"# Open, {_comment(question.key)}: {_comment(question.text)}"
                shown = " / ".join(option.label for option in question.options)
                if shown:
                    yield f"#   {_comment(shown)}"
            yield "# Decide it here, then take out the line that begins with undecided."
            yield f"undecided = {_toml([question.key for question in self.questions])}"

    def _header_place(self) -> Iterator[str]:
        """Where the header stands: by its first words, or by counting lines."""
        if not self.table.header_at:
            return
        begin = self.table.header_begin
        if begin:
            yield f"header_starts_with = {_toml(begin)} # the lines before it are skipped"
        else:
            yield f"skip_lines = {self.table.header_at} # the header follows"

    def _time_lines(self) -> Iterator[str]:
        if self.open_orders:
            sample = _toml(self.time_format.sample)
            yield f"# Dates such as {sample} can be read in more than one way, and no value tells"
            yield "# which is right. Take away the # of one."
            for choice in self.open_orders:
                span = f"{choice.order}: from {choice.first} to {choice.last}"
                yield f"# time_format = {_toml(choice.time_format)} # {span}"
        elif self.time_format.choices:
            sample = _toml(self.time_format.sample)
            choice = self.time_format.choices[0]
            yield f"time_format = {_toml(choice.time_format)} # {choice.order}, such as {sample}"
        if self.time_format.months:
            yield f"months = {_toml(list(self.time_format.months))}"
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
        if self.unnamed or self.fixed:
            yield ""
            yield "# Values for the whole file."
            yield "[fixed]"
            yield from (f"{ours} = {_toml(value)}" for ours, value in self.fixed.items())
            yield from (f"# {ours} = {_toml(_EXAMPLES[ours])}" for ours in self.unnamed)

    def _skip(self) -> Iterator[str]:
        footer = self.table.footer
        if footer.words:
            yield ""
            yield "# Lines that are no rows: sums, and notes at the end."
        if footer.starts:
            yield "[[skip]]"
            yield f"starts_with = {_toml(list(footer.starts))}"
        for header, word in footer.cells:
            yield "[[skip]]"
            yield f"header = {_toml(header)}"
            yield f"starts_with = {_toml(word)}"


def _comment(text: str) -> str:
    """A text that stays within one line of comment."""
    return "".join(char if char.isprintable() else " " for char in text)


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
