"""What a home hub is told of a cook by MQTT discovery.

The convention is from memory (docs/SOURCES.md, section 17), so are the tables here; the templates are rendered by
Jinja2, the library that the hub renders them with, given what the hub gives: ``value``, and ``value_json`` where that
is JSON.
"""

import contextlib
import json
import re
from datetime import UTC, datetime

import jinja2
import pytest
from page_world import LOGGER, OPEN_BIT

from pitscribe.config import read_config
from pitscribe.errors import ConfigError, StoreError
from pitscribe.neighbours.discovery import Hub, discovery_of
from pitscribe.neighbours.packs import packs_of

HOST = 0x1A2B3C4D
NODE = "pitscribe_1a2b3c4d"
# Units that the hub takes for a device class (from memory); None: it must have none.
UNITS = {"temperature": {"°C", "°F", "K"}, "timestamp": {None}, "connectivity": {None}}
ONLINE = json.dumps({"v": 1, "online": True, "boot": 3}).encode()
OFFLINE = json.dumps({"v": 1, "online": False, "boot": 3}).encode()
OWN = f"pitscribe/1/host/{HOST:08x}/state"
STATES = {f"pitscribe/1/{LOGGER:08x}/state": ONLINE, OWN: ONLINE}


PLAIN = Hub()


def told(watch, hub=PLAIN):
    """{object: message} of what a hub is told."""
    found = {}
    for topic, payload in discovery_of(watch.now().body, HOST, hub).items():
        prefix, component, node, thing, last = topic.split("/")
        assert (prefix, node, last) == (hub.prefix, NODE, "config")
        assert component == ("binary_sensor" if thing.startswith("logger_") else "sensor")
        assert re.fullmatch(r"[a-zA-Z0-9_-]+", thing), "the convention's letters"
        found[thing] = json.loads(payload)
    return found


def render(template, payload):
    """What a hub makes of a message by a template."""
    text = payload.decode()
    values = {"value": text}
    with contextlib.suppress(ValueError):
        values["value_json"] = json.loads(text)
    return jinja2.Environment(undefined=jinja2.StrictUndefined).from_string(template).render(values)


def state(message, lies):
    """A hub's view of one thing, from what lies at the topics that it names: a state, or None: not available."""
    for one in message.get("availability", ()):
        answer = render(one["value_template"], lies.get(one["topic"], b""))
        assert answer in ("online", "offline"), "the convention's defaults"
        if answer == "offline":
            return None
    return render(message["value_template"], lies.get(message["state_topic"], b""))


PLACES = {"grate", "firebox_20end", "flat", "point", "tip", "second_20flat"}
THINGS = {*(f"place_{p}" for p in PLACES), "pit", "spread", "finish", f"logger_{LOGGER:08x}"}


def test_a_hub_is_told_of_every_place_the_pit_the_spread_the_finish_and_the_logger(watch):
    messages = told(watch)
    assert messages.keys() == THINGS
    for thing, message in messages.items():
        assert message["unique_id"] == f"{NODE}_{thing}"
        assert message["device"]["identifiers"]
        kind = message.get("device_class")
        assert message.get("unit_of_measurement") in UNITS.get(kind, {"°F"})
        numeric = "unit_of_measurement" in message
        assert message.get("state_class") == ("measurement" if numeric else None)
    assert messages[f"logger_{LOGGER:08x}"]["device"] == {
        "identifiers": [f"{NODE}_{LOGGER:08x}"], "name": "smoker", "via_device": NODE,
    }


def test_a_hub_that_follows_the_messages_sees_what_the_watch_sees(foreseen, world):
    body = foreseen.now().body
    lies = packs_of(body, world.clock.now(), HOST) | STATES
    seen = {message["name"]: state(message, lies) for message in told(foreseen).values()}
    for place in body["places"]:
        assert float(seen[place["place"]]) == place["celsius"]
    assert float(seen["pit"]) == body["pit"]["celsius"]
    assert float(seen["spread"]) == pytest.approx(body["spread"]["kelvin"] * 1.8)
    finish = datetime.fromisoformat(seen["finish of the coldest place"])
    exact = next(f["p50"] for f in body["forecasts"] if f["place"] == "coldest")
    assert finish.utcoffset() is not None, "a time without a zone is refused by a hub"
    assert abs((finish - datetime.fromisoformat(exact)).total_seconds()) <= 1800
    assert finish > datetime.fromtimestamp(world.clock.now(), UTC)
    assert seen["online"] == "ON"


