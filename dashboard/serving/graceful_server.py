"""Waitress, ended gracefully: requests that have begun are answered before it stops."""

import signal
import threading
from collections.abc import Callable
from time import monotonic
from types import FrameType
from typing import Any

import waitress
from flask import Flask
from waitress.server import BaseWSGIServer

from dashboard.access.request_guard import MAX_REQUEST_BYTES

THREADS = 8
GRACE_SECONDS = 20.0
"""Longest time that answers may take once the server was told to stop."""
_STEP_SECONDS = 0.2


class GracefulServer:
    """A server that listens from the moment it is made, and serves until it is told to stop.

    Parameters
    ----------
    stopping : callable, optional
        Called once it was told to stop, so that other work makes room for the last answers.
    """

    def __init__(
        self, app: Flask, host: str, port: int, *, stopping: Callable[[], None] | None = None
    ) -> None:
        self._told = stopping
        self._map: dict[int, Any] = {}
        self._server = waitress.create_server(
            app,
            map=self._map,
            host=host,
            port=port,
            threads=THREADS,
            ident=None,
            max_request_body_size=MAX_REQUEST_BYTES,
            # the guard refuses or reads these headers itself
            clear_untrusted_proxy_headers=False,
        )
        self._stopping = threading.Event()

    def stop(self) -> None:
        """Take no more connections, and end `run` once all requests are answered."""
        self._stopping.set()

    def run(self) -> None:
        """Serve until `stop`, SIGTERM or Ctrl-C."""
        if threading.current_thread() is threading.main_thread():
            signal.signal(signal.SIGTERM, self._told_to_stop)
        try:
            while not self._stopping.is_set():
                self._step()
            if self._told is not None:
                self._told()
            self._drain()
        except (SystemExit, KeyboardInterrupt):
            pass
        finally:
            self._server.task_dispatcher.shutdown(timeout=_STEP_SECONDS)
            self._server.asyncore.close_all(self._map)

    def _told_to_stop(self, _number: int, _frame: FrameType | None) -> None:
        self.stop()

    def _step(self) -> None:
        self._server.asyncore.loop(
            timeout=_STEP_SECONDS,
            map=self._map,
            use_poll=self._server.adj.asyncore_use_poll,
            count=1,
        )

    def _drain(self) -> None:
        listening = [part for part in self._map.values() if isinstance(part, BaseWSGIServer)]
        for part in listening:
            part.accepting = False
            part.socket.close()
            part.del_channel(self._map)
        deadline = monotonic() + GRACE_SECONDS
        while monotonic() < deadline and any(
            channel.requests or channel.total_outbufs_len
            for part in listening
            for channel in part.active_channels.values()
        ):
            self._step()
