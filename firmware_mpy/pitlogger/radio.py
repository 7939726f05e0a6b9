"""The one radio, in one part at a time: guest of a known network, or host of one of the logger's own.

What the other part needs is not in memory meanwhile: each takes a sixth of the heap. And a radio that looks for
networks is deaf on its own, so it does that only while nobody looks at the page.
"""

import asyncio
import gc
import sys

from micropython import const

from pitlogger import forget

# The modules of each part, in an order in which none loads another; and what it loads itself where it is asked for.
_GUEST = ("addresses", "backoff", "mqtt", "wifi", "uplink", "net")
_GUEST_MORE = ("udp", "dns", "ntp", "secure", "wallclock")
_HOST = ("request", "views", "web", "portal", "hotspot", "keys")
_HOST_MORE = ("record",)
_STAYS = ("hmac", "wits", "trend", "local")  # of the host's, what others use, too
_LOOK_MS = const(500)
_PATIENCE_MS = const(60000)  # without a known network, before one of our own opens
_QUIET_MS = const(300000)  # without a request for the page, and since it opened, before a known one is looked for
_AGAIN_MS = const(30000)  # after a part that could not begin


class Radio:
    """One task, ``run``. ``wlan`` is a ``network.WLAN`` station and ``ap`` an access point, or None; ``set_clock`` as
    in ``app.App``, which is ``app``: it gets ``take(net, hotspot)`` when one of them begins or ends."""

    def __init__(self, wlan, ap, settings, logger, clock, set_clock, app):
        when = settings["hotspot"]["when"]
        self._wlan = wlan
        self._ap = ap if when != "never" else None
        self._settings, self._logger = settings, logger
        self._clock, self._set_clock = clock, set_clock
        self._app = app
        self._fault = None  # what ended the part that ran last
        wanted = wlan is not None and (settings["broker"]["host"] or settings["ntp"])
        known = settings["wifi"] or self._ap is None
        self._joins = bool(wanted and known and (when != "always" or self._ap is None))

    def load(self):
        """Load what the first part needs, while there is room to compile it: that takes several times what stays."""
        for name in _GUEST if self._joins else _STAYS + _HOST if self._ap is not None else ():
            __import__("pitlogger." + name)

    async def run(self):
        """Change from one part to the other, for ever."""
        patience = _PATIENCE_MS
        while self._joins or self._ap is not None:
            try:
                if self._joins:
                    await self._be_guest(patience)
                    self._check()
                    patience = 0  # from now on one round through all known networks will do
                if self._ap is not None:
                    await self._be_host()
                    self._check()
            except (OSError, MemoryError, ImportError) as error:  # ImportError: the flash had the module not to give
                _let_go(_GUEST + _GUEST_MORE + _HOST + _HOST_MORE)  # the other part may be next, and needs the room
                self._app.log.add("radio: %s" % error)
                patience = _PATIENCE_MS
                await asyncio.sleep_ms(_AGAIN_MS)

    async def _load(self, names):
        """Load what is not there, a module after a tick: on the board one takes up to 0.3 s, in which nothing else
        runs. Return after a tick, too."""
        for name in names:
            if "pitlogger." + name not in sys.modules:
                await self._app.sampler.after_tick()
                __import__("pitlogger." + name)
        await self._app.sampler.after_tick()

    async def _hold(self, part):
        """Run a part. What ends it is kept and raised by ``run``: of a task that nobody waits for the loop would print
        it, and on a console that nobody reads a print stops everything."""
        try:
            await part.run()
        except Exception as error:
            self._fault = error

    def _check(self):
        fault, self._fault = self._fault, None
        if fault is not None:
            raise fault

    async def _be_guest(self, patience):
        """Be on a known network until there was none for so long [ms], and for one round through all. For ever where
        there is nothing else to be."""
        await self._load(_GUEST)
        from pitlogger.net import Net

        app, clock = self._app, self._clock
        net = Net(self._settings, app.journal, self._logger, self._wlan, clock, app.uptime, self._set_clock, app)
        app.take(net, None)
        task = asyncio.create_task(self._hold(net))
        alone = clock.ticks_ms()
        try:
            while True:
                await asyncio.sleep_ms(_LOOK_MS)
                if task.done():
                    return
                now = clock.ticks_ms()
                if net.wifi.up.is_set():
                    alone, patience = now, _PATIENCE_MS
                elif self._ap is not None and net.wifi.rounds and clock.ticks_diff(now, alone) >= patience:
                    return
        finally:
            task.cancel()
            app.take(None, None)
            await _ended(task)
            net.close()
            del net, task
            _let_go(_GUEST + _GUEST_MORE)

    async def _be_host(self):
        """Have a network of our own until it is time to look for a known one; for ever where none is known."""
        await self._load(_STAYS + _HOST)
        from pitlogger.hotspot import Hotspot

        app, clock = self._app, self._clock
        spot = Hotspot(self._ap, self._settings["hotspot"], self._logger, clock, app)
        app.take(None, spot)
        task = asyncio.create_task(self._hold(spot))
        opened = clock.ticks_ms()
        try:
            while True:
                await asyncio.sleep_ms(_LOOK_MS)
                if task.done():
                    return
                now = clock.ticks_ms()
                quiet = min(clock.ticks_diff(now, opened), clock.ticks_diff(now, spot.asked()))
                if self._joins and quiet >= _QUIET_MS:
                    return
        finally:
            task.cancel()
            app.take(None, None)
            await _ended(task)
            del spot, task
            if self._joins:
                _let_go(_HOST + _HOST_MORE)


async def _ended(task):
    """Wait until a task that was cancelled has put away what it had."""
    while not task.done():
        await asyncio.sleep_ms(10)


def _let_go(modules):
    forget(modules)
    gc.collect()
