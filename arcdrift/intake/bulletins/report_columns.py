"""Read dated METAR and SPECI reports: temperature, dew point and QNH, as text for our columns.

The `metar` package reads the groups. It would guess a month that it is not given, keeps silent
about a group that it cannot read, and of two pressures takes the last; so a report is given to it
with its month, and its groups are checked here.

WMO-No. 306, volume I.1, FM 15 and FM 16. Temperatures are in whole degrees, or in tenths where the
remarks have them; QNH is rounded down, to whole hectopascals or hundredths of an inch of mercury.
Pressure reduced in another way, as SLP in remarks, is not used: some services reduce it with the
mean temperature of twelve hours, which the report does not have.
"""

import re
import warnings
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pyarrow as pa
from metar.Metar import Metar

from arcdrift.intake.bulletins.report_dates import DateRange, range_in
from arcdrift.intake.bulletins.report_rows import LONGEST_REPORT, REPORT, UNREADABLE
from arcdrift.intake.schema.problems import Problems

SOURCE = "METAR"
_COLUMNS = (
    "read_at",
    "station",
    "temperature_c",
    "dew_point_c",
    "pressure_hpa",
    "pressure_reference",
    "source",
)
_DAYS = re.compile(r"(\d{4}-\d\d-\d\d)\.\.(\d{4}-\d\d-\d\d) ")
_NIL = re.compile(r"(?:\s+(?:COR|AUTO|CC[A-Z]))*\s+NIL\b")
_REMARKS = re.compile(r"\s(?:RMK|TEMPO|BECMG|NOSIG)\b")
_TEMPERATURES = re.compile(r"([M-]?\d{1,2}|//|XX|MM)/([M-]?\d{1,2}|//|XX|MM)?")
_LIKE_TEMPERATURES = re.compile(r"[M-]?\d{1,3}/[M-]?\d.*")
_PRESSURE = re.compile(r"(?:Q|QNH)(\d{4})|A(\d{4})|QNH(\d{4})INS")
_LIKE_PRESSURE = re.compile(r"(?:Q|QNH|A)\W?\d.*")
_HPA_PER_INCH_OF_MERCURY = 33.86389
_ROUNDING_C, _ROUNDING_HPA = 1.0, 1.5
"""Most by which two groups for one value may differ, as each is rounded in its own way."""


@dataclass(frozen=True)
class _Report:
    """A report, with values as text, or with what is wrong: problem code, column, and a quote."""

    read_at: str | None = None
    station: str | None = None
    temperature_c: str | None = None
    dew_point_c: str | None = None
    pressure_hpa: str | None = None
    is_correction: bool = False
    problem: tuple[str, str, str] | None = None

    @property
    def cells(self) -> tuple[str | None, ...]:
        """Cells in the order of `_COLUMNS`."""
        values = (self.temperature_c, self.dew_point_c, self.pressure_hpa)
        reference = None if self.pressure_hpa is None else "qnh"
        return (self.read_at, self.station, *values, reference, SOURCE)


