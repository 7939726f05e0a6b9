"""A connection to the page that says nothing, or says it letter by letter, is ended: uvicorn itself waits for ever."""

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_S = 15.0  # for the head of a request, from the connection on or from the answer before it


class Connection(H11Protocol):
    """uvicorn's HTTP/1.1 with a time by which a request must have been asked."""

    head_s = HEAD_S
    _until: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait."""
        super().connection_made(transport)
        self._look()

    def data_received(self, data: bytes) -> None:
        """What came may be the rest of a head."""
        super().data_received(data)
        self._look()

    def on_response_complete(self) -> None:
        """An answer is out: the next request is waited for, or is there already."""
        super().on_response_complete()
        self._look()

    def handle_websocket_upgrade(self, event: Any) -> None:
        """Another protocol has the connection from here on; the door ends it at once."""
        self._rest()
        super().handle_websocket_upgrade(event)

    def connection_lost(self, exc: Exception | None) -> None:
        """It is over."""
        self._rest()
        super().connection_lost(exc)

    def _look(self) -> None:
        busy = self.cycle is not None and not self.cycle.response_complete
        if busy or self.transport.is_closing() or self.transport.get_protocol() is not self:
            self._rest()
        elif self._until is None:
            self._until = self.loop.call_later(self.head_s, self.transport.abort)

    def _rest(self) -> None:
        if self._until is not None:
            self._until.cancel()
            self._until = None
