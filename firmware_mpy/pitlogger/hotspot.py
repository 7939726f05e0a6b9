"""The logger's own Wi-Fi network, where no known one is in reach: WPA2, names answered by us, one page.

Network key and PIN are settings; where these are empty, ones of the board's own are made once and kept in the file
``hotspot``. Both are printed on the console whenever the network opens: who holds the board has them anyway.
"""

import asyncio
import gc
import json
import os

from micropython import const

from pitlogger import files

_FILE = "hotspot"
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is taken for another
_KEY, _PIN = const(12), const(6)
_LOOK_MS = const(2000)
_PATIENCE_MS = const(60000)  # without a known network before ours opens, and with one before it closes
_AGAIN_MS = const(30000)  # after an access point that would not open


class Hotspot:
    """One task, ``run``. ``ap`` is a ``network.WLAN`` access point; ``wlan`` the station, None if it is not in use."""

    def __init__(self, ap, wlan, settings, logger, clock, app):
        self._ap = ap
        self._wlan = wlan if settings["wifi"] else None
        self._settings = settings["hotspot"]
        self._clock = clock
        self._app = app
        self.ssid = self._settings["ssid"] or "pit-%04x" % (logger & 0xFFFF)
        self.key, self.pin = self._own()
        self.trouble = ""
        self.web = None  # where the network is closed
        self._connected, self._since, self._alone = False, clock.ticks_ms(), False

    async def run(self):
        """Open and close the network, for ever."""
        while self._settings["when"] != "never":
            if self._wanted():
                try:
                    await self._open()
                    self.trouble = ""
                except (OSError, MemoryError) as error:
                    self.trouble = "hotspot: %s" % error
                    self._app.log.add(self.trouble)
                    gc.collect()
                    await asyncio.sleep_ms(_AGAIN_MS)
            await asyncio.sleep_ms(_LOOK_MS)

    def _wanted(self):
        """Return whether the network should be open. What the station is counts once it has been so for a minute."""
        if self._settings["when"] == "always" or self._wlan is None:
            return True
        connected, now = self._wlan.isconnected(), self._clock.ticks_ms()
        if connected != self._connected:
            self._connected, self._since = connected, now
        if self._clock.ticks_diff(now, self._since) >= _PATIENCE_MS:
            self._alone = not connected
        return self._alone

    async def _open(self):
        """Have the network open until it is no longer wanted. Where it never is, nobody pays for the page."""
        from pitlogger.views import Views
        from pitlogger.web import Web

        self._app.follow()
        ap, settings = self._ap, self._settings
        ap.config(ssid=self.ssid, key=self.key)
        ap.active(True)
        server = names = None
        try:
            if not ap.config("security"):
                raise OSError("the access point would be open")
            address = ap.ifconfig()[0]
            self.web = Web(Views(self._app, page_file(), self.pin, self._clock), address, self._clock)
            server = asyncio.create_task(self.web.accept(self.web.listen(settings["port"])))
            names = asyncio.create_task(self._names(address))
            self._say(address)
            while self._wanted():
                await asyncio.sleep_ms(_LOOK_MS)
        finally:
            self.web = None
            for task in (server, names):
                if task is not None:
                    task.cancel()
            ap.active(False)

    async def _names(self, address):
        """Answer names. Without it the page is still at its address, so a failure is only told."""
        if self._settings["dns"]:
            from pitlogger import portal

            try:
                await portal.serve(address, self._settings["dns"])
            except OSError as error:
                self._app.log.add("hotspot: no names: %s" % error)

    def _say(self, address):
        port = self._settings["port"]
        where = "http://%s%s/" % (address, "" if port == 80 else ":%d" % port)
        print("hotspot: network %s, key %s, page %s, PIN %s" % (self.ssid, self.key, where, self.pin))
        self._app.log.add("hotspot open: %s" % self.ssid)

    def _own(self):
        """Return (key, PIN), made and kept where the settings have none."""
        key, pin = self._settings["key"], self._settings["pin"]
        if key and pin:
            return key, pin
        try:
            with open(_FILE, "rb") as f:
                kept = json.load(f)
            made = kept["key"], kept["pin"]
            if not (isinstance(made[0], str) and isinstance(made[1], str) and len(made[0]) == _KEY):
                raise ValueError
        except (OSError, ValueError, KeyError, TypeError):
            made = _random(_LETTERS, _KEY), _random("0123456789", _PIN)
            try:
                files.replace(_FILE, json.dumps({"key": made[0], "pin": made[1]}).encode())
            except OSError:
                pass  # then they are others at the next start
        return key or made[0], pin or made[1]


def page_file():
    """Return where the page lies: in ``page`` beside this package."""
    return __file__[: __file__.rfind("pitlogger/")] + "page/index.html"


def _random(letters, count):
    """Return so many letters, each as likely as any other: bytes that would favour the first ones are left out."""
    made = ""
    fair = 256 - 256 % len(letters)
    while len(made) < count:
        byte = os.urandom(1)[0]
        if byte < fair:
            made += letters[byte % len(letters)]
    return made
