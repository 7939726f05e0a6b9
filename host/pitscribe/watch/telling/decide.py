"""Which of what holds is to be told now. Pure: what was told before is handed in, and handed out.

Each condition is told once: when it has held for as long as its kind asks, and nobody has asked for quiet. It may be
told again only after it was over, which takes ``OVER_S``: what comes and goes within that is one thing.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from pitscribe.watch.telling.conditions import KINDS, Condition

OVER_S = 300.0  # our own judgement, no source
BACK = frozenset({"fire", "band", "logger", "host", "probe"})  # of these a person wants to know that they are over


@dataclass(frozen=True, slots=True)
class Told:
    """A condition that was told and is not over: its key, and whether it happened once and cannot be."""

    key: str
    kind: str
    words: str
    once: bool


@dataclass(frozen=True, slots=True)
class Seen:
    """What is remembered from look to look, and may be forgotten: then things are told later, never twice.

    since : key -> when it was first seen to hold;  gone : key of what was told -> when it was first seen not to
    """

    since: Mapping[str, float] = field(default_factory=dict)
    gone: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Decision:
    """tell : to be told now;  over : keys of what was told and is over now;  back : those of them worth a message"""

    tell: tuple[Condition, ...]
    over: tuple[str, ...]
    back: tuple[Told, ...]
    seen: Seen


def decide(
    holds: Sequence[Condition],
    told: Sequence[Told],
    seen: Seen,
    now: float,
    *,
    kinds: Collection[str] = tuple(KINDS),
    quiet_until: float = 0.0,
) -> Decision:
    """What is to be told of ``holds`` at ``now`` (UTC s).

    told : what was told of this cook and is not over;  kinds : those that are wanted
    quiet_until : until then nothing is told; what still holds is told after it
    """
    wanted = {c.key: c for c in holds if c.kind in kinds}
    before = {t.key: t for t in told}
    since = {key: min(seen.since.get(key, now), now, *_known(c)) for key, c in wanted.items() if key not in before}
    ripe = [c for key, c in wanted.items() if key in since and now - since[key] >= KINDS[c.kind][1]]
    tell = tuple(ripe) if now >= quiet_until else ()
    silent = {key: min(seen.gone.get(key, now), now) for key, t in before.items() if not t.once and key not in wanted}
    over = tuple(key for key, at in silent.items() if now - at >= OVER_S)
    back = tuple(before[key] for key in over if before[key].kind in BACK)
    said = {c.key for c in tell}
    return Decision(
        tell, over, back if now >= quiet_until else (),
        Seen({k: at for k, at in since.items() if k not in said}, {k: at for k, at in silent.items() if k not in over}),
    )


def _known(condition: Condition) -> tuple[float, ...]:
    return () if condition.since is None else (condition.since,)
