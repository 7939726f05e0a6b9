"""Synthetic cooks for the tests of ``cook``: many slabs at once, each with its own meat, pit and events.

This is not the project's bench: it is a second, smaller physics, so that the detectors are not tuned to one simulator.
Each place is a slab that conducts (one dimension, finite volumes), heated on both faces by the pit, and cooled by
evaporation through a crust whose resistance grows with the water that has left. The stall arises from that balance.

Sources: film and Lewis relation, SOURCES.md section 4 and 5; latent heat 2.34 MJ/kg, section 6; saturation
pressure by the Magnus form (from memory, good to 1 % here). Truth is found without the detectors' own ratio: see
``truth_stalls``.
"""

from dataclasses import dataclass, field

import numpy as np

from pitscribe.ledger.values import Cook, Note
from pitscribe.series import CookRecord, Series

T0 = 1_700_000_000.0
STEP_S = 10.0
NODES = 10  # with half_mm >= 19 the explicit step of 10 s is stable
LATENT = 2.34e6


@dataclass(frozen=True)
class Spec:
    """What one place of one cook is made of, and what happens to it. Times in hours from the start."""

    hours: float = 14.0
    # the meat at this place
    half_mm: float = 40.0
    depth: float = 0.0  # 0 centre .. 1 surface
    alpha: float = 1.35e-7
    k: float = 0.48
    start_c: float = 4.0
    film: float = 20.0  # W/m2K, convection and radiation together
    wet: float = 0.1  # wetness of the skin at first; 0 with no juice: no stall by evaporation
    juice: float = 0.4  # wetness that comes when the layer under the skin passes juice_c and gives up its water
    juice_c: float = 62.0
    crust_kg: float = 3.0  # kg/m2 of water after which the crust halves the flux
    sharp: float = 3.0  # how sharply it does so
    # the pit
    pit_c: float = 121.0
    ramp_h: float = 0.6
    swing_k: float = 6.0
    swing_min: float = 45.0
    noise_k: float = 1.5
    humidity: float = 0.015
    pit_steps: tuple[tuple[float, float], ...] = ()  # (from hour, new level)
    out: tuple[float, float] | None = None  # fire out from .. to
    out_tau_h: float = 0.7  # how fast the pit then cools
    lids: tuple[float, ...] = ()
    lid_min: float = 3.0
    # what is done to the meat
    wraps: tuple[float, ...] = ()
    wrap_keeps: float = 0.05  # share of the evaporation that goes on
    wrap_film: float = 0.75
    unwraps: tuple[float, ...] = ()
    spritz: tuple[float, ...] = ()
    pull: float | None = None
    seed: int = 0


@dataclass
class Truth:
    """What really happened at each place, on the kitchen's own time grid."""

    t: np.ndarray
    air: np.ndarray
    meat: np.ndarray
    share: np.ndarray  # evaporation's share of the heat that the pit gives the surface
    specs: list[Spec] = field(default_factory=list)


def pit_course(s: Spec, t_h: np.ndarray) -> np.ndarray:
    """The pit's air at each instant (hours): level, fire's rhythm, gusts, openings, fire out."""
    rng = np.random.default_rng(s.seed + 10_007)
    level = np.full_like(t_h, s.pit_c)
    for at, value in s.pit_steps:
        level[t_h >= at] = value
    if s.out:
        level[(t_h >= s.out[0]) & (t_h < s.out[1])] = 25.0
    gust = rng.normal(size=t_h.size)
    air = np.empty_like(t_h)
    ou = 0.0
    now = 20.0
    for i, h in enumerate(t_h):
        falling = s.out is not None and s.out[0] <= h < s.out[1]
        tau_h = s.out_tau_h if falling else (s.ramp_h / 2 if h < 3 * s.ramp_h else 0.25)
        now += (level[i] - now) * STEP_S / 3600 / tau_h
        ou += -ou * STEP_S / 240 + s.noise_k * np.sqrt(2 * STEP_S / 240) * gust[i]
        air[i] = now + (0.0 if falling or h < s.ramp_h else ou)
    if s.swing_k:
        phase = (t_h * 60 / s.swing_min + split_phase(s, t_h.size)) % 1.0
        wave = np.where(phase < 0.25, phase / 0.25, (1 - phase) / 0.75) * 2 - 1
        live = (t_h > s.ramp_h) & ~((t_h >= s.out[0]) & (t_h < s.out[1] + 0.5)) if s.out else t_h > s.ramp_h
        air += np.where(live, s.swing_k * wave, 0.0)
    for at in s.lids:
        since = (t_h - at) * 60
        dip = np.where(since < 0, 0, np.where(since < s.lid_min, 1.0, np.exp(-(since - s.lid_min) / 5.0)))
        air -= dip * 0.55 * (air - 20.0)
    if s.pull is not None:
        air = np.where(t_h >= s.pull, 25.0, air)
    return air


