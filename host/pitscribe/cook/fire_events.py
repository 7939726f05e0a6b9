"""What happens to a fire: fuel, openings, spikes, fading, out, back; one sweep forward, so nothing looks ahead.

Fading is a promise that the slope makes: 25 degF under the band within the half hour. It is told when the slope is
sure, and the promise is nearer than this fire's own falls ever came (``fire_usual``), or when it falls faster than it
usually does for longer than chance (``cusum``), or is colder than its falls ever ended.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import erf, sqrt
from typing import Any, Protocol

from pitscribe.cook.fire_course import Course
from pitscribe.cook.fire_turns import Turn, Turns, likely_fuel
from pitscribe.cook.fire_usual import COLDEST_C, HORIZON_MIN, LEVEL_K_H, NEW_LEVEL_MIN, UNDER_K, Usual
from pitscribe.cook.grid import CELL_S, Grid
from pitscribe.cook.plain import iso, number

SAME_FUEL_S = 1500.0  # a note of fuel and the rise that follows are one
NOTE_MIN = 45
GRACE_MIN = 15  # somebody laid wood: it catches within so long, or it does not
SPIKE_K = UNDER_K  # over the band, as far as trouble is under it
BACK_MIN = 5  # in its band for so long: back
RECOVERS_K = 5.0  # a rise by so much takes a warning back before there was trouble
COLD_C = 20.0  # what a dead fire cools to, if nothing is known of the weather
OUT_SHARE = 0.62  # of the level's warmth over the weather left, and falling still: no fire holds that


class Noted(Protocol):
    """What is used of a note: when (ms UTC) and what kind of thing a person did."""

    @property
    def at_ms(self) -> int: ...

    @property
    def kind(self) -> str: ...


@dataclass(frozen=True, slots=True)
class FireEvent:
    """Something that happened to the fire. Times in UTC s.

    kind : "fuel", "opened" (lid or firebox door), "spike", "fading", "out", "back"
    at : when it began;  noticed : when it was first said;  end : when it was over (None: not yet, or a moment)
    """

    kind: str
    at: float
    noticed: float
    end: float | None
    probability: float
    why: str
    evidence: Mapping[str, float] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "kind": self.kind, "at": iso(self.at), "noticed": iso(self.noticed), "end": iso(self.end),
            "probability": number(self.probability), "why": self.why,
            "evidence": {name: number(value) for name, value in self.evidence.items()},
        }


def phi(z: float) -> float:
    """The normal distribution function."""
    return 0.5 * (1 + erf(z / sqrt(2)))


class Walk:
    """The sweep over the minutes; ``events``, and the usual as it is at the end."""

    def __init__(self, course: Course, notes: Sequence[Noted], grid: Grid, band_c: tuple[float, float] | None) -> None:
        self.course, self.grid = course, grid
        self.usual = Usual(band_c)
        self.events: list[FireEvent] = []
        self.fuel: list[float] = []
        self.over: str | None = None  # why the fire is no more watched
        self.fading: int | None = None  # index of the event, while it lasts
        self.out = False
        self.up_from: int | None = None  # cell from which the fire was up
        self.over_from: int | None = None
        self.trouble_c: float | None = None
        self.to_go_min: float | None = None  # that the newest sure slope promises
        self._acts: dict[int, list[float]] = {}
        self._ends: dict[int, str] = {}
        self.turns = Turns()
        self._fuel_noted = -10_000
        self._in_band = self._spike = 0
        self._lowest = float("inf")
        self._last = float("nan")
        for note in notes:
            k = max(grid.cell(note.at_ms / 1000), 0)
            if note.kind == "fuel":
                self._acts.setdefault(k, []).append(note.at_ms / 1000)
            elif note.kind in ("pull", "hold"):
                self._ends[k] = note.kind
        self._openings = {one.noticed: one for one in course.openings}

    def walk(self) -> "Walk":
        """Go through all minutes."""
        c = self.course
        columns = zip(c.y.tolist(), c.calm.tolist(), c.change.tolist(), c.slope.tolist(), c.slope_u.tolist(),
                      c.after.tolist(), strict=True)
        for k, (y, calm, change, slope, u, after) in enumerate(columns):
            self._heed(k)
            if calm == calm:
                self._turns(k, calm, change, after)
                self._levels(k, calm)
                self._promise(k, calm, slope, u)
                self._spikes(k, calm)
                self._last = calm
            elif y == y and self.fading is not None:
                self._lowest = min(self._lowest, y)
        return self

    # What people did

    def _heed(self, k: int) -> None:
        for at in self._acts.get(k, ()):
            self._fuel_noted = k
            if not self.fuel or at - self.fuel[-1] > SAME_FUEL_S:
                self.fuel.append(at)
                self.events.append(FireEvent("fuel", at, self.grid.end(k), None, 1.0, "noted"))
        if (kind := self._ends.get(k)) is not None:
            if kind == "pull" and self.over is None:
                self.over, self.over_from = "the meat was pulled", k
            self.usual.forget()
            self.usual.band_c, self.usual.settled = None, False
            self._end_fading(k, "the fire is not needed as it was")
        if (one := self._openings.get(k)) is not None:
            z = one.drop_k / max(0.5, 3 * one.usual_k)
            end = None if one.end is None else self.grid.end(one.end)
            evidence = {"drop_k": one.drop_k, "usual_change_k": one.usual_k}
            why = "fell within two minutes as no fire falls: a lid or the firebox door"
            at = self.grid.end(one.begin) - CELL_S
            self.events.append(FireEvent("opened", at, self.grid.end(k), end, min(0.97, phi(z - 2)), why, evidence))

    # Turns: fuel, and how a fall went

    def _turns(self, k: int, y: float, change: float, after: float) -> None:
        turn, fuel = self.turns.step(k, y, change, after)
        well = self.usual.settled and self.fading is None
        if turn is not None and well:
            self.usual.cycle(turn.nearest_min)
        if fuel is not None and self.usual.settled:
            self._fuelled(k, fuel, change)
        if well:
            self.turns.learn()

    def _fuelled(self, k: int, turn: Turn, change: float) -> None:
        """A rise as of fuel; one with a note belongs to the note."""
        at = self.grid.end(max(turn.at - 1, 0))
        noted = k - self._fuel_noted <= NOTE_MIN
        if self.fuel and at - self.fuel[-1] <= (SAME_FUEL_S if noted else SAME_FUEL_S / 2):
            return
        self.fuel.append(at)
        why = "a fall turned into a rise within minutes"
        evidence = {"rise_k": turn.rise_k, "minutes": float(turn.minutes), "usual_change_k": change}
        self.events.append(FireEvent("fuel", at, self.grid.end(k), None, likely_fuel(turn, change), why, evidence))

    # Level and band

    def _levels(self, k: int, y: float) -> None:
        usual, band = self.usual, self.usual.band()
        if not usual.settled:
            self._settle(k, y, band)
            return
        if self.fading is None and (band is None or y > band[0] - UNDER_K):
            usual.learn(y)
        outside = band is not None and not band[0] <= y <= band[1]
        usual.off_min = usual.off_min + 1 if outside else max(0, usual.off_min - 2)
        if usual.off_min >= NEW_LEVEL_MIN and usual.band_c is None and self._level(k) and y > COLDEST_C:
            usual.forget()
            usual.adopted += 1
            for v in self.course.calm[max(0, k - 29) : k + 1].tolist():
                if v == v:
                    usual.learn(v)
            self._end_fading(k, "it holds another level")

    def _level(self, k: int) -> bool:
        slope, u = float(self.course.hour[k]), float(self.course.hour_u[k])
        return abs(slope) < LEVEL_K_H + u and u < 3 * LEVEL_K_H

    def _settle(self, k: int, y: float, band: tuple[float, float] | None) -> None:
        """The fire is up: in its band for minutes, or turned or level where pits cook."""
        up = y > COLDEST_C + 10 and ((not self.turns.falling and self.turns.high_c - y > 1.0) or self._level(k))
        if self.usual.band_c is not None and band is not None:
            self._in_band = self._in_band + 1 if y >= band[0] else 0
            up = self._in_band >= BACK_MIN
        if up:
            self.usual.settled = True
            self.up_from = k if self.up_from is None else self.up_from
            self.turns.restart(k, y)

    # Fading, out, back

    def _promise(self, k: int, y: float, slope: float, u: float) -> None:
        band = self.usual.band()
        self.to_go_min = None
        if band is None or not self.usual.settled or self.over:
            return
        self.trouble_c = trouble = band[0] - UNDER_K
        sure = slope < 0
        to_go = max(0.0, (y - trouble) / -slope * 60) if sure else float("inf")
        if sure:
            self.to_go_min = to_go
            self.turns.promised(to_go)
        if self.fading is not None:
            self._follow(k, y, band, sure)
        elif sure and self._unusual(k, y, to_go, band):
            self._warn(k, y, slope, u, to_go, trouble)

    def _unusual(self, k: int, y: float, to_go: float, band: tuple[float, float]) -> bool:
        usual = self.usual
        if k - self._fuel_noted < GRACE_MIN and y > band[0] - UNDER_K / 2:
            return False
        if usual.unusually_cold(y):
            return to_go <= HORIZON_MIN
        faster = self.turns.sums.s > self.turns.sums.h and usual.known
        return 0.5 * (y + self._last) < band[0] and to_go <= (HORIZON_MIN if faster else usual.horizon_min())

    def _warn(self, k: int, y: float, slope: float, u: float, to_go: float, trouble: float) -> None:
        begin = k
        while begin > 0 and k - begin < 60 and not self.course.calm[begin] >= y + 0.5 * -slope * (k - begin) / 60 + 3:
            begin -= 1
        # Whether it comes to trouble in the half hour: what the slope knows, and what of its own falls ended by itself.
        spread = sqrt((u * HORIZON_MIN / 60) ** 2 + 3.0**2)
        reaches = phi((-slope * HORIZON_MIN / 60 - (y - trouble)) / spread)
        alike = sum(near <= to_go for near in self.usual.nearest)
        alone = (alike + 0.5) / (len(self.usual.nearest) + 2.5)
        evidence = {
            "celsius": y, "slope_k_h": slope, "slope_u_k_h": u, "trouble_c": trouble, "to_go_min": to_go,
            "usual_nearest_min": self.usual.horizon_min(), "cusum": self.turns.sums.s,
        }
        why = "falls as its own falls do not: 25 degF under the band within the half hour, unless it gets fuel or air"
        self.fading = len(self.events)
        self._lowest = y
        self.events.append(FireEvent("fading", self.grid.end(begin), self.grid.end(k), None, reaches * (1 - alone), why,
                                     evidence))

    def _follow(self, k: int, y: float, band: tuple[float, float], sure: bool) -> None:
        """After a warning: out, back, or taken back."""
        self._lowest = min(self._lowest, y)
        trouble = band[0] - UNDER_K
        self._in_band = self._in_band + 1 if y >= band[0] else 0
        recovered = self._lowest > trouble and y > self._lowest + max(RECOVERS_K, 5 * float(self.course.change[k]))
        if self._in_band >= BACK_MIN or recovered:
            how = "back in its band" if self._in_band >= BACK_MIN else "it rose again before it came to trouble"
            rose = {"lowest_c": self._lowest, "celsius": y}
            self.events.append(FireEvent("back", self.grid.end(k), self.grid.end(k), None, 0.9, how, rose))
            if recovered:
                self.usual.cycle(self.turns.nearest_min)
            self._end_fading(k, how)
            return
        level = 0.5 * (band[0] + band[1])
        left = (y - COLD_C) / max(level - COLD_C, 10.0)
        if not self.out and sure and y < trouble and left < OUT_SHARE:
            self.out = True
            slope = float(self.course.slope[k])
            tau_h = (y - COLD_C) / -slope
            why = "cools as a pit without fire: 38 % of its warmth over the weather is gone, and it falls still"
            facts = {"celsius": y, "slope_k_h": slope, "tau_h": tau_h, "left": left}
            at = self.events[self.fading].at if self.fading is not None else self.grid.end(k)
            self.events.append(FireEvent("out", at, self.grid.end(k), None, 0.9 if tau_h < 8 else 0.6, why, facts))

    def _end_fading(self, k: int, how: str) -> None:
        if self.fading is not None:
            for i in (self.fading, *[j for j, e in enumerate(self.events) if e.kind == "out" and e.end is None]):
                e = self.events[i]
                self.events[i] = FireEvent(e.kind, e.at, e.noticed, self.grid.end(k), e.probability,
                                           f"{e.why}; over: {how}", e.evidence)
        self.fading, self.out, self._in_band = None, False, 0
        self.turns.restart(k, self._last)

    def _spikes(self, k: int, y: float) -> None:
        band = self.usual.band()
        if band is None or not self.usual.settled or self.over:
            return
        over = y - band[1]
        if not self._spike and over > SPIKE_K:
            self._spike = len(self.events) + 1
            why = "25 degF over the band"
            self.events.append(FireEvent("spike", self.grid.end(k), self.grid.end(k), None, 0.95, why, {"celsius": y}))
        elif self._spike and over < 0:
            e = self.events[self._spike - 1]
            self.events[self._spike - 1] = FireEvent(e.kind, e.at, e.noticed, self.grid.end(k), e.probability, e.why,
                                                     e.evidence)
            self._spike = 0
