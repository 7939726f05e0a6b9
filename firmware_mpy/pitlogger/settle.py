"""What single settings cannot show: those that do not go together, addresses that are none. Loaded like ``rules``."""

from pitlogger.addresses import is_name, numeric
from pitlogger.chips import ON_I2C
from pitlogger.chips.max31856 import conversion_ms

_SHORT_SECRET = 16
_LEAST_DOG = 3000  # ms
_SHORT_KEY = 8  # WPA2 takes no shorter passphrase


def reconcile(values, complaints):
    """Settle it in ``values``; add a line to ``complaints`` for each thing that could not stay."""
    if 0 < len(values["secret"]) < _SHORT_SECRET:
        complaints.append("secret: shorter than %d characters; no host has it" % _SHORT_SECRET)
    if 0 < len(values["hotspot"]["key"]) < _SHORT_KEY:
        complaints.append("hotspot.key: shorter than %d characters; one of its own is used" % _SHORT_KEY)
        values["hotspot"]["key"] = ""
    if 0 < values["watchdog_ms"] < _LEAST_DOG:
        complaints.append("watchdog_ms: it is fed once a second; %d used" % _LEAST_DOG)
        values["watchdog_ms"] = _LEAST_DOG
    while conversion_ms(values["mains_hz"], values["average"]) >= values["period_ms"]:
        values["average"] //= 2  # one conversion fits into the shortest period
    _settle_network(values, complaints)
    taken = _settle_buses(values, complaints)
    _settle_chips(values, complaints, taken)
    _settle_panel(values, complaints, taken)


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


def _settle_buses(values, complaints):
    """Leave out a bus that has a pin of another one; return the pins of those that are used."""
    taken = []
    for kind, names in (("spi", ("sck", "mosi", "miso")), ("i2c", ("sda", "scl"))):
        kept = []
        for i, bus in enumerate(values[kind]):
            pins = [bus[name] for name in names]
            if kind == "spi" and not _used(values, bus["id"]):  # nothing is made of it
                pins = []
            clash = next((n for n, pin in enumerate(pins) if pin in taken + pins[:n]), None)
            if clash is None:
                kept.append(bus)
                taken += pins
            else:
                what = kind, i, names[clash], pins[clash]
                complaints.append("%s[%d].%s: pin %d is taken; bus off" % what)
        values[kind] = kept
    return taken


def _used(values, spi):
    return any(c["chip"] != "none" and c["chip"] not in ON_I2C and c["spi"] == spi for c in values["channels"])


def _settle_panel(values, complaints, taken):
    """Leave out what would press or sound a pin that is something else's."""
    panel = values["panel"]
    for key in ("buzzer", "page", "note"):
        if panel[key] in taken:
            complaints.append("panel.%s: pin %d is taken; none" % (key, panel[key]))
            panel[key] = -1
        elif panel[key] >= 0:
            taken.append(panel[key])
    if values["supply_pin"] in taken and values["supply_pin"]:
        complaints.append("supply_pin: pin %d is taken; not measured" % values["supply_pin"])
        values["supply_pin"] = 0


def _settle_chips(values, complaints, taken):
    """Switch off a channel whose bus is not there, or whose chip or pin something else has; add to what is taken."""
    buses = {key: [bus["id"] for bus in values[key]] for key in ("spi", "i2c")}
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
