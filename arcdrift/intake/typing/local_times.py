"""Convert times as written to UTC: format, time zone of each row, repeated hours."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from arcdrift.errors import BadInput
from arcdrift.intake.schema.problems import Problems
from arcdrift.intake.typing.cells import text
from arcdrift.intake.typing.time_words import with_plain_words
from arcdrift.settings import Crew
from arcdrift.times import Evidence, to_utc

_OFFSET = r"(Z|[+-][0-9]{2}(:?[0-9]{2})?)$"
_ISO = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[ T][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,9})?)?"
_DATE = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"
AHEAD = timedelta(days=1)
EARLIEST = pd.Timestamp("1990-01-01", tz="UTC")
_MOST_CODES = 1 << 62
_DAY_NUMBER = r"^(?P<day>[0-9]{5})(?:[.,](?P<fraction>[0-9]+))?$"
_CLOCK = "(?:[01]?[0-9]|2[0-3]):[0-5][0-9](?::[0-5][0-9])?"
_DAY_AND_CLOCK = (
    r"^(?P<day>[0-9]{5}|[0-9]{4}-[0-9]{2}-[0-9]{2}) "
    rf"(?:0?[.,](?P<fraction>[0-9]+)|0|(?P<clock>{_CLOCK}))$"
)
_DAY_ZERO, _DAY_ZERO_1904 = pd.Timestamp("1899-12-30"), pd.Timestamp("1904-01-01")
_SHARP_DECIMALS = 5
"""Decimals of a day number that tell the second."""
_FIRST = 100


@dataclass(frozen=True)
class TimeRules:
    """How to read the times of one file.

    Attributes
    ----------
    file : str
        Its name, for messages.
    crew : Crew
        Zones of sites and of the crew; home sites of splicers.
    now : aware datetime
        Times more than a day later are wrong.
    zone : str, optional
        Zone of times without an offset; it takes precedence over those of sites and crew.
    time_format : str, optional
        strptime codes; default ISO 8601.
    months : sequence of str
        Names of each month, if times have names of months in other words than `time_format` reads.
    days_from_1904 : bool
        Whether day numbers count from 1904-01-01, and not from 1899-12-30.
    dates_alone : bool
        Whether a date without a time of day is allowed; it means midnight.
    evidence : Evidence, optional
        What the other chunks say about repeated hours, if the file has several.
    """

    file: str
    crew: Crew
    now: datetime
    zone: str | None = None
    time_format: str | None = None
    months: Sequence[str] = ()
    days_from_1904: bool = False
    dates_alone: bool = False
    evidence: Evidence | None = None

    def zones(self, site: pd.Series, owner: pd.Series) -> pd.Series:
        """Time zone of each row, NA where none is known."""
        if self.zone is not None:
            return pd.Series(self.zone, index=site.index, dtype="str")
        code, first = coded(site, owner)
        known = [self._zone(site.iloc[row], owner.iloc[row]) for row in first]
        return pd.Series(pd.array(known, dtype="str")[code], index=site.index)

    def _zone(self, site: object, owner: object) -> str | None:
        splicer = self.crew.splicers.get(owner) if isinstance(owner, str) else None
        home = splicer.home_site if splicer is not None else None
        return self.crew.zone_of(site if isinstance(site, str) else home)


@dataclass(frozen=True)
class Times:
    """Times of one file.

    Attributes
    ----------
    utc : Series of datetime64[us, UTC]
        NaT where missing or wrong.
    to_the_second : bool
        Whether any time has seconds; else the log is taken to have minutes only.
    written : Series of datetime64[us]
        Times as they are written, without their zone; only the first ones where these already
        tell that there is a time of day.
    """

    utc: pd.Series
    to_the_second: bool
    written: pd.Series


def read_times(
    cells: pa.ChunkedArray,
    column: str,
    problems: Problems,
    rules: TimeRules,
    *,
    site: pd.Series,
    owner: pd.Series,
    group: pd.Series,
    order: pd.Series | None,
) -> Times:
    """Convert written times to UTC and add what is wrong with them to the problems.

    Parameters
    ----------
    cells : ChunkedArray of text
        Trimmed; null where missing.
    column : str
        Name of the time column, for the problems.
    site, owner : Series of str
        Site and splicer of each row, from which its zone follows.
    group : Series
        Rows of one group are in time order, oldest or newest first.
    order : Series of float, optional
        A number that only increases within a group.

    Raises
    ------
    BadInput
        When a time has no offset and no zone is known for it.
    """
    shown = plain = text(cells)
    if rules.months or "%p" in (rules.time_format or "") or _begin_with_words(cells):
        cells = with_plain_words(cells, rules.months)
        plain = text(cells)
    local, utc = (
        _iso(cells, dates_alone=rules.dates_alone)
        if rules.time_format is None
        else _formatted(plain, rules.time_format)
    )
    day_zero = _DAY_ZERO_1904 if rules.days_from_1904 else _DAY_ZERO
    local = _with_day_numbers(local, utc, shown, day_zero)
    naive = local.notna()
    problems.add("time-unreadable", column, (~naive & utc.isna() & shown.notna()).to_numpy(), shown)
    seconds = any(bool((t.dt.second + t.dt.microsecond > 0).any()) for t in (local, utc))
    if naive.any():
        zone = rules.zones(site, owner)
        unknown = np.flatnonzero(naive & zone.isna())
        if len(unknown):
            place = site.where(site.notna(), owner).iloc[unknown[0]]
            suffix = f" for {place}" if isinstance(place, str) else ""
            raise BadInput(
                f"The times in {rules.file} have no UTC offset and no time zone is known{suffix}; "
                f"set time_zone in crew.toml or in a layout."
            )
        for name in zone[naive].unique():
            rows = np.flatnonzero(naive & (zone == name))
            part, code = to_utc(
                local.iloc[rows],
                str(name),
                group=group.iloc[rows],
                order=None if order is None else order.iloc[rows],
                evidence=rules.evidence,
            )
            utc = part if len(rows) == len(utc) else _filled(utc, rows, part)
            for problem in code.dropna().unique():
                where = np.zeros(len(utc), bool)
                where[rows[(code == problem).to_numpy()]] = True
                problems.add(str(problem), column, where, shown)
    future = (utc > pd.Timestamp(rules.now) + AHEAD).to_numpy()
    problems.add("time-in-future", column, future, shown)
    problems.add("time-too-old", column, (utc < EARLIEST).to_numpy(), shown)
    return Times(utc, seconds, local if naive.any() else _written(plain, rules.time_format))


def _begin_with_words(cells: pa.ChunkedArray) -> bool:
    """Whether times begin with words, as with the name of the weekday."""
    return bool(pc.any(pc.match_substring_regex(cells, r"^\pL")).as_py())


def coded(*columns: pd.Series) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Number the distinct combinations of some columns.

    Returns
    -------
    code : array of int64
        Number of each row's combination; missing values are alike.
    first : array of int64
        First row with each combination.
    """
    code, size = np.zeros(len(columns[0]), np.int64), 1
    for column in columns:
        column_code, names = pd.factorize(column)
        if size * (len(names) + 1) > _MOST_CODES:
            code, distinct = pd.factorize(code)
            size = len(distinct)
        code = code * np.int64(len(names) + 1) + column_code + 1
        size *= len(names) + 1
    # numbered in order of appearance, so that a code above all before it is a first one
    code = pd.factorize(code)[0].astype(np.int64)
    first = np.flatnonzero(np.diff(np.maximum.accumulate(code), prepend=-1))
    return code, first


