"""The host as one thing: ledger, broker, intake, watch and page of a process, started and stopped in order."""

import contextlib
import threading
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from pitscribe.clock import Clock, ClockErr, set_well
from pitscribe.commands.homelock import only_host
from pitscribe.commands.ledgers import LEDGER_NAME
from pitscribe.commands.memory import give_large_arrays_back
from pitscribe.commands.mirroring import address_of
from pitscribe.commands.sharing import layout_of
from pitscribe.config import BrokerConfig, MirrorConfig, PageConfig, ShareConfig
from pitscribe.intake.broker import Broker, read_credentials
from pitscribe.intake.keyring import Keyring
from pitscribe.intake.mqtt import Intake
from pitscribe.intake.status import Wrong
from pitscribe.ledger.ledger import Ledger
from pitscribe.listening import is_loopback
from pitscribe.neighbours.discovery import Hub
from pitscribe.neighbours.line import Line
from pitscribe.neighbours.neighbours import Neighbours, last_will
from pitscribe.neighbours.shown import Book
from pitscribe.page.app import make_app
from pitscribe.page.door.door import Door
from pitscribe.page.server import PageServer
from pitscribe.watch.live import STALE_AFTER_S, Watch
from pitscribe.watch.telling.post import Post
from pitscribe.watch.telling.teller import Rules, Teller

if TYPE_CHECKING:
    from pitscribe.mirror.mirror import Mirror


class Where(NamedTuple):
    """The broker as a logger has to be told it."""

    host: str
    port: int
    user: str | None
    password: str | None


