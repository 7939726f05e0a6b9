"""Server-sent events: each listener gets the newest snapshot, then what changes of it, and a beat when nothing does.

Most of a snapshot (safety, doneness, stalls: some 70 kB) stays the same from second to second; a ``change`` has only
the parts that are not as this stream had them last. A new connection begins with a whole one.

A slow browser never makes a queue grow: what it has not taken yet is replaced by what is newer.
Format: HTML Living Standard, section 9.2 (Server-sent events).
"""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from pitscribe.clock import Clock
from pitscribe.watch.live import Watch
from pitscribe.watch.snapshot import Snapshot

BEAT_S = 2.0  # the page says "no contact" after 10 s of silence


class Hub:
    """Hands the watch's snapshots over to the event loop, and from there to every open page."""

    def __init__(self, watch: Watch, clock: Clock, beat_s: float = BEAT_S) -> None:
        self._beat_s = beat_s
        self._watch = watch
        self._clock = clock
        self._loop: asyncio.AbstractEventLoop | None = None
        self._bell: set[asyncio.Event] = set()
        self._stop_listening: Callable[[], None] | None = None
        self._closing = False
        self._turn = 0  # streams of an earlier one end

    def open(self) -> None:
        """Begin; to be called in the event loop."""
        self._loop = asyncio.get_running_loop()
        self._closing = False
        self._stop_listening = self._watch.listen(self._from_watch)

    def close(self) -> None:
        """End every stream, so that the server can stop; from any thread."""
        self._closing = True
        if self._stop_listening:
            self._stop_listening()
            self._stop_listening = None
        self._ring_from_outside()

    def end_streams(self) -> None:
        """End every stream that is open now; whoever may still come in begins anew. From any thread."""
        self._turn += 1
        self._ring_from_outside()

    @property
    def listeners(self) -> int:
        """How many pages are listening."""
        return len(self._bell)

    def _from_watch(self, snapshot: Snapshot) -> None:
        self._ring_from_outside()

    def _ring_from_outside(self) -> None:
        if self._loop and not self._loop.is_closed():
            # The loop may be closed between the question and the call: then nobody listens any more.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._ring)

    def _ring(self) -> None:
        for bell in self._bell:
            bell.set()

    async def route(self, request: Request) -> Response:
        """GET /api/events."""
        given = request.headers.get("last-event-id", "")
        # An id that is not one of ours (an older run's, a broken proxy's) only means: send the newest.
        last = int(given) if given.isdecimal() and len(given) < 16 else -1
        return StreamingResponse(
            self._stream(last),
            media_type="text/event-stream",
            headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
        )

    async def _stream(self, last: int) -> AsyncIterator[bytes]:
        bell = asyncio.Event()
        had: Snapshot | None = None  # what this stream has told last
        turn = self._turn
        self._bell.add(bell)
        try:
            yield b"retry: 2000\n\n"
            while not self._closing and turn == self._turn:
                bell.clear()
                snapshot = self._watch.latest()
                if snapshot is not None and snapshot.number != last:
                    last = snapshot.number
                    kind, text = ("snapshot", snapshot.text) if had is None else ("change", snapshot.since(had))
                    had = snapshot
                    yield f"id: {last}\nevent: {kind}\ndata: {text}\n\n".encode()
                else:
                    yield f"event: beat\ndata: {json.dumps({'now': self._clock.now()})}\n\n".encode()
                try:
                    await asyncio.wait_for(bell.wait(), self._beat_s)
                except TimeoutError:
                    continue
        finally:
            self._bell.discard(bell)
