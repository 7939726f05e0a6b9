"""MQTT discovery: retained messages by which a home hub learns what to make of our topics. Pure functions.

The convention is Home Assistant's, which other hubs understand as well: a JSON object at
``<prefix>/<component>/<node>/<object>/config``, and an empty message there when the thing is gone. From memory, with
its documentation of the topic's form seen; docs/SOURCES.md says which is which.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from pitscribe import __version__
from pitscribe.neighbours.senml import name_of
from pitscribe.wire.messages import host_topic, state_topic, temp_topic

SHOWN = "{{ 'online' if value else 'offline' }}"  # an empty message: nothing is shown there any more
ONLINE = "{{ 'online' if value and value_json.online else 'offline' }}"

Body = Mapping[str, Any]


class Hub(NamedTuple):
    """How home hubs are spoken to. ``prefix``: the topic under which they look; ``units``: "F" or "C", for the spread:
    a hub converts a temperature itself, and takes a difference for one if it is told that it is."""

    prefix: str = "homeassistant"
    units: str = "F"
Message = dict[str, Any]


def is_config(topic: str) -> bool:
    """Whether a topic is one of discovery."""
    return topic.endswith("/config")


def discovery_of(body: Body, host: int, hub: Hub) -> dict[str, bytes]:
    """The discovery messages of a running cook, by topic; none where no cook runs.

    host : the number of this host among those on the broker
    """
    if body["cook"] is None:
        return {}
    node = f"pitscribe_{host:08x}"
    found = [*_places(body, host), _spread(host, hub.units), _finish(host), *_loggers(body, node)]
    return {
        f"{hub.prefix}/{component}/{node}/{thing}/config": _said(
            {"unique_id": f"{node}_{thing}", **_of(node), **message}
        )
        for component, thing, message in found
    }


def _said(message: Message) -> bytes:
    return json.dumps(message, ensure_ascii=False, separators=(",", ":")).encode()


def _of(node: str) -> Message:
    """What every message says: whose it is, and who sent it."""
    return {
        "device": {"identifiers": [node], "name": "Pitscribe"},
        "origin": {"name": "Pitscribe", "sw_version": __version__},
    }


def _places(body: Body, host: int) -> Iterator[tuple[str, str, Message]]:
    there = [p for p in body["places"] if p["logger"] is not None and p["quality"] != "over"]
    for place in there:
        yield "sensor", f"place_{name_of(place['place'])}", _temperature(place["place"], place, host)
    pit = body["pit"]
    for place in there:
        if pit and place["place"] == pit["place"]:
            yield "sensor", "pit", _temperature("pit", place, host)


def _temperature(name: str, place: Body, host: int) -> Message:
    topic = temp_topic(int(place["logger"], 16), place["channel"])
    logger = {"topic": state_topic(int(place["logger"], 16)), "value_template": ONLINE}
    return {
        "name": name, "device_class": "temperature", "state_class": "measurement", "unit_of_measurement": "°C",
        "suggested_display_precision": 1, "expire_after": round(place["stale_after_s"]), **_first(topic, "v"),
        **_available(host, [{"topic": topic, "value_template": SHOWN}, logger]),
    }


def _spread(host: int, units: str) -> tuple[str, str, Message]:
    topic = host_topic(host, "spread")
    factor, unit = (" * 1.8", "°F") if units == "F" else ("", "K")
    return "sensor", "spread", {
        # No device class: a hub that shows deg F would add 32 to a difference.
        "name": "spread", "state_class": "measurement", "unit_of_measurement": unit, "suggested_display_precision": 1,
        "state_topic": topic, "value_template": f"{{{{ value_json[0].v{factor} if value else None }}}}",
        **_available(host, [{"topic": topic, "value_template": SHOWN}]),
    }


def _finish(host: int) -> tuple[str, str, Message]:
    topic = host_topic(host, "finish")
    return "sensor", "finish", {
        "name": "finish of the coldest place", "device_class": "timestamp", **_first(topic, "vs"),
        **_available(host, [{"topic": topic, "value_template": SHOWN}]),
    }


def _loggers(body: Body, node: str) -> Iterator[tuple[str, str, Message]]:
    for logger in body["loggers"]:
        device = {"identifiers": [f"{node}_{logger['logger']}"], "name": logger["name"] or logger["logger"]}
        yield "binary_sensor", f"logger_{logger['logger']}", {
            "name": "online", "device_class": "connectivity", "entity_category": "diagnostic",
            "state_topic": state_topic(int(logger["logger"], 16)),
            "value_template": "{{ 'ON' if value and value_json.online else 'OFF' }}",
            "device": {**device, "via_device": node},
        }


def _first(topic: str, label: str) -> Message:
    """Where the value is: in the first record of the pack."""
    return {"state_topic": topic, "value_template": f"{{{{ value_json[0].{label} if value else None }}}}"}


def _available(host: int, topics: Iterable[Message]) -> Message:
    """Only what all of them call available is: this host as well, whose last will says when it died."""
    own = {"topic": host_topic(host, "state"), "value_template": ONLINE}
    return {"availability": [*topics, own], "availability_mode": "all"}
