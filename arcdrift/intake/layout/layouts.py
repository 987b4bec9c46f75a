"""Layouts: TOML files that map the headers of a crew's own files to our columns.

A layout names the kind of file and, for each of our columns, the header it comes from, with the
unit, decimal sign and words used there. An unknown key is refused with the nearest known one, and a
unit that does not fit the quantity is refused before any row is read.
"""

import difflib
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Literal

import pyarrow as pa
import pyarrow.compute as pc
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
    field_validator,
    model_validator,
)

from arcdrift.errors import BadInput
from arcdrift.intake.schema.kinds import KINDS, Kind
from arcdrift.intake.schema.units import check_unit
from arcdrift.settings import ZoneName
from arcdrift.toml_files import toml_text

Delimiter = Literal["comma", "semicolon", "tab"]
Decimal = Literal[".", ","]
Thousands = Literal[".", ",", " ", "'"]
Encoding = Literal["utf-8", "utf-16", "windows-1252"]
DELIMITERS: dict[str, str] = {"comma": ",", "semicolon": ";", "tab": "\t"}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ColumnMap(_Strict):
    """The header that one of our columns comes from, and how its cells are read."""

    header: str | tuple[str, ...]
    """Header in the file; for a time also several, joined by a space (date and time)."""
    unit: str | None = None
    """Unit in the file, in pint's spelling; default the unit of our column."""
    scale: float = Field(1.0, gt=0)
    """Factor of the numbers in the file, such as 0.1 where they are tenths of the unit."""
    decimal: Decimal | None = None
    thousands: Thousands | None = None
    values: dict[str, str] = Field(default_factory=dict)
    """Words in the file and their meaning, such as ``OK = "pass"``."""
    split: str | None = Field(None, min_length=1)
    """Text between the values of a cell that holds several, such as the ``/`` in ``0.4/0.7``."""
    part: int | None = Field(None, ge=1)
    """Number of the value in such a cell, counted from 1."""
    pattern: str | None = None
    """Regular expression for the whole cell; its one group is the value."""

    @field_validator("pattern")
    @classmethod
    def _one_group(cls, pattern: str | None) -> str | None:
        return pattern if pattern is None else _checked(pattern, groups=1)

    @model_validator(mode="after")
    def _one_way_to_part(self) -> "ColumnMap":
        if (self.split is None) != (self.part is None):
            raise ValueError("split and part go together; give both")
        if self.split is not None and self.pattern is not None:
            raise ValueError("split and pattern exclude each other; keep one")
        if not isinstance(self.header, str) and (self.split or self.pattern):
            raise ValueError("several headers cannot be parted; keep one header")
        return self

    @property
    def headers(self) -> tuple[str, ...]:
        """The headers it comes from, in order."""
        return (self.header,) if isinstance(self.header, str) else self.header


class SkipRule(_Strict):
    """Rows to skip: those with a certain cell, or lines that start with certain words."""

    header: str | None = None
    """Header of the cell to check; without it the start of the line is checked."""
    equals: str | tuple[str, ...] = ()
    """Upper and lower case are alike, here and below."""
    starts_with: str | tuple[str, ...] = ()
    matches: str | None = None
    """Regular expression found anywhere in the cell."""

    @field_validator("matches")
    @classmethod
    def _sound(cls, matches: str | None) -> str | None:
        return matches if matches is None else _checked(matches)

    @field_validator("equals", "starts_with")
    @classmethod
    def _not_empty(cls, words: str | tuple[str, ...]) -> tuple[str, ...]:
        words = (words,) if isinstance(words, str) else words
        if any(not word.strip() for word in words):
            raise ValueError("an empty text would pass over every row; write some")
        return tuple(word.strip() for word in words)

    @model_validator(mode="after")
    def _one_test(self) -> "SkipRule":
        if sum(bool(test) for test in (self.equals, self.starts_with, self.matches)) != 1:
            raise ValueError("a rule needs one of equals, starts_with and matches")
        if self.header is None and not self.starts_with:
            raise ValueError("a rule without header looks at whole lines and needs starts_with")
        return self


