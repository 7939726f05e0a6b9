"""The logger on its board: makes pins, buses, network and watchdog from the settings, and runs the application."""

import asyncio
import binascii
import sys
import time

import machine
from pitlogger import settings
from pitlogger.app import App
from pitlogger.chips import Absent, Bus, driver

try:
    import network
except ImportError:  # a board without Wi-Fi: it samples and journals
    network = None


def buses(values, complaints):
    """Return the SPI buses by number; one whose pins the board refuses is missing, and complained of."""
    found = {}
    for bus in values["spi"]:
        pins = {name: machine.Pin(bus[name]) for name in ("sck", "mosi", "miso")}
        try:
            spi = machine.SPI(bus["id"], baudrate=bus["baud"], **pins)
            found[bus["id"]] = Bus(spi, bus["baud"])
        except ValueError as error:
            complaints.append("spi %d: %s" % (bus["id"], error))
    return found


def chips(values, found):
    """Return a driver for each channel. Select pins go high first: all share the bus."""
    pins = [None if c["chip"] == "none" else machine.Pin(c["cs"], machine.Pin.OUT, value=1) for c in values["channels"]]
    made = []
    for channel, pin in zip(values["channels"], pins):
        if pin is not None and channel["spi"] not in found:
            made.append(Absent())
        else:
            made.append(driver(channel, found.get(channel["spi"]), pin, values["mains_hz"], values["average"]))
    return made


def cause():
    """Return why the board started, in the words of WIRE.md section 3."""
    reason = machine.reset_cause()
    for name, word in (("PWRON_RESET", "power"), ("WDT_RESET", "watchdog"), ("SOFT_RESET", "soft")):
        if reason == getattr(machine, name, None):
            return word
    return "unknown"


def main():
    """Run until something that should not happen does; then say what, and reset."""
    try:
        values, complaints = settings.read("config.json")
        made = chips(values, buses(values, complaints))
        for line in complaints:
            print(line)
        wlan = network.WLAN(network.STA_IF) if network else None
        dog = machine.WDT(timeout=values["watchdog_ms"]) if values["watchdog_ms"] else None
        logger = binascii.crc32(machine.unique_id())
        console = (sys.stdin, sys.stdout)
        asyncio.run(App(values, complaints, made, logger, time, cause(), wlan, dog, console).run())
    except Exception as error:
        sys.print_exception(error)
        time.sleep_ms(2000)
        machine.reset()


main()
