"""A server that is told to stop answers what has begun, and takes nothing more."""

import socket
import threading
import time
import urllib.error
import urllib.request

import pytest
from flask import Flask

from dashboard.serving.graceful_server import GracefulServer


@pytest.fixture
def slow():
    """A server whose answer waits until it is let go, and its port."""
    app = Flask("slow", static_folder=None)
    begun, let_go = threading.Event(), threading.Event()

    @app.get("/")
    def answer() -> str:
        begun.set()
        let_go.wait(10)
        return "whole " * 50_000

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = GracefulServer(app, "127.0.0.1", port)
    thread = threading.Thread(target=server.run)
    thread.start()
    yield server, thread, f"http://127.0.0.1:{port}/", begun, let_go
    let_go.set()
    server.stop()
    thread.join(10)


def asked(url: str) -> tuple[threading.Thread, list[bytes]]:
    """A thread that waits for an answer, and where it puts it."""
    answers: list[bytes] = []

    def ask() -> None:
        with urllib.request.urlopen(url, timeout=10) as answer:  # noqa: S310 - our own
            answers.append(answer.read())

    asking = threading.Thread(target=ask)
    asking.start()
    return asking, answers


def test_what_has_begun_is_answered_whole(slow):
    server, thread, url, begun, let_go = slow
    asking, answers = asked(url)
    assert begun.wait(10)
    server.stop()
    time.sleep(0.5)
    with pytest.raises(urllib.error.URLError):
        urllib.request.urlopen(url, timeout=5)  # noqa: S310 - our own
    assert thread.is_alive()
    let_go.set()
    asking.join(10)
    thread.join(10)
    assert not thread.is_alive()
    assert len(answers[0]) == 300_000


def test_other_traffic_does_not_shorten_the_grace(slow):
    """Every event wakes the server up; only time ends its patience."""
    server, _thread, url, begun, let_go = slow
    asking, answers = asked(url)
    assert begun.wait(10)
    server.stop()
    for _ in range(300):
        server._server.pull_trigger()
        time.sleep(0.005)
    let_go.set()
    asking.join(10)
    assert [len(answer) for answer in answers] == [300_000]
