"""VictoriaMetrics: reads by its export, deletes whole series; texts become 0, and what came twice is there twice."""

import contextlib
import json

import numpy as np

from pitscribe.errors import MirrorError
from pitscribe.mirror.found import Held
from pitscribe.mirror.points import SeriesName, Stream
from pitscribe.mirror.server import Server


class Victoria(Server):
    """VictoriaMetrics, a single node."""

    kind = "VictoriaMetrics"
    reads = True
    deletes_series = True
    texts = False
    rests_s = 30.0  # from memory to disk it takes 5 s (seen with 1.79.5), on a busy machine longer

    def held(self, stream: Stream, first_ms: int, last_ms: int) -> Held:
        with contextlib.suppress(MirrorError):  # if it is closed to us, what was just written shows a second later
            self.ask("GET", "/internal/force_flush")
        span = {"start": f"{first_ms / 1000:.3f}", "end": f"{last_ms / 1000:.3f}"}
        said = self.ask("GET", "/api/v1/export", span | {"match[]": _selector(stream.series, "|".join(stream.fields))})
        parts: dict[str, list[tuple[list[int], list[object]]]] = {}
        for line in said.splitlines():
            series = self.parsed(line)
            name = series["metric"]["__name__"].removeprefix(f"{stream.series.measurement}_")
            parts.setdefault(name, []).append((series["timestamps"], series["values"]))
        return {
            name: (
                np.concatenate([np.array(t, np.int64) for t, _ in some]), [value for _, more in some for value in more]
            )
            for name, some in parts.items()
        }

    def delete(self, series: SeriesName, first_ms: int, last_ms: int) -> None:
        self.ask("POST", "/api/v1/admin/tsdb/delete_series", {"match[]": _selector(series, "[a-z0-9_]+")})


def _selector(series: SeriesName, fields: str) -> str:
    tags = ",".join(f"{name}={json.dumps(value, ensure_ascii=False)}" for name, value in series.tags.items())
    return f'{{__name__=~"{series.measurement}_({fields})",{tags}}}'
