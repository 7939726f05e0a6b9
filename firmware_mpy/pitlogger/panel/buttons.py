"""Push buttons to ground, looked at in turns: no interrupt, so that nothing comes between the sampler and its chips."""

from micropython import const

_NOTHING, _DOWN, _UP, _HELD = const(0), const(1), const(2), const(3)
_HELD_MS = const(1000)


class Button:
    """``pin()`` is 0 while the button is pressed."""

    def __init__(self, pin, clock):
        self._pin = pin
        self._clock = clock
        self._before = 1
        self._level = 1  # the one that two looks in a row agreed on
        self._since = 0
        self._held = False

    def look(self):
        """Once every 20 ms, so that what bounces for less is one press: return 1 when it was pressed, 3 once when it
        has been for a second, 2 when it was let go before that, else 0."""
        level, before = self._pin(), self._before
        self._before = level
        if level == before and level != self._level:
            self._level = level
            if level:
                return _NOTHING if self._held else _UP
            self._held = False
            self._since = self._clock.ticks_ms()
            return _DOWN
        if not self._level and not self._held:
            if self._clock.ticks_diff(self._clock.ticks_ms(), self._since) >= _HELD_MS:
                self._held = True
                return _HELD
        return _NOTHING
