"""The web application: routes, errors as plain words, and the door (``page.door``) before all of them."""

import contextlib
import logging
import threading
from collections.abc import AsyncIterator
from http import HTTPStatus

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pitscribe.clock import Clock
from pitscribe.errors import FieldError, NotFoundError, PitscribeError, StoreError
from pitscribe.ledger.ledger import Ledger
from pitscribe.page import assets, inputs
from pitscribe.page.alerts import AlertsApi
from pitscribe.page.api import Api
from pitscribe.page.door.door import Door
from pitscribe.page.door.guard import Guard
from pitscribe.page.events import BEAT_S, Hub
from pitscribe.page.papers import Papers
from pitscribe.page.photos import PhotosApi
from pitscribe.page.places import PlacesApi
from pitscribe.page.record import RecordApi
from pitscribe.page.scores import ScoresApi
from pitscribe.page.trials import TrialsApi
from pitscribe.watch import fault
from pitscribe.watch.live import Watch

log = logging.getLogger(__name__)


def make_app(
    ledger: Ledger, watch: Watch, clock: Clock, *, door: Door | None = None, beat_s: float = BEAT_S
) -> Starlette:
    """The page over a ledger and a watch (which the caller starts and stops).

    clock : what time the page takes it to be; in the demo the bench's
    door : who may come in; None: who sits at this machine alone
    beat_s : real seconds between signs of life on a quiet event stream
    ``app.state.hub`` is the event hub; close it before the server stops, or its streams hold the server up.
    """
    door = door or Door.shut()
    hub = Hub(watch, clock, beat_s)
    if door.entrance is not None:
        door.entrance.on_new_password = hub.end_streams

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
            Route("/favicon.ico", assets.icon),
            Route("/api/events", hub.route),
            *Api(ledger, watch, clock).routes(),
            *RecordApi(ledger, watch, clock).routes(),
            *Papers(ledger, clock).routes(),
            *ScoresApi(ledger).routes(),
            *TrialsApi(ledger).routes(),
            *PlacesApi(ledger, watch).routes(),
            *PhotosApi(ledger, watch, clock).routes(),
            *AlertsApi(ledger, clock).routes(),
            *door.routes(),
        ],
        middleware=[Middleware(Guard, house=door.house, sessions=door.sessions), Middleware(Faults)],
        exception_handlers={PitscribeError: _refused, HTTPException: _http_error},
        lifespan=lifespan,
    )
    app.state.hub = hub
    return app


class Faults:
    """Answers a fault of ours in plain words, and tells it where the host's own faults are told."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; 500 if that raises."""
        begun = False

        async def watched_send(message: Message) -> None:
            nonlocal begun
            begun = begun or message["type"] == "http.response.start"
            await send(message)

        try:
            await self._app(scope, receive, watched_send)
        except Exception as error:
            if scope["type"] != "http":
                raise
            # Caught here: what comes further out is raised on by Starlette and printed with its traceback by uvicorn.
            request = Request(scope)
            where = f"page: a fault in pitscribe itself: {request.method} {request.url.path[:100]}"
            fault.tell(log, where, error)
            if not begun:
                words = f"a fault in pitscribe itself: {type(error).__name__}"
                answer = _error(request, HTTPStatus.INTERNAL_SERVER_ERROR, words)
                await answer(scope, receive, send)


def _error(request: Request, status: int, words: str, field: str | None = None) -> Response:
    if request.url.path.startswith(("/api/", "/static/")):
        return JSONResponse({"error": words} | ({} if field is None else {"field": field}), status)
    if status == HTTPStatus.NOT_FOUND:
        return assets.page("missing.html", status)(request)
    return assets.refusal(words, status)


async def _refused(request: Request, error: Exception) -> Response:
    if isinstance(error, NotFoundError):
        return _error(request, HTTPStatus.NOT_FOUND, str(error))
    if isinstance(error, StoreError):
        return _error(request, HTTPStatus.SERVICE_UNAVAILABLE, str(error))
    return _error(request, HTTPStatus.BAD_REQUEST, str(error), error.field if isinstance(error, FieldError) else None)


async def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    said = _error(request, error.status_code, error.detail)
    said.headers.update(error.headers or {})  # Retry-After, Allow
    return said
