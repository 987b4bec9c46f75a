"""Addresses of stores on a PostgreSQL server: what libpq is told, and what people are shown.

An address is one of libpq's, ``postgresql://user@host:port/database``, with one parameter of our
own: ``schema``, the part of the database that holds the crew's tables.
"""

import re
from typing import NamedTuple

from sqlalchemy import URL, make_url
from sqlalchemy.exc import ArgumentError

from arcdrift.errors import StoreTrouble

DEFAULT_SCHEMA = "arcdrift"
_SCHEMA_NAME = re.compile(r"(?!pg_)[a-z_][a-z0-9_]{0,62}")
_CONNECT_TIMEOUT_S = "10"
_HIDDEN = ("password", "sslpassword")


class ServerAddress(NamedTuple):
    """Where a store on a server is.

    Attributes
    ----------
    url : URL
        As it was given.
    schema : str
        Part of the database that holds the tables.
    """

    url: URL
    schema: str

    @classmethod
    def parse(cls, address: str) -> "ServerAddress":
        """Take an address apart.

        Raises
        ------
        StoreTrouble
            When it is not understood.
        """
        try:
            url = make_url(address)
        except (ArgumentError, ValueError):
            raise StoreTrouble(
                "The store's address is not understood; write it like postgresql://user@host/name."
            ) from None
        schema = url.query.get("schema", DEFAULT_SCHEMA)
        if not isinstance(schema, str) or not _SCHEMA_NAME.fullmatch(schema):
            raise StoreTrouble(
                f"The schema {schema!r} in the store's address is no plain name; write small "
                "letters, digits and _ only, such as ?schema=north."
            )
        return cls(url.set(drivername="postgresql+psycopg"), schema)

    @property
    def parameters(self) -> dict[str, str]:
        """Parameters of a connection, as libpq names them."""
        url = self.url
        given: dict[str, str] = {
            name: value if isinstance(value, str) else ",".join(value)
            for name, value in url.query.items()
            if name != "schema"
        }
        named = {"host": url.host, "port": url.port, "user": url.username,
                 "password": url.password, "dbname": url.database}  # fmt: skip
        given |= {name: str(value) for name, value in named.items() if value is not None}
        options = given.pop("options", "")
        # compiling a query just in time takes longer than most of ours run
        ours = f"-c search_path={self.schema} -c jit=off"
        defaults = {"connect_timeout": _CONNECT_TIMEOUT_S, "application_name": "arcdrift"}
        return {**defaults, **given, "options": f"{options} {ours}".strip()}

    @property
    def shown(self) -> str:
        """The address for people, without a password."""
        url = self.url.set(drivername="postgresql").difference_update_query(_HIDDEN)
        url = URL.create(
            url.drivername, url.username, None, url.host, url.port, url.database, url.query
        )
        return url.render_as_string(hide_password=False)
