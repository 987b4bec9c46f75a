"""A client of a running dashboard: it sends what it is told to, and keeps cookies."""

import http.client
import json
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import urlencode

from tests.dashboard.access.signing_in import PASSWORD

PAGE_OUTPUT = "..page.children...trouble.children.."


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: str


@dataclass
class Client:
    """A client that sends what it is told to, and keeps cookies."""

    host: str
    port: int
    cookies: dict[str, str] = field(default_factory=dict)
    timeout: float = 60.0

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> Answer:
        """Send a request; underscores in names of headers become hyphens."""
        connection = http.client.HTTPConnection(self.host, self.port, timeout=self.timeout)
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookies and "Cookie" not in named:
            named["Cookie"] = "; ".join(f"{key}={value}" for key, value in self.cookies.items())
        try:
            connection.request(method, path, body, named)
            response = connection.getresponse()
            text = response.read().decode("utf-8", "replace")
        finally:
            connection.close()
        for value in response.headers.get_all("Set-Cookie") or ():
            self.cookies.update({key: item.value for key, item in SimpleCookie(value).items()})
        return Answer(response.status, dict(response.headers), text)

    @property
    def origin(self) -> str:
        return f"http://{self.host}:{self.port}"

    def post(self, path: str, fields: dict[str, str] | None = None, **headers: str) -> Answer:
        headers.setdefault("Origin", self.origin)
        headers["Content_Type"] = "application/x-www-form-urlencoded"
        return self.ask("POST", path, urlencode(fields or {}).encode(), **headers)

    def call(self, body: Any, **headers: str) -> Answer:
        headers.setdefault("Origin", self.origin)
        headers.setdefault("Content_Type", "application/json")
        return self.ask("POST", "/_dash-update-component", json.dumps(body).encode(), **headers)

    def page(self, path: str, query: str = "", **headers: str) -> Answer:
        inputs = zip(
            ("url.pathname", "url.search", "scheme.data", "results-version.data"),
            (path, query, "light", "1"),
            strict=True,
        )
        return self.call(
            {
                "output": PAGE_OUTPUT,
                "outputs": [{"id": "page", "property": "children"},
                            {"id": "trouble", "property": "children"}],
                "inputs": [
                    dict(zip(("id", "property"), name.split("."), strict=True), value=value)
                    for name, value in inputs
                ],
                "state": [],
                "changedPropIds": ["url.pathname"],
            },
            **headers,
        )  # fmt: skip

    def sign_in(self, name: str, password: str = PASSWORD, **headers: str) -> Answer:
        return self.post("/sign-in", {"name": name, "password": password}, **headers)

    def is_in(self) -> bool:
        return self.ask("GET", "/").status == 200
