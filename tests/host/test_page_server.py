"""The server under the page: its port is its own from the start, and no traceback reaches the terminal."""

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from page_world import make_world
from starlette.testclient import TestClient

from pitscribe.errors import ConfigError
from pitscribe.page.app import make_app
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch


@pytest.fixture
def world(tmp_path):
    made = make_world(tmp_path, hours=0.1)
    yield made
    made.ledger.close()


def test_a_server_that_has_not_started_keeps_others_off_its_port(world):
    """A port that is only bound can be bound again with SO_REUSEADDR, as a broker does."""
    server = PageServer(make_app(world.ledger, Watch(world.ledger, world.clock), world.clock))
    other = socket.socket()
    other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        with pytest.raises(OSError, match="in use"):
            other.bind(("127.0.0.1", server.port))
        with pytest.raises(ConfigError, match="in use"):
            PageServer(make_app(world.ledger, Watch(world.ledger, world.clock), world.clock), server.port)
    finally:
        other.close()
        server.stop()


BROKEN = """
import sys, pathlib, httpx2
from page_world import make_world
from pitscribe.page.app import make_app
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch
world = make_world(pathlib.Path(sys.argv[1]), hours=0.1)
def broken(*_): raise RuntimeError("made to\\nhappen")
watch = Watch(world.ledger, world.clock)
world.ledger.cooks = broken
server = PageServer(make_app(world.ledger, watch, world.clock))
server.start()
answer = httpx2.get(server.url + "api/cooks")
print(answer.status_code, answer.json()["error"], answer.headers["x-content-type-options"])
watch.step()
server.stop()
"""


@pytest.mark.parametrize("debug", ["", "1"])
def test_a_fault_in_a_route_or_the_watch_is_one_line_on_standard_error(tmp_path, debug):
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parent), "PITSCRIBE_DEBUG": debug}
    done = subprocess.run(
        [sys.executable, "-c", BROKEN, str(tmp_path)], env=env, capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == "500 a fault in pitscribe itself: RuntimeError nosniff\n"
    assert ("Traceback" in done.stderr) == bool(debug)
    if not debug:
        assert done.stderr.splitlines() == [
            f"{where}: RuntimeError: made to happen; PITSCRIBE_DEBUG=1 shows more"
            for where in ("page: a fault in pitscribe itself: GET /api/cooks", "watch: a fault in pitscribe itself")
        ]


def test_a_fault_in_a_route_is_an_answer_and_nothing_is_raised_past_the_application(world, monkeypatch):
    def broken():
        raise RuntimeError("made to happen")

    monkeypatch.setattr(world.ledger, "cooks", broken)
    app = make_app(world.ledger, Watch(world.ledger, world.clock), world.clock)
    with TestClient(app, base_url="http://127.0.0.1:8421", raise_server_exceptions=True) as client:
        assert client.get("/api/cooks").status_code == 500
