"""Was it heated enough, and fast enough: come-up, lethality and the temperature inside, at one place."""

import numpy as np

from pitscribe.cook import safety_tables as tables
from pitscribe.cook.grid import CELL_S, FloatArray
from pitscribe.cook.safety_finding import EDGE, Finding, because, first
from pitscribe.cook.safety_seen import BoolArray, Seen
from pitscribe.cook.safety_words import cold, earned, heat, reading, spent


def come_up(seen: Seen) -> Finding:
    """Hours between 50 and 130 degF on the way up, to the first minute that is surely at 130."""
    cold_c, hot_c = tables.COME_UP_C
    arrived = first(seen.low >= hot_c - EDGE)
    way = np.arange(seen.n) < (seen.n if arrived is None else arrived)
    hours = seen.total(way & seen.known & (seen.high > cold_c))
    unknown = seen.total(way & ~seen.known)
    began_cold = bool((way & seen.known & (seen.high <= cold_c)).any())
    limit = tables.COME_UP_H
    words = f"{spent(hours)} known between {cold(cold_c)} and {heat(hot_c)}, {spent(unknown)} unknown"
    if hours > limit + EDGE:
        return Finding("exceeded", hours, limit, "h", words, unknown)
    if not began_cold:
        why = (f"{words}; the record has no minute surely at {cold(cold_c)} or below, so how long it took before is "
               "not known")
        return Finding("unknown", hours, limit, "h", why, unknown)
    if hours + unknown > limit + EDGE or (arrived is None and seen.why_not):
        return Finding("unknown", hours, limit, "h", f"{words}{because(seen)}", unknown)
    if arrived is None:
        return Finding("not yet", hours, limit, "h", f"{words}; still on its way", unknown)
    return Finding("met", hours, limit, "h", words, unknown, float(seen.ends[arrived]))


def lethal_share(seen: Seen, log: float) -> FloatArray:
    """Share of the required time that each minute has brought at this spot so far: float64 (n,).

    It begins anew where the probe was moved: what another spot had is not known here.
    """
    credit = CELL_S / tables.required_s(seen.low, log)
    # A lone silent minute is known when the next one is.
    filled = np.flatnonzero(seen.filled)
    credit[filled + 1] += credit[filled]
    credit[filled] = 0.0
    total = np.cumsum(credit)
    moved = np.diff(seen.part, prepend=seen.part[:1]) > 0
    before = np.where(moved, total - credit, 0.0)
    return np.asarray(total - np.maximum.accumulate(before)) if seen.n else total


def lethality(seen: Seen, log: float, *, off: float | None) -> Finding:
    """The integral of dt over the time required at the temperature: 1 is enough. ``off`` : off the heat at [UTC s]."""
    share = lethal_share(seen, log)
    done = first(share >= 1 - EDGE)
    unknown = seen.total(~seen.known)
    if done is not None:
        why = "the known minutes alone make the required time, each by the row at or below its temperature"
        return Finding("met", float(share.max()), 1.0, "share", why, unknown, float(seen.ends[done]))
    value = float(share[-1]) if seen.n else None
    if seen.why_not:
        return Finding("unknown", value, 1.0, "share", seen.why_not, unknown)
    words = f"{earned(value or 0.0)} of the required time, {spent(unknown)} unknown and not counted"
    cools = off is not None and seen.ends[seen.now] > off and bool(seen.high[seen.now] < tables.LEAST_C)
    state = "not met" if cools else "not yet"
    return Finding(state, value, 1.0, "share", f"{words}{'; it is off the heat and cools' if cools else ''}", unknown)


def inside_c(seen: Seen, line_c: float, rest_min: int) -> Finding:
    """The temperature that consumers are told, reached and kept for ``rest_min`` minutes (0: one minute will do)."""
    done = first(_kept(seen, line_c, max(rest_min, 1)))
    warmest = float(np.nanmax(seen.low)) if seen.known.any() else None
    rest = f" for {rest_min} min" if rest_min else ""
    if done is not None:
        why = f"surely {heat(line_c)}{rest}"
        return Finding("met", warmest, line_c, "degC", why, None, float(seen.ends[done]))
    if seen.why_not:
        return Finding("unknown", warmest, line_c, "degC", seen.why_not)
    words = f"never known to be surely at {heat(line_c)}{rest} so far"
    if warmest is not None:
        words += f", at the most surely {reading(warmest)}"
    return Finding("not yet", warmest, line_c, "degC", words)


def _kept(seen: Seen, line_c: float, minutes: int) -> BoolArray:
    """Where the last ``minutes`` minutes were all surely at the line, at one spot."""
    hot = seen.low >= line_c - EDGE
    count, run, part = np.zeros(seen.n, dtype=np.int64), 0, -1
    for k, (h, p) in enumerate(zip(hot.tolist(), seen.part.tolist(), strict=True)):
        run = (run if p == part else 0) + 1 if h else 0
        count[k], part = run, p
    return np.asarray(count >= minutes)
