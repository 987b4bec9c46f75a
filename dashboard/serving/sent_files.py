"""How answers travel to a browser: compressed, and scripts and styles only once.

Scripts and styles carry their version in their address: their content never changes.
"""

from flask import Flask, Response, request
from flask_compress import Compress

PLOTLY_FILE = "plotly/plotly-cartesian-4.1.1.min.js"
"""Plotly with the kinds of traces that charts here use, instead of all; in `dashboard/assets`.

`arcdrift.js` there says it to Dash.
"""
KEPT_SECONDS = 365 * 24 * 3600
COMPRESSIONS = ["zstd", "br", "gzip"]
"""The fastest first; without TLS a browser takes only the last one."""
_ASSETS = "/assets/"
_LIBRARIES = "/_dash-component-suites/"


def install(server: Flask) -> None:
    """Attach both to a server, before anything else that looks at its answers."""
    server.config["COMPRESS_ALGORITHM"] = COMPRESSIONS
    server.config["COMPRESS_STREAMS"] = False
    Compress(server)

    @server.after_request
    def keep(response: Response) -> Response:
        if response.status_code == 200 and request.path.startswith(_ASSETS):
            # read whole, so that it can be compressed
            response.direct_passthrough = False
            response.make_sequence()
        if response.status_code in (200, 304) and _never_changes(response):
            kept = response.cache_control
            kept.no_cache, kept.public, kept.max_age, kept.immutable = (
                None,
                True,
                KEPT_SECONDS,
                True,
            )
        return response


def _never_changes(response: Response) -> bool:
    """Whether the address that was asked for names one version of a file."""
    path = request.path
    if path.startswith(_ASSETS):
        return "m" in request.args or path == _ASSETS + PLOTLY_FILE
    # Dash says so of the files of libraries
    return path.startswith(_LIBRARIES) and response.cache_control.max_age == KEPT_SECONDS
