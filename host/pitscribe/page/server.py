"""uvicorn around the page, started and stopped by whoever runs the host."""

import errno
import logging
import socket
import ssl
import threading
import time
from pathlib import Path

import uvicorn
from starlette.applications import Starlette

from pitscribe.errors import ConfigError
from pitscribe.listening import BoundedSocket
from pitscribe.page.door.connections import Connection
from pitscribe.watch.fault import OneLine

START_WAIT_S = 20.0
BACKLOG = 128
GRACE_S = 2  # the streams of open pages are told to end first; whatever still hangs after so long is cut


class PageServer:
    """Serves the app in a thread of its own. ``url`` is known as soon as it is made."""

    def __init__(
        self,
        app: Starlette,
        port: int = 0,
        *,
        listen: str = "127.0.0.1",
        tls: tuple[Path, Path] | None = None,
        grace_s: int = GRACE_S,
    ) -> None:
        """Take the port (0: any free one) at an address of this machine; ``tls``: certificate and key.

        Raises ConfigError if it is in use, if there is no such address, or if the certificate cannot be used.
        """
        self._app = app
        self._listen, self._tls = listen, tls
        _check_tls(tls)
        self._socket = BoundedSocket(socket.AF_INET6 if ":" in listen else socket.AF_INET, socket.SOCK_STREAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._socket.bind((listen, port))
            # A port that is only bound may be bound by another part as well, with SO_REUSEADDR: listen at once.
            self._socket.listen(BACKLOG)
        except OSError as error:
            self._socket.close()
            what = "in use" if error.errno == errno.EADDRINUSE else (error.strerror or str(error))
            raise ConfigError(f"port {port} of the page: {what}; choose another with --page-port") from error
        self.port: int = self._socket.getsockname()[1]
        config = uvicorn.Config(
            app,
            http=Connection,
            log_level="warning",
            log_config=None,
            access_log=False,
            timeout_graceful_shutdown=grace_s,
            lifespan="on",
            backlog=BACKLOG,
            ssl_certfile=None if tls is None else tls[0],
            ssl_keyfile=None if tls is None else tls[1],
            proxy_headers=False,  # who comes from where is what the connection says, not what a header claims
        )
        _one_line_each("uvicorn.error", "uvicorn.asgi", "asyncio")
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    @property
    def url(self) -> str:
        """Where the page is, for a browser on this machine."""
        host = "127.0.0.1" if self._listen in ("0.0.0.0", "::", "localhost") else self._listen
        return f"http{'' if self._tls is None else 's'}://{f'[{host}]' if ':' in host else host}:{self.port}/"

    def start(self) -> None:
        """Begin to serve; returns when the page answers."""
        self._thread.start()
        deadline = time.monotonic() + START_WAIT_S
        while not self._server.started:
            if not self._thread.is_alive() or time.monotonic() > deadline:
                raise ConfigError(f"the page does not start on port {self.port}; PITSCRIBE_DEBUG=1 shows more")
            time.sleep(0.01)

    @property
    def running(self) -> bool:
        """Whether it serves, or is not done with what it served yet."""
        return self._thread.is_alive()

    def stop(self) -> None:
        """Let go of open pages and end."""
        self._app.state.hub.close()
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(10)
        self._socket.close()

    def _run(self) -> None:
        # In a thread uvicorn leaves signals alone: they are the command's.
        self._server.run(sockets=[self._socket])


def _check_tls(tls: tuple[Path, Path] | None) -> None:
    if tls is None:
        return
    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(*tls)
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(f"page.certificate {tls[0]} with page.key {tls[1]}: {error.strerror or error}") from error


def _one_line_each(*names: str) -> None:
    """Let none of these loggers print a traceback."""
    for name in names:
        logger = logging.getLogger(name)
        if not any(isinstance(f, OneLine) for f in logger.filters):
            logger.addFilter(OneLine())
