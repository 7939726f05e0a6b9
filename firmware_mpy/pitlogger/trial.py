"""A set of modules on its first start: it stays once it has taken a tick (``main.py`` says what is done before)."""

import asyncio
import os

from micropython import const

from pitlogger import files

_LOOK_MS = const(50)
SETTINGS = "config.json"


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
