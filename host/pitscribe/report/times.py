"""Times of a cook as its page writes them: the day once, in the head, and the time of day wherever that says it all."""

from collections.abc import Callable
from dataclasses import dataclass

_DAY_S = 86_400.0
_STEPS_H = (1, 2, 3, 4, 6, 8, 12, 24, 48, 96, 192)


@dataclass(frozen=True, slots=True)
class Times:
    """``when``: UTC s -> "2026-05-30 14:05"; ``span_s``: how long the cook is [s]."""

    when: Callable[[float], str]
    span_s: float

    def at(self, t: float) -> str:
        """A time of the cook: "14:05", or with its day where the cook is so long that it could be of two."""
        date, clock = self.when(t).split(" ")
        return clock if self.span_s < _DAY_S else f"{date[5:]} {clock}"

    def ticks(self, begin: float, end: float, most: int) -> list[tuple[float, str]]:
        """Whole hours of the clock between two times, at most so many: (UTC s, what is written there)."""
        minute = 60.0 * -(-begin // 60.0)
        first = next((t for t in (minute + 60.0 * i for i in range(60)) if self.when(t).endswith(":00")), minute)
        step = next((3600.0 * h for h in _STEPS_H if (end - begin) / (3600.0 * h) <= most), 3600.0 * _STEPS_H[-1])
        every = [first + 3600.0 * i for i in range(int((end - first) // 3600.0) + 1)]
        hours = [t for t in every if int(self.when(t).split(" ")[1][:2]) % max(1, min(24, round(step / 3600))) == 0]
        some = hours if len(hours) <= most else hours[:: -(-len(hours) // most)]
        return [(t, self._tick(*self.when(t).split(" "))) for t in some]

    def _tick(self, date: str, clock: str) -> str:
        return date[5:] if clock == "00:00" and self.span_s >= _DAY_S else clock
