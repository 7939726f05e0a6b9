"""Real servers for the tests: started on a free port of 127.0.0.1, stopped by their own process."""

import shutil
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

HOST = "127.0.0.1"


def wait_until(what: str, condition: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait for a condition, and say which one if it does not come."""
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, f"waited {seconds:.0f} s in vain until {what}"
        time.sleep(0.005)


def free_port() -> int:
    """A port that nobody listens at."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    """Whether somebody listens at a port."""
    try:
        socket.create_connection((HOST, port), 1).close()
    except OSError:
        return False
    return True


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
