"""A cook's forecasts as they would have been told, every ten minutes of it: one at a time, for each takes long."""

import zlib

import numpy as np

from pitscribe.cook.analysis import forecasts_ahead
from pitscribe.cook.forecast import Forecast
from pitscribe.series import CookRecord

EVERY_S = 600


class Ahead:
    """``advance(record)`` makes the next one; what was made stays as long as the record up to there is the same."""

    def __init__(self) -> None:
        self.made: list[Forecast] = []
        self._at = 0.0  # up to where they were made, UTC s
        self._print = 0

    def advance(self, record: CookRecord) -> bool:
        """Make at most one more; returns whether there are more to be made."""
        if self._at and self._print != _print(record.until(self._at)):
            self.made, self._at = [], 0.0
        newest = max((float(s.t[-1]) for s in record.places if s.t.size), default=None)
        if newest is None or record.cook.target_c is None or not record.meat:
            return False
        begun = max(self._at, record.cook.started_ms / 1000)
        at = float((begun // EVERY_S + 1) * EVERY_S)
        if at > newest:
            return False
        so_far = record.until(at)
        self.made += forecasts_ahead(so_far)
        self._at, self._print = at, _print(so_far)
        return at + EVERY_S <= newest


def _print(record: CookRecord) -> int:
    """What a forecast is made of, as a number."""
    of = zlib.crc32(repr((record.cook.target_c, record.notes)).encode())
    for series in record.places:
        of = zlib.crc32(f"{series.place} {series.kind}".encode(), of)
        for column in (series.t, series.celsius, series.flags):
            of = zlib.crc32(np.ascontiguousarray(column).data, of)
    return of
