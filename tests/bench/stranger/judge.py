"""The scores of stalls and forecasts."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from . import truth
from .cooks import Cook
from .meat import Array
from .probes import START

Said = dict[str, Any]
Pairs = list[tuple[Cook, Said]]
PARTS = (0.25, 0.5, 0.75, 0.9)
NEAR = 45 * 60.0
WITHIN = ", within a true one"


def when(seconds: float) -> float:
    """Epoch seconds of a second of a cook."""
    return START.timestamp() + seconds


def second(text: str | None, never: float = np.inf) -> float:
    """Second of a cook of a time that was said; `never` without one."""
    return never if text is None else datetime.fromisoformat(text).timestamp() - START.timestamp()


@dataclass
class Stalls:
    """What is counted of the stalls."""

    missed: list[str] = field(default_factory=list)
    false: list[str] = field(default_factory=list)
    delays: list[float] = field(default_factory=list)
    begins: list[float] = field(default_factory=list)
    ends: list[float] = field(default_factory=list)
    opened: int = 0
    hours: float = 0.0
    place_hours: float = 0.0


def _place_stalls(n: Stalls, cook: Cook, said: Said, place: str) -> None:
    series, limit = cook.true[place], cook.doubtful.get(place, np.inf)
    sure, loose = truth.stalls(series, cook.pit, cook.goal, cook.taken[place], cook.hold, cook.target)
    told = [(second(s["begin"]), second(s["end"]), second(s["noticed"]), s)
            for s in said["stalls"] if s["place"] == place and second(s["begin"]) < limit]
    free, name = list(told), f"{cook.name} {cook.family}, {place}"
    for a, b in sure:
        near = [s for s in free if s[0] <= b and a <= s[1] and abs(s[0] - a) <= NEAR]
        if near:
            free.remove(near[0])
            n.delays.append((near[0][2] - a) / 60)
            n.begins.append((near[0][0] - a) / 60)
            n.ends += [(near[0][1] - b) / 60] if near[0][1] < np.inf else []
        elif a < limit:
            over = [round(s[0] / 3600, 1) for s in told if s[0] <= b and a <= s[1]]
            n.missed.append(f"{name}: {a / 3600:.1f} to {b / 3600:.1f} h, {series[int(a / 60)]:.0f} to "
                            f"{series[int(b / 60)]:.0f} degC; said {over or 'nothing'}")
    for s in free:
        if any(s[0] <= b + NEAR and a - NEAR <= s[1] for a, b in loose):
            n.opened += 1
            continue
        inside = any(s[0] <= b and a <= s[1] for a, b in sure)
        n.false.append(f"{name}: {s[0] / 3600:.1f} to {s[1] / 3600:.1f} h, {s[3]['plateau_c']:.1f} degC, "
                       f"p {s[3]['probability']:.2f}{WITHIN if inside else ''}")


def stalls(pairs: Pairs) -> list[str]:
    """Recall, precision, delay and false alarms, and each miss and false alarm."""
    n = Stalls()
    for cook, said in pairs:
        n.hours += len(cook.pit) / 60
        n.place_hours += len(cook.true) * len(cook.pit) / 60
        for place in cook.true:
            _place_stalls(n, cook, said, place)
    hit, alien = len(n.delays), [f for f in n.false if WITHIN not in f]
    recall, precision = hit / max(hit + len(n.missed), 1), hit / max(hit + len(n.false), 1)
    return [
        f"STALLS true {hit + len(n.missed)}, found {hit}, recall {recall:.3f}, precision {precision:.3f} "
        f"({hit / max(hit + len(alien), 1):.3f} without those within a true one), {n.opened} within open ones",
        f"  false {len(n.false)}: {100 * len(n.false) / n.hours:.1f} per 100 h of cook, "
        f"{100 * len(n.false) / n.place_hours:.2f} per 100 h of place; of them {len(alien)} where no stall was",
        f"  noticed after {np.median(n.delays):.0f} min (median), {np.percentile(n.delays, 90):.0f} (90 %); begin off "
        f"by {np.median(n.begins):+.0f} ({np.percentile(n.begins, 10):+.0f} to {np.percentile(n.begins, 90):+.0f}); "
        f"end off by {np.median(n.ends) if n.ends else np.nan:+.0f} min",
        *[f"  missed {m}" for m in n.missed],
        *[f"  false {f}" for f in n.false],
    ]


def _readings(cook: Cook, place: str, now: float, span: float) -> tuple[Array, ...]:
    near = (cook.times <= now) & (cook.times > now - span)
    zero, degree = (32.0, 1.8) if cook.unit == "F" else (0.0, 1.0)
    return cook.times[near], *((cook.columns[name][near] - zero) / degree for name in (place, "pit"))


def _linear(cook: Cook, place: str, now: float) -> float | None:
    t, x, _ = _readings(cook, place, now, 1800.0)
    if len(t) < 5 or np.isnan(x).any():
        return None
    slope, level = np.polyfit(t - now, x, 1)
    return now + float(np.clip((cook.target - level) / slope, 0.0, 172800.0)) if slope > 1e-6 else now + 172800.0


def _newton(cook: Cook, place: str, now: float) -> float | None:
    t, x, p = _readings(cook, place, now, 3600.0)
    if len(t) < 5 or np.isnan(x).any():
        return None
    slope, level = np.polyfit(t - now, x, 1)
    pit = float(np.mean(p))
    if slope <= 1e-6 or pit <= max(cook.target, level) + 1.0:
        return now + 172800.0
    left = (pit - level) / slope * np.log((pit - level) / (pit - cook.target))
    return now + float(np.clip(left, 0.0, 172800.0))


def _crps(q: list[float], true: float) -> float:
    """Twice the mean pinball loss of the 10, 50 and 90 % points, which is CRPS by three points."""
    return float(2 * np.mean([(true - x) * p if true >= x else (x - true) * (1 - p)
                              for x, p in zip(q, (0.1, 0.5, 0.9), strict=True)]))


def _asked(pairs: Pairs) -> list[tuple[Cook, Said, str, float]]:
    found = []
    for cook, said in pairs:
        for place, series in cook.true.items():
            reach = truth.crossing(series, cook.target)
            if reach is not None and reach < cook.doubtful.get(place, 1e12):
                found.append((cook, said, place, reach))
    return found


def _row(cook: Cook, said: Said, place: str, reach: float, others: list[float], now: float) -> list[float] | str:
    """What was said at `now` against the truth, and three simple forecasts, in s; or why nothing was said."""
    made = [f for f in said["forecasts"] if f["place"] == place and second(f["made"]) <= now]
    if not made or made[-1]["p50"] is None:
        return str(made[-1]["why_not"]) if made else "no forecast yet"
    f = made[-1]
    far = second(f["made"]) + 172800.0
    q = [second(f[p], far) for p in ("p10", "p50", "p90")]
    climate = [now + float(np.percentile([max(r - now, 0.0) for r in others], p)) for p in (10, 50, 90)]
    simple = [rule(cook, place, now) for rule in (_linear, _newton)]
    return [abs(q[1] - reach), _crps(q, reach), q[2] - q[0], q[1] - reach,
            *(np.nan if g is None else abs(g - reach) for g in simple), _crps(climate, reach),
            60.0 * (q[0] <= reach <= q[2]), 60.0 * (reach < q[0]), *q]


def forecasts(pairs: Pairs) -> list[str]:
    """Error, CRPS, coverage and width by part of the true time, beside three simple forecasts; the worst."""
    asked, lines = _asked(pairs), ["FORECASTS (min)"]
    worst: list[tuple[float, str]] = []
    for part in PARTS:
        rows, silent = [], []
        for cook, said, place, reach in asked:
            others = [r for c, _, _, r in asked if c.name != cook.name and r > part * reach] or [reach]
            row = _row(cook, said, place, reach, others, part * reach)
            if isinstance(row, str):
                silent.append(row)
                continue
            rows.append(row)
            hours = " / ".join(f"{x / 3600:.1f}" for x in row[9:])
            if part >= 0.5:
                worst.append((row[1] / reach, f"{cook.name} {cook.family}, {place} at {part:.0%}: true "
                              f"{reach / 3600:.1f} h, said {hours}"))
        m = np.array(rows) / 60.0
        lines.append(
            f"  {part:.0%}: n {len(m)}, silent {len(silent)}; MAE {m[:, 0].mean():.0f} (median "
            f"{np.median(m[:, 0]):.0f}), bias {np.median(m[:, 3]):+.0f}, CRPS {m[:, 1].mean():.0f}, coverage "
            f"{m[:, 7].mean():.0%} (before p10: {m[:, 8].mean():.0%}), width {np.median(m[:, 2]):.0f}; "
            f"linear {np.nanmean(m[:, 4]):.0f}, Newton {np.nanmean(m[:, 5]):.0f}, other cooks {m[:, 6].mean():.0f}"
        )
        lines += [f"     silent {silent.count(w)}: {w}" for w in sorted(set(silent))]
    return lines + [f"  worst {w}" for _, w in sorted(worst, reverse=True)[:15]]
