"""``arcdrift serve``: serves the dashboard to the browser of this computer."""

import logging
import os
import socket
import tempfile
from pathlib import Path
from typing import Annotated

import typer

from arcdrift.cli.error_messages import LOG_FILE, UnexpectedError
from arcdrift.cli.options import CURRENT_FOLDER, CrewFolder
from arcdrift.cli.output import print_notice
from arcdrift.errors import ArcdriftError, UsageError

HOST = "127.0.0.1"
PORT = 8050
TRIED_PORTS = 50

Port = Annotated[
    int | None,
    typer.Option(
        "--port",
        min=1,
        max=65535,
        show_default=f"{PORT}, or the next free one",
        help="Port to listen on.",
    ),
]


def serve(
    folder: CrewFolder = CURRENT_FOLDER,
    host: Annotated[
        str, typer.Option("--host", help="Address to listen on; only addresses of this computer.")
    ] = HOST,
    port: Port = None,
) -> None:
    """Show the dashboard in the browser of this computer; Ctrl-C ends it."""
    serve_folder(folder, host, port)


def serve_folder(folder: Path, host: str, port: int | None) -> None:
    """Serve a crew folder until interrupted, on the given port or the next free one."""
    from arcdrift.settings import load_crew

    load_crew(folder)  # before the slow imports, so that a wrong folder is refused at once
    log_to_file(folder)
    try:
        from dashboard import app

        listen_port = port or PORT
        if app.is_loopback(host):  # any other host is refused by the dashboard itself
            listen_port = free_port(host, port)
        address = f"http://{_url_host(host)}:{listen_port}"
        app.serve(
            folder,
            host,
            listen_port,
            listening=lambda: print_notice(f"Dashboard at {address} (Ctrl-C ends it)."),
        )
    except ArcdriftError:
        raise
    except Exception as problem:
        raise UnexpectedError(folder) from problem


def free_port(host: str, port: int | None) -> int:
    """Return the given port if it is free, or the first free one from `PORT` on.

    Raises
    ------
    UsageError
        If the given port is taken, or none is free.
    """
    candidates = range(PORT, PORT + TRIED_PORTS) if port is None else (port,)
    for candidate in candidates:
        if _is_free(host, candidate):
            return candidate
    if port is not None:
        raise UsageError(
            f"Port {port} cannot be used, another program may have it; choose another --port."
        )
    raise UsageError(
        f"No port from {PORT} to {PORT + TRIED_PORTS - 1} is free; choose one with --port."
    )


def _is_free(host: str, port: int) -> bool:
    try:
        addresses = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        for family, kind, protocol, _, address in addresses:
            with socket.socket(family, kind, protocol) as probe:
                # as the server does: a port whose last connection is closing counts as free
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                probe.bind(address)
    except OSError:
        return False
    return True


def log_to_file(folder: Path) -> None:
    """Write the server's warnings to the crew folder's log instead of the terminal.

    Where the folder cannot be written, the log is in the temporary folder.
    """
    path = folder / LOG_FILE
    if not os.access(path if path.exists() else folder, os.W_OK):
        path = Path(tempfile.gettempdir()) / LOG_FILE
    handler = logging.FileHandler(path, encoding="utf-8", delay=True)
    handler.setFormatter(logging.Formatter("%(asctime)s %(name)s %(message)s"))
    logging.basicConfig(handlers=[handler], level=logging.WARNING)


def _url_host(host: str) -> str:
    """Return the host as a URL needs it: an IPv6 address in brackets."""
    return f"[{host}]" if ":" in host else host
