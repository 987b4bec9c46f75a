"""The address that a supervisor or a proxy asks whether the dashboard works."""

import logging

from flask import Flask, Response
from sqlalchemy import select

from arcdrift.errors import ArcdriftError
from arcdrift.store import schema
from arcdrift.store.database.connect import reading
from dashboard.access.roles import ANYBODY, for_role
from dashboard.reading.data import CrewData

PATH = "/health"
log = logging.getLogger("arcdrift.dashboard")


def register(server: Flask, data: CrewData) -> None:
    """Attach the route: 200 where the store can be read, 503 where not, and no more to anybody."""

    @server.get(PATH)
    @for_role(ANYBODY)
    def health() -> Response:
        try:
            with reading(data.engine) as connection:
                connection.execute(select(schema.imports.c.id).limit(1)).all()
        except ArcdriftError as problem:
            log.warning("not healthy: %s", problem)
            return _answer("unavailable", 503)
        return _answer("ok", 200)


def _answer(status: str, code: int) -> Response:
    return Response(
        f'{{"status": "{status}"}}\n',
        code,
        mimetype="application/json",
        headers={"Cache-Control": "no-store"},
    )
