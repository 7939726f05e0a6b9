"""Wi-Fi of the simulated board: the computer's own network, which is always there."""

import os

STA_IF = 0
AP_IF = 1


class WLAN:
    """A station that is connected from the moment it is switched on; or an access point at the address in PITSCRIBE_AP,
    which will not go up without that."""

    def __init__(self, interface=STA_IF):
        self._interface = interface
        self._active = False
        self._config = {"ssid": "", "key": ""}

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
        pass

    def disconnect(self):
        pass

    def isconnected(self):
        return self._active
