"""Times as written to UTC. Zone facts: Europe/Oslo 2025, clocks +1 h on March 30 at 01:00 UTC,
-1 h on October 26 at 01:00 UTC (EU Directive 2000/84/EC)."""

from datetime import UTC, datetime

import pandas as pd
import pyarrow as pa
import pytest

from arcdrift.errors import BadInput
from arcdrift.intake.schema.problems import Problems
from arcdrift.intake.typing.local_times import TimeRules, coded, read_times
from arcdrift.settings import Crew, Site, Splicer

NOW = datetime(2026, 1, 1, tzinfo=UTC)
CREW = Crew(name="Invented", time_zone="Europe/Oslo")


def read(written, *, crew=CREW, site=None, owner=None, order=None, **rules):
    count = len(written)
    problems = Problems(count)
    names = pd.Series(owner or ["Heron"] * count, dtype="str")
    times = read_times(
        pa.chunked_array([pa.array(written, pa.string())]),
        "spliced_at",
        problems,
        TimeRules(file="log.csv", crew=crew, now=NOW, **rules),
        site=pd.Series(site or [None] * count, dtype="str"),
        owner=names,
        group=names,
        order=None if order is None else pd.Series(order, dtype=float),
    )
    found = problems.by_row()
    codes = dict(zip(found["row"].tolist(), found["code"], strict=True))
    utc = [None if pd.isna(t) else t.isoformat() for t in times.utc]
    return utc, codes, times.to_the_second


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("2025-03-01 14:05", "2025-03-01T13:05:00+00:00"),
        ("2025-07-01T14:05:06", "2025-07-01T12:05:06+00:00"),
        ("2025-07-01T14:05:06.5", "2025-07-01T12:05:06.500000+00:00"),
        ("2025-03-01T14:05Z", "2025-03-01T14:05:00+00:00"),
        ("2025-03-01 14:05:00+02:00", "2025-03-01T12:05:00+00:00"),
        ("2025-03-01 14:05:00-0530", "2025-03-01T19:35:00+00:00"),
        ("2025-03-01T14:05:00+02", "2025-03-01T12:05:00+00:00"),
        ("2025-03-01T14:05:00.123456789Z", "2025-03-01T14:05:00.123456+00:00"),
    ],
)
@pytest.mark.parametrize("beside", [[], ["2025-03-01 14:05"], ["2025-03-01T14:05Z"], ["x", None]])
def test_iso_times(written, expected, beside):
    utc, codes, _ = read([written, *beside])
    assert utc[0] == expected
    assert 0 not in codes


@pytest.mark.parametrize(
    "written",
    [
        "2025-03-01",
        "01.03.2025 14:05",
        "2025-13-01 14:05",
        "2025-06-31 14:05",
        "2025-03-01 24:01",
        "2025-03-01 14:05 h",
        "14:05",
        "2025-3-1 14:05",
        "2025-03-01 14:05+99:00",
        "0000-00-00 00:00",
    ],
)
def test_what_is_no_time(written):
    utc, codes, _ = read([written, "2025-03-01 14:05"])
    assert utc == [None, "2025-03-01T13:05:00+00:00"]
    assert codes == {0: "time-unreadable"}


def test_a_date_alone_means_midnight_where_that_will_do():
    utc, codes, _ = read(["2025-07-01", "2025-07-01 12:00"], dates_alone=True)
    assert utc == ["2025-06-30T22:00:00+00:00", "2025-07-01T10:00:00+00:00"]
    assert not codes


def test_a_format_of_the_files_own():
    utc, codes, _ = read(["01.07.2025 14:05", "x", None], time_format="%d.%m.%Y %H:%M")
    assert utc == ["2025-07-01T12:05:00+00:00", None, None]
    assert codes == {1: "time-unreadable"}
    utc, _, _ = read(["01.07.2025 14:05 +0300"], time_format="%d.%m.%Y %H:%M %z")
    assert utc == ["2025-07-01T11:05:00+00:00"]


@pytest.mark.parametrize(
    ("written", "time_format"),
    [
        ("Tue 2025-07-01 14:05", None),
        ("Di., 01.07.2025 14:05", "%d.%m.%Y %H:%M"),
        ("mar. 01/07/2025 14:05", "%d/%m/%Y %H:%M"),
        ("terça-feira, 01/07/2025 14:05", "%d/%m/%Y %H:%M"),
        ("Tuesday, July 1 2025 14:05", "%b %d %Y %H:%M"),
        ("martes 1 jul 2025 14:05", "%d %b %Y %H:%M"),
    ],
)
def test_a_weekday_before_a_date_is_passed_over(written, time_format):
    months = tuple("Jan Feb Mar Apr May Jun July Aug Sep Oct Nov Dec".split())
    rules = {"months": months} if "July" in written else {}
    utc, codes, _ = read([None, written], time_format=time_format, **rules)
    assert utc == [None, "2025-07-01T12:05:00+00:00"]
    assert not codes


def test_a_word_that_is_no_weekday_is_not_passed_over():
    words = ["about 01.07.2025 14:05", "Di 01", "mar 16 2026", "x", "before 01.07.2025 14:05"]
    utc, codes, _ = read(words, time_format="%d.%m.%Y %H:%M")
    assert utc == [None] * 5
    assert set(codes.values()) == {"time-unreadable"}
    # March, not Tuesday (martes)
    utc, _, _ = read(["mar 16 2026 14:05"], time_format="%b %d %Y %H:%M")
    assert utc == ["2026-03-16T13:05:00+00:00"]


