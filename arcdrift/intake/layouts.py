"""Layouts: a crew's map from the headers of its own files to ours, as a TOML file.

A layout names the kind of file and, for each of our columns, the header it comes from, with
the unit, the decimal sign and the words used there. Unknown keys are refused with the nearest
known one, and units that cannot measure the quantity are refused before any row is read.
"""

import difflib
import tomllib
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pint
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
from arcdrift.intake.kinds import KINDS, Kind
from arcdrift.quantities import QUANTITIES
from arcdrift.settings import ZoneName

Floats = npt.NDArray[np.float64]
Delimiter = Literal["comma", "semicolon", "tab"]
_DELIMITERS: dict[str, str] = {"comma": ",", "semicolon": ";", "tab": "\t"}
_DIGITS = 9
"""Decimals kept by a conversion; further ones are noise of the arithmetic."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ColumnMap(_Strict):
    """Where one of our columns comes from."""

    header: str | tuple[str, ...]
    """Header in the file; for a time also several, joined by a space (date and time)."""
    unit: str | None = None
    """Unit in the file, as pint understands it; default the unit of our column."""
    decimal: Literal[".", ","] | None = None
    values: dict[str, str] = Field(default_factory=dict)
    """Words in the file and what they mean, such as ``OK = "pass"``."""

    @property
    def headers(self) -> tuple[str, ...]:
        """The headers it comes from, in order."""
        return (self.header,) if isinstance(self.header, str) else self.header


class Layout(_Strict):
    """Everything in a layout file."""

    kind: Literal["arc-checks", "splices", "readings", "service"]
    columns: dict[str, ColumnMap]
    fixed: dict[str, str | int | float] = Field(default_factory=dict)
    """Values that hold for the whole file."""
    ignore: tuple[str, ...] = ()
    """Headers to leave out."""
    ignore_unknown: bool = False
    """True leaves out every header that is not named in `columns`."""
    time_zone: ZoneName | None = None
    utc: bool = False
    """True when times without an offset are UTC."""
    time_format: str | None = None
    """How times are written, in the codes of strptime; default ISO 8601."""
    decimal: Literal[".", ","] = "."
    missing: tuple[str, ...] = ()
    """Words that stand for no value, such as ``NA``; an empty cell always does."""
    delimiter: Delimiter | None = None
    skip_lines: int = Field(0, ge=0)
    """Physical lines before the header."""
    skip_after_header: int = Field(0, ge=0)
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
                _check_unit(ours, column.unit)
        if self.utc and self.time_zone is not None:
            raise ValueError("utc and time_zone exclude each other; keep one")
        return self

    @property
    def name(self) -> str:
        """Name of the file it was read from."""
        return self._name

    @property
    def text(self) -> str:
        """The file it was read from, whole."""
        return self._text

    @property
    def kind_(self) -> Kind:
        """The kind of file."""
        return KINDS[self.kind]

    @property
    def separator(self) -> str | None:
        """The character between cells, None to tell it from the header."""
        return _DELIMITERS[self.delimiter] if self.delimiter else None

    def decimal_of(self, column: str) -> str:
        """Decimal sign in one of our columns."""
        own = self.columns.get(column)
        if own is None:  # a fixed value, written in TOML
            return "."
        return own.decimal or self.decimal

    def check_headers(self, headers: tuple[str, ...], file: str) -> None:
        """Refuse a file whose headers are not those of the layout.

        Raises
        ------
        BadInput
            When a header is not there, or one is there that the layout does not speak of.
        """
        wanted = [header for column in self.columns.values() for header in column.headers]
        absent = [header for header in wanted if header not in headers]
        if absent:
            raise BadInput(
                f"{file} has no column {absent[0]!r}, which the layout {self.name} asks for; "
                f"correct the layout or choose another."
            )
        strange = [h for h in headers if h not in wanted and h not in self.ignore]
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
        text = path.read_text(encoding="utf-8")
        raw = tomllib.loads(text)
    except FileNotFoundError:
        raise BadInput(f"The layout {path} does not exist; check the name.") from None
    except tomllib.TOMLDecodeError as problem:
        raise BadInput(f"The layout {path.name} is not valid TOML: {problem}.") from None
    except (OSError, UnicodeDecodeError) as problem:
        raise BadInput(f"The layout {path} cannot be read: {problem}.") from None
    try:
        layout = Layout.model_validate(raw)
    except ValidationError as problem:
        raise BadInput(f"The layout {path.name} cannot be used: {_reason(problem)}.") from None
    layout._name, layout._text = path.name, text
    return layout


def to_stored(values: Floats, unit: str, column: str) -> Floats:
    """Convert numbers from a unit to that of one of our columns.

    Parameters
    ----------
    values : array of float
        Numbers in `unit`; NaN stays NaN.
    unit : str
        As pint understands it; ``degF``, ``inHg``, ``mmHg``, ``kPa``, ``psi``, ``mrad``, ``%``
        and ``fraction`` are met in practice.
    column : str
        A column of `arcdrift.quantities`.

    Returns
    -------
    array of float
        Rounded to 9 decimals.
    """
    ours = QUANTITIES[column].unit
    if unit == ours:
        return values
    converted = units().Quantity(values, unit).to(ours).magnitude
    return np.asarray(np.round(converted, _DIGITS), dtype=np.float64)


@cache
def units() -> "pint.UnitRegistry[Any]":
    """Return the one registry of units, made when first asked for."""
    registry: pint.UnitRegistry[Any] = pint.UnitRegistry()
    registry.define("fraction = 1")
    return registry


def _check_unit(column: str, unit: str) -> None:
    quantity = QUANTITIES.get(column)
    if quantity is None:
        raise ValueError(f"{column} is not a number and takes no unit")
    if unit == quantity.unit:
        return
    try:
        # text, because a bare product of an offset unit (25 degC) has no meaning
        fits = units().Unit(unit).is_compatible_with(quantity.unit) and quantity.unit != ""
    except (pint.PintError, ValueError, AttributeError, TypeError):
        raise ValueError(f"the unit {unit!r} of {column} is not known") from None
    if not fits:
        raise ValueError(f"the unit {unit!r} cannot measure {column}")


def _reason(problem: ValidationError) -> str:
    first = problem.errors()[0]
    where = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        inside = first["loc"][0] == "columns" and len(first["loc"]) > 1
        known = (ColumnMap if inside else Layout).model_fields
        return f"the key {_not_known(where, tuple(known), '')}"
    said = str(first["msg"]).removeprefix("Value error, ").rstrip(".")
    return f"{where}: {said}" if where else said


def _not_known(name: str, known: tuple[str, ...], what: str) -> str:
    near = difflib.get_close_matches(name.split(".")[-1], known, n=1)
    said = f"{name} is not {what}" if what else f"{name} is not known"
    return said + (f" (the nearest is {near[0]})" if near else "")
