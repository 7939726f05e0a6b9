"""The JSON routes under /api/: what is, what was, and what a person wants written down."""

import gzip
import json
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.clock import Clock
from pitscribe.errors import ConfigError
from pitscribe.ledger.cooks import CookSettings
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import NOTE_KINDS, Cook, Note
from pitscribe.page import chart, inputs, readings
from pitscribe.page.assets import accepts_gzip
from pitscribe.series import CookNotes, own
from pitscribe.watch.live import Watch

Row = tuple[int, int, str, str]  # logger, channel, place, kind
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
            Route("/api/cooks", self.start, methods=["POST"]),
            Route("/api/cooks/{cook}", self.change, methods=["PATCH"]),
            Route("/api/cooks/{cook}/end", self.end, methods=["POST"]),
            Route("/api/cooks/{cook}/reopen", self.reopen, methods=["POST"]),
            Route("/api/cooks/{cook}/notes", self.notes),
            Route("/api/cooks/{cook}/notes", self.add_note, methods=["POST"]),
            Route("/api/notes/{note}", self.change_note, methods=["PATCH"]),
            Route("/api/notes/{note}", self.remove_note, methods=["DELETE"]),
        ]

    # what is

    def snapshot(self, request: Request) -> Response:
        """GET /api/snapshot?cook=: of that cook, or of the running one."""
        cook = inputs.query_id(request, "cook")
        snapshot = self._watch.now() if cook is None else self._watch.snapshot_of(cook)
        return answer_text(request, snapshot.text)

    def chart(self, request: Request) -> Response:
        """GET /api/chart?cook=&from=&to=&points=&band=, after=&width=&kept= of the last answer; see ``chart.chart``."""
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
            band=inputs.query_number(request, "band", 0, 1) == 1,
        )
        return answer(request, value)

    def loggers(self, request: Request) -> Response:
        """GET /api/loggers: which there are, with their channels, for whoever sets up a cook."""
        return answer(request, {"loggers": self._loggers()})

    def notes(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/notes: in order of time."""
        cook = self._ledger.cook(inputs.path_id(request, "cook"))
        return answer(request, {"notes": [n.as_json() for n in CookNotes(self._ledger).of(cook)]})

    # what a person wants

    async def start(self, request: Request) -> Response:
        """POST /api/cooks {name, at?, places?: [{logger, channel, place, kind}]} and settings: all of it or nothing.

        Settings: {target_c?, band_c?: [low, high], meats?: [text], meat_kind?}, see ``ledger.cooks.CookSettings``.
        Besides the cook the answer has ``takes``: running cooks that lose channels to it, and ``words`` for that.
        """
        fields = await inputs.fields_of(request)
        name = fields.text("name", most=80)
        settings = inputs.settings(fields)
        at = inputs.at_ms(fields, self._clock.now())
        rows = [inputs.place_row(row) for row in fields.rows("places", 64)]
        fields.finish()
        _refuse_doubles(rows)
        return answer(request, await run_in_threadpool(self._start, name, settings, at, rows), 201)

    def _start(self, name: str, settings: CookSettings, at: int | None, rows: list[Row]) -> dict[str, Any]:
        types = {logger: self._ledger.channels(logger) for logger in {row[0] for row in rows}}
        with self._ledger.together():
            cook = self._ledger.start_cook(name, at=at, **settings)
            takes = self._losers(cook, rows)
            for logger, channel, place, kind in rows:
                tc = types.get(logger, {}).get(channel)
                if tc is None:
                    raise ConfigError(f"logger {logger:08x} has told of no channel {channel}")
                self._ledger.place(cook.id, tc, logger, channel, place, kind)
        self._watch.poke()
        lost = "; ".join(
            f"from now on {one['name']!r} has no readings of {', '.join(one['places'])}: their probes are in this cook"
            for one in takes
        )
        return cook.as_json() | {"takes": takes, "words": lost}

    def _losers(self, cook: Cook, rows: list[Row]) -> list[dict[str, Any]]:
        """The running cooks that began before and lose channels to this one, with the places that they lose."""
        wanted, takes = {row[:2] for row in rows}, []
        for other in self._ledger.cooks():
            if other.id == cook.id or other.ended_ms is not None or other.started_ms > cook.started_ms:
                continue
            going = [p for p in self._ledger.placements(other.id) if p.until_ms is None or p.until_ms > cook.started_ms]
            places = list(dict.fromkeys(p.place for p in going if (p.logger, p.channel) in wanted))
            if places:
                takes.append({"cook": other.id, "name": other.name, "places": places})
        return takes

    def _loggers(self) -> list[dict[str, Any]]:
        now = self._clock.now()
        return [
            {"logger": f"{info.logger:08x}", "name": info.name,
             "channels": readings.channels(info, self._ledger.channels(info.logger), now)}
            for info in self._ledger.loggers()
        ]

    async def change(self, request: Request) -> Response:
        """PATCH /api/cooks/{cook} {name?} and settings as ``start`` takes them; null takes a setting away."""
        fields = await inputs.fields_of(request)
        name = fields.text("name", most=80) if fields.has("name") else None
        settings = inputs.settings(fields)
        fields.finish()
        cook_id = inputs.path_id(request, "cook")
        cook = await run_in_threadpool(lambda: self._ledger.set_cook(cook_id, name=name, **settings))
        self._watch.poke()
        return answer(request, cook.as_json())

    async def end(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/end {at?, ago_s?}; one that has ended is moved only by giving a time."""
        fields = await inputs.fields_of(request)
        at = inputs.at_ms(fields, self._clock.now())
        fields.finish()
        cook = await run_in_threadpool(self._ledger.end_cook, inputs.path_id(request, "cook"), at)
        self._watch.poke()
        return answer(request, cook.as_json())

    async def reopen(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/reopen."""
        fields = await inputs.fields_of(request)
        fields.finish()
        cook = await run_in_threadpool(self._ledger.reopen_cook, inputs.path_id(request, "cook"))
        self._watch.poke()
        return answer(request, cook.as_json())

    async def add_note(self, request: Request) -> Response:
        """POST /api/cooks/{cook}/notes {kind, text?, at? or ago_s?}."""
        fields = await inputs.fields_of(request)
        kind, text = inputs.note_fields(fields)
        at = inputs.at_ms(fields, self._clock.now())
        fields.finish()
        cook_id, now = inputs.path_id(request, "cook"), self._clock.now()

        def work() -> Note:
            inputs.refuse_far_note(self._ledger.cook(cook_id), now if at is None else at / 1000, now)
            return self._ledger.add_note(cook_id, at, kind, text)

        note = await run_in_threadpool(work)
        self._watch.poke()
        return answer(request, note.as_json(), 201)

    async def change_note(self, request: Request) -> Response:
        """PATCH /api/notes/{note} {kind?, text?, at?}: what it said before is kept by the ledger."""
        fields = await inputs.fields_of(request)
        kind = fields.choice("kind", NOTE_KINDS) if fields.has("kind") else None
        text = inputs.note_text(fields, kind) if fields.has("text") else None
        at = inputs.at_ms(fields, self._clock.now())
        fields.finish()
        note_id, now = inputs.note_id(request), self._clock.now()

        def work() -> Note:
            with self._ledger.together():  # a refusal takes the change back
                note = self._ledger.change_note(own(self._ledger, note_id), at=at, kind=kind, text=text)
                if at is not None:
                    inputs.refuse_far_note(self._ledger.cook(note.cook_id), at / 1000, now)
                return note

        note = await run_in_threadpool(work)
        self._watch.poke()
        return answer(request, note.as_json())

    async def remove_note(self, request: Request) -> Response:
        """DELETE /api/notes/{note}: withdrawn, not erased."""
        note = inputs.note_id(request)

        def work() -> None:
            with self._ledger.together():
                self._ledger.remove_note(own(self._ledger, note))

        await run_in_threadpool(work)
        self._watch.poke()
        return answer(request, {"withdrawn": note})


def _refuse_doubles(rows: list[Row]) -> None:
    names = [place for _, _, place, _ in rows]
    for place in names:
        if names.count(place) > 1:
            raise ConfigError(f"the place {place!r} is given twice; each place needs a name of its own")
