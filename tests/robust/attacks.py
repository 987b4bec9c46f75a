"""Attacks on a running dashboard that people sign in to; each must come to nothing.

By hand: ``python -m tests.robust.attacks`` serves the invented crew and tries them all.
"""

import json
import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

from flask.sessions import TaggedJSONSerializer
from itsdangerous import URLSafeTimedSerializer

from arcdrift.store import schema
from arcdrift.store.accounts.user_accounts import remove_user, reset_password
from arcdrift.store.database.connect import open_store
from arcdrift.store.imports.import_list import read_imports
from tests.dashboard.access.conftest import add_users
from tests.dashboard.access.signing_in import PASSWORD
from tests.dashboard.access.walking import STREAM
from tests.dashboard.invented import write_crew
from tests.robust.http_client import PAGE_OUTPUT, Client
from tests.robust.tools import PROGRAM

FORMULA = '=HYPERLINK("http://evil.example","splice")'
SCRIPT = "<script>alert(1)</script>"
ERROR_DETAIL = re.compile(
    r"Traceback|File \"|\.py\b|sqlite|/tmp/|arcdrift\.db|werkzeug",
    re.IGNORECASE,
)


@dataclass
class Target:
    """A dashboard that is attacked, and its crew folder, of which an attacker knows nothing."""

    folder: Path
    port: int
    host: str = "127.0.0.1"

    def client(self, name: str = "") -> Client:
        """A client, signed in where a name is given."""
        client = Client(self.host, self.port)
        if name:
            assert client.sign_in(name).status == 303
        return client


def forged_cookie(target: Target) -> None:
    true = target.client("Lena").cookies["arcdrift"]
    content = {"_user_id": "x" * 43, "sign_in": "x", "started": 2**31, "seen": 2**31}
    for key in ("", "dev", "secret", "arcdrift"):
        signer = URLSafeTimedSerializer(
            key, salt="cookie-session", serializer=TaggedJSONSerializer(),
            signer_kwargs={"key_derivation": "hmac"},
        )  # fmt: skip
        forged = Client(target.host, target.port, {"arcdrift": signer.dumps(content)})
        assert not forged.is_in()
    payload, _, signature = true.partition(".")
    for value in (f"{payload}.", f"{payload[:-2]}AA.{signature}", true[:-1], true + "A", "", "."):
        assert not Client(target.host, target.port, {"arcdrift": value}).is_in(), value


def fixed_session(target: Target) -> None:
    attacker = target.client("alder@work")
    planted = attacker.cookies["arcdrift"]
    victim = Client(target.host, target.port, {"arcdrift": planted})
    assert victim.sign_in("Lena").status == 303
    assert victim.cookies["arcdrift"] != planted
    told = Client(target.host, target.port, {"arcdrift": planted}).page("/budget").body
    assert "Not for this sign-in" in told
    # a session that nobody has signed in with becomes nobody's sign-in either
    empty = Client(target.host, target.port, {"arcdrift": "chosen"})
    empty.sign_in("Lena")
    assert not Client(target.host, target.port, {"arcdrift": "chosen"}).is_in()


def foreign_origin(target: Target) -> None:
    client = target.client("Lena")
    for origin in ("http://evil.example", "null", f"http://localhost:{target.port}",
                   f"https://{target.host}:{target.port}", f"http://{target.host}:1"):  # fmt: skip
        assert client.page("/", Origin=origin).status == 403, origin
        assert client.page("/", Origin=origin, Content_Type="text/plain").status == 403
        assert client.post("/sign-out", Origin=origin).status == 403
        assert client.sign_in("Lena", Origin=origin).status == 403
    bare = client.ask("POST", "/_dash-update-component", b"{}", Content_Type="application/json")
    assert bare.status == 403
    assert client.is_in()


def foreign_host(target: Target) -> None:
    client = target.client("Lena")
    for host in ("rebound.example", f"rebound.example:{target.port}", "127.0.0.1.rebound.example",
                 "127.0.0.1@rebound.example", "", "[::1"):  # fmt: skip
        for path in ("/", "/sign-in", "/health", "/csv/coaching/people.csv"):
            assert client.ask("GET", path, Host=host).status in (400, 403), (host, path)
    # nor does a header that only a proxy may send
    assert client.ask("GET", "/", X_Forwarded_Host="rebound.example").status == 200
    answer = target.client().ask("GET", "/splicer", X_Forwarded_Host="rebound.example")
    assert answer.headers["Location"].startswith("/sign-in")


