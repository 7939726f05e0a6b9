"""The processes that the settings name, for ``serve`` and for ``pitscribe share``."""

from collections.abc import Mapping

from pitscribe.commands.when import local
from pitscribe.config import Config, ShareConfig
from pitscribe.errors import ConfigError
from pitscribe.ledger.waitingbook import WaitingCount
from pitscribe.wire.share import Layout


def layout_of(config: ShareConfig) -> Layout:
    """Who keeps what."""
    return Layout(config.group, config.name, config.members, config.keepers)


def refuse_others(config: Config, logger: int) -> None:
    """ConfigError if another process keeps this logger: its frames belong into that one's ledger."""
    if config.share is not None and (keeper := layout_of(config.share).keeper_of(logger)) != config.share.name:
        raise ConfigError(f"logger {logger:08x} is kept by {keeper}: name the home of that process with --home")


def waiting_words(counts: Mapping[str, WaitingCount]) -> str:
    """What waits for whom, in words."""
    return "; ".join(
        f"{count.frames} frames wait here for {keeper}, the oldest since {local(count.since_ms / 1000)}"
        for keeper, count in counts.items()
    )
