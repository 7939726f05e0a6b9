"""``pitscribe serve``: the one process that a home needs."""

import argparse
import dataclasses
import signal
import threading

from pitscribe.clock import SystemClock
from pitscribe.commands.host import Host
from pitscribe.config import Config
from pitscribe.intake.broker import CREDENTIALS_NAME


def run(config: Config, arguments: argparse.Namespace) -> None:
    """Serve until SIGINT or SIGTERM; what has come in is stored before it ends."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    broker = config.broker
    if arguments.broker_port is not None:
        broker = dataclasses.replace(broker, port=arguments.broker_port)
    page_port = config.page_port if arguments.page_port is None else arguments.page_port
    with Host(config.folder(), SystemClock(), broker, page_port=page_port) as host:
        print(f"page    {host.page.url} (on this machine only; from another one: ssh -L)")
        if broker.host is None:
            print(f"broker  {broker.listen}:{host.where.port}, user {host.where.user}, password in "
                  f"{config.home / CREDENTIALS_NAME}")  # fmt: skip
        else:
            print(f"broker  {broker.host}:{broker.port}")
        print(f"ledger  {config.home}, {host.ledger.frame_count()} frames", flush=True)
        stop.wait()
