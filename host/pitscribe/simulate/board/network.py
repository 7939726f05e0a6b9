"""Wi-Fi of the simulated board: the computer's own network, always there unless PITSCRIBE_AIR says otherwise."""

import json
import os
import time

STA_IF = 0
AP_IF = 1
_JOIN_MS = 700  # so long the radio takes to join, or to find that it cannot
_IDLE, _JOINING, _GOT_IP, _NO_NETWORK, _WRONG_PASSWORD = 0, 1, 3, -2, -3


class WLAN:
    """A station that is connected from the moment it is switched on; or an access point at the address in PITSCRIBE_AP,
    which will not go up without that.

    PITSCRIBE_AIR names a file with the networks that are in reach, {"ssid": "password"}: then the station has to join
    one, and loses it when it goes. What is said over sockets is not held up: who wants that stands in between.
    """

    def __init__(self, interface=STA_IF):
        self._interface = interface
        self._active = False
        self._config = {"ssid": "", "key": ""}
        self._joined = None  # ssid, password, when

    def active(self, on=None):
        if on and self._interface == AP_IF and not os.getenv("PITSCRIBE_AP"):
            raise OSError(19)
        if on is not None:
            self._active = bool(on)
        return self._active

    def config(self, name=None, **given):
        if name == "security":
            return 4 if self._config["key"] else 0
        if name is not None:
            return self._config[name]
        self._config.update(given)
        return None

    def ifconfig(self):
        address = os.getenv("PITSCRIBE_AP") if self._interface == AP_IF else "127.0.0.1"
        return (address, "255.255.255.0", address, address)

    def connect(self, ssid, key=None):
        self._joined = (ssid, key or "", time.ticks_ms())

    def disconnect(self):
        self._joined = None

    def isconnected(self):
        return self._active and self.status() == _GOT_IP

    def status(self):
        air = os.getenv("PITSCRIBE_AIR")
        if not air:
            return _GOT_IP
        if self._joined is None:
            return _IDLE
        ssid, key, since = self._joined
        if time.ticks_diff(time.ticks_ms(), since) < _JOIN_MS:
            return _JOINING
        with open(air) as f:
            reach = json.load(f)
        if ssid not in reach:
            return _NO_NETWORK
        return _GOT_IP if reach[ssid] == key else _WRONG_PASSWORD
