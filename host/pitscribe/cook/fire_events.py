"""What happens to a fire: fuel, openings, spikes, fading, out, back; one sweep forward, so nothing looks ahead."""

from collections.abc import Sequence
from copy import deepcopy

from pitscribe.cook.fire_course import Course, Opening
from pitscribe.cook.fire_event import FireEvent, phi
from pitscribe.cook.fire_turns import CREEPS_MIN, Turn, Turns, likely_fuel
from pitscribe.cook.fire_usual import COLDEST_C, HALF_BAND_K, LEVEL_K_H, NEW_LEVEL_MIN, UNDER_K, Usual
from pitscribe.cook.fire_watch import BACK_MIN, Watch
from pitscribe.cook.grid import CELL_S, Grid
from pitscribe.cook.noted import Noted

SAME_FUEL_S = 1500.0  # a note of fuel and the rise that follows are one
NOTE_MIN = 45  # after a note of fuel a rise is its own for so long
SPIKE_K = UNDER_K  # over the band, as far as trouble is under it
OPENED = "fell within two minutes as a fire hardly falls: a lid or the firebox door"
FELL_ON = "it fell on as no open lid does: it was the fire"


class Walk:
    """The sweep over the minutes; ``events``, and the usual as it is at the end.

    fuel : times of fuel [UTC s];  over : why the fire is no more watched;  up_from, over_from : cells
    wanted : the usual by which the fire is judged: of one that is over, as it was then
    """

    def __init__(self, course: Course, notes: Sequence[Noted], grid: Grid, band_c: tuple[float, float] | None) -> None:
        self.course, self.grid = course, grid
        self.usual = Usual(band_c)
        self.turns = Turns()
        self.events: list[FireEvent] = []
        self.watch = Watch(course, grid, self.usual, self.events, sums=self.turns.sums)
        self.fuel: list[float] = []
        self.over: str | None = None
        self.up_from: int | None = None
        self.over_from: int | None = None
        self._then: Usual | None = None
        self._acts: dict[int, list[tuple[float, str]]] = {}
        self._fuel_noted = -10_000
        self._in_band = 0
        self._spike: int | None = None
        self._last = float("nan")
        for note in notes:
            if note.kind in ("fuel", "pull", "hold"):
                at = note.at_ms / 1000
                self._acts.setdefault(max(grid.cell(at), 0), []).append((at, note.kind))
        self._openings = {one.noticed: one for one in course.openings}

    @property
    def wanted(self) -> Usual:
        return self.usual if self._then is None else self._then

    def walk(self) -> "Walk":
        """Go through all minutes."""
        c = self.course
        columns = zip(c.y.tolist(), c.calm.tolist(), c.change.tolist(), c.after.tolist(), strict=True)
        for k, (y, calm, change, after) in enumerate(columns):
            for at, kind in self._acts.get(k, ()):
                self._heed(k, at, kind)
            one = self._openings.get(k)
            if one is not None and self.watch.fading is None:  # else it is part of what is told: who comes opens it
                self._opened(k, one)
            if calm == calm:
                self._turns(k, calm, change, after)
                self._levels(k, calm, after)
                if self.over is None:
                    self._spikes(k, calm)
                    if self.watch.step(k, calm, k - self._fuel_noted):
                        self.turns.restart(k, calm)
                self._last = calm
            elif y == y and self.watch.fading is not None:
                self.watch.lowest_c = min(self.watch.lowest_c, y)
        return self

    def _heed(self, k: int, at: float, kind: str) -> None:
        """Take account of what a person did."""
        if kind == "fuel":
            self._fuel_noted = k
            if self.usual.settled:
                self.usual.habit.noted.append(True)
                if self.watch.fading is None and self._last == self._last:
                    self.usual.habit.levels.append(self._last)
            if not self.fuel or at - self.fuel[-1] > SAME_FUEL_S:
                self.fuel.append(at)
                self.events.append(FireEvent("fuel", at, self.grid.end(k), None, 1.0, "noted"))
            return
        if kind == "pull" and self.over is None:
            self.over, self.over_from, self._then = "the meat was pulled", k, deepcopy(self.usual)
        # Held or pulled, the pit is not wanted as it was: whatever it does now is its new usual.
        self.usual.forget()
        self.usual.band_c, self.usual.settled = None, False
        self.watch.end(k, "the pit is not wanted as it was")
        self.turns.restart(k, self._last)

    def _opened(self, k: int, one: Opening) -> None:
        likely = min(0.97, phi(one.drop_k / max(0.5, 3 * one.usual_k) - 2))
        evidence = {"drop_k": one.drop_k, "usual_change_k": one.usual_k, "depth_k": one.depth_k}
        at = self.grid.end(one.begin) - CELL_S
        event = FireEvent("opened", at, self.grid.end(k), None, likely, OPENED, evidence)
        if one.end is not None:
            event = event.over(self.grid.end(one.end), FELL_ON if one.fell_on else "")
        self.events.append(event)

    def _turns(self, k: int, y: float, change: float, after: float) -> None:
        fell = self.turns.falling
        fuel = self.turns.step(k, y, change, after)
        if fell and not self.turns.falling and self.watch.fading is None:
            self.usual.turned()
        if fuel is not None and self.usual.settled:
            self._fuelled(k, fuel, change)
        if self.usual.settled and self.watch.fading is None:
            self.turns.learn()

    def _fuelled(self, k: int, turn: Turn, change: float) -> None:
        """A rise as of fuel; one with a note belongs to the note."""
        at = self.grid.end(max(turn.at - 1, 0))
        noted = k - self._fuel_noted <= NOTE_MIN
        if self.fuel and at - self.fuel[-1] <= (SAME_FUEL_S if noted else SAME_FUEL_S / 2):
            return
        self.fuel.append(at)
        self.usual.habit.noted.append(False)
        why = "a fall turned into a rise within minutes"
        evidence = {"rise_k": turn.rise_k, "minutes": float(turn.minutes), "usual_change_k": change}
        self.events.append(FireEvent("fuel", at, self.grid.end(k), None, likely_fuel(turn, change), why, evidence))

    def _levels(self, k: int, y: float, after: float) -> None:
        """Learn the usual; take a level that it holds off its band for its new usual."""
        usual, band = self.usual, self.usual.band()
        if not usual.settled:
            self._settle(k, y, band)
            return
        if self.watch.fading is None and after > CREEPS_MIN and (band is None or y > band[0] - UNDER_K):
            usual.learn(y)
        outside = band is not None and not band[0] <= y <= band[1]
        usual.off_min = usual.off_min + 1 if outside else max(0, usual.off_min - 2)
        if usual.off_min >= NEW_LEVEL_MIN and usual.band_c is None and y > COLDEST_C and self._level(k):
            usual.forget()
            for v in self.course.calm[max(0, k - 29) : k + 1].tolist():
                if v == v:
                    usual.learn(v)
            self.watch.end(k, "it holds another level")

    def _level(self, k: int) -> bool:
        """The last hour is level: no slope, and no more swing than a band is wide (a fall and a rise have no slope)."""
        slope, u = float(self.course.hour[k]), float(self.course.hour_u[k])
        if not (abs(slope) < LEVEL_K_H + u and u < 3 * LEVEL_K_H):
            return False
        hour = [v for v in self.course.calm[max(0, k - NEW_LEVEL_MIN + 1) : k + 1].tolist() if v == v]
        return bool(max(hour) - min(hour) < 2.5 * HALF_BAND_K)

    def _settle(self, k: int, y: float, band: tuple[float, float] | None) -> None:
        """The fire is up: in its band for minutes, or turned or level where pits cook."""
        turned = not self.turns.falling and self.turns.high_c - y > 1.0
        up = y > COLDEST_C + 10 and (turned or self._level(k))
        if self.usual.band_c is not None and band is not None:
            self._in_band = self._in_band + 1 if y >= band[0] else 0
            up = self._in_band >= BACK_MIN
        if up:
            self.usual.settled = True
            self.up_from = k if self.up_from is None else self.up_from
            self.turns.restart(k, y)

    def _spikes(self, k: int, y: float) -> None:
        band = self.usual.band()
        if band is None or not self.usual.settled:
            return
        if self._spike is None and y - band[1] > SPIKE_K:
            self._spike = len(self.events)
            now, facts = self.grid.end(k), {"celsius": y, "high_c": band[1]}
            self.events.append(FireEvent("spike", now, now, None, 0.95, "25 degF over its band", facts))
        elif self._spike is not None and y < band[1]:
            self.events[self._spike] = self.events[self._spike].over(self.grid.end(k))
            self._spike = None
