"""``arcdrift serve``: the dashboard in the browser of this computer."""

import logging
import socket
from pathlib import Path
from typing import Annotated

import typer

from arcdrift.cli.error_messages import LOG_FILE, Unforeseen
from arcdrift.cli.options import HERE, CrewFolder
from arcdrift.cli.output import say
from arcdrift.errors import ArcdriftError, UsageError

HOST = "127.0.0.1"
PORT = 8050
TRIED = 50

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
    crew: CrewFolder = HERE,
    host: Annotated[
        str, typer.Option("--host", help="Address to listen on; this computer's own only.")
    ] = HOST,
    port: Port = None,
) -> None:
    """Show the dashboard in the browser of this computer; Ctrl-C ends it."""
    serve_folder(crew, host, port)


def serve_folder(folder: Path, host: str, port: int | None) -> None:
    """Serve a crew folder until interrupted, on the asked port or the next free one."""
    from arcdrift.settings import load_crew

    load_crew(folder)  # before anything slow, for the sentence about a wrong folder
    log_to(folder)
    try:
        from dashboard import app

        chosen = port or PORT
        if app.is_loopback(host):  # any other host is refused by the dashboard itself
            chosen = free_port(host, port)
            say(f"Dashboard at http://{_in_address(host)}:{chosen} (Ctrl-C ends it).")
        app.serve(folder, host, chosen)
    except ArcdriftError:
        raise
    except Exception as problem:
        raise Unforeseen(folder) from problem


def free_port(host: str, port: int | None) -> int:
    """Return the asked port, or the first free one from `PORT` on.

    Raises
    ------
    UsageError
        When the asked port is taken, or none is free.
    """
    tried = range(PORT, PORT + TRIED) if port is None else (port,)
    for candidate in tried:
        if _is_free(host, candidate):
            return candidate
    if port is not None:
        raise UsageError(
            f"Port {port} cannot be used, another program may have it; choose another --port."
        )
    raise UsageError(f"No port from {PORT} to {PORT + TRIED - 1} is free; choose one with --port.")


def _is_free(host: str, port: int) -> bool:
    try:
        places = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        for family, kind, protocol, _, address in places:
            with socket.socket(family, kind, protocol) as probe:
                # as the server does: a port in its closing wait is free
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                probe.bind(address)
    except OSError:
        return False
    return True


def log_to(folder: Path) -> None:
    """Send what the server would write on the terminal to the crew folder's log."""
    handler = logging.FileHandler(folder / LOG_FILE, encoding="utf-8", delay=True)
    handler.setFormatter(logging.Formatter("%(asctime)s %(name)s %(message)s"))
    logging.basicConfig(handlers=[handler], level=logging.WARNING)


def _in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host
