"""Fires for the tests of ``cook.fire``: stochastic splits, draught, gusts, doors, thermostats, and fires that die.

Another physics than the bench's smoker and than ``cook_kitchen``: power in shares of what holds the level, a wall that
stores heat, and air that follows wall and flame. Nobody here knows what the detectors look at.
Figures of splits and swings: common practice, no source (SOURCES.md section 12); time constants: our allowances.
"""

from dataclasses import dataclass
from math import exp, sqrt

import numpy as np
from cook_kitchen import T0, record, sense

from pitscribe.ledger.values import Note
from pitscribe.series import CookRecord

STEP_S = 10.0
UNDER_K = 25 * 5 / 9  # 25 degF
COOKERS = ("offset", "wild", "kettle", "ceramic", "electric", "coarse")


@dataclass(frozen=True)
class FireCook:
    """One cook's pit: its record, the band, and what really happened (UTC s)."""

    kind: str
    record: CookRecord
    band_c: tuple[float, float]
    splits: tuple[float, ...]
    lids: tuple[float, ...]
    dies: float | None  # the fire gets nothing any more, or its draught is shut
    in_band: float | None  # last time the air was in the band before it fell through
    under: float | None  # the air passes 25 degF under the band
    back: float | None
    troubled: tuple[tuple[float, float], ...]  # where the truth is a fire below its band: no warning is false there
    hours: float


class _Fire:
    """Power of a fire, as a share of what holds the level."""

    def __init__(self, kind: str, rng: np.random.Generator) -> None:
        self.kind, self.rng = kind, rng
        self.splits: list[tuple[float, float, float, float]] = []  # time, size, smoulder, burning time [s]
        self.on, self.held, self.dead_at = True, 1.0, float("inf")
        self.dying_s = rng.uniform(600, 3000) if kind != "electric" else 20.0
        self.hysteresis = rng.uniform(0.5, 2.5) if kind == "electric" else rng.uniform(4, 8)

    def add(self, t: float, size: float) -> None:
        self.splits.append((t, size, self.rng.uniform(90, 400), self.rng.uniform(1200, 2000)))

    def power(self, t: float, air: float, level: float) -> float:
        if self.kind in ("offset", "wild"):
            total = 0.0
            for at, size, smoulder, burns in self.splits:
                x = (t - at - smoulder) / burns
                if 0 < x < 6:
                    total += size * (0.55 * 2.2 * x * exp(1 - 2.2 * x) + 0.3 * min(1.0, x) * exp(-x / 2))
            return total
        if t >= self.dead_at:
            return self.held * exp(-(t - self.dead_at) / self.dying_s)
        if self.kind in ("electric", "coarse"):
            if air > level + self.hysteresis:
                self.on = False
            elif air < level - self.hysteresis:
                self.on = True
            return 2.0 if self.on else 0.0
        self.held += (min(2.2, max(0.2, 1 + (level - air) / 40)) - self.held) * STEP_S / 900
        return self.held


