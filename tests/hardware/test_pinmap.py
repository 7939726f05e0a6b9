"""The pin map: it fits the board, and the firmware's defaults, example settings and documents say the same."""

import copy
import itertools
import json
import re
import sys
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pinmap
from pinmap import PinMap, PinMapError

ROOT = Path(__file__).parents[2]
sys.path.append(str(ROOT / "tests" / "firmware"))
from firmware_rig import run  # noqa: E402

MAP = pinmap.load()
FILE = tomllib.loads(pinmap.FILE.read_text(encoding="utf-8"))
EXAMPLE = json.loads((ROOT / "firmware_mpy" / "config.example.json").read_text(encoding="utf-8"))
README = (ROOT / "firmware_mpy" / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def defaults(tmp_path_factory) -> dict:
    """The firmware's own defaults, said by MicroPython."""
    script = "import json\nfrom pitlogger import rules\nprint(json.dumps(rules.defaults()))\n"
    return json.loads(run(script, tmp_path_factory.mktemp("defaults")))


def changed(**places: object) -> dict:
    """The file with other values: changed(spi0__sck=3, channel__0__cs=4)."""
    made = copy.deepcopy(FILE)
    for place, value in places.items():
        *way, last = place.split("__")
        inner = made
        for step in way:
            inner = inner[int(step) if step.isdigit() else step]
        inner[last] = value
    return made


def differences(made: PinMap, values: dict) -> list[str]:
    """Where settings of the firmware do not say what the pin map says. Only what they use is compared."""
    wrong = [] if values["spi"] == [{"id": 0, **made.spi}] else ["spi"]
    if [c["cs"] for c in values["channels"]] != made.selects:
        wrong.append("select pins")
    wrong += [f"channel {i}: chip" for i, c in enumerate(values["channels"][: len(made.channels)])
              if c["chip"].partition("-")[0] not in made.channels[i][1]]  # -gain8: the same chip, set otherwise
    if values["i2c"] and values["i2c"] != [{"id": 0, **made.i2c}]:
        wrong.append("i2c")
    panel = values["panel"]
    if panel["address"] != made.screen_address:
        wrong.append("screen's address")
    wrong += [f"panel.{key}" for key, pin in (("buzzer", made.buzzer), *made.buttons.items())
              if panel[key] not in (-1, pin)]
    if values["supply_pin"] not in (0, made.supply["pin"]) or values["supply_ratio"] != made.supply["ratio"]:
        wrong.append("supply")
    return wrong


def rows(made: PinMap) -> list[str]:
    """What the firmware's README must say of pins, from the pin map."""
    pins = ", ".join(map(str, made.selects[:-1]))
    said = [f"pins {pins} and {made.selects[-1]}"]
    said += [rf"`spi\[\]\.{key}` \| [^|]*\| {made.spi[key]} \|" for key in ("sck", "mosi", "miso", "baud")]
    said += [rf"`i2c\[\]\.{key}` \| [^|]*\| {made.i2c[key]} \|" for key in ("sda", "scl", "baud")]
    return [*said, rf"`panel\.address` \| [^|]*\| {made.screen_address} \|",
            rf"`supply_ratio` \| [^|]*\| {made.supply['ratio']} \|"]


def test_every_pin_offers_what_the_chip_has_there_by_the_rule_of_its_micropython_port():
    """micropython, ports/rp2/machine_spi.c and machine_i2c.c: SPI of a pin is bit 3, its role the low two bits; I2C is
    bit 1, its role the lowest. Seen. ADC on 26 to 29: RP2040 data sheet, from memory."""
    roles = {0: "miso", 2: "sck", 3: "mosi"}
    for pin in MAP.pins:
        if pin.gp is None:
            continue
        wanted = {f"i2c{pin.gp >> 1 & 1}.{'scl' if pin.gp & 1 else 'sda'}"}
        wanted |= {f"spi{pin.gp >> 3 & 1}.{roles[pin.gp & 3]}"} if pin.gp & 3 in roles else set()
        wanted |= {"adc"} if pin.gp >= 26 else set()
        assert pin.offers == wanted, pin


def test_the_header_is_that_of_the_board():
    """Every third to fifth pin is ground, 26 GP pins, supplies at the end: the board's published pin-out, seen."""
    assert [pin.n for pin in MAP.pins if pin.name == "GND"] == [3, 8, 13, 18, 23, 28, 38]
    assert {pin.n: pin.name for pin in MAP.pins if pin.gp is None and pin.name != "GND"} == {
        30: "RUN", 33: "AGND", 35: "ADC_VREF", 36: "3V3", 37: "3V3_EN", 39: "VSYS", 40: "VBUS"}
    assert sorted(pin.gp for pin in MAP.pins if pin.gp is not None) == [*range(23), 26, 27, 28]
    assert sorted(MAP.reserved) == [23, 24, 25, 29]


@pytest.mark.parametrize(("places", "complaint"), [
    ({"spi0__sck": 17}, "GP17: SPI0 sck and channel 0 select are both on it"),
    ({"spi0__miso": 12}, "GP12: SPI0 miso asks for spi0.miso, which is not there"),
    ({"i2c0__sda": 5, "i2c0__scl": 4}, "GP5: I2C0 sda asks for i2c0.sda, which is not there"),
    ({"channel__3__cs": 23}, "GP23: channel 3 select is on a pin of the board's own (radio on)"),
    ({"channel__3__cs": 40}, "GP40: channel 3 select is on a pin that is not on the header"),
    ({"supply__pin": 2}, "GP2: supply measured asks for adc, which is not there"),
    ({"supply__ratio": 2000}, "supply.ratio: 2000 is not what R4 and R5 make"),
    ({"channel__0__chips": ["max6675"]}, "channel 0: no such chip: max6675"),
    ({"part__1__choices": ["one", "one"]}, "fewer than two choices"),
    ({"part__1__pads": {"VCC": ["power", "3V3"]}}, "no such electrical kind: power"),
    ({"part__7__with": "radio"}, "there is no 'radio'"),
    ({"spi0": {"sck": 18}}, "there is no 'mosi'"),
])
def test_a_map_that_cannot_be_is_refused_with_the_reason(places, complaint):
    with pytest.raises(PinMapError, match=re.escape(complaint)):
        pinmap.read(changed(**places))


def test_a_file_that_is_no_toml_is_refused_by_name(tmp_path):
    (tmp_path / "pinmap.toml").write_text("[board\n")
    with pytest.raises(PinMapError, match=r"pinmap\.toml"):
        pinmap.load(tmp_path / "pinmap.toml")


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(0, 29), min_size=6, max_size=6), st.integers(0, 29), st.integers(0, 29))
def test_select_pins_pass_if_and_only_if_each_is_on_the_header_and_alone(selects, buzzer, note):
    places = {f"channel__{c}__cs": cs for c, cs in enumerate(selects)}
    made = changed(**places, buzzer__pin=buzzer, buttons__note=note)
    used = [*selects, buzzer, note, 14, 18, 16, 19, 4, 5, 28]  # the other pins of the map
    good = len(set(used)) == len(used) and not {23, 24, 25, 29} & set(used)
    if good:
        assert pinmap.read(made).selects == selects
    else:
        with pytest.raises(PinMapError):
            pinmap.read(made)


