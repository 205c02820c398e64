"""What every request passes before any page: host, origin, pairing; and the headers of the answer.

Host is checked against rebinding (a foreign name made to point here), Origin and Sec-Fetch-Site
against other pages that send forms here (Fetch standard; W3C Fetch Metadata). The policy of the
pages is Content Security Policy level 3. All from memory.
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from typing import Literal

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from polypvision.web.pairing import Device, Devices, Guesses

COOKIE = "polypvision_device"
LOOPBACK_NAMES = ("127.0.0.1", "localhost", "[::1]")
_OPEN_PATHS = ("/pair", "/static/")
"""What an unpaired phone may have: the page that pairs it, and how that looks."""
MAX_PATH, MAX_QUERY = 1000, 8000
"""Characters of an address; ours are shorter, the longest being a plate's name in hexadecimal."""

HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
        "connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not no-referrer: with that, browsers send "Origin: null" with our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), payment=(), usb=()",
}

Who = Literal["desk", "paired", "stranger"]
Refuse = Callable[[Scope, int, str, str], ASGIApp]
"""Makes the page that says no: of scope, status, heading and words."""


@dataclass(frozen=True, kw_only=True)
class Door:
    """Where the pages are served.

    Attributes
    ----------
    port : int
    names : tuple of str
        Names or addresses on the local network; empty: this computer alone.
    """

    port: int
    names: tuple[str, ...] = ()

    @property
    def hosts(self) -> frozenset[str]:
        """Every Host header that is ours."""
        names = (*LOOPBACK_NAMES, *self.names)
        with_port = {f"{name}:{self.port}" for name in names}
        # Browsers leave out the port that is usual for http.
        return frozenset(with_port | (set(names) if self.port == 80 else set()))


def is_loopback(address: str) -> bool:
    """Whether a client's address is this computer itself."""
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return False


class Guard:
    """ASGI middleware: lets through what is ours, and says no to the rest."""

    def __init__(
        self, app: ASGIApp, *, door: Door, devices: Devices, guesses: Guesses, refuse: Refuse
    ) -> None:
        self._app = app
        self._door = door
        self._devices = devices
        self._guesses = guesses
        self._refuse = refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # No page of ours opens a socket.
        headers = Headers(scope=scope)
        address = scope["client"][0] if scope.get("client") else ""
        who: Who = "desk" if self._is_desk(headers, address) else "stranger"
        state = scope.setdefault("state", {})
        state["said_by"] = who
        if who != "desk" and (device := self._device(headers, address)) is not None:
            who, state["said_by"] = "paired", f"{device.name} {device.number}"
        state["who"] = who
        state["address"] = address
        no = self._refusal(scope, headers, address, who)
        app = self._app if no is None else self._refuse(scope, *no)
        await app(scope, receive, _with_headers(scope, send))

    def _is_desk(self, headers: Headers, address: str) -> bool:
        # Through the network's name even this computer is a guest like any other.
        name = headers.get("host", "").rpartition(":")[0]
        return is_loopback(address) and name in LOOPBACK_NAMES

    def _device(self, headers: Headers, address: str) -> Device | None:
        token = _token(headers)
        if token is None:
            return None
        # A right token is heard whoever guesses meanwhile: else a stranger could lock out all.
        # Of 256 bits, it needs no limit; wrong ones count against pairing.
        device = self._devices.device_of(token)
        if device is None:
            self._guesses.note(address)
        return device

    def _refusal(
        self, scope: Scope, headers: Headers, address: str, who: Who
    ) -> tuple[int, str, str] | None:
        if headers.getlist("host") != [headers.get("host")] or not self._own_host(headers):
            return 421, "Not here", "This address is not one of polypvision's own."
        if not self._own_site(scope, headers):
            return 403, "Not from another page", "Open the page itself, and do it there."
        path = scope["path"]
        if len(path) > MAX_PATH or len(scope["query_string"]) > MAX_QUERY:
            return 414, "Too long", "There is no address as long as this one."
        if who == "stranger" and not path.startswith(_OPEN_PATHS):
            return (
                401,
                "Pair this device first",
                "Scan the square code that the desk's page shows. A device is forgotten after "
                "90 days, or when it is taken off the list.",
            )
        if who != "desk" and path.startswith("/desk/"):
            return 403, "Only at the desk", "This is done on the computer that polypvision runs on."
        return None

    def _own_host(self, headers: Headers) -> bool:
        return headers.get("host", "").lower() in self._door.hosts

    def _own_site(self, scope: Scope, headers: Headers) -> bool:
        site = headers.get("sec-fetch-site")
        if scope["method"] in ("GET", "HEAD"):
            # A link from elsewhere may open a page; nothing may be taken out of one.
            foreign = site in ("cross-site", "same-site")
            return not foreign or headers.get("sec-fetch-mode") == "navigate"
        origin = headers.get("origin")
        if origin is None:
            return site == "same-origin"
        return origin.lower() == f"http://{headers.get('host', '').lower()}"


def _token(headers: Headers) -> str | None:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return found.value if found else None


def _with_headers(scope: Scope, send: Send) -> Callable[[Message], Awaitable[None]]:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            if "cache-control" not in headers:
                headers["cache-control"] = "no-store"
        await send(message)

    return sending
