"""Settings: ``config.json``, read once, every value typed and bounded. A wrong one is reported and its default used.

A logger without settings, or with a damaged file, still samples and journals: what is wrong goes out in ``state``.
"""

import asyncio
import gc
import json

from pitlogger import files, forget

SECRETS = ("password", "secret", "key", "pin")  # names of members that do not leave the board
_RULES = ("rules", "settle", "chips.max31856")


def read(path):
    """Return (settings, complaints): a dict with every key, and a list of lines about what was wrong.

    A missing file is written with the defaults, so that there is one to change.
    """
    complaints = []
    try:
        given = _kept(path)
        if not isinstance(given, dict):
            raise ValueError("not an object")
    except OSError:
        given = None
        complaints.append("%s: missing; defaults in use" % path)
    except ValueError as error:
        return _taken({}, complaints), ["%s: damaged (%s); defaults in use" % (path, error)]
    values = _settled(_taken(given or {}, complaints), complaints)
    if given is None:
        try:
            write(path, values)
        except OSError:
            complaints.append("%s: cannot be written" % path)
    return values, complaints


def _kept(path):
    with open(path, "rb") as f:
        return json.load(f)


def _taken(given, complaints):
    """Return whole settings: what is given where it fits its rule, else the default."""
    from pitlogger import rules

    values = rules.defaults()
    rules.take(given, values, complaints)
    del rules
    forget(_RULES)
    return values


def _settled(values, complaints):
    """Return settings with what single ones cannot show put right."""
    from pitlogger import settle

    settle.reconcile(values, complaints)
    del settle
    forget(_RULES)
    return values


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
        old = _kept(path)
        if isinstance(old, dict):
            _keep_secrets(given, old)
        del old  # each of these takes some 4 KB: never two more than must be
    except (OSError, ValueError):
        pass
    complaints = []
    await asyncio.sleep_ms(0)  # each step takes a good part of 100 ms on the board
    gc.collect()
    values = _taken(given, complaints)
    del given
    await asyncio.sleep_ms(0)
    gc.collect()
    _settled(values, complaints)
    await asyncio.sleep_ms(0)
    if complaints or _same(path, values):
        return None, complaints
    write(path, values)
    return sorted(key for key in values if values[key] != running.get(key)), []


def _same(path, values):
    try:
        return _kept(path) == values
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


def write(path, values):
    """Put settings in place whole: a power cut leaves the old file or the new one."""
    files.replace(path, json.dumps(values).encode())
