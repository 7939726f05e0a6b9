"""Settings: bounds, typing errors, damage, and the example file."""

import json
import re

import pytest
from firmware_rig import FIRMWARE, run
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

READ = """
import json
from pitlogger import rules, settings
values, complaints = settings.read("config.json")
print(json.dumps([values, complaints]))
"""


def read(flash, content: bytes | None):
    if content is not None:
        (flash / "config.json").write_bytes(content)
    return json.loads(run(READ, flash))


def test_example_is_a_settings_file_without_a_complaint_and_has_every_key(flash):
    example = json.loads((FIRMWARE / "config.example.json").read_text())
    values, complaints = read(flash, json.dumps(example).encode())
    assert complaints == []
    assert values == example


def test_missing_file_is_written_with_the_defaults(flash):
    values, complaints = read(flash, None)
    assert complaints == ["config.json: missing; defaults in use"]
    assert json.loads((flash / "config.json").read_text()) == values
    assert read(flash, None) == [values, []]


@pytest.mark.parametrize("content", [b"", b"{", b'{"period_ms": 10', b"[1]", b"\xff\xfe\x00", b"null"])
def test_damaged_file_gives_the_defaults_and_a_word_and_is_left_as_it_is(content, flash):
    defaults, _ = read(flash, None)
    values, complaints = read(flash, content)
    assert values == defaults
    assert len(complaints) == 1
    assert "damaged" in complaints[0]
    assert (flash / "config.json").read_bytes() == content


# (what is given, the key complained of, where the value is found, what is used)
WRONG = [
    ({"watchdog_ms": 500}, "watchdog_ms", lambda v: v["watchdog_ms"], 3000),
    ({"period_ms": 249}, "period_ms", lambda v: v["period_ms"], 1000),
    ({"period_ms": 60001}, "period_ms", lambda v: v["period_ms"], 1000),
    ({"period_ms": "1000"}, "period_ms", lambda v: v["period_ms"], 1000),
    ({"period_ms": True}, "period_ms", lambda v: v["period_ms"], 1000),
    ({"period_ms": 1000.5}, "period_ms", lambda v: v["period_ms"], 1000),
    ({"mains_hz": 55}, "mains_hz", lambda v: v["mains_hz"], 60),
    ({"name": ""}, "name", lambda v: v["name"], "logger"),
    ({"name": "x" * 41}, "name", lambda v: v["name"], "logger"),
    ({"colour": 1}, "colour", lambda v: "colour" in v, False),
    ({"broker": 7}, "broker", lambda v: v["broker"]["port"], 1883),
    ({"broker": {"host": "smoker example"}}, "broker.host", lambda v: v["broker"]["host"], ""),
    ({"broker": {"host": "a..b"}}, "broker.host", lambda v: v["broker"]["host"], ""),
    ({"ntp": "10.0.0.1:x"}, "ntp", lambda v: v["ntp"], ""),
    ({"ntp": "1.2.3"}, "ntp", lambda v: v["ntp"], ""),
    ({"name_server": "dns.example"}, "name_server", lambda v: v["name_server"], ""),
    ({"secret": "short"}, "secret", lambda v: v["secret"], "short"),
    ({"secret": 7}, "secret", lambda v: len(v["secret"]), 32),
    ({"broker": {"host": "10.0.0.256"}}, "broker.host", lambda v: v["broker"]["host"], ""),
    ({"broker": {"hots": "10.0.0.1"}}, "broker.hots", lambda v: v["broker"]["host"], ""),
    ({"channels": []}, "channels", lambda v: len(v["channels"]), 6),
    ({"channels": [{"chip": "none"}] * 9}, "channels", lambda v: len(v["channels"]), 6),
    ({"channels": [{"chip": "max31857", "cs": 17}]}, "channels[0].chip", lambda v: v["channels"][0]["chip"], "none"),
    ({"channels": [{"chip": "max31855", "tc": "X"}]}, "channels[0].tc", lambda v: v["channels"][0]["tc"], "K"),
    ({"channels": [{"chip": "max31855", "spi": 1}]}, "channels[0].spi", lambda v: v["channels"][0]["chip"], "none"),
    ({"channels": [{"chip": "max31855"}] * 2}, "channels[1].cs", lambda v: v["channels"][1]["chip"], "none"),
    ({"frame_ticks": 200}, "frame_ticks", lambda v: v["frame_ticks"], 128),
    # A pin that is not on the edge of a Pico W (23 to 25 and 29: from memory), and pins of two things.
    ({"panel": {"buzzer": 23}}, "panel.buzzer", lambda v: v["panel"]["buzzer"], -1),
    ({"panel": {"page": 30}}, "panel.page", lambda v: v["panel"]["page"], -1),
    ({"spi": [{"sck": 25}]}, "spi[0].sck", lambda v: v["spi"][0]["sck"], 18),
    ({"panel": {"page": 14, "note": 14}}, "panel.note", lambda v: (v["panel"]["page"], v["panel"]["note"]), [14, -1]),
    ({"panel": {"buzzer": 17}}, "panel.buzzer", lambda v: v["panel"]["buzzer"], -1),  # the first channel's select pin
    ({"panel": {"note": 18}}, "panel.note", lambda v: v["panel"]["note"], -1),  # the bus's clock
    ({"spi": [{"miso": 18}]}, "spi[0].miso", lambda v: v["spi"], []),
    ({"i2c": [{"sda": 19}]}, "i2c[0].sda", lambda v: v["i2c"], []),
    ({"i2c": [{"sda": 4, "scl": 4}]}, "i2c[0].scl", lambda v: v["i2c"], []),
    ({"channels": [{"chip": "max31855", "cs": 16}]}, "channels[0].cs", lambda v: v["channels"][0]["chip"], "none"),
    ({"supply_pin": 26}, "supply_pin", lambda v: v["supply_pin"], 0),  # a channel's by default
]


