"""The host as one thing: ledger, broker, intake, watch and page of a process, started and stopped in order."""

import contextlib
from pathlib import Path
from typing import NamedTuple

from pitscribe.clock import Clock
from pitscribe.commands.ledgers import LEDGER_NAME
from pitscribe.config import BrokerConfig
from pitscribe.intake.broker import Broker, read_credentials
from pitscribe.intake.mqtt import Intake
from pitscribe.ledger.ledger import Ledger
from pitscribe.page.app import make_app
from pitscribe.page.server import PageServer
from pitscribe.watch.live import STALE_AFTER_S, Watch


class Where(NamedTuple):
    """The broker as a logger has to be told it."""

    host: str
    port: int
    user: str | None
    password: str | None


class Host:
    """``with Host(...) as host:`` runs until the block ends. ``page_port`` None: no page, and no live analysis."""

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        broker: BrokerConfig,
        *,
        page_port: int | None = None,
        stale_after_s: float = STALE_AFTER_S,
    ) -> None:
        self._folder, self._clock, self._broker_config = folder, clock, broker
        self._page_port, self._stale_after_s = page_port, stale_after_s
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> "Host":
        with contextlib.ExitStack() as stack:
            self.ledger = Ledger(self._folder / LEDGER_NAME, self._clock)
            stack.callback(self.ledger.close)
            # The page's port is taken first: a port that is in use is told before any logger has been answered.
            if self._page_port is not None:
                self.watch = Watch(
                    self.ledger, self._clock, intake_status=self._intake_status, stale_after_s=self._stale_after_s
                )
                self.page = PageServer(make_app(self.ledger, self.watch, self._clock), self._page_port)
            self.where = self._open_broker(stack)
            self.intake = Intake(self.ledger, self._clock, *self.where)
            self.intake.start()
            stack.callback(self.intake.stop)
            if self._page_port is not None:
                self.watch.start()
                stack.callback(self.watch.stop)
                self.page.start()
                stack.callback(self.page.stop)
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _intake_status(self) -> object:
        return self.intake.status()

    def _open_broker(self, stack: contextlib.ExitStack) -> Where:
        """The broker that is configured, or one of our own."""
        config = self._broker_config
        if config.host is not None:
            return Where(config.host, config.port, config.user, config.password)
        credentials = read_credentials(self._folder)
        broker = Broker(credentials, config.listen, config.port)
        broker.start()
        stack.callback(broker.stop)
        local = "127.0.0.1" if config.listen in ("0.0.0.0", "") else config.listen
        return Where(local, broker.port, *credentials)
