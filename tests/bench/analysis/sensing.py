"""What probes, chips and a logger make of a true course: lag, offset, noise, steps, gaps, drop-outs, a dying probe."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from pitscribe.ledger.values import Cook, Note
from pitscribe.metrology.flags import Flag
from pitscribe.series import CookRecord, Series

from .truth import Array

T0 = 1_700_000_000.0
U_K = 0.8  # standard uncertainty that the readings are given with: offsets are drawn from it


@dataclass(frozen=True, slots=True)
class Sensing:
    """One logger and what its readings suffer. every_s, quantum [K], noise [K]; gaps: (from, to) s since the start.

    lost : share of samples without a value;  drops : spans in which a lead is open, by place;  drift_k_h : of offsets
    """

    every_s: float = 10.0
    quantum: float = 0.25
    noise: float = 0.05
    lost: float = 0.0
    gaps: tuple[tuple[float, float], ...] = ()


def drawn(rng: np.random.Generator, hours: float) -> Sensing:
    """One at random: chips that step by 0.25 K or 2^-7 K, 1 to 60 s, some with a gap, some that lose samples."""
    every = float(rng.choice([1, 5, 10, 30, 60], p=[0.12, 0.2, 0.28, 0.2, 0.2]))
    gaps = []
    for _ in range(int(rng.choice([0, 1, 2], p=[0.7, 0.22, 0.08]))):
        at = rng.uniform(0.5, hours - 1)
        long = rng.uniform(0.03, 0.4) if rng.uniform() < 0.7 else rng.uniform(0.4, 2.5)
        gaps.append((3600 * at, 3600 * (at + long)))
    return Sensing(every, float(rng.choice([0.25, 2.0**-7])), float(rng.choice([0.01, 0.05, 0.12, 0.3])),
                   float(rng.choice([0.0, 0.01, 0.15], p=[0.7, 0.2, 0.1])), tuple(gaps))


def sensed(
    how: Sensing, t: Array, celsius: Array, place: str, kind: str, rng: np.random.Generator, *, lag_s: float,
    offset: float = 0.0, until: float = float("inf"), opens: Sequence[tuple[float, float]] = (),
) -> Series:
    """The series that comes of a course ``celsius`` at ``t`` (UTC s, even steps).

    until : when the probe was taken out or died for good [UTC s];  opens : spans with an open lead [UTC s]
    """
    step = t[1] - t[0]
    keep = float(np.exp(-step / lag_s))
    lagged = lfilter([1 - keep], [1.0, -keep], celsius, zi=[keep * celsius[0]])[0]
    at = np.arange(t[0], min(t[-1], until), how.every_s)
    y = np.interp(at, t, lagged) + offset + rng.normal(0, how.noise, at.size)
    y = np.round(y / how.quantum) * how.quantum
    flags = np.zeros(at.size, dtype=np.uint32)
    no = rng.uniform(size=at.size) < how.lost
    for a, b in opens:
        no |= (at >= a) & (at < b)
    flags[no] = np.uint32(Flag.OPEN)
    y[no] = np.nan
    have = np.ones(at.size, dtype=bool)
    for a, b in how.gaps:
        have &= ~((at >= t[0] + a) & (at < t[0] + b))
    return Series(place, kind, at[have], y[have], np.where(no, np.nan, U_K)[have], flags[have])


def open_leads(rng: np.random.Generator, t: Array, share: float) -> list[tuple[float, float]]:
    """With probability ``share``, one to three spells of an open lead, a minute to an hour each."""
    if rng.uniform() >= share:
        return []
    begins = rng.uniform(t[0] + 3600, t[-1], int(rng.integers(1, 4)))
    return [(float(a), float(a + 60 * np.exp(rng.uniform(0, np.log(60))))) for a in begins]


def cook_record(name: str, places: Sequence[Series], acts: Sequence[tuple[float, str]], target_c: float) -> CookRecord:
    """A record as ``series.load`` hands it over; ``acts`` are (UTC s, kind of note) as far as they were noted."""
    notes = tuple(Note(i, 1, int(at * 1000), kind, "") for i, (at, kind) in enumerate(sorted(acts)))
    return CookRecord(Cook(1, name, int(T0 * 1000), None, target_c), tuple(places), notes, 0, 0)


def cut(record: CookRecord, until: float) -> CookRecord:
    """The record as far as it went, with an end that is known."""
    short = record.until(until)
    return replace(short, cook=replace(short.cook, ended_ms=int(until * 1000)))
