"""Fixtures that several files of the host's tests use."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from page_world import BASE, World, make_world
from starlette.testclient import TestClient

from pitscribe.cli import main
from pitscribe.clock import SystemClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.page.app import make_app
from pitscribe.watch.live import Watch


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    """Six hours of a cook, as real frames in a real ledger."""
    made = make_world(tmp_path, hours=6)
    yield made
    made.ledger.close()


@pytest.fixture
def watch(world: World) -> Watch:
    """The live loop over that cook; its passes are made by the test."""
    return Watch(world.ledger, world.clock)


@pytest.fixture
def foreseen(watch: Watch) -> Watch:
    """The same with its forecasts, which take most of a pass."""
    watch._outlook.run = lambda work: work()
    watch.step()  # a second pass has the forecast that the first one made
    return watch


@pytest.fixture
def client(world: World) -> Iterator[TestClient]:
    """The page over that cook."""
    watch = Watch(world.ledger, world.clock)
    with TestClient(make_app(world.ledger, watch, world.clock), base_url=BASE) as made:
        yield made


@pytest.fixture
def command(tmp_path, capsys):
    """Run ``pitscribe`` on a home of its own with an empty ledger; returns (status, output lines, complaint lines)."""
    Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock()).close()

    def run(*arguments: object) -> tuple[int, list[str], list[str]]:
        status = main(["--home", str(tmp_path / "home"), *map(str, arguments)])
        said = capsys.readouterr()
        return status, said.out.splitlines(), said.err.splitlines()

    return run
