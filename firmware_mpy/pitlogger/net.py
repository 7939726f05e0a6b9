"""All that goes over a network of others: the station, names, the time by NTP, the uplink; and the clock for TLS."""

import asyncio

from pitlogger.addresses import numeric
from pitlogger.mqtt import Client
from pitlogger.uplink import Uplink
from pitlogger.wifi import Wifi

_ADDRESSES = "addresses.json"  # the broker's last one, for when the name server is away
_CLOCK = "clock"  # the time that was known last


class Net:
    """One task, ``run``. ``uplink`` is None where the settings name no broker.

    ``set_clock(s)`` sets the board's clock to UTC in s since 1970, or is None; the rest as in ``app.App``, which is
    the ``report`` of the uplink and takes ``anchor(dict)``.
    """

    def __init__(self, settings, journal, logger, wlan, clock, uptime, set_clock, report):
        broker = settings["broker"]
        self.wifi = Wifi(wlan, settings["wifi"])
        self._resolver = self._wall = self.uplink = self._ntp = None
        # What is not asked for costs nothing; what is, is imported now, while there is room to compile it.
        if _to_look_up(broker["host"]) or _to_look_up(settings["ntp"].partition(":")[0]):
            from pitlogger.dns import Resolver

            server = settings["name_server"]
            self._resolver = Resolver(lambda: server or self.wifi.name_server(), clock, _ADDRESSES)
        context = self._tls(broker["ca"], set_clock, uptime) if broker["tls"] else None
        if broker["host"]:
            client = self._client_of(broker, logger, clock, context)
            self.uplink = Uplink(client, journal, self.wifi, logger, settings, clock, report)
        if settings["ntp"]:
            from pitlogger.ntp import Ntp

            self._ntp = Ntp(settings["ntp"], self.find, self.wifi, uptime, clock, report.anchor)

    async def run(self):
        """Run for ever."""
        tasks = [part.run() for part in (self.wifi, self.uplink, self._ntp) if part is not None]
        await asyncio.gather(*tasks)

    def close(self):
        """Leave the network of others. ``run`` has ended."""
        self.wifi.close()

    def tell_time(self, anchor):
        """Take note of an anchor that is believed."""
        if self._wall is not None:
            self._wall.take(anchor)

    async def find(self, name, keep=False):
        """Return the address of a server; ``keep`` its last one on flash. OSError if nobody knows it."""
        if numeric(name) or self._resolver is None:  # without one the settings name nothing that has to be looked up
            return name
        return await self._resolver.address(name, keep)

    async def _find_broker(self, name):
        return await self.find(name, True)

    def _client_of(self, broker, logger, clock, context):
        """Return what makes the MQTT client once the uplink knows where its messages go."""

        def make(on_message, on_ack):
            return Client(
                broker["host"],
                broker["port"],
                "pitlogger-%08x" % logger,
                broker["user"],
                broker["password"],
                broker["keepalive_s"],
                broker["ack_s"],
                clock,
                on_message,
                on_ack,
                self._find_broker,
                context,
            )

        return make

    def _tls(self, ca, set_clock, uptime):
        """Return what makes the context of a connection, and sees to it that the clock is at least possible."""
        from pitlogger import secure
        from pitlogger.wallclock import WallClock

        wall = self._wall = None if set_clock is None else WallClock(set_clock, _CLOCK, uptime)

        def make():
            if wall is not None and not wall.known:
                wall.floor(secure.not_before(secure.read_certificate(ca)))
            return secure.context(ca)

        return make


def _to_look_up(host):
    return host and not numeric(host)
