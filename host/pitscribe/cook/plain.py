"""Values as JSON and people take them: times in ISO 8601 UTC, numbers with no more digits than they know."""

from datetime import UTC, datetime
from math import isfinite


def iso(t: float | None) -> str | None:
    """UTC seconds -> "2026-05-30T14:05:00Z", whole seconds; None for None."""
    if t is None or not isfinite(t):
        return None
    return datetime.fromtimestamp(round(t), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def number(x: float | None) -> float | None:
    """A plain number, to four decimal places; None for None, NaN and infinities: JSON has none of them."""
    return round(float(x), 4) if x is not None and isfinite(x) else None


def degrees(celsius: float, unit: str) -> str:
    """A temperature in words: "203 F" or "95.0 C"."""
    # Adding nothing turns "-0" into "0".
    return f"{round(celsius * 1.8 + 32, 0) + 0:.0f} F" if unit == "F" else f"{round(celsius, 1) + 0:.1f} C"


def difference(kelvin: float, unit: str) -> str:
    """A difference of temperatures: "5.4 F" or "3.0 C"."""
    return f"{kelvin * 1.8:.1f} F" if unit == "F" else f"{kelvin:.1f} C"


def signed(kelvin: float, unit: str) -> str:
    """A difference of temperatures with its sign: "+5.4 F" or "-3.0 C"."""
    return ("+" if kelvin >= 0 else "") + difference(kelvin, unit)


def span(seconds: float) -> str:
    """A length of time: "45 s", "12 min", "3 h 05"."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d}"
