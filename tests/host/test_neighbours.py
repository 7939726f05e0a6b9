"""What lies on a real broker in the host's name: put there, kept up, and taken away again, after a crash too."""

import json
import signal
import subprocess
import sys
import time

import page_world
import pytest
from neighbours_rig import Looker, Showing, a_broker, lies, lying
from page_world import LOGGER, make_world
from senml_rules import resolve
from servers import wait_until

from pitscribe.errors import ConfigError
from pitscribe.neighbours.discovery import Hub
from pitscribe.neighbours.shown import FILE_NAME, Book, Shown

TEMPS = {f"pitscribe/1/{LOGGER:08x}/temp/{n}" for n in range(6)}


@pytest.fixture(params=["mosquitto", "embedded"], scope="module")
def broker(request, tmp_path_factory):
    with a_broker(request.param, tmp_path_factory.mktemp(request.param)) as made:
        yield made


@pytest.fixture
def showing(world, broker, tmp_path):
    """Makes a host over the world's cook; what it leaves behind is taken away, so that the next test finds nothing."""
    made = []

    def start(hub=None, home=tmp_path):
        made.append(Showing(world, broker, home, hub))
        return made[-1]

    yield start
    for one in made:
        one.end()
    looker = Looker(broker)
    for topic in looker.settle():
        looker.client.publish(topic, b"", qos=1, retain=True)
    looker.settle()
    looker.close()
    lies(broker, "all is gone", set())


def own(host):
    return {f"pitscribe/1/host/{host.book.host:08x}/{word}" for word in ("state", "spread", "finish")}


def test_a_stranger_who_comes_later_finds_the_packs_and_they_are_sound(showing, broker, world):
    host = showing()
    host.turn()
    host.turn()
    found = lies(broker, "all is shown", TEMPS | own(host))
    for topic in TEMPS | {t for t in own(host) if not t.endswith("state")}:
        records = resolve(found[topic], world.clock.now())
        assert all(world.clock.now() - 640 < r.time <= world.clock.now() for r in records)
    assert json.loads(found[f"pitscribe/1/host/{host.book.host:08x}/state"]) == {"v": 1, "online": True}


def test_the_host_takes_nothing_of_what_it_shows_for_a_message_of_a_logger(showing, broker):
    host = showing()
    host.turn()
    lies(broker, "all is shown", TEMPS | own(host))
    host.turn()
    status = host.intake.status()
    assert (status.asides, status.heard, status.faults) == ({}, {}, 0)


def test_only_what_is_new_is_sent(showing, broker, world):
    host = showing()
    host.turn()
    host.turn()
    looker = Looker(broker)
    wait_until("it has all", lambda: looker.settle().keys() == TEMPS | own(host))
    before = len(looker.heard)
    for _ in range(3):
        host.turn()
    looker.settle()
    assert len(looker.heard) == before
    world.carry_on(320)
    host.turn()
    wait_until("the news comes", lambda: {t for t, *_ in looker.heard[before:]} >= TEMPS)
    looker.settle()
    assert len(looker.heard) - before <= len(TEMPS) + 2
    looker.close()


def test_what_gets_old_is_taken_away_for_those_who_look_and_those_who_come(showing, broker, world):
    host = showing()
    host.turn()
    looker = Looker(broker)
    wait_until("it is shown", lambda: looker.settle().keys() >= TEMPS)
    world.clock.at += 700
    host.turn()
    state = {f"pitscribe/1/host/{host.book.host:08x}/state"}
    wait_until("who looks is told", lambda: looker.settle().keys() == state)
    looker.close()
    lies(broker, "who comes finds none", state)


def test_when_serve_stops_the_packs_go_and_the_host_is_offline_and_a_hub_keeps_what_it_knows(showing, broker):
    host = showing(Hub())
    host.turn()
    host.turn()
    before = lying(broker)
    configs = {topic for topic in before if topic.startswith("homeassistant/")}
    assert len(configs) == 10
    host.end()
    after = lies(broker, "the packs are gone", {*configs, f"pitscribe/1/host/{host.book.host:08x}/state"})
    assert {t: after[t] for t in configs} == {t: before[t] for t in configs}
    assert json.loads(after[f"pitscribe/1/host/{host.book.host:08x}/state"])["online"] is False
    assert Book(host.book._path.parent).topics == after.keys()


