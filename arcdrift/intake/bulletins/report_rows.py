"""Find the METAR and SPECI reports in a text, with the dates around them.

A report ends at its `=`, at an empty line, or where the next one begins; it may go over several
lines, and a line may hold several reports. So that each report has a line of its own, the text is
divided before each further report on a line: from there on lines count as in the divided text.
"""

import re
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa

from arcdrift.intake.bulletins.report_dates import DateRange, range_in, range_in_name
from arcdrift.intake.schema.kinds import KINDS
from arcdrift.intake.text.physical_lines import split
from arcdrift.intake.text.raw_rows import DELIMITERS, Broken, RawRows

REPORT_HEADER = ("report",)
"""Header of the one column of reports, each with the days that it may be of in front of it."""
UNREADABLE = "report-unreadable"
LONGEST_REPORT = 2000
"""Characters of the longest text that is read as one report; real ones have a few hundred."""
_SEARCHED_LINES = 200
_STATION = r"[A-Z][A-Z0-9]{3}"
REPORT = re.compile(
    rf"\b(?:(?:METAR|SPECI)[ \t]+(?:COR[ \t]+)?(?P<named>{_STATION})\b"
    rf"(?:[ \t]+(?P<named_time>\d{{6}})Z?\b)?"
    rf"|(?P<station>{_STATION})[ \t]+(?P<time>\d{{6}})Z\b)"
)
"""Beginning of a report: its station and its day and time; without the word METAR or SPECI the
time must be there and end with Z."""
_FORECAST = re.compile(
    rf"\bTAF\b[^=]*|\b{_STATION}[ \t]+\d{{6}}Z[ \t]+(?:NIL[ \t]+)?\d{{4}}/\d{{4}}\b[^=]*"
)
_HEADING = re.compile(
    r"[A-Z]{4}\d{0,2}\s+[A-Z]{4}\s+\d{6}(?:\s+[A-Z]{3})?|METAR|SPECI|ZCZC\b.*|NNNN|\d{1,5}"
)
_DATE_LINE = re.compile(
    r"[#*\s]*\d{4}(?:[-/]\d\d[-/]\d\d|[-/]\d\d|\d{4}(?:\d{4})?)(?:[ T]+\d\d:?\d\d(?::\d\d)?)?"
    r"\s*(?:Z|UTC)?"
)
_END = re.compile(r'[=",;]')
_CONTROLS = re.compile("[\x00-\x08\x0b-\x1f]")


@dataclass
class _Report:
    """A report: its first and last line, its text, and the days that it may be of."""

    first: int
    last: int
    text: str
    days: DateRange | None
    own_days: bool
    open: bool


@dataclass
class _Found:
    """What the lines of a text are."""

    reports: list[_Report] = field(default_factory=list)
    unreadable: list[int] = field(default_factory=list)
    blank: int = 0
    other: int = 0


def is_bulletin(start: bytes) -> bool:
    """Whether a text that starts like this holds reports and is no table with our headers."""
    lines = start.decode("utf-8", "replace").splitlines()[:_SEARCHED_LINES]
    first = next((line for line in lines if line.strip()), "")
    headers = {cell.strip(' "').lower() for mark in DELIMITERS for cell in first.split(mark)}
    if any(len(headers.intersection(kind.columns)) > 1 for kind in KINDS.values()):
        return False
    found = [
        match
        for line in lines
        if (match := REPORT.search(_without_forecast(line))) is not None
        and (match["time"] or match["named_time"])
    ]
    if not found:
        return False
    in_cells = any(mark in found[0].string[: found[0].start()] for mark in DELIMITERS)
    # a table may have a report in a remark here and there
    return not in_cells or 2 * len(found) >= sum(1 for line in lines[1:] if line.strip())


