"""A cook's worth of chip codes to measure the wire format on: ours, seeded, and no more like a cook than it must be.

Times in s, temperatures in deg C. Six channels: two in the air, four in the meat.
"""

import numpy as np

from pitscribe.wire.frames import Channel, FrameKey, encode_ticks

LOGGER = 0x5EED0006
AIR = (0, 3)
LSB = {"max31855": (0.25, 2.0**-4), "max31856": (2.0**-7, 2.0**-6)}  # hot and cold, deg C
NOISE = {"max31855": 0.08, "max31856": 0.02}  # standard deviation of hot, deg C


def columns(chip: str, hours: float, seed: int = 7) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return hot, cold and fault of six such chips, each (ticks, 6), at 1 Hz."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(hours * 3600))
    rise = (1 - np.exp(-t / 9000.0)) * 62 + t / 3600 * 1.3
    celsius = 4 + rise[:, None] * np.array([0, 1.0, 0.96, 0, 0.92, 0.97])
    for place in AIR:
        celsius[:, place] = 121 + 8 * np.sin(2 * np.pi * t / 2400) + _gusts(rng, len(t), 1.0, 20.0)
    celsius += NOISE[chip] * rng.standard_normal(celsius.shape)
    box = 27 + 6 * np.sin(2 * np.pi * t / 86400) + _gusts(rng, len(t), 0.05, 300.0)
    cold = box[:, None] + 0.3 * np.arange(6) + 0.01 * rng.standard_normal(celsius.shape)
    fault = np.zeros(celsius.shape, int)
    fault[len(t) // 3 : len(t) // 3 + 400, 2] = 1  # a plug that fell out for a while
    hot_lsb, cold_lsb = LSB[chip]
    return np.floor(celsius / hot_lsb).astype(int), np.floor(cold / cold_lsb).astype(int), fault


def _gusts(rng: np.random.Generator, ticks: int, size: float, lasting: float) -> np.ndarray:
    """Return noise of that standard deviation which forgets itself in ``lasting`` s (first-order autoregression)."""
    keep = float(np.exp(-1 / lasting))
    out, value = np.empty(ticks), 0.0
    for tick, kick in enumerate((rng.standard_normal(ticks) * size * np.sqrt(1 - keep**2)).tolist()):
        value = keep * value + kick
        out[tick] = value
    return out


def frames(chip: str, hours: float, ticks: int = 32, seed: int = 7) -> list[bytes]:
    """Return such a cook as frames of ``ticks`` ticks."""
    hot, cold, fault = columns(chip, hours, seed)
    table = (Channel(chip, "K"),) * 6
    return [
        encode_ticks(
            FrameKey(LOGGER, 1, place), 1000 * at, 1000, table,
            hot[at : at + ticks], cold[at : at + ticks], fault[at : at + ticks],
        )
        for place, at in enumerate(range(0, len(hot), ticks))
    ]
