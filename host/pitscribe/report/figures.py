"""A calibration's figures as people take them: temperatures and differences in their units, and where to tell them."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from pitscribe.metrology.correction import Calibration
from pitscribe.metrology.coverage import NORMAL_95, student_95

# Where a cook looks: ice, a stall, done, and three pits. degF, because it is a table for them first.
TABLE_F = (32.0, 150.0, 203.0, 225.0, 250.0, 275.0)
TABLE_C = (0.0, 65.0, 95.0, 107.0, 121.0, 135.0)
_MANY = 1000
KIND = {"ice": "ice bath", "boil": "boiling water", "beside": "beside another probe", "told": "told"}


def expanded(calibration: Calibration, celsius: float) -> float:
    """Half width for 95 % of a correction at a reading [K]."""
    u = float(calibration.u(np.array([celsius]))[0])
    return u * float(student_95(np.array([calibration.dof]))[0])


def correction(calibration: Calibration, celsius: float) -> float:
    """The correction at a reading [K]."""
    return float(calibration.correction(np.array([celsius]))[0])


def table_points(units: str) -> list[float]:
    """Readings [degC] to tell a correction at."""
    return [(f - 32) / 1.8 for f in TABLE_F] if units == "F" else list(TABLE_C)


def condition_words(conditions: Mapping[str, Any]) -> str:
    """What else was so when a calibration was made."""
    words = []
    if (pascal := conditions.get("pressure_pa")) is not None:
        words.append(f"station pressure {pascal / 100:.1f} hPa")
    if (metres := conditions.get("altitude_m")) is not None:
        words.append(f"altitude {metres:.0f} m")
    if other := conditions.get("against"):
        record = conditions.get("against_record")
        words.append(f"against {other}" + ("" if record is None else f" by its record {record}"))
    return ", ".join(words)


def dof_words(dof: float) -> str:
    """Degrees of freedom as a number, or that there are enough for k to be that of a normal distribution."""
    if np.isinf(dof):
        return "unlimited"
    return f"over {_MANY}" if dof > _MANY else f"{dof:.0f}"


def k_words(k: float) -> str:
    """The factor for 95 %, and why it may be less than that of a normal distribution."""
    if round(k, 2) >= round(NORMAL_95, 2):
        return f"k = {k:.2f}"
    return f"k = {k:.2f}; limits are rectangular, and a single one has 1.65"


def exact(celsius: float, units: str, digits: int = 2) -> str:
    """A temperature to a hundredth: "33.48 F"."""
    value = celsius * 1.8 + 32 if units == "F" else celsius
    return f"{round(value, digits) + 0.0:.{digits}f} {units}"  # + 0.0: nothing has no sign


def size(kelvin: float, units: str, digits: int = 2) -> str:
    """A difference to a hundredth: "0.54 F"."""
    return f"{kelvin * 1.8:.{digits}f} F" if units == "F" else f"{kelvin:.{digits}f} C"


def signed(kelvin: float, units: str) -> str:
    """A difference with its sign: "+0.54 F"."""
    value = kelvin * 1.8 if units == "F" else kelvin
    return f"{round(value, 2) + 0.0:+.2f} {units}"
