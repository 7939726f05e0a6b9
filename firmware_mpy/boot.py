"""Runs before main.py at power-up. A low threshold makes collections many and short, not few and long."""

import gc

gc.threshold(16384)
