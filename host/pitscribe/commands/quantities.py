"""Pressures, lengths, weights, shares and differences of temperature as a person writes them, with their units."""

import re

from pitscribe.errors import ConfigError

# Exact by their definitions, but mmHg and inHg at 0 degC (NIST Special Publication 811, from memory).
_PASCAL = {"pa": 1.0, "hpa": 100.0, "mbar": 100.0, "kpa": 1000.0, "bar": 1e5, "inhg": 3386.389, "mmhg": 133.3224}
_METRE = {"m": 1.0, "km": 1000.0, "ft": 0.3048, "mi": 1609.344}
_THICK = {"mm": 0.001, "cm": 0.01, "in": 0.0254}
_KILOGRAM = {"kg": 1.0, "g": 0.001, "lb": 0.45359237, "lbs": 0.45359237}
_NUMBER = re.compile(r"(?P<number>[+-]?\d+(?:\.\d+)?)\s*(?P<unit>[a-z]*)$", re.IGNORECASE)


def parse_pressure(text: str) -> float:
    """``834hPa``, ``24.63inHg``, ``83.4kPa`` or ``626mmHg`` -> Pa. ConfigError naming the text."""
    return _quantity(text, _PASCAL, "pressure", "834hPa, 83.4kPa or 24.63inHg")


def parse_altitude(text: str) -> float:
    """``1609m`` or ``5280ft`` -> m. ConfigError naming the text."""
    return _quantity(text, _METRE, "altitude", "1609m or 5280ft")


def parse_thickness(text: str) -> float:
    """``3in``, ``75mm`` or ``7.5cm`` -> m. ConfigError naming the text."""
    return _quantity(text, _THICK, "thickness", "3in, 75mm or 7.5cm")


def parse_weight(text: str) -> float:
    """``13lb`` or ``6kg`` -> kg. ConfigError naming the text."""
    return _quantity(text, _KILOGRAM, "weight", "13lb or 6kg")


def parse_share(text: str) -> float:
    """``80%`` or ``0.8`` -> 0.8. ConfigError naming the text, and for what is not between 0 and 1."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(%)?", text.strip())
    share = float(match[1]) / (100.0 if match[2] else 1.0) if match else -1.0
    if not 0.0 <= share <= 1.0:
        raise ConfigError(f"chance {text!r}: write 80% or 0.8")
    return share


def parse_difference(text: str, units: str) -> float:
    """``0.5``, ``0.5F`` or ``0.3C`` -> K; without a letter in ``units``. ConfigError naming the text."""
    match = _NUMBER.match(text.strip())
    unit = (match["unit"] or units).upper() if match else ""
    if not match or unit not in ("F", "C", "K") or float(match["number"]) < 0:
        raise ConfigError(f"difference {text!r}: write 0.5F or 0.3C")
    return float(match["number"]) / (1.8 if unit == "F" else 1.0)


def _quantity(text: str, units: dict[str, float], what: str, how: str) -> float:
    match = _NUMBER.match(text.strip())
    if not match:
        raise ConfigError(f"{what} {text!r}: write {how}")
    if match["unit"].lower() not in units:
        missing = "has no unit" if not match["unit"] else f"is in a unit that pitscribe does not know ({match['unit']})"
        raise ConfigError(f"{what} {text!r} {missing}: write {how}")
    return float(match["number"]) * units[match["unit"].lower()]
