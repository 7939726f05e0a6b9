"""``pitscribe serve``: the one process that a home needs."""

import argparse
import dataclasses
import os
import signal
import threading
import time

from pitscribe.clock import SystemClock, set_well, system_clock_err_ms
from pitscribe.commands.alerts import post_of, rules_of
from pitscribe.commands.alive import Manager
from pitscribe.commands.host import Host
from pitscribe.commands.page import bases_of, link_for
from pitscribe.commands.sharing import waiting_words
from pitscribe.config import Config, PageConfig
from pitscribe.errors import PitscribeError
from pitscribe.intake.broker import CREDENTIALS_NAME
from pitscribe.listening import is_loopback
from pitscribe.neighbours.discovery import Hub

LOOK_EVERY_S = 1.0


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Serve until SIGINT or SIGTERM; what has come in is stored before it ends.

    Raises PitscribeError if a part ends by itself: better to end and be started again than to go on without it.
    """
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    broker = config.broker
    if arguments.broker_port is not None:
        broker = dataclasses.replace(broker, port=arguments.broker_port)
    page = config.page
    if arguments.page_port is not None:
        page = dataclasses.replace(page, port=arguments.page_port)
    telling = rules_of(config), post_of(config.alerts)
    clock_err_ms = set_well if config.trust_clock else system_clock_err_ms
    with Host(
        config.folder(), SystemClock(), broker, page=page, telling=telling, mirror=config.mirror,
        hub=None if config.discovery is None else Hub(config.discovery, config.units), share=config.share,
        clock_err_ms=clock_err_ms
    ) as host:
        _tell_page(host, page)
        if broker.host is None:
            password = f"password in {config.home / CREDENTIALS_NAME}"
            print(f"broker  {broker.listen}:{host.where.port}, user {host.where.user}, {password}")
        else:
            print(f"broker  {broker.host}:{broker.port}")
        if config.share is not None:
            print(f"share   {config.share.name} of {', '.join(config.share.members)}")
        elif counts := host.ledger.waiting_counts():
            print(f"share   {waiting_words(counts)}; nobody is given them without a [share]: see docs/SCALE.md")
        if config.mirror is not None:
            print(f"mirror  {config.mirror.url}, bucket {config.mirror.bucket}")
        if config.discovery is not None:
            print(f"hub     discovery messages under {config.discovery}/")
        if clock_err_ms() is None:
            print("clock   not set yet; until it is, loggers are not told the time (see [host] trust_clock)")
        print(f"ledger  {config.home}, {host.ledger.frame_count()} frames", flush=True)
        _look_after(host, stop, Manager.of(os.environ))


def _look_after(host: Host, stop: threading.Event, manager: Manager) -> None:
    """Tell what goes wrong or right until ``stop``; a sign of life goes out only after all parts were found alive."""
    pause = LOOK_EVERY_S if manager.watchdog_s is None else min(LOOK_EVERY_S, manager.watchdog_s / 3)
    told: dict[str, str] = {}
    manager.ready(_how(host, told))
    try:
        while not stop.wait(pause):
            told = _tell_changes(told, _wrongs(host))
            if part := host.dead():
                raise PitscribeError(f"the {part} has stopped by itself, so pitscribe ends; start it again")
            manager.alive(_how(host, told))
    finally:
        manager.stopping()


def _how(host: Host, wrongs: dict[str, str]) -> str:
    """How it goes, in a line for whoever looks at the service."""
    status = host.intake.status()
    states = [heard.state for heard in status.heard.values() if heard.state is not None]
    online = sum(state.condition is not None for state in states)
    how = f"loggers online: {online} of {len(states)}; frames stored since the start: {status.stored}"
    return "; ".join([*(f"{kind}: {text}" for kind, text in wrongs.items()), how])


def _wrongs(host: Host) -> dict[str, str]:
    wrongs = {kind: wrong.text for kind, wrong in host.intake.status().errors.items()}
    if host.teller is not None and host.teller.trouble is not None:
        wrongs["alerts"] = f"cannot be sent, and are tried again: {host.teller.trouble}"
    if host.mirror is not None and host.mirror.trouble is not None:
        wrongs["mirror"] = host.mirror.trouble.text
    wrongs |= {kind: text for kind, (text, _) in host.knocks().items()}
    if host.neighbours.trouble is not None:
        wrongs["neighbours"] = host.neighbours.trouble
    return wrongs


def _tell_page(host: Host, page: PageConfig) -> None:
    if is_loopback(page.listen):
        print(f"page    {host.page.url} (on this machine only; from another one: ssh -L)")
    else:
        bases = bases_of(page, host.page.port)
        print(f"page    {host.page.url} on this machine, {' or '.join(bases)} from others")
        if page.tls is None:
            print("        without TLS, who listens on your network can read the password: see [page] certificate")
    if host.door.lock is not None and not host.door.lock.has_password:
        print("        no password is set yet; this link sets it, once, within the hour:")
        print(f"        {link_for(page, host.page.port, host.door.lock, time.time())}")


def _tell_changes(before: dict[str, str], now: dict[str, str]) -> dict[str, str]:
    """Print what went wrong or right since the last look: under systemd that is the journal's line. Returns ``now``."""
    for kind in sorted(before.keys() | now.keys()):
        if kind not in now:
            print(f"{kind}: right again", flush=True)
        elif now[kind] != before.get(kind) and kind != "clock":  # the clock was told at the start
            print(f"{kind}: {now[kind]}", flush=True)
    return now
