"""What a new placement takes from others: a channel, a place or a probe has one owner at a time."""

from collections.abc import Iterator, Mapping

from pitscribe.commands.when import local
from pitscribe.ledger.ledger import Ledger
from pitscribe.ledger.values import Cook
from pitscribe.series.known import NOW
from pitscribe.series.spans import Span, key_of

Held = Mapping[int, Span]  # by the placement's number


def held(ledger: Ledger, cook: Cook | None = None) -> Held:
    """When each placement of ``cook``, and of all cooks that nobody has ended, counts."""
    cooks = [one for one in ledger.cooks() if one.ended_ms is None or (cook is not None and one.id == cook.id)]
    return {span.placement.id: span for one in cooks for span in key_of(ledger, one, NOW).spans}


def handed_over(ledger: Ledger, before: Held, after: Held) -> Iterator[str]:
    """A line for each placement that counts for less than it did, or, if it is new, than it was given for."""
    cooks = {cook.id: cook for cook in ledger.cooks()}
    for number, span in after.items():
        one, cook, heir = span.placement, cooks[span.placement.cook_id], _heir(span, after)
        was = before.get(number)
        if was is not None:
            lost = span.end_ms < was.end_ms and was.end_ms > was.first_ms
        else:
            lost = cook.ended_ms is None and one.until_ms is None and heir is not None
        if lost and (heir is None or _what(heir) != _what(span)):
            left = f"ends {local(span.end_ms / 1000)}" if span.end_ms > span.first_ms else "is taken back"
            yield f"{one.place} of {_called(cook, cooks)} on channel {one.channel} {left}: {_why(span, heir, cooks)}"


def _heir(span: Span, after: Held) -> Span | None:
    """Who has the channel when a placement ends; else the place in the same cook; else the probe."""
    one, at = span.placement, max(span.first_ms, span.end_ms)
    others = [s for s in after.values() if s.placement.id != one.id and s.first_ms <= at < s.end_ms]
    for same in (
        lambda x: (x.logger, x.channel) == (one.logger, one.channel),
        lambda x: (x.cook_id, x.place) == (one.cook_id, one.place),
        lambda x: x.probe == one.probe,
    ):
        if found := [s for s in others if same(s.placement)]:
            return found[-1]
    return None


def _what(span: Span) -> tuple[int, str, int, int, int]:
    """Which probe is where on what: of two placements that have the same, the one goes on with the other."""
    one = span.placement
    return one.cook_id, one.place, one.logger, one.channel, one.probe.id


def _called(cook: Cook, cooks: Mapping[int, Cook]) -> str:
    """A cook's name, with its number if others are called so too."""
    alone = [other.name for other in cooks.values()].count(cook.name) == 1
    return repr(cook.name) if alone else f"{cook.name!r} (cook {cook.id})"


def _why(span: Span, heir: Span | None, cooks: Mapping[int, Cook]) -> str:
    if heir is None:
        return "nothing is there from then on"
    one, other = span.placement, heir.placement
    there = (other.cook_id, other.place) == (one.cook_id, one.place)
    to = other.place if other.cook_id == one.cook_id else f"{other.place} of {_called(cooks[other.cook_id], cooks)}"
    if (other.logger, other.channel) == (one.logger, one.channel):
        return f"its probe is {other.probe.name!r} from then on" if there else f"its channel goes to {to}"
    if there:
        return f"it is on channel {other.channel} from then on"
    return f"its probe goes to {to}"
