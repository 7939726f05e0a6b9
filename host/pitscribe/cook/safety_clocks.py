"""How long was it where bacteria grow: danger zone, before the pit is hot, hot holding and cooling, at one place."""

import numpy as np

from pitscribe.cook import safety_tables as tables
from pitscribe.cook.grid import FloatArray
from pitscribe.cook.safety_finding import EDGE, Finding, because, first
from pitscribe.cook.safety_seen import BoolArray, Seen
from pitscribe.cook.safety_words import cold, heat, reading, spent

NO_LIMIT = ("no limit is published for the inside of an intact cut, so this says neither safe nor unsafe; injected, "
            "pierced, rolled or ground meat is held to 4 h (common practice, no source)")


def in_zone(seen: Seen) -> BoolArray:
    """The minutes between 40 and 140 degF: every known one that is not surely outside; bool (n,)."""
    cold_c, hot_c = tables.ZONE_C
    return seen.known & (seen.high > cold_c) & (seen.low < hot_c)


def zone(seen: Seen, limit_h: float | None) -> Finding:
    """Hours between 40 and 140 degF so far: every minute that is not surely outside."""
    cold_c, hot_c = tables.ZONE_C
    inside = in_zone(seen)
    hours, unknown = seen.total(inside), seen.total(~seen.known)
    now_in = seen.now >= 0 and bool(inside[seen.now])
    of = "" if limit_h is None else f" of the {limit_h:g} h that are the limit"
    words = f"{spent(hours)} known between {cold(cold_c)} and {heat(hot_c)}{of}, {spent(unknown)} unknown"
    if limit_h is not None and hours > limit_h + EDGE:
        return Finding("exceeded", hours, limit_h, "h", words, unknown)
    if seen.why_not or unknown > (0.0 if limit_h is None else limit_h - hours + EDGE):
        return Finding("unknown", hours, limit_h, "h", f"{words}{because(seen)}", unknown)
    words += f"; {'still in it' if now_in else 'now out of it'}"
    if limit_h is None:
        return Finding("not judged", hours, None, "h", f"{words}; {NO_LIMIT}", unknown)
    return Finding("not yet" if now_in else "met", hours, limit_h, "h", words, unknown)


def counter(seen: Seen, air_low: FloatArray | None, air_high: FloatArray | None) -> Finding:
    """Hours in which the meat stood before the pit was hot; a minute in air above 90 degF, or unknown air, is two.

    air_low, air_high : the pit less and plus its uncertainty, float64 (n,) or longer; None: no air place
    """
    limit = tables.COUNTER_H
    if air_low is None or air_high is None:
        return Finding("unknown", None, limit, "h", "no air place: when the pit was hot is not known")
    low, high = air_low[: seen.n], air_high[: seen.n]
    lit = first(low >= tables.LIT_C)
    waits = np.arange(seen.n) < (seen.n if lit is None else lit)
    chilled = seen.known & (seen.high <= tables.ZONE_C[0])
    out = waits & seen.known & ~chilled
    twice = out & ~(high <= tables.COUNTER_HOT_C)
    hours, unknown = seen.total(out) + seen.total(twice), seen.total(waits & ~seen.known)
    words = f"{spent(seen.total(out))} known before the pit was hot, {spent(unknown)} unknown"
    if seen.total(twice):
        words += f"; {spent(seen.total(twice))} in air that may be above {cold(tables.COUNTER_HOT_C)} counts twice"
    surely = seen.total(out) + seen.total(out & (low > tables.COUNTER_HOT_C))
    if surely > limit + EDGE:
        return Finding("exceeded", hours, limit, "h", words, unknown)
    began_cold = bool((waits & chilled).any())
    if not began_cold:
        why = (f"{words}; the record does not begin with meat that is surely at {cold(tables.ZONE_C[0])}: what came "
               "before is not known")
        return Finding("unknown", hours, limit, "h", why, unknown)
    if hours + 2 * unknown > limit + EDGE or (lit is None and seen.why_not):
        return Finding("unknown", hours, limit, "h", f"{words}{because(seen)}", unknown)
    return Finding("met" if lit is not None else "not yet", hours, limit, "h", words, unknown)


