"""Settings of messages in crew.toml: who reads them, and through which mail server they go.

No password is among them: it comes from the environment (`arcdrift.digest.secret_values`).
"""

import ipaddress
import re
import unicodedata
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

MOST_NAME_CHARACTERS = 100
MOST_ADDRESS_OCTETS = 254
"""Longest address that a mail server must take (RFC 5321, 4.5.3.1.3, less the brackets)."""
MOST_LOCAL_OCTETS = 64
"""Longest part of an address before the @ (RFC 5321, 4.5.3.1.1)."""
_LOCAL = re.compile(r"[^\s\x00-\x20\x7f()<>\[\]:;@\\,\"]+")
_LABEL = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?", re.IGNORECASE)
_VARIABLE = r"^[A-Z][A-Z0-9_]{0,99}$"


def mail_address(text: str) -> str:
    """Return a mail address with its domain in ASCII.

    Raises
    ------
    ValueError
        With a sentence when it is not one that mail can be sent to.
    """
    address = unicodedata.normalize("NFC", text)
    local, at, domain = address.rpartition("@")
    if not at or not _LOCAL.fullmatch(local) or not address.isprintable():
        raise ValueError(f"{text!r} is not a mail address; write one such as ash@example.org")
    if local.startswith(".") or local.endswith(".") or ".." in local:
        raise ValueError(f"the mail address {text!r} has a dot too many before the @")
    try:
        ascii_domain = domain.encode("idna").decode("ascii").lower()
    except UnicodeError:
        ascii_domain = ""
    labels = ascii_domain.split(".")
    if not all(_LABEL.fullmatch(label) for label in labels) or (
        len(labels) < 2 and ascii_domain != "localhost"
    ):
        raise ValueError(f"{domain!r} in the mail address {text!r} is not the name of a domain")
    whole = f"{local}@{ascii_domain}"
    if len(local.encode()) > MOST_LOCAL_OCTETS or len(whole.encode()) > MOST_ADDRESS_OCTETS:
        raise ValueError(f"the mail address {text[:40]!r}... is too long for any mail server")
    return whole


def is_loopback(host: str) -> bool:
    """Whether a host name or address is this computer, as written; no name is looked up."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _webhook(text: str) -> str:
    try:
        parts = urlsplit(text)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        host, port, parts = "", None, urlsplit("")
    plain = all(char.isprintable() and not char.isspace() for char in text) and text.isascii()
    if parts.scheme not in ("http", "https") or not host or not plain or port == 0:
        raise ValueError("the webhook is not an address such as https://example.org/hook")
    if parts.username is not None or parts.password is not None:
        raise ValueError(
            "the webhook has a name or a password in it; name the variable of its secret in "
            "secret_variable instead"
        )
    if parts.scheme == "http" and not is_loopback(host):
        raise ValueError("the webhook must begin with https://; only this computer may do without")
    return text


def _one_line(text: str) -> str:
    if not text.strip() or len(text) > MOST_NAME_CHARACTERS or not text.isprintable():
        raise ValueError(
            f"a name has 1 to {MOST_NAME_CHARACTERS} characters on one line that can be printed"
        )
    return " ".join(text.split())


def _host(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9._:\[\]-]{1,253}", text):
        raise ValueError(f"{text[:60]!r} is not the name of a mail server")
    return text


OneLine = Annotated[str, AfterValidator(_one_line)]
MailAddress = Annotated[str, AfterValidator(mail_address)]
Webhook = Annotated[str, AfterValidator(_webhook)]
Host = Annotated[str, AfterValidator(_host)]
Tls = Literal["starttls", "tls", "none"]


class _Strict(BaseModel):
    # an error must not repeat the value: a webhook's address may be a secret
    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


class DigestReader(_Strict):
    """Somebody who gets a message when something is new, by mail or through a webhook."""

    name: OneLine
    role: Literal["technician", "trainer", "lead"]
    """Trainer and lead read about people; a technician only about themself."""
    address: MailAddress | None = None
    webhook: Webhook | None = Field(None, repr=False)
    technician: OneLine | None = None
    """Name in the logs of a reader who is a technician."""
    subjects: tuple[OneLine, ...] = ()
    """Splicers, people and sites that the reader wants to hear of; all unless set."""
    secret_variable: Annotated[str, Field(pattern=_VARIABLE)] | None = None
    """Variable of the environment with the secret that is sent to the webhook."""

    @model_validator(mode="after")
    def _one_way(self) -> "DigestReader":
        if (self.address is None) == (self.webhook is None):
            raise ValueError(f"{self.name} needs an address or a webhook, one of the two")
        if self.technician is not None and self.role != "technician":
            raise ValueError(
                f"{self.name} has the role {self.role}; technician, the name in the logs, is only "
                "for the role technician"
            )
        if self.secret_variable is not None and self.webhook is None:
            raise ValueError(f"{self.name} has no webhook that the secret_variable could be for")
        return self

    @property
    def recipient(self) -> str:
        """What makes two readers one: the address in lower case, or the webhook."""
        if self.address is not None:
            return f"mail:{self.address.casefold()}"
        return f"webhook:{self.webhook}"


class MailServer(_Strict):
    """Mail server that messages go through; variables of the environment take precedence."""

    host: Host | None = None
    port: int | None = Field(None, gt=0, lt=65536)
    user: OneLine | None = None
    sender: MailAddress | None = None
    """Address that messages come from."""
    tls: Tls = "starttls"
    """starttls or tls; none is only for a server on this computer."""

    @model_validator(mode="before")
    @classmethod
    def _no_password(cls, given: Any) -> Any:
        if isinstance(given, dict) and any("passw" in str(key).lower() for key in given):
            raise ValueError(
                "a password does not belong into crew.toml; put it into the variable "
                "ARCDRIFT_SMTP_PASSWORD of the environment, or into a file that "
                "ARCDRIFT_SMTP_PASSWORD_FILE names"
            )
        return given


class DigestSettings(_Strict):
    """Who gets messages, and how."""

    readers: tuple[DigestReader, ...] = ()
    smtp: MailServer = Field(default_factory=MailServer)

    @model_validator(mode="after")
    def _each_once(self) -> "DigestSettings":
        names = [reader.name.casefold() for reader in self.readers]
        recipients = [reader.recipient for reader in self.readers]
        for reader in self.readers:
            if names.count(reader.name.casefold()) > 1:
                raise ValueError(f"the name {reader.name} stands twice among the readers")
            if recipients.count(reader.recipient) > 1:
                what = reader.address or f"the webhook of {reader.name}"
                raise ValueError(
                    f"{what} stands twice among the readers; a person gets one message a day"
                )
        return self