def test_the_firmwares_defaults_are_the_standard_build(defaults):
    assert differences(MAP, defaults) == []
    assert [c["chip"] for c in defaults["channels"]] == [may[0] for _, may in MAP.channels]


def test_the_example_settings_fit_the_pin_map():
    assert differences(MAP, EXAMPLE) == []


def test_the_firmwares_readme_says_the_same_pins():
    assert [row for row in rows(MAP) if not re.search(row, README)] == []


@pytest.mark.parametrize("places", [
    {"channel__2__cs": 6}, {"spi0__sck": 2}, {"spi0__miso": 0}, {"spi0__mosi": 3}, {"spi0__baud": 500000},
    {"screen__address": 61},
])
def test_a_pin_changed_in_the_map_alone_is_seen_in_all_three(places, defaults):
    made = pinmap.read(changed(**places))
    assert differences(made, defaults)
    assert differences(made, EXAMPLE)
    assert [row for row in rows(made) if not re.search(row, README)]


def test_a_bus_changed_in_the_map_alone_is_seen_in_the_readme():
    made = pinmap.read(changed(i2c0__sda=0, i2c0__scl=1))
    assert [row for row in rows(made) if not re.search(row, README)]


def test_the_firmware_takes_the_settings_of_every_build_without_a_complaint(tmp_path):
    mixed = ["max31855"] * 4 + ["max31856"] * 2
    builds = [MAP.settings(chips, things) for chips in (None, mixed)
              for k in range(len(pinmap.THINGS) + 1) for things in itertools.combinations(pinmap.THINGS, k)]
    (tmp_path / "builds.json").write_text(json.dumps(builds))
    script = """
import json
from pitlogger import rules, settle
for given in json.load(open("builds.json")):
    complaints = []
    values = rules.defaults()
    rules.take(given, values, complaints)
    settle.reconcile(values, complaints)
    print(json.dumps([complaints, values["channels"], values["spi"], values["i2c"], values["panel"],
                      values["supply_pin"]]))
"""
    said = [json.loads(line) for line in run(script, tmp_path).splitlines()]
    assert len(said) == len(builds) == 64
    for build, (complaints, channels, spi, i2c, panel, supply) in zip(builds, said, strict=True):
        assert complaints == []
        assert [(c["chip"], c["cs"]) for c in channels] == [(c["chip"], c["cs"]) for c in build["channels"]]
        assert (spi, i2c, supply) == (build["spi"], build["i2c"], build["supply_pin"])
        assert {key: panel[key] for key in build["panel"]} == build["panel"]
