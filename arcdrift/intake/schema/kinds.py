"""The kinds of file, as schemas: columns, bounds, allowed words and rules across columns.

Every check has the problem code of the rows that fail it as its name. The checks are run one by
one, each for all rows, so that every failing row is reported.
"""

import difflib
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd
import pandera.pandas as pa

from arcdrift.arrays import Bools
from arcdrift.errors import BadInput
from arcdrift.quantities import QUANTITIES

ACTIONS = (
    "electrodes replaced",
    "v-grooves cleaned",
    "blade rotated",
    "blade replaced",
    "firmware updated",
    "factory service",
    "cleaned",
    "other",
)
_TIME = "datetime64[us, UTC]"
_AIR = ("temperature_c", "pressure_hpa", "humidity_pct")
_DEW_POINT_ERROR_C = 1.0
"""A dew point may lie above the temperature by the error of two sensors, not by more."""


@dataclass(frozen=True)
class Kind:
    """One kind of file.

    Attributes
    ----------
    name : str
        As spelled everywhere: ``arc-checks``, ``splices``, ``readings``, ``service``.
    schema : pandera.DataFrameSchema
        Columns and checks of a typed frame.
    time_column, owner_column : str
        Column of the record's time, and of the splicer or asset that the record belongs to.
    needs : tuple of tuple of str
        Headers that a file must have: at least one of each inner tuple.
    identity : tuple of str
        Columns, besides the time, that make two rows the same event.
    repeats : bool
        Whether several events may have the same minute.
    """

    name: str
    schema: pa.DataFrameSchema
    time_column: str
    owner_column: str
    needs: tuple[tuple[str, ...], ...]
    identity: tuple[str, ...]
    repeats: bool

    @property
    def columns(self) -> tuple[str, ...]:
        """All columns that a file of this kind may have."""
        return tuple(self.schema.columns)

    @property
    def numbers(self) -> tuple[str, ...]:
        """Columns of numbers."""
        return tuple(name for name in self.columns if name in QUANTITIES)

    @property
    def texts(self) -> tuple[str, ...]:
        """Columns of text, including those with allowed words."""
        return tuple(n for n in self.columns if n not in QUANTITIES and n != self.time_column)

    def allowed_words(self, column: str) -> tuple[str, ...]:
        """Allowed words of a text column; empty if any text is allowed."""
        for check in self.schema.columns[column].checks:
            if check.name == "word-unknown":
                return tuple(check.statistics["allowed_values"])
        return ()

    def failures(self, frame: pd.DataFrame) -> Iterator[tuple[str, str, Bools]]:
        """Run every check on a typed frame that has all columns.

        Yields
        ------
        code, column, where : str, str, array of bool
            Each check that some rows fail, and which rows.
        """
        for name, column in self.schema.columns.items():
            missing = frame[name].isna().to_numpy()
            if not column.nullable and missing.any():
                yield "value-missing", name, missing
            for check in () if missing.all() else column.checks:
                if (failed := _failed(check, frame[name])).any():
                    yield check.name, name, failed
        for check in self.schema.checks:
            if (failed := _failed(check, frame)).any():
                yield check.name, check.title, failed


def _failed(check: pa.Check, values: pd.Series | pd.DataFrame) -> Bools:
    passed = check(values).check_output
    where: Bools = ~passed.reindex(values.index, fill_value=True).to_numpy(bool)
    return where


def _time() -> pa.Column:
    return pa.Column(_TIME, nullable=False)


def _text(*, required: bool = False) -> pa.Column:
    return pa.Column(str, nullable=not required)


def _word(*words: str, required: bool = False, default: str | None = None) -> pa.Column:
    check = pa.Check.isin(words, name="word-unknown")
    return pa.Column(str, check, nullable=not required, default=default)


def _numbers(*names: str) -> dict[str, pa.Column]:
    columns = {}
    for name in names:
        quantity = QUANTITIES[name]
        checks = [
            pa.Check.ge(quantity.low, name="value-too-low"),
            pa.Check.le(quantity.high, name="value-too-high"),
        ]
        if quantity.unit == "count":
            checks.append(pa.Check(lambda values: values % 1 == 0, name="not-whole"))
        columns[name] = pa.Column(float, checks, nullable=True)
    return columns


