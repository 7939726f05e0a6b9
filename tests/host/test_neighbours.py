"""What lies on a real broker in the host's name: put there, kept up, and taken away again, after a crash too."""

import contextlib
import json
import re
import signal
import subprocess
import sys
import tempfile
import textwrap
import time
from pathlib import Path
from types import SimpleNamespace

import page_world
import pytest
from authority import Authority
from hypothesis import given, settings
from hypothesis import strategies as st
from neighbours_rig import WHO, Looker, Showing, a_broker, lies
from page_world import LOGGER, make_world
from senml_rules import resolve
from servers import Mosquitto, wait_until

from pitscribe.errors import ConfigError
from pitscribe.neighbours.discovery import Hub, discovery_of
from pitscribe.neighbours.line import FORGIVEN_S, Line
from pitscribe.neighbours.neighbours import state_of
from pitscribe.neighbours.packs import packs_of
from pitscribe.neighbours.shown import FILE_NAME, Book, Shown
from pitscribe.watch.live import Watch

TEMPS = {f"pitscribe/1/{LOGGER:08x}/temp/{n}" for n in range(6)}


@pytest.fixture(params=["mosquitto", "embedded"], scope="module")
def broker(request, tmp_path_factory):
    with a_broker(request.param, tmp_path_factory.mktemp(request.param)) as made:
        yield made


@pytest.fixture
def showing(world, broker, tmp_path):
    """Makes a host over the world's cook; what it leaves behind is taken away, so that the next test finds nothing."""
    made = []

    def start(hub=None, **options):
        made.append(Showing(world, broker, tmp_path, hub, **options))
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


def own(host, *words):
    return {f"pitscribe/1/host/{host.book.host:08x}/{word}" for word in words or ("state", "spread")}


def test_a_stranger_who_comes_later_finds_the_packs_and_they_are_sound(showing, broker, world):
    host = showing(forecasts=True)
    host.turn()
    host.turn()
    packs = TEMPS | own(host, "spread", "finish")
    found = lies(broker, "all is shown", packs | own(host))
    for topic in packs:
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
    wait_until("who looks is told", lambda: looker.settle().keys() == own(host, "state"))
    looker.close()
    lies(broker, "who comes finds none", own(host, "state"))


def test_when_serve_stops_the_packs_go_and_the_host_is_offline_and_a_hub_keeps_what_it_knows(showing, broker):
    host = showing(Hub())
    host.turn()
    configs = {topic for topic in host.book.topics if topic.startswith("homeassistant/")}
    assert len(configs) == 10
    before = lies(broker, "all is shown", TEMPS | own(host) | configs)
    host.end()
    after = lies(broker, "the packs are gone", configs | own(host, "state"))
    assert {t: after[t] for t in configs} == {t: before[t] for t in configs}
    assert json.loads(after[own(host, "state").pop()])["online"] is False


def test_a_hub_that_is_switched_off_is_cleared_by_the_next_start(showing, broker):
    first = showing(Hub())
    first.turn()
    first.end()
    second = showing()
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
    # The looker may have seen it before the broker's word on it has come to the host.
    wait_until("it is struck off the book", lambda: host.turn() or host.book.topics == own(host, "state"))


def test_a_hub_loses_nothing_while_the_analysis_fails(showing, broker, world, monkeypatch):
    host = showing(Hub())
    host.turn()
    configs = {topic for topic in host.book.topics if topic.startswith("homeassistant/")}
    assert len(configs) == 10
    lies(broker, "all is shown", TEMPS | own(host) | configs)
    with monkeypatch.context() as patch:
        patch.setattr(world.ledger, "cooks", lambda: 1 / 0)
        host.turn()
    lies(broker, "no pack is left", configs | own(host, "state"))


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
    lies(broker, "what was left is gone", TEMPS | own(host) | {others})


# mosquitto alone


def test_a_broker_that_forgot_everything_is_given_it_anew(world, tmp_path):
    with a_broker("mosquitto", tmp_path) as broker:
        host = Showing(world, broker, tmp_path)
        host.turn()
        lies(broker, "all is shown", TEMPS | own(host))
        broker.stop(kill=True)
        wait_until("it is missed", lambda: host.line.connection() is None)
        host.turn()
        broker.start()
        host.turn()
        assert host.line.connection() == 2
        lies(broker, "all is shown", TEMPS | own(host))
        host.end()


ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "NEIGHBOURS.md").read_text(encoding="utf-8")


RULES = re.search(r"In its access list:\n\n((?:    .*\n|\n)+)", PAGE)[1]  # those of the page


@pytest.fixture
def guarded(tmp_path):
    """Runs a mosquitto with an access list: (as the host, as a user ``hub``)."""

    @contextlib.contextmanager
    def start(rules):
        broker = Mosquitto(tmp_path, *WHO)
        subprocess.run(["mosquitto_passwd", "-b", tmp_path / "passwords", "hub", "another"], check=True)
        (tmp_path / "acl").write_text(textwrap.dedent(rules) + "topic readwrite look/#\n")
        broker._config.write_text(broker._config.read_text() + f"acl_file {tmp_path / 'acl'}\n")
        broker.start()
        try:
            yield broker, SimpleNamespace(port=broker.port, user="hub", password="another")
        finally:
            broker.stop()

    return start


