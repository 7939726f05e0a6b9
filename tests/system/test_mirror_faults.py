"""What a server can do wrong: all is kept, tried again not too soon, told, and in the end every point is there once.

The servers are real; what spoils their answers stands between (``mirror_rig.Between``).
"""

import mirror_rig as rig
import pytest
from mirror_rig import Between, Copy, says
from page_world import make_world
from servers import InfluxDB, VictoriaMetrics

from pitscribe.mirror.mirror import Pace

CALM = Pace(confirm_s=1)
HASTY = Pace(confirm_s=1, timeout_s=0.2)  # the whole request at most three times as long
SOON, LATER = "Thu, 26 Nov 2026 08:00:00 GMT", "Thu, 26 Nov 2026 08:30:00 GMT"
FAULTS = {
    # (what happens, before the server has the request, what is told, the least seconds until it is tried again)
    "an error of its own": (says(500, b'{"error":"engine: closed"}'), True, "cannot write at present (500: engine", 5),
    "asks for ten minutes": (says(503, Retry_After="600"), True, "cannot write at present (503", 600),
    "too many requests, by a date": (says(429, Date=SOON, Retry_After=LATER), True, "(429", 1800),
    "asks for a year": (says(429, Retry_After="31536000"), True, "(429", 3600),
    "asks for nonsense": (says(503, Retry_After="soon"), True, "(503", 5),
    "a page of somebody else": (says(200, b"<html>Please sign in</html>"), True, "no VictoriaMetrics's answer", 5),
    "cut in the head": (rig.cut_in_head, False, "broke off", 5),
    "cut in the body": (rig.cut_in_body, False, "broke off", 5),
}
TAKEN = {"a page of somebody else", "cut in the body"}  # by who writes, for success has no body; it is read back later
SLOW = {
    "silent": (rig.silent, True),
    "silent after it has done it": (rig.silent, False),
    "a byte now and then": (rig.trickles, False),
    "a body without end": (rig.trickles_on, False),
}


@pytest.fixture
def world(tmp_path):
    made = make_world(tmp_path, hours=1)
    made.ledger.set_cook(made.cook.id, target_c=None)
    yield made
    made.ledger.close()


@pytest.fixture
def between(server):
    made = Between(server.url)
    yield made
    made.stop()


@pytest.fixture
def copy(world, between):
    made = Copy(world, between.url)
    made.bring(2)
    yield made
    made.stop()


def where_written(server):
    """Victoria is written to through influxdb-client, the old InfluxDB by requests of our own."""
    return "/api/v2/write" if isinstance(server, VictoriaMetrics) else "/write"


def all_is_there(copy, world):
    world.ledger.end_cook(world.cook.id)
    copy.bring()
    points, found, doubled, same = copy.both()
    print(f"points {points}, found {found}, lost {points - found}, doubled {doubled}")
    assert (found, doubled, same) == (points, 0, True)


def test_of_every_fault_it_is_told_and_nothing_is_lost_or_doubled(server, between, world, copy):
    """Each fault comes while a cook goes on, by turns when the mirror looks who is there and when it writes."""
    for number, (name, (spoil, before, told, least)) in enumerate(FAULTS.items()):
        world.carry_on(170)
        copy.begin_anew()
        writing = (number + isinstance(server, InfluxDB)) % 2 and name not in TAKEN
        between.spoil, between.before, between.only = spoil, before, where_written(server) if writing else None
        wait = copy.step()
        assert copy.mirror.trouble is not None, name
        assert told in copy.mirror.trouble.text, name
        assert wait >= least, name
        assert world.ledger.known_mirror(copy.address.key).trouble == copy.mirror.trouble.text
        assert copy.step() >= min(2 * wait, 10), "it is tried again less and less often"
        between.spoil = None
        copy.step()
        assert copy.mirror.trouble is None, name
        assert world.ledger.known_mirror(copy.address.key).trouble is None
    all_is_there(copy, world)


@pytest.mark.parametrize("server", [VictoriaMetrics], ids=["victoria"], indirect=True)
def test_a_server_that_is_slow_is_let_go_however_it_is_slow(server, between, world, copy):
    """Of VictoriaMetrics alone: it is written to through influxdb-client, and read by requests of our own."""
    for number, (name, (spoil, before)) in enumerate(SLOW.items()):
        world.carry_on(170)
        copy.pace = HASTY
        copy.begin_anew()
        writing = (number + isinstance(server, InfluxDB)) % 2
        between.spoil, between.before, between.only = spoil, before, where_written(server) if writing else None
        copy.step()
        assert "too slow" in copy.mirror.trouble.text, name
        between.spoil = None
        copy.pace = CALM
        copy.begin_anew()
        copy.step()
        assert copy.mirror.trouble is None, name
    all_is_there(copy, world)


def test_what_is_too_much_at_once_is_written_in_parts(server, between, world):
    """A server's, or a proxy's, limit for a request: 413 (RFC 9110, section 15.5.14)."""
    copy = Copy(world, between.url)
    between.most = 20_000
    all_is_there(copy, world)
    assert between.refused
    copy.stop()


def test_a_cook_that_is_over_is_written_as_soon_as_the_server_is_right_again(server, between, world):
    """Not only when past cooks are looked at the next time, a minute later."""
    world.ledger.end_cook(world.cook.id)
    copy = Copy(world, between.url)
    between.only, between.spoil, between.before = where_written(server), says(503), True
    copy.mirror.step()
    assert copy.mirror.trouble is not None
    between.spoil = None
    copy.mirror.step()  # its clock stands still
    assert copy.mirror.written > 2000
    copy.stop()


def test_of_a_server_without_room_it_is_told_and_all_is_there_when_there_is_room(world, tmp_path):
    """VictoriaMetrics' own answer; real disks are filled by tests/bench/test_mirror_bench.py."""
    server = VictoriaMetrics(tmp_path, "-storage.minFreeDiskSpaceBytes=900000000000000")
    server.start()
    copy = Copy(world, server.url)
    copy.step()
    assert "cannot write at present (503" in copy.mirror.trouble.text
    assert "the storage is in read-only mode" in copy.mirror.trouble.text
    world.carry_on(600)
    server.stop()
    server.options.clear()
    server.start()
    all_is_there(copy, world)
    copy.stop()
    server.stop()
