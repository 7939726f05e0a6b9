"""Whether a table's temperatures are in the unit that was said: an ordinary cook in the other unit alone is doubted.

A cook read in the wrong unit is odd in several ways at once, and an odd cook (frozen meat, a cold smoke, a probe left
hanging in the pit) is none in the other unit. So nothing is doubted for being odd, but for being ordinary otherwise.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

OTHER = {"C": "F", "F": "C"}
# Of an ordinary long cook, degC. Meat freezes at about -2 and is put on from the fridge or a warm kitchen (common
# practice, no source); what holds water does not pass its boiling point by more than a probe is off.
BEGINS_C = (-3.0, 35.0)
WET_C = 105.0
PIT_C = (60.0, 200.0)  # most of the time the pit is not colder and not hotter (common practice, no source)


def doubt(air: Sequence[Array], meat: Sequence[Array], unit: str) -> str | None:
    """Why these temperatures may not be in ``unit``, as the table was read; None: no reason to think so.

    air, meat : of each place (n,), degC as read, NaN where there was none
    """
    odd = _odd(air, meat)
    if odd is None or _odd([_otherwise(y, unit) for y in air], [_otherwise(y, unit) for y in meat]) is not None:
        return None
    return f"{odd}, which in deg {OTHER[unit]} would be an ordinary cook: is the unit deg {OTHER[unit]}?"


def ordinary(air: Sequence[Array], meat: Sequence[Array]) -> bool:
    """Whether these temperatures are those of an ordinary long cook, degC."""
    return _odd(air, meat) is None


def _otherwise(celsius: Array, unit: str) -> Array:
    """The same numbers in the file, read in the other unit: degC."""
    return (celsius - 32) / 1.8 if unit == "C" else celsius * 1.8 + 32


def _odd(air: Sequence[Array], meat: Sequence[Array]) -> str | None:
    """What is not as in an ordinary cook, in words without figures; None: nothing."""
    pit = _finite(air)
    if pit.size:
        usual = float(np.quantile(pit, 0.75))
        if not PIT_C[0] <= usual <= PIT_C[1]:
            return "the pit is colder than cooks" if usual < PIT_C[0] else "the pit is hotter than meat is smoked in"
    body = _finite(meat)
    if body.size:
        begins = float(np.quantile(body, 0.02))
        if begins < BEGINS_C[0]:
            return "the meat is frozen"
        if begins > BEGINS_C[1]:
            return "the meat is never cold"
        every = np.min(np.where(np.isfinite(meat), meat, np.inf), axis=0)
        if float(np.median(every[np.isfinite(every)])) > WET_C:
            return "all the meat is mostly above the boiling point of water"
    return None


def _finite(places: Sequence[Array]) -> Array:
    every = np.concatenate(places) if places else np.empty(0)
    there: Array = every[np.isfinite(every)]
    return there
