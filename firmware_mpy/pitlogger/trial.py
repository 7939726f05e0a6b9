"""A set of modules on its first start: it stays once it has taken a tick (``main.py`` says what is done before)."""

import asyncio
import os
import sys

import machine
from micropython import const

from pitlogger import files

_LOOK_MS = const(50)
_TRIAL_MS = const(90000)  # for the first tick: the longest period there is, and half a minute to start
SETTINGS = "config.json"


def begin(new, old):
    """Run the set ``new``, which this is; reset the board where that ends, or has taken no tick in time: ``set`` names
    ``old`` until then."""

    def look(_):
        with open("set") as f:
            if f.read().strip() == old:
                _end(new, "no tick in time")

    timer = machine.Timer(-1, mode=machine.Timer.ONE_SHOT, period=_TRIAL_MS, callback=look)
    try:
        from pitlogger.start import main

        main(new)
    except Exception as error:
        try:
            sys.print_exception(error)
        finally:
            _end(new, error)
    return timer  # held until here: one that is collected does not ring


def _end(new, why):
    """Leave word for the boot event of the set before, and let it start."""
    try:
        files.replace("reason", ("soft %s: %r" % (new, why)).encode())
    finally:
        machine.reset()


def settings_of(folder):
    """Return the settings' file for a set on trial: the one that it came with, if it did."""
    own = folder + "/" + SETTINGS
    return own if files.exists(own) else SETTINGS


async def stay(folder, app):
    """Wait for the first tick, then name the set for every start to come. One rename makes its settings the logger's
    too: those that it came with count from then on, and are put in place here or at the next start."""
    while not app.sampler.last_uptime():
        await asyncio.sleep_ms(_LOOK_MS)
    files.replace("set", folder.encode())
    try:
        os.rename(folder + "/" + SETTINGS, SETTINGS)
    except OSError:
        pass  # it came with none
    app.file = SETTINGS
    app.log.add("%s stays" % folder)