def brute_force(target: Target) -> None:
    statuses = [
        # as if every try came from elsewhere
        target.client().sign_in("Tove", f"guess number {n}", X_Forwarded_For=f"10.0.0.{n}").status
        for n in range(12)
    ]
    assert statuses == [401] * 8 + [429] * 4
    assert target.client().sign_in("Tove").status == 429
    assert target.client().sign_in("tOVE ").status == 429


def path_traversal(target: Target) -> None:
    client = target.client("Lena")
    key = (target.folder / "arcdrift.key").read_text(encoding="ascii").strip()
    for path in (
        "/assets/../../arcdrift.key", "/assets/..%2f..%2farcdrift.key", "/assets/%2e%2e/app.py",
        "/assets/....//app.py", "/assets/..%5capp.py", "/assets//etc/passwd", "/assets/%00",
        "/_dash-component-suites/dash/..%2f..%2fflask/app.py",
        "/_dash-component-suites/flask/app.py", "/_dash-component-suites/../arcdrift.key",
        "/csv/..%2f/..%2f..%2farcdrift.key.csv", "/csv/loss/%2e%2e%2farcdrift.csv",
        f"/assets{target.folder}/arcdrift.key", "//etc/passwd", "/static/../arcdrift.key",
    ):  # fmt: skip
        body = client.ask("GET", path).body
        assert key not in body
        assert "root:" not in body
        assert "import " not in body, path


def another_persons_page(target: Target) -> None:
    client = target.client("alder@work")
    for path, query in (
        ("/person", "?technician=Birch"), ("/coaching", ""), ("/loss", "?subject=technician:Birch"),
        ("/cases", ""), ("/checks", ""), ("/loss", "?" + urlencode(STREAM)), ("/", ""),
    ):  # fmt: skip
        body = client.page(path, query).body
        typed = body.count("Birch") if "Birch" in query else 0
        assert body.count("Birch") == typed
        assert typed <= 2, path  # in the title, and in the sentence that there is nobody
        assert "Cedar" not in body


def another_persons_callback(target: Target) -> None:
    client = target.client("alder@work")
    grid = {**STREAM, "day": "", "type": "splice-grid"}
    rows = client.call(
        {
            "output": json.dumps({key: ["MATCH"] for key in sorted(grid) if key != "type"}
                                 | {"type": "splice-grid"}, separators=(",", ":"))
            + ".getRowsResponse",
            "outputs": {"id": grid, "property": "getRowsResponse"},
            "inputs": [{"id": grid, "property": "getRowsRequest",
                        "value": {"startRow": 0, "endRow": 500}}],
            "state": [{"id": grid, "property": "id", "value": grid}],
            "changedPropIds": ["x.getRowsRequest"],
        }
    )  # fmt: skip
    assert rows.status == 200
    assert "Birch" not in rows.body
    # callbacks of higher roles, and none at all
    for output in ('{"query":["MATCH"],"type":"budget-answer"}.children',
                   '{"query":["MATCH"],"type":"trial-slot"}.children', "secret.data",
                   PAGE_OUTPUT + "x"):  # fmt: skip
        assert (
            client.call({"output": output, "outputs": {}, "inputs": [], "state": []}).status == 403
        )


def another_persons_download(target: Target) -> None:
    client = target.client("alder@work")
    for page, table in (("coaching", "people"), ("coaching", "volume"), ("coaching", "evenness"),
                        ("coaching", "angles"), ("coaching", "standing-out"),
                        ("coaching", "shared-work"),
                        ("person", "days"), ("person", "angles"), ("loss", "splices"),
                        ("loss", "exceptions"), ("loss", "subject-days"), ("cases", "findings"),
                        ("checks", "check-days"),
                        ("checks", "compliance-technicians")):  # fmt: skip
        query = urlencode({**STREAM, "technician": "Birch", "subject": "technician:Birch"})
        answer = client.ask("GET", f"/csv/{page}/{table}.csv?{query}")
        assert answer.status == 200, table
        assert "Birch" not in answer.body, table
        assert "Cedar" not in answer.body, table
    assert client.ask("GET", "/csv/budget/alarms.csv").status == 403
    assert target.client().ask("GET", "/csv/coaching/people.csv").status in (302, 401)


def oversized_body(target: Target) -> None:
    client = target.client("Lena")
    for length in (40 * 1024 * 1024, 10**12):
        with socket.create_connection((target.host, target.port), timeout=60) as connection:
            connection.sendall(
                f"POST /_dash-update-component HTTP/1.1\r\nHost: {target.host}:{target.port}\r\n"
                f"Origin: {client.origin}\r\nContent-Type: application/json\r\n"
                f"Content-Length: {length}\r\n\r\n".encode()
            )
            assert b"413" in connection.recv(100)
    assert client.post("/sign-in", {"name": "x", "password": "y" * 50_000}).status == 413
    deep = b'{"output":' + b"[" * 200_000 + b"]" * 200_000 + b"}"
    answer = client.ask("POST", "/_dash-update-component", deep, Origin=client.origin,
                        Content_Type="application/json")  # fmt: skip
    assert answer.status in (400, 403)
    assert client.ask("GET", "/health").status == 200