def is_iso(values: pd.Series) -> pd.Series:
    """Which texts are ISO 8601 times or dates."""
    return values.str.match(f"{_ISO}({_OFFSET[:-1]})?$|{_DATE}")


def is_day_number(values: pd.Series) -> pd.Series:
    """Which texts have the form of a spreadsheet's day number."""
    return values.str.match(_DAY_NUMBER)


def _with_day_numbers(
    local: pd.Series, utc: pd.Series, shown: pd.Series, day_zero: pd.Timestamp
) -> pd.Series:
    """Local times, also of cells that hold a spreadsheet's day number, such as 45789.51042.

    Days count from `day_zero`: 1899-12-30, as in spreadsheets of any maker since 1900, or
    1904-01-01. The time of day is a fraction of the day, or from a column of its own, after a
    blank, a fraction or a time; the day may then also be a date. A fraction is taken to the second;
    one of fewer than 5 decimals is only taken if it is a whole minute.
    """
    unread = shown[local.isna() & utc.isna() & shown.notna()]
    if unread.empty:
        return local
    parts = unread.str.extract(_DAY_AND_CLOCK)
    parts = parts.fillna(unread.str.extract(_DAY_NUMBER))
    parts = parts[parts["day"].notna()]
    if parts.empty:
        return local
    counted = pd.to_numeric(parts["day"], errors="coerce")
    days = (day_zero + pd.to_timedelta(counted, unit="D")).astype("datetime64[us]")
    days = days.fillna(pd.to_datetime(parts["day"], format="%Y-%m-%d", errors="coerce"))
    decimals = parts["fraction"].fillna("0")
    fraction = ("0." + decimals).astype("float64")
    minutes = fraction * 1440
    sharp = (decimals.str.len() >= _SHARP_DECIMALS) | ((minutes - minutes.round()).abs() < 1e-6)
    clock = parts["clock"].where(parts["clock"].str.count(":") == 2, parts["clock"] + ":00")
    seconds = pd.to_timedelta((fraction * 86_400).round(), unit="s")
    times = days + pd.to_timedelta(clock).where(parts["clock"].notna(), seconds)
    local = local.copy()
    local.loc[times.index[sharp]] = times[sharp].astype("datetime64[us]")
    return local


