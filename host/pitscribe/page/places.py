"""The JSON routes of where the probes of a cook are: read, and corrected, for the past as well."""

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Placement
from pitscribe.page import inputs
from pitscribe.page.api import answer
from pitscribe.watch.live import Watch


class PlacesApi:
    """The routes, over one ledger and watch."""

    def __init__(self, ledger: Ledger, watch: Watch) -> None:
        self._ledger, self._watch = ledger, watch

    def routes(self) -> list[Route]:
        """Both of them."""
        return [
            Route("/api/cooks/{cook}/places", self.places),
            Route("/api/cooks/{cook}/places", self.correct, methods=["PUT"]),
        ]

    def places(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/places: where the probe of each channel is, as ``correct`` takes it."""
        cook = self._ledger.cook(inputs.path_id(request, "cook"))
        rows = [p for p in self._ledger.placements(cook.id) if p.until_ms is None]
        return answer(request, {"places": [_where(p) for p in rows]})

    async def correct(self, request: Request) -> Response:
        """PUT /api/cooks/{cook}/places {places: [{logger, channel, place, kind}]}: all, for the past as well."""
        fields = await inputs.fields_of(request)
        rows = [inputs.place_row(row) for row in fields.rows("places", 64)]
        fields.finish()
        cook_id = inputs.path_id(request, "cook")

        def work() -> list[dict[str, Any]]:
            types = {logger: self._ledger.channels(logger) for logger in {row[0] for row in rows}}
            held = {(p.logger, p.channel): p.probe.tc for p in self._ledger.placements(cook_id)}
            wanted = {}
            for logger, channel, place, kind in rows:
                tc = held.get((logger, channel)) or types[logger].get(channel)
                if tc is None:
                    raise ConfigError(f"logger {logger:08x} has told of no channel {channel}")
                if (logger, channel) in wanted:
                    raise ConfigError(f"channel {channel} of {logger:08x} is given twice")
                wanted[logger, channel] = (place, kind, tc)
            return [_where(p) for p in self._ledger.correct_places(cook_id, wanted)]

        places = await run_in_threadpool(work)
        self._watch.poke()
        return answer(request, {"places": places})


def _where(p: Placement) -> dict[str, Any]:
    return {
        "logger": f"{p.logger:08x}", "channel": p.channel, "place": p.place, "kind": p.kind, "probe": p.probe.name,
    }
