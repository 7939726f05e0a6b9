"""The MQTT broker that runs inside Pitscribe when no other one is configured.

It is amqtt's, in a thread and an event loop of its own, with what a broker that nobody looks after must not do taken
out: it keeps nothing for a client that is away, nothing without bound for one that does not read, and nothing of
someone who has not given the password. See ``tamed`` for how.
"""

import asyncio
import contextlib
import errno
import json
import logging
import secrets
import socket
import threading
import time
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, NamedTuple

from pitscribe.errors import BrokerError, ConfigError
from pitscribe.intake.access import Access
from pitscribe.intake.tamed import TamedBroker
from pitscribe.knocks import Knocks
from pitscribe.listening import BoundedSocket
from pitscribe.private import make_private, read_private

CREDENTIALS_NAME = "broker.json"
_WHAT = "the broker's password is"
START_S, STOP_S = 15.0, 10.0
FORGET_S = 3600.0  # a logger with a wrong password tries again and again, and is put right


class Credentials(NamedTuple):
    """What the host itself gives to its broker; whoever else has it may say and hear everything."""

    user: str
    password: str


def read_credentials(home: Path) -> Credentials:
    """The credentials of the broker of this home folder; made once, in a file that only its owner can read.

    Raises BrokerError if the file cannot be read or written, or others may read it.
    """
    path = home / CREDENTIALS_NAME
    try:
        home.mkdir(parents=True, exist_ok=True)
        fresh = {"user": "pitscribe", "password": secrets.token_urlsafe(24)}
        make_private(path, json.dumps(fresh) + "\n", f"{_WHAT} to be there")
        said = json.loads(read_private(path, f"{_WHAT} there") or "")
        credentials = Credentials(said["user"], said["password"])
        if not all(isinstance(part, str) and part for part in credentials):
            raise ValueError("user and password must be texts")
        return credentials
    except ConfigError as error:
        raise BrokerError(f"{error}; deleting it makes a new one") from error
    except OSError as error:
        raise BrokerError(f"{home}: {error.strerror}; {_WHAT} to be there") from error
    except (ValueError, KeyError, TypeError) as error:
        raise BrokerError(f"{path}: not what Pitscribe wrote; delete it and start again for a new password") from error


class Broker:
    """``Broker(credentials).start()`` listens until ``stop()``; ``port`` says where."""

    def __init__(
        self,
        credentials: Credentials,
        host: str = "127.0.0.1",
        port: int = 1883,
        *,
        secret_of: Callable[[int], str | None] = lambda _: None,
        now: Callable[[], float] = time.time,
    ) -> None:
        """``port`` 0 takes a free one. ``credentials`` are the host's, who may say and hear everything;  ``secret_of``:
        what it shares with a logger, from which that logger's own password follows (``access``);  ``now``: UTC s."""
        self._secret_of = secret_of
        self._knocks = Knocks(now, "broker", FORGET_S)
        self.credentials = credentials
        self.host, self.port = host, port
        self._asked_port = port
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._broker: TamedBroker | None = None

    def start(self) -> None:
        """Listen. Raises BrokerError if the port is in use or cannot be had."""
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # it tells of every client; we tell what matters
        listening = self._listen()
        self.port = listening.getsockname()[1]
        self._loop = asyncio.new_event_loop()
        self._loop.set_exception_handler(lambda _loop, _context: None)  # one client's fault; it was dropped for it
        self._thread = threading.Thread(target=self._run, name="pitscribe-broker", daemon=True)
        self._thread.start()
        try:
            self._broker = self._call(lambda: self._begin(listening), START_S)
        except Exception as error:
            listening.close()
            self._end_thread()
            raise BrokerError(f"the broker on {self.host}:{self.port} does not start: {error}") from error

    def _listen(self) -> socket.socket:
        where = f"{self.host}:{self._asked_port}"
        try:
            family, kind, protocol, _, address = socket.getaddrinfo(
                self.host or None, self._asked_port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
            )[0]
            listening = BoundedSocket(family, kind, protocol)
        except OSError as error:
            raise BrokerError(f"the broker cannot listen on {where}: {error.strerror}") from error
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
            listening.listen(64)
        except OSError as error:
            listening.close()
            if error.errno == errno.EADDRINUSE:
                raise BrokerError(
                    f"port {self._asked_port} is in use, perhaps by another broker: stop that one, give another port, "
                    "or use that broker by naming it under [broker] host in pitscribe.toml"
                ) from error
            what = {
                errno.EACCES: "that port is for the system; give one above 1023",
                errno.EADDRNOTAVAIL: "this machine does not have that address",
            }.get(error.errno or 0, error.strerror)
            raise BrokerError(f"the broker cannot listen on {where}: {what}") from error
        listening.setblocking(False)
        return listening

    async def _begin(self, listening: socket.socket) -> TamedBroker:
        broker = TamedBroker(Access(*self.credentials, self._secret_of), self._knocks)
        await broker.start_on(listening)
        return broker

    def _run(self) -> None:
        assert self._loop is not None
        asyncio.set_event_loop(self._loop)
        self._loop.run_forever()

    def _call(self, make: Callable[[], Coroutine[Any, Any, Any]], timeout: float) -> Any:
        assert self._loop is not None
        return asyncio.run_coroutine_threadsafe(make(), self._loop).result(timeout)

    @property
    def trouble(self) -> tuple[str, float] | None:
        """What is to be told of who tried to come in, and since when [UTC s]."""
        return self._knocks.trouble

    @property
    def alive(self) -> bool:
        """Whether it runs: False once it was stopped, or if its thread or its loop died."""
        broker, thread, loop = self._broker, self._thread, self._loop
        if broker is None or thread is None or loop is None:
            return False
        return thread.is_alive() and loop.is_running() and broker.serving

    def stop(self) -> None:
        """Close all connections and let go of the port. May be called twice."""
        (broker, self._broker), loop = (self._broker, None), self._loop
        if broker is not None and loop is not None:
            with contextlib.suppress(Exception):  # a client that hangs must not keep us from stopping
                if loop.is_running():
                    self._call(broker.stop_all, STOP_S)
                else:  # its thread died; the port is to be given back all the same
                    loop.run_until_complete(asyncio.wait_for(broker.stop_all(), STOP_S))
        self._end_thread()

    def _end_thread(self) -> None:
        loop, thread = self._loop, self._thread
        self._loop = self._thread = None
        if loop is None or thread is None:
            return
        if loop.is_running():
            loop.call_soon_threadsafe(loop.stop)
        thread.join(STOP_S)
        if thread.is_alive():
            return
        for task in asyncio.all_tasks(loop):
            task.cancel()
        loop.run_until_complete(asyncio.sleep(0))
        loop.close()