@pytest.mark.parametrize(("given_", "key", "found", "used"), WRONG)
def test_wrong_value_or_unknown_key_is_named_and_something_sound_is_used(given_, key, found, used, flash):
    values, complaints = read(flash, json.dumps(given_).encode())
    assert complaints[0].split(":")[0] == key
    # What hangs on a bus that is left out is left out with it, and says so.
    assert all(re.match(r"channels\[\d\]\.spi: there is no bus", c) for c in complaints[1:])
    assert json.loads(json.dumps(found(values))) == used


def test_pins_of_an_spi_bus_that_no_channel_is_on_are_free(flash):
    given_ = {"channels": [{"chip": "mcp9600"}], "i2c": [{"sda": 16, "scl": 17}], "panel": {"page": 18, "note": 19}}
    values, complaints = read(flash, json.dumps(given_).encode())
    assert complaints == []
    assert (values["i2c"][0]["sda"], values["panel"]["page"]) == (16, 18)


@pytest.mark.parametrize(("period_ms", "mains_hz", "used"), [(334, 60, 16), (333, 60, 8), (398, 50, 8), (250, 50, 8)])
def test_a_max31856_averages_as_many_conversions_as_fit_in_a_period(period_ms, mains_hz, used, flash):
    """Automatic mode: 82 ms + 16.67 ms a sample at 60 Hz, 98 + 20 at 50 Hz (MAX31856 data sheet, SOURCES section 2)."""
    values, complaints = read(flash, json.dumps({"period_ms": period_ms, "mains_hz": mains_hz}).encode())
    assert (values["average"], complaints) == (used, [])


def test_name_outside_the_basic_plane_stays_utf8_however_the_file_writes_it(flash):
    for ascii_only in (True, False):
        content = json.dumps({"name": "Räucherofen \U0001f525"}, ensure_ascii=ascii_only).encode()
        values, complaints = read(flash, content)
        assert (values["name"], complaints) == ("Räucherofen \U0001f525", [])


NUMBERS = st.integers(-(2**40), 2**40) | st.floats(allow_nan=False, allow_infinity=False)
JSON = st.recursive(
    st.none() | st.booleans() | NUMBERS | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)
KEYS = st.sampled_from(["name", "period_ms", "frame_ticks", "channels", "spi", "wifi", "broker", "average", "journal"])
INNER = st.dictionaries(st.sampled_from(["chip", "tc", "spi", "cs", "id", "baud", "host", "ssid"]), JSON, max_size=4)


@settings(deadline=None, max_examples=25, suppress_health_check=list(HealthCheck))
@given(cases=st.lists(st.dictionaries(KEYS, JSON | INNER | st.lists(INNER, max_size=9), max_size=5), min_size=8))
def test_no_json_whatever_stops_the_logger_from_having_settings(cases, flash):
    (flash / "cases.json").write_text(json.dumps(cases, ensure_ascii=False))
    script = """
import json
from pitlogger import rules, settings
with open("cases.json") as f:
    cases = json.load(f)
expected = rules.defaults()
for case in cases:
    settings.write("config.json", case)
    values, complaints = settings.read("config.json")
    assert set(values) == set(expected), case
    assert 250 <= values["period_ms"] <= 60000 and 1 <= len(values["channels"]) <= 8
    assert 4 <= values["frame_ticks"] <= 192
print("ok")
"""
    assert run(script, flash) == "ok\n"
