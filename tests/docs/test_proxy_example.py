"""README's nginx in front of a dashboard: TLS outside, one hop believed, names and origins kept."""

import re
import shutil
import socket
import ssl
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from email.message import Message
from http.cookiejar import CookieJar
from pathlib import Path
from typing import NamedTuple

import pytest

from dashboard.access.served_address import ServedAddress
from dashboard.app import create_app
from dashboard.serving.graceful_server import GracefulServer
from tests.dashboard.access.conftest import add_users
from tests.dashboard.access.signing_in import PASSWORD
from tests.dashboard.invented import write_crew

NGINX = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
OPENSSL = shutil.which("openssl")
README = Path(__file__).parents[2] / "README.md"
pytestmark = pytest.mark.skipif(
    NGINX is None or OPENSSL is None, reason="nginx or openssl is not installed on this machine"
)


class NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_):
        return None


class Answer(NamedTuple):
    status: int
    headers: Message
    body: bytes


class Visitor:
    """A browser outside, which trusts the proxy's certificate and keeps cookies."""

    def __init__(self, address: str, certificate: Path) -> None:
        self.address = address
        self.cookies = CookieJar()
        self._open = urllib.request.build_opener(
            urllib.request.ProxyHandler({}),
            urllib.request.HTTPSHandler(context=ssl.create_default_context(cafile=certificate)),
            urllib.request.HTTPCookieProcessor(self.cookies),
            NoRedirect,
        )

    def ask(self, path: str, fields: dict[str, str] | None = None, **headers: str) -> Answer:
        data = None if fields is None else urllib.parse.urlencode(fields).encode()
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        request = urllib.request.Request(self.address + path, data, named)  # noqa: S310 - our own
        try:
            answer = self._open.open(request, timeout=20)
        except urllib.error.HTTPError as refused:
            answer = refused
        with answer:
            return Answer(answer.status, answer.headers, answer.read())


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The dashboard behind the proxy of the README: its address, and the proxy's certificate."""
    folder = tmp_path_factory.mktemp("proxied")
    (folder / "crew").mkdir()
    crew = write_crew(folder / "crew")
    add_users(crew)
    outside, inside = free_port(), free_port()
    certificate, key = folder / "crew.pem", folder / "crew.key"
    subprocess.run(
        [str(OPENSSL), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1",
         "-nodes", "-days", "2", "-subj", "/CN=localhost", "-addext",
         "subjectAltName=DNS:localhost", "-keyout", str(key), "-out", str(certificate)],
        check=True, capture_output=True,
    )  # fmt: skip
    example = re.search(
        r"<!-- proxy-example -->\n```nginx\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL
    )
    assert example
    server = example[1]
    for stated, here in (
        ("listen 443 ssl", f"listen 127.0.0.1:{outside} ssl"),
        ("/etc/ssl/certs/crew.example.pem", str(certificate)),
        ("/etc/ssl/private/crew.example.key", str(key)),
        ("server_name crew.example", "server_name localhost"),
        ("http://127.0.0.1:8050", f"http://127.0.0.1:{inside}"),
    ):
        assert stated in server
        server = server.replace(stated, here)
    kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    paths = "".join(f"{kind}_temp_path {folder}/{kind};\n" for kind in kinds)
    (folder / "nginx.conf").write_text(
        f"daemon off;\npid {folder}/nginx.pid;\nerror_log {folder}/error.log;\n"
        f"events {{}}\nhttp {{\naccess_log off;\n{paths}{server}\n}}\n",
        encoding="utf-8",
    )
    address = f"https://localhost:{outside}"
    app = create_app(crew, ServedAddress(port=inside, proxies=1, public_url=address))
    dashboard = GracefulServer(app.server, "127.0.0.1", inside)
    thread = threading.Thread(target=dashboard.run)
    thread.start()
    words = [str(NGINX), "-e", f"{folder}/error.log", "-p", str(folder), "-c", "nginx.conf"]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as proxy:
        try:
            _wait_for(outside, proxy)
            yield address, certificate
        finally:
            proxy.terminate()
            dashboard.stop()
            thread.join(20)


def _wait_for(port: int, proxy: "subprocess.Popen[bytes]") -> None:
    for _ in range(100):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return
        assert proxy.poll() is None, proxy.stderr.read().decode() if proxy.stderr else ""
        time.sleep(0.05)
    raise AssertionError("nginx does not listen")


def test_a_visitor_signs_in_through_the_proxy(proxied, caplog):
    visitor = Visitor(*proxied)
    assert visitor.ask("/splicer").headers["Location"] == "/sign-in?next=/splicer"
    fields = {"name": "Lena", "password": PASSWORD}
    assert visitor.ask("/sign-in", fields, Origin="https://evil.example").status == 403
    # what a client claims to be is not believed: only what the proxy saw
    wrong = visitor.ask("/sign-in", fields | {"password": "wrong wrong wrong"},
                        Origin=visitor.address, X_Forwarded_For="203.0.113.66")  # fmt: skip
    assert wrong.status == 401
    assert "from 127.0.0.1" in caplog.text
    assert "203.0.113.66" not in caplog.text
    answer = visitor.ask("/sign-in", fields, Origin=visitor.address)
    assert answer.status == 303
    cookie = answer.headers["Set-Cookie"]
    assert cookie.startswith("__Host-arcdrift=")
    assert "Secure; HttpOnly" in cookie
    page = visitor.ask("/")
    assert page.status == 200
    assert "max-age" in page.headers["Strict-Transport-Security"]
    assert re.fullmatch("[0-9a-f]{32}", page.headers["X-Request-ID"])  # nginx's own number
    assert visitor.ask("/csv/coaching/people.csv").body.startswith(b"who,name")
    assert visitor.ask("/health").body == b'{"status": "ok"}\n'


def test_another_name_gets_nothing_through_the_proxy(proxied):
    visitor = Visitor(*proxied)
    assert visitor.ask("/sign-in", Host="rebound.example").status == 403
    assert visitor.ask("/sign-in", Host="localhost:1", X_Forwarded_Host="localhost").status == 200
