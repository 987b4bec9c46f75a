"""Users of tests, and a browser that talks to an app as one behind a proxy with TLS does."""

from typing import Any

from dash import Dash
from werkzeug.test import TestResponse

PASSWORD = "kettle orbit plum 7"
HOST = "crew.example"
ADDRESS = f"https://{HOST}"
USERS = {
    "Lena": ("lead", None),
    "Tove": ("trainer", None),
    "birch@work": ("technician", "Birch"),
    "alder@work": ("technician", "Alder"),
}
"""Role and technician by name."""
PROXY = {"X-Forwarded-For": "198.51.100.7", "X-Forwarded-Proto": "https", "X-Forwarded-Host": HOST}


class Browser:
    """A browser of one person."""

    def __init__(self, app: Dash) -> None:
        self.app = app
        self.client = app.server.test_client()
        for name, value in PROXY.items():
            self.client.environ_base[f"HTTP_{name.upper().replace('-', '_')}"] = value

    def get(self, path: str, **more: Any) -> TestResponse:
        return self.client.get(path, base_url=ADDRESS, **more)

    def post(self, path: str, origin: str | None = ADDRESS, **more: Any) -> TestResponse:
        headers = dict(more.pop("headers", {}))
        if origin is not None:
            headers["Origin"] = origin
        return self.client.post(path, base_url=ADDRESS, headers=headers, **more)

    def sign_in(self, name: str, password: str = PASSWORD, wanted: str = "/") -> TestResponse:
        return self.post("/sign-in", data={"name": name, "password": password, "next": wanted})

    def cookie(self) -> str | None:
        found = self.client.get_cookie("__Host-arcdrift", domain=HOST)
        return None if found is None else found.value

    def set_cookie(self, value: str) -> None:
        self.client.set_cookie("__Host-arcdrift", value, domain=HOST, secure=True)

    def call(
        self,
        output: str,
        inputs: list[Any],
        state: Any = (),
        outputs: Any = None,
        triggered: str = "",
    ) -> TestResponse:
        """Ask for a callback's answer the way the pages do."""
        body = {
            "output": output,
            "outputs": outputs if outputs is not None else {},
            "inputs": inputs,
            "state": list(state),
            "changedPropIds": [triggered] if triggered else [],
        }
        return self.post("/_dash-update-component", json=body)

    def page(self, path: str, query: str = "") -> TestResponse:
        """Ask for a page as it is drawn."""
        return self.call(
            "..page.children...trouble.children..",
            [
                {"id": "url", "property": "pathname", "value": path},
                {"id": "url", "property": "search", "value": query},
                {"id": "scheme", "property": "data", "value": "light"},
                {"id": "results-version", "property": "data", "value": "1"},
            ],
            outputs=[
                {"id": "page", "property": "children"},
                {"id": "trouble", "property": "children"},
            ],
            triggered="url.pathname",
        )
