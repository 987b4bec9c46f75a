"""Readers and mail server in crew.toml: what is refused when the file is read, and how."""

import re
from pathlib import Path

import pytest

from arcdrift.digest_settings import is_loopback, mail_address
from arcdrift.errors import BadInput
from arcdrift.settings import Crew, load_crew

READER = '[[digest.readers]]\nname = "Ash"\nrole = "lead"\n'
ADDRESS = READER + 'address = "ash@example.org"\n'


def load(folder: Path, text: str) -> Crew:
    (folder / "crew.toml").write_text(f'name = "Crew"\n{text}', encoding="utf-8")
    return load_crew(folder)


def test_readers_and_server_as_a_crew_writes_them(tmp_path: Path) -> None:
    crew = load(
        tmp_path,
        ADDRESS + '[[digest.readers]]\nname = "李 小龍"\nrole = "technician"\n'
        'address = "Østen@BÜCHER.example"\ntechnician = "Birch"\nsubjects = ["Heron"]\n'
        '[[digest.readers]]\nname = "Channel"\nrole = "technician"\n'
        'webhook = "https://hooks.example.org/a-secret"\nsecret_variable = "HOOK_SECRET"\n'
        '[digest.smtp]\nhost = "mail.example.org"\nsender = "drift@example.org"\n',
    )
    readers = crew.digest.readers
    assert readers[1].address == "Østen@xn--bcher-kva.example"
    assert readers[1].recipient == "mail:østen@xn--bcher-kva.example"
    assert crew.digest.smtp.tls == "starttls"
    assert "a-secret" not in repr(readers)
    # who gets messages changes no number, so that no analysis is out of date
    assert repr(crew) == repr(load(tmp_path, ""))


def test_the_example_in_readme_can_be_used(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    (example,) = (
        block for block in re.findall(r"```toml\n(.*?)```", readme, re.DOTALL) if "digest" in block
    )
    assert [reader.role for reader in load(tmp_path, example).digest.readers] == [
        "lead", "technician",
    ]  # fmt: skip


@pytest.mark.parametrize(
    "address",
    [
        "", "ash", "ash@", "@example.org", "ash@example", "a b@example.org", "ash@exa mple.org",
        "ash@example.org, oak@example.org", "Ash <ash@example.org>", ".ash@example.org",
        "ash.@example.org", "a..b@example.org", "ash@-example.org", "ash@example..org",
        "ash@[10.0.0.1]", "ash@example.org\r\nBcc: x@example.org", "ash\x00@example.org",
        "ash\u202e@example.org", "a" * 65 + "@example.org", "a@" + "b." * 130 + "org",
    ],
)  # fmt: skip
def test_a_bad_address_is_refused(address: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="address"):
        mail_address(address)
    escaped = address.replace("\r", "\\r").replace("\n", "\\n").replace("\x00", "\\u0000")
    with pytest.raises(BadInput, match=r"digest\.readers\.0\.address: .*address") as told:
        load(tmp_path, READER + f'address = "{escaped}"\n')
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("address", ["ash@example.org", "a+b@x.example.org", "o'b@localhost"])
def test_a_good_address_stays(address: str) -> None:
    assert mail_address(address) == address


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (READER, "Ash needs an address or a webhook, one of the two"),
        (ADDRESS + 'webhook = "https://x.example"\n', "one of the two"),
        (ADDRESS + 'technician = "Birch"\n', "only for the role technician"),
        (ADDRESS + 'secret_variable = "X"\n', "has no webhook"),
        (ADDRESS + ADDRESS, "the name Ash stands twice"),
        (ADDRESS + ADDRESS.replace("Ash", "Oak").replace("ash@e", "ASH@E"), "stands twice among"),
        (ADDRESS.replace('"Ash"', '"Ash\\nBcc: x"'), "a name has 1 to 100 characters on one line"),
        (ADDRESS.replace('"Ash"', f'"{"A" * 101}"'), "a name has 1 to 100 characters"),
        (ADDRESS.replace('"lead"', '"boss"'), "digest.readers.0.role: "),
        (READER + 'webhook = "http://x.example/a"\n', "must begin with https://"),
        (READER + 'webhook = "ftp://x.example/a"\n', "is not an address such as https://"),
        (READER + 'webhook = "https://u:p@x.example/a"\n', "has a name or a password in it"),
        (READER + 'webhook = "https://x.example/a b"\n', "is not an address such as https://"),
        (READER + 'webhook = "https://x.example:99999/"\n', "is not an address such as https://"),
        ('[digest.smtp]\npassword = "s3cret"\n', "a password does not belong into crew.toml"),
        ('[digest.smtp]\nhost = "a b"\n', "is not the name of a mail server"),
        ('[digest.smtp]\nport = 0\n', "digest.smtp.port: "),
        ('[digest.smtp]\nsender = "x"\n', "digest.smtp.sender: 'x' is not a mail address"),
        ('[digest.smtp]\nhots = "x"\n', "Did you mean host?"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_a_sentence(text: str, sentence: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput) as told:
        load(tmp_path, text)
    assert sentence in str(told.value)
    assert "s3cret" not in str(told.value)
    assert len(str(told.value).splitlines()) == 1


def test_what_is_this_computer() -> None:
    for host in ("localhost", "127.0.0.1", "127.8.0.1", "::1", "[::1]"):
        assert is_loopback(host)
    for host in ("127.0.0.1.example.org", "localhost.example.org", "10.0.0.1", "", "::"):
        assert not is_loopback(host)
