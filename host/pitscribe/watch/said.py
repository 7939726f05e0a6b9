"""The parts of a body that are the analysis's own words: its JSON, with its names, and with times in ISO 8601."""

from typing import Any

from pitscribe.cook.answers import Analysis
from pitscribe.cook.forecast import Forecast

# Where there is no cook, or no analysis of it.
NOTHING_SAID: dict[str, Any] = {
    "fire": None, "forecasts": [], "hint": None, "safety": None, "interventions": [], "phases": [], "stalls": [],
    "slowdowns": [], "doneness": None,
}


def said_of(analysis: Analysis) -> dict[str, Any]:
    """Those parts of an analysis."""
    said = analysis.as_json()
    parts = {key: said[key] for key in NOTHING_SAID}
    return parts | {"forecasts": [_with_fan(f) for f in analysis.forecasts]}


def _with_fan(forecast: Forecast) -> dict[str, Any]:
    return forecast.as_json() | {"fan": forecast.fan.as_json() if forecast.fan else None}
