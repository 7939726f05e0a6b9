"""The routes that need no session: the page that asks for the password, the one that sets it, and the way out."""

import asyncio
import math
from collections import Counter
from collections.abc import Callable
from http import HTTPStatus

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from pitscribe.knocks import Knocks
from pitscribe.page import assets, inputs
from pitscribe.page.door.guard import ENTER, FIRST
from pitscribe.page.door.lock import LONGEST, Lock
from pitscribe.page.door.patience import Patience
from pitscribe.page.door.sessions import Sessions

MOST_OF_ONE, MOST_AT_ONCE = 2, 8  # tries that wait for their turn: of one address, of all
_NOT_YET = "no password is set yet: open the link that pitscribe printed, or make one with: pitscribe page link"


class Entrance:
    """Log-in, log-out, and the first password. Nothing of what is typed is ever told, in a log or an answer."""

    def __init__(self, lock: Lock, sessions: Sessions, patience: Patience, now: Callable[[], float]) -> None:
        """``now``: the time of this machine, s."""
        self._lock, self._sessions, self._patience, self._now = lock, sessions, patience, now
        self.knocks = Knocks(now, "page")
        self._turn = asyncio.Lock()
        self._waiting: Counter[str] = Counter()  # by address
        self.on_new_password: Callable[[], None] = lambda: None  # what else of earlier sessions is to end

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route(ENTER, assets.page("enter.html")),
            Route(FIRST, assets.page("first.html")),
            Route("/api/enter", self.enter, methods=["POST"]),
            Route("/api/first", self.first, methods=["POST"]),
            Route("/api/leave", self.leave, methods=["POST"]),
        ]

    async def enter(self, request: Request) -> Response:
        """POST /api/enter {password}: 200 with a session, 401 if it is wrong, 429 with Retry-After if too soon."""
        fields = await inputs.fields_of(request)
        password = fields.secret("password", LONGEST)
        fields.finish()
        return await self._in_turn(request, lambda address: self._enter(request, address, password))

    async def _in_turn(self, request: Request, work: Callable[[str], Response]) -> Response:
        """One try after the other, and few that wait: who sends many at once gets no more of them than one who sends
        each after the answer, and takes none of the threads that the page needs."""
        address = request.client.host if request.client else ""
        if self._waiting[address] >= MOST_OF_ONE or self._waiting.total() >= MOST_AT_ONCE:
            return _later("too many tries at once", 2)
        self._waiting[address] += 1
        try:
            async with self._turn:
                return await run_in_threadpool(work, address)
        finally:
            self._waiting -= Counter([address])  # takes the name away with the last one

    def _enter(self, request: Request, address: str, password: str) -> Response:
        if wait := self._patience.wait_s(address):
            return _later("too many wrong passwords", wait)
        if not self._lock.has_password:
            return JSONResponse({"error": _NOT_YET}, HTTPStatus.CONFLICT)
        if not self._lock.opens(password):
            self._wrong(address)
            return JSONResponse({"error": "that is not the password"}, HTTPStatus.UNAUTHORIZED)
        self._patience.right(address)
        return self._with_session(request)

    async def first(self, request: Request) -> Response:
        """POST /api/first {word, password}: sets the password by a one-time link, and comes in."""
        fields = await inputs.fields_of(request)
        word, password = fields.secret("word", 100), fields.secret("password", LONGEST)
        fields.finish()
        return await self._in_turn(request, lambda address: self._first(request, address, word, password))

    def _first(self, request: Request, address: str, word: str, password: str) -> Response:
        # A good word is taken at once, whoever guesses meanwhile: it is the owner's way in, and nobody guesses it.
        if not self._lock.takes(word, self._now()):
            if wait := self._patience.wait_s(address):
                return _later("too many tries", wait)
            self._wrong(address)
        self._lock.set_password(password, word, self._now())
        self._patience.right(address)
        self.on_new_password()
        return self._with_session(request)

    def _wrong(self, address: str) -> None:
        self._patience.wrong(address)
        self.knocks.wrong(address)

    def leave(self, request: Request) -> Response:
        """POST /api/leave: ends the session in this browser."""
        return JSONResponse({}, headers={"Set-Cookie": Sessions.gone(), "Cache-Control": "no-store"})

    def _with_session(self, request: Request) -> Response:
        cookie = self._sessions.new(safe_line=request.url.scheme == "https")
        return JSONResponse({}, headers={"Set-Cookie": cookie, "Cache-Control": "no-store"})


def _later(words: str, wait_s: float) -> Response:
    seconds = str(math.ceil(wait_s))
    return JSONResponse(
        {"error": f"{words}: try again in {seconds} s"}, HTTPStatus.TOO_MANY_REQUESTS, {"Retry-After": seconds}
    )