def test_with_the_access_list_of_the_page_a_hub_sees_what_is_for_it_and_can_say_nothing(guarded, world, tmp_path):
    with guarded(RULES) as (broker, as_hub):
        host = Showing(world, broker, tmp_path, Hub())
        hub = Looker(as_hub, "#")
        for topic in (f"pitscribe/1/{LOGGER:08x}/frame", f"pitscribe/1/{LOGGER:08x}/temp/0", "homeassistant/x/config"):
            hub.client.publish(topic, b"a lie", retain=True)
        hub.settle()
        host.turn()
        host.line.retain(f"pitscribe/1/{LOGGER:08x}/order", b"for the logger alone")
        wait_until("it sees all", lambda: len(hub.settle()) == len(TEMPS | own(host)) + 10)
        assert b"a lie" not in hub.lies.values()
        assert host.intake.status().asides == {}
        hub.close()
        host.end()


def test_what_the_access_list_does_not_allow_is_left_out_and_told_and_the_intake_is_not_disturbed(
    guarded, world, tmp_path
):
    """An access list of before. mosquitto 2.0.11 ends the connection of who publishes what it does not allow."""
    narrow = RULES.replace("topic readwrite pitscribe/1/#", "topic read pitscribe/1/#\n    topic pitscribe/1/+/temp/+")
    with guarded(narrow.replace("    topic write homeassistant/#\n", "")) as (broker, as_hub):
        host = Showing(world, broker, tmp_path, Hub())
        lost = []
        host.intake._client.on_disconnect = lambda *_: lost.append(1)
        hub = Looker(as_hub, "#")

        def shown():
            host.turn()
            refused = (host.line.trouble or "").count(" or ") == 1
            return hub.settle().keys() == TEMPS and refused and host.line.connection()

        wait_until("it sees the temperatures", shown, 60)
        assert f"host/{host.book.host:08x}/" in host.line.trouble
        assert "homeassistant/" in host.line.trouble
        held = host.line.connection()
        world.carry_on(320)
        host.turn()
        hub.settle()
        assert (host.line.connection(), lost) == (held, [])
        mended = textwrap.dedent(RULES) + "topic readwrite look/#\n"
        (tmp_path / "acl").write_text(mended)
        broker.process.send_signal(signal.SIGHUP)  # mosquitto reads its lists anew
        probe, there = Looker(broker, "nothing"), f"pitscribe/1/{LOGGER:08x}/state"
        wait_until("it has read it", lambda: probe.client.publish(there, b"x") and there in hub.settle(), 60)
        probe.close()
        host.line._real = lambda: time.monotonic() + FORGIVEN_S

        def all_shown():  # what the probe said may come once more
            host.turn()
            return len(hub.settle().keys() - {there}) == len(TEMPS | own(host)) + 10

        wait_until("it sees all", all_shown, 60)
        wait_until("all of it is confirmed", lambda: host.turn() or host.line.trouble is None)
        hub.close()
        host.end()


def test_a_broker_that_turns_the_connection_away_is_told(tmp_path):
    with a_broker("mosquitto", tmp_path) as broker:
        line = Line("127.0.0.1", broker.port, broker.user, "wrong", ("pitscribe/1/host/00000001/state", b"{}"))
        line.connect()
        assert (line.connection(), line.retain("a", b"1")) == (None, False)
        assert f"127.0.0.1:{broker.port} does not take one more connection" in line.trouble
        line.close()


def test_the_connection_speaks_tls_to_a_broker_whose_certificate_is_good_and_to_no_other(tmp_path):
    authority = Authority(tmp_path / "authority")
    broker = Mosquitto(tmp_path, tls=authority.server("IP:127.0.0.1"))
    broker.start()
    try:
        for ca, number in ((authority.ca, 1), (None, None)):
            line = Line("127.0.0.1", broker.port, None, None, ("pitscribe/1/host/0/state", b"{}"), tls=True, ca=ca)
            line.connect()
            assert (line.connection(), line.retain("a", b"1")) == (number, number is not None)
            line.close()
    finally:
        broker.stop()


def test_the_examples_of_the_page_are_those_of_this_version(world):
    watch = Watch(world.ledger, world.clock)
    watch._outlook.run = lambda work: work()
    watch.step()
    body, host = watch.now().body, 0x1A2B3C4D
    fresh = packs_of(body, world.clock.now(), host) | discovery_of(body, host, Hub())
    fresh[f"pitscribe/1/host/{host:08x}/state"] = state_of(True)
    written = re.findall(r"^    (\S+/\S+)\n((?:      .*\n)+)", PAGE, re.M)
    assert len(written) == 9
    for topic, lines in written:
        said = json.loads("".join(line.strip() for line in lines.splitlines()))
        assert _shape(said) == _shape(json.loads(fresh[topic])), "make them anew: tests/system/neighbours_seen.py"


