"""The mirror on real servers: every value is there once, after outages, kills and corrections too."""

import random

import pytest
from page_world import make_world
from servers import InfluxDB, VictoriaMetrics

from pitscribe.mirror.check import check
from pitscribe.mirror.connect import connect
from pitscribe.mirror.mirror import Mirror, Pace
from pitscribe.mirror.server import Address

SEED = 20261126


@pytest.fixture(params=[VictoriaMetrics, InfluxDB], ids=["victoria", "influx"])
def server(request, tmp_path):
    made = request.param(tmp_path)
    made.start()
    yield made
    made.stop()


@pytest.fixture
def world(tmp_path):
    made = make_world(tmp_path, hours=2)
    made.ledger.set_cook(made.cook.id, target_c=None)
    yield made
    made.ledger.close()


def mirror_of(world, server):
    """A mirror with a clock of its own that is set on: nothing waits for real seconds."""
    clock = [0.0]
    made = Mirror(world.ledger, Address(server.url, "o", "pit"), "home", pace=Pace(confirm_s=1), real=lambda: clock[0])

    def bring(passes=12):
        for _ in range(passes):
            clock[0] += 100.0
            made.step()
        assert made.trouble is None, made.trouble

    return made, bring


def both(world, server):
    """(points, found, doubled, whether all is the same) over the cook's series."""
    link = connect(Address(server.url, "o", "pit"))
    mirror = world.ledger.mirror(link.address.key)
    found = list(check(world.ledger, mirror.id, link, world.ledger.cook(world.cook.id), "home"))
    link.close()
    return (*(sum(getattr(one, n) for one in found) for n in ("points", "found", "doubled")),
            all(one.same for one in found))


def test_a_cook_and_its_corrections_are_in_the_server_and_nothing_else(world, server):
    made, bring = mirror_of(world, server)
    note = world.ledger.add_note(world.cook.id, None, "wrap", 'in "paper", a=b \\ c')
    bring(3)
    world.ledger.remove_note(note.id)
    world.ledger.set_cook(world.cook.id, name="Another, name=this")
    world.ledger.end_cook(world.cook.id)
    bring()
    points, found, doubled, same = both(world, server)
    assert (found, doubled, same) == (points, 0, True)
    assert points > 4000
    # asked in the server's own words: the old name and the note that was withdrawn are gone
    if isinstance(server, InfluxDB):
        assert server.influxql("SELECT count(flags) FROM pitscribe_temp")[0]["values"][0][1] == 6 * 720
        assert server.influxql("SELECT * FROM pitscribe_note") == []
    else:
        assert b"briskets" not in server.get("/api/v1/series", **{"match[]": '{__name__=~"pitscribe_.*"}'})
        assert server.get("/api/v1/export", **{"match[]": '{__name__=~"pitscribe_note.*"}'}) == b""
    made.stop()


def test_kills_and_outages_lose_and_double_nothing(world, server):
    draw = random.Random(SEED)
    made, bring = mirror_of(world, server)
    for _ in range(5):
        world.carry_on(draw.uniform(60, 1500))
        made.step()
        server.stop(kill=draw.random() < 0.7)
        world.carry_on(draw.uniform(60, 600))
        assert made.step() > 0, "it is told, and tried again later"
        assert made.trouble is not None
        if draw.random() < 0.5:  # the mirror ends as well, and knows only what the ledger has
            made, bring = mirror_of(world, server)
        server.start()
        made.step()
    world.ledger.end_cook(world.cook.id)
    bring()
    points, found, doubled, same = both(world, server)
    print(f"{server.package}: points {points}, found {found}, lost {points - found}, doubled {doubled}")
    assert (found, doubled, same) == (points, 0, True)
    made.stop()
