"""Real servers for the tests: started on a free port of 127.0.0.1, stopped by their own process."""

import contextlib
import random
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

HOST = "127.0.0.1"


def wait_until(what: str, condition: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait for a condition, and say which one if it does not come."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited {seconds:.0f} s in vain until {what}"
        time.sleep(0.005)


def free_port() -> int:
    """A port that nobody listens at, and that the system gives to no connection of its own accord.

    One of those that it gives away (from 32768) could be somebody else's before the caller listens there.
    """
    while True:
        port = random.SystemRandom().randrange(10_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind((HOST, port))
            return port


def answers(port: int) -> bool:
    """Whether somebody listens at a port."""
    try:
        socket.create_connection((HOST, port), 1).close()
    except OSError:
        return False
    return True


@contextlib.contextmanager
def false_broker(answer: Callable[[int], bytes]) -> Iterator[tuple[int, list[bytes]]]:
    """Listen where a broker is looked for: (port, the first bytes that came of each connection so far).

    The n-th connection gets ``answer(n)`` and is ended.
    """
    heard: list[bytes] = []
    with socket.create_server((HOST, 0)) as server:

        def serve() -> None:
            while True:
                try:
                    connection, _ = server.accept()
                except OSError:
                    return
                with connection, contextlib.suppress(ConnectionError):
                    heard.append(connection.recv(4096))
                    connection.sendall(answer(len(heard) - 1))

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            yield server.getsockname()[1], heard
        finally:
            server.shutdown(socket.SHUT_RDWR)
            thread.join(5)


class Mosquitto:
    """A mosquitto that can be stopped, killed and started again; without ``user`` it lets anybody in.

    ``tls``: (certificate, key) of a server that speaks nothing but TLS.
    """

    host = HOST

    def __init__(
        self, folder: Path, user: str | None = None, password: str | None = None, tls: tuple[Path, Path] | None = None
    ) -> None:
        self.port = free_port()
        self.user, self.password = user, password
        self._config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} {HOST}", "max_queued_messages 0", "set_tcp_nodelay true", "log_type none"]
        if tls is not None:
            lines += [f"certfile {tls[0]}", f"keyfile {tls[1]}", "user root"]
        if user is None:
            lines.append("allow_anonymous true")
        else:
            file = folder / "passwords"
            subprocess.run(["mosquitto_passwd", "-b", "-c", file, user, password or ""], check=True)
            file.chmod(0o600)
            lines += ["allow_anonymous false", f"password_file {file}", "user root"]
        self._config.write_text("\n".join(lines) + "\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        executable = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        quiet = subprocess.DEVNULL
        self.process = subprocess.Popen([executable, "-c", str(self._config)], stdout=quiet, stderr=quiet)
        wait_until("mosquitto listens", lambda: answers(self.port))

    def stop(self, *, kill: bool = False) -> None:
        """End it: by SIGTERM, or as a crash does."""
        if self.process is not None:
            (self.process.kill if kill else self.process.terminate)()
            self.process.wait()
            self.process = None
