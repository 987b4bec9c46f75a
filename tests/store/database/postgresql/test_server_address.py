"""Addresses of servers: what libpq is told, what people are shown, what is refused."""

import pytest

from arcdrift.errors import StoreTrouble
from arcdrift.store.database.postgresql.server_address import ServerAddress


def test_a_schema_is_ours_and_the_rest_is_libpqs():
    address = ServerAddress.parse(
        "postgresql://lead@db.example:5433/north?schema=crew_a&sslmode=require"
    )
    assert address.schema == "crew_a"
    assert address.parameters == {
        "connect_timeout": "10",
        "application_name": "arcdrift",
        "host": "db.example",
        "port": "5433",
        "user": "lead",
        "dbname": "north",
        "sslmode": "require",
        "options": "-c search_path=crew_a -c jit=off",
    }


def test_what_an_address_says_goes_before_what_is_ours():
    address = ServerAddress.parse("postgresql:///north?connect_timeout=2&options=-c%20work_mem=8MB")
    assert address.schema == "arcdrift"
    assert address.parameters["connect_timeout"] == "2"
    assert address.parameters["options"] == "-c work_mem=8MB -c search_path=arcdrift -c jit=off"


@pytest.mark.parametrize(
    "address",
    [
        "postgresql://lead:secret@db/north?schema=a",
        "postgresql://lead@db/north?schema=a&password=secret",
    ],
)
def test_a_password_is_never_shown(address):
    assert "secret" in ServerAddress.parse(address).parameters.values()
    assert ServerAddress.parse(address).shown == "postgresql://lead@db/north?schema=a"


@pytest.mark.parametrize("schema", ["pg_mine", "North", "a b", 'x";drop'])
def test_a_schema_must_be_a_plain_name(schema):
    with pytest.raises(StoreTrouble, match="is no plain name"):
        ServerAddress.parse(f"postgresql://db/north?schema={schema}")


def test_an_address_that_is_none():
    with pytest.raises(StoreTrouble, match="write it like postgresql://user@host/name"):
        ServerAddress.parse("postgresql://db:port/north")
