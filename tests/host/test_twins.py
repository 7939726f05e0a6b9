"""Two loggers under one number are told; a logger that starts again, is wiped or is heard late is not taken for two."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from intake_rig import LOGGER, PlayedLogger, ticks
from servers import Mosquitto, wait_until

from pitscribe.clock import SetClock
from pitscribe.intake.mqtt import Intake
from pitscribe.intake.twins import MOST, WITHIN_S, Twins
from pitscribe.ledger.ledger import Ledger
from pitscribe.watch.around import Around
from pitscribe.watch.telling.conditions import TROUBLES
from pitscribe.watch.troubles import host_troubles

NOW = 1_780_000_000.0


@pytest.fixture
def broker(tmp_path):
    made = Mosquitto(tmp_path)
    made.start()
    yield made
    made.stop()


def said(*heard, every_s=1.0):
    """What is said last of one logger that is heard at (boot, uptime)."""
    twins = Twins()
    return [twins.hears(LOGGER, boot, up, NOW + n * every_s) for n, (boot, up) in enumerate(heard)][-1]


def test_two_boots_heard_by_turns_are_told():
    assert said((3, 5000), (7, 90_000), (3, 6000)) is None
    words = said((3, 5000), (7, 90_000), (3, 6000), (7, 91_000))
    assert f"{LOGGER:08x}" in words
    assert "boots 3 and 7" in words


def test_an_uptime_that_goes_back_twice_in_one_boot_is_told():
    assert "boot 3" in said((3, 900_000), (3, 5000), (3, 901_000), (3, 6000))


def test_a_single_step_back_is_a_message_that_was_late():
    assert said((3, 5000), (4, 100), (3, 5500), (4, 900)) is not None  # two of them are not
    assert said((3, 5000), (4, 100), (3, 5500), (3, 6000), (3, 7000)) is None


def test_steps_back_further_apart_than_an_hour_are_not_told():
    assert said((3, 5000), (7, 90_000), (3, 6000), (7, 91_000), every_s=WITHIN_S + 1) is None


@given(st.lists(st.tuples(st.integers(1, 3), st.integers(0, 100_000)), min_size=1, max_size=60), st.integers(0, 65535))
def test_one_logger_whatever_its_starts_and_the_hosts_clock_is_never_told(steps, first):
    twins, boot, up = Twins(), first, 0
    for n, (kind, by) in enumerate(steps):
        if kind == 1:
            boot, up = boot + 1, 0
        up += by
        # The host's clock jumps by a year, forwards and back.
        assert twins.hears(LOGGER, boot, up, NOW + 31_536_000.0 * (n % 2)) is None


def test_a_logger_whose_flash_was_wiped_counts_anew_and_is_not_taken_for_two():
    assert said((57, 5000), (57, 9000), (1, 10), (1, 5000), (2, 10), (3, 10), (3, 500)) is None


def test_made_up_numbers_fill_no_memory():
    twins = Twins()
    for number in range(MOST + 100):
        twins.hears(number, 1, 1, NOW)
    assert len(twins._seen) == MOST


def now(boot, up):
    return json.dumps({"v": 1, "boot": boot, "up": up, "table": [0x13], "codes": [[400, 300, 0]]}).encode()


def last_uptime(intake):
    heard = intake.status().heard.get(LOGGER)
    return heard and heard.now and heard.now.up_ms


def test_two_loggers_on_a_broker_are_told_and_no_frame_that_either_sent_is_lost(broker, tmp_path):
    clock = SetClock(NOW)
    ledger = Ledger(tmp_path / "ledger.sqlite", clock)
    intake = Intake(ledger, clock, "127.0.0.1", broker.port, reconnect_s=(1, 1))
    intake.start()
    # Boots of the same number as well: their frames have the same keys and other bytes.
    one = [ticks(n, boot=1) for n in range(20)]
    other = [ticks(n, boot=1, salt=5) for n in range(30)]
    try:
        # One after the other: each hears what is said to the other, and lets go what it has not sent (PROMISES.md).
        first = PlayedLogger(broker, one).start()
        wait_until("one has sent all", first.done)
        second = PlayedLogger(broker, other).start()
        wait_until("the other as well", second.done)
        for n in range(3):
            for logger, up in ((first, 900_000 + n), (second, 5_000 + n)):
                logger.publish("now", now(1, up))
                wait_until(f"{up} is heard", lambda up=up: last_uptime(intake) == up)
        wait_until("it is told", lambda: f"twin {LOGGER:08x}" in intake.status().errors)
        first.close()
        second.close()
        kept = {f.frame for f in ledger.frames(LOGGER)} | {a.data for a in ledger.aside_items("clash")}
        assert kept >= {*one, *other}
        told = {kind: (wrong.text, wrong.since) for kind, wrong in intake.status().errors.items()}
        trouble = host_troubles(Around(NOW, intake={"errors": told}))[0]
        assert trouble.key == f"twin-{LOGGER:08x}"
        assert "Two loggers" in trouble.words
        assert TROUBLES["twin"] == "logger"
    finally:
        intake.stop()
        ledger.close()
