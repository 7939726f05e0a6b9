"""What the probes read of a cook: lag, error, noise, steps of 0.25 C, gaps, and probes that slip, die or are pulled."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from .cooks import Cook
from .meat import Array

START = datetime(2026, 6, 6, 22, 0, tzinfo=UTC)


def lagged(x: Array, tau: float, dt: float) -> Array:
    """First-order lag of `tau` seconds."""
    y, part = x.copy(), 1.0 - np.exp(-dt / max(tau, 1e-3))
    for i in range(1, len(x)):
        y[i] = y[i - 1] + part * (x[i] - y[i - 1])
    return y


def read(cook: Cook, rng: np.random.Generator) -> None:
    """Fills `times`, `columns` and `doubtful` of a cook."""
    minutes = np.arange(len(cook.pit)) * 60.0
    cook.times = times = np.arange(0.0, minutes[-1], cook.sampling)
    trouble, names = cook.family.startswith("probe trouble"), list(cook.true)
    victim = str(rng.choice(names))
    for name in names:
        if rng.random() < 0.12:  # in a fat seam, which follows late: that is the temperature of that place
            cook.true[name] = lagged(cook.true[name], rng.uniform(300, 1200), 60.0)
            cook.events.append((0.0, f"{name} in a seam"))
    for name, series in {"pit": cook.pit, **cook.true}.items():
        x = lagged(np.interp(times, minutes, series), rng.uniform(5, 30), cook.sampling)
        x = x + rng.normal(0, 0.35) + rng.normal(0, rng.uniform(0.03, 0.25), len(x))
        if trouble and name == victim:
            x = _spoilt(cook, name, x, np.interp(times, minutes, cook.pit), rng)
        cook.columns[name] = np.round(x / 0.25) * 0.25
    gaps = rng.integers(1, 4) if "gaps" in cook.family else int(rng.random() < 0.15)
    keep = np.ones(len(times), bool)
    for _ in range(int(gaps)):
        at = rng.uniform(0.1, 0.9) * times[-1]
        keep &= ~((times > at) & (times < at + rng.uniform(5, 100) * 60))
    cook.times = times[keep]
    for name, x in cook.columns.items():
        cook.columns[name] = (x * 1.8 + 32.0 if cook.unit == "F" else x)[keep]


def _spoilt(cook: Cook, name: str, x: Array, pit: Array, rng: np.random.Generator) -> Array:
    at = rng.uniform(0.25, 0.75) * cook.times[-1]
    what = str(rng.choice(["slips", "dies", "pulled", "pulled for good"]))
    after = cook.times >= at
    cook.events.append((at, f"{name} {what}"))
    cook.doubtful[name] = at
    if what == "dies":
        return np.where(after, np.nan, x)
    if what == "slips":
        return np.where(after, x + rng.uniform(0.15, 0.4) * (pit - x), x)
    if what == "pulled":
        after &= cook.times < at + rng.uniform(4, 15) * 60
        return lagged(np.where(after, pit, x), 20.0, cook.sampling)
    return lagged(np.where(after, 24.0, x), 40.0, cook.sampling)


def write(cook: Cook, folder: Path, until: float | None = None) -> Path:
    """The cook as CSV, to `until` seconds if given; the time as ISO 8601, or as epoch for one cook in three."""
    epoch = int(cook.name) % 3 == 0
    path = folder / f"{cook.name}{'' if until is None else '-cut'}.csv"
    lines = [",".join(["time", *cook.columns])]
    for i, t in enumerate(cook.times):
        if until is not None and t > until:
            break
        when = START + timedelta(seconds=float(t))
        cells = ["" if np.isnan(c[i]) else f"{c[i]:.2f}" for c in cook.columns.values()]
        lines.append(",".join([f"{when.timestamp():.0f}" if epoch else when.isoformat(), *cells]))
    path.write_text("\n".join(lines) + "\n")
    return path
