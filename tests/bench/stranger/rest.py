"""The scores of fire, safety and spread, and whether anything looked ahead."""

from datetime import datetime

import numpy as np

from . import truth
from .cooks import Cook
from .judge import Pairs, Said, second


def _sag(cook: Cook, now: float) -> float:
    """K that the pit's 10 min mean falls under the tenth percentile of its last 3 h, within an hour from `now`."""
    i = int(now // 60)
    edge = np.percentile(cook.pit[max(i - 190, 0) : max(i - 10, 1)], 10)
    return float(edge - np.min(truth.smooth(cook.pit, 11)[i : i + 60]))


def _told(said: Said) -> list[tuple[float, str]]:
    return sorted((second(e["noticed"]), str(e["kind"])) for e in said["fire"].get("events", [])
                  if e["kind"] in ("fading", "out"))


def _warned(cook: Cook, said: Said) -> tuple[float | None, float, str] | None:
    """Minutes of warning before the pit is cold, how many there could be, and the cook; None if it never got cold."""
    cold = truth.cold_pit(cook.pit, cook.out) if cook.out is not None else None
    if cold is None or cook.out is None or cold > _lit(cook) + 1800:
        return None
    first = next((t for t, _ in _told(said) if t >= cook.out - 300), None)
    return None if first is None else (cold - first) / 60, (cold - cook.out) / 60, f"{cook.name} {cook.family}"


def _lit(cook: Cook) -> float:
    return next((t for t, what in cook.events if what == "fire relit"), np.inf)


def fire(pairs: Pairs) -> list[str]:
    """Warnings before the pit is cold, and false ones."""
    false, right, meant, by_kind = [], 0, 0, dict.fromkeys(("offset", "pellet", "electric", "ceramic"), 0.0)
    kinds = dict.fromkeys(by_kind, 0)
    for cook, said in pairs:
        kind = next(k for k in by_kind if f"({k})" in cook.family)
        by_kind[kind] += len(cook.pit) / 60
        for t, what in _told(said):
            if cook.out is not None and cook.out - 300 <= t <= _lit(cook) + 3600:
                continue
            if any(name == "hold" and a <= t <= a + 5400 for a, name in cook.events):
                meant += 1
            elif _sag(cook, t) >= truth.F25:
                right += 1
            else:
                kinds[kind] += 1
                near = [name for a, name in cook.events if a - 60 <= t <= a + 2400]
                false.append(f"{cook.name} {cook.family}: {what} at {t / 3600:.1f} h, then {_sag(cook, t) * 1.8:.0f} F "
                             f"under, just before: {near}")
    leads = [w for cook, said in pairs if (w := _warned(cook, said)) is not None]
    fair = [x for x in leads if x[1] >= 20]
    early = [x for x in fair if x[0] is not None and x[0] >= 15]
    rates = ", ".join(f"{k} {24 * kinds[k] / h:.2f} ({h:.0f} h)" for k, h in by_kind.items() if h)
    return [
        f"FIRE out {len(leads)}; {len(fair)} left 20 min or more to 25 F under: warned 15 min before in {len(early)}",
        *[f"  {n}: cold {room:.0f} min after it went out; "
          f"{'no warning' if lead is None else f'warned {lead:.0f} min before'}" for lead, room, n in leads],
        f"  other warnings: {right} before the pit did sag 25 F, {meant} as it was set down for a hold, {len(false)} "
        f"false: {24 * len(false) / sum(by_kind.values()):.2f} per 24 h; {rates}",
        *[f"  false {f}" for f in false],
    ]


def _met(cook: Cook, said: Said, place: str) -> tuple[float | None, str]:
    """Minutes from the true 6.5 log to what was said (None: not said), and what is to be told of it."""
    row = next((s for s in said["safety"]["places"].get(place, []) if s["what"] == "lethality 6.5 log"), None)
    total = np.cumsum(truth.lethal_rate(cook.true[place]))
    there = np.flatnonzero(total >= 6.5)
    name = f"{cook.name} {cook.family}, {place}"
    if row and row["state"] == "met" and row["since"]:
        off = second(row["since"]) / 60 - (float(there[0]) if len(there) else np.inf)
        return off, f"early {name}: {off:.0f} min" if off < -1 else ""
    return None, f"not said {name}: {row and row['state']}: {row and row['why']}" if len(there) else ""


def _safety(pairs: Pairs) -> list[str]:
    zone, met, lines = [], [], []
    for cook, said in [p for p in pairs if not p[0].doubtful]:
        for place, series in cook.true.items():
            row = next((s for s in said["safety"]["places"].get(place, []) if s["what"] == "danger zone"), None)
            if row and row["value"] is not None:
                zone.append(row["value"] + (row["unknown_h"] or 0.0) - truth.hours_between(series, 4.44, 60.0))
            off, line = _met(cook, said, place)
            met += [] if off is None else [off]
            lines += [f"  {line}"] if line else []
    return [
        f"SAFETY danger zone, said (with unknown) less true: median {np.median(zone):+.2f} h, least {min(zone):+.2f}, "
        f"greatest {max(zone):+.2f} (n {len(zone)})",
        f"  6.5 log met, said less true: median {np.median(met):+.0f} min, least {min(met):+.0f}, greatest "
        f"{max(met):+.0f} (n {len(met)})",
        *lines,
    ]


def sums(pairs: Pairs) -> list[str]:
    """Hours in the danger zone, when lethality was met, and degree-hours of spread, against the true places."""
    spread = []
    for cook, said in [p for p in pairs if not p[0].doubtful]:
        places = np.array(list(cook.true.values()))
        over = float(np.sum(np.maximum(places.max(0) - places.min(0) - 10 / 1.8, 0.0))) / 60
        e = said["evenness"]
        if e.get("degree_hours_above") is not None:
            spread.append((e["degree_hours_above"] - over, over, e.get("degree_hours_u") or 0.0))
    d = np.array(spread)
    return [
        *_safety(pairs),
        f"SPREAD degree-hours over 10 F, said less true: median {np.median(d[:, 0]):+.1f} K h, 10 to 90 % "
        f"{np.percentile(d[:, 0], 10):+.1f} to {np.percentile(d[:, 0], 90):+.1f}, of {np.median(d[:, 1]):.1f} K h "
        f"(median); within 2 u in {np.mean(np.abs(d[:, 0]) <= 2 * d[:, 2]):.0%}",
    ]


def differs(whole: Said, part: Said, before: float) -> list[str]:
    """What two replays said differently until `before` (epoch seconds)."""
    wrong = []

    def until(rows: list[Said], key: str, fields: tuple[str, ...]) -> list[str]:
        near = [r for r in rows if r.get(key) and datetime.fromisoformat(r[key]).timestamp() <= before]
        return sorted(json_line(r, fields) for r in near)

    for name, key, fields in (("looks", "at", ("at", "coldest_c", "rate_k_h", "pit_c", "spread_k", "stalled")),
                              ("forecasts", "made", ("made", "place", "p10", "p50", "p90")),
                              ("stalls", "first_said", ("place", "begin", "noticed"))):
        a, b = until(whole[name], key, fields), until(part[name], key, fields)
        wrong += [f"{name}: {x}" for x in sorted(set(a) ^ set(b))]
    a, b = (until(x["fire"].get("events", []), "noticed", ("kind", "at", "noticed")) for x in (whole, part))
    return wrong + [f"fire: {x}" for x in sorted(set(a) ^ set(b))]


def json_line(row: Said, fields: tuple[str, ...]) -> str:
    """The given fields of a row as one line."""
    return str([row.get(f) for f in fields])
