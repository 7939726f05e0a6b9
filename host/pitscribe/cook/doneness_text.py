"""Doneness in plain words, for the command line."""

from collections.abc import Callable, Iterator

from pitscribe.cook.doneness import Doneness, Hold, PlaceDoneness
from pitscribe.cook.doneness_carry import CarryOver
from pitscribe.cook.plain import degrees, difference, iso, span

When = Callable[[float], str | None]  # UTC s -> how a time is written


def doneness_lines(doneness: Doneness, unit: str, when: When = iso) -> list[str]:
    """Of each place that was hot for any time: how long, what it still rises, its hold; and what that is worth.

    unit : "F" or "C";  when : how a time [UTC s] is written
    """
    lines = [line for place in doneness.places if _was_hot(place) for line in _place(place, doneness, unit, when)]
    return [*lines, f"doneness: {doneness.caution}"] if lines else []


def _was_hot(place: PlaceDoneness) -> bool:
    return any(minutes > 0 for _, minutes in place.minutes_above)


def _place(place: PlaceDoneness, doneness: Doneness, unit: str, when: When) -> Iterator[str]:
    hot = [f"{degrees(level, unit)} {span(60 * minutes)}" for level, minutes in place.minutes_above if minutes > 0]
    unknown = f", {span(60 * place.unknown_min)} not known" if place.unknown_min else ""
    at = degrees(doneness.reference_c, unit)
    middle, low, high = (span(3600 * h) for h in (place.index_h, place.index_low_h, place.index_high_h))
    index = f"that does as much as {middle} at {at} would ({low} to {high})"
    yield f"{place.place} was at or above {', '.join(hot)}{unknown}; {index}"
    if (line := _carry(place.carry_over, unit, when)) is not None:
        yield f"{place.place} {line}"
    if (line := _hold(place.hold, unit, when)) is not None:
        yield f"{place.place} {line}"


def _carry(carry: CarryOver, unit: str, when: When) -> str | None:
    if carry.likely_k is None or carry.low_k is None or carry.high_k is None:
        return None
    low, likely, high = (difference(k, unit) for k in (carry.low_k, carry.likely_k, carry.high_k))
    rise = f"{likely} ({low} to {high})"
    if not carry.pulled:
        return f"would still rise {rise} if it came off the heat now"
    since = "" if carry.since is None else f" since {when(carry.since)}"
    seen = "" if carry.seen_k is None else f"; seen so far {difference(carry.seen_k, unit)}"
    return f"is off the heat{since} and was to rise {rise}{seen}"


def _hold(hold: Hold, unit: str, when: When) -> str | None:
    if hold.since is None or hold.held_h is None:
        return None
    hot = f"{degrees(hold.line_c, unit)} or more"
    held = f"has been held for {span(3600 * hold.held_h)} at {hot} since {when(hold.since)}"
    if hold.leaves_low_h is None:
        return f"{held}; how much longer it can be is not known ({hold.why_not})"
    if hold.leaves_low_h == 0:
        return f"{held}, and is surely at that no more"
    late = " at the earliest" if hold.leaves_high_h is None else f" to {span(3600 * hold.leaves_high_h)}"
    return f"{held}; it leaves that in {span(3600 * hold.leaves_low_h)}{late}, in a warm room"