def files_of_others(target: Target) -> None:
    """Send files in as nobody, from elsewhere, too large, under a path, of another's splicer."""
    rows = b"splicer,spliced_at,loss_db\nKestrel,2025-06-02 08:10,0.02\n"
    address = "/records/files?name=" + "..%2F..%2F..%2Fplanted.csv"
    client = target.client("birch@work")
    assert target.client().ask("POST", address, rows, Origin=client.origin).status == 401
    assert client.ask("POST", address, rows, Origin="http://evil.example").status == 403
    assert client.ask("POST", address, rows).status == 403
    with socket.create_connection((target.host, target.port), timeout=60) as connection:
        connection.sendall(
            f"POST {address} HTTP/1.1\r\nHost: {target.host}:{target.port}\r\n"
            f"Origin: {client.origin}\r\nContent-Length: {10**11}\r\n\r\n".encode()
        )
        assert b"413" in connection.recv(100)
    client.cookies["arcdrift-splicer"] = "Heron"
    before = set(target.folder.parent.rglob("*planted*"))
    engine = open_store(target.folder)
    stored = len(read_imports(engine))
    answer = client.ask("POST", address, rows, Origin=client.origin)
    assert answer.status == 202
    token = json.loads(answer.body)["token"]
    place = {"token": token, "type": "upload-preview"}
    asked = {
        "output": '{"token":["MATCH"],"type":"upload-preview"}.children',
        "outputs": {"id": place, "property": "children"},
        "inputs": [[]],
        "state": [{"id": place, "property": "id", "value": place}],
        "changedPropIds": [],
    }
    assert "no longer here" in target.client("alder@work").call(asked).body
    time.sleep(5)
    assert len(read_imports(engine)) == stored
    engine.dispose()
    assert set(target.folder.parent.rglob("*planted*")) == before


def formula_cells(target: Target) -> None:
    query = urlencode(STREAM)
    body = target.client("Lena").ask("GET", f"/csv/loss/splices.csv?{query}").body
    assert "HYPERLINK" in body
    assert not re.search(r'(^|[,\n\r])"?[=+@]', body)
    assert not re.search(r'(^|[,\n\r])"?-(?![\d.])', body)


def html_in_names(target: Target) -> None:
    client = target.client(SCRIPT)
    query = urlencode({"splicer": SCRIPT, "technician": SCRIPT, "next": f'/"{SCRIPT}'})
    for path in ("/", "/splicer", "/sign-in", "/nowhere" + SCRIPT):
        for asking in (client, target.client()):
            answer = asking.ask("GET", f"{path}?{query}".replace("<", "%3C").replace(">", "%3E"))
            assert SCRIPT not in answer.body, path
    refused = target.client().sign_in(f'"{SCRIPT}', "wrong wrong wrong")
    assert SCRIPT not in refused.body
    policy = client.ask("GET", "/").headers["Content-Security-Policy"]
    assert "unsafe" not in policy.split("script-src")[1].split(";")[0]
    # what a callback answers is JSON, which no browser takes for a page
    page = client.page("/nowhere" + SCRIPT)
    assert page.headers["Content-Type"] == "application/json"
    assert page.headers["X-Content-Type-Options"] == "nosniff"


def replay_after_sign_out(target: Target) -> None:
    client = target.client("birch@work")
    copy = Client(target.host, target.port, dict(client.cookies))
    assert copy.is_in()
    assert client.post("/sign-out").status == 303
    assert not copy.is_in()
    assert copy.page("/").status == 401


def replay_after_password_reset(target: Target) -> None:
    client = target.client("Visitor")
    engine = open_store(target.folder)
    try:
        reset_password(engine, "Visitor", "another four word text 9")
        assert not client.is_in()
        assert target.client().sign_in("Visitor").status == 401
        again = target.client()
        assert again.sign_in("Visitor", "another four word text 9").status == 303
        remove_user(engine, "Visitor")
        assert not again.is_in()
    finally:
        engine.dispose()


