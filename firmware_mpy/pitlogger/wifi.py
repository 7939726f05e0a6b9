"""Keeping the station on one of the known networks, without ever blocking."""

import asyncio

from micropython import const

from pitlogger.backoff import BackOff

_POLL_MS = const(200)
_POLLS = const(75)  # 15 s for each network
_FIRST_MS, _MOST_MS = const(1000), const(60000)  # between rounds through all of them


class Wifi:
    """One task, ``run``. ``wlan`` is a ``network.WLAN`` station, or None on a board without; ``networks`` a list of
    ssid and password. ``up`` is an event that is set while the station is connected; ``rounds`` counts the rounds
    through all known networks, since it was last connected, in which none would have it.

    It does not look which networks are in reach: ``scan`` stops the program for seconds on the Pico W. A network that
    is not there is given up as soon as the radio says so, and the one that had us last is tried first.
    """

    def __init__(self, wlan, networks):
        self._wlan = wlan
        self._networks = list(networks)
        self.up = asyncio.Event()
        self.rounds = 0
        self.trouble = ""  # why the last network that was tried would not have it
        if wlan is not None:
            wlan.active(True)

    async def run(self):
        """Connect, and connect again, for ever."""
        wlan, pauses = self._wlan, BackOff(_FIRST_MS, _MOST_MS)
        if wlan is None:
            return
        while True:
            if wlan.isconnected():
                self.rounds = 0
                self.up.set()
                pauses.reset()
                await asyncio.sleep_ms(_POLL_MS)
                continue
            self.up.clear()
            if not await self._round():
                self.rounds += 1
                await asyncio.sleep_ms(pauses.pause())

    def close(self):
        """Switch the station off."""
        if self._wlan is not None:
            self._wlan.active(False)

    def name_server(self):
        """Return the address of the name server that the network named, None if it named none."""
        try:
            server = self._wlan.ifconfig()[3]
        except (AttributeError, OSError, IndexError):
            return None
        return server if server != "0.0.0.0" else None

    async def _round(self):
        """Try every known network once; return whether one has us."""
        for i in range(len(self._networks)):
            known = self._networks[i]
            if await self._join(known):
                self._networks.insert(0, self._networks.pop(i))
                return True
        return False

    async def _join(self, known):
        wlan = self._wlan
        try:
            wlan.connect(known["ssid"], known["password"])
            for _ in range(_POLLS):
                await asyncio.sleep_ms(_POLL_MS)
                if wlan.isconnected():
                    return True
                status = wlan.status()
                if status < 0:  # no such network, a wrong password, or refused: the radio has given up
                    self.trouble = "Wi-Fi %s: %s" % (known["ssid"], _words(status))
                    break
            else:
                self.trouble = "Wi-Fi %s: no answer" % known["ssid"]
            wlan.disconnect()
        except OSError as error:
            self.trouble = "Wi-Fi %s: %s" % (known["ssid"], error)
        return False


def _words(status):
    return {-3: "wrong password", -2: "not in reach"}.get(status, "refused")
