"""Reports asked for in a browser: by whom, about what, and what is refused."""

import pytest

from dashboard.reports.report_kinds import REPORT_KINDS
from tests.dashboard.access.conftest import app as app
from tests.dashboard.access.conftest import signed_in as signed_in
from tests.dashboard.access.conftest import users_folder as users_folder


def test_a_report_is_a_download_with_a_name_that_says_what_it_is(signed_in):
    answer = signed_in("Lena").get("/report/week.html?week=2025-W23")
    assert answer.status_code == 200
    assert answer.mimetype == "text/html"
    assert answer.headers["Content-Disposition"] == (
        'attachment; filename="arcdrift-week-2025-w23.html"'
    )


def test_what_is_no_report_is_not_found(signed_in):
    assert signed_in("Lena").get("/report/nothing.html").status_code == 404


@pytest.mark.parametrize(
    "kind", [kind for kind, k in REPORT_KINDS.items() if k.least_role != "technician"]
)
def test_a_report_for_others_is_refused(signed_in, kind: str):
    assert signed_in("birch@work").get(f"/report/{kind}.html").status_code == 403
    assert signed_in("Lena").get(f"/report/{kind}.html").status_code == 200


def test_a_technician_asks_for_their_own_sheet_and_no_other(signed_in):
    own = signed_in("birch@work").get("/report/person.html?technician=Birch")
    assert own.status_code == 200
    assert "Birch: work and practice" in own.get_data(as_text=True)
    other = signed_in("birch@work").get("/report/person.html?technician=Alder")
    assert (other.status_code, other.get_data(as_text=True)) == (
        400, "Nobody named Alder is on record.\n",
    )  # fmt: skip


def test_days_that_there_are_not_are_told_in_a_sentence(signed_in):
    answer = signed_in("Lena").get("/report/month.html?month=2031-01")
    assert answer.status_code == 400
    assert "There is no month 2031-01 up to now" in answer.get_data(as_text=True)