def method_confusion(target: Target) -> None:
    client = target.client("Lena")
    client.ask("GET", "/sign-out")
    client.ask("HEAD", "/sign-out")
    assert client.is_in()
    for method in ("PUT", "DELETE", "PATCH", "TRACE", "CONNECT", "FOO"):
        for path in ("/", "/sign-in", "/csv/coaching/people.csv", "/_dash-update-component"):
            status = target.client().ask(method, path, Origin=client.origin).status
            assert status in (401, 403, 405, 400, 501), (method, path, status)
    override = {"X_HTTP_Method_Override": "POST", "Origin": client.origin}
    assert client.ask("GET", "/sign-out?_method=POST", **override).status == 200
    assert client.is_in()
    stranger = target.client()
    assert stranger.ask("HEAD", "/csv/coaching/people.csv").status in (302, 401)
    assert "Birch" not in stranger.ask("OPTIONS", "/csv/coaching/people.csv").body
    fields = urlencode({"name": "Lena", "password": PASSWORD})
    assert not stranger.ask("GET", f"/sign-in?{fields}").headers.get("Set-Cookie")


def error_detail(target: Target) -> None:
    client = target.client("birch@work")
    grid = {"splicer": "Kestrel", "program": "p", "day": "", "type": "splice-grid"}
    broken = {
        "output": '{"day":["MATCH"],"program":["MATCH"],"splicer":["MATCH"],"type":"splice-grid"}'
        ".getRowsResponse",
        "outputs": {"id": grid, "property": "getRowsResponse"},
        "inputs": [{"id": grid, "property": "getRowsRequest", "value": {"startRow": "x"}}],
        "state": [{"id": grid, "property": "id", "value": grid}],
        "changedPropIds": ["x.getRowsRequest"],
    }
    answers = [
        client.call(broken),
        client.call({"output": PAGE_OUTPUT}),
        client.call({"output": PAGE_OUTPUT, "outputs": 1, "inputs": 2, "state": 3}),
        client.call([1, 2]),
        client.ask("POST", "/_dash-update-component", b"\xff\xfe", Origin=client.origin),
        client.ask("GET", "/csv/loss/splices.csv?splicer=%00%ff&day=9999-12-31"),
        client.ask("GET", "/csv/loss/nothing.csv"),
        client.ask("GET", "/%ff%fe"),
        client.ask("GET", "/_dash-component-suites/dash/nothing.js"),
    ]
    for answer in answers:
        assert not ERROR_DETAIL.search(answer.body), answer.body[:300]
        assert "Server" not in answer.headers
    assert "reference" in answers[0].body
    reference = re.search(r"reference ([0-9A-F]{8})", answers[0].body)
    assert reference
    assert reference[1] in (target.folder / "arcdrift.log").read_text(encoding="utf-8")


ATTACKS: dict[str, Callable[[Target], None]] = {
    attack.__name__: attack
    for attack in (
        forged_cookie, fixed_session, foreign_origin, foreign_host, path_traversal,
        another_persons_page, another_persons_callback, another_persons_download, oversized_body,
        files_of_others,
        formula_cells, html_in_names, replay_after_sign_out, replay_after_password_reset,
        method_confusion, error_detail, brute_force,
    )
}  # fmt: skip
"""By name; the last one shuts a user out for a while."""


@contextmanager
def attacked(folder: Path) -> Iterator[Target]:
    """Serve an invented crew in a process of its own, to people who sign in."""
    write_crew(folder)
    add_users(folder, {"Visitor": ("lead", None), SCRIPT: ("lead", None)})
    engine = open_store(folder)
    with engine.begin() as connection:
        connection.execute(schema.splices.update().values(remark=FORMULA, location="@SUM(1)"))
    engine.dispose()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    words = ["serve", "--sign-in", "--port", str(port), "--crew", str(folder)]
    with subprocess.Popen([*PROGRAM, *words], stderr=subprocess.PIPE, text=True) as server:
        try:
            assert server.stderr is not None
            assert "Dashboard at" in server.stderr.readline()
            yield Target(folder, port)
        finally:
            began = time.monotonic()
            server.terminate()
            code = server.wait(30)
            assert code == 0, f"ended with {code} when told to stop"
            assert time.monotonic() - began < 10
            assert "Traceback" not in (server.stderr.read() if server.stderr else "")


def main() -> int:
    """Try all attacks; print what came of each."""
    worked = 0
    with tempfile.TemporaryDirectory() as folder, attacked(Path(folder)) as target:
        for name, attack in ATTACKS.items():
            try:
                attack(target)
            except AssertionError as found:
                worked += 1
                sys.stdout.write(f"WORKED  {name}: {found}\n")
            else:
                sys.stdout.write(f"refused {name}\n")
    return worked


if __name__ == "__main__":
    sys.exit(main())
