"""From where a dashboard may be reached, and whether that needs a sign-in."""

import ipaddress
import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

from arcdrift.errors import UsageError

LOOPBACK = "127.0.0.1"


def is_loopback(host: str) -> bool:
    """Return whether a host name or address can only mean this machine."""
    if host == "localhost":
        return True
    address = _ip_address(host)
    return address is not None and address.is_loopback


def _ip_address(host: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        return None


@dataclass(frozen=True)
class ServedAddress:
    """Where a dashboard listens, and under which names it is asked for.

    Attributes
    ----------
    host : str
        Name or address that is listened on.
    port : int
    proxies : int
        Reverse proxies in front, whose ``X-Forwarded-*`` headers are believed.
    public_url : str
        Address that other devices open, such as ``https://crew.example``; empty: that of `host`.
    sign_in : bool
        Whether to ask for a sign-in even where only this computer can ask.
    """

    host: str = LOOPBACK
    port: int = 8050
    proxies: int = 0
    public_url: str = ""
    sign_in: bool = False

    def __post_init__(self) -> None:
        if self.public_url:
            parts = urlsplit(self.public_url)
            if parts.scheme not in ("http", "https") or not parts.hostname or parts.path.strip("/"):
                raise UsageError(
                    f"{self.public_url!r} cannot be the address that others open; write it like "
                    "https://crew.example or https://crew.example:8443."
                )
        if self.proxies and not self.public_url:
            raise UsageError(
                "Behind a proxy, say which address people open: add --public-url "
                "https://YOUR-NAME to the command."
            )

    @property
    def needs_sign_in(self) -> bool:
        """Whether somebody else than this computer's users can ask, or a sign-in is wanted."""
        return (
            self.sign_in
            or bool(self.proxies)
            or bool(self.public_url)
            or not is_loopback(self.host)
        )

    @property
    def url(self) -> str:
        """Address to open."""
        if self.public_url:
            return self.public_url.rstrip("/")
        host = self.host
        if host in ("0.0.0.0", "::"):  # noqa: S104 - compared, not listened on
            host = _outward_address() or socket.gethostname()
        return f"http://{f'[{host}]' if ':' in host else host}:{self.port}"

    @property
    def is_open_network(self) -> bool:
        """Whether passwords cross a network as they are typed."""
        return not self.is_https and not self.is_only_here

    @property
    def is_only_here(self) -> bool:
        """Whether the address to open means this computer and no other."""
        return is_loopback(urlsplit(self.url).hostname or "")

    @property
    def is_https(self) -> bool:
        """Whether browsers reach it through TLS only."""
        return self.public_url.startswith("https:")

    def is_own_name(self, host: str) -> bool:
        """Whether a request may name this host.

        A page of somebody else can point a name of its own at this computer (DNS rebinding); a
        request that comes that way carries that name. An address of digits cannot be pointed.
        """
        if is_loopback(host):
            return True
        if self.public_url and host == urlsplit(self.public_url).hostname:
            return True
        if self.host in ("0.0.0.0", "::"):  # noqa: S104 - compared, not listened on
            return _ip_address(host) is not None or host in _own_names()
        return host == self.host.lower()


def _own_names() -> set[str]:
    name = socket.gethostname().lower()
    return {name, f"{name}.local", f"{name}.lan"}


def _outward_address() -> str:
    """Return this computer's address in its network; empty where it has none."""
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))  # an address for documentation; nothing is sent
            return str(probe.getsockname()[0])
    except OSError:
        return ""
