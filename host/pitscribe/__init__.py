"""Pitscribe: a logger for long wood-fired cooks, the host's side."""

__version__ = "0.1.0"
