"""Digests by mail, to a real server on this computer."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from arcdrift.digest.delivery import DeliveryFailed, DeliveryInDoubt
from arcdrift.digest.mail import MailRoute, digest_message, mail_route, send_mail
from arcdrift.digest_settings import MailServer
from arcdrift.errors import BadInput
from tests.digest.digest_rows import NOW, at, digest, found, rows, view
from tests.digest.servers import (
    PASSWORD,
    USER,
    Box,
    authority_file,
    mail_server,
    secure_server,
    server_context,
)

SENDER = "arcdrift@crew.example"
NEWS = digest(rows(cases=[view(found("a", at(17), title="Dünlin: <b>loss</b> up 45 %"))]))


def message(address: str = "ash@example.org", reader: str = "Ash", **other: Any) -> Any:
    given = {"sender": SENDER, "message_id": "f00d", "at": NOW}
    return digest_message(NEWS, reader=reader, address=address, **given | other)


@pytest.fixture(scope="module")
def plain() -> Iterator[tuple[Box, int]]:
    with mail_server(enable_SMTPUTF8=True) as server:
        yield server


@pytest.fixture(scope="module")
def secure() -> Iterator[tuple[Box, int]]:
    with secure_server() as server:
        yield server


@pytest.fixture(autouse=True)
def _fresh(request: pytest.FixtureRequest) -> None:
    for name in ("plain", "secure"):
        if name in request.fixturenames:
            box, _ = request.getfixturevalue(name)
            box.__init__()


@pytest.fixture
def trusted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(authority_file(tmp_path)))


def to_plain(port: int) -> MailRoute:
    return MailRoute("127.0.0.1", port, SENDER, "none")


def to_secure(port: int) -> MailRoute:
    return MailRoute("127.0.0.1", port, SENDER, "starttls", USER, PASSWORD)


def nothing() -> None:
    """The message may leave."""


def test_a_message_is_text_and_simple_html(plain: tuple[Box, int]) -> None:
    box, port = plain
    send_mail(to_plain(port), message(), "ash@example.org", nothing)
    (got,) = box.messages
    assert box.to == ["ash@example.org"]
    assert got["Subject"] == "Tarnwater: 1 case"
    assert got["To"] == "Ash <ash@example.org>"
    assert got["From"] == f"Tarnwater <{SENDER}>"
    assert got["Message-ID"] == "<f00d@crew.example>"
    assert got["Auto-Submitted"] == "auto-generated"
    text, page = (part.get_content() for part in got.iter_parts())
    assert "- Dünlin: <b>loss</b> up 45 % [a]" in text
    assert "&lt;b&gt;loss&lt;/b&gt;" in page
    assert "<b>" not in page
    assert "src=" not in page
    assert max(len(line) for line in box.raw[0].splitlines()) <= 998  # RFC 5322, 2.1.1
    assert box.raw[0].isascii()


def test_over_starttls_with_a_password(secure: tuple[Box, int], trusted: None) -> None:
    box, port = secure
    send_mail(to_secure(port), message(), "ash@example.org", nothing)
    assert box.secured == [True]


@pytest.mark.usefixtures("trusted")
def test_over_tls_from_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    # aiosmtpd opens a TLS port where it is given ssl_context
    with mail_server(ssl_context=server_context()) as (box, port):
        route = MailRoute("localhost", port, SENDER, "tls")
        send_mail(route, message(), "ash@example.org", nothing)
        assert len(box.messages) == 1
        monkeypatch.setattr("arcdrift.digest.mail.TIMEOUT_S", 0.3)
        with pytest.raises(DeliveryFailed, match=r"does not speak TLS|broke off|did not answer"):
            send_mail(replace(route, tls="starttls"), message(), "ash@example.org", nothing)


def test_a_certificate_that_is_not_trusted_ends_it(secure: tuple[Box, int]) -> None:
    box, port = secure
    with pytest.raises(DeliveryFailed, match=r"a certificate that is not trusted .* SSL_CERT_FILE"):
        send_mail(to_secure(port), message(), "ash@example.org", nothing)
    assert box.messages == []


@pytest.mark.usefixtures("trusted")
def test_a_certificate_of_another_name_ends_it() -> None:
    with secure_server(tls_context=server_context("mail.example.org")) as (box, port):
        with pytest.raises(DeliveryFailed, match="not trusted"):
            send_mail(to_secure(port), message(), "ash@example.org", nothing)
        assert box.messages == []


def test_a_server_without_starttls_gets_no_password(plain: tuple[Box, int]) -> None:
    box, port = plain
    with pytest.raises(DeliveryFailed, match="does not offer STARTTLS, so nothing was sent"):
        send_mail(to_secure(port), message(), "ash@example.org", nothing)
    assert box.messages == []


def test_a_wrong_password_is_a_sentence_without_it(secure: tuple[Box, int], trusted: None) -> None:
    box, port = secure
    route = replace(to_secure(port), password="wrong horse")
    with pytest.raises(
        DeliveryFailed, match=r"did not accept the password of post \(535\)"
    ) as told:
        send_mail(route, message(), "ash@example.org", nothing)
    assert "wrong horse" not in str(told.value) + repr(route)
    assert box.messages == []


def test_a_server_where_nobody_signs_in(plain: tuple[Box, int]) -> None:
    _, port = plain
    route = replace(to_plain(port), user="post", password="x")
    with pytest.raises(DeliveryFailed, match=r"does not let anybody sign in|did not accept"):
        send_mail(route, message(), "ash@example.org", nothing)


@pytest.mark.parametrize(
    ("host", "given"),
    [("mail.example.org", {}), ("10.0.0.1", {}), ("localhost.example.org", {})],
)
def test_plain_text_to_another_computer_is_refused(host: str, given: dict[str, str]) -> None:
    settings = MailServer(host=host, sender=SENDER, tls="none")
    with pytest.raises(BadInput, match="would be readable on its way"):
        mail_route(settings, given)
    assert mail_route(settings, {"ARCDRIFT_SMTP_TLS": "starttls"}).port == 587


def test_a_name_that_only_looks_like_this_computer_is_refused_after_connecting(
    plain: tuple[Box, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hosts file may say that localhost is elsewhere."""
    box, port = plain
    monkeypatch.setattr("arcdrift.digest.mail.ip_address", lambda _text: _Elsewhere)
    with pytest.raises(DeliveryFailed, match="is not on this computer"):
        send_mail(to_plain(port), message(), "ash@example.org", nothing)
    assert box.messages == []


