"""Wi-Fi of the simulated board: the computer's own network, which is always there."""

STA_IF = 0


class WLAN:
    """A station that is connected from the moment it is switched on."""

    def __init__(self, interface=STA_IF):
        self._active = False

    def active(self, on=None):
        if on is not None:
            self._active = bool(on)
        return self._active

    def connect(self, ssid, key=None):
        pass

    def disconnect(self):
        pass

    def isconnected(self):
        return self._active