def hot_holding(seen: Seen, line_c: float, cooked: int | None) -> Finding:
    """Kept hot since it was cooked, or since it was last at the temperature of reheating. ``cooked`` : its minute."""
    if cooked is None:
        return Finding("not yet", None, line_c, "degC", "not known to be cooked so far")
    hot = seen.low >= line_c - EDGE
    minute = np.arange(seen.n)
    last_full = np.flatnonzero((seen.low >= tables.REHEAT_C) & (minute >= cooked))
    after = np.flatnonzero(hot & (minute >= cooked))
    if not after.size:
        state, why = ("unknown", seen.why_not) if seen.why_not else ("not yet", "not hot since it was cooked")
        return Finding(state, None, line_c, "degC", why)
    basis = int(last_full[-1]) if last_full.size else int(after[0])
    below = np.flatnonzero(seen.known[basis:] & ~hot[basis:])
    lowest = float(np.nanmin(seen.low[basis:]))
    # Where it was never reheated, it may have been cooked before, and have cooled, while nobody saw it.
    unknown = seen.total(~seen.known & (minute >= (basis if last_full.size else 0)))
    since = float(seen.ends[basis])
    if below.size:
        at = float(seen.ends[basis + int(below[0])])
        why = (f"not surely {heat(line_c)} any more, at the lowest surely {reading(lowest)}; reheat it to "
               f"{heat(tables.REHEAT_C)} within 2 h, or cool it")
        return Finding("not met", lowest, line_c, "degC", why, unknown, at)
    if unknown > 0 or seen.why_not:
        why = f"never seen below {heat(line_c)}, but {spent(unknown)} of it are unknown{because(seen)}"
        return Finding("unknown", lowest, line_c, "degC", why, unknown, since)
    run = minute[cooked:][~hot[cooked:]]
    begin = int(run[-1]) + 1 if run.size else int(after[0])
    return Finding("met", lowest, line_c, "degC", f"surely {heat(line_c)} or more", unknown, float(seen.ends[begin]))


def cooling(seen: Seen, line_c: float, limit_h: float, cooked: int | None) -> Finding:
    """Hours from the last minute that was surely at 135 degF to the first that is surely at ``line_c``."""
    hot = np.flatnonzero(seen.low >= tables.HOT_C - EDGE)
    if cooked is None or not hot.size or hot[-1] < cooked:
        return Finding("not yet", None, limit_h, "h", "not known to be cooked so far")
    start = int(hot[-1])
    if start == seen.now:
        return Finding("not yet", None, limit_h, "h", "it is hot: nothing cools")
    since = float(seen.ends[start])
    same = seen.known & (np.arange(seen.n) > start) & (seen.part == seen.part[start])
    chilled = first(same & (seen.high <= line_c))
    last = np.flatnonzero(same)
    to = chilled if chilled is not None else int(last[-1]) if last.size else start
    hours = (float(seen.ends[to]) - since) / 3600
    if hours > limit_h + EDGE:
        why = f"over {limit_h:g} h after it left {heat(tables.HOT_C)}"
        return Finding("exceeded", hours, limit_h, "h", why, None, since)
    if chilled is not None:
        return Finding("met", hours, limit_h, "h", f"surely at {cold(line_c)} after {spent(hours)}", None, since)
    moved = bool((seen.part > seen.part[start]).any())
    if moved or seen.why_not:
        why = "the reading jumped: its probe was moved or pulled out" if moved else seen.why_not or ""
        return Finding("unknown", hours, limit_h, "h", why, None, since)
    return Finding("not yet", hours, limit_h, "h", f"{spent(hours)} since it left {heat(tables.HOT_C)}", None, since)
