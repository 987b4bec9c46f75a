"""A mail server and a webhook on this computer, which do as a test tells them."""

import json
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from functools import cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

USER, PASSWORD = "post", "correct horse, battery"


@cache
def authority() -> trustme.CA:
    return trustme.CA()


def server_context(*names: str) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority().issue_cert(*(names or ("localhost", "127.0.0.1"))).configure_cert(context)
    return context


def authority_file(folder: Path) -> Path:
    """The certificate of the authority, for the variable SSL_CERT_FILE."""
    path = folder / "authority.pem"
    authority().cert_pem.write_to_path(str(path))
    return path


class Box:
    """Takes mail in; `answers` by command say what it does instead.

    An answer is a reply such as ``550 no such person``, or ``drop``, which cuts the connection; for
    RCPT by address.
    """

    def __init__(self) -> None:
        self.answers: dict[str, str] = {}
        self.messages: list[EmailMessage] = []
        self.to: list[str] = []
        self.raw: list[bytes] = []
        self.secured: list[bool] = []
        self.sessions = 0
        self.on_data: Any = None

    def _reply(self, server: Any, command: str) -> str | None:
        answer = self.answers.get(command)
        if answer == "drop":
            server.transport.abort()
            return "451 dropped"
        return answer

    async def handle_EHLO(self, server: Any, session: Any, envelope: Any, hostname: str,
                          responses: list[str]) -> list[str]:  # fmt: skip
        self.sessions += 1
        session.host_name = hostname
        return responses

    async def handle_MAIL(self, server: Any, session: Any, envelope: Any, address: str,
                          options: list[str]) -> str:  # fmt: skip
        reply = self._reply(server, "MAIL")
        envelope.mail_from = address
        return reply or "250 OK"

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str,
                          options: list[str]) -> str:  # fmt: skip
        reply = self._reply(server, address)
        if reply is None:
            envelope.rcpt_tos.append(address)
        return reply or "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        reply = self._reply(server, "DATA")
        if reply is not None:
            return reply
        self.raw.append(envelope.content)
        self.messages.append(message_from_bytes(envelope.content, policy=default))
        self.to += envelope.rcpt_tos
        self.secured.append(session.ssl is not None)
        if self.on_data is not None:
            self.on_data()
        if self.answers.get("after DATA") == "drop":
            server.transport.abort()
        return "250 OK"


def _authenticate(
    server: Any, session: Any, envelope: Any, mechanism: str, data: Any
) -> AuthResult:
    known = isinstance(data, LoginPassword) and (
        (data.login, data.password) == (USER.encode(), PASSWORD.encode())
    )
    return AuthResult(success=known, handled=False)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def mail_server(**options: Any) -> Iterator[tuple[Box, int]]:
    """Run a mail server; options are those of aiosmtpd's SMTP."""
    box, port = Box(), free_port()
    controller = Controller(box, "127.0.0.1", port, **options)
    controller.start()
    try:
        yield box, port
    finally:
        controller.stop()


@contextmanager
def secure_server(**options: Any) -> Iterator[tuple[Box, int]]:
    """Run one that wants STARTTLS, and a user with a password."""
    given = {
        "tls_context": server_context(), "require_starttls": True, "auth_required": True,
        "authenticator": _authenticate, "enable_SMTPUTF8": False,
    }  # fmt: skip
    with mail_server(**given | options) as server:
        yield server


class Hook(ThreadingHTTPServer):
    """A webhook that answers with the next of `answers`, then with 200."""

    daemon_threads = True

    def __init__(self, context: ssl.SSLContext | None = None) -> None:
        super().__init__(("127.0.0.1", 0), _HookHandler)
        self.answers: list[int | str] = []
        self.got: list[dict[str, Any]] = []
        self.headers: list[dict[str, str]] = []
        if context is not None:
            self.socket = context.wrap_socket(self.socket, server_side=True)
        self.scheme = "http" if context is None else "https"

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.server_port}/hook/path-is-secret"

    def handle_error(self, request: Any, client_address: Any) -> None:
        pass  # a client that does not trust the certificate goes away


class _HookHandler(BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        content = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.got.append(json.loads(content))
        self.server.headers.append(dict(self.headers))
        answer = self.server.answers.pop(0) if self.server.answers else 200
        if answer == "drop":
            self.connection.close()
            return
        self.send_response(302 if isinstance(answer, str) else answer)
        if isinstance(answer, str):
            self.send_header("Location", answer)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def do_GET(self) -> None:
        self.server.headers.append(dict(self.headers))
        self.send_response(200)
        self.end_headers()

    def log_message(self, format: str, *args: Any) -> None:
        pass


@contextmanager
def webhook(context: ssl.SSLContext | None = None) -> Iterator[Hook]:
    hook = Hook(context)
    thread = threading.Thread(target=hook.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield hook
    finally:
        hook.shutdown()
        thread.join()
        hook.server_close()
