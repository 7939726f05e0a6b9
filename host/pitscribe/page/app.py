"""The web application: routes, errors as plain words, and the guards at the door.

There is no log-in yet (issue "Doors"): the page is for this machine alone. ``PageServer`` binds to loopback only, and
the guard below refuses every request that names another host (a web site that points its own name at 127.0.0.1) and
every change that another site's page asks for.
"""

import contextlib
import logging
import threading
from collections.abc import AsyncIterator, Iterable
from http import HTTPStatus
from urllib.parse import urlsplit

from starlette.applications import Starlette
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pitscribe.clock import Clock
from pitscribe.errors import NotFoundError, PitscribeError, StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.page import assets, inputs
from pitscribe.page.api import Api
from pitscribe.page.events import BEAT_S, Hub
from pitscribe.watch import fault
from pitscribe.watch.live import Watch

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")
HEADERS = {
    # Plotly writes style elements, hence 'unsafe-inline' for styles; scripts come from this host's files alone.
    "Content-Security-Policy": "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
}
log = logging.getLogger(__name__)


def make_app(
    ledger: Ledger, watch: Watch, clock: Clock, *, hosts: Iterable[str] = LOOPBACK_NAMES, beat_s: float = BEAT_S
) -> Starlette:
    """The page over a ledger and a watch (which the caller starts and stops).

    clock : what time the page takes it to be; in the demo the bench's
    hosts : names under which the page may be asked for, without port
    beat_s : real seconds between signs of life on a quiet event stream
    ``app.state.hub`` is the event hub; close it before the server stops, or its streams hold the server up.
    """
    hub = Hub(watch, clock, beat_s)

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        hub.open()
        threading.Thread(target=assets.warm, name="packing", daemon=True).start()
        yield
        hub.close()

    def cook_page(request: Request) -> Response:
        ledger.cook(inputs.path_id(request, "cook"))  # NotFoundError makes the plain page for that
        return live_page(request)

    live_page = assets.page("live.html")
    app = Starlette(
        routes=[
            Route("/", live_page),
            Route("/cooks", assets.page("cooks.html")),
            Route("/cook/{cook}", cook_page),
            Route("/static/{name}", assets.static),
            Route("/api/events", hub.route),
            *Api(ledger, watch, clock).routes(),
        ],
        middleware=[Middleware(Door, hosts=tuple(hosts))],
        exception_handlers={PitscribeError: _refused, HTTPException: _http_error},
        lifespan=lifespan,
    )
    app.state.hub = hub
    return app


class Door:
    """Refuses foreign hosts and foreign sites, and puts the protective headers on every answer."""

    def __init__(self, app: ASGIApp, hosts: tuple[str, ...]) -> None:
        self._app = app
        self._hosts = {h.lower() for h in hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in or answer 403."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        begun = False

        async def send_with_headers(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        complaint = self._complaint(scope["method"], Headers(scope=scope))
        if complaint:
            await JSONResponse({"error": complaint}, HTTPStatus.FORBIDDEN)(scope, receive, send_with_headers)
            return
        try:
            await self._app(scope, receive, send_with_headers)
        except Exception as error:
            # Caught here: what comes further out is raised on by Starlette and printed with its traceback by uvicorn.
            request = Request(scope)
            where = f"page: a fault in pitscribe itself: {request.method} {request.url.path[:100]}"
            fault.tell(log, where, error)
            if not begun:
                words = f"a fault in pitscribe itself: {type(error).__name__}"
                answer = _error(request, HTTPStatus.INTERNAL_SERVER_ERROR, words)
                await answer(scope, receive, send_with_headers)

    def _complaint(self, method: str, headers: Headers) -> str | None:
        host = headers.get("host", "")
        if _name(host) not in self._hosts:
            return f"this page does not answer to the name {host[:80]!r}; open it at 127.0.0.1"
        if method in ("GET", "HEAD"):
            return None
        # Fetch Metadata (W3C) where the browser sends it; Origin (RFC 6454) otherwise. A program that is no browser
        # sends neither, and it could send anything it likes.
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return "a change must come from this page, not from another site"
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != host.lower():
            return "a change must come from this page, not from another site"
        return None


def _name(host: str) -> str:
    """The host without its port: "[::1]:8421" -> "[::1]"."""
    host = host.strip().lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def _error(request: Request, status: int, words: str) -> Response:
    if status == HTTPStatus.NOT_FOUND and not request.url.path.startswith(("/api/", "/static/")):
        return assets.page("missing.html", status)(request)
    return JSONResponse({"error": words}, status)


async def _refused(request: Request, error: Exception) -> Response:
    if isinstance(error, NotFoundError):
        return _error(request, HTTPStatus.NOT_FOUND, str(error))
    if isinstance(error, StoreError):
        return _error(request, HTTPStatus.SERVICE_UNAVAILABLE, str(error))
    return _error(request, HTTPStatus.BAD_REQUEST, str(error))


async def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return _error(request, error.status_code, error.detail)
