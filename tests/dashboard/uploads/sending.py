"""Sending files in as a browser does, and what comes of them."""

import time
from typing import Any

from dash import Dash

from dashboard.app import UPLOADS
from dashboard.pages.records.upload_list import uploads_part
from dashboard.uploads.upload import Upload
from dashboard.uploads.uploads import Uploads
from tests.dashboard.rendering import text

HEADER = "splicer,spliced_at,loss_db,outcome,technician,program"
ROWS = (
    "Heron,2026-03-02T08:10:00Z,0.02,done,Birch,single-mode",
    "Heron,2026-03-02T08:20:00Z,0.03,done,Birch,single-mode",
    "Heron,2026-03-02T08:30:00Z,lots,done,Birch,single-mode",
)
OPEN = (
    "Splicer,Date,Loss,Operator,Result\n"
    "Heron,03/04/2026 08:10,0.02,Birch,OK\n"
    "Heron,03/04/2026 08:20,0.03,Birch,OK\n"
)
"""A log of which nothing tells whether its dates begin with the day or the month."""
HOME = {"Origin": "http://127.0.0.1:8050", "Host": "127.0.0.1:8050"}


def log_text(*rows: str) -> bytes:
    return "\n".join((HEADER, *rows, "")).encode()


def uploads_of(app: Dash) -> Uploads:
    found: Uploads = app.server.extensions[UPLOADS]
    return found


def send(app: Dash, name: str, content: bytes, **query: str) -> Any:
    return app.server.test_client().post(
        "/records/files", data=content, query_string={"name": name, **query}, headers=HOME,
        base_url="http://127.0.0.1:8050",
    )  # fmt: skip


def ended(app: Dash, answer: Any, session: str = "") -> Upload:
    """The file, once it is imported, refused or something is open."""
    assert answer.status_code == 202, answer.get_data(as_text=True)
    upload = uploads_of(app).find(answer.json["token"], session)
    for _ in range(600):
        if not upload.is_active:
            return upload
        time.sleep(0.02)
    raise AssertionError("it did not end")


def told(app: Dash, session: str = "") -> str:
    found = uploads_of(app).of(session)
    return text(uploads_part(found, analyzing=False, failed=""))
