"""Sends a digest by mail: SMTP over TLS, to one reader at a time."""

import smtplib
import socket
import ssl
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from ipaddress import ip_address

from pydantic import ValidationError

from arcdrift.digest.delivery import (
    TIMEOUT_S,
    DeliveryFailed,
    DeliveryInDoubt,
    Handover,
    answer_text,
)
from arcdrift.digest.digest import Digest
from arcdrift.digest.digest_forms import paragraph, plain_text, simple_html
from arcdrift.digest.digest_words import digest_words, one_line, subject_line
from arcdrift.digest.secret_values import secret_value
from arcdrift.digest_settings import MailServer, Tls, is_loopback
from arcdrift.errors import BadInput
from arcdrift.wording import capitalized

# the name of a variable, not a password
PASSWORD = "ARCDRIFT_SMTP_PASSWORD"  # noqa: S105
VARIABLES = {
    "host": "ARCDRIFT_SMTP_HOST",
    "port": "ARCDRIFT_SMTP_PORT",
    "user": "ARCDRIFT_SMTP_USER",
    "sender": "ARCDRIFT_SMTP_SENDER",
    "tls": "ARCDRIFT_SMTP_TLS",
}
"""Variables of the environment that take precedence over ``[digest.smtp]``."""
PORTS: dict[Tls, int] = {"starttls": 587, "tls": 465, "none": 25}
FOOTER = "You get this because crew.toml lists you as a reader. Answers to it are not read."


@dataclass(frozen=True)
class MailRoute:
    """A mail server and how to use it."""

    host: str
    port: int
    sender: str
    tls: Tls
    user: str | None = None
    password: str | None = field(default=None, repr=False)

    @property
    def place(self) -> str:
        """Words for the server."""
        return f"the mail server {self.host}:{self.port}"


def mail_route(settings: MailServer, environment: Mapping[str, str]) -> MailRoute:
    """Return the mail server from crew.toml and the environment.

    Raises
    ------
    BadInput
        When a value is missing or wrong, or mail would go to another computer without TLS.
    """
    given = {key: environment[name] for key, name in VARIABLES.items() if environment.get(name)}
    try:
        server = MailServer.model_validate(settings.model_dump() | given)
    except ValidationError as problem:
        first = problem.errors()[0]
        name = VARIABLES.get(str(first["loc"][0]) if first["loc"] else "", "[digest.smtp]")
        message = str(first["msg"]).removeprefix("Value error, ")
        raise BadInput(f"{name}: {message}.") from None
    for key in ("host", "sender"):
        if getattr(server, key) is None:
            raise BadInput(
                f"No mail server can be used: {key} is missing in [digest.smtp] of crew.toml; set "
                f"it there, or in the variable {VARIABLES[key]}."
            )
    host, sender = str(server.host).strip("[]"), str(server.sender)
    if server.tls == "none" and not is_loopback(host):
        raise BadInput(
            f'Mail to {host} would be readable on its way (tls = "none"), so none is sent; use '
            '"starttls" or "tls". Only a mail server on this computer may do without.'
        )
    password = secret_value(PASSWORD, environment)
    if (server.user is None) != (password is None):
        missing = f"the variable {PASSWORD} or {PASSWORD}_FILE" if password is None else "user"
        raise BadInput(
            f"To sign in at the mail server {host} a user and a password are needed; {missing} is "
            "not set."
        )
    port = PORTS[server.tls] if server.port is None else server.port
    return MailRoute(host, port, sender, server.tls, server.user, password)


def digest_message(
    digest: Digest,
    *,
    sender: str,
    reader: str,
    address: str,
    message_id: str,
    at: datetime,
    preface: str = "",
) -> EmailMessage:
    """Build the message of a digest: plain text, and simple HTML without images or links.

    Parameters
    ----------
    reader : str
        Name of the one who gets it.
    message_id : str
        What makes it unique, of letters and digits.
    preface : str
        A sentence that stands first.
    """
    words = digest_words(digest)
    text = plain_text(words)
    if preface:
        text = f"{paragraph(preface)}\n\n{text}"
    message = EmailMessage(policy=SMTP)
    message["Subject"] = subject_line(digest)
    message["From"] = _named(one_line(digest.crew)[:60], sender)
    message["To"] = _named(one_line(reader), address)
    message["Date"] = at
    message["Message-ID"] = f"<{message_id}@{sender.rpartition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no automatic answers to it
    message.set_content(f"{text}\n-- \n{FOOTER}\n", cte="quoted-printable")
    page = simple_html(words, " ".join(part for part in (preface, FOOTER) if part))
    message.add_alternative(page, subtype="html", cte="quoted-printable")
    return message


def _named(name: str, address: str) -> Address:
    local, _, domain = address.rpartition("@")
    return Address(display_name=name, username=local, domain=domain)


def send_mail(route: MailRoute, message: EmailMessage, address: str, handover: Handover) -> None:
    """Send a message to one address.

    Parameters
    ----------
    handover : callable
        Called when the server has accepted sender and recipient, before the message leaves.

    Raises
    ------
    DeliveryFailed
        When it was refused, or did not leave.
    DeliveryInDoubt
        When the server broke off while it had the message.
    """
    server = _connected(route)
    try:
        _prepare(server, route)
        options = _options(server, route, address)
        content = _content(message, utf8="SMTPUTF8" in options)
        _envelope(server, route, address, options)
        handover()
        try:
            code, answer = server.data(content)
        except smtplib.SMTPDataError as problem:
            code, answer = problem.smtp_code, str(problem.smtp_error).encode()
        except (OSError, smtplib.SMTPException):
            raise DeliveryInDoubt(
                f"{capitalized(route.place)} broke off while it had the message to {address}, "
                "which may have arrived. It is not sent again today; the next message tells all of "
                "it again."
            ) from None
        if code != 250:
            raise DeliveryFailed(
                f"{capitalized(route.place)} did not take the message to {address} "
                f"({answer_text(code, answer)}); it is tried again at the next run."
            )
        with suppress(OSError, smtplib.SMTPException):
            server.quit()
    finally:
        server.close()