def report_columns(reports: Sequence[str | None], problems: Problems) -> dict[str, pa.ChunkedArray]:
    """Read the cells of a column of reports, and add what is wrong with them to the problems.

    Parameters
    ----------
    reports : sequence of str
        Each with its date in front: as `report_rows` writes it, or as somebody corrected it.

    Returns
    -------
    dict of str to ChunkedArray
        Text for our columns; a report with a problem has none but its time and station.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of groups that the package cannot read
        read = [_read(text or "") for text in reports]
    read = _without_superseded(read)
    by_problem: dict[tuple[str, str], dict[int, str]] = defaultdict(dict)
    for row, report in enumerate(read):
        if report.problem is not None:
            code, column, quote = report.problem
            by_problem[code, column][row] = quote
    for (code, column), quotes in by_problem.items():
        where = np.zeros(len(read), bool)
        where[list(quotes)] = True
        problems.add(code, column, where, pd.Series(quotes).reindex(range(len(read))))
    cells = zip(*(report.cells for report in read), strict=True)
    return {
        name: pa.chunked_array([pa.array(values, pa.string())])
        for name, values in zip(_COLUMNS, cells, strict=True)
    }


def _read(text: str) -> _Report:
    match = REPORT.search(text)
    if match is None or len(text) > 2 * LONGEST_REPORT:
        return _Report(problem=(UNREADABLE, "read_at", ""))
    station = match["station"] or match["named"]
    time = match["time"] or match["named_time"]
    name = f"{station} {time}Z" if time else station
    if _NIL.match(text, match.end()):
        return _Report(station=station, problem=("report-nil", "read_at", name))
    if time is None:
        return _Report(station=station, problem=(UNREADABLE, "read_at", ""))
    days = _days_before(text[: match.start()])
    if days is None:
        return _Report(station=station, problem=("report-undated", "read_at", name))
    day = days.date_of(int(time[:2]))
    if day is None:
        return _Report(station=station, problem=("report-date-unclear", "read_at", name))
    hour, minute = int(time[2:4]), int(time[4:])
    if hour > 23 or minute > 59:
        return _Report(station=station, problem=(UNREADABLE, "read_at", ""))
    instant = datetime(day.year, day.month, day.day, hour, minute, tzinfo=UTC)
    report = _Report(read_at=instant.strftime("%Y-%m-%dT%H:%MZ"), station=station)
    return _with_values(report, text[match.start() :], name, day)


def _days_before(text: str) -> DateRange | None:
    """Days that a report may be of, by the text in front of it."""
    found = _DAYS.match(text)
    if found is None:
        return range_in(text)
    return DateRange(date.fromisoformat(found[1]), date.fromisoformat(found[2]))


def _with_values(report: _Report, text: str, name: str, day: date) -> _Report:
    """Add the values of the groups to a report whose time and station are known."""
    groups = Metar(text, month=day.month, year=day.year, strict=False)
    body = _REMARKS.split(text, maxsplit=1)[0].split()
    temperature = None if groups.temp is None else groups.temp.value("C")
    dew_point = None if groups.dewpt is None else groups.dewpt.value("C")
    pressure = None if groups.press is None else groups.press.value("HPA")
    if temperature is None and (group := _first_like(body, _LIKE_TEMPERATURES)):
        return replace(report, problem=("report-group-unreadable", "temperature_c", group))
    if pressure is None and (group := _first_like(body, _LIKE_PRESSURE)):
        return replace(report, problem=("report-group-unreadable", "pressure_hpa", group))
    for column, value, others, rounding in (
        ("temperature_c", temperature, _temperatures(body, 1), _ROUNDING_C),
        ("dew_point_c", dew_point, _temperatures(body, 2), _ROUNDING_C),
        ("pressure_hpa", pressure, _pressures(body), _ROUNDING_HPA),
    ):
        if value is not None and any(abs(value - other) > rounding for other in others):
            return replace(report, problem=("report-groups-differ", column, name))
    return replace(
        report,
        temperature_c=_text(temperature, 1),
        dew_point_c=_text(dew_point, 1),
        pressure_hpa=_text(pressure, 2),
        is_correction=groups.correction is not None or str(groups.mod).startswith(("COR", "CC")),
    )


def _first_like(body: Sequence[str], pattern: re.Pattern[str]) -> str | None:
    found = (g for g in body if pattern.fullmatch(g) and not g.endswith(("SM", "KT", "MPS")))
    return next(found, None)


def _temperatures(body: Sequence[str], part: int) -> list[float]:
    """Temperatures (part 1) or dew points (part 2) of the groups that have the form of both."""
    found = [match[part] for g in body if (match := _TEMPERATURES.fullmatch(g)) is not None]
    signed = (text.replace("M", "-") for text in found if text is not None and text[-1].isdigit())
    return [float(text) for text in signed]


def _pressures(body: Sequence[str]) -> list[float]:
    found = [match for g in body if (match := _PRESSURE.fullmatch(g)) is not None]
    return [
        float(match[1])
        if match[1]
        else float(match[2] or match[3]) / 100.0 * _HPA_PER_INCH_OF_MERCURY
        for match in found
    ]


def _text(value: float | None, decimals: int) -> str | None:
    return None if value is None else f"{value:.{decimals}f}"


def _without_superseded(reports: list[_Report]) -> list[_Report]:
    """Mark the reports of which the file has a correction with other values."""
    latest = {
        (report.station, report.read_at): report
        for report in reports
        if report.is_correction and report.problem is None
    }
    return [
        replace(
            report, problem=("report-corrected", "read_at", f"{report.station} {report.read_at}")
        )
        if report.problem is None
        and (found := latest.get((report.station, report.read_at))) is not None
        and found.cells != report.cells
        else report
        for report in reports
    ]
