"""Real servers for the tests: started on a free port of 127.0.0.1, stopped by their own process."""

import contextlib
import json
import random
import shutil
import socket
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

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


class Store:
    """A time-series database that can be stopped, killed and started again, with its data in a folder."""

    package = ""  # Debian's

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://{HOST}:{self.port}"
        self.process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        """What is to be run."""
        raise NotImplementedError

    def start(self) -> None:
        """Start it and wait until it answers."""
        with (self.folder / f"{self.package}.log").open("ab") as log:
            self.process = subprocess.Popen(self.command(), stdout=log, stderr=log)
        wait_until(f"{self.package} answers", self._is_up)

    def _is_up(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, f"{self.package} ended by itself: see its log in {self.folder}"
        try:
            return self.get("/ping") is not None
        except OSError:
            return False

    def get(self, path: str, body: bytes | None = None, **values: str) -> bytes:
        """Ask it something; POST if there is a body."""
        query = f"?{urllib.parse.urlencode(values)}" if values else ""
        with urllib.request.urlopen(f"{self.url}{path}{query}", data=body, timeout=20) as answer:
            return bytes(answer.read())

    def stop(self, *, kill: bool = False) -> None:
        """End it: by SIGTERM, or as a crash does."""
        if self.process is not None:
            (self.process.kill if kill else self.process.terminate)()
            self.process.wait()
            self.process = None


class VictoriaMetrics(Store):
    """VictoriaMetrics. ``options``: more of its flags."""

    package = "victoria-metrics"

    def __init__(self, folder: Path, *options: str) -> None:
        super().__init__(folder)
        self.options = list(options)

    def command(self) -> list[str]:
        data = self.folder / "victoria"
        own = [f"-storageDataPath={data}", f"-httpListenAddr={HOST}:{self.port}", "-retentionPeriod=100y"]
        return ["/usr/bin/victoria-metrics", *own, "-memory.allowedBytes=64MB", *self.options]


class InfluxDB(Store):
    """InfluxDB 1.x with a database of the name ``pit``. ``user``: (name, password) that it then asks for."""

    package = "influxdb"

    def __init__(self, folder: Path, user: tuple[str, str] | None = None) -> None:
        super().__init__(folder)
        self._user = user
        self._config = folder / "influxdb.conf"
        data = folder / "influx"
        self._config.write_text(
            f'reporting-disabled = true\nbind-address = "{HOST}:{free_port()}"\n'
            f'[meta]\ndir = "{data}/meta"\n[data]\ndir = "{data}/data"\nwal-dir = "{data}/wal"\n'
            f'query-log-enabled = false\n[monitor]\nstore-enabled = false\n'
            f'[http]\nbind-address = "{HOST}:{self.port}"\n'
            f"log-enabled = false\nauth-enabled = {'true' if user else 'false'}\n"
        )

    def command(self) -> list[str]:
        return ["/usr/bin/influxd", "-config", str(self._config)]

    def start(self) -> None:
        super().start()
        if self._user is None:
            self.influxql("CREATE DATABASE pit")
            return
        with contextlib.suppress(urllib.error.HTTPError):  # they are there already
            self.influxql(f"CREATE USER {self._user[0]} WITH PASSWORD '{self._user[1]}' WITH ALL PRIVILEGES")
        self.influxql("CREATE DATABASE pit", u=self._user[0], p=self._user[1])

    def influxql(self, query: str, **values: str) -> list[dict[str, Any]]:
        """The series of an answer, of the database ``pit``, times in ms."""
        answer = json.loads(self.get("/query", b"", db="pit", q=query, epoch="ms", **values))["results"][0]
        assert "error" not in answer, answer
        return list(answer.get("series", []))
