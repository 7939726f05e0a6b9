"""InfluxDB: reads by InfluxQL, which 1.x, 2 and 3 answer at ``/query``; deletes by InfluxQL (1.x) or the v2 API (2)."""

from collections.abc import Mapping
from datetime import UTC, datetime

import numpy as np
import urllib3

from pitscribe.mirror.found import Held
from pitscribe.mirror.points import SeriesName, Stream
from pitscribe.mirror.request import Answer, AwayError
from pitscribe.mirror.server import Address, Server, refusal


class Influx(Server):
    """InfluxDB 2 and later, or a 1.8 that has the v2 write API."""

    kind = "InfluxDB"
    reads = True
    rests_s = 1.0  # it answers when it has synced its log to disk (unless told otherwise: wal-fsync-delay)

    def held(self, stream: Stream, first_ms: int, last_ms: int) -> Held:
        names = list(stream.fields)
        what = ", ".join(_name(name) for name in names)
        where = _where(stream.series.tags, first_ms, last_ms)
        answer = self._influxql(
            "GET", f"SELECT {what} FROM {_name(stream.series.measurement)} WHERE {where}"
        )
        rows = [row for series in answer.get("series", []) for row in series["values"]]
        found = {}
        for i, name in enumerate(names, 1):
            there = [(row[0], row[i]) for row in rows if row[i] is not None]
            found[name] = np.array([t for t, _ in there], np.int64), [value for _, value in there]
        return found

    def delete(self, series: SeriesName, first_ms: int, last_ms: int) -> None:
        where = " AND ".join(f'{name}="{value}"' for name, value in series.tags.items())
        begin, end = (datetime.fromtimestamp(ms / 1000, UTC) for ms in (first_ms, last_ms))
        with self.library():
            self._client.delete_api().delete(
                begin, end, f'_measurement="{series.measurement}" AND {where}', self.address.bucket, self.address.org
            )

    def _influxql(self, method: str, query: str) -> Mapping[str, list[dict[str, list[list[object]]]]]:
        answer = self.parsed(self.ask(method, "/query", {"db": self.address.bucket, "q": query, "epoch": "ms"}))
        result = (answer.get("results") or [{}])[0]
        if wrong := str(result.get("error") or answer.get("error") or ""):
            if "not found" in wrong:  # 1.x says so of a database with a 200
                raise refusal(Answer(404, {}, wrong.encode()), self.address)
            raise AwayError(f"{self.address.url}: {wrong}")
        return dict(result)


class Influx1(Influx):
    """InfluxDB 1.x before 1.8: the same lines by its own write path; the token is ``user:password``."""

    kind = "InfluxDB 1"

    def __init__(self, address: Address, timeout_s: float) -> None:
        super().__init__(address, timeout_s)
        token = self.address.token
        self._basic = urllib3.make_headers(basic_auth=token) if ":" in token else {}

    def headers(self) -> Mapping[str, str]:
        return self._basic

    def post(self, data: bytes) -> None:
        self.ask("POST", "/write", {"db": self.address.bucket, "precision": "ms"}, data)

    def delete(self, series: SeriesName, first_ms: int, last_ms: int) -> None:
        where = _where(series.tags, first_ms, last_ms)
        self._influxql("POST", f"DELETE FROM {_name(series.measurement)} WHERE {where}")


def _where(tags: Mapping[str, str], first_ms: int, last_ms: int) -> str:
    named = [f"{_name(name)} = '{_text(value)}'" for name, value in tags.items()]
    return " AND ".join((*named, f"time >= {first_ms}ms", f"time <= {last_ms}ms"))


def _name(name: str) -> str:
    return f'"{name}"'  # ours have neither quotes nor backslashes


def _text(value: str) -> str:
    return value.replace("'", "\\'")  # a tag of ours has no backslash