class Layout(_Strict):
    """The contents of a layout file."""

    kind: Literal["arc-checks", "splices", "readings", "service"]
    columns: dict[str, ColumnMap]
    fixed: dict[str, str | int | float] = Field(default_factory=dict)
    """Values that hold for the whole file."""
    ignore: tuple[str, ...] = ()
    """Headers that are not imported."""
    undecided: tuple[str, ...] = ()
    """Keys that a draft leaves open; while there are any, no file is read with the layout."""
    ignore_unknown: bool = False
    """Whether to ignore every header that is not named in `columns`."""
    time_zone: ZoneName | None = None
    utc: bool = False
    """Whether times without an offset are UTC."""
    time_format: str | None = None
    """Format of times in strptime codes; default ISO 8601.

    A year of two digits needs ``%y`` here and is then in 1969..2068, as in POSIX; by default it is
    refused.
    """
    months: tuple[str, ...] = ()
    """Names of the months in times, for each month with a blank between them; `time_format` has %b
    in their place."""
    encoding: Encoding | None = None
    """Encoding of the file; default found from its bytes."""
    decimal: Decimal = "."
    thousands: Thousands | None = None
    """Mark between groups of three digits; default none."""
    missing: tuple[str, ...] = ()
    """Words for no value, such as ``NA``; an empty cell always means no value."""
    delimiter: Delimiter | None = None
    skip_lines: int = Field(0, ge=0)
    """Physical lines before the header."""
    header_starts_with: str | None = Field(None, min_length=1)
    """Start of the header line, for files with a varying number of lines before it."""
    preamble: str | None = Field(None, min_length=1)
    """Text that a line before the header must hold; needs `header_starts_with`."""
    header_lines: int = Field(1, ge=1, le=3)
    """Lines of the header; the names of a column in them are joined by a space."""
    skip_after_header: int = Field(0, ge=0)
    skip_footer: int = Field(0, ge=0)
    """Lines at the end that are not rows; blank ones are not counted."""
    skip: tuple[SkipRule, ...] = ()
    """Rows to skip anywhere in the file."""
    _name: str = PrivateAttr("")
    _text: str = PrivateAttr("")

    @field_validator("columns", mode="before")
    @classmethod
    def _short_form(cls, columns: Any) -> Any:
        """Take ``site = "origin"`` for ``site = {header = "origin"}``."""
        if not isinstance(columns, dict):
            return columns
        return {
            ours: {"header": theirs} if isinstance(theirs, (str, list)) else theirs
            for ours, theirs in columns.items()
        }

    @model_validator(mode="after")
    def _consistent(self) -> "Layout":
        kind = KINDS[self.kind]
        for ours in (*self.columns, *self.fixed):
            if ours not in kind.columns:
                raise ValueError(_not_known(ours, kind.columns, f"a column of {kind.name}"))
        for ours in self.fixed:
            if ours in self.columns:
                raise ValueError(f"{ours} is both in columns and fixed; keep one")
        for ours, column in self.columns.items():
            if len(column.headers) > 1 and ours != kind.time_column:
                raise ValueError(f"{ours} has several headers; only {kind.time_column} may")
            if column.unit is not None:
                check_unit(ours, column.unit)
            if column.scale != 1.0 and ours not in kind.numbers:
                raise ValueError(f"{ours} is not a number and takes no scale")
            if self.decimal_of(ours) == self.thousands_of(ours):
                raise ValueError(f"decimal and thousands of {ours} are the same mark; change one")
        if self.skip_lines and self.header_starts_with:
            raise ValueError("skip_lines and header_starts_with exclude each other; keep one")
        if self.preamble is not None and self.header_starts_with is None:
            raise ValueError("preamble needs header_starts_with; give it")
        if len(self.months) not in (0, 12) or not all(map(str.strip, self.months)):
            raise ValueError("months must have the names of all 12 months")
        if self.utc and self.time_zone is not None:
            raise ValueError("utc and time_zone exclude each other; keep one")
        return self

    @property
    def name(self) -> str:
        """Name of the file it was read from."""
        return self._name

    @property
    def text(self) -> str:
        """Text of the file it was read from."""
        return self._text

    @property
    def kind_(self) -> Kind:
        """The kind of file."""
        return KINDS[self.kind]

    @property
    def separator(self) -> str | None:
        """Character between cells; None to find it from the header."""
        return DELIMITERS[self.delimiter] if self.delimiter else None

    def at_place(self, column: str, name: str) -> "Layout":
        """The layout for a file of one place: a name for its ``site`` or ``station``."""
        layout = self.model_copy(update={"fixed": {**self.fixed, column: name}})
        layout._text = f"{self._text}\n# {column}: {name}, from the name of the file\n"
        return layout

    def decimal_of(self, column: str) -> str:
        """Decimal sign of one of our columns."""
        own = self.columns.get(column)
        if own is None:  # a fixed value, written in TOML
            return "."
        return own.decimal or self.decimal

    def thousands_of(self, column: str) -> str | None:
        """Mark between thousands of one of our columns."""
        own = self.columns.get(column)
        return None if own is None else own.thousands or self.thousands

    def parts_of(self, column: str) -> int:
        """Number of values in the cells that one of our columns comes from."""
        own = self.columns[column]
        return max(
            other.part or 1
            for other in self.columns.values()
            if (other.header, other.split) == (own.header, own.split)
        )

    @property
    def wanted(self) -> tuple[str, ...]:
        """Headers that a file must have, in the order of the layout."""
        of_columns = (header for column in self.columns.values() for header in column.headers)
        of_rules = (rule.header for rule in self.skip if rule.header is not None)
        return tuple(dict.fromkeys((*of_columns, *of_rules)))

    def fits(self, headers: Iterable[str]) -> bool:
        """Whether a file with these headers can be read with this layout."""
        have = set(filter(None, headers))
        strange = have.difference(self.wanted, self.ignore)
        return have.issuperset(self.wanted) and (self.ignore_unknown or not strange)

    def says_the_same_as(self, other: "Layout") -> bool:
        """Whether another layout reads every file in the same way, whatever its name."""
        return self.model_dump() == other.model_dump()

    def check_headers(self, headers: tuple[str, ...], file: str) -> None:
        """Refuse a file whose headers do not fit the layout.

        Raises
        ------
        BadInput
            When a header is missing or not in the layout, or the layout is a draft that leaves
            something open.
        """
        if self.undecided:
            raise BadInput(
                f"The layout {self.name} leaves {' and '.join(self.undecided)} open; decide it "
                f"there, then take out the line that begins with undecided."
            )
        absent = [header for header in self.wanted if header not in headers]
        if absent:
            raise BadInput(
                f"{file} has no column {absent[0]!r}, which the layout {self.name} asks for; "
                f"correct the layout or choose another."
            )
        strange = [h for h in headers if h and h not in self.wanted and h not in self.ignore]
        if strange and not self.ignore_unknown:
            raise BadInput(
                f"{file} has the column {strange[0]!r}, which the layout {self.name} does not "
                f"speak of; add it to columns or to ignore."
            )
        missing = [
            " or ".join(need)
            for need in self.kind_.needs
            if not {*self.columns, *self.fixed}.intersection(need)
        ]
        if missing:
            raise BadInput(
                f"The layout {self.name} says nothing about {missing[0]}, which a file of "
                f"{self.kind} needs; add it to columns or to fixed."
            )


