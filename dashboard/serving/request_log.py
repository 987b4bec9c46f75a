"""One line in the log for each request of others, under a number that its errors carry, too."""

import logging
import re
import secrets
import time

from flask import Flask, Response, g, has_request_context, request

from dashboard.access.current_user import current_user

HEADER = "X-Request-ID"
_GIVEN = re.compile(r"[A-Za-z0-9_-]{8,64}")
log = logging.getLogger("arcdrift.requests")


def request_id() -> str | None:
    """Return the number of the present request; None outside of one."""
    return g.get("request_id") if has_request_context() else None


def install(server: Flask, *, behind_proxy: bool, log_requests: bool) -> None:
    """Number the requests of an app, before any other of its checks.

    Parameters
    ----------
    behind_proxy : bool
        Whether to go on with the number that a proxy gave the request.
    log_requests : bool
        Whether to write a line for each; addresses are logged without their query, which may
        name people.
    """
    for handler in logging.getLogger().handlers:
        handler.addFilter(_add_request_id)

    @server.before_request
    def begin() -> None:
        given = request.headers.get(HEADER, "")
        sound = behind_proxy and _GIVEN.fullmatch(given)
        g.request_id = given if sound else secrets.token_hex(8)
        g.request_began = time.perf_counter()

    @server.after_request
    def end(response: Response) -> Response:
        response.headers[HEADER] = g.request_id
        if log_requests and request.endpoint != "health":
            user = current_user() if response.status_code < 500 else None
            log.info(
                "%s %s %d",
                request.method,
                request.path,
                response.status_code,
                extra={
                    "fields": {
                        "method": request.method,
                        "path": request.path,
                        "status": response.status_code,
                        "ms": round(1000 * (time.perf_counter() - g.request_began), 1),
                        "user": None if user is None else user.name,
                        "address": request.remote_addr,
                    }
                },
            )
        return response


def _add_request_id(record: logging.LogRecord) -> bool:
    record.request_id = request_id()
    return True
