"""A cook at a glance, for the list: a small picture of its course, and how far its meat was apart."""

import threading
import time
import zlib
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np

from pitscribe.cook.doubt import meat_cells
from pitscribe.cook.evenness import evenness
from pitscribe.cook.grid import grid_of
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.page.chart import FloatArray, decimate
from pitscribe.series import CookRecord, load
from pitscribe.series.known import NOW
from pitscribe.series.spans import key_of

KEPT = 500  # of 8 kB each, packed (25 before, of six places): 4 MB, and no list shows so many at a time
# While a logger is on, frames come all the time, and hardly ever for a cook that is over: its glance may be so old [s].
TRUSTED_S = 600.0
WIDE, HIGH = 240, 80
AIR, MEAT = "#d55e00", "#0072b2"  # Okabe and Ito's, by role as on the chart


class Glance(NamedTuple):
    """``svg``: the course as a picture; ``spread``: greatest spread [K] and degree-hours [K h] over the limit [K]."""

    svg: str
    spread: dict[str, Any] | None  # None: a spread needs two places


class _Held(NamedTuple):
    key: object
    frames: int
    made_s: float
    packed_svg: bytes
    spread: dict[str, Any] | None


class Glances:
    """Glances of cooks, made when they are asked for and kept. One is made at a time: each reads a whole cook."""

    def __init__(self, ledger: Ledger, real: Callable[[], float] = time.monotonic) -> None:
        self._ledger, self._real = ledger, real
        self._turn = threading.Lock()
        self._held: OrderedDict[int, _Held] = OrderedDict()

    def of(self, cook: Cook) -> Glance:
        """That of a cook as it is in the ledger; of one that is over, late frames tell within ``TRUSTED_S``."""
        ledger = self._ledger
        with self._turn:
            key = cook, key_of(ledger, cook, NOW), tuple(ledger.notes(cook.id))
            frames, now, held = ledger.frame_count(), self._real(), self._held.get(cook.id)
            trusted = held is not None and cook.ended_ms is not None and now - held.made_s < TRUSTED_S
            if held is None or held.key != key or not (held.frames == frames or trusted):
                glance = glance_of(load(ledger, cook.id))
                packed = zlib.compress(glance.svg.encode())
                held = self._held[cook.id] = _Held(key, frames, now, packed, glance.spread)
                while len(self._held) > KEPT:
                    self._held.popitem(last=False)
            self._held.move_to_end(cook.id)
        return Glance(zlib.decompress(held.packed_svg).decode(), held.spread)


def glance_of(record: CookRecord) -> Glance:
    """The picture, and the spread over the whole record, as its analysis has it."""
    grid = grid_of(record.places)
    even = evenness(meat_cells(record.meat, grid), grid)
    spread = None if even.greatest is None else {
        "greatest_k": even.greatest.spread_k, "degree_hours": even.degree_hours_above, "limit_k": even.limit_k,
    }
    return Glance(picture_of(record), spread)


def picture_of(record: CookRecord) -> str:
    """The course of a cook as a small SVG without figures: its first air place and its meat places, on one scale."""
    lines = [(s, AIR) for s in record.air[:1]] + [(s, MEAT) for s in record.meat]
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
