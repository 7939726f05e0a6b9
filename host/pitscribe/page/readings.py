"""What each channel of a logger reads at present, from the codes of its last tick: for whoever sets up a cook."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from pitscribe.ledger.values import LoggerInfo
from pitscribe.metrology.chain import correct
from pitscribe.metrology.flags import Flag
from pitscribe.wire.layout import channel as channel_of

OLD_S = 120.0  # without a word for so long, its last tick is not the present
CODE_BITS = (24, 16, 16)  # hot, cold, fault: WIRE.md section 5


def present(info: LoggerInfo, now: float) -> dict[int, float]:
    """Channel -> degC; a channel that cannot be read, or whose logger is away or silent, is left out."""
    state = info.state or {}
    if info.last_seen_ms is None or now - info.last_seen_ms / 1000 > OLD_S or state.get("online") is False:
        return {}
    said = info.now or {}
    table, codes = said.get("table"), said.get("codes")
    if not isinstance(table, list) or not isinstance(codes, list):
        return {}
    readings = {n: _celsius(entry, code) for n, (entry, code) in enumerate(zip(table, codes, strict=False))}
    return {n: value for n, value in readings.items() if value is not None}


def _celsius(entry: Any, code: Any) -> float | None:
    if not (_whole(entry, 8) and isinstance(code, list) and len(code) == len(CODE_BITS)):
        return None
    if not all(_whole(c, bits) for c, bits in zip(code, CODE_BITS, strict=True)):
        return None
    try:
        chip, tc = channel_of(entry)
    except ValueError:
        return None
    if chip == "none":
        return None
    hot, cold, fault = (np.array([c], np.int32) for c in code)
    got = correct(chip, tc, hot, cold, fault)
    usable = np.isfinite(got.celsius[0]) and not got.flags[0] & np.uint32(Flag.BAD)
    return round(float(got.celsius[0]), 2) if usable else None


def _whole(value: Any, bits: int) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and -(1 << bits) < value < 1 << bits


def channels(info: LoggerInfo, types: Mapping[int, str], now: float) -> list[dict[str, Any]]:
    """The channels of a logger: number, type letter, and what it reads [degC], null where nothing can be said."""
    read = present(info, now)
    return [{"channel": n, "tc": tc, "celsius": read.get(n)} for n, tc in types.items()]
