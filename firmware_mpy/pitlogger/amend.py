"""Settings that are changed while the logger runs: put in place for the next start, in pieces, each right after a tick.

Loaded for a change, and let go of again.
"""

import gc

from pitlogger import forget
from pitlogger.settings import RULES, kept, write
from pitlogger.usb import SECRETS


async def change(path, given, running, pause):
    """Put whole settings in place if all of them fit; return (keys unlike those of ``running``, what is wrong).

    The keys are None if nothing was written: something is wrong, or it is what the file says already. A secret that is
    left out stays as it is: that of a known network goes by its name. ``pause()`` is awaited before each piece, some of
    which take a good part of 100 ms on the board: it returns right after a tick. OSError if the flash fails.
    """
    if not isinstance(given, dict):
        return None, ["settings: not an object"]
    try:
        old = kept(path)
        if isinstance(old, dict):
            _keep_secrets(given, old)
        del old  # each of these takes some 4 KB: never two more than must be
    except (OSError, ValueError):
        pass
    try:
        values, complaints = await _checked(given, pause)
    finally:
        forget(RULES)
    await pause()
    gc.collect()
    if complaints or _same(path, values):
        return None, complaints
    await pause()
    write(path, values)
    return sorted(key for key in values if values[key] != running.get(key)), []


async def _checked(given, pause):
    """Return (whole settings, what is wrong with those given): a module or a piece of the work after each tick."""
    complaints = []
    await pause()
    import pitlogger.chips.max31856

    await pause()
    gc.collect()
    from pitlogger import rules

    await pause()
    values = rules.defaults()
    await pause()
    rules.take(given, values, complaints)
    del rules
    forget(("rules",))
    await pause()
    gc.collect()
    import pitlogger.addresses  # noqa: F401

    await pause()
    from pitlogger import settle

    await pause()
    settle.reconcile(values, complaints)
    return values, complaints


def _same(path, values):
    try:
        return kept(path) == values
    except (OSError, ValueError):
        return False


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