ARC_CHECKS = Kind(
    name="arc-checks",
    schema=pa.DataFrameSchema(
        {
            "splicer": _text(required=True),
            "checked_at": _time(),
            "outcome": _word("pass", "fail", "aborted", required=True),
            **_numbers("arc_setting", "arc_count"),
            "technician": _text(),
            "site": _text(),
            **_numbers("melt_back_um", *_AIR),
            "remark": _text(),
        },
        checks=[
            pa.Check(
                lambda f: ~((f["outcome"] == "pass") & f["arc_setting"].isna()),
                name="setting-missing",
                title="arc_setting",
                ignore_na=False,
            )
        ],
    ),
    time_column="checked_at",
    owner_column="splicer",
    needs=(("splicer",), ("checked_at",), ("outcome",)),
    identity=("splicer",),
    repeats=True,
)
SPLICES = Kind(
    name="splices",
    schema=pa.DataFrameSchema(
        {
            "splicer": _text(required=True),
            "spliced_at": _time(),
            **_numbers("loss_db", "loss_below_db"),
            "outcome": _word("done", "redo", "error", required=True, default="done"),
            **{name: _text() for name in ("technician", "program", "fiber_a", "fiber_b")},
            **_numbers("cleave_left_deg", "cleave_right_deg", "core_offset_um"),
            **_numbers("arc_count", "splice_number"),
            **{name: _text() for name in ("cleaver", "blade_position", "site", "location")},
            "purpose": _word("production", "practice", required=True, default="production"),
            **_numbers("sleeve_mm"),
            "heater_program": _text(),
            "error_reason": _text(),
            "holding": _word("clamp", "holder"),
            **_numbers("measured_ab_db", "measured_ba_db", *_AIR),
            "remark": _text(),
        },
        checks=[
            pa.Check(
                lambda f: f["loss_db"].notna() | (f["outcome"] == "error"),
                name="loss-missing",
                title="loss_db",
                ignore_na=False,
            )
        ],
    ),
    time_column="spliced_at",
    owner_column="splicer",
    needs=(("splicer",), ("spliced_at",), ("loss_db",)),
    identity=("splicer", "splice_number"),
    repeats=True,
)
READINGS = Kind(
    name="readings",
    schema=pa.DataFrameSchema(
        {
            "read_at": _time(),
            "station": _text(),
            "site": _text(),
            "splicer": _text(),
            **_numbers(*_AIR, "dew_point_c"),
            "pressure_reference": _word("station", "sea-level", "qnh"),
            "source": _text(),
        },
        checks=[
            pa.Check(
                lambda f: f["site"].notna() | f["splicer"].notna() | f["station"].notna(),
                name="place-missing",
                title="site",
                ignore_na=False,
            ),
            pa.Check(
                lambda f: ~(f["dew_point_c"] > f["temperature_c"] + _DEW_POINT_ERROR_C),
                name="dew-point-too-high",
                title="dew_point_c",
                ignore_na=False,
            ),
        ],
    ),
    time_column="read_at",
    owner_column="splicer",
    needs=(("read_at",), ("site", "splicer", "station"), (*_AIR, "dew_point_c")),
    identity=("site", "splicer", "station", "source"),
    repeats=False,
)
SERVICE = Kind(
    name="service",
    schema=pa.DataFrameSchema(
        {
            "asset": _text(required=True),
            "serviced_at": _time(),
            "action": _word(*ACTIONS, required=True),
            "remark": _text(),
        }
    ),
    time_column="serviced_at",
    owner_column="asset",
    needs=(("asset",), ("serviced_at",), ("action",)),
    identity=("asset", "action"),
    repeats=False,
)
KINDS: dict[str, Kind] = {kind.name: kind for kind in (ARC_CHECKS, SPLICES, READINGS, SERVICE)}


def recognize(headers: Iterable[str], name: str, asked: str | None = None) -> Kind:
    """Find the kind of a file from its headers.

    Parameters
    ----------
    headers : iterable of str
        Column names in our spelling.
    name : str
        File name for messages.
    asked : str, optional
        Kind that the user says the file is.

    Raises
    ------
    BadInput
        When the headers are of no kind, of another kind than `asked`, or some are unknown.
    """
    names = list(headers)
    repeated = [header for header, count in Counter(names).items() if count > 1]
    if repeated:
        raise BadInput(f"The header of {name} has the column {repeated[0]!r} more than once.")
    if asked is not None and asked not in KINDS:
        raise BadInput(f"{asked!r} is not a kind of file; use one of {', '.join(KINDS)}.")
    fitting = [kind for kind in KINDS.values() if not _missing(kind, names)]
    if asked is not None and fitting and KINDS[asked] not in fitting:
        raise BadInput(f"{name} is a file of {fitting[0].name}, not of {asked} as asked.")
    nearest = (
        KINDS[asked] if asked else max(KINDS.values(), key=lambda kind: _likeness(kind, names))
    )
    kind = fitting[0] if len(fitting) == 1 and asked is None else nearest
    missing = _missing(kind, names)
    if missing:
        raise BadInput(
            f"{name} is not recognized: it comes nearest to {kind.name}, but has no column "
            f"{' and no column '.join(missing)}; rename its headers or give a layout."
        )
    unknown = [header for header in names if header not in kind.columns]
    if unknown:
        near = difflib.get_close_matches(unknown[0].lower(), kind.columns, n=1)
        hint = f" (the nearest is {near[0]})" if near else ""
        raise BadInput(
            f"{name} is a file of {kind.name}, but its column {unknown[0]!r} is not known{hint}; "
            f"rename it, or give a layout that leaves it out."
        )
    return kind


def _missing(kind: Kind, headers: Iterable[str]) -> list[str]:
    present = set(headers)
    return [" or ".join(need) for need in kind.needs if not present.intersection(need)]


def _likeness(kind: Kind, headers: Iterable[str]) -> Any:
    present = set(headers)
    needs_met = len(kind.needs) - len(_missing(kind, present))
    return needs_met / len(kind.needs), len(present.intersection(kind.columns))