class _Elsewhere:
    is_loopback = False


@pytest.mark.parametrize(
    ("command", "answer", "sentence"),
    [
        ("ash@example.org", "550 no such person here", r"refuses ash@example.org \(550 no such"),
        ("MAIL", "553 not yours", r"refuses the sender .*\(553 not yours\); check sender"),
        ("DATA", "554 looks like spam", r"did not take the message .*\(554 looks like spam\)"),
        ("MAIL", "drop", "broke off before it had the message|cannot be used"),
        ("ash@example.org", "drop", "broke off before it had the message|cannot be used"),
    ],
)
def test_what_a_server_refuses_may_be_tried_again(
    command: str, answer: str, sentence: str, plain: tuple[Box, int]
) -> None:
    box, port = plain
    box.answers[command] = answer
    with pytest.raises(DeliveryFailed, match=sentence) as told:
        send_mail(to_plain(port), message(), "ash@example.org", nothing)
    assert not isinstance(told.value, DeliveryInDoubt)
    assert box.messages == []


@pytest.mark.parametrize("when", ["DATA", "after DATA"])
def test_a_server_that_breaks_off_with_the_message_leaves_a_doubt(
    when: str, plain: tuple[Box, int]
) -> None:
    box, port = plain
    box.answers[when] = "drop"
    with pytest.raises(
        DeliveryInDoubt, match=r"which may have arrived\. It is not sent again today"
    ):
        send_mail(to_plain(port), message(), "ash@example.org", nothing)


def test_nothing_leaves_when_the_handover_forbids_it(plain: tuple[Box, int]) -> None:
    box, port = plain

    def forbid() -> None:
        raise BadInput("no")

    with pytest.raises(BadInput, match="no"):
        send_mail(to_plain(port), message(), "ash@example.org", forbid)
    assert box.messages == []


def test_a_server_that_is_not_there() -> None:
    from tests.digest.servers import free_port

    with pytest.raises(DeliveryFailed, match=r"cannot be used \(.*\); it is tried again"):
        send_mail(to_plain(free_port()), message(), "ash@example.org", nothing)


@pytest.mark.parametrize(
    "name", ["Østen Børk", "李 小龍", "Ash, the second", 'Ash "Oak"', "A" * 100, "=?utf-8?q?x?="]
)
def test_any_name_arrives_as_it_is(name: str, plain: tuple[Box, int]) -> None:
    box, port = plain
    send_mail(to_plain(port), message(reader=name), "ash@example.org", nothing)
    (to,) = box.messages[0]["To"].addresses
    assert to.addr_spec == "ash@example.org"
    if not name.startswith("=?"):
        assert to.display_name == name