def test_a_hub_that_is_switched_off_is_cleared_by_the_next_start(showing, broker):
    first = showing(Hub())
    first.turn()
    first.end()
    second = showing()
    second.turn()
    second.turn()
    lies(broker, "no discovery is left", TEMPS | own(second))


def test_a_placement_that_ends_clears_its_place_at_the_hub_and_so_does_the_cooks_end(showing, broker, world):
    host = showing(Hub("hub"))
    looker = Looker(broker, "hub/#")
    host.turn()
    wait_until("a hub knows all", lambda: len(looker.settle()) == 10)
    (flat,) = (p for p in world.ledger.placements(world.cook.id) if p.place == "flat")
    world.ledger.end_placement(flat.id)
    host.turn()
    wait_until("the place is gone", lambda: len(looker.settle()) == 9)
    assert not any("place_flat" in topic for topic in looker.lies)
    world.ledger.end_cook(world.cook.id)
    host.turn()
    wait_until("all is gone", lambda: not looker.settle())
    looker.close()
    host.turn()
    assert host.book.topics == {f"pitscribe/1/host/{host.book.host:08x}/state"}


def test_a_hub_loses_nothing_while_the_analysis_fails(showing, broker, world, monkeypatch):
    host = showing(Hub())
    host.turn()
    configs = {topic for topic in host.book.topics if topic.startswith("homeassistant/")}
    assert len(configs) == 10
    lies(broker, "all is shown", TEMPS | own(host) | configs)
    with monkeypatch.context() as patch:
        patch.setattr(world.ledger, "cooks", lambda: 1 / 0)
        host.turn()
    lies(broker, "no pack is left", {*configs, f"pitscribe/1/host/{host.book.host:08x}/state"})


def test_what_a_host_left_behind_that_was_killed_is_cleared_by_its_next_start(showing, broker, tmp_path):
    looker = Looker(broker)
    left = {"pitscribe/1/00c0ffee/temp/7", "homeassistant/sensor/old/config"}
    for topic in left:
        looker.client.publish(topic, b"old", qos=1, retain=True)
    others = "pitscribe/1/00c0ffef/temp/0"
    looker.client.publish(others, b"another host's", qos=1, retain=True)
    looker.settle()
    looker.close()
    Book(tmp_path).change(left)
    host = showing()
    host.turn()
    host.turn()
    lies(broker, "what was left is gone", TEMPS | own(host) | {others})


# mosquitto alone


def test_a_broker_that_forgot_everything_is_given_it_anew(world, tmp_path):
    with a_broker("mosquitto", tmp_path) as broker:
        host = Showing(world, broker, tmp_path)
        host.turn()
        host.turn()
        lies(broker, "all is shown", TEMPS | own(host))
        first = host.intake.connection()
        broker.stop(kill=True)
        wait_until("it is missed", lambda: host.intake.connection() is None)
        host.turn()
        broker.start()
        wait_until("it is there again", lambda: host.intake.connection() not in (None, first))
        host.turn()
        lies(broker, "all is shown", TEMPS | own(host))
        host.end()


def test_a_serve_that_is_killed_is_offline_by_its_last_will_and_the_next_one_takes_away_what_it_left(
    tmp_path, monkeypatch
):
    """The real command, by SIGKILL: nothing of it can have run."""
    monkeypatch.setattr(page_world, "START", time.time() - 6 * 3600 - 30)
    home = tmp_path / "home"
    home.mkdir(mode=0o700)
    make_world(home, hours=6).ledger.close()
    state = f"pitscribe/1/host/{Book(home).host:08x}/state"
    with a_broker("mosquitto", tmp_path) as broker:
        (home / "pitscribe.toml").write_text(
            f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "{broker.user}"\n'
            f'password = "{broker.password}"\n[neighbours]\ndiscovery = "homeassistant"\n'
        )
        looker = Looker(broker)
        _serve(home, looker, state, signal.SIGKILL)
        assert {topic for topic in looker.settle() if "/temp/" in topic} == TEMPS, "nobody was left to take them away"
        _serve(home, looker, state, signal.SIGTERM)
        assert not {topic for topic in looker.settle() if "/temp/" in topic}
        assert sum(topic.startswith("homeassistant/") for topic in looker.lies) == 10
        looker.close()


