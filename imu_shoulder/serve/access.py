"""Who may talk to the page's server: this machine, and with --host devices that were let in by a one-time link.

The Host of every request must be one of ours, which a name rebound to this machine's address is not; the Origin of
every WebSocket and of every POST must be our own page. Source: RFC 6455 section 10.2 (Origin), RFC 9110 section 7.2
(Host), RFC 6265 (cookies).
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from ipaddress import ip_address

from imu_shoulder.errors import ParameterError

COOKIE = "imu_shoulder_device"
LOOPBACK = "127.0.0.1"
# Under it are the files that pages are drawn with; nothing of anybody's.
FILES = "/web/"
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self' {sockets}; img-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


@dataclass(slots=True)
class Bucket:
    """Lets `most` events through at once and `per_s` each second after that."""

    most: float
    per_s: float
    now: Callable[[], float] = time.monotonic
    _left: float = field(init=False)
    _at: float = field(init=False)

    def __post_init__(self) -> None:
        self._left, self._at = self.most, self.now()

    def take(self) -> bool:
        """True if one more event is let through."""
        now = self.now()
        self._left = min(self.most, self._left + (now - self._at) * self.per_s)
        self._at = now
        if self._left < 1:
            return False
        self._left -= 1
        return True


class Buckets:
    """One bucket for each address; the longest known is forgotten when there are too many."""

    def __init__(self, most: float, per_s: float, addresses: int = 256) -> None:
        self._most, self._per_s, self._addresses = most, per_s, addresses
        self._known: dict[str, Bucket] = {}

    def take(self, address: str) -> bool:
        bucket = self._known.setdefault(address, Bucket(self._most, self._per_s))
        if len(self._known) > self._addresses:
            del self._known[next(iter(self._known))]
        return bucket.take()


def check_host(host: str) -> str:
    """The address to be reached at by other devices. Raises ParameterError for a name or for all addresses at once."""
    try:
        address = ip_address(host)
    except ValueError:
        address = None
    if address is None or address.is_unspecified or address.is_loopback or address.is_multicast:
        raise ParameterError(
            "--host to be this machine's own address in the network of the tablet, such as 192.168.1.20",
            f"it was {host!r}",
            "look it up in the network settings, or leave --host away to serve this machine only",
        )
    return str(address)


def netloc(address: str, port: int) -> str:
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"


class Access:
    """The one decision about each request. host: None while only this machine is served."""

    def __init__(self, port: int, host: str | None = None) -> None:
        self.port, self.host = port, host
        self._own = {netloc(LOOPBACK, port), f"localhost:{port}"} | ({netloc(host, port)} if host else set())
        self._token = secrets.token_urlsafe(24) if host else None
        # Of a link to one page its token, of a device its cookie, and the page that it may read; "" for everything.
        self._pages: dict[str, str] = {}
        self._devices: dict[str, str] = {}
        self.attempts = Buckets(most=5, per_s=1 / 30)
        self.requests = Buckets(most=60, per_s=20)

    @property
    def link(self) -> str | None:
        """The one-time link. The token stands behind #, so that it is in no request line, log or Referer."""
        return f"http://{netloc(self.host, self.port)}/join#{self._token}" if self.host and self._token else None

    def link_to(self, page: str) -> str | None:
        """A one-time link that lets a device read this page and no other; None while only this machine is served."""
        if self.host is None:
            return None
        token = secrets.token_urlsafe(24)
        self._pages[token] = page
        return f"http://{netloc(self.host, self.port)}/join#{token}"

    def host_ok(self, headers: Mapping[str, str]) -> bool:
        return headers.get("host", "").lower() in self._own

    def origin_ok(self, headers: Mapping[str, str]) -> bool:
        """The page that asks is the one this very Host served."""
        return self.host_ok(headers) and headers.get("origin", "").lower() == f"http://{headers['host'].lower()}"

    def let_in(self, client: str, cookie: str | None, path: str = "/", *, reads: bool = True) -> bool:
        """This machine's own browsers, and devices that came by a link; of one to a page alone, to read that page."""
        if ip_address(client).is_loopback:
            return True
        given = None if cookie is None else cookie.encode()  # any letters may come
        pages = [
            page
            for device, page in self._devices.items()
            if given is not None and secrets.compare_digest(given, device.encode())
        ]
        return any(not page or (reads and (path == page or path.startswith(FILES))) for page in pages)

    def join(self, token: str) -> str | None:
        """Use a link up: a new device's cookie, and the next link. None if it is the token of none."""
        found = next((own for own in self._pages if secrets.compare_digest(token.encode(), own.encode())), None)
        device = secrets.token_urlsafe(24)
        if found is not None:
            self._devices[device] = self._pages.pop(found)
            return device
        if self._token is None or not secrets.compare_digest(token.encode(), self._token.encode()):
            return None
        self._token = secrets.token_urlsafe(24)
        self._devices[device] = ""
        return device

    def page_of(self, device: str) -> str:
        """Where a device begins that was let in."""
        return self._devices.get(device) or "/"

    def page_headers(self, headers: Mapping[str, str]) -> dict[str, str]:
        """Sent with every answer of ours but the report, which brings a policy of its own."""
        return {
            "Content-Security-Policy": PAGE_POLICY.format(sockets=f"ws://{headers.get('host', '')}"),
            **COMMON_HEADERS,
        }


COMMON_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Frame-Options": "DENY",
}
