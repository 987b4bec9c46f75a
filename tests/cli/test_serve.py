"""Serving: the port, this computer only, and a clean end."""

import logging
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from arcdrift.cli import json_log
from arcdrift.cli.commands import serve
from arcdrift.errors import UsageError


@pytest.fixture
def used_port() -> Any:
    """A port of this computer that something else listens on."""
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        yield other.getsockname()[1]


def test_next_free_port(used_port: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve, "PORT", used_port)
    found = serve.free_port("127.0.0.1", None)
    assert used_port < found < used_port + serve.TRIED_PORTS


def test_asked_port_is_taken(used_port: int, crew: Path, arcdrift: Any) -> None:
    with pytest.raises(UsageError, match=f"Port {used_port} cannot be used"):
        serve.free_port("127.0.0.1", used_port)


def test_other_computers_are_refused_without_users(crew: Path, arcdrift: Any) -> None:
    done = arcdrift("serve", "--host", "0.0.0.0")  # noqa: S104 - the refusal is the point
    assert done.code == 2
    assert "nobody can sign in yet. Add a user first: arcdrift user add NAME" in done.sentence


def test_options_say_where_the_dashboard_is_reached(crew, arcdrift, monkeypatch, used_port):
    asked = []
    monkeypatch.setattr("dashboard.app.serve", lambda *what, listening: asked.append(what))
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    url = "https://crew.example"
    assert arcdrift("serve", "--behind-proxy", "2", "--public-url", url, "--port", port).code == 0
    assert arcdrift("serve", "--sign-in", "--port", port).code == 0
    (_, proxied), (_, own) = asked
    assert (proxied.proxies, proxied.url, proxied.port) == (2, url, port)
    assert (own.needs_sign_in, own.url) == (True, f"http://127.0.0.1:{port}")
    done = arcdrift("serve", "--behind-proxy", "1", "--port", port)
    assert (done.code, "add --public-url" in done.sentence) == (2, True)


def test_a_damaged_store_is_told_before_any_address(crew: Path, arcdrift: Any) -> None:
    (crew / "arcdrift.db").write_bytes(b"this is no database, only words" * 100)
    done = arcdrift("serve")
    assert done.code == 4
    assert "is damaged or is not a store" in done.sentence


def test_a_log_that_cannot_be_written_is_put_elsewhere(crew, monkeypatch, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("temporary")
    monkeypatch.setattr("tempfile.tempdir", str(elsewhere))
    monkeypatch.setattr(os, "access", lambda *_: False)
    monkeypatch.setattr(logging.getLogger(), "handlers", [])
    json_log.log_to_file(crew)
    (handler,) = logging.getLogger().handlers
    assert Path(handler.baseFilename).parent == elsewhere


@pytest.mark.skipif(os.name == "nt", reason="interrupts differ on Windows")
def test_serves_until_interrupted(analyzed: Path) -> None:
    command = [sys.executable, "-c", "from arcdrift.cli.main import run; run()", "serve"]
    with subprocess.Popen(command, cwd=analyzed, stderr=subprocess.PIPE, text=True) as server:
        assert server.stderr is not None
        message = server.stderr.readline()
        address = next(word for word in message.split() if word.startswith("http://127.0.0.1:"))
        try:
            page = _fetch(address)
        finally:
            server.send_signal(signal.SIGINT)
            rest = server.stderr.read()
    assert "arcdrift" in page
    assert "Traceback" not in rest
    assert server.returncode in (0, 130)


def _fetch(address: str) -> str:
    # the address is printed just before the server listens
    for _ in range(100):
        try:
            with urllib.request.urlopen(address, timeout=10) as answer:  # noqa: S310 - our own
                return str(answer.read().decode())
        except urllib.error.URLError as problem:
            if not isinstance(problem.reason, ConnectionRefusedError):
                raise
        time.sleep(0.1)
    raise AssertionError("nothing listens")