def test_an_address_beyond_ascii(
    plain: tuple[Box, int], secure: tuple[Box, int], trusted: None
) -> None:
    address = "østen@bucher.example"
    box, port = plain
    send_mail(to_plain(port), message(address), address, nothing)
    assert box.to == [address]
    assert address.encode() in box.raw[0]
    _, secure_port = secure
    with pytest.raises(DeliveryFailed, match="letters beyond ASCII, as in østen@"):
        send_mail(to_secure(secure_port), message(address), address, nothing)


def test_no_name_adds_a_header(plain: tuple[Box, int]) -> None:
    box, port = plain
    hostile = replace(NEWS, crew="Crew\r\nBcc: all@example.org\r\n\r\nbody")
    built = digest_message(
        hostile, sender=SENDER, reader="Ash\nX-Injected: 1", address="ash@example.org",
        message_id="f00d", at=NOW,
    )  # fmt: skip
    send_mail(to_plain(port), built, "ash@example.org", nothing)
    (got,) = box.messages
    assert got["Bcc"] is None
    assert got["X-Injected"] is None
    assert box.to == ["ash@example.org"]


def test_settings_come_from_crew_toml_and_the_environment() -> None:
    settings = MailServer(host="mail.example.org", sender=SENDER, user="post")
    given = {"ARCDRIFT_SMTP_PASSWORD": "secret", "ARCDRIFT_SMTP_PORT": "2525"}
    route = mail_route(settings, given)
    assert (route.host, route.port, route.tls, route.password) == (
        "mail.example.org", 2525, "starttls", "secret",
    )  # fmt: skip
    assert "secret" not in repr(route)
    for wrong, sentence in (
        ({"ARCDRIFT_SMTP_PORT": "x"}, "ARCDRIFT_SMTP_PORT"),
        ({"ARCDRIFT_SMTP_TLS": "maybe"}, "ARCDRIFT_SMTP_TLS"),
        ({"ARCDRIFT_SMTP_SENDER": "x"}, "ARCDRIFT_SMTP_SENDER: 'x' is not a mail address"),
        ({"ARCDRIFT_SMTP_PASSWORD": ""}, "ARCDRIFT_SMTP_PASSWORD_FILE is not set"),
    ):
        with pytest.raises(BadInput, match=sentence):
            mail_route(settings, given | wrong)
    with pytest.raises(BadInput, match="host is missing in"):
        mail_route(MailServer(), {})
    with pytest.raises(BadInput, match="user is not set"):
        mail_route(MailServer(host="localhost", sender=SENDER), {"ARCDRIFT_SMTP_PASSWORD": "x"})


def test_a_password_in_a_file_that_only_its_owner_reads(tmp_path: Path) -> None:
    file = tmp_path / "password"
    file.write_text("s3cret word\n", encoding="utf-8")
    settings = MailServer(host="localhost", sender=SENDER, user="post", tls="none")
    given = {"ARCDRIFT_SMTP_PASSWORD_FILE": str(file)}
    file.chmod(0o640)
    with pytest.raises(BadInput, match="chmod 600"):
        mail_route(settings, given)
    for mode in (0o600, 0o400):
        file.chmod(mode)
        assert mail_route(settings, given).password == "s3cret word"
    with pytest.raises(BadInput, match="are both set"):
        mail_route(settings, given | {"ARCDRIFT_SMTP_PASSWORD": "x"})
    file.chmod(0o600)
    for content, sentence in (
        (b"", "does not hold"),
        (b"two\nlines\n", "more than one line"),
        (b"\xff\xfe", "does not hold"),
        (b"x" * 5000, "does not hold"),
    ):
        file.write_bytes(content)
        with pytest.raises(BadInput, match=sentence) as told:
            mail_route(settings, given)
        assert "lines" not in str(told.value).replace("more than one line", "")
    with pytest.raises(BadInput, match="is not a file"):
        mail_route(settings, {"ARCDRIFT_SMTP_PASSWORD_FILE": str(tmp_path)})
    with pytest.raises(BadInput, match="cannot be read: no such file"):
        mail_route(settings, {"ARCDRIFT_SMTP_PASSWORD_FILE": str(tmp_path / "gone")})