def _serve(home, looker, state, end):
    """Run the command until its packs are shown, end it, and wait until it is told to be offline."""
    command = [sys.executable, "-m", "pitscribe.cli", "--home", str(home), "serve", "--page-port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        wait_until("it is shown", lambda: looker.lies.keys() >= TEMPS and b"true" in looker.lies.get(state, b""), 60)
        process.send_signal(end)
        out, _ = process.communicate(timeout=60)
    assert b"hub     discovery messages under homeassistant/" in out
    wait_until("it is offline", lambda: b"false" in looker.lies[state])


# the book, and a broker that comes and goes


class Road:
    """A broker that can be away, and confirms when it is told to."""

    def __init__(self):
        self.here, self.lies, self.sent, self.confirms, self.fails = 1, {}, [], True, False

    def connection(self):
        return self.here

    def retain(self, topic, payload):
        self.sent.append(topic)
        self.lies[topic] = payload
        return self

    def is_published(self):
        if self.fails:
            raise ValueError("it could not be queued")
        return self.confirms


def test_a_topic_is_written_down_before_it_is_shown_and_struck_off_when_it_is_confirmed_gone(tmp_path):
    book, road = Book(tmp_path), Road()
    shown = Shown(book, road)
    seen = []
    road.retain = lambda topic, payload: seen.append((topic, topic in Book(tmp_path).topics)) or road
    shown.show({"a": b"1", "b": b"1"})
    assert seen == [("a", True), ("b", True)]
    road.confirms = False
    shown.show({"a": b"1"})
    shown.show({"a": b"1"})
    assert seen[2:] == [("b", True)], "cleared once"
    assert Book(tmp_path).topics == {"a", "b"}
    road.confirms = True
    shown.show({"a": b"1"})
    assert Book(tmp_path).topics == {"a"}


def test_a_topic_that_is_wanted_again_while_it_is_being_cleared_is_shown(tmp_path):
    book, road = Book(tmp_path), Road()
    shown = Shown(book, road)
    shown.show({"a": b"1"})
    road.confirms = False
    shown.show({})
    shown.show({"a": b"1"})
    road.confirms = True
    shown.show({"a": b"1"})
    assert (road.lies, road.sent, book.topics) == ({"a": b"1"}, ["a", "a", "a"], {"a"})


def test_what_could_not_be_sent_is_cleared_again_and_nothing_is_sent_to_a_broker_that_is_away(tmp_path):
    book, road = Book(tmp_path), Road()
    shown = Shown(book, road)
    shown.show({"a": b"1"})
    road.fails = True
    for _ in range(3):
        shown.show({})
    assert road.sent == ["a", "a", "a"]
    road.here, road.fails = None, False
    shown.show({"b": b"1"})
    assert (road.sent, book.topics) == (["a", "a", "a"], {"a"})
    road.here = 2
    shown.show({"b": b"1"})
    shown.show({"b": b"1"})
    assert (road.lies, book.topics) == ({"a": b"", "b": b"1"}, {"b"})


def test_a_disk_that_is_full_keeps_what_is_new_back_and_clears_what_is_old(tmp_path, monkeypatch):
    book, road = Book(tmp_path), Road()
    shown = Shown(book, road)
    shown.show({"a": b"1", "b": b"1"})
    with monkeypatch.context() as patch:
        patch.setattr("pitscribe.neighbours.shown.write_private", _full)
        with pytest.raises(ConfigError, match="no space"):
            shown.show({"a": b"2", "c": b"1"})
    assert road.lies == {"a": b"1", "b": b""}
    shown.show({"a": b"2", "c": b"1"})
    assert (road.lies, book.topics) == ({"a": b"2", "b": b"", "c": b"1"}, {"a", "c"})


def _full(path, *_):
    raise ConfigError(f"{path}: no space")


def test_a_host_keeps_its_number_and_two_hosts_have_two(tmp_path):
    (tmp_path / "other").mkdir()
    assert Book(tmp_path).host == Book(tmp_path).host != Book(tmp_path / "other").host


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"host": "xyz", "topics": []}', '{"host": "1", "topics": [1]}'])
def test_a_book_that_is_none_of_ours_is_refused_by_its_name(tmp_path, text):
    (tmp_path / FILE_NAME).write_text(text)
    (tmp_path / FILE_NAME).chmod(0o600)
    with pytest.raises(ConfigError, match=FILE_NAME):
        Book(tmp_path)
