"""Settings: ``config.json``, read once, every value typed and bounded. A wrong one is reported and its default used.

A logger without settings, or with a damaged file, still samples and journals: what is wrong goes out in ``state``.
"""

import asyncio
import json
import os
from binascii import hexlify

from pitlogger import files
from pitlogger.addresses import is_name, numeric
from pitlogger.chips import CHIPS, LIMITS, ON_I2C, TYPES
from pitlogger.chips.max31856 import WIDE, conversion_ms

_SHORT_SECRET = 16
_SHORT_KEY = 8  # WPA2 takes no shorter passphrase

SECRETS = ("password", "secret", "key", "pin")  # names of members that do not leave the board

# key: (type, least, most, default); for text least and most are its length; a tuple of choices instead of a least
_TOP = {
    "name": (str, 1, 40, "logger"),
    "period_ms": (int, 250, 60000, 1000),
    "frame_ticks": (int, 4, 192, 128),
    "journal": (str, 1, 60, "journal"),
    "journal_kb": (int, 0, 1000000, 0),
    "keep": (str, ("oldest", "newest"), None, "oldest"),
    "now_s": (int, 1, 3600, 1),
    "state_s": (int, 5, 65535, 60),
    "mains_hz": (int, (50, 60), None, 60),
    "average": (int, (1, 2, 4, 8, 16), None, 16),
    "watchdog_ms": (int, 0, 8388, 8000),
    "units": (str, ("F", "C"), None, "F"),
    "trend_min": (int, (1, 2, 5, 10), None, 2),
    "supply_pin": (int, (0, 26, 27, 28, 29), None, 0),
    "supply_ratio": (int, 1000, 20000, 3000),
    "secret": (str, 0, 64, ""),
    "ntp": (str, 0, 64, ""),
    "name_server": (str, 0, 21, ""),
    "usb": (int, 0, 1, 1),
}
_BROKER = {
    "host": (str, 0, 64, ""),
    "port": (int, 1, 65535, 1883),
    "tls": (int, 0, 1, 0),
    "ca": (str, 1, 60, "ca.der"),
    "user": (str, 0, 64, ""),
    "password": (str, 0, 64, ""),
    "keepalive_s": (int, 10, 65535, 60),
    "ack_s": (int, 2, 65535, 10),
    "window": (int, 1, 16, 4),
}
_HOTSPOT = {
    "when": (str, ("needed", "always", "never"), None, "needed"),
    "ssid": (str, 0, 32, ""),
    "key": (str, 0, 63, ""),
    "pin": (str, 0, 12, ""),
    "port": (int, 1, 65535, 80),
    "dns": (int, 0, 65535, 53),
}
_CHANNEL = {
    "chip": (str, CHIPS, None, "none"),
    "tc": (str, tuple(TYPES), None, "K"),
    "place": (str, 0, 20, ""),
    "kind": (str, ("", "air", "meat"), None, ""),
    "offset": (int, -2000, 2000, 0),
    "low": (int, -100, 2000, -100),
    "high": (int, -100, 2000, 2000),
}
# What a channel has besides, by its chip.
_ON_SPI = {"spi": (int, 0, 1, 0), "cs": (int, 0, 29, 0)}
_ON_I2C = {"i2c": (int, 0, 1, 0), "address": (int, 0x60, 0x67, 0x60)}
_LIMITS = {
    key: (int, -64, 127, value) if key.startswith("cold") else (int, -2048, 2048, value)
    for key, value in zip(LIMITS, WIDE)
}
_SPI = {
    "id": (int, 0, 1, 0),
    "sck": (int, 0, 29, 18),
    "mosi": (int, 0, 29, 19),
    "miso": (int, 0, 29, 16),
    "baud": (int, 100000, 5000000, 1000000),
}
_I2C = {
    "id": (int, 0, 1, 0),
    "sda": (int, 0, 29, 4),
    "scl": (int, 0, 29, 5),
    "baud": (int, 10000, 100000, 100000),
}
_WIFI = {"ssid": (str, 1, 32, "?"), "password": (str, 0, 63, "")}
_OBJECTS = {"broker": _BROKER, "hotspot": _HOTSPOT}
_LISTS = {"channels": (_CHANNEL, 1, 8), "spi": (_SPI, 1, 2), "i2c": (_I2C, 0, 2), "wifi": (_WIFI, 0, 8)}

_PINS = (17, 20, 21, 22, 26, 27)


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


def read(path):
    """Return (settings, complaints): a dict with every key, and a list of lines about what was wrong.

    A missing file is written with the defaults, so that there is one to change.
    """
    complaints = []
    values = defaults()
    try:
        with open(path, "rb") as f:
            given = json.load(f)
        if not isinstance(given, dict):
            raise ValueError("not an object")
    except OSError:
        complaints.append("%s: missing; defaults in use" % path)
        try:
            write(path, values)
        except OSError:
            complaints.append("%s: cannot be written" % path)
        return values, complaints
    except ValueError as error:
        complaints.append("%s: damaged (%s); defaults in use" % (path, error))
        return values, complaints
    _take(given, values, complaints)
    _reconcile(values, complaints)
    return values, complaints


def public(values):
    """Return settings without what is nobody else's business."""
    if isinstance(values, dict):
        return {key: public(value) for key, value in values.items() if key not in SECRETS}
    return [public(value) for value in values] if isinstance(values, list) else values


