"""The watch over a fire: fading, out, back.

Fading is a promise that the slope makes: 25 degF under the band within the half hour. That alone is nothing new to a
fire that swings, so it is told when the fire is colder than its swings leave it or than it is let come before it gets
fuel (``fire_usual``), when it is under its band and falls faster than it usually does for longer than chance
(``cusum``), or when trouble is minutes away; and not while it does what it did and came back from (``fire_dips``).
"""

from dataclasses import dataclass, field
from math import sqrt

from pitscribe.cook.cusum import Cusum
from pitscribe.cook.fire_course import Course
from pitscribe.cook.fire_dips import Dips
from pitscribe.cook.fire_event import FireEvent, phi
from pitscribe.cook.fire_usual import UNDER_K, Usual
from pitscribe.cook.grid import Grid

HORIZON_MIN = 28.0  # a warning is for the next half hour: 15 min to act in, and as much for what a slope cannot know
LASTING_MIN = 45.0  # under its band and falling for the last hour: slow fires die ever faster than their slope says
SOON_MIN = 5.0  # trouble so near is told of any fire that left its band
GRACE_MIN = 15  # somebody laid wood: it catches within so long, or it does not
BACK_MIN = 5  # in its band for so long: back
RECOVERS_K = 5.0  # a rise by so much takes a warning back before there was trouble
COLD_C = 20.0  # what a dead fire cools to, if nothing is known of the weather
OUT_SHARE = 0.62  # of the level's warmth over the weather left, and falling still: no fire holds that
TRUE_SHARE = 0.8  # of warnings that came true where the slope alone was sure of it (the bench's split "tune")
FADES = "falls as its own swings do not: 25 degF under its band within the half hour, unless it gets fuel or air"
IS_OUT = "cools as a pit without fire: 38 % of its warmth over the weather is gone, and it falls still"


@dataclass(slots=True)
class Watch:
    """The state of the watch; ``step`` takes one calm minute after the other."""

    course: Course
    grid: Grid
    usual: Usual
    events: list[FireEvent]
    fading: int | None = None  # index of the event, while it lasts
    out: int | None = None
    trouble_c: float | None = None
    to_go_min: float | None = None  # that the newest sure slope promises
    lowest_c: float = float("inf")
    _in_band: int = 0
    _last: float = float("nan")
    sums: Cusum = field(default_factory=Cusum)
    dips: Dips = field(default_factory=Dips)

    def step(self, k: int, y: float, fuel_min: int) -> bool:
        """One calm minute [degC], ``fuel_min`` minutes after fuel was noted; whether a warning ended."""
        band = self.usual.band()
        lately, self._last, self.to_go_min = 0.5 * (y + self._last), y, None
        if band is None or not self.usual.settled:
            return False
        self.trouble_c = band[0] - UNDER_K
        self.dips.step(k, y, band[0], self.trouble_c)
        slope = float(self.course.slope[k])
        if slope < 0:
            self.to_go_min = max(0.0, (y - self.trouble_c) / -slope * 60)
        if self.fading is not None:
            return self._follow(k, y, band)
        caught = fuel_min < GRACE_MIN and y > band[0] - UNDER_K / 2
        quiet = caught or self.dips.known(k, lately)
        if self.to_go_min is not None and not quiet and self._unusual(k, lately, self.to_go_min, band):
            self._warn(k, y, slope, self.to_go_min)
        return False

    def _unusual(self, k: int, lately: float, to_go: float, band: tuple[float, float]) -> bool:
        if lately > 0.5 * (band[0] + band[1]):
            return False
        under = lately < band[0]
        faster = self.usual.known and self.sums.s > self.sums.h
        cold = self.usual.unusually_cold(lately) or self.usual.habit.passed(lately, band[0])
        if cold or (under and faster):
            lasts = under and float(self.course.hour[k]) < -3 * float(self.course.hour_u[k])
            return to_go <= (LASTING_MIN if lasts else HORIZON_MIN)
        return under and to_go <= SOON_MIN

    def _warn(self, k: int, y: float, slope: float, to_go: float) -> None:
        begin, u = k, float(self.course.slope_u[k])
        # It began when the line of the fall left the course: half of the slope back, and three kelvin.
        while begin > 0 and k - begin < 60 and not self.course.calm[begin] >= y - slope * (k - begin) / 120 + 3:
            begin -= 1
        # A slope says no more of half an hour hence than its own uncertainty and a swing's noise (3 K) allow.
        spread = sqrt((u * HORIZON_MIN / 60) ** 2 + 3.0**2)
        reaches = phi(-slope / 60 * (HORIZON_MIN - to_go) / spread)
        evidence = {
            "celsius": y, "slope_k_h": slope, "slope_u_k_h": u, "trouble_c": self.trouble_c or float("nan"),
            "to_go_min": to_go, "usually_over_c": self.usual.coldest_c, "cusum": self.sums.s,
        }
        self.usual.pending.clear()  # they belong to this fall
        self.fading, self.lowest_c, self._in_band = len(self.events), y, 0
        at, now = self.grid.end(begin), self.grid.end(k)
        self.events.append(FireEvent("fading", at, now, None, TRUE_SHARE * reaches, FADES, evidence))

    def _follow(self, k: int, y: float, band: tuple[float, float]) -> bool:
        """After a warning: out, back, or taken back."""
        self.lowest_c = min(self.lowest_c, y)
        trouble = band[0] - UNDER_K
        # Told before it left its band, it may be there still: that is no way back while it falls.
        self._in_band = self._in_band + 1 if y >= band[0] and self.to_go_min is None else 0
        stayed = self._in_band >= BACK_MIN
        rose = y > self.lowest_c + max(RECOVERS_K, 5 * float(self.course.change[k]))
        if stayed or (self.lowest_c > trouble and rose):
            how = "back in its band" if stayed else "it rose again before it came to trouble"
            # A dip is one event, and its end says enough; one that was said to be out is worth a word.
            if self.out is not None:
                now, facts = self.grid.end(k), {"lowest_c": self.lowest_c, "celsius": y}
                self.events.append(FireEvent("back", now, now, None, 0.9, how, facts))
            self.end(k, how)
            return True
        left = (y - COLD_C) / max(0.5 * (band[0] + band[1]) - COLD_C, 10.0)
        if self.out is None and self.to_go_min is not None and y < trouble and left < OUT_SHARE:
            self._goes_out(k, y, left)
        return False

    def _goes_out(self, k: int, y: float, left: float) -> None:
        slope = float(self.course.slope[k])
        tau_h = (y - COLD_C) / -slope  # Newton's law of cooling
        facts = {"celsius": y, "slope_k_h": slope, "tau_h": tau_h, "left": left}
        at = self.grid.end(k) if self.fading is None else self.events[self.fading].at
        self.out = len(self.events)
        self.events.append(FireEvent("out", at, self.grid.end(k), None, 0.9 if tau_h < 8 else 0.6, IS_OUT, facts))

    def end(self, k: int, how: str) -> None:
        """The warning is over, if there is one."""
        for i in (self.fading, self.out):
            if i is not None:
                self.events[i] = self.events[i].over(self.grid.end(k), how)
        self.fading = self.out = None
        self._in_band = 0
