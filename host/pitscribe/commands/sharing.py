"""The processes that the settings name, for ``serve`` and for ``pitscribe share``."""

from collections.abc import Mapping

from pitscribe.commands.when import local
from pitscribe.config import ShareConfig
from pitscribe.ledger.waitingbook import WaitingCount
from pitscribe.wire.share import Layout


def layout_of(config: ShareConfig) -> Layout:
    """Who keeps what."""
    return Layout(config.group, config.name, config.members, config.keepers)


def waiting_words(counts: Mapping[str, WaitingCount]) -> str:
    """What waits for whom, in words."""
    return "; ".join(
        f"{count.frames} frames wait here for {keeper}, the oldest since {local(count.since_ms / 1000)}"
        for keeper, count in counts.items()
    )
