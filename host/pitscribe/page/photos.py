"""The routes of photos: sent as the camera wrote them, kept and given out as ``ledger.photofile`` makes them anew."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta, timezone
from http import HTTPStatus
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.clock import Clock
from pitscribe.errors import ConfigError, PhotoError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.photobook import MOST_PHOTOS, MOST_WORDS
from pitscribe.ledger.photofile import MOST_BYTES, read_photo, smaller, too_large
from pitscribe.page import inputs
from pitscribe.page.api import answer
from pitscribe.watch.live import Watch

MOST_AT_ONCE = 4  # photos on their way in: each is in memory until it is kept
LONGEST_S = 180.0  # on its way in: 20 MB at 1 Mbit/s
MOST_OFF_MIN = 14 * 60  # the clocks of the earth are no further from UTC
# A photo of a number never changes: it is another one that gets another number.
_ALWAYS = {"Cache-Control": "private, max-age=31536000, immutable", "Content-Disposition": "inline"}


class PhotosApi:
    """The routes, over one ledger, watch and clock."""

    def __init__(self, ledger: Ledger, watch: Watch, clock: Clock) -> None:
        self._ledger, self._watch, self._clock = ledger, watch, clock
        self._coming = 0

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/api/cooks/{cook}/photos", self.photos),
            Route("/api/cooks/{cook}/photos", self.add, methods=["POST"]),
            Route("/api/photos/{photo}/whole.jpg", self.whole),
            Route("/api/photos/{photo}/small.jpg", self.small),
            Route("/api/photos/{photo}", self.change, methods=["PATCH"]),
            Route("/api/photos/{photo}", self.erase, methods=["DELETE"]),
        ]

    def photos(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/photos: in order of time."""
        cook = self._ledger.cook(inputs.path_id(request, "cook"))
        return answer(request, {"photos": [p.as_json() for p in self._ledger.photos(cook.id)], "most": MOST_PHOTOS})

    async def add(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/photos?east_min=: the body is a JPEG or PNG file, as the camera wrote it.

        east_min : by how many minutes the sender's clock is ahead of UTC, for a photo that does not say; without it
            this machine's clock counts
        The answer is the photo, with ``told``: whether its time is the one that it says itself. 413 if it is too large.
        """
        cook_id = (await run_in_threadpool(self._ledger.cook, inputs.path_id(request, "cook"))).id
        if not request.headers.get("content-type", "").lower().startswith("image/"):
            raise ConfigError("send the photo's file itself, with Content-Type: image/jpeg")
        east = inputs.query_number(request, "east_min", -MOST_OFF_MIN, MOST_OFF_MIN)
        zone = None if east is None else timezone(timedelta(minutes=east))

        def work(data: bytes) -> dict[str, Any]:
            picture = read_photo(data)
            at, told = self._ledger.time_of_photo(cook_id, picture, zone)
            return self._ledger.add_photo(cook_id, picture, at=at).as_json() | {"told": told}

        with self._one_more():
            photo = await run_in_threadpool(work, await _body(request))
        self._watch.poke()
        return answer(request, photo, 201)

    def whole(self, request: Request) -> Response:
        """GET /api/photos/{photo}/whole.jpg."""
        return _jpeg(self._ledger.photo_jpeg(self._ledger.photo(inputs.path_id(request, "photo"))))

    def small(self, request: Request) -> Response:
        """GET /api/photos/{photo}/small.jpg: for a list."""
        return _jpeg(smaller(self._ledger.photo_jpeg(self._ledger.photo(inputs.path_id(request, "photo")))))

    async def change(self, request: Request) -> Response:
        """PATCH /api/photos/{photo} {words?, at?}."""
        fields = await inputs.fields_of(request)
        words = fields.text("words", most=MOST_WORDS, needed=False) if fields.has("words") else None
        at = inputs.at_ms(fields, self._clock.now())
        fields.finish()
        photo_id = inputs.path_id(request, "photo")
        photo = await run_in_threadpool(lambda: self._ledger.change_photo(photo_id, at=at, words=words))
        self._watch.poke()
        return answer(request, photo.as_json())

    async def erase(self, request: Request) -> Response:
        """DELETE /api/photos/{photo}: for good."""
        photo_id = inputs.path_id(request, "photo")
        await run_in_threadpool(self._ledger.erase_photo, photo_id)
        self._watch.poke()
        return answer(request, {"erased": photo_id})

    @contextmanager
    def _one_more(self) -> Iterator[None]:
        """One more photo on its way in; 503 if there are too many. In the server's one loop: nothing to lock."""
        if self._coming >= MOST_AT_ONCE:
            words = f"{MOST_AT_ONCE} photos are coming in already: send this one again in a while"
            raise HTTPException(HTTPStatus.SERVICE_UNAVAILABLE, words, {"Retry-After": "10"})
        self._coming += 1
        try:
            yield
        finally:
            self._coming -= 1


async def _body(request: Request) -> bytes:
    """What is sent, no more of it than is taken. 413; PhotoError if it breaks off."""
    said = request.headers.get("content-length", "")
    data = bytearray()
    try:
        async with asyncio.timeout(LONGEST_S):
            if not (said.isdecimal() and len(said) < 16 and int(said) > MOST_BYTES):
                async for part in request.stream():
                    data += part
                    if len(data) > MOST_BYTES:
                        break
                else:
                    return bytes(data)
    except ClientDisconnect:
        raise PhotoError("the photo broke off on its way; send it again") from None
    except TimeoutError:
        raise PhotoError(f"the photo has not come within {LONGEST_S:.0f} s; send it again from nearer by") from None
    raise HTTPException(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, too_large())


def _jpeg(data: bytes) -> Response:
    return Response(data, headers=_ALWAYS, media_type="image/jpeg")
