"""Pitscribe's firmware. Everything takes its pins, buses, clock and files by injection: see app.py."""

import gc

FIRMWARE = "0.1.0"

# Before the other modules are loaded: collections many and short, not few and long; and what compiling leaves behind
# does not come to lie between what stays. Without it, a start found no 4 KB in one piece while 100 KB were free.
gc.threshold(16384)
