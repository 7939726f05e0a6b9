"""The logger on its board: hands machine, network, clock and console to the rest, and runs the application."""

import asyncio
import binascii
import sys
import time

import machine

from pitlogger import forget, settings, wiring
from pitlogger.app import App
from pitlogger.care import Care

try:
    import network
except ImportError:  # a board without Wi-Fi: it samples and journals
    network = None  # type: ignore[assignment]


def set_clock(utc_s):
    """Set the board's clock, which TLS looks at and nothing else."""
    year, month, day, hour, minute, second, weekday = time.gmtime(utc_s)[:7]
    machine.RTC().datetime((year, month, day, weekday, hour, minute, second, 0))


def application(care, file):
    """Return the application, made from the settings in ``file`` with all that they say hangs on the board."""
    values, complaints = settings.read(file)
    i2c = wiring.i2c_buses(machine, values, complaints, time)
    chips = wiring.chips(machine, values, wiring.buses(machine, values, complaints), i2c)
    glass = None if care.safe else wiring.screen(values, i2c, complaints)
    shows = not care.safe and wiring.has_panel(values, glass)
    senses = wiring.senses(machine, values, complaints, network is not None)
    for line in complaints:
        print(line)
    if care.safe:
        print("safe mode after %d resets: no network for an hour, or until the power was off" % care.resets)
    wlan = network.WLAN(network.STA_IF) if network else None
    ap = network.WLAN(network.AP_IF) if network and values["hotspot"]["when"] != "never" else None
    dog = machine.WDT(timeout=values["watchdog_ms"]) if values["watchdog_ms"] else None
    logger = binascii.crc32(machine.unique_id())
    app = App(
        values, complaints, chips, logger, time, care.cause, wlan, dog, (sys.stdin, sys.stdout), file, care=care,
        senses=senses, ap=ap, set_clock=set_clock
    )
    if shows:
        app.panel = wiring.panel(machine, app, values, glass, time)
    return app


def write_over_stack(calls):
    """Write over what the start left on the stack, so many calls deep, or as deep as it goes: the collector takes for
    a pointer all that looks like one, and kept 4 KB of it for ever."""
    a = b = c = d = e = f = g = h = 0
    try:
        return write_over_stack(calls - 1) if calls else a + b + c + d + e + f + g + h
    except RuntimeError:  # there is no more of it
        return 0


def main(trial=None):
    """Run until something that should not happen does; then say what, and reset. ``trial``: the folder of this set,
    where it has yet to show that it runs (``main.py``)."""
    global settings, wiring
    care = None
    try:
        care = Care(wiring.cause(machine))
        if trial is None:
            app = application(care, "config.json")
        else:
            from pitlogger.trial import settings_of, stay

            app = application(care, settings_of(trial))
            asyncio.create_task(stay(trial, app))
        del settings, wiring
        forget(("settings", "wiring"))  # they have done their work
        write_over_stack(24)
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
