"""Temperatures in both units: for messages whose reader's own unit nobody knows where they are made."""


def both_units(celsius: float, digits: int = 1) -> str:
    """A temperature: ``0.0 C (32.0 F)``."""
    return f"{celsius:.{digits}f} C ({celsius * 1.8 + 32:.{digits}f} F)"


def both_sizes(kelvin: float, digits: int = 1) -> str:
    """A difference of temperatures: ``4.0 K (7.2 F)``."""
    return f"{kelvin:.{digits}f} K ({kelvin * 1.8:.{digits}f} F)"
