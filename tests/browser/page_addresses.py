"""Addresses of every page of a crew, each with something on it."""

from dashboard.pages import ONE_CASE, PAGES, PAGES_OF_RECORDS
from dashboard.reading.data import CrewData
from dashboard.url_query import href

NO_SUCH_PAGE = "/nowhere"
PAGES_OF_SUBJECTS = ("/loss", "/splicer", "/person", ONE_CASE)
"""Pages that show one splicer, stream, person or case, taken from what was found."""


def page_addresses(data: CrewData) -> list[str]:
    """Return an address of each page, and of each form that a page takes.

    Splicer, stream and person are those with the most findings, so that their pages are full.
    """
    plain = [path for path in PAGES if path not in PAGES_OF_SUBJECTS]
    return [*plain, *PAGES_OF_RECORDS, "/loss", *_of_subjects(data), NO_SUCH_PAGE]


def _of_subjects(data: CrewData) -> list[str]:
    splicer, program = _busiest(data, "stream", " / ".join(_first_stream(data))).split(" / ")
    person = _busiest(data, "technician", data.technicians()[0])
    cases = [each["id"] for each in data.cases()]
    return [
        href("/splicer", splicer=splicer),
        href("/loss", splicer=splicer, program=program),
        href("/loss", subject=f"technician:{person}"),
        href("/loss", subject=f"splicer:{splicer}"),
        href("/person", technician=person),
        href("/person", technician=person, show="1"),
        *(f"/cases/{each}" for each in cases[:1]),
        *(href("/records", mend=number) for number in data.rows_set_aside()["import_id"][:1]),
    ]


def _first_stream(data: CrewData) -> tuple[str, str]:
    first = data.result("result_stream_days").iloc[0]
    return str(first["splicer"]), str(first["program"])


def _busiest(data: CrewData, kind: str, otherwise: str) -> str:
    """Return the subject of a kind with the most findings."""
    found = [
        str(each["subject"]["id"]) for each in data.findings() if each["subject"]["type"] == kind
    ]
    return max(sorted(set(found)), key=found.count, default=otherwise)