def split_phase(s: Spec, n: int) -> float:
    """Where in its swing the fire begins, 0 to 1; a split catches at each whole number."""
    rng = np.random.default_rng(s.seed + 10_007)
    rng.normal(size=n)
    return float(rng.uniform())


def saturated(celsius: np.ndarray) -> np.ndarray:
    """Humidity ratio over water at 101325 Pa (Magnus; capped near boiling, where the flux is set by the heat)."""
    p = np.minimum(611.2 * np.exp(17.62 * celsius / (243.12 + celsius)), 9.2e4)
    return 0.622 * p / (101_325 - p)


def _acts(specs: list[Spec], n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Per step and place: evaporation kept, film kept, water sprayed on (kg/m2)."""
    keep, film, spray = (np.ones((n, len(specs))), np.ones((n, len(specs))), np.zeros((n, len(specs))))
    index = {id(s): j for j, s in enumerate(specs)}
    for s in specs:
        j = index[id(s)]
        moves = sorted([(h, "wrap") for h in s.wraps] + [(h, "open") for h in s.unwraps])
        for h, what in moves:
            i = int(h * 3600 / STEP_S)
            keep[i:, j] = s.wrap_keeps if what == "wrap" else 1.0
            film[i:, j] = s.wrap_film if what == "wrap" else 1.0
        for h in s.spritz:
            i = int(h * 3600 / STEP_S)
            if i < n:
                spray[i, j] += 0.06
    return keep, film, spray


def cook_all(specs: list[Spec]) -> Truth:
    """Run every place at once (their hours must be equal)."""
    n = int(specs[0].hours * 3600 / STEP_S)
    t_h = np.arange(n) * STEP_S / 3600
    courses: dict[tuple, np.ndarray] = {}
    columns = []
    for s in specs:
        key = (s.seed, s.pit_c, s.pit_steps, s.out, s.out_tau_h, s.lids, s.lid_min, s.pull, s.swing_k, s.swing_min,
               s.noise_k, s.ramp_h)
        if key not in courses:
            courses[key] = pit_course(s, t_h)
        columns.append(courses[key])
    air = np.stack(columns, axis=1)
    keep, film_kept, spray = _acts(specs, n)
    get = lambda name: np.array([getattr(s, name) for s in specs], dtype=float)  # noqa: E731
    dx = get("half_mm") / 1000 / NODES
    alpha, k, film, wet, crust, w_air = (get(x) for x in ("alpha", "k", "film", "wet", "crust_kg", "humidity"))
    sharp, juice, juice_c = (get(x) for x in ("sharp", "juice", "juice_c"))
    heat_cap = k / alpha
    temp = np.repeat(get("start_c")[:, None], NODES, axis=1)
    where = np.clip((get("depth") * NODES).astype(int), 0, NODES - 1)
    rows = np.arange(len(specs))
    lost, pool = np.zeros(len(specs)), np.zeros(len(specs))
    meat, share = np.empty((n, len(specs))), np.empty((n, len(specs)))
    skin, net = temp[:, -1].copy(), np.zeros(len(specs))
    for i in range(n):
        # The skin lies half a cell off the last cell's middle; damped, since evaporation pulls hard on it.
        skin = 0.7 * skin + 0.3 * (temp[:, -1] + net * dx / (2 * k))
        given = 1 / (1 + np.exp(-(temp[:, -NODES // 4] - juice_c) / 3.0))
        beta = np.where(pool > 0, 1.0, (wet + juice * given) * np.exp(-((lost / crust) ** sharp))) * keep[i]
        mass = beta * 0.5 * film * film_kept[i] / (1020 * 0.9) * (saturated(skin) - w_air)
        mass = np.clip(mass, -0.002, 0.002)
        h = film * film_kept[i]
        into = h * (air[i] - skin)
        net = into - LATENT * mass
        left = np.maximum(mass, 0) * STEP_S
        wetted = np.minimum(pool, left)
        pool = pool - wetted + spray[i]
        lost = lost + left - wetted
        flow = np.diff(temp, axis=1) * (k / dx)[:, None]
        change = np.zeros_like(temp)
        change[:, :-1] += flow
        change[:, 1:] -= flow
        change[:, -1] += net
        temp = temp + change * (STEP_S / (heat_cap * dx))[:, None]
        meat[i] = temp[rows, where]
        share[i] = np.where(into > 50, np.clip(LATENT * mass / np.maximum(into, 50), 0, 2), 0.0)
    return Truth(T0 + t_h * 3600, air, meat, share, specs)


def _boxcar(y: np.ndarray, minutes: float) -> np.ndarray:
    m = max(1, int(minutes * 60 / STEP_S))
    c = np.concatenate([[0.0], np.cumsum(y)])
    lo = np.clip(np.arange(y.size) - m // 2, 0, y.size)
    hi = np.clip(np.arange(y.size) + m // 2 + 1, 0, y.size)
    return (c[hi] - c[lo]) / (hi - lo)


def truth_stalls(truth: Truth, j: int, *, fraction: float = 0.4, least_min: float = 40.0) -> list[tuple[float, float]]:
    """Spans in which evaporation holds the place back, from the noiseless physics.

    Noiseless heating for each kelvin of drive (centred 20 min means: with hindsight, unlike the detectors) is below
    ``fraction`` of its own earlier best, evaporation takes more than half of the pit's heat, and the pit gives at
    least 75 % of its usual drive, between 40 and 92 degC; at least ``least_min`` long; breaks under 20 min are bridged.
    """
    t, s = truth.t, truth.specs[j]
    core = truth.meat[:, j]
    rate = _boxcar(np.gradient(core, STEP_S / 3600), 20)
    drive = _boxcar(truth.air[:, j], 60) - core
    usual = np.full(t.size, s.pit_c)
    for at, value in s.pit_steps:
        usual[t - t[0] >= at * 3600] = value
    steady = drive > 0.75 * (usual - core)
    index = np.where(drive > 10, rate / np.maximum(drive, 10), np.nan)
    best = np.fmax.accumulate(np.where(steady & (core > 15), index, 0.0))
    held = (index < fraction * best) & (_boxcar(truth.share[:, j], 20) > 0.5) & steady & (core > 40) & (core < 92)
    if s.pull is not None:
        held &= t - T0 < s.pull * 3600
    edges = np.flatnonzero(np.diff(np.concatenate([[0], held.astype(int), [0]])))
    joined: list[list[int]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if joined and (a - joined[-1][1]) * STEP_S < 1200:
            joined[-1][1] = b
        else:
            joined.append([a, b])
    return [(t[a], t[min(b, t.size - 1)]) for a, b in joined if (b - a) * STEP_S >= least_min * 60]


def sense(
    t: np.ndarray, celsius: np.ndarray, *, place: str, kind: str, every_s: float, quantum: float, noise: float,
    seed: int, lag_s: float = 30.0, offset: float = 0.0, gaps: tuple[tuple[float, float], ...] = (), lost: float = 0.0,
) -> Series:
    """What a probe and its chip make of a true course: lag, offset, noise, steps of ``quantum``, gaps, lost samples."""
    rng = np.random.default_rng(seed)
    lagged = np.empty_like(celsius)
    gain = 1 - np.exp(-STEP_S / lag_s)
    now = celsius[0]
    for i, v in enumerate(celsius):
        now += gain * (v - now)
        lagged[i] = now
    at = np.arange(t[0], t[-1], every_s)
    y = np.interp(at, t, lagged) + offset + rng.normal(0, noise, at.size)
    y = np.round(y / quantum) * quantum
    flags = np.zeros(at.size, dtype=np.uint32)
    y[rng.uniform(size=at.size) < lost] = np.nan
    keep = np.ones(at.size, dtype=bool)
    for a, b in gaps:
        keep &= ~((at >= t[0] + a * 3600) & (at < t[0] + b * 3600))
    return Series(place, kind, at[keep], y[keep], np.full(int(keep.sum()), 0.8), flags[keep])


def record(places: list[Series], notes: tuple[tuple[float, str], ...] = ()) -> CookRecord:
    """A cook's record as ``series.load`` would hand it over; ``notes`` are (hour, kind)."""
    told = tuple(Note(i, 1, int((T0 + h * 3600) * 1000), kind, "") for i, (h, kind) in enumerate(notes))
    return CookRecord(Cook(1, "kitchen", int(T0 * 1000), None, None), tuple(places), told, 0, 0)