def test_the_hour_that_does_not_exist_and_the_one_that_came_twice():
    utc, codes, _ = read(
        ["2025-03-30 02:30", "2025-10-26 02:30", "2025-10-26 03:00"], owner=["Heron"] * 3
    )
    assert utc == [None, None, "2025-10-26T02:00:00+00:00"]
    assert codes == {0: "time-not-existing", 1: "time-ambiguous"}


def test_the_order_settles_the_hour_that_came_twice():
    # the arc count runs on while the clock steps back after 02:50
    for rows in ([0, 1, 2], [1, 0, 2], [2, 1, 0]):
        wall = ["2025-10-26 02:50", "2025-10-26 02:10", "2025-10-26 02:20"]
        true = ["2025-10-26T00:50", "2025-10-26T01:10", "2025-10-26T01:20"]
        utc, codes, _ = read([wall[row] for row in rows], order=[row + 1 for row in rows])
        assert utc == [true[row] + ":00+00:00" for row in rows]
        assert not codes


def test_the_zone_is_that_of_the_layout_the_site_the_home_site_or_the_crew():
    crew = Crew(
        name="Invented",
        time_zone="UTC",
        sites={"Pass": Site(time_zone="America/Denver"), "Harbor": Site()},
        splicers={"Heron": Splicer(home_site="Pass")},
    )
    written = ["2025-07-01 12:00"] * 4
    site = ["Pass", "Harbor", None, None]
    owner = ["Plover", "Heron", "Heron", "Plover"]
    utc, _, _ = read(written, crew=crew, site=site, owner=owner)
    assert [t[11:13] for t in utc] == ["18", "12", "18", "12"]
    utc, _, _ = read(written, crew=crew, site=site, owner=owner, zone="Europe/Oslo")
    assert [t[11:13] for t in utc] == ["10"] * 4


def test_no_zone_is_an_error_and_never_utc():
    crew = Crew(name="Invented", sites={"Pass": Site(time_zone="America/Denver")})
    with pytest.raises(BadInput) as caught:
        read(["2025-07-01 12:00"] * 2, crew=crew, site=["Pass", "Harbor"])
    assert str(caught.value) == (
        "The times in log.csv have no UTC offset and no time zone is known for Harbor; set "
        "time_zone in crew.toml or in a layout."
    )
    utc, _, _ = read(["2025-07-01 12:00Z", None], crew=crew)
    assert utc == ["2025-07-01T12:00:00+00:00", None]


def test_wrong_clocks_are_told():
    _, codes, _ = read(["2026-01-02 00:00Z", "2026-01-02 00:01Z", "1989-12-31 23:59Z"])
    assert codes == {1: "time-in-future", 2: "time-too-old"}


def test_a_log_that_keeps_minutes_only_is_known():
    assert read(["2025-03-01 14:05:00", "2025-03-01 14:06"])[2] is False
    assert read(["2025-03-01 14:05:00", "2025-03-01 14:06:01"])[2] is True
    assert read(["2025-03-01 14:05:00Z", "2025-03-01 14:06:01Z"])[2] is True
    assert read(["2025-03-01 14:05:00.5", None])[2] is True


def test_a_format_that_cannot_be_used_is_refused():
    with pytest.raises(BadInput, match="The layout's time_format cannot be used"):
        read(["2025"], time_format="%Q")


def test_combinations_are_numbered():
    one = pd.Series(["a", None, "a", "b", None], dtype="str")
    two = pd.Series([1.0, float("nan"), 1.0, 1.0, float("nan")])
    code, first = coded(one, two)
    assert list(code) == [0, 1, 0, 2, 1]
    assert list(first) == [0, 1, 3]


# day numbers and times of a spreadsheet (=A1 with the general number format)
@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("45789.510416666664", "2025-05-12 12:15:00"),
        ("45789.51042", "2025-05-12 12:15:00"),
        ("45789,51042", "2025-05-12 12:15:00"),
        ("45789.5", "2025-05-12 12:00:00"),
        ("45789", "2025-05-12 00:00:00"),
        ("45789 0.510416666666667", "2025-05-12 12:15:00"),
        ("45789 .75", "2025-05-12 18:00:00"),
        ("45789 0", "2025-05-12 00:00:00"),
        ("45789 9:05", "2025-05-12 09:05:00"),
        ("45789 09:05:12", "2025-05-12 09:05:12"),
        ("2025-05-12 0.510416666666667", "2025-05-12 12:15:00"),
        ("2025-05-12", None),
        ("2025-05-12.5", None),
        ("2025-02-30 0.5", None),
        ("45789 24:00", None),
        ("45789 10:61", None),
        ("45789.99999999", "2025-05-13 00:00:00"),
        ("45789.51", None),  # to a quarter of an hour only
        ("45789.5104", None),
        ("4578.5", None),
        ("457890.5", None),
        ("45789.5x", None),
    ],
)
def test_day_numbers_of_a_spreadsheet_are_times(cell, expected):
    utc, codes, _ = read([cell, "2025-05-12T10:00:00Z"], zone="UTC")
    assert codes == ({0: "time-unreadable"} if expected is None else {})
    assert utc[0] == (expected and f"{expected.replace(' ', 'T')}+00:00")