def _shape(value):
    """What is said, without the figures."""
    if isinstance(value, list):
        return [_shape(one) for one in value]
    if isinstance(value, dict):
        return {k: v if k in ("n", "bn", "u", "topic", "value_template") else _shape(v) for k, v in value.items()}
    return type(value)


def test_a_serve_that_is_killed_is_offline_by_its_last_will_and_the_next_one_takes_away_what_it_left(
    tmp_path, monkeypatch
):
    """The real command, by SIGKILL: nothing of it can have run."""
    monkeypatch.setattr(page_world, "START", time.time() - 3600 - 30)
    home = tmp_path / "home"
    home.mkdir(mode=0o700)
    make_world(home, hours=1).ledger.close()
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
    """A broker that can be away, be slow, and refuse."""

    def __init__(self):
        self.here, self.lies, self.sent, self.slow, self.refused = 1, {}, [], False, ()

    def connection(self):
        return self.here

    def retain(self, topic, payload):
        if topic in self.refused:
            return False
        self.sent.append(topic)
        self.lies[topic] = payload
        return True

    def waits(self, topic):
        return self.slow


@pytest.fixture
def road():
    return Road()


@pytest.fixture
def shown(tmp_path, road):
    return Shown(Book(tmp_path), road)


def test_a_topic_is_written_down_before_it_is_shown(tmp_path, road, shown):
    seen = []
    road.retain = lambda topic, payload: seen.append((topic, topic in Book(tmp_path).topics)) or True
    shown.show({"a": b"1", "b": b"1"})
    assert seen == [("a", True), ("b", True)]


def test_a_topic_stays_written_down_until_the_broker_has_confirmed_that_it_is_gone(tmp_path, road, shown):
    shown.show({"a": b"1", "b": b"1"})
    road.slow = True
    for connection in (1, 1, 2, 2):
        road.here = connection
        shown.show({"a": b"1"})
        assert Book(tmp_path).topics == {"a", "b"}
    assert road.sent == ["a", "b", "b", "b", "a"], "cleared once a connection"
    road.slow = False
    shown.show({"a": b"1"})
    assert Book(tmp_path).topics == {"a"}
    shown.show({"a": b"1"})
    assert len(road.sent) == 5


def test_a_topic_that_is_wanted_again_after_it_was_cleared_is_shown(road, shown, tmp_path):
    shown.show({"a": b"1"})
    shown.show({})
    shown.show({"a": b"1"})
    shown.show({"a": b"1"})
    assert (road.lies, road.sent, Book(tmp_path).topics) == ({"a": b"1"}, ["a", "a", "a"], {"a"})


def test_nothing_is_sent_to_a_broker_that_is_away(road, shown, tmp_path):
    road.here = None
    shown.show({"b": b"1"})
    assert (road.sent, Book(tmp_path).topics) == ([], frozenset())


def test_what_was_refused_is_tried_again_when_it_may_be(road, shown, tmp_path):
    road.refused = ("a",)
    shown.show({"a": b"1", "b": b"1"})
    shown.show({"a": b"1", "b": b"1"})
    road.refused = ()
    shown.show({"a": b"1", "b": b"1"})
    assert road.sent == ["b", "a"]


EVENTS = ("well", "slow", "away", "loses the last", "forgets", "refuses", "host crashes")


@given(st.lists(
    st.tuples(st.dictionaries(st.sampled_from("abc"), st.sampled_from([b"1", b"2"])), st.sampled_from(EVENTS)),
    max_size=12,
))
@settings(max_examples=40, deadline=None)
def test_whatever_happens_in_the_end_what_is_wanted_lies_there_and_nothing_else(turns):
    with tempfile.TemporaryDirectory() as name:
        road = Road()
        shown = Shown(Book(Path(name)), road)
        for n, (wanted, event) in enumerate([*turns, ({"a": b"9"}, "well"), ({"a": b"9"}, "well")]):
            before = dict(road.lies)
            road.here = None if event == "away" else road.here or n + 2
            road.slow, road.refused = event in ("slow", "loses the last"), "ab" if event == "refuses" else ""
            shown.show(wanted)
            if event == "loses the last":
                road.lies, road.here = before, None
            elif event == "forgets":
                road.lies, road.here = {}, None
            elif event == "host crashes":
                shown, road.here = Shown(Book(Path(name)), road), n + 2
        assert {topic: payload for topic, payload in road.lies.items() if payload} == {"a": b"9"}


def test_a_disk_that_is_full_keeps_what_is_new_back_and_clears_what_is_old(road, shown, tmp_path, monkeypatch):
    shown.show({"a": b"1", "b": b"1"})
    with monkeypatch.context() as patch:
        patch.setattr("pitscribe.neighbours.shown.write_private", _full)
        with pytest.raises(ConfigError, match="no space"):
            shown.show({"a": b"2", "c": b"1"})
    assert road.lies == {"a": b"1", "b": b""}
    shown.show({"a": b"2", "c": b"1"})
    assert (road.lies, Book(tmp_path).topics) == ({"a": b"2", "b": b"", "c": b"1"}, {"a", "c"})


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
