"""Sends a digest to a webhook: one JSON POST over HTTPS."""

import http.client
import json
import ssl
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from typing import Any
from urllib.parse import urlsplit

from arcdrift import __version__
from arcdrift.digest.delivery import (
    TIMEOUT_S,
    DeliveryFailed,
    DeliveryInDoubt,
    Handover,
    answer_text,
)
from arcdrift.digest.digest import Digest
from arcdrift.digest.digest_forms import paragraph, plain_text
from arcdrift.digest.digest_words import digest_json, digest_words
from arcdrift.digest.secret_values import secret_value
from arcdrift.digest_settings import DigestReader, is_loopback
from arcdrift.errors import BadInput

TRIES = 3
PAUSES_S = (1.0, 4.0)
"""Seconds between tries."""
BUSY = (429, 502, 503)
"""Answers after which a later try may succeed."""


def webhook_secret(reader: DigestReader, environment: Mapping[str, str]) -> str | None:
    """Return the secret of a reader's webhook; None if it has none.

    Raises
    ------
    BadInput
        When its variable is not set or cannot be used.
    """
    if reader.secret_variable is None:
        return None
    secret = secret_value(reader.secret_variable, environment)
    if secret is None:
        raise BadInput(
            f"The secret of the webhook of {reader.name} is missing; set the variable "
            f"{reader.secret_variable} or {reader.secret_variable}_FILE."
        )
    if not secret.isascii():
        raise BadInput(f"The secret in {reader.secret_variable} has letters beyond ASCII.")
    return secret


def webhook_document(digest: Digest, preface: str = "") -> dict[str, Any]:
    """Return what is sent: ``text`` for a channel of people, ``digest`` for programs."""
    text = plain_text(digest_words(digest))
    if preface:
        text = f"{paragraph(preface)}\n\n{text}"
    return {"text": text, "digest": digest_json(digest)}


def post_webhook(
    url: str,
    document: dict[str, Any],
    handover: Handover,
    *,
    secret: str | None,
    message_id: str,
    pause: Callable[[float], None] = time.sleep,
) -> None:
    """Send a document to a webhook.

    Parameters
    ----------
    handover : callable
        Called before the first try.
    secret : str or None
        Sent in the header ``Authorization: Bearer``.
    message_id : str
        Sent in the header ``Idempotency-Key``, the same in every try.

    Raises
    ------
    DeliveryFailed
        When it was refused, or could not be sent.
    DeliveryInDoubt
        When the webhook broke off before it answered.
    """
    headers = {
        "Content-Type": "application/json",
        "User-Agent": f"arcdrift/{__version__}",
        "Idempotency-Key": message_id,
    }
    if secret is not None:
        headers["Authorization"] = f"Bearer {secret}"
    content = json.dumps(document, allow_nan=False).encode()
    # its scheme was checked when crew.toml was read
    request = urllib.request.Request(url, content, headers, method="POST")  # noqa: S310
    opener = _opener(url)
    handover()
    for number in range(TRIES):
        last = number == TRIES - 1
        try:
            with opener.open(request, timeout=TIMEOUT_S) as answer:
                if 200 <= answer.status < 300:
                    return
                raise DeliveryFailed(_refused(url, answer.status, ""))
        except urllib.error.HTTPError as problem:
            problem.close()
            if last or problem.code not in BUSY:
                raise DeliveryFailed(_refused(url, problem.code, problem.reason)) from None
        except urllib.error.URLError as problem:
            if last or isinstance(problem.reason, ssl.SSLError):
                raise DeliveryFailed(_unreachable(url, problem.reason)) from None
        except (OSError, http.client.HTTPException):
            raise DeliveryInDoubt(
                f"{_place(url)} broke off before it answered, and may have taken the message. It "
                "is not sent again today; the next message tells all of it again."
            ) from None
        pause(PAUSES_S[number])


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """Answers that point elsewhere are refusals: the secret goes to the address given alone."""

    def redirect_request(self, *_args: Any, **_others: Any) -> None:
        return None


def _opener(url: str) -> urllib.request.OpenerDirector:
    handlers: list[urllib.request.BaseHandler] = [
        _NoRedirect(),
        urllib.request.HTTPSHandler(context=ssl.create_default_context()),
    ]
    if is_loopback(urlsplit(url).hostname or ""):
        handlers.append(urllib.request.ProxyHandler({}))
    return urllib.request.build_opener(*handlers)


def _place(url: str) -> str:
    """Words for a webhook; its path may be a secret, and is left out."""
    return f"The webhook at {urlsplit(url).hostname}"


def _refused(url: str, code: int, reason: object) -> str:
    if 300 <= code < 400:
        return (
            f"{_place(url)} points to another address ({code}), where nothing is sent; write the "
            "new address into crew.toml."
        )
    if code in (401, 403):
        return (
            f"{_place(url)} does not accept the secret ({code}); check the variable that "
            "secret_variable names, and the address in crew.toml."
        )
    return (
        f"{_place(url)} did not take the message ({answer_text(code, str(reason))}); it is tried "
        "again at the next run."
    )


def _unreachable(url: str, reason: object) -> str:
    if isinstance(reason, ssl.SSLCertVerificationError):
        return (
            f"{_place(url)} shows a certificate that is not trusted, so nothing was sent to it; "
            "check the address, or name the file of its authority in the variable SSL_CERT_FILE."
        )
    why = getattr(reason, "strerror", None) or type(reason).__name__
    return (
        f"{_place(url)} cannot be reached ({answer_text(None, str(why)).lower()}); it is tried "
        "again at the next run."
    )