def _written(shown: pd.Series, time_format: str | None) -> pd.Series:
    """Times with an offset as they are written, without it."""
    first = shown.dropna().iloc[:_FIRST]
    for part in (first, shown):
        texts = part.str.replace(r"\s*" + _OFFSET, "", regex=True)
        form = "ISO8601" if time_format is None else time_format.replace("%z", "").strip()
        written = pd.to_datetime(texts, format=form, errors="coerce").dropna()
        if (written != written.dt.normalize()).any():
            break
    return pd.Series(written.astype("datetime64[us]"))


def _filled(utc: pd.Series, rows: npt.NDArray[np.intp], part: pd.Series) -> pd.Series:
    utc = utc.copy()
    utc.iloc[rows] = part
    return utc


def _iso(cells: pa.ChunkedArray, *, dates_alone: bool) -> tuple[pd.Series, pd.Series]:
    """Local times of cells without an offset, and UTC of those with one."""
    naive = pa.timestamp("us")
    with_offset = pc.fill_null(pc.match_substring_regex(cells, _ISO + _OFFSET), False)
    local_shape = _ISO + "$" + (f"|{_DATE}" if dates_alone else "")
    if not pc.any(with_offset).as_py():
        local = _parsed(cells, naive, local_shape)
        return local, pd.Series(pd.NaT, index=local.index, dtype="datetime64[us, UTC]")
    utc = _parsed(cells, pa.timestamp("us", "UTC"), _ISO + _OFFSET)
    return _parsed(cells, naive, local_shape), utc


def _parsed(cells: pa.ChunkedArray, kind: pa.DataType, shape: str) -> pd.Series:
    good = pc.match_substring_regex(cells, shape)
    cells = pc.if_else(good, cells, pa.scalar(None, pa.string()))
    utc = kind.tz is not None
    try:
        times = pc.cast(cells, kind).to_pandas()
    except pa.ArrowInvalid:
        # a cell has the right form but is no time, such as the 31st of June
        times = pd.to_datetime(cells.to_pandas(), format="ISO8601", errors="coerce", utc=utc)
    return pd.Series(times.astype("datetime64[us, UTC]" if utc else "datetime64[us]"))


def _formatted(shown: pd.Series, time_format: str) -> tuple[pd.Series, pd.Series]:
    utc = "%z" in time_format
    try:
        times = pd.to_datetime(shown, format=time_format, errors="coerce", utc=utc)
    except ValueError as problem:
        raise BadInput(f"The layout's time_format cannot be used: {problem}.") from None
    if utc:
        nothing = pd.Series(pd.NaT, index=shown.index, dtype="datetime64[us]")
        return nothing, times.astype("datetime64[us, UTC]")
    nothing = pd.Series(pd.NaT, index=shown.index, dtype="datetime64[us, UTC]")
    return times.astype("datetime64[us]"), nothing