class Host:
    """``with Host(...) as host:`` runs until the block ends; ``dead()`` says if a part has ended by itself.

    ``page`` None: no page, and no live analysis. ``telling``: what is told to whom; None: nothing to anybody.
    ``mirror``: where a copy is to be; None: nowhere. ``hub``: how home hubs are told of the cook; None: they are not.
    ``share``: which of several processes this is; None: there is one. ``clock_err_ms``: how far off ``clock`` may be.
    """

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        broker: BrokerConfig,
        *,
        page: PageConfig | None = None,
        telling: tuple[Rules, Post | None] | None = None,
        mirror: MirrorConfig | None = None,
        hub: Hub | None = None,
        share: ShareConfig | None = None,
        stale_after_s: float = STALE_AFTER_S,
        clock_err_ms: ClockErr = set_well,
    ) -> None:
        self._folder, self._clock, self._broker_config = folder, clock, broker
        self._page_config, self._stale_after_s, self._clock_err_ms = page, stale_after_s, clock_err_ms
        self._telling, self._mirror_config, self._hub, self._share = telling, mirror, hub, share
        self.mirror: Mirror | None = None
        self._parts: dict[str, Callable[[], bool]] = {}  # whether each is alive
        self.door = Door.shut()
        self._own_broker: Broker | None = None
        self._stack = contextlib.ExitStack()

    def __enter__(self) -> "Host":
        give_large_arrays_back()
        with contextlib.ExitStack() as stack:
            stack.enter_context(only_host(self._folder))
            self.ledger = Ledger(self._folder / LEDGER_NAME, self._clock, check_pages=True)
            stack.callback(self.ledger.close)
            # The page's port is taken first: a port that is in use is told before any logger has been answered.
            if self._page_config is not None:
                self.watch = Watch(
                    self.ledger, self._clock, intake_status=self._intake_status, stale_after_s=self._stale_after_s
                )
                self.page = self._take_page(self._page_config)
                stack.callback(self.page.stop)  # gives the port back if the rest fails
            self.where = self._open_broker(stack)
            keyring = Keyring(self._folder)
            self.intake = self._make_intake()(
                self.ledger, self._clock, *self.where, clock_err_ms=self._clock_err_ms, secret_of=keyring.secret_of,
                tls=self._broker_config.tls, ca=self._broker_config.ca
            )
            self.intake.start()
            stack.callback(self.intake.stop)
            self._parts["intake"] = lambda: self.intake.alive
            if self._page_config is not None:
                self._parts["watch"] = _thread_of("watch", self.watch.start).is_alive
                stack.callback(self.watch.stop)
                self._start_teller(stack)
                self._start_neighbours(stack)
                self._parts["page"] = _thread_of("page", self.page.start).is_alive
                stack.callback(self.page.stop)  # before what it shows ends
            if self._mirror_config is not None:
                self._start_mirror(stack, self._mirror_config)
            self._stack = stack.pop_all()
        return self

    def dead(self) -> str | None:
        """The name of a part that has ended by itself, which then nobody does the work of; None if all are alive."""
        return next((name for name, alive in self._parts.items() if not alive()), None)

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _intake_status(self) -> object:
        """How the intake is doing; what is wrong with the mirror or at the door is told beside what is wrong there."""
        status = self.intake.status()
        beside = {"mirror": None if self.mirror is None else self.mirror.trouble, **self.knocks()}
        more = {kind: Wrong(*trouble) for kind, trouble in beside.items() if trouble is not None}
        return replace(status, errors={**status.errors, **more})

    def knocks(self) -> dict[str, tuple[str, float]]:
        """Who tried to come in with wrong passwords, to the page and the broker of our own, and since when [UTC s]."""
        at = {"page door": self.door, "broker door": self._own_broker}
        return {kind: one.trouble for kind, one in at.items() if one is not None and one.trouble is not None}

    def _make_intake(self) -> Callable[..., Intake]:
        if self._share is None:
            return Intake
        from pitscribe.intake.shared import SharedIntake

        return partial(SharedIntake, layout=layout_of(self._share))

    def _start_mirror(self, stack: contextlib.ExitStack, config: MirrorConfig) -> None:
        from pitscribe.mirror.mirror import Mirror  # 27 MB with the library under it: only where somebody has a mirror

        self.mirror = Mirror(self.ledger, address_of(config), config.name)
        self._parts["mirror"] = _thread_of("mirror", self.mirror.start).is_alive
        stack.callback(self.mirror.stop)

    def _take_page(self, config: PageConfig) -> PageServer:
        if config.ask_at_home or not is_loopback(config.listen):
            far = not is_loopback(config.listen)
            self.door = Door.with_password(
                self._folder, names=config.names, anywhere=far, ask_at_home=config.ask_at_home
            )
        app = make_app(self.ledger, self.watch, self._clock, door=self.door)
        return PageServer(app, config.port, listen=config.listen, tls=config.tls)

    def _start_teller(self, stack: contextlib.ExitStack) -> None:
        self.teller: Teller | None = None
        if self._telling is not None:
            self.teller = Teller(self.ledger, self._clock, *self._telling, sound=self.intake.sound)
            self.teller.start(self.watch)
            stack.callback(self.teller.stop)

    def _start_neighbours(self, stack: contextlib.ExitStack) -> None:
        book, broker = Book(self._folder), self._broker_config
        line = Line(*self.where, last_will(book.host), tls=broker.tls, ca=broker.ca)
        self.neighbours = Neighbours(self.watch, self._clock, line, book, hub=self._hub)
        self._parts["neighbours"] = _thread_of("neighbours", self.neighbours.start).is_alive
        stack.callback(self.neighbours.stop)

    def _open_broker(self, stack: contextlib.ExitStack) -> Where:
        """The broker that is configured, or one of our own."""
        config = self._broker_config
        if config.host is not None:
            return Where(config.host, config.port, config.user, config.password)
        credentials = read_credentials(self._folder)
        secret_of = Keyring(self._folder).secret_of
        broker = Broker(credentials, config.listen, config.port, secret_of=secret_of, now=self._clock.now)
        self._own_broker = broker
        broker.start()
        stack.callback(broker.stop)
        self._parts["broker"] = lambda: broker.alive
        local = "127.0.0.1" if config.listen in ("0.0.0.0", "") else config.listen
        return Where(local, broker.port, *credentials)


def _thread_of(name: str, start: Callable[[], None]) -> threading.Thread:
    """Start a part; return the thread that it made, by its name."""
    before = set(threading.enumerate())
    start()
    made = [thread for thread in threading.enumerate() if thread.name == name and thread not in before]
    return made[0] if made else threading.Thread()  # one that never ran: it has ended already
