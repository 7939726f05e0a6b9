"""What a hand and an ear have of the board: buttons that are pressed, and ``machine.PWM`` on a buzzer."""

import os
import time


def pressed(number):
    path = os.getenv("PITSCRIBE_PRESSED")
    if not path:
        return False
    try:
        with open(path) as f:
            pin, first, end = [int(word) for word in f.read().split()]
    except (OSError, ValueError):
        return False
    return pin == number and first <= time.world_ms() < end


class PWM:
    """A tone on a pin: each change is a line of the file PITSCRIBE_SOUND, world time in ms and Hz."""

    def __init__(self, pin, freq=1000, duty_u16=0):
        self._hz = freq

    def freq(self, hz):
        self._hz = hz

    def duty_u16(self, duty):
        path = os.getenv("PITSCRIBE_SOUND")
        if path:
            with open(path, "a") as f:
                f.write("%d %d\n" % (time.world_ms(), self._hz if duty else 0))
