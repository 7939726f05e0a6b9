"""Looking back on a cook: what was forecast a quarter, half and three quarters of its way, against what happened."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pitscribe.cook.analysis import forecasts_ahead
from pitscribe.cook.forecast import COLDEST, Forecast
from pitscribe.cook.phases import off_at
from pitscribe.cook.plain import iso, number
from pitscribe.series import CookRecord

SHARES = (0.25, 0.5, 0.75)


@dataclass(frozen=True, slots=True)
class Lookback:
    """The forecast of the coldest place as it was made after a share of the way, and how it came out.

    came : when the last place reached the target [UTC s]; None: it never did, as far as was seen
    """

    share: float
    forecast: Forecast
    came: float | None

    @property
    def late_s(self) -> float | None:
        """By how much it came later than the median said [s]; None where either is not known."""
        p50 = self.forecast.p50
        return None if p50 is None or self.came is None else self.came - p50

    @property
    def held(self) -> bool | None:
        """Whether it came within the 80 % range; None where that is not known."""
        f = self.forecast
        if f.p10 is None or self.came is None:
            return None
        return f.p10 <= self.came and (f.p90 is None or self.came <= f.p90)

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "share": self.share, "forecast": self.forecast.as_json(), "came": iso(self.came),
            "late_s": number(self.late_s), "held": self.held,
        }


def begun_at(record: CookRecord) -> float | None:
    """When the first sample of the record is of [UTC s]; None: it has none."""
    return min((float(s.t[0]) for s in record.places if s.t.size), default=None)


def heated_until(record: CookRecord) -> float | None:
    """When it was noted to be pulled or held, or the newest sample [UTC s]; None: no sample."""
    newest = max((float(s.t[-1]) for s in record.places if s.t.size), default=None)
    off = off_at(record.notes)
    return newest if off is None or newest is None else min(off, newest)


def lookbacks(record: CookRecord, last: Sequence[Forecast]) -> tuple[Lookback, ...]:
    """The forecasts made on the way, each from the record as far as it went then.

    last : the forecasts of the whole record;  the way ends when the target was reached, or when it was pulled.
    Nothing without a target, readings or meat.
    """
    coldest = next((f for f in last if f.place == COLDEST), None)
    begin, until = begun_at(record), heated_until(record)
    if coldest is None or begin is None or until is None:
        return ()
    came = coldest.p50 if coldest.reached else None
    end = until if came is None else min(came, until)
    made = [(share, forecasts_ahead(record.until(begin + share * (end - begin)))) for share in SHARES]
    return tuple(Lookback(share, f, came) for share, some in made for f in some if f.place == COLDEST)
