"""What the buzzer says: each thing has a rhythm and a tune of its own. README.md has them in a table."""

from micropython import const

from pitlogger.panel import DONE, REFUSED

_LOUD = const(32768)  # duty of a half, the loudest of a piezo disc
_APART_MS = const(1200)  # silence between two things said
_CALLS = const(3)  # times that an alarm is said; what answers a button is said once

# For each bit in turn: pitch [20 Hz], how long it sounds and how long it is silent then [10 ms].
_TUNES = (
    b"\x78\x08\x00",  # done: one blip
    b"\x28\x19\x08\x28\x08\x00",  # refused: long and short, low
    b"\x82\x32\x0f\x46\x32\x00",  # low: two long, falling
    b"\x46\x0c\x06\x64\x0c\x06\x82\x0c\x06\x96\x0c\x00",  # high: four short, rising
    b"\x64\x0c\x08\x64\x0c\x08\x82\x41\x00",  # target: short, short, long
    b"\x78\x06\x06\x78\x06\x32\x78\x06\x06\x78\x06\x00",  # lost: two pairs of ticks
    b"\x32\x96\x00",  # journal: one long, low
)


class Buzzer:
    """``pwm`` is a ``machine.PWM`` with a passive buzzer. ``step`` must be called some 50 times a second."""

    def __init__(self, pwm, clock):
        self._pwm = pwm
        self._clock = clock
        self._wanted = 0
        self._seconds = bytearray(len(_TUNES))  # for which each is said; 0: _CALLS times
        self._tune = b""
        self._at = self._left = 0
        self._sounds = False
        self._due = clock.ticks_ms()
        pwm.duty_u16(0)

    def say(self, bits, seconds=0):
        """Say these things, one after the other, each for so long if that is given: as often as fits, once at least.
        What answers a button is said at once."""
        self._wanted |= bits
        for number in range(len(_TUNES)):
            if bits >> number & 1:
                self._seconds[number] = seconds
        now = self._clock.ticks_ms()
        if bits & (DONE | REFUSED):
            self._hush()
            self._due = now
        elif not self._tune and not 0 <= self._clock.ticks_diff(self._due, now) <= _APART_MS:
            self._due = now  # what was due long ago would be in the future once the ticks have wrapped

    def stop(self):
        """Say no more of what is being said, or waits to be."""
        self._wanted = 0
        self._hush()

    def step(self):
        """Go on where the time has come."""
        if not self._tune and not self._wanted:
            return
        now = self._clock.ticks_ms()
        if self._clock.ticks_diff(now, self._due) < 0:
            return
        if not self._tune:
            self._begin()
        tune, at = self._tune, self._at
        if not self._sounds:
            self._pwm.freq(tune[at] * 20)
            self._pwm.duty_u16(_LOUD)
            self._sounds = True
            self._due = self._clock.ticks_add(now, tune[at + 1] * 10)
            return
        self._pwm.duty_u16(0)
        self._sounds = False
        self._at = at + 3
        pause = tune[at + 2] * 10
        if self._at == len(tune):
            pause, self._at = _APART_MS, 0
            self._left -= 1
            if not self._left:
                self._tune = b""
        self._due = self._clock.ticks_add(now, pause)

    def _begin(self):
        number = 0
        while not self._wanted >> number & 1:
            number += 1
        self._wanted ^= 1 << number
        self._tune, self._at = _TUNES[number], 0
        self._left = _CALLS if 1 << number > REFUSED else 1
        if self._seconds[number]:
            once = _APART_MS  # how long it takes to say it once, the silence behind it and all [ms]
            for i in range(len(self._tune)):
                once += 10 * self._tune[i] if i % 3 else 0
            self._left = max(1, self._seconds[number] * 1000 // once)

    def _hush(self):
        self._tune = b""
        if self._sounds:
            self._pwm.duty_u16(0)
            self._sounds = False
