"""Limits on wrong passwords, for each user and for each address that asks.

They are kept in this process: a restart forgets them, and each process has its own.
"""

import ipaddress
from collections import OrderedDict, deque
from collections.abc import Callable
from threading import Lock
from time import monotonic

WINDOW_SECONDS = 15 * 60.0
MOST_OF_A_USER = 8
"""Wrong passwords of one user, from wherever, within the window."""
MOST_OF_AN_ADDRESS = 40
"""Wrong passwords from one address; a crew behind one router shares it."""
MOST_KEPT = 20_000
"""Users and addresses that are remembered; of more, the least recent are forgotten."""


class AttemptLimits:
    """Counts attempts in a sliding window; safe to share between threads.

    An attempt counts from the moment it begins, so that many at once gain nothing. One that
    succeeds is taken back.
    """

    def __init__(self, clock: Callable[[], float] = monotonic) -> None:
        self._clock = clock
        self._attempts: OrderedDict[tuple[str, str], deque[float]] = OrderedDict()
        self._lock = Lock()

    def begin(self, user_key: str, address: str) -> float:
        """Count an attempt, or return for how many seconds none is allowed; 0 when it counts."""
        now = self._clock()
        limits = self._limits(user_key, address)
        with self._lock:
            kept = {key: self._recent(key, now) for key in limits}
            waits = [
                times[-most] + WINDOW_SECONDS - now
                for key, most in limits.items()
                if len(times := kept[key]) >= most
            ]
            if waits:
                return max(waits)
            for times in kept.values():
                times.append(now)
            while len(self._attempts) > MOST_KEPT:
                self._attempts.popitem(last=False)
        return 0.0

    def succeeded(self, user_key: str, address: str) -> None:
        """Forget the attempts of a user, and the last one of the address."""
        user, network = self._limits(user_key, address)
        with self._lock:
            self._attempts.pop(user, None)
            if times := self._attempts.get(network):
                times.pop()

    def _recent(self, key: tuple[str, str], now: float) -> "deque[float]":
        times = self._attempts.setdefault(key, deque())
        self._attempts.move_to_end(key)
        while times and times[0] <= now - WINDOW_SECONDS:
            times.popleft()
        return times

    @staticmethod
    def _limits(user_key: str, address: str) -> dict[tuple[str, str], int]:
        return {
            ("user", user_key[:100]): MOST_OF_A_USER,
            ("address", _network(address)): MOST_OF_AN_ADDRESS,
        }


def _network(address: str) -> str:
    """Return what one client can change at will cut off: of an IPv6 address all but a /64."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if parsed.version == 4:
        return str(parsed)
    return str(ipaddress.ip_network((int(parsed), 64), strict=False).network_address)
