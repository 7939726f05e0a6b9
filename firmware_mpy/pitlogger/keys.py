"""Key and PIN of the logger's own network: settings, and where these are empty ones of the board's own, made once and
kept in the file ``hotspot``. Loaded when the network opens, and let go of again."""

import json
import os

from micropython import const

from pitlogger import files

_FILE = "hotspot"
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is taken for another
_KEY, _PIN = const(12), const(6)


def own(settings):
    """Return (key, PIN): of the settings, where these have none those of the board."""
    key, pin = settings["key"], settings["pin"]
    if key and pin:
        return key, pin
    try:
        with open(_FILE, "rb") as f:
            kept = json.load(f)
        made = kept["key"], kept["pin"]
        if not (isinstance(made[0], str) and isinstance(made[1], str) and len(made[0]) == _KEY):
            raise ValueError
    except (OSError, ValueError, KeyError, TypeError):
        made = _random(_LETTERS, _KEY), _random("0123456789", _PIN)
        try:
            files.replace(_FILE, json.dumps({"key": made[0], "pin": made[1]}).encode())
        except OSError:
            pass  # then they are others at the next start
    return key or made[0], pin or made[1]


def _random(letters, count):
    """Return so many letters, each as likely as any other: bytes that would favour the first ones are left out."""
    made = ""
    fair = 256 - 256 % len(letters)
    while len(made) < count:
        byte = os.urandom(1)[0]
        if byte < fair:
            made += letters[byte % len(letters)]
    return made
