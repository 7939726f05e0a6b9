"""What hangs on the board's pins, made from the settings: buses, chips, screen, buzzer and buttons, senses.

Loaded for the start and let go of (``pitlogger.forget``), so nothing that it makes may hold on to a function of it.
``machine`` and ``clock`` are handed in: only ``start.py`` knows the board.
"""

from pitlogger.care import Senses
from pitlogger.chips import ON_I2C, Absent, Bus, driver, i2c_driver


def buses(machine, values, complaints):
    """Return the SPI buses by number; one whose pins the board refuses is missing, and complained of."""
    found = {}
    for bus in values["spi"]:
        if not any(_on_spi(channel) and channel["spi"] == bus["id"] for channel in values["channels"]):
            continue  # its pins may be something else's
        sck, mosi, miso = (machine.Pin(bus[name]) for name in ("sck", "mosi", "miso"))
        try:
            spi = machine.SPI(bus["id"], baudrate=bus["baud"], sck=sck, mosi=mosi, miso=miso)
            found[bus["id"]] = Bus(spi, bus["baud"])
        except ValueError as error:
            complaints.append("spi %d: %s" % (bus["id"], error))
    return found


def i2c_buses(machine, values, complaints, clock):
    """Return the I2C buses by number, and complain of one that is refused and of chips that are not where they are
    said to be."""
    found = {}
    for bus in values["i2c"]:
        from pitlogger.chips.i2c import on_board

        number = bus["id"]
        try:
            found[number] = on_board(machine, bus, clock)
        except ValueError as error:
            complaints.append("i2c %d: %s" % (number, error))
            continue
        there = found[number].scan()
        named = [c["address"] for c in values["channels"] if c["chip"] in ON_I2C and c["i2c"] == number]
        for address in named:
            if address not in there:
                complaints.append("i2c %d: no MCP9600 at %d" % (number, address))
        for address in there:
            if address not in named:
                complaints.append("i2c %d: no channel for the MCP9600 at %d" % (number, address))
    return found


def chips(machine, values, spi, i2c):
    """Return a driver for each channel. Select pins go high first: all share the bus."""
    pins = {c["cs"]: machine.Pin(c["cs"], machine.Pin.OUT, value=1) for c in values["channels"] if _on_spi(c)}
    made = []
    for channel in values["channels"]:
        if channel["chip"] == "none":
            made.append(None)
        elif channel["chip"] in ON_I2C:
            bus = i2c.get(channel["i2c"])
            made.append(i2c_driver(channel, bus, values["period_ms"]) if bus else Absent())
        else:
            bus, pin = spi.get(channel["spi"]), pins[channel["cs"]]
            made.append(driver(channel, bus, pin, values["mains_hz"], values["average"]) if bus else Absent())
    return made


def _on_spi(channel):
    return channel["chip"] != "none" and channel["chip"] not in ON_I2C


def screen(values, i2c, complaints):
    """Return the bus on which a screen answers, None where there is none."""
    own = values["panel"]
    bus = i2c.get(own["i2c"]) if own["screen"] != "none" else None
    if bus is None:
        return None
    try:
        bus.take().writeto(own["address"], b"\x00")  # a control byte, and no command behind it
    except OSError as error:
        bus.failed(error)
        return None
    if min(b["baud"] for b in values["i2c"] if b["id"] == own["i2c"]) < 40000:
        complaints.append("panel.screen: its bus is slower than 40000 Hz; not used")
        return None
    return bus


def has_panel(values, bus):
    """Return whether there is anything to show, sound or press; if so it is loaded now, while there is room."""
    own = values["panel"]
    if bus is None and own["buzzer"] < 0 and own["page"] < 0 and own["note"] < 0:
        return False
    from pitlogger.panel.panel import load

    load(own, bus is not None)
    return True


def panel(machine, app, values, bus, clock):
    """Return screen, buzzer and buttons; None if the board refuses a pin or is too full."""
    from pitlogger.panel.panel import Panel

    def button(number):
        return machine.Pin(number, machine.Pin.IN, machine.Pin.PULL_UP)

    def tone(number):
        return machine.PWM(machine.Pin(number))

    try:
        return Panel(app, values, bus, button, clock, tone)
    except (ValueError, MemoryError) as error:
        print("panel: %s" % error)
        app.log.add("panel: %s" % error)
        return None


def senses(machine, values, complaints, wifi):
    """Return what the board can tell of itself; ``wifi`` is whether it has a radio."""
    adc = getattr(machine, "ADC", None)
    if adc is None:
        return Senses()
    supply, pin = None, values["supply_pin"]
    if pin == 29 and wifi:
        complaints.append("supply_pin: 29 belongs to the Wi-Fi of this board; not used")
    elif pin:
        try:
            supply = adc(machine.Pin(pin))
        except ValueError as error:
            complaints.append("supply_pin: %s" % error)
    return Senses(adc(getattr(adc, "CORE_TEMP", 4)), supply, values["supply_ratio"])


def cause(machine):
    """Return why the board started, in the words of WIRE.md section 3."""
    reason = machine.reset_cause()
    for name, word in (("PWRON_RESET", "power"), ("WDT_RESET", "watchdog"), ("SOFT_RESET", "soft")):
        if reason == getattr(machine, name, None):
            return word
    return "unknown"
