"""Keeping the station on one of the known networks, without ever blocking."""

import asyncio

from micropython import const

_POLL_MS = const(200)
_POLLS = const(75)  # 15 s for each network


class Wifi:
    """``wlan`` is a ``network.WLAN`` station, or None on a board without; ``networks`` a list of ssid and password."""

    def __init__(self, wlan, networks):
        self._wlan = wlan
        self._networks = networks
        if wlan is not None:
            wlan.active(True)

    async def up(self):
        """Return True once the station is connected, False when no known network would have it."""
        wlan = self._wlan
        if wlan is None or wlan.isconnected():
            return wlan is not None
        for known in self._networks:
            wlan.connect(known["ssid"], known["password"])
            for _ in range(_POLLS):
                await asyncio.sleep_ms(_POLL_MS)
                if wlan.isconnected():
                    return True
            wlan.disconnect()
        return False