def test_a_spread_is_not_called_a_temperature_for_a_hub_would_add_32_to_it(watch, world):
    lies = packs_of(watch.now().body, world.clock.now(), HOST) | STATES
    for units, unit, factor in (("F", "°F", 1.8), ("C", "K", 1.0)):
        message = told(watch, Hub(units=units))["spread"]
        assert "device_class" not in message
        assert message["unit_of_measurement"] == unit
        assert float(state(message, lies)) == pytest.approx(factor * watch.now().body["spread"]["kelvin"])


@pytest.mark.parametrize("gone", [f"pitscribe/1/{LOGGER:08x}/state", OWN, f"pitscribe/1/{LOGGER:08x}/temp/2"])
@pytest.mark.parametrize("payload", [b"", OFFLINE])
def test_a_place_is_not_available_without_its_logger_its_host_or_a_fresh_reading(watch, world, gone, payload):
    if payload and gone.endswith("2"):
        payload = b""
    lies = packs_of(watch.now().body, world.clock.now(), HOST) | STATES
    flat = told(watch)["place_flat"]
    assert state(flat, lies) is not None
    assert state(flat, lies | {gone: payload}) is None


def test_an_emptied_topic_is_no_error_in_a_template(watch):
    for message in told(watch).values():
        assert render(message["value_template"], b"") in ("None", "OFF")


def test_a_logger_that_is_away_is_told_by_its_own_last_will(watch):
    message = told(watch)[f"logger_{LOGGER:08x}"]
    assert state(message, STATES) == "ON"
    assert state(message, STATES | {f"pitscribe/1/{LOGGER:08x}/state": OFFLINE}) == "OFF"


def test_a_placement_that_ends_takes_its_place_away_and_a_probe_at_fault_does_not(watch, world):
    (flat,) = (p for p in world.ledger.placements(world.cook.id) if p.place == "flat")
    world.ledger.end_placement(flat.id)
    world.faults = {"point": OPEN_BIT}
    world.carry_on(1000)
    assert THINGS - told(watch).keys() == {"place_flat"}


def test_without_a_cook_a_hub_is_told_nothing(watch, world):
    world.ledger.end_cook(world.cook.id)
    assert told(watch) == {}


def test_a_failing_analysis_is_marked_so_that_nothing_is_taken_from_a_hub_meanwhile(watch, world, monkeypatch):
    watch.now()
    monkeypatch.setattr(world.ledger, "placements", lambda *_: (_ for _ in ()).throw(StoreError("the disk is gone")))
    body = watch.now().body
    assert any(t["key"] == "watch" for t in body["troubles"]), "by this the turn leaves a hub's messages alone"


def test_a_place_may_have_the_name_of_anything_else(watch, world):
    body = watch.now().body
    odd = ["pit", "spread", "a/b +#", "größte Stelle", "{{ value }}", 'x"y\\']
    places = [{**p, "place": name} for p, name in zip(body["places"], odd, strict=True)]
    messages = discovery_of({**body, "places": places, "pit": {**body["pit"], "place": "pit"}}, HOST, Hub())
    assert len(messages) == len(THINGS)
    assert all(topic.count("/") == 4 and not set(topic) & set("+# ") for topic in messages)
    said = [json.loads(m) for m in messages.values()]
    assert [m["name"] for m in said if "place_" in m["unique_id"]] == odd
    assert len({m["unique_id"] for m in said}) == len(said)
    assert all("größ" not in t and "}}" not in t for m in said for t in (m["unique_id"], m["state_topic"]))


# the setting


@pytest.mark.parametrize(
    ("text", "prefix"),
    [("", None), ('discovery = "homeassistant"', "homeassistant"), ('discovery = "a/b/"', "a/b")],
)
def test_discovery_is_off_until_the_prefix_of_a_hub_is_named(tmp_path, text, prefix):
    (tmp_path / "pitscribe.toml").write_text(f"[neighbours]\n{text}\n")
    assert read_config(tmp_path).discovery == prefix


@pytest.mark.parametrize("value", ['""', '"/"', '"a/#"', '"+"', "true", '"pitscribe"', '"pitscribe/1"'])
def test_a_prefix_that_cannot_be_is_refused(tmp_path, value):
    (tmp_path / "pitscribe.toml").write_text(f"[neighbours]\ndiscovery = {value}\n")
    with pytest.raises(ConfigError, match=r"neighbours\.discovery"):
        read_config(tmp_path)