def fire_cook(kind: str, seed: int, *, fade: bool = True, lids: int = 5, hours: float = 14.0) -> FireCook:
    """One cook; ``fade``: its fire dies somewhere after three hours, and perhaps comes back."""
    rng = np.random.default_rng((seed, COOKERS.index(kind)))
    n = int(hours * 3600 / STEP_S)
    level, ambient = rng.uniform(105, 138), rng.uniform(-5, 32)
    reach = level - ambient
    wall_s = {"offset": (2400, 5400), "wild": (1800, 3600), "kettle": (1800, 5400), "ceramic": (6000, 14400),
              "electric": (2500, 9000), "coarse": (2000, 6000)}[kind]
    wall_s = rng.uniform(*wall_s)
    fast = {"offset": 0.14, "wild": 0.16, "kettle": 0.2, "ceramic": 0.12, "electric": 0.04, "coarse": 0.1}[kind]
    gust_k = {"offset": 1.0, "wild": 1.6, "kettle": 0.8, "ceramic": 0.4, "electric": 0.15, "coarse": 0.3}[kind]
    gust_k *= rng.uniform(0.5, 1.5)
    dies = rng.uniform(3.5, hours - 4) * 3600 if fade else float("inf")
    back = dies + rng.uniform(1.2, 2.5) * 3600 if fade and rng.uniform() < 0.4 else float("inf")
    openings = np.sort(rng.uniform(1.2, hours - 0.3, lids)) * 3600
    lasts = np.where(rng.uniform(size=lids) < 0.12, rng.uniform(360, 720, lids), rng.uniform(40, 200, lids))
    fire = _Fire(kind, rng)
    by_hand = kind in ("offset", "wild")
    if by_hand:
        for at in (-1500, -600):
            fire.add(at, 1.0)
    wall, body, open_k = ambient + 0.75 * reach, ambient + 0.8 * reach, 0.0
    draught = gust = 0.0
    next_look, door_until, last_split = 0.0, -1.0, 0.0
    air_all, told, splits = np.empty(n), [], []
    for i in range(n):
        t = i * STEP_S
        dead = dies <= t < back
        fire.dead_at = dies if dead else float("inf")
        draught += -draught * STEP_S / 1500 + 0.12 * sqrt(2 * STEP_S / 1500) * rng.normal()
        gust += -gust * STEP_S / 150 + gust_k * sqrt(2 * STEP_S / 150) * rng.normal()
        air = body + open_k
        if by_hand and t >= next_look and not dead:
            next_look = t + rng.uniform(120, 480) + (rng.uniform(300, 900) if rng.uniform() < 0.06 else 0)
            lays = level + (-1.0 if kind == "offset" else -5.0)
            if t - last_split > 1000 and air < lays and open_k > -5 and fire.power(t, air, level) < 0.95:
                size = rng.lognormal(0.1 if kind == "offset" else 0.35, 0.2)
                fire.add(t, size * (1.5 if air < level - 30 else 1.0))
                last_split, door_until = t, t + rng.uniform(30, 120)
                splits.append(T0 + t)
                told.append((t, "fuel"))
        power = fire.power(t, air, level) * exp(draught if kind != "electric" else 0.0)
        power *= 0.6 if t < door_until else 1.0
        wall += (ambient + reach * (1 - fast) * power + fast * reach * 0.3 - wall) * STEP_S / wall_s
        target = wall + fast * reach * (power - 0.3) + gust - (8.0 if t < door_until else 0.0)
        body += (target - body) * STEP_S / (90.0 if kind != "ceramic" else 240.0)
        opened = bool(np.any((openings <= t) & (t < openings + lasts)))
        if opened:
            open_k += (-0.6 * (body - ambient) - open_k) * STEP_S / 30
            wall -= (wall - ambient) * STEP_S / (5 * wall_s)
        else:
            open_k -= open_k * STEP_S / (150 if kind != "ceramic" else 240)
        air_all[i] = body + open_k
    for at in openings:
        told.append((at, "lid"))
    return _told(kind, seed, air_all, level, dies, back, openings, splits, told, hours, rng)


def _told(kind, seed, air, level, dies, back, openings, splits, told, hours, rng) -> FireCook:
    t = T0 + np.arange(air.size) * STEP_S
    # The truth without the lids: a running median over 25 minutes sees no opening of the usual length.
    m = 75
    quiet = np.array([np.median(air[max(0, i - m): i + m + 1]) for i in range(0, air.size, 6)])
    at = t[::6]
    # The band is what the cook means to keep: its set level for what regulates itself, else what it usually is.
    well = quiet[(at > T0 + 4500) & (at < T0 + min(dies, 3600 * hours))]
    low, middle, high = np.percentile(well, [2, 50, 98])
    middle = middle if kind in ("offset", "wild") else level
    half_k = max(8.3, (high - low) / 2 if kind in ("offset", "wild") else 0.0)
    low = middle - half_k
    in_band = under = None
    if np.isfinite(dies):
        below = np.flatnonzero((quiet < low - UNDER_K) & (at > T0 + dies))
        if below.size:
            # The moment by the plain air, away from openings.
            near = np.abs((t[:, None] - T0) - openings[None, :] - 300).min(axis=1) > 900 if openings.size else t > 0
            plain = np.flatnonzero((air < low - UNDER_K) & near & (t > T0 + dies))
            under = float(min(at[below[0]], t[plain[0]] if plain.size else 1e18))
            within = np.flatnonzero((air >= low) & (t < under))
            in_band = float(t[within[-1]])
    trouble = quiet < low - UNDER_K / 2
    spans = [(float(x) - 2700, float(x) + 300) for x in at[trouble]]
    every = float(rng.choice([1, 10, 60], p=[0.2, 0.4, 0.4]))
    quantum = float(rng.choice([0.25, 0.0078125]))
    grate = sense(t, air, place="grate", kind="air", every_s=max(every, 10.0 if every < 10 else every), quantum=quantum,
                  noise=0.1, seed=seed, lag_s=rng.uniform(4, 40), offset=rng.normal(0, 1.0))
    told = sorted(told) if rng.uniform() < 0.5 else []
    rec = record([grate], tuple((h / 3600, k) for h, k in told))
    fin = lambda x: T0 + x if np.isfinite(x) else None  # noqa: E731
    return FireCook(kind, rec, (low, middle + half_k), tuple(splits), tuple(T0 + openings), fin(dies), in_band, under,
                    fin(back), tuple(spans), hours)


def notes_of(told: list[tuple[float, str]]) -> tuple[Note, ...]:
    """Notes from (hour, kind)."""
    return tuple(Note(i, 1, int((T0 + h * 3600) * 1000), kind, "") for i, (h, kind) in enumerate(told))
