"""``pitscribe share``: which process keeps which logger, and what waits here for another one."""

import argparse
import json

from pitscribe.commands.ledgers import read_ledger
from pitscribe.commands.sharing import layout_of, waiting_words
from pitscribe.config import Config
from pitscribe.errors import ConfigError


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Say who keeps the loggers that are named, or that the ledger has heard of, and what waits."""
    if config.share is None:
        raise ConfigError(f"{config.home / 'pitscribe.toml'} has no [share]: see docs/SCALE.md for what it wants")
    layout = layout_of(config.share)
    with read_ledger(config) as ledger:
        counts = ledger.waiting_counts()
        known = [info.logger for info in ledger.loggers()]
    keepers = {logger: layout.keeper_of(logger) for logger in [_number(one) for one in arguments.loggers] or known}
    if arguments.json:
        waiting = {keeper: {"frames": count.frames, "since": count.since_ms / 1000} for keeper, count in counts.items()}
        of = {f"{logger:08x}": keeper for logger, keeper in keepers.items()}
        print(json.dumps({"name": layout.name, "members": layout.members, "keepers": of, "waiting": waiting}))
        return
    print(f"share    {layout.name} of {', '.join(layout.members)}, group {layout.group}")
    for logger, keeper in keepers.items():
        print(f"logger   {logger:08x}: {keeper}{', this one' if keeper == layout.name else ''}")
    print(f"waiting  {waiting_words(counts) or 'nothing'}")


def _number(text: str) -> int:
    if len(text) != 8 or not set(text.lower()) <= set("0123456789abcdef"):
        raise ConfigError(f"{text!r}: a logger is 8 hex digits, as its topic has them")
    return int(text, 16)
