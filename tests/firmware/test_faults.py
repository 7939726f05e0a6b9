"""Faults in real time, some seconds of each: no tick is missed or late by a tenth of the period, and no frame is lost.

Late is what the firmware makes late: time that its process had to wait for a processor is taken off (faults_rig.py).

The longer runs, with broker away for 20 and 8 s, are in tests/bench/test_faults_bench.py.
"""

import itertools
import json
import signal
import socket
import time

import pytest
from faults_rig import PERIOD_MS, RealTimeLogger
from firmware_rig import Logger, StoringHost, WordChip
from link import Link
from servers import wait_until

pytestmark = pytest.mark.alone

TENTH_MS = PERIOD_MS // 10
SECRET = "a secret of the two of us"
WORDS = [0x06B41900 + (n * 7919 % 13 << 18) + (n % 3 << 4) for n in range(97)]  # some codes of noise
NETWORKS = [{"ssid": "home", "password": "home!"}, {"ssid": "field", "password": "field!"}]


@pytest.fixture
def start(flash, broker):
    """Start a logger at the broker, behind a link: start(**settings) -> (logger, link)."""
    running = []

    def go(**more):
        link = Link(broker.port)
        logger = RealTimeLogger(flash, link.port, wifi=NETWORKS, secret=SECRET, **more)
        running.extend([link.close, logger.stop])
        return logger, link

    yield go
    for stop in running[::-1]:
        stop()


@pytest.fixture
def host(broker, hosts):
    hosts.append(StoringHost(broker.port, secret=SECRET))
    return hosts[0]


def settle(logger, host, what, seconds=15):
    """Wait until all that was journalled is stored; print and check the figures."""
    until = logger.told()["next"] + 1
    wait_until("all is stored", lambda: logger.told()["cursor"] >= until, seconds)
    told = logger.told()
    sequences = sorted({sequence for _, sequence in host.keys})
    gaps = [n for n in range(until) if n not in sequences]
    print(f"{what}: {told['ticks']} ticks, missed {told['missed']}, latest {told['worst_ms']} ms "
          f"({told['with_others_ms']} with the computer's own delays), frames {until}, "
          f"lost {told['lost']}, not with the host {len(gaps)}, sent again {len(host.keys) - len(sequences)}")
    assert logger.process.poll() is None, logger.console()
    assert (told["missed"], told["dropped"], told["lost"], gaps) == (0, 0, 0, [])
    assert told["worst_ms"] <= TENTH_MS
    return told


@pytest.fixture
def dead():
    """Where a name server should be and nothing ever answers: each look-up waits for its whole time."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as held:
        held.bind(("127.0.0.1", 0))
        yield f"127.0.0.1:{held.getsockname()[1]}"


def test_broker_hangs_dies_and_returns_line_is_held_up_wifi_flaps_and_the_name_server_is_dead(
    flash, start, host, broker, dead
):
    """One after the other in 13 s; the name server is dead all the time, and the address of yesterday serves."""
    (flash / "addresses.json").write_text(json.dumps({"broker.test": "127.0.0.1"}))
    logger, link = start(broker={"host": "broker.test"}, name_server=dead, ntp="time.test")
    wait_until("two frames", lambda: len(host.keys) >= 2)
    broker.process.send_signal(signal.SIGSTOP)
    time.sleep(2.5)  # the fault itself, longer than ack_s
    broker.stop(kill=True)
    broker.start()
    wait_until("it is back", lambda: logger.told()["connections"] >= 2)
    link.held = True  # connected, and nothing is taken off the line
    time.sleep(1.5)
    link.held = False
    for reach in ({}, {"field": "field!"}, {"home": "home!", "field": "field!"}):
        link.held = not reach
        logger.air(reach)
        time.sleep(0.8)
    assert settle(logger, host, "all faults in turn")["connections"] >= 3


def test_no_address_at_all(start, dead):
    logger, _ = start(broker={"host": "broker.test"}, name_server=dead, ntp="time.test")
    wait_until("the look-up fails", lambda: logger.told().get("trouble") == "no address for broker.test", 10)
    told = logger.told()
    assert (told["missed"], told["lost"]) == (0, 0)
    assert told["worst_ms"] <= TENTH_MS


def test_flash_that_fails_for_a_while(start, host):
    logger, _ = start()
    wait_until("a frame", lambda: logger.told()["cursor"] >= 1)
    logger.flash_fails(True)
    wait_until("a frame that cannot be written", lambda: logger.told()["lost"] >= 1)
    assert not logger.told()["ok"]
    logger.flash_fails(False)
    at = logger.told()["cursor"]
    wait_until("frames again", lambda: logger.told()["ok"] and logger.told()["cursor"] > at)
    told = logger.told()
    print(f"flash failing: {told['ticks']} ticks, missed {told['missed']}, latest {told['worst_ms']} ms, "
          f"frames lost and counted {told['lost']}")
    assert (told["missed"], told["dropped"]) == (0, 0)
    assert told["worst_ms"] <= TENTH_MS


def test_backlog_is_drained_at_20_frames_a_second_and_more_while_now_stays_live(flash, start, host, make_bench):
    """Some 300 frames of six channels, made in jump mode, then sent in real time while sampling goes on."""
    six = [{"chip": "max31855", "cs": cs} for cs in (17, 20, 21, 22, 26, 27)]
    alone = {"channels": six, "frame_ticks": 4, "hotspot": {"when": "never"}, "usb": 0}
    before = Logger(flash, make_bench({cs["cs"]: WordChip(*WORDS) for cs in six}), alone, PITSCRIBE_SPEED="0")
    wait_until("a backlog", lambda: len(list((flash / "journal").glob("*.seg"))) >= 2)
    before.cut_power()
    backlog = len(before.journalled())
    logger, _ = start()
    wait_until("the first", lambda: len(host.keys) >= 1)
    began = time.monotonic()
    wait_until("the last", lambda: len(host.keys) >= backlog)
    took = time.monotonic() - began
    told = settle(logger, host, f"backlog of {backlog} frames in {took:.1f} s, {backlog / took:.0f} a second")
    assert backlog / took >= 20
    ups = [now["up"] for now in host.nows]
    assert len(ups) >= took, "one each second"
    assert all(b - a <= 1500 for a, b in itertools.pairwise(ups))
    assert told["trouble"] == ""
