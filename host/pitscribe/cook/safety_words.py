"""Temperatures, times and shares in the words of a check: in both units, and rounded against the user.

A check is written once and told in the user's unit: temperatures stand in its words as marks, which ``told`` fills in.
"""

import re
from math import ceil, floor

from pitscribe.cook.plain import span

# Where a source prints a line in both units they differ by rounding: so much is no reason to go a degree further.
PRINTED_F = 0.1
_FINE = 1e-4  # marks hold six decimals
_MARK = re.compile(r"\{(-?\d+\.\d+)([-+_])\}")


def heat(celsius: float) -> str:
    """A mark for a line that must be reached [degC]: told no lower than it is."""
    return f"{{{celsius:.6f}+}}"


def cold(celsius: float) -> str:
    """A mark for a line that must not be passed [degC]: told no higher than it is."""
    return f"{{{celsius:.6f}-}}"


def reading(celsius: float) -> str:
    """A mark for a reading that should be high [degC]: told no higher than it is, not even by what a source rounds."""
    return f"{{{celsius:.6f}_}}"


def told(words: str, unit: str) -> str:
    """Words with their marks filled in, the unit "F" or "C" first: "140 F (60.0 C)"."""
    return _MARK.sub(lambda mark: _both(float(mark[1]), mark[2], unit), words)


def _both(celsius: float, way: str, unit: str) -> str:
    fahrenheit, tenths = celsius * 1.8 + 32, 10 * celsius
    if way == "+":
        f, c = ceil(fahrenheit - PRINTED_F), ceil(tenths - _FINE) / 10
    else:
        f, c = floor(fahrenheit + (PRINTED_F if way == "-" else _FINE)), floor(tenths + _FINE) / 10
    return f"{f} F ({c:.1f} C)" if unit == "F" else f"{c:.1f} C ({f} F)"


def spent(hours: float) -> str:
    """A time that counts against the user, told no shorter than it is: "2 h 05"."""
    minutes = ceil(60 * hours - _FINE)
    return span(60.0 * minutes) if minutes > 1 else f"{minutes} min"


def earned(share: float) -> str:
    """A share of what is required, told no greater than it is: "99 %"."""
    return f"{floor(100 * share + _FINE)} %"
