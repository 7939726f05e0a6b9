"""What was said of a demo's cook: its fire, its finish as it was foretold halfway, its safety."""

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.analysis import forecasts_ahead
from pitscribe.cook.fire import Fire
from pitscribe.cook.forecast import COLDEST, Forecast
from pitscribe.cook.plain import degrees, span
from pitscribe.cook.safety import Safety
from pitscribe.cook.safety_finding import STATES
from pitscribe.series import CookRecord

FloatArray = NDArray[np.float64]
WARNS = ("fading", "out", "back")


def fire_lines(fire: Fire, start: float, unit: str) -> Iterator[str]:
    """How the fire was held while it was wanted, what fed it, and what was warned of. start : of the cook, UTC s"""
    if fire.band is None or not fire.known_s:
        yield f"fire             {fire.state}: {fire.why_not or 'it was never in a band'}"
        return
    band = f"{degrees(fire.band.low_c, unit)} to {degrees(fire.band.high_c, unit)}"
    shares = (fire.below_s, fire.in_band_s, fire.above_s)
    below, inside, above = (f"{part / fire.known_s:.0%}" for part in shares)
    fed = sum(event.kind == "fuel" for event in fire.events)
    held = f"{inside} of {span(fire.known_s)} in it, {below} under, {above} over"
    yield f"fire             {band}: {held}; fuel seen {fed} times"
    for event in fire.events:
        if event.kind in WARNS:
            yield f"                 {event.kind} said at {span(event.noticed - start)}"


def finish_lines(record: CookRecord, true: Mapping[str, FloatArray], t: FloatArray, unit: str) -> Iterator[str]:
    """When each place would be done, as it was foretold halfway, and when it was.

    true : of each meat place [degC], at ``t`` [UTC s]
    """
    target, start = record.cook.target_c, record.cook.started_ms / 1000
    newest = max((float(s.t[-1]) for s in record.places if s.t.size), default=None)
    if target is None or newest is None:
        return
    halfway = start + (newest - start) / 2
    head = f"foretold at {span(halfway - start)} (four times in five)"
    yield f"{'done at ' + degrees(target, unit):17}{head:>40} {'so it was':>16}"
    when = {place: _reached(t, celsius, target) for place, celsius in true.items()}
    times = list(when.values())
    when[COLDEST] = None if None in times else max((x for x in times if x is not None), default=None)
    for f in forecasts_ahead(record.until(halfway)):
        was = when[f.place]
        yield f"{f.place:17}{_range(f, start):>40} {'not in this run' if was is None else span(was - start):>16}"


def _reached(t: FloatArray, celsius: FloatArray, target: float) -> float | None:
    at = np.flatnonzero(celsius >= target)
    return float(t[at[0]]) if at.size else None


def _range(f: Forecast, start: float) -> str:
    if f.p50 is None:
        return f"not known ({f.why_not})"
    low, middle, high = (None if x is None else span(x - start) for x in (f.told(f.p10), f.told(f.p50), f.told(f.p90)))
    return f"{middle}" if f.reached else f"{middle} ({low} to {high or 'over two days'})"


def safety_lines(safety: Safety) -> Iterator[str]:
    """The checks by how they stand, the gravest first; those of which nothing has begun are left out."""
    if safety.why_not:
        yield f"safety           cannot be checked: {safety.why_not}"
    begun = [check for check in safety.coldest if check.state != "not yet" or check.value]
    ordered = sorted(begun, key=lambda check: STATES.index(check.state))
    for stands in dict.fromkeys(check.stands for check in ordered):
        yield f"safety           {stands}: {'; '.join(check.what for check in ordered if check.stands == stands)}"
