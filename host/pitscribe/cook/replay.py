"""An old cook, walked through forward: what would have been said when."""

from math import ceil
from typing import Any

from pitscribe.cook.analysis import analyse, check_target
from pitscribe.cook.answers import Analysis, stall_json
from pitscribe.cook.grid import CELL_S, GAP_S, silences
from pitscribe.cook.plain import iso, number
from pitscribe.errors import ReadingError
from pitscribe.series import CookRecord

LEAST_EVERY_S = 60.0  # a minute is the grain of the analysis


def moments(record: CookRecord, every_s: float) -> list[float]:
    """The times at which a replay looks: every ``every_s`` from the first sample, and at the newest (UTC s)."""
    held = [s for s in record.places if s.t.size]
    if not held:
        return []
    first = min(float(s.t[0]) for s in held)
    last = max(float(s.t[-1]) for s in held)
    # Across a long silence there is nothing to look at: from a day after a sample to the next one nothing changes.
    edges = [(first + CELL_S * a + GAP_S, first + CELL_S * b) for a, b in silences(held, first)]
    begins, ends = [first, *(b for _, b in edges)], [*(a for a, _ in edges), last]
    times = []
    for begin, end in zip(begins, ends, strict=True):
        from_step = max(1, ceil((begin - first) / every_s))
        times += [first + every_s * i for i in range(from_step, int((end - first) // every_s) + 1)]
    return times if times and times[-1] == last else [*times, last]


def replay(record: CookRecord, every_s: float = 900.0, *, target_c: float | None = None) -> dict[str, Any]:
    """As ``walk``, without the last analysis."""
    return walk(record, every_s, target_c=target_c)[0]


def walk(
    record: CookRecord, every_s: float = 900.0, *, target_c: float | None = None
) -> tuple[dict[str, Any], Analysis]:
    """Walk through a cook and tell, as plain values, what was said of it; beside it the analysis of the whole.

    every_s : how often to look [s], at least 60.
    Returns ``cook``, ``from``, ``to``, ``every_s``; ``looks``: the answers at each look; ``stalls``: each as last
    known, with ``first_said``, the look at which it was first said (``noticed`` is to the minute); ``forecasts``: of
    each look, for each meat place and the coldest (none without a target); ``evenness``: the spread at each look in
    ``history``, and the last word on it; ``slowdowns``, ``phases``, ``interventions``, ``fire``, ``safety``,
    ``doneness``: the last word;
    ``flags``: samples by place and flag; ``cannot_say``: what was not said, from when to when.
    Raises ReadingError if ``every_s`` or ``target_c`` make no sense.
    """
    check_target(target_c)
    if not LEAST_EVERY_S <= every_s < float("inf"):
        raise ReadingError(f"every {every_s:g} s: give {LEAST_EVERY_S:.0f} s or more")
    times = moments(record, every_s)
    stalls: dict[tuple[str, float], dict[str, Any]] = {}
    history: list[dict[str, Any]] = []
    looks: list[dict[str, Any]] = []
    unsaid: dict[tuple[str, str], dict[str, Any]] = {}
    forecasts: list[dict[str, Any]] = []
    last = analyse(record, target_c=target_c, ahead=True)
    for t in times:
        said = last if t == times[-1] else analyse(record.until(t), target_c=target_c, ahead=True)
        _note_stalls(stalls, said, t)
        looks.append(_look(said, t))
        if said.evenness.now is not None:
            history.append(said.evenness.now.as_json())
        forecasts += [f.as_json() for f in said.forecasts]
        for c in said.cannot_say:
            unsaid.setdefault((c.what, c.why), c.as_json() | {"from": iso(t)})["to"] = iso(t)
    told = {
        "cook": record.cook.name,
        "from": iso(times[0] - every_s) if len(times) > 1 else iso(last.at),
        "to": iso(last.at),
        "every_s": every_s,
        "looks": looks,
        "stalls": sorted(stalls.values(), key=lambda s: (s["begin"], s["place"])),
        "slowdowns": [s.as_json() for s in last.slowdowns],
        "forecasts": forecasts,
        "evenness": last.evenness.as_json() | {"history": history},
        "phases": [p.as_json() for p in last.phases],
        "interventions": [i.as_json() for i in last.interventions],
        "fire": last.fire.as_json(),
        "safety": last.safety.as_json(),
        "doneness": last.doneness.as_json(),
        "flags": {place: dict(counts) for place, counts in last.flag_counts.items()},
        "cannot_say": list(unsaid.values()),
    }
    return told, last


def _look(said: Analysis, t: float) -> dict[str, Any]:
    """The answers at one look: coldest meat place and its rate, pit, spread, which places stall; null: not known.

    ``as_of``: the newest sample then, which they are of.
    """
    coldest, spread, pit = said.coldest, said.evenness.now, said.pit
    return {
        "at": iso(t),
        "as_of": iso(said.at),
        "coldest": None if coldest is None else coldest.place,
        "coldest_c": None if coldest is None else number(coldest.celsius),
        "rate_k_h": None if coldest is None else number(coldest.rate_k_h),
        "pit_c": None if pit is None else number(pit.level_c),
        "spread_k": None if spread is None else number(spread.spread_k),
        "stalled": sorted({stall.place for stall in said.stalls if stall.end is None}),
    }


def _note_stalls(stalls: dict[tuple[str, float], dict[str, Any]], said: Analysis, t: float) -> None:
    for stall in said.stalls:
        key = (stall.place, stall.noticed)
        first = stalls[key]["first_said"] if key in stalls else iso(t)
        stalls[key] = stall_json(stall) | {"first_said": first}
