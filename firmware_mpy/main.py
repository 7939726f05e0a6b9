"""The logger on its board: makes pins, buses, network and watchdog from the settings, and runs the application."""

import asyncio
import binascii
import sys
import time

import machine
from pitlogger import settings
from pitlogger.app import App
from pitlogger.care import Care, Senses
from pitlogger.chips import ON_I2C, Absent, Bus, driver, i2c_driver

try:
    import network
except ImportError:  # a board without Wi-Fi: it samples and journals
    network = None  # type: ignore[assignment]


def buses(values, complaints):
    """Return the SPI buses by number; one whose pins the board refuses is missing, and complained of."""
    found = {}
    for bus in values["spi"]:
        sck, mosi, miso = (machine.Pin(bus[name]) for name in ("sck", "mosi", "miso"))
        try:
            spi = machine.SPI(bus["id"], baudrate=bus["baud"], sck=sck, mosi=mosi, miso=miso)
            found[bus["id"]] = Bus(spi, bus["baud"])
        except ValueError as error:
            complaints.append("spi %d: %s" % (bus["id"], error))
    return found


def i2c_bus(bus):
    """Return an I2C bus whose lines are free. ValueError if the board refuses its pins."""
    from pitlogger.chips.i2c import TIMEOUT_US, I2cBus

    def make():
        pins = {name: machine.Pin(bus[name]) for name in ("scl", "sda")}
        return machine.I2C(bus["id"], freq=bus["baud"], timeout=TIMEOUT_US, **pins)

    def lines():
        return [machine.Pin(bus[name], machine.Pin.OPEN_DRAIN, value=1) for name in ("scl", "sda")]

    return I2cBus(make, lines, time)


def i2c_buses(values, complaints):
    """Return the I2C buses by number, and complain of one that is refused and of chips that are not where they are
    said to be."""
    found = {}
    for bus in values["i2c"]:
        number = bus["id"]
        try:
            found[number] = i2c_bus(bus)
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


def chips(values, spi, i2c):
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


def panel(app, values, bus):
    """Return screen, buzzer and buttons; None if the board refuses a pin or is too full."""
    from pitlogger.panel.panel import Panel

    def button(number):
        return machine.Pin(number, machine.Pin.IN, machine.Pin.PULL_UP)

    def tone(number):
        return machine.PWM(machine.Pin(number))

    try:
        return Panel(app, values, bus, button, time, tone)
    except (ValueError, MemoryError) as error:
        print("panel: %s" % error)
        app.log.add("panel: %s" % error)
        return None


def senses(values, complaints):
    """Return what the board can tell of itself."""
    adc = getattr(machine, "ADC", None)
    if adc is None:
        return Senses()
    supply, pin = None, values["supply_pin"]
    if pin == 29 and network:
        complaints.append("supply_pin: 29 belongs to the Wi-Fi of this board; not used")
    elif pin:
        try:
            supply = adc(machine.Pin(pin))
        except ValueError as error:
            complaints.append("supply_pin: %s" % error)
    return Senses(adc(getattr(adc, "CORE_TEMP", 4)), supply, values["supply_ratio"])


def cause():
    """Return why the board started, in the words of WIRE.md section 3."""
    reason = machine.reset_cause()
    for name, word in (("PWRON_RESET", "power"), ("WDT_RESET", "watchdog"), ("SOFT_RESET", "soft")):
        if reason == getattr(machine, name, None):
            return word
    return "unknown"


def set_clock(utc_s):
    """Set the board's clock, which TLS looks at and nothing else."""
    year, month, day, hour, minute, second, weekday = time.gmtime(utc_s)[:7]
    machine.RTC().datetime((year, month, day, weekday, hour, minute, second, 0))


def main():
    """Run until something that should not happen does; then say what, and reset."""
    care = None
    try:
        care = Care(cause())
        values, complaints = settings.read("config.json")
        i2c = i2c_buses(values, complaints)
        made = chips(values, buses(values, complaints), i2c)
        glass = None if care.safe else screen(values, i2c, complaints)
        shows = not care.safe and has_panel(values, glass)
        told = senses(values, complaints)
        for line in complaints:
            print(line)
        if care.safe:
            print("safe mode after %d resets: no network for an hour, or until the power was off" % care.resets)
        wlan = network.WLAN(network.STA_IF) if network else None
        ap = network.WLAN(network.AP_IF) if network and values["hotspot"]["when"] != "never" else None
        dog = machine.WDT(timeout=values["watchdog_ms"]) if values["watchdog_ms"] else None
        logger = binascii.crc32(machine.unique_id())
        console = (sys.stdin, sys.stdout)
        app = App(
            values, complaints, made, logger, time, care.cause, wlan, dog, console, care=care, senses=told, ap=ap,
            set_clock=set_clock
        )
        if shows:
            app.panel = panel(app, values, glass)
        asyncio.run(app.run())
    except Exception as error:
        try:
            sys.print_exception(error)
            if care is not None:
                care.expect("soft", "%s: %s" % (type(error).__name__, error))
        finally:  # where memory is gone even that can fail: a board that stopped here would never start again
            try:
                time.sleep_ms(2000)
            finally:
                machine.reset()


main()
