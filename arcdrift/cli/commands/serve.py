"""``arcdrift serve``: serves the dashboard to this computer, or to others who sign in."""

import io
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from arcdrift.cli.error_messages import UnexpectedError
from arcdrift.cli.json_log import log_to_file
from arcdrift.cli.options import CURRENT_FOLDER, CrewFolder
from arcdrift.cli.output import print_notice
from arcdrift.cli.private_files import make_private
from arcdrift.errors import ArcdriftError, UsageError

if TYPE_CHECKING:
    from dashboard.access.served_address import ServedAddress

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
        str,
        typer.Option(
            "--host",
            help="Address to listen on; any but this computer's own needs users (arcdrift user).",
        ),
    ] = HOST,
    port: Port = None,
    behind_proxy: Annotated[
        int,
        typer.Option(
            "--behind-proxy",
            metavar="N",
            min=0,
            max=9,
            help="Believe the X-Forwarded headers of N reverse proxies in front; needs users.",
        ),
    ] = 0,
    public_url: Annotated[
        str,
        typer.Option(
            "--public-url",
            metavar="URL",
            help="Address that others open, such as https://crew.example, if it is not --host.",
        ),
    ] = "",
    sign_in: Annotated[
        bool, typer.Option("--sign-in", help="Ask for a sign-in on this computer, too.")
    ] = False,
) -> None:
    """Show the dashboard on this computer, or serve it to those who sign in; Ctrl-C ends it."""
    serve_folder(
        folder, host, port, behind_proxy=behind_proxy, public_url=public_url, sign_in=sign_in
    )


def serve_folder(
    folder: Path,
    host: str,
    port: int | None,
    *,
    behind_proxy: int = 0,
    public_url: str = "",
    sign_in: bool = False,
) -> None:
    """Serve a crew folder until interrupted, on the given port or the next free one."""
    from arcdrift.settings import load_crew

    load_crew(folder)  # before the slow imports, so that a wrong folder is refused at once
    log_to_file(folder)
    try:
        from dashboard import app
        from dashboard.access.served_address import ServedAddress

        address = ServedAddress(host, free_port(host, port), behind_proxy, public_url, sign_in)
        app.serve(folder, address, listening=lambda: _say_where(folder, address))
    except ArcdriftError:
        raise
    except Exception as problem:
        raise UnexpectedError(folder) from problem


def _say_where(folder: Path, address: "ServedAddress") -> None:
    _print_address(address)
    if address.needs_sign_in:
        make_private(folder)


def _print_address(address: "ServedAddress") -> None:
    print_notice(f"Dashboard at {address.url} (Ctrl-C ends it).")
    if address.needs_sign_in and not address.is_only_here and sys.stderr.isatty():
        typer.echo(phone_code(address.url), err=True)
    if address.is_open_network:
        print_notice(
            "Passwords and figures cross this network unencrypted: put a reverse proxy with TLS in "
            "front (README, On the phone)."
        )


def phone_code(url: str) -> str:
    """Return an address as a QR code of block characters, for a phone's camera."""
    import segno

    drawn = io.StringIO()
    segno.make(url, error="m", micro=False).terminal(drawn, border=2, compact=True)
    return f"For a phone's camera:\n{drawn.getvalue()}"


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
