"""The time from an NTP server, as an anchor: asked once an hour, and never blocking (RFC 5905, as a simple client)."""

import asyncio
import os
import struct

from micropython import const

from pitlogger import udp
from pitlogger.backoff import BackOff

_PORT = const(123)
_TIMEOUT_MS = const(3000)
_EVERY_MS = const(3600000)
_FIRST_MS, _MOST_MS = const(64000), const(3600000)  # between tries that failed: 64 s is the least that is polite
_EPOCH = 2208988800  # s from 1900, where NTP begins, to 1970
_ERA = 4294967296
_MOST_ERR_MS = const(5000)  # an answer that is less certain is of no use
_EARLIEST_MS, _LATEST_MS = 1735689600000, 4102444800000  # 2025 to 2100: what else it says is nonsense


class Refused(OSError):
    """The server does not want to be asked (a kiss of death); ``code`` is its four letters."""

    def __init__(self, code):
        super().__init__("NTP: " + code)
        self.code = code


def question(cookie):
    """Return the packet that asks; ``cookie`` is 8 random bytes that must come back."""
    packet = bytearray(48)
    packet[0] = 0x23  # no warning, version 4, client
    packet[40:] = cookie
    return packet


def answer(reply, cookie, sent, received):
    """Return the anchor that a reply gives, None if it is no answer of use.

    ``sent`` and ``received`` are uptimes in ms. The server's clock was read between them: at their middle, give or take
    half of the time that the way took, and what the server says of itself (root delay / 2 + root dispersion). Raises
    Refused.
    """
    if len(reply) < 48 or reply[24:32] != cookie or reply[0] & 7 != 4 or not 3 <= reply[0] >> 3 & 7 <= 4:
        return None
    if not reply[1]:
        raise Refused("".join(chr(c) if 32 <= c < 127 else "?" for c in reply[12:16]))
    if reply[0] >> 6 == 3 or reply[1] > 15 or reply[40:48] == bytes(8):
        return None  # not in step with anybody
    came, went = _utc_ms(reply, 32), _utc_ms(reply, 40)
    held = went - came
    way = received - sent - held
    if held < 0 or way < -1 or not _EARLIEST_MS <= went < _LATEST_MS:
        return None
    delay, dispersion = struct.unpack_from(">II", reply, 4)
    # 16.16 fixed point of s; rounded up, and 2 ms for our own two clock readings.
    err = (max(way, 0) + 1) // 2 + (delay // 2 + dispersion) * 1000 // 65536 + 1 + 2
    if err > _MOST_ERR_MS:
        return None
    return {"up": (sent + received) // 2, "utc_ms": (came + went) // 2, "err_ms": err, "from": "ntp"}


def _utc_ms(reply, at):
    seconds, fraction = struct.unpack_from(">II", reply, at)
    if not seconds & 0x80000000:  # the era that begins in 2036 (RFC 4330 section 3)
        seconds += _ERA
    return (seconds - _EPOCH) * 1000 + (fraction * 1000 >> 32)


class Ntp:
    """One task. ``server`` is a name or an address, with ``:port`` where it is not 123; ``find(name)`` gives its
    address (a coroutine); ``on_anchor`` gets anchors."""

    def __init__(self, server, find, wifi, uptime, clock, on_anchor):
        self._name, _, port = server.partition(":")
        self._port = int(port) if port else _PORT
        self._find = find
        self._wifi = wifi
        self._uptime = uptime
        self._clock = clock
        self._on_anchor = on_anchor
        self.trouble = ""

    async def run(self):
        """Ask for ever, or until the server says that we may not."""
        pauses = BackOff(_FIRST_MS, _MOST_MS)
        while True:
            await self._wifi.up.wait()
            anchor = None
            try:
                anchor = await self._ask()
                self.trouble = "" if anchor else "NTP: no answer of use"
            except Refused as refusal:
                self.trouble = str(refusal)
                if refusal.code in ("DENY", "RSTR"):
                    return
                pauses.pause()  # asked too often: twice as slowly
            except (OSError, MemoryError) as error:
                self.trouble = str(error)
            if anchor is not None:
                pauses.reset()
                self._on_anchor(anchor)
            await asyncio.sleep_ms(_EVERY_MS if anchor is not None else pauses.pause())

    async def _ask(self):
        address = await self._find(self._name)
        cookie = os.urandom(8)
        sent = self._uptime.now()
        now = self._uptime.now
        return await udp.ask(
            address, self._port, question(cookie), _TIMEOUT_MS, self._clock, lambda r: answer(r, cookie, sent, now())
        )
