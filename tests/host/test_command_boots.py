"""``pitscribe boots``: what is known of when a logger's boots were, and a person's word on it."""

import json
import re
from datetime import datetime

import numpy as np
import pytest
from series_world import LOGGER, T0_MS, Logger, store

from pitscribe.cli import main
from pitscribe.clock import SystemClock
from pitscribe.ledger.ledger import Ledger
from pitscribe.series import load

HOUR = 3_600_000
BEGAN = {1: T0_MS, 2: T0_MS + HOUR, 3: T0_MS + 10 * HOUR, 4: T0_MS + 30 * HOUR}


def local(at_ms):
    return datetime.fromtimestamp(at_ms / 1000).strftime("%Y-%m-%dT%H:%M:%S")


@pytest.fixture
def ledger(tmp_path):
    """Boot 1 knows the time, and was told a wrong one once; 2 began as a watchdog ended 1; 3 knows nothing; 4 does."""
    logger = Logger()
    for boot, began in BEGAN.items():
        logger.boot(boot, "watchdog" if boot == 2 else "power")
        if boot in (1, 4):
            logger.anchor(boot, 60_000, began + 60_000)
            logger.anchor(boot, 900_000, began + 900_000, 30, "ntp")
        if boot == 1:
            logger.anchor(boot, 300_000, began + 300_000 + HOUR, 1000, "phone")
        for i in range(44):
            logger.ticks(boot, began, 8 * i, period_ms=10_000)
    made = Ledger(tmp_path / "home" / "ledger.sqlite", SystemClock())
    store(made, *logger.made)
    yield made
    made.close()


@pytest.fixture
def command(ledger, tmp_path, capsys):
    """Run ``pitscribe`` on that home; returns (status, output lines, complaint lines)."""

    def run(*arguments):
        status = main(["--home", str(tmp_path / "home"), *map(str, arguments)])
        said = capsys.readouterr()
        return status, said.out.splitlines(), said.err.splitlines()

    return run


def test_the_list_says_of_each_boot_when_it_was_how_sure_that_is_and_who_said_so(command):
    status, out, _ = command("boots")
    assert status == 0
    first, second, third, fourth = out
    assert "told by host, ntp; left out, because it contradicts: phone (60 min off)" in first
    assert "never learnt the time: placed by the boots around it" in second
    assert "began after" in third
    assert "--boot 3 --started-at" in third
    assert fourth.endswith("told by host, ntp")
    listed = json.loads("\n".join(command("boots", "--json")[1]))
    assert [one["boot"] for one in listed] == [1, 2, 3, 4]
    for one in listed[:2] + listed[3:]:
        assert abs(one["began"] - BEGAN[one["boot"]] / 1000) <= 2 * one["u_s"]
    assert listed[2]["began"] is None
    assert listed[2]["between"][0] <= BEGAN[3] / 1000 <= listed[2]["between"][1]
    assert listed[0]["left_out"][0]["source"] == "phone"


def test_a_persons_word_places_a_boot_in_a_cook_that_is_over_and_a_second_word_replaces_it(command, ledger):
    cook = ledger.start_cook("over", at=T0_MS + 9 * HOUR)
    ledger.place(cook.id, "K", LOGGER, 0, "flat", "meat")
    ledger.end_cook(cook.id, T0_MS + 12 * HOUR)
    assert load(ledger, cook.id).places[0].t.size == 0
    assert load(ledger, cook.id).unplaced == 45
    for said, err in ((BEGAN[3] + 20 * 60_000, []), (BEGAN[3], ["--give-or-take", "30s"])):
        status, out, _ = command("boots", "--boot", 3, "--started-at", local(said), *err)
        assert status == 0
        assert len(out) == 1
        assert out[0].endswith("told by person")
        (flat,) = load(ledger, cook.id).places
        assert flat.t == pytest.approx(said / 1000 + 1 + 10 * np.arange(8 * 44), abs=0.01)
    assert load(ledger, cook.id).unplaced == 0
    assert [(a.boot, a.err_ms) for a in ledger.anchors(LOGGER)] == [(3, 30_000)]


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (["--boot", "3"], "go together"),
        (["--started-at", "06:10"], "go together"),
        (["--give-or-take", "5m"], "is for --started-at"),
        (["--boot", "9", "--started-at", "06:10"], "nothing is here of boot 9 .* 1, 2, 3, 4"),
        (["--boot", "3", "--started-at", "2031-01-01T06:10"], "in the future"),
        (["--boot", "3", "--started-at", "six"], "'six'"),
        (["--logger", "nine"], "nine"),
    ],
)
def test_what_cannot_be_meant_is_refused_and_nothing_is_kept(command, ledger, arguments, named):
    status, _, err = command("boots", *arguments)
    assert status == 1
    assert len(err) == 1
    assert re.search(named, err[0])
    assert ledger.anchors(LOGGER) == []