def load_layout(path: Path) -> Layout:
    """Read a layout file.

    Raises
    ------
    BadInput
        With one sentence when the file or a key cannot be used.
    """
    try:
        text = toml_text(path, f"The layout {path.name}")
    except FileNotFoundError:
        raise BadInput(f"The layout {path} does not exist; check the name.") from None
    return parse_layout(text, path.name)


def parse_layout(text: str, name: str) -> Layout:
    """Read the text of a layout file.

    Raises
    ------
    BadInput
        With one sentence when a key cannot be used.
    """
    try:
        layout = Layout.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as problem:
        raise BadInput(f"The layout {name} is not valid TOML: {problem}.") from None
    except ValidationError as problem:
        raise BadInput(f"The layout {name} cannot be used: {_reason(problem)}.") from None
    layout._name, layout._text = name, text
    return layout


def _checked(pattern: str, groups: int | None = None) -> str:
    """Refuse an invalid regular expression, or one with another number of groups."""
    try:
        pc.match_substring_regex(pa.array([""]), pattern)
        count = re.compile(pattern).groups
    except (pa.ArrowInvalid, re.error):
        raise ValueError(f"{pattern!r} is not a regular expression") from None
    if groups is not None and count != groups:
        raise ValueError(
            f"{pattern!r} needs one group in parentheses around the value; use (?:...) for others"
        )
    return pattern


def _reason(problem: ValidationError) -> str:
    first = problem.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        table: type[BaseModel] = Layout
        if len(first["loc"]) > 1:
            table = SkipRule if first["loc"][0] == "skip" else ColumnMap
        known = table.model_fields
        return f"the key {_not_known(where, tuple(known), '')}"
    said = str(first["msg"]).removeprefix("Value error, ").rstrip(".")
    return f"{where}: {said}" if where else said


def _not_known(name: str, known: tuple[str, ...], what: str) -> str:
    near = difflib.get_close_matches(name.split(".")[-1], known, n=1)
    said = f"{name} is not {what}" if what else f"{name} is not known"
    return said + (f" (the nearest is {near[0]})" if near else "")