def report_rows(content: bytes, name: str) -> RawRows:
    """Divide a text into reports; lines that are none are headings, or rows that cannot be read.

    Parameters
    ----------
    content : bytes
        UTF-8 text, whole.
    name : str
        Name of the file, which may name a month or a day.

    Returns
    -------
    RawRows
        One column of reports, `REPORT_HEADER`.
    """
    lines = split(_one_report_a_line(content))
    found = _find([lines.text(number) for number in range(len(lines))])
    _date_by_name(found.reports, range_in_name(name))
    texts = [
        f"{report.days} {report.text}" if report.days is not None else report.text
        for report in found.reports
    ]
    return RawRows(
        header=REPORT_HEADER,
        cells=pa.table({"0": pa.array(texts, pa.string())}),
        first=np.array([report.first for report in found.reports], np.int64),
        last=np.array([report.last for report in found.reports], np.int64),
        broken=tuple(Broken(line, line, UNREADABLE) for line in found.unreadable),
        lines=lines,
        header_lines=found.other,
        blank_lines=found.blank,
        skipped_lines=0,
        delimiter=",",
        width=1,
        written=REPORT_HEADER,
        filled_unnamed=(),
    )


def _one_report_a_line(content: bytes) -> bytes:
    """Begin a line before every further report on a line."""
    parts = []
    for line in content.decode("utf-8", "surrogateescape").splitlines(keepends=True):
        starts = [match.start() for match in REPORT.finditer(line)]
        begin = 0
        for start in starts[1:]:
            ended = line.rfind("=", begin, start) + 1
            cut = ended or start
            if cut > begin:
                parts.append(f"{line[begin:cut]}\n")
                begin = cut
        parts.append(line[begin:])
    return "".join(parts).encode("utf-8", "surrogateescape")


def _find(lines: list[str]) -> _Found:
    found = _Found()
    ends_are_marked = any("=" in line for line in lines)
    around: DateRange | None = None
    current: _Report | None = None
    in_forecast = False
    for number, raw in enumerate(lines):
        line = _CONTROLS.sub("", raw).strip()
        rest = _without_forecast(line)
        match = REPORT.search(rest)
        if match is not None:
            own = range_in(rest[: match.start()])
            text, ended = _ended(rest[match.start() :])
            current = _Report(number, number, text, own or around, own is not None, not ended)
            found.reports.append(current)
            in_forecast = False
        elif not line:
            found.blank += 1
            current, in_forecast = None, False
        elif _DATE_LINE.fullmatch(line):
            around, current = range_in(line), None
            found.other += 1
        elif rest != line or in_forecast:
            in_forecast = not line.endswith("=")
            current = None
            found.other += 1
        elif _is_heading(line):
            current = None
            found.other += 1
        elif (
            current is not None
            and current.open
            and len(current.text) < LONGEST_REPORT
            and (ends_are_marked or raw[0].isspace())
        ):
            text, ended = _ended(line)
            current.text, current.last = f"{current.text} {text}", number
            current.open = not ended
        elif any(sign.isdigit() for sign in line):
            found.unreadable.append(number)
            current = None  # a report cannot go on behind a line that is not of it
        else:
            found.other += 1
            current = None
    _drop_dates_that_do_not_fit([report for report in found.reports if not report.own_days])
    return found


def _without_forecast(line: str) -> str:
    """The line without a TAF, which looks like a report at its beginning."""
    return _FORECAST.sub("", line)


def _is_heading(line: str) -> bool:
    """Whether a line is a heading, prose or the header of a table; reports have no small letter."""
    if line[0] in "#<" or _HEADING.fullmatch(line):
        return True
    return any(letter.islower() for letter in line)


def _ended(text: str) -> tuple[str, bool]:
    """The text up to the end of the report, and whether the report ends there."""
    end = _END.search(text)
    return (text.strip(), False) if end is None else (text[: end.start()].strip(), True)


def _date_by_name(reports: list[_Report], days: DateRange | None) -> None:
    """Date the reports that nothing else dates by the name of the file."""
    undated = [report for report in reports if report.days is None]
    for report in undated:
        report.days = days
    _drop_dates_that_do_not_fit(undated)


def _drop_dates_that_do_not_fit(reports: list[_Report]) -> None:
    """Take away a day that does not fit every report it is for.

    It may be the day on which the file was made; the month of its reports would be a guess.
    """
    wrong = set()
    for report in reports:
        if report.days is not None and report.days.is_near_one_day:
            day = _day_of(report.text)
            if day is not None and report.days.date_of(day) is None:
                wrong.add(report.days)
    for report in reports:
        if report.days in wrong:
            report.days = None


def _day_of(text: str) -> int | None:
    match = REPORT.match(text)
    time = None if match is None else match["time"] or match["named_time"]
    return None if time is None else int(time[:2])
