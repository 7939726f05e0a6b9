"""What is known beside a cook's record when a snapshot is made."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pitscribe.ledger.values import LoggerInfo
from pitscribe.watch.freshness import Limits


@dataclass(frozen=True, slots=True)
class Around:
    """Loggers, host and time around a cook.

    now : UTC s
    loggers : those of the cook, or all where there is no cook
    intake : how the intake is doing; None if there is none to ask
    asides : how much was kept aside since the ledger began, by reason
    over : places whose probe was taken out; they are listed, and neither an answer nor a trouble
    limits : how old readings may be
    """

    now: float
    loggers: Sequence[LoggerInfo] = ()
    intake: Mapping[str, Any] | None = None
    asides: Mapping[str, int] = field(default_factory=dict)
    over: Collection[str] = ()
    limits: Limits = field(default_factory=Limits)
