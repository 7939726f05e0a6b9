"""The guard before every route: which names the page answers to, who is at home, who has a session, which changes
come from this page, and the protective headers on every answer."""

import ipaddress
from dataclasses import dataclass, field
from http import HTTPStatus
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pitscribe.listening import is_loopback
from pitscribe.page.door.sessions import Sessions

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")
ENTER, FIRST = "/enter", "/first"
# What needs no session: the two pages that ask for the password, what they load, and what they send; and a taster's.
OPEN = frozenset({
    ENTER, FIRST, "/api/enter", "/api/first", "/static/page.css", "/static/mark.svg", "/favicon.ico",
    "/static/enter.js", "/static/first.js", "/static/door.js",
    # A guest at a blind tasting has a slip and no password, and by that sees that slip's form and nothing else.
    "/taste", "/api/taste", "/api/taste/answer", "/static/taste.js", "/static/taste.css", "/static/el.js",
})
HEADERS = {
    # Plotly writes style elements, hence 'unsafe-inline' for styles; scripts come from this host's files alone.
    "Content-Security-Policy": "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
}
_FOREIGN = "a change must come from this page, not from another site"


@dataclass(frozen=True, slots=True)
class House:
    """What the guard knows of the house.

    names : the page answers to these host names, in lower case and without a port
    anywhere : it listens beyond this machine: then it answers to any address in figures too (no other site can point
        a name of its own at it so), and asks who comes from elsewhere for a session
    ask_at_home : it asks those on this machine as well
    """

    names: frozenset[str] = field(default_factory=lambda: frozenset(LOOPBACK_NAMES))
    anywhere: bool = False
    ask_at_home: bool = False

    def answers_to(self, name: str) -> bool:
        """Whether a request for this host name is for this page."""
        return name in self.names or (self.anywhere and _is_address(name))

    def is_home(self, client: str | None, name: str, headers: Headers) -> bool:
        """Whether a request comes from this machine itself, and not through a relay that stands on it."""
        relayed = any(h in headers for h in ("forwarded", "x-forwarded-for", "x-real-ip", "via"))
        # Where it listens on loopback alone, nobody else can reach it.
        near = not self.anywhere or (client is not None and is_loopback(client))
        return name in LOOPBACK_NAMES and not relayed and near


class Guard:
    """Lets a request through, or answers 401, 403, or with the page that asks for the password."""

    def __init__(self, app: ASGIApp, house: House, sessions: Sessions | None) -> None:
        self._app, self._house, self._sessions = app, house, sessions

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        if scope["type"] != "http":  # no route speaks anything else: a web socket is refused as it knocks
            await send({"type": "websocket.close", "code": 1008})
            return
        answer = self._refusal(scope)
        await (answer or self._app)(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        method, path, host = scope["method"], scope["path"], headers.get("host", "")
        name = name_of(host)
        if not self._house.answers_to(name):
            words = f"this page does not answer to the name {host[:80]!r}; open it at 127.0.0.1"
            if self._house.anywhere:
                words = f"this page does not answer to the name {host[:80]!r}; add it to page.names, or use the address"
            return JSONResponse({"error": words}, HTTPStatus.FORBIDDEN)
        if method not in ("GET", "HEAD") and _is_foreign(headers, host):
            return JSONResponse({"error": _FOREIGN}, HTTPStatus.FORBIDDEN)
        client = scope["client"][0] if scope.get("client") else None
        if path in OPEN or (not self._house.ask_at_home and self._house.is_home(client, name, headers)):
            return None
        if self._sessions is None or not self._sessions.holds(headers.get("cookie", "")):
            return _ask(method, path)
        # A cookie goes along with whatever a browser sends: a change by a session must show where it comes from.
        if method not in ("GET", "HEAD") and not ({"origin", "sec-fetch-site"} & set(headers.keys())):
            return JSONResponse({"error": _FOREIGN}, HTTPStatus.FORBIDDEN)
        return None


def _ask(method: str, path: str) -> Response:
    if method in ("GET", "HEAD") and not path.startswith(("/api/", "/static/")):
        return RedirectResponse(ENTER, HTTPStatus.SEE_OTHER, {"Cache-Control": "no-store"})
    words = {"error": "come in first: this page has a password", "enter": ENTER}
    return JSONResponse(words, HTTPStatus.UNAUTHORIZED, {"Cache-Control": "no-store"})


def _is_foreign(headers: Headers, host: str) -> bool:
    # Fetch Metadata (W3C) where the browser sends it; Origin (RFC 6454) otherwise. A program that is no browser
    # sends neither, and it could send anything it likes.
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return True
    origin = headers.get("origin")
    return origin is not None and urlsplit(origin).netloc.lower() != host.lower()


def name_of(host: str) -> str:
    """The host without its port: "[::1]:8421" -> "[::1]"."""
    host = host.strip().lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True
