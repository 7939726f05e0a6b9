"""Pages to keep and print, made when they are asked for: a cook's report, and cooks beside each other."""

import threading

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from pitscribe.clock import Clock, local
from pitscribe.cook.origins import Align
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import NOTE_KINDS
from pitscribe.page import inputs
from pitscribe.report.comparison import MOST, comparison_html
from pitscribe.report.cook import cook_html
from pitscribe.report.gather import compared, kept
from pitscribe.watch.around import places_over


class Papers:
    """The routes, over one ledger and clock. One is made at a time: each reads whole cooks."""

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self._ledger, self._clock = ledger, clock
        self._turn = threading.Lock()

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/cook/{cook}/report", self.report),
            Route("/compare", self.compare),
        ]

    def report(self, request: Request) -> Response:
        """GET /cook/{cook}/report?unit=F|C: the cook as one page, which can be saved and printed."""
        cook = self._ledger.cook(inputs.path_id(request, "cook"))
        with self._turn:
            found = kept(self._ledger, cook, over=places_over(self._ledger.placements(cook.id), self._clock.now()))
        return _page(cook_html(found, unit=_unit(request), when=local))

    def compare(self, request: Request) -> Response:
        """GET /compare?cooks=1,2&unit=&align=: two to four cooks beside each other, from their start or from a note."""
        named = [part for part in request.query_params.get("cooks", "").split(",") if part]
        if not (2 <= len(named) <= MOST and len(set(named)) == len(named) and all(n.isdecimal() for n in named)):
            raise ConfigError(f"choose two to {MOST} cooks to lay beside each other")
        align = request.query_params.get("align", "start")
        if align not in ("start", *NOTE_KINDS):
            raise ConfigError(f"align must be start, or one of {', '.join(NOTE_KINDS)}")
        cooks = [self._ledger.cook(int(n)) for n in named]
        with self._turn:
            shown, found = compared(self._ledger, cooks, Align() if align == "start" else Align(note=align))
        return _page(comparison_html(shown, found, unit=_unit(request), when=local))


def _page(html: str) -> Response:
    return HTMLResponse(html, headers={"Cache-Control": "no-store"})


def _unit(request: Request) -> str:
    unit = request.query_params.get("unit", "F")
    if unit not in ("F", "C"):
        raise ConfigError("unit must be F or C")
    return unit
