"""The JSON routes under /api/: what is, what was, and what a person wants written down."""

import gzip
import json
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.clock import Clock
from pitscribe.cook.analysis import TARGET_C
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import NOTE_KINDS, Cook, Note
from pitscribe.page import chart, inputs
from pitscribe.page.assets import accepts_gzip
from pitscribe.watch.live import Watch

PACK_FROM_BYTES = 1400  # less fits in one packet anyway


def answer(request: Request, value: Any, status: int = 200) -> Response:
    """JSON, packed if it is worth it; NaN is never sent."""
    return answer_text(request, json.dumps(value, allow_nan=False, separators=(",", ":")), status)


def answer_text(request: Request, text: str, status: int = 200) -> Response:
    """The same for a text that is JSON already."""
    body = text.encode()
    headers = {"Cache-Control": "no-store"}
    if len(body) > PACK_FROM_BYTES and accepts_gzip(request):
        body = gzip.compress(body, 3, mtime=0)
        headers |= {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"}
    return Response(body, status, headers, media_type="application/json")


class Api:
    """The routes, over one ledger, watch and clock. Plain functions run in worker threads, so SQLite blocks no page."""

    def __init__(self, ledger: Ledger, watch: Watch, clock: Clock) -> None:
        self._ledger = ledger
        self._watch = watch
        self._clock = clock

    def routes(self) -> list[Route]:
        """All routes but the event stream."""
        return [
            Route("/api/snapshot", self.snapshot),
            Route("/api/chart", self.chart),
            Route("/api/loggers", self.loggers),
            Route("/api/cooks", self.cooks),
            Route("/api/cooks", self.start, methods=["POST"]),
            Route("/api/cooks/{cook:int}/end", self.end, methods=["POST"]),
            Route("/api/cooks/{cook:int}/reopen", self.reopen, methods=["POST"]),
            Route("/api/cooks/{cook:int}/notes", self.notes),
            Route("/api/cooks/{cook:int}/notes", self.add_note, methods=["POST"]),
            Route("/api/notes/{note:int}", self.change_note, methods=["PATCH"]),
            Route("/api/notes/{note:int}", self.remove_note, methods=["DELETE"]),
        ]

    # what is

    def snapshot(self, request: Request) -> Response:
        """GET /api/snapshot?cook=: of that cook, or of the running one."""
        cook = inputs.query_id(request, "cook")
        snapshot = self._watch.now() if cook is None else self._watch.snapshot_of(cook)
        return answer_text(request, snapshot.text)

    def chart(self, request: Request) -> Response:
        """GET /api/chart?cook=&from=&to=&points=, and after=&width=&kept= of the last answer; see ``chart.chart``."""
        cook = inputs.query_id(request, "cook")
        if cook is None:
            raise ConfigError("cook is missing")
        begin, end, after = (inputs.query_number(request, key, *inputs.TIMES_S) for key in ("from", "to", "after"))
        width = inputs.query_number(request, "width", 1, 1e6)
        points = inputs.query_number(request, "points", 10, 5000)
        if begin is not None and end is not None and end <= begin:
            raise ConfigError("to must be later than from")
        value = chart.chart(
            self._watch.record_of(cook),
            begin=begin,
            end=end,
            after=after,
            width=None if width is None else int(width),
            kept=request.query_params.get("kept"),
            points=chart.POINTS if points is None else int(points),
        )
        return answer(request, value)

    def loggers(self, request: Request) -> Response:
        """GET /api/loggers: which there are, with their channels, for whoever sets up a cook."""
        return answer(request, {"loggers": self._loggers()})

    def cooks(self, request: Request) -> Response:
        """GET /api/cooks: the latest first."""
        cooks = [c.as_json() | {"notes": len(self._ledger.notes(c.id))} for c in self._ledger.cooks()]
        return answer(request, {"cooks": cooks, "now": self._clock.now()})

    def notes(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/notes: in order of time."""
        cook = self._ledger.cook(request.path_params["cook"])
        return answer(request, {"notes": [n.as_json() for n in self._ledger.notes(cook.id)]})

    # what a person wants

    async def start(self, request: Request) -> Response:
        """POST /api/cooks {name, target_c?, at?, places?: [{logger, channel, place, kind}]}: all of it or nothing."""
        fields = await inputs.fields_of(request)
        name = fields.text("name", most=80)
        target = fields.number("target_c", *TARGET_C)
        at = inputs.at_ms(fields, self._clock.now())
        rows = [inputs.place_row(row) for row in fields.rows("places", 64)]
        fields.finish()
        _refuse_doubles(rows)
        return answer(request, (await run_in_threadpool(self._start, name, target, at, rows)).as_json(), 201)

    def _start(self, name: str, target: float | None, at: int | None, rows: list[tuple[int, int, str, str]]) -> Cook:
        types = {logger: self._ledger.channels(logger) for logger in {row[0] for row in rows}}
        with self._ledger.together():
            cook = self._ledger.start_cook(name, at=at, target_c=target)
            for logger, channel, place, kind in rows:
                tc = types.get(logger, {}).get(channel)
                if tc is None:
                    raise ConfigError(f"logger {logger:08x} has told of no channel {channel}")
                self._ledger.place(cook.id, tc, logger, channel, place, kind)
        self._watch.poke()
        return cook

    def _loggers(self) -> list[dict[str, Any]]:
        return [
            {"logger": f"{info.logger:08x}", "name": info.name,
             "channels": [{"channel": n, "tc": tc} for n, tc in self._ledger.channels(info.logger).items()]}
            for info in self._ledger.loggers()
        ]  # fmt: skip

    async def end(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/end {at?, ago_s?}."""
        fields = await inputs.fields_of(request)
        at = inputs.at_ms(fields, self._clock.now())
        fields.finish()
        cook = await run_in_threadpool(self._ledger.end_cook, request.path_params["cook"], at)
        self._watch.poke()
        return answer(request, cook.as_json())

    async def reopen(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/reopen."""
        fields = await inputs.fields_of(request)
        fields.finish()
        cook = await run_in_threadpool(self._ledger.reopen_cook, request.path_params["cook"])
        self._watch.poke()
        return answer(request, cook.as_json())

    async def add_note(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/notes {kind, text?, at? or ago_s?}."""
        fields = await inputs.fields_of(request)
        kind, text = inputs.note_fields(fields)
        at = inputs.at_ms(fields, self._clock.now())
        fields.finish()
        note = await run_in_threadpool(self._ledger.add_note, request.path_params["cook"], at, kind, text)
        self._watch.poke()
        return answer(request, note.as_json(), 201)

    async def change_note(self, request: Request) -> Response:
        """PATCH /api/notes/{note} {kind?, text?, at?}: what it said before is kept by the ledger."""
        fields = await inputs.fields_of(request)
        kind = fields.choice("kind", NOTE_KINDS) if fields.has("kind") else None
        text = fields.text("text", needed=kind == "text") if fields.has("text") else None
        at = inputs.at_ms(fields, self._clock.now())
        fields.finish()

        def work() -> Note:
            return self._ledger.change_note(request.path_params["note"], at=at, kind=kind, text=text)

        note = await run_in_threadpool(work)
        self._watch.poke()
        return answer(request, note.as_json())

    async def remove_note(self, request: Request) -> Response:
        """DELETE /api/notes/{note}: withdrawn, not erased."""
        await run_in_threadpool(self._ledger.remove_note, request.path_params["note"])
        self._watch.poke()
        return answer(request, {"withdrawn": request.path_params["note"]})


def _refuse_doubles(rows: list[tuple[int, int, str, str]]) -> None:
    names = [place for _, _, place, _ in rows]
    for place in names:
        if names.count(place) > 1:
            raise ConfigError(f"the place {place!r} is given twice; each place needs a name of its own")
