"""Pages to keep and print, made when they are asked for: a cook's report, cooks beside each other, a small picture."""

import threading
from collections import OrderedDict

import numpy as np
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from pitscribe.clock import Clock, local
from pitscribe.cook.origins import Align
from pitscribe.errors import ConfigError
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import NOTE_KINDS
from pitscribe.page import inputs
from pitscribe.page.chart import FloatArray, decimate
from pitscribe.report.comparison import MOST, comparison_html
from pitscribe.report.cook import cook_html
from pitscribe.report.gather import compared, kept
from pitscribe.series import CookRecord, load
from pitscribe.watch.around import places_over

PICTURES = 200  # of some kB each are kept
WIDE, HIGH = 240, 80


class Papers:
    """The routes, over one ledger and clock. One is made at a time: each reads whole cooks."""

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self._ledger, self._clock = ledger, clock
        self._turn = threading.Lock()
        self._pictures: OrderedDict[object, str] = OrderedDict()

    def routes(self) -> list[Route]:
        """All of them."""
        return [
            Route("/cook/{cook}/report", self.report),
            Route("/compare", self.compare),
            Route("/api/cooks/{cook}/picture.svg", self.picture),
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

    def picture(self, request: Request) -> Response:
        """GET /api/cooks/{cook}/picture.svg: the pit and the coldest meat place, without figures."""
        cook = self._ledger.cook(inputs.path_id(request, "cook"))
        key = cook, tuple(self._ledger.placements(cook.id)), self._ledger.frame_count() if cook.ended_ms is None else 0
        with self._turn:
            if key not in self._pictures:
                self._pictures[key] = picture_of(load(self._ledger, cook.id))
                while len(self._pictures) > PICTURES:
                    self._pictures.popitem(last=False)
            self._pictures.move_to_end(key)
        headers = {"Cache-Control": "private, max-age=60"}
        return Response(self._pictures[key], media_type="image/svg+xml", headers=headers)


def picture_of(record: CookRecord) -> str:
    """The course of a cook as a small SVG: an air place over the coldest of the meat, on one scale."""
    lines = [(s, "#d55e00") for s in record.air[:1]] + [(s, "#0072b2") for s in record.meat]
    spans = [s.t[[0, -1]] for s, _ in lines if s.t.size]
    if not spans:
        return _svg("")
    first, last = min(a for a, _ in spans), max(b for _, b in spans)
    width = max(60.0, (last - first) / WIDE)
    curves = [(*decimate(s.t, np.where(s.good(), s.celsius, np.nan), int(width)), colour) for s, colour in lines]
    values = np.concatenate([y[np.isfinite(y)] for _, y, _ in curves])
    if not values.size:
        return _svg("")
    low, high = float(values.min()), max(float(values.max()), float(values.min()) + 1.0)
    paths = [
        f'<path d="{_path((t - first) / max(last - first, 1.0) * WIDE, HIGH - (y - low) / (high - low) * HIGH)}" '
        f'stroke="{colour}"/>' for t, y, colour in curves
    ]
    return _svg("".join(paths))


def _path(x: FloatArray, y: FloatArray) -> str:
    pen, parts = "M", []
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if b != b:
            pen = "M"
            continue
        parts.append(f"{pen}{a:.1f} {b:.1f}")
        pen = "L"
    return "".join(parts)


def _svg(inside: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="-2 -2 {WIDE + 4} {HIGH + 4}" fill="none" stroke-width="2" '
        f'stroke-linejoin="round">{inside}</svg>'
    )


def _page(html: str) -> Response:
    return HTMLResponse(html, headers={"Cache-Control": "no-store"})


def _unit(request: Request) -> str:
    unit = request.query_params.get("unit", "F")
    if unit not in ("F", "C"):
        raise ConfigError("unit must be F or C")
    return unit
