"""A dry run: an old cook, walked through forward, and what would have been sent when."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from pitscribe.cook.analysis import analyse
from pitscribe.cook.replay import moments
from pitscribe.ledger.values import Placement
from pitscribe.series import CookRecord
from pitscribe.watch import facts
from pitscribe.watch.around import Around, places_over
from pitscribe.watch.telling.conditions import Body, conditions_of
from pitscribe.watch.telling.decide import Seen, Told, decide
from pitscribe.watch.telling.teller import Rules
from pitscribe.watch.telling.words import back


class Sent(NamedTuple):
    """``at``: UTC s;  ``over``: it is the word that something is over."""

    at: float
    kind: str
    words: str
    over: bool


def dry_run(
    record: CookRecord, placements: Sequence[Placement], rules: Rules, every_s: float = 300.0
) -> Iterator[Sent]:
    """What would have been sent of a cook, looking every ``every_s`` [s], at least 60. Nothing is written down.

    Of loggers and host nothing is known any more: their alerts are not in it.
    """
    told: dict[str, Told] = {}
    seen = Seen()
    for at in moments(record, every_s):
        body = _body(record.until(at), at, placements)
        holds = conditions_of(body, at, told, spread_limit_k=rules.spread_limit_k)
        decided = decide(holds, tuple(told.values()), seen, at, kinds=rules.kinds)
        seen = decided.seen
        for key in decided.over:
            del told[key]
        for one in decided.tell:
            told[one.key] = Told(one.key, one.kind, one.words, one.once)
            yield Sent(at, one.kind, rules.reader.read(one.words), False)
        for past in decided.back:
            yield Sent(at, past.kind, rules.reader.read(back(past.words)), True)


def _body(record: CookRecord, at: float, placements: Sequence[Placement]) -> Body:
    """The body as it was at ``at``, while the cook went on."""
    over = places_over(placements, at)
    went_on = replace(record, cook=replace(record.cook, ended_ms=None))
    return facts.body(went_on, analyse(went_on, over=over), Around(at, over=over), 0)