def _connected(route: MailRoute) -> smtplib.SMTP:
    name = _own_name()
    try:
        if route.tls == "tls":
            context = ssl.create_default_context()
            return smtplib.SMTP_SSL(
                route.host, route.port, name, timeout=TIMEOUT_S, context=context
            )
        return smtplib.SMTP(route.host, route.port, name, timeout=TIMEOUT_S)
    except (OSError, smtplib.SMTPException) as problem:
        raise _unreachable(route, problem) from None


def _own_name() -> str:
    """What this computer calls itself, without looking it up."""
    name = socket.gethostname()
    return name if "." in name and name.isascii() else "[127.0.0.1]"


def _prepare(server: smtplib.SMTP, route: MailRoute) -> None:
    """Secure the connection and sign in."""
    try:
        server.ehlo_or_helo_if_needed()
        if route.tls == "none":
            _require_this_computer(server, route)
        elif route.tls == "starttls":
            if not server.has_extn("starttls"):
                raise DeliveryFailed(
                    f"{capitalized(route.place)} does not offer STARTTLS, so nothing was sent to "
                    'it; if it wants TLS from the start (often port 465), write tls = "tls".'
                )
            server.starttls(context=ssl.create_default_context())
            server.ehlo_or_helo_if_needed()
        if route.user is not None and route.password is not None:
            server.login(route.user, route.password)
    except smtplib.SMTPAuthenticationError as problem:
        raise DeliveryFailed(
            f"{capitalized(route.place)} did not accept the password of {route.user} "
            f"({problem.smtp_code}); check {PASSWORD} and user."
        ) from None
    except smtplib.SMTPNotSupportedError:
        raise DeliveryFailed(
            f"{capitalized(route.place)} does not let anybody sign in; leave user away, or check "
            "host and port."
        ) from None
    except (OSError, smtplib.SMTPException) as problem:
        raise _unreachable(route, problem) from None


def _require_this_computer(server: smtplib.SMTP, route: MailRoute) -> None:
    connection = server.sock
    peer = "" if connection is None else str(connection.getpeername()[0])
    if not peer or not ip_address(peer.split("%")[0]).is_loopback:
        raise DeliveryFailed(
            f"{capitalized(route.place)} is not on this computer, so nothing is sent to it without "
            'TLS; write tls = "starttls" or "tls".'
        )


def _options(server: smtplib.SMTP, route: MailRoute, address: str) -> list[str]:
    """Options of the envelope; letters beyond ASCII in an address need a server that takes them."""
    if address.isascii() and route.sender.isascii():
        return []
    if not server.has_extn("smtputf8"):
        raise DeliveryFailed(
            f"The mail server does not take addresses with letters beyond ASCII, as in {address}; "
            "write another address of this reader into crew.toml."
        )
    return ["SMTPUTF8", "BODY=8BITMIME"]


def _content(message: EmailMessage, *, utf8: bool) -> bytes:
    return message.as_bytes(policy=SMTP.clone(utf8=utf8, cte_type="8bit" if utf8 else "7bit"))


def _envelope(server: smtplib.SMTP, route: MailRoute, address: str, options: list[str]) -> None:
    try:
        code, answer = server.mail(route.sender, options)
        if code != 250:
            raise DeliveryFailed(
                f"{capitalized(route.place)} refuses the sender {route.sender} "
                f"({answer_text(code, answer)}); check sender in [digest.smtp] of crew.toml."
            )
        code, answer = server.rcpt(address)
        if code not in (250, 251):
            raise DeliveryFailed(
                f"{capitalized(route.place)} refuses {address} ({answer_text(code, answer)}); "
                "check the address in crew.toml. It is tried again at the next run."
            )
    except (OSError, smtplib.SMTPException) as problem:
        raise _unreachable(route, problem) from None


def _unreachable(route: MailRoute, problem: Exception) -> DeliveryFailed:
    place = capitalized(route.place)
    again = "it is tried again at the next run"
    if isinstance(problem, DeliveryFailed):
        return problem
    if isinstance(problem, ssl.SSLCertVerificationError):
        why = one_line(str(problem.verify_message)).rstrip(".").lower()
        return DeliveryFailed(
            f"{place} shows a certificate that is not trusted ({why}), so nothing was sent to it; "
            "check host, or name the file of its authority in the variable SSL_CERT_FILE."
        )
    if isinstance(problem, ssl.SSLError):
        return DeliveryFailed(
            f"{place} does not speak TLS as expected; check port and tls in [digest.smtp] of "
            'crew.toml ("starttls" is usual on port 587, "tls" on port 465).'
        )
    if isinstance(problem, socket.gaierror):
        return DeliveryFailed(f"{place} was not found; check host in [digest.smtp] of crew.toml.")
    if isinstance(problem, TimeoutError):
        return DeliveryFailed(f"{place} did not answer within {TIMEOUT_S:.0f} s; {again}.")
    if isinstance(problem, smtplib.SMTPServerDisconnected):
        return DeliveryFailed(f"{place} broke off before it had the message; {again}.")
    if isinstance(problem, smtplib.SMTPResponseException):
        answer = answer_text(problem.smtp_code, problem.smtp_error)
        return DeliveryFailed(f"{place} refused ({answer}); {again}.")
    reason = problem.strerror if isinstance(problem, OSError) else None
    why = one_line(reason or type(problem).__name__).lower()
    return DeliveryFailed(f"{place} cannot be used ({why}); {again}.")
