"""The server that is mirrored to: writes through its Influx v2 API, and what its own ways of reading and deleting are.

Writes are synchronous, a batch of ours at a time: what returned was taken, and what raised may have been.
"""

import contextlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException

from pitscribe.errors import MirrorError
from pitscribe.mirror.found import Held
from pitscribe.mirror.points import SeriesName, Stream
from pitscribe.mirror.request import PATIENCE, Answer, AwayError, ended_after, pool, read, retry_after

TIMEOUT_S = 20.0  # our allowance, no source: a slow server is one that is away


Values = Mapping[str, str]
NO_VALUES: Values = {}


class RefusedError(MirrorError):
    """The server does not take these points, whatever it does with others."""


class TooMuchError(RefusedError):
    """So many points at once are too much for it."""


@dataclass(frozen=True, slots=True)
class Address:
    """Where the server is, and who we are to it; ``token`` may be empty.

    again : reads the settings anew, for a token that was put right meanwhile
    """

    url: str
    org: str
    bucket: str
    token: str = field(default="", repr=False)
    again: "Callable[[], Address] | None" = field(default=None, repr=False, compare=False)

    @property
    def key(self) -> str:
        """What the ledger knows it by: the token may change."""
        return " ".join((self.url.rstrip("/"), self.org, self.bucket))


class Server:
    """A server of which only the write API is known: what it holds cannot be read, nor can anything be deleted."""

    kind = "a server with the Influx v2 write API"
    reads = False
    deletes_series = False  # whether it can delete nothing less than a whole series
    texts = True  # whether it keeps the values of text fields
    rests_s = 30.0  # so long after a write it has it on disk for certain (our allowance, no source)

    def __init__(self, address: Address, timeout_s: float = TIMEOUT_S) -> None:
        self.address = address
        self._most_s = PATIENCE * timeout_s
        self.pool = pool(timeout_s)
        self._client = InfluxDBClient(
            url=address.url, token=address.token, org=address.org, timeout=int(timeout_s * 1000), enable_gzip=True
        )
        self._client.api_client.rest_client.pool_manager = self.pool  # type: ignore[assignment]  # its end too
        self._write = self._client.write_api(write_options=SYNCHRONOUS)

    def close(self) -> None:
        """End the connections."""
        self._write.close()  # type: ignore[no-untyped-call]
        self._client.close()  # type: ignore[no-untyped-call]
        self.pool.clear()

    def write(self, lines: Sequence[str]) -> None:
        """Write lines, times in ms. AwayError, RefusedError; then some of them may have been taken."""
        try:
            self.post("\n".join(lines).encode())
        except TooMuchError:
            if len(lines) == 1:
                raise
            self.write(lines[: len(lines) // 2])
            self.write(lines[len(lines) // 2 :])

    def post(self, data: bytes) -> None:
        """Write some lines in one request."""
        with self.library():
            self._write.write(self.address.bucket, self.address.org, data, write_precision=WritePrecision.MS)  # type: ignore[arg-type]

    @contextlib.contextmanager
    def library(self) -> Iterator[None]:
        """What influxdb-client does in the block raises our errors."""
        try:
            with ended_after(self._most_s, self.address.url):
                yield
        except ApiException as error:
            headers: Mapping[str, str] = error.headers or {}
            answer = Answer(int(error.status or 0), headers, _bytes(error.body or error.reason))
            raise refusal(answer, self.address) from error

    def held(self, stream: Stream, first_ms: int, last_ms: int) -> Held:
        """What it holds of a stream's fields from ``first_ms`` to ``last_ms``, both included."""
        raise NotImplementedError

    def delete(self, series: SeriesName, first_ms: int, last_ms: int) -> None:
        """Delete a series' points of a span; where the server ``deletes_series``, all of it."""
        raise NotImplementedError

    # for those who know more

    def ask(self, method: str, path: str, values: Values = NO_VALUES, body: bytes | None = None) -> bytes:
        """One request. AwayError, RefusedError."""
        answer = self.look(method, path, values, body)
        if not 200 <= answer.status < 300:
            raise refusal(answer, self.address)
        return answer.data

    def look(self, method: str, path: str, values: Values = NO_VALUES, body: bytes | None = None) -> Answer:
        """One request, whatever is answered. AwayError if nothing is."""
        url = f"{self.address.url.rstrip('/')}{path}{'?' if values else ''}{urlencode(values)}"
        with ended_after(self._most_s, self.address.url):
            answer = self.pool.request(
                method, url, body=body, headers=self.headers(), redirect=False, preload_content=False
            )
            return read(answer, self.address.url)

    def parsed(self, data: bytes) -> Any:
        """An answer that should be JSON. AwayError if it is not: something else answers there, or broke off."""
        try:
            return json.loads(data)
        except ValueError as error:
            words = f"{self.address.url} answers with what is no {self.kind}'s answer: {_said(data[:200])!r}"
            raise AwayError(f"{words}; it is tried again") from error

    def headers(self) -> Mapping[str, str]:
        """Who we are, for requests of our own."""
        return {"Authorization": f"Token {self.address.token}"} if self.address.token else {}


def refusal(answer: Answer, address: Address) -> MirrorError:
    """An answer that is no success, in words."""
    status, said, wait = answer.status, _said(answer.data), retry_after(answer.headers)
    says = f": {said}" if said else ""
    if status in (401, 403):
        return AwayError(f"{address.url} does not take the token ({status}{says}); put a right one into its file", wait)
    if status == 404:
        return AwayError(f"{address.url} does not know bucket {address.bucket!r} or this path ({status}{says})", wait)
    if status == 413:
        return TooMuchError(f"{address.url} takes not even one point at once ({status}{says})")
    if status in (400, 422):
        return RefusedError(f"{address.url} does not take these points ({status}{says})")
    return AwayError(f"{address.url} cannot write at present ({status}{says}); it is tried again", wait)


def _bytes(body: Any) -> bytes:
    return body if isinstance(body, bytes) else str(body or "").encode()


def _said(data: bytes) -> str:
    text = data.decode("utf-8", "replace")
    try:
        told = json.loads(text)
        text = str(told.get("error") or told.get("message") or text) if isinstance(told, dict) else text
    except ValueError:
        pass
    return " ".join(text.split())[:300]
