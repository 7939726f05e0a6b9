"""The JSON routes of alerts: what was told, that a person has seen it, and quiet for a while."""

import re

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pitscribe.clock import Clock
from pitscribe.errors import ConfigError, NotFoundError
from pitscribe.ledger.ledger import Ledger
from pitscribe.page import inputs
from pitscribe.page.api import answer

LONGEST_QUIET_S = 86_400.0


class AlertsApi:
    """The routes, over one ledger and clock."""

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self._ledger, self._clock = ledger, clock

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/api/cooks/{cook}/alerts", self.alerts),
            Route("/api/alerts/quiet", self.quiet, methods=["POST"]),
            Route("/api/alerts/{alert}/seen", self.seen, methods=["POST"]),
        ]

    def alerts(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/alerts: what was told of a cook, and until when nothing is told (UTC s, null)."""
        cook = self._ledger.cook(inputs.path_id(request, "cook"))
        until = self._ledger.quiet_until_ms() / 1000
        rows = [row.as_json() for row in self._ledger.told(cook.id)]
        return answer(request, {"alerts": rows, "quiet_until": until if until > self._clock.now() else None})

    async def seen(self, request: Request) -> Response:
        """POST /api/alerts/{alert}/seen {}: a person knows of it."""
        fields = await inputs.fields_of(request)
        fields.finish()
        number = str(request.path_params["alert"])
        if not re.fullmatch(r"[0-9]{1,15}", number):
            raise NotFoundError(f"there is no alert {number[:40]!r}")
        row = await run_in_threadpool(self._ledger.seen_by_person, int(number))
        return answer(request, row.as_json())

    async def quiet(self, request: Request) -> Response:
        """POST /api/alerts/quiet {for_s}: tell nothing for so long; 0: tell again."""
        fields = await inputs.fields_of(request)
        span = fields.number("for_s", 0, LONGEST_QUIET_S, needed=True)
        fields.finish()
        if span is None:
            raise ConfigError("for_s is missing")
        until = self._clock.now() + span
        await run_in_threadpool(self._ledger.keep_quiet, round(until * 1000))
        return answer(request, {"quiet_until": until if span else None})
