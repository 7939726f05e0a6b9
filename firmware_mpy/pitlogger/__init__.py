"""Pitscribe's firmware. Everything takes its pins, buses, clock and files by injection: see app.py."""

import gc
import sys

FIRMWARE = "0.1.0"

# Before the other modules are loaded: collections many and short, not few and long; and what compiling leaves behind
# does not come to lie between what stays. Without it, a start found no 4 KB in one piece while 100 KB were free.
gc.threshold(16384)


def forget(names):
    """Let go of modules of this package that have done their work, such as ``chips.max31856``: what nothing else holds
    on to is free after the next collection, and an import loads them anew."""
    for name in names:
        module = sys.modules.pop("pitlogger." + name, None)
        parent, _, leaf = ("pitlogger." + name).rpartition(".")
        if module is not None and hasattr(sys.modules[parent], leaf):
            delattr(sys.modules[parent], leaf)
