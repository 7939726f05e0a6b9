"""What the cook itself asks of a person now: fire, safety, meat that is done, runs away or begins to stall. Pure.

The words hold no temperature (each reader has a unit); the figures are in the body's part that ``about`` names.
"""

from collections.abc import Iterator, Sequence

from pitscribe.cook.answers import Analysis
from pitscribe.cook.fire import Fire
from pitscribe.cook.forecast import COLDEST
from pitscribe.cook.hints import Hint
from pitscribe.cook.safety import Check, Safety
from pitscribe.cook.stall import Stall
from pitscribe.watch.snapshot import PlaceNow, Trouble

NEW_S = 1800.0  # a stall is news for so long: time enough to think of a wrap (our allowance, no source)
FIRE = {
    "fading": "The fire is fading. It wants fuel or air.",
    "out": "The fire is going out. It wants lighting, with fuel and air.",
}
DONE = (
    "Every meat place that can be read has reached the target. Feel with a probe whether it is tender, and take it off."
    " Mind the hot metal and the steam under a wrap."
)
LAST_READ = "That is by the last readings, which are old."


def by_urgency(troubles: Sequence[Trouble], analysis: Analysis, places: Sequence[PlaceNow]) -> list[Trouble]:
    """Everything that wants a person: fire, safety, what is wrong with the numbers, meat that is done, hint, stall.

    troubles : of the record, the gravest first
    places : those of a cook that goes on; none: it is over, and asks for nothing any more
    """
    if not places:
        return list(troubles)
    fresh = {p.place for p in places if p.fresh}
    pit_fresh = any(p.fresh for p in places if p.kind == "air")
    urgent = [*_fire(analysis.fire, pit_fresh), *_safety(analysis.safety)]
    return [*urgent, *troubles, *_done(analysis, fresh), *_hint(analysis.hint, fresh), *_stalls(analysis, fresh)]


def _fire(fire: Fire, fresh: bool) -> Iterator[Trouble]:
    if (warning := fire.warning) is not None:
        old = "" if fresh else f" {LAST_READ}"
        words = f"{FIRE[warning.kind]}{old} Mind {warning.caution}."
        yield Trouble(f"fire-{warning.kind}", "bad", words, warning.since, "fire")


def _safety(safety: Safety) -> Iterator[Trouble]:
    """One for each line that was passed, of the place where it stands worst."""
    for check in safety.coldest:
        if check.state == "exceeded":
            yield Trouble(f"safety-{check.what.replace(' ', '-')}", "bad", _passed(check), check.since, "safety")


def _passed(check: Check) -> str:
    return (
        f"Safety: {check.place} was longer than the published limit where bacteria grow ({check.what}; {check.source})."
        " Read what is known of it before anybody eats it. A logger alone does not make food safe."
    )


def _done(analysis: Analysis, fresh: set[str]) -> Iterator[Trouble]:
    coldest = analysis.coldest
    if coldest is None or coldest.to_target_k is None or coldest.to_target_k > 0 or coldest.place not in fresh:
        return
    if not any(place.carry_over.pulled for place in analysis.doneness.places):
        since = next((f.p50 for f in analysis.forecasts if f.place == COLDEST and f.reached), None)
        yield Trouble("done", "warn", DONE, since, "forecasts")


def _hint(hint: Hint | None, fresh: set[str]) -> Iterator[Trouble]:
    if hint is None or hint.place not in fresh:
        return
    what = f"check its probe: {hint.doubt}" if hint.doubt else f"it runs away: {', or '.join(hint.advice)}"
    yield Trouble(f"hint-{hint.place}", "warn", f"{hint.place}: {what}. {hint.caution}", hint.said, "hint")


def _stalls(analysis: Analysis, fresh: set[str]) -> Iterator[Trouble]:
    for stall in analysis.stalls:
        if _is_new(stall, analysis.at) and stall.place in fresh:
            words = f"{stall.place} has begun to stall. Wrap it, or leave it bare and wait."
            yield Trouble(f"stall-{stall.place}", "note", words, stall.begin, "stalls")


def _is_new(stall: Stall, at: float | None) -> bool:
    return stall.end is None and at is not None and at - stall.noticed <= NEW_S
