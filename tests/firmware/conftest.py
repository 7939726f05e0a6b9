"""Fixtures of the firmware's tests; what they are made of is in firmware_rig.py."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from firmware_rig import ChipBench, Logger, StoringHost


@pytest.fixture
def flash(tmp_path: Path) -> Path:
    """A folder that is a board's flash."""
    folder = tmp_path / "flash"
    folder.mkdir()
    return folder


@pytest.fixture
def make_bench() -> Iterator[Callable[[dict], ChipBench]]:
    """Make benches of chips by select pin; all are closed at the end."""
    made: list[ChipBench] = []

    def make(chips: dict) -> ChipBench:
        made.append(ChipBench(chips))
        return made[-1]

    yield make
    for bench in made:
        bench.close()


@pytest.fixture
def loggers() -> Iterator[list[Logger]]:
    """Loggers that a test started: put them in, and none outlives the test."""
    started: list[Logger] = []
    yield started
    for logger in started:
        logger.cut_power()


@pytest.fixture
def hosts() -> Iterator[list[StoringHost]]:
    """Hosts that a test started."""
    started: list[StoringHost] = []
    yield started
    for host in started:
        host.close()
