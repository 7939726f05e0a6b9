"""Settings: ``config.json``, read once, every value typed and bounded. A wrong one is reported and its default used.

A logger without settings, or with a damaged file, still samples and journals: what is wrong goes out in ``state``.
"""

import json

from pitlogger import files, forget

RULES = ("rules", "settle", "chips.max31856")  # loaded where settings are read or changed, and let go of again


def read(path):
    """Return (settings, complaints): a dict with every key, and a list of lines about what was wrong.

    A missing file is written with the defaults, so that there is one to change.
    """
    complaints = []
    try:
        given = kept(path)
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


def kept(path):
    """Return what the file says, whatever it is. OSError, ValueError."""
    with open(path, "rb") as f:
        return json.load(f)


def _taken(given, complaints):
    """Return whole settings: what is given where it fits its rule, else the default."""
    from pitlogger import rules

    values = rules.defaults()
    rules.take(given, values, complaints)
    del rules
    forget(RULES)
    return values


def _settled(values, complaints):
    """Return settings with what single ones cannot show put right."""
    from pitlogger import settle

    settle.reconcile(values, complaints)
    del settle
    forget(RULES + ("addresses",))
    return values


def write(path, values):
    """Put settings in place whole: a power cut leaves the old file or the new one."""
    files.replace(path, json.dumps(values).encode())
