"""``pitscribe alerts``: what is told to whom, and what was; quiet for a while; an old cook's, without sending them."""

import argparse
import dataclasses

from pitscribe.commands.ledgers import open_ledger
from pitscribe.commands.quantities import parse_difference
from pitscribe.commands.when import local, parse_span
from pitscribe.config import AlertsConfig, Config
from pitscribe.errors import ConfigError, PitscribeError
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import Reader
from pitscribe.watch.telling.conditions import KINDS
from pitscribe.watch.telling.dry import dry_run
from pitscribe.watch.telling.post import Post
from pitscribe.watch.telling.teller import Rules, title_of
from pitscribe.watch.telling.words import Reader as Person

LONGEST_QUIET_S = 24 * 3600.0


def run(config: Config, arguments: argparse.Namespace) -> None:
    """One of: show, test, dry, quiet, seen."""
    ACTIONS[arguments.action](config, arguments)


def rules_of(config: Config) -> Rules:
    """What is to be told, by the settings. Raises ConfigError for a kind that there is none of."""
    kinds = KINDS if config.alerts.kinds is None else config.alerts.kinds
    if strange := set(kinds) - set(KINDS):
        raise ConfigError(f"alerts.kinds: there is no kind {min(strange)!r}; known are {', '.join(KINDS)}")
    return Rules(tuple(kinds), config.alerts.spread_k, Person(config.units))


def post_of(alerts: AlertsConfig) -> Post | None:
    """The way out, None if there is nobody to send to. Raises ConfigError for an address that is none."""
    if not alerts.urls:
        return None
    post = Post(alerts.urls)
    post.check()
    return post


def _show(config: Config, arguments: argparse.Namespace) -> None:
    rules = rules_of(config)
    print("Told, once each, of the cook that goes on:")
    for kind, (what, delay) in KINDS.items():
        off = kind not in rules.kinds or (kind == "spread" and rules.spread_limit_k is None)
        after = f", after {delay / 60:.0f} min" if delay else ""
        print(f"  {kind:8} {what}{after}{' (off)' if off else ''}")
    count = len(config.alerts.urls)
    print(f"Sent to {count} address{'' if count == 1 else 'es'}; shown on the page in any case.")
    with open_ledger(config) as ledger:
        until = ledger.quiet_until_ms() / 1000
        if until > ledger.clock.now():
            print(f"Quiet until {local(until)}.")
        for cook in ledger.cooks()[:1]:
            _list(ledger, cook.id, cook.name, rules.reader)


def _list(ledger: Ledger, cook_id: int, name: str, person: Person) -> None:
    rows = ledger.told(cook_id)
    if rows:
        print(f"\nTold of {name}:")
    for row in rows:
        state = "over" if row.over_ms else "seen" if row.seen_ms else "sent" if row.sent_ms else ""
        print(f"  {row.id:4} {local(row.told_ms / 1000)}  {person.read(row.words)}{f' ({state})' if state else ''}")


def _test(config: Config, arguments: argparse.Namespace) -> None:
    post = post_of(config.alerts)
    if post is None:
        raise ConfigError("nobody is to get alerts: put addresses into alerts.urls in pitscribe.toml")
    if not post.send("Pitscribe: a trial message", "If you read this, alerts reach you."):
        raise PitscribeError("not every address took it: look at the network and at alerts.urls")
    print("Sent. Look whether it has come.")


def _dry(config: Config, arguments: argparse.Namespace) -> None:
    rules = rules_of(config)
    with open_ledger(config) as ledger:
        cook = ledger.cook(arguments.cook)
        record = Reader(ledger, cook.id).read()
        if arguments.spread is not None:
            rules = dataclasses.replace(rules, spread_limit_k=parse_difference(arguments.spread, config.units))
        count = 0
        for sent in dry_run(record, ledger.placements(cook.id), rules, parse_span(arguments.every)):
            count += 1
            print(f"{local(sent.at)}  {sent.kind:8} {sent.words}", flush=True)
    print(f"{count} message{'' if count == 1 else 's'}; nothing was sent.")


def _quiet(config: Config, arguments: argparse.Namespace) -> None:
    with open_ledger(config) as ledger:
        now = ledger.clock.now()
        span = 0.0 if arguments.span == "off" else parse_span(arguments.span)
        if span > LONGEST_QUIET_S:
            raise ConfigError(f"quiet for {arguments.span}: a day is the most; a fire may go out in it")
        ledger.keep_quiet(round((now + span) * 1000))
        print(f"Quiet until {local(now + span)}. What still holds then is told then." if span else "Alerts are told.")


def _seen(config: Config, arguments: argparse.Namespace) -> None:
    with open_ledger(config) as ledger:
        row = ledger.seen_by_person(arguments.id)
        print(f"Seen: {title_of(row)}. It is not told again while it lasts.")


ACTIONS = {"show": _show, "test": _test, "dry": _dry, "quiet": _quiet, "seen": _seen}
