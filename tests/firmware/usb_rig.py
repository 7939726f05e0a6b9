"""A logger on a cable: the whole firmware with its console on a raw pseudo-terminal, and a cable that can be pulled.

    firmware <-- pty --> Cable (a thread) <-- pty --> the host's port, a name that comes and goes
"""

import json
import os
import pty
import selectors
import subprocess
import threading
import tty
from collections.abc import Callable
from pathlib import Path

from firmware_rig import HEAP, MICROPYTHON, ChipBench, compiled, environment

from pitscribe.intake.usb import Answer, Conversation, PortError


class Cable:
    """Carries bytes between a board's pty and the host's port. ``to_host`` and ``to_board`` may change them on the way;
    while ``reads`` is False the host's side takes nothing, as one does that has stopped reading."""

    def __init__(self, board: int, port: Path) -> None:
        self.port = port
        self.to_host: Callable[[bytes], bytes] = bytes
        self.to_board: Callable[[bytes], bytes] = bytes
        self.reads = True
        self.carried = 0  # bytes to the host
        self._board = board
        self._host: int | None = None
        self._far: int | None = None  # the port's own end, kept open so that the pty stays between two openings
        self._lock = threading.Lock()
        self._stop = False
        self.plug()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def plug(self) -> None:
        """Plug it in: the port appears."""
        with self._lock:
            self._host, self._far = pty.openpty()
            tty.setraw(self._far)
            os.set_blocking(self._host, False)
            self.port.symlink_to(os.ttyname(self._far))

    def unplug(self) -> None:
        """Pull it out: the port is gone, and what the board says is lost."""
        with self._lock:
            self.port.unlink()
            os.close(self._far)
            os.close(self._host)
            self._host = self._far = None

    def _carry(self) -> None:
        while not self._stop:
            with selectors.DefaultSelector() as ready, self._lock:
                if self.reads:
                    ready.register(self._board, selectors.EVENT_READ)
                if self._host is not None:
                    ready.register(self._host, selectors.EVENT_READ)
                for key, _ in ready.select(0.01):
                    try:
                        data = os.read(key.fd, 4096)
                        if key.fd == self._board:
                            self._to_host(data)
                        else:
                            self._all_to_board(self.to_board(data))
                    except OSError:
                        pass

    def _to_host(self, data: bytes) -> None:
        data = self.to_host(data)
        self.carried += len(data)
        while data and self._host is not None and not self._stop:
            try:
                data = data[os.write(self._host, data) :]
            except BlockingIOError:
                return  # the host has stopped reading: the cable does not hold it

    def _all_to_board(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._board, data) :]

    def close(self) -> None:
        """Stop carrying."""
        self._stop = True
        self._thread.join()
        if self._host is not None:
            self.unplug()


class CableLogger:
    """The whole firmware on the simulated board, its console on a cable; or MicroPython with other ``arguments``."""

    def __init__(
        self,
        flash: Path,
        bench: ChipBench,
        config: dict,
        port: Path,
        arguments: list[str] | None = None,
        shims: bool = True,
        **env: str,
    ) -> None:
        flash.mkdir(exist_ok=True)
        if not (flash / "config.json").exists():
            (flash / "config.json").write_text(json.dumps(config))
        self.flash = flash
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        settings = {"PITSCRIBE_BENCH": bench.path, "PITSCRIBE_EASE_MS": "0", "PITSCRIBE_UNIQUE_ID": "70697473", **env}
        self.process = subprocess.Popen(
            [str(MICROPYTHON), "-X", HEAP, *([str(compiled() / "main.py")] if arguments is None else arguments)],
            cwd=flash,
            env=environment(shims, **settings),
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)
        self.cable = Cable(self._master, port)

    def cut_power(self) -> None:
        """End it wherever it is, and take the cable away."""
        self.process.kill()
        self.process.wait()
        self.cable.close()
        os.close(self._master)


class FilePort:
    """A port for ``Conversation`` on the cable's name, without pyserial's settings."""

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_NOCTTY)

    def read(self) -> bytes:
        with selectors.DefaultSelector() as ready:
            ready.register(self._fd, selectors.EVENT_READ)
            if not ready.select(0.1):
                return b""
        try:
            return os.read(self._fd, 4096)
        except OSError as error:
            raise PortError(str(error)) from error

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._fd, data) :]

    def close(self) -> None:
        os.close(self._fd)


def ask_state(conversation: Conversation) -> Answer:
    """The answer to `state`, asked again while its line is lost in what was not read."""
    return next(answer for answer in iter(lambda: conversation.ask("state"), None) if answer.state is not None)
