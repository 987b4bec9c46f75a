"""Digests through a webhook, to a real server on this computer."""

from pathlib import Path
from typing import Any

import pytest

from arcdrift.digest.delivery import DeliveryFailed, DeliveryInDoubt
from arcdrift.digest.webhook import post_webhook, webhook_document, webhook_secret
from arcdrift.digest_settings import DigestReader
from arcdrift.errors import BadInput
from tests.digest.digest_rows import at, digest, found, rows, view
from tests.digest.servers import Hook, authority_file, free_port, server_context, webhook

DOCUMENT = webhook_document(digest(rows(cases=[view(found("a", at(17)))])))


def post(url: str, secret: str | None = None, pauses: list[float] | None = None) -> list[str]:
    handed: list[str] = []
    post_webhook(
        url, DOCUMENT, lambda: handed.append("over"), secret=secret, message_id="f00d",
        pause=(pauses if pauses is not None else []).append,
    )  # fmt: skip
    return handed


def test_one_post_with_text_and_data() -> None:
    with webhook() as hook:
        assert post(hook.url, "s3cret") == ["over"]
        (got,), (headers,) = hook.got, hook.headers
    assert got["text"].startswith("Tarnwater: what is new since")
    assert got["digest"]["cases"][0]["id"] == "a"
    assert headers["Authorization"] == "Bearer s3cret"
    assert headers["Content-Type"] == "application/json"
    assert headers["Idempotency-Key"] == "f00d"


def test_over_https_with_a_certificate_that_is_trusted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with webhook(server_context()) as hook:
        with pytest.raises(DeliveryFailed, match="a certificate that is not trusted"):
            post(hook.url)
        monkeypatch.setenv("SSL_CERT_FILE", str(authority_file(tmp_path)))
        post(hook.url)
        assert len(hook.got) == 1


def test_a_busy_webhook_is_tried_again_a_few_times() -> None:
    pauses: list[float] = []
    with webhook() as hook:
        hook.answers = [503, 429]
        post(hook.url, pauses=pauses)
        assert len(hook.got) == 3
        assert pauses == [1.0, 4.0]
        hook.answers = [503, 503, 503]
        with pytest.raises(DeliveryFailed, match=r"did not take the message \(503"):
            post(hook.url)
        assert hook.answers == []


@pytest.mark.parametrize(
    ("code", "sentence"),
    [(500, r"\(500"), (404, r"\(404"), (401, "does not accept the secret"), (403, "secret")],
)
def test_a_refusal_is_told_at_once(code: int, sentence: str) -> None:
    with webhook() as hook:
        hook.answers = [code]
        with pytest.raises(DeliveryFailed, match=sentence) as told:
            post(hook.url, "s3cret")
        assert len(hook.got) == 1
        assert "path-is-secret" not in str(told.value)
        assert "s3cret" not in str(told.value)


def test_the_secret_is_never_taken_elsewhere() -> None:
    with webhook() as hook, webhook() as other:
        hook.answers = [other.url]
        with pytest.raises(DeliveryFailed, match=r"points to another address \(302\)"):
            post(hook.url, "s3cret")
        assert other.headers == []


def test_a_webhook_that_breaks_off_leaves_a_doubt() -> None:
    with webhook() as hook:
        hook.answers = ["drop"]
        with pytest.raises(DeliveryInDoubt, match="may have taken the message"):
            _post_dropped(hook)
        assert len(hook.got) == 1


def _post_dropped(hook: Hook) -> None:
    post(hook.url)


def test_a_webhook_that_is_not_there() -> None:
    with pytest.raises(DeliveryFailed, match=r"The webhook at 127\.0\.0\.1 cannot be reached"):
        post(f"http://127.0.0.1:{free_port()}/x")


def test_the_secret_comes_from_the_environment() -> None:
    given: dict[str, Any] = {"name": "Channel", "role": "lead", "webhook": "https://a.example/x"}
    assert webhook_secret(DigestReader(**given), {}) is None
    reader = DigestReader(**given, secret_variable="HOOK_SECRET")
    assert webhook_secret(reader, {"HOOK_SECRET": "x"}) == "x"
    with pytest.raises(BadInput, match="set the variable HOOK_SECRET or HOOK_SECRET_FILE"):
        webhook_secret(reader, {})
    for wrong in ("a\r\nX-Injected: 1", "gr\u00fc\u00dfe"):
        with pytest.raises(BadInput):
            webhook_secret(reader, {"HOOK_SECRET": wrong})
