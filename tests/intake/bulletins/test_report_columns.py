"""Values of METAR and SPECI reports."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from arcdrift.intake.bulletins.report_columns import report_columns
from arcdrift.intake.schema.problems import Problems

NOVEMBER = "2026-11-01..2026-11-30 "


def read(*reports):
    problems = Problems(len(reports))
    columns = report_columns(reports, problems)
    return {name: values.to_pylist() for name, values in columns.items()}, problems.by_row()


def values(report):
    columns, problems = read(NOVEMBER + report)
    assert problems.empty
    names = ("temperature_c", "dew_point_c", "pressure_hpa")
    return tuple(None if (v := columns[name][0]) is None else float(v) for name in names)


def problem(report):
    _, problems = read(NOVEMBER + report)
    return problems["code"].tolist(), problems["column"].tolist()


@pytest.mark.parametrize(
    ("report", "expected"),
    [
        # examples of ICAO Annex 3, appendix 3 (A3-1 and A3-2), also in WMO-No. 49; from memory
        (
            "METAR YUDO 221630Z 24004MPS 0600 R12/1000U FG DZ SCT010 OVC020 17/16 Q1018 "
            "BECMG TL1700 0800 FG BECMG AT1800 9999 NSW",
            (17, 16, 1018),
        ),
        (
            "SPECI YUDO 151115Z 05025G37KT 3000 1200NE +TSRA BKN005CB 25/22 Q1008 "
            "TEMPO TL1200 0600 BECMG AT1200 8000 NSW NSC",
            (25, 22, 1008),
        ),
        # example of the Federal Meteorological Handbook No. 1, chapter 12; from memory. T00640036
        # in the remarks is 6.4 and 3.6 degrees, 29.90 inHg are 1012.53 hPa
        (
            "METAR KABC 121755Z AUTO 21016G24KT 180V240 1SM R11/P6000FT -RA BR BKN015 OVC025 "
            "06/04 A2990 RMK AO2 PK WND 20032/25 WSHFT 1715 VIS 3/4V1 1/2 VIS 3/4 RWY11 RAB07 "
            "CIG 013V017 CIG 017 RWY11 PRESFR SLP125 P0003 60009 T00640036 10066 21012 58033 TSNO",
            (6.4, 3.6, 1012.53),
        ),
        ("METAR ENXX 300020Z AUTO 24008KT 9999NDV // FEW020/// M02/M05 Q0998=", (-2, -5, 998)),
        ("METAR COR ENXX 300020Z 24008KT CAVOK M00/M01 Q1013", (0, -1, 1013)),
        ("KXXX 301253Z COR 24008KT 1/2SM FG M00/M01 A2992 RMK T10041006", (-0.4, -0.6, 1013.21)),
        ("CYXX 301300Z CCA 24008KT 15SM FEW020 02/M01 A2992 RMK CU1 SLP140", (2, -1, 1013.21)),
        ("RJXX 300030Z 24008KT 9999 FEW020 12/08 Q1013 RMK 1CU020 A2992", (12, 8, 1013)),
        ("UUXX 300030Z 24003MPS M01/M03 Q1013 R24/290050 NOSIG RMK QFE745/0993", (-1, -3, 1013)),
        ("METAR ENXX 300020Z 24008KT 9999 12/08 Q1013 W15/S2 NOSIG", (12, 8, 1013)),
        ("METAR ENXX 300020Z 24008KT 9999 12/08 Q1013 A2992", (12, 8, 1013.21)),
        ("METAR ENXX 300020Z 24008KT 9999 12/08 QNH2992INS", (12, 8, 1013.21)),
        ("METAR ENXX 300020Z 24008KT 9999 12/08 Q1013 TEMPO 15/12 Q1000", (12, 8, 1013)),
        ("METAR ENXX 300020Z 24008KT 9999 FEW020 12/08 Q1013 REDZ NIL SIG", (12, 8, 1013)),
        ("LFXX 271030Z AUTO 24012KT 7000ND BKN012 16/12 Q1013", (16, 12, 1013)),
        ("ZBXX 270800Z 31012KMH 9999 NSW 22/12 Q1008 NOSIG", (22, 12, 1008)),
        ("EGXX 131920Z 27010G//KT 9999 FEW030 18/09 Q1021", (18, 9, 1021)),
        ("KXXX 211439Z 18017KT 10SM FEW018 FEW030CB BKN0 12/09", (12, 9, None)),
        # groups that are missing, or reported as missing
        ("METAR ENXX 300020Z 24008KT 9999 ///// Q1013", (None, None, 1013)),
        ("METAR ENXX 300020Z 24008KT 9999 12/// Q1013", (12, None, 1013)),
        ("METAR ENXX 300020Z 24008KT 9999 12/ Q1013", (12, None, 1013)),
        ("METAR ENXX 300020Z /////KT //// // ////// 12/08 Q////", (12, 8, None)),
        ("KXXX 301253Z 24008KT 1 1/2SM CLR XX/XX A////", (None, None, None)),
        ("KXXX 301253Z 24008KT 10SM CLR A2992 RMK AO2 T01230045", (12.3, 4.5, 1013.21)),
        ("METAR ENXX 300020Z 24008KT R24/1200 9999", (None, None, None)),
    ],
)  # fmt: skip
def test_values_of_reports_as_they_are_met(report, expected):
    assert values(report) == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(
    ("report", "code", "column"),
    [
        ("METAR ENXX 300020Z NIL", "report-nil", "read_at"),
        ("METAR ENXX NIL", "report-nil", "read_at"),
        ("METAR ENXX 12/08 Q1013", "report-unreadable", "read_at"),
        ("METAR ENXX 302560Z 12/08 Q1013", "report-unreadable", "read_at"),
        ("METAR ENXX 320020Z 12/08 Q1013", "report-date-unclear", "read_at"),
        ("METAR ENXX 310020Z 12/08 Q1013", "report-date-unclear", "read_at"),
        ("METAR ENXX 300020Z 12/08 Q1013 RMK" + " AO2" * 1500, "report-unreadable", "read_at"),
        ("METAR ENXX 300020Z AUTO NIL", "report-nil", "read_at"),
        ("METAR ENXX 300020Z 18/12 Q10A5", "report-group-unreadable", "pressure_hpa"),
        ("METAR ENXX 300020Z 18/12 Q10155", "report-group-unreadable", "pressure_hpa"),
        ("METAR ENXX 300020Z 18/12 QNH1013HPA", "report-group-unreadable", "pressure_hpa"),
        ("METAR ENXX 300020Z 12/08Q1013", "report-group-unreadable", "temperature_c"),
        ("METAR ENXX 300020Z 12/08 A29.92", "report-group-unreadable", "pressure_hpa"),
        ("METAR ENXX 300020Z 12/08 Q1013 A2950", "report-groups-differ", "pressure_hpa"),
        ("METAR ENXX 300020Z 12/08 Q1013 Q1003", "report-groups-differ", "pressure_hpa"),
        ("KXXX 300020Z 12/08 A2992 RMK T10230045", "report-groups-differ", "temperature_c"),
        ("KXXX 300020Z 12/08 A2992 RMK T01230018", "report-groups-differ", "dew_point_c"),
    ],
)
def test_reports_that_are_kept_apart(report, code, column):
    codes, columns = problem(report)
    assert (codes, columns) == ([code], [column])


def test_nothing_is_dated_by_the_clock():
    _, problems = read("METAR ENXX 300020Z 12/08 Q1013")
    assert problems["code"].tolist() == ["report-undated"]
    assert problems["message"][0].startswith("ENXX 300020Z has a day but no month; write the date")


@pytest.mark.parametrize(
    ("report", "instant"),
    [
        ("2026-11-29..2026-12-01 METAR ENXX 302350Z 12/08 Q1013", "2026-11-30T23:50Z"),
        ("202612010005 METAR ENXX 302350Z 12/08 Q1013", "2026-11-30T23:50Z"),
        ("2027-01-01 METAR ENXX 312350Z 12/08 Q1013", "2026-12-31T23:50Z"),
        ("2028-03-01 METAR ENXX 292350Z 12/08 Q1013", "2028-02-29T23:50Z"),
        ("2026-11 METAR ENXX 010000Z 12/08 Q1013", "2026-11-01T00:00Z"),
    ],
)
def test_months_and_years_roll_over(report, instant):
    columns, problems = read(report)
    assert problems.empty
    assert columns["read_at"] == [instant]
    assert columns["station"] == ["ENXX"]
    assert columns["pressure_reference"] == ["qnh"]
    assert columns["source"] == ["METAR"]


def test_a_correction_counts_instead_of_what_it_corrects():
    first, same, correction, other = (
        "METAR ENXX 300020Z 12/08 Q1013", "METAR ENXX 300020Z 13/08 Q1013",
        "METAR COR ENXX 300020Z 13/08 Q1013", "METAR ENYY 300020Z 12/08 Q1013",
    )  # fmt: skip
    _, problems = read(*(NOVEMBER + report for report in (first, same, correction, other)))
    assert problems["row"].tolist() == [0]
    assert problems["code"].tolist() == ["report-corrected"]
    _, problems = read(NOVEMBER + first, NOVEMBER + "KXXX 300020Z COR 12/08 A2992")
    assert problems.empty


tenths = st.integers(-399, 399)


@given(tenths, st.integers(0, 300), st.integers(2800, 3099), st.booleans())
def test_any_values_come_back(t10, spread10, hundredths, precise):
    def whole(value10):
        rounded = int((abs(value10) + 5) // 10)
        return f"{'M' if value10 < 0 else ''}{rounded:02d}"

    def in_remarks(value10):
        return f"{int(value10 < 0)}{abs(value10):03d}"

    dew10 = max(t10 - spread10, -590)
    remarks = f" RMK AO2 T{in_remarks(t10)}{in_remarks(dew10)}" if precise else ""
    got = values(
        f"KXXX 301253Z 24008KT 10SM CLR {whole(t10)}/{whole(dew10)} A{hundredths}{remarks}"
    )
    within = 0.0501 if precise else 0.501
    assert got[0] == pytest.approx(t10 / 10, abs=within)
    assert got[1] == pytest.approx(dew10 / 10, abs=within)
    assert got[2] == pytest.approx(hundredths * 0.3386389, abs=0.01)  # inch at 0 degrees


@given(st.lists(st.text(st.characters(codec="ascii", min_codepoint=32), max_size=9), max_size=12))
def test_no_group_is_an_error(groups):
    columns, problems = read(f"{NOVEMBER}METAR ENXX 300020Z {' '.join(groups)}")
    assert len(columns["read_at"]) == 1
    assert problems.empty or problems["code"][0].startswith("report-")
