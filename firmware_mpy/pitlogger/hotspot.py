"""The logger's own Wi-Fi network, where no known one is in reach: WPA2, names answered by us, one page.

Key and PIN are printed on the console whenever the network opens: who holds the board has them anyway.
"""

import asyncio
import sys

from micropython import const

from pitlogger import forget
from pitlogger.views import Views
from pitlogger.web import Web

_PATIENCE_MS = const(5000)  # with a console that nobody reads


class Hotspot:
    """One task, ``run``, for as long as the network is wanted. ``ap`` is a ``network.WLAN`` access point, ``settings``
    those of the hotspot."""

    def __init__(self, ap, settings, logger, clock, app):
        self._ap = ap
        self._settings = settings
        self._clock = clock
        self._app = app
        self.ssid = settings["ssid"] or "pit-%04x" % (logger & 0xFFFF)
        from pitlogger import keys

        self.key, self.pin = keys.own(settings)
        del keys
        forget(("keys",))
        self.where = ""  # of the page, while it is there
        self._views = Views(app, page_file(), self.pin, clock)

    def asked(self):
        """Return the ticks of the last request for the page or something on it; before the first, of the opening."""
        return self._views.asked

    async def run(self):
        """Have the network open until cancelled. OSError if it cannot be opened."""
        self._app.follow()
        ap, settings = self._ap, self._settings
        ap.config(ssid=self.ssid, key=self.key)
        ap.active(True)
        tasks = []
        try:
            if not ap.config("security"):
                raise OSError("the access point would be open")
            address = ap.ifconfig()[0]
            web = Web(self._views, address, self._clock)
            tasks.append(asyncio.create_task(web.accept(web.listen(settings["port"]))))
            tasks.append(asyncio.create_task(self._names(address)))
            port = settings["port"]
            self.where = "http://%s%s/" % (address, "" if port == 80 else ":%d" % port)
            await self._say()
            await tasks[0]  # ends only with us
        finally:
            self.where = ""
            for task in tasks:
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

    async def _say(self):
        from pitlogger.usblines import Unread, Writer

        self._app.log.add("hotspot open: %s" % self.ssid)
        told = "hotspot: network %s, key %s, page %s, PIN %s\n" % (self.ssid, self.key, self.where, self.pin)
        try:  # not by print: that would wait for a reader, and everything with it
            await Writer(sys.stdout, self._clock, _PATIENCE_MS).write(told.encode())
        except Unread:
            pass
        if self._app.usb is None:  # else it is in use
            forget(("usblines",))


def page_file():
    """Return where the page lies: in ``page`` beside this package."""
    return __file__[: __file__.rfind("pitlogger/")] + "page/index.html"