async def change(path, given, running):
    """Put whole settings in place if all of them fit; return (keys unlike those of ``running``, what is wrong).

    The keys are None if nothing was written: something is wrong, or it is what the file says already. A secret that is
    left out stays as it is: that of a known network goes by its name. OSError if the flash fails.
    """
    if not isinstance(given, dict):
        return None, ["settings: not an object"]
    try:
        with open(path, "rb") as f:
            old = json.load(f)
    except (OSError, ValueError):
        old = {}
    if isinstance(old, dict):
        _keep_secrets(given, old)
    await asyncio.sleep_ms(0)  # each step takes a good part of 100 ms on the board
    values, complaints = defaults(), []
    _take(given, values, complaints)
    await asyncio.sleep_ms(0)
    _reconcile(values, complaints)
    if complaints or values == old:
        return None, complaints
    write(path, values)
    return sorted(key for key in values if values[key] != running.get(key)), []


def _keep_secrets(given, old):
    for key, value in old.items():
        if key in SECRETS:
            given.setdefault(key, value)
        elif isinstance(value, dict):
            if isinstance(given.setdefault(key, {}), dict):
                _keep_secrets(given[key], value)
        elif key == "wifi" and isinstance(value, list) and isinstance(given.get(key), list):
            for network in given[key]:
                for known in value:
                    both = isinstance(network, dict) and isinstance(known, dict)
                    if both and network.get("ssid") == known.get("ssid"):
                        _keep_secrets(network, known)


def write(path, values):
    """Put settings in place whole: a power cut leaves the old file or the new one."""
    files.replace(path, json.dumps(values).encode())


def _take(given, values, complaints):
    for key, value in given.items():
        if key in _TOP:
            before = len(complaints)
            values[key] = _checked(key, value, _TOP[key], complaints)
            if key == "secret" and len(complaints) > before:  # without one anybody would be believed
                complaints[before] = "secret: not a text of 16 to 64 characters; no host is believed"
                values[key] = hexlify(os.urandom(16)).decode()
        elif key in _OBJECTS:
            values[key] = _object(key, value, _OBJECTS[key], complaints)
        elif key in _LISTS:
            rules, least, most = _LISTS[key]
            if not isinstance(value, list) or not least <= len(value) <= most:
                complaints.append("%s: not a list of %d to %d; default used" % (key, least, most))
                continue
            made = []
            for i, v in enumerate(value):
                of_this = _channel_rules(v) if key == "channels" else rules
                made.append(_object("%s[%d]" % (key, i), v, of_this, complaints))
            values[key] = made
        else:
            complaints.append("%s: not a setting" % key)


def _channel_rules(given):
    """Return the rules for a channel with the chip that is given."""
    chip = given.get("chip") if isinstance(given, dict) else None
    rules = dict(_CHANNEL)
    rules.update(_ON_I2C if chip in ON_I2C else _ON_SPI)
    if chip == "max31856":
        rules.update(_LIMITS)
    return rules


def _plain(rules):
    return {key: rule[3] for key, rule in rules.items()}


def _object(where, given, rules, complaints):
    values = _plain(rules)
    if not isinstance(given, dict):
        complaints.append("%s: not an object; default used" % where)
        return values
    for key, value in given.items():
        if key in rules:
            values[key] = _checked("%s.%s" % (where, key), value, rules[key], complaints)
        else:
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


def _reconcile(values, complaints):
    """Settle what single values cannot show."""
    if 0 < len(values["secret"]) < _SHORT_SECRET:
        complaints.append("secret: shorter than %d characters; no host has it" % _SHORT_SECRET)
    while conversion_ms(values["mains_hz"], values["average"]) >= values["period_ms"]:
        values["average"] //= 2  # one conversion fits into the shortest period
    _settle_network(values, complaints)
    _settle_chips(values, complaints)


def _settle_network(values, complaints):
    """Leave out what can be no address."""
    broker = values["broker"]
    if broker["host"] and not (numeric(broker["host"]) or is_name(broker["host"])):
        complaints.append("broker.host: neither an address, such as 192.168.1.10, nor a name; no uplink")
        broker["host"] = ""
    name, _, port = values["ntp"].partition(":")
    if name and not ((numeric(name) or is_name(name)) and (not port or port.isdigit())):
        complaints.append("ntp: neither an address nor a name; not used")
        values["ntp"] = ""
    address, _, port = values["name_server"].partition(":")
    if address and not (numeric(address) and (not port or port.isdigit())):
        complaints.append("name_server: must be an address, such as 192.168.1.1; the network's own is used")
        values["name_server"] = ""


def _settle_chips(values, complaints):
    """Switch off a channel whose bus is not there, or whose chip another channel has."""
    buses = {key: [bus["id"] for bus in values[key]] for key in ("spi", "i2c")}
    taken = []
    for i, channel in enumerate(values["channels"]):
        if channel["chip"] == "none":
            continue
        on_i2c = channel["chip"] in ON_I2C
        kind, key = ("i2c", "address") if on_i2c else ("spi", "cs")
        place = (channel["i2c"], channel["address"]) if on_i2c else channel["cs"]
        if channel[kind] not in buses[kind]:
            complaints.append("channels[%d].%s: there is no bus %d; channel off" % (i, kind, channel[kind]))
            channel["chip"] = "none"
        elif place in taken:
            what = "address" if on_i2c else "pin"
            complaints.append("channels[%d].%s: %s %d is taken; channel off" % (i, key, what, channel[key]))
            channel["chip"] = "none"
        taken.append(place)
