"""What settings may be: every key's type, bounds and default.

Loaded where settings are read or changed, and let go of again (``pitlogger.forget``): a logger reads its settings once
in a night.
"""

import json
import os
from binascii import hexlify

from pitlogger.chips import CHIPS, LIMITS, ON_I2C, TYPES
from pitlogger.chips.max31856 import WIDE

# A line a setting: its key; "int" or "str", least, most (of text, the length), or "pin", or the choices; its default. A
# table of tuples would take three times the room.
_TOP = """
name str 1 40 logger
period_ms int 250 60000 1000
frame_ticks int 4 192 128
journal str 1 60 journal
journal_kb int 0 1000000 0
keep oldest|newest oldest
now_s int 1 3600 1
state_s int 5 65535 60
mains_hz 50|60 60
average 1|2|4|8|16 16
watchdog_ms int 0 8388 8000
units F|C F
trend_min 1|2|5|10 5
supply_pin 0|26|27|28|29 0
supply_ratio int 1000 20000 3000
secret str 0 64
ntp str 0 64
name_server str 0 21
usb int 0 1 1
"""
_BROKER = """
host str 0 64
port int 1 65535 1883
tls int 0 1 0
ca str 1 60 ca.der
user str 0 64
password str 0 64
keepalive_s int 10 65535 60
ack_s int 2 65535 10
window int 1 16 4
"""
_HOTSPOT = """
when needed|always|never needed
ssid str 0 32
key str 0 63
pin str 0 12
port int 1 65535 80
dns int 0 65535 53
"""
_PANEL = """
screen none|ssd1306|sh1106 ssd1306
i2c int 0 1 0
address int 60 61 60
turn 0|180 0
buzzer pin -1
page pin -1
note pin -1
note_kind wrap|unwrap|rotate|spritz|fuel|lid|ice|boat|pan|pull|hold fuel
"""
_CHANNEL = """
chip %s none
tc %s K
place str 0 20
kind |air|meat
offset int -2000 2000 0
low int -100 2000 -100
high int -100 2000 2000
""" % ("|".join(CHIPS), "|".join(TYPES))
# What a channel has besides, by its chip.
_ON_SPI = "spi int 0 1 0\ncs pin 0\n"
_ON_I2C = "i2c int 0 1 0\naddress int 96 103 96\n"
_LIMITS = "".join(
    "%s int %s %d\n" % (key, "-64 127" if key.startswith("cold") else "-2048 2048", value)
    for key, value in zip(LIMITS, WIDE)
)
_SPI = """
id int 0 1 0
sck pin 18
mosi pin 19
miso pin 16
baud int 100000 5000000 1000000
"""
_I2C = """
id int 0 1 0
sda pin 4
scl pin 5
baud int 10000 100000 100000
"""
_WIFI = """
ssid str 1 32 ?
password str 0 63
"""
_OBJECTS = {"broker": _BROKER, "hotspot": _HOTSPOT, "panel": _PANEL}
_LISTS = {"channels": (_CHANNEL, 1, 8), "spi": (_SPI, 1, 2), "i2c": (_I2C, 0, 2), "wifi": (_WIFI, 0, 8)}

_PINS = (17, 20, 21, 22, 26, 27)
# Those on the edge of a Pico and a Pico W, whose 23 to 25 and 29 are the radio's or the supply's (from memory).
_ON_EDGE = tuple(range(23)) + (26, 27, 28)


def rows(lines):
    """Give (key, (type, least, most, default)) of each line of a table above; choices, a tuple, stand for least."""
    for line in lines.split("\n"):
        if line:
            words = line.split(" ")
            yield words[0], _rule(words[1:])


def _rule(words):
    if words[0] in ("int", "str"):
        least, most = int(words[1]), int(words[2])
        if words[0] == "int":
            return int, least, most, int(words[3])
        return str, least, most, words[3] if len(words) > 3 else ""
    if words[0] == "pin":
        pin = int(words[1])
        return int, (_ON_EDGE if pin >= 0 else (-1,) + _ON_EDGE), None, pin
    choices, default = tuple(words[0].split("|")), words[1] if len(words) > 1 else ""
    if default.isdigit():
        return int, tuple(int(c) for c in choices), None, int(default)
    return str, choices, None, default


def defaults():
    """Return the settings of a logger as the build guide wires it: six MAX31855 for type K."""
    values = _plain(_TOP)
    for key, rules in _OBJECTS.items():
        values[key] = _plain(rules)
    values["channels"] = [_plain(_channel_rules({"chip": "max31855"})) for _ in _PINS]
    for channel, cs in zip(values["channels"], _PINS):
        channel["chip"], channel["cs"] = "max31855", cs
    values["spi"] = [_plain(_SPI)]
    values["i2c"] = []
    values["wifi"] = []
    return values


def take(given, values, complaints):
    """Put what is given into ``values`` (the defaults) as far as it fits; add a line for each thing that does not."""
    for key, rule in rows(_TOP):
        if key in given:
            before = len(complaints)
            values[key] = _checked(key, given[key], rule, complaints)
            if key == "secret" and len(complaints) > before:  # without one anybody would be believed
                complaints[before] = "secret: not a text of 16 to 64 characters; no host is believed"
                values[key] = hexlify(os.urandom(16)).decode()
    for key, value in given.items():
        if key in _OBJECTS:
            values[key] = _object(key, value, _OBJECTS[key], complaints)
        elif key in _LISTS:
            values[key] = _list(key, value, values[key], complaints)
        elif key not in values:
            complaints.append("%s: not a setting" % key)


def _list(key, value, default, complaints):
    lines, least, most = _LISTS[key]
    if not isinstance(value, list) or not least <= len(value) <= most:
        complaints.append("%s: not a list of %d to %d; default used" % (key, least, most))
        return default
    made = []
    for i, v in enumerate(value):
        of_this = _channel_rules(v) if key == "channels" else lines
        made.append(_object("%s[%d]" % (key, i), v, of_this, complaints))
    return made


def _channel_rules(given):
    """Return the rules for a channel with the chip that is given."""
    chip = given.get("chip") if isinstance(given, dict) else None
    return _CHANNEL + (_ON_I2C if chip in ON_I2C else _ON_SPI) + (_LIMITS if chip == "max31856" else "")


def _plain(lines):
    return {key: rule[3] for key, rule in rows(lines)}


def _object(where, given, lines, complaints):
    values = _plain(lines)
    if not isinstance(given, dict):
        complaints.append("%s: not an object; default used" % where)
        return values
    for key, rule in rows(lines):
        if key in given:
            values[key] = _checked("%s.%s" % (where, key), given[key], rule, complaints)
    for key in given:
        if key not in values:
            complaints.append("%s.%s: not a setting" % (where, key))
    return values


def _checked(where, value, rule, complaints):
    kind, least, most, default = rule
    if type(value) is kind:
        if kind is str:
            value = _joined(value)
        if isinstance(least, tuple):
            good = value in least
        else:
            good = least <= (len(value) if kind is str else value) <= most
        if good:
            return value
    complaints.append("%s: %s does not fit; %s used" % (where, json.dumps(value)[:40], json.dumps(default)))
    return default


def _joined(text):
    """Join the surrogate pairs that MicroPython's JSON reader leaves apart: apart they would not be UTF-8."""
    made = ""
    high = 0
    for letter in text:
        code = ord(letter)
        if 0xD800 <= code < 0xDC00:
            high = code
        elif 0xDC00 <= code < 0xE000:
            made += chr(0x10000 + ((high - 0xD800) << 10) + code - 0xDC00) if high else "?"
            high = 0
        else:
            made += letter
            high = 0
    return made
