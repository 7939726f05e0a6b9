"""Screen, buzzer and buttons as one task, which takes what the sampler leaves: short turns, none just before a tick."""

import asyncio
import gc

from micropython import const

from pitlogger.panel import DONE, HIGH, JOURNAL, LOST, LOW, REFUSED, TARGET
from pitlogger.panel.alarms import Alarms

_DOWN, _UP, _HELD = const(1), const(2), const(3)  # what a button tells
_GUARD_MS = const(18)  # before a tick nothing is begun: a bus that is held takes a transfer 5 ms
_ROOM_MS = const(150)  # what a note may take of the flash, if a period has it
_REST_MS = const(20)
_DRAW_MS = const(1000)
_LOOK_S = const(10)  # between two looks at what the journal has left: that allocates
_AGAIN_MS = const(3000)  # until a screen that did not answer is tried again
_MESSAGE_MS = const(4000)
_WORDS = {LOW: "below limit", HIGH: "above limit", TARGET: "target reached", LOST: "probe lost",
          JOURNAL: "journal trouble"}  # fmt: skip
_LONGEST_S = const(60)  # that the host may ask for


def load(own, screen):
    """Load what a panel of these settings needs, while there is room to compile it: that takes more than what stays."""
    import pitlogger.local  # noqa: F401

    if screen:
        import pitlogger.panel.display
        import pitlogger.panel.page_numbers
        import pitlogger.panel.pages  # noqa: F401
    if own["buzzer"] >= 0:
        import pitlogger.panel.buzzer
    if own["page"] >= 0 or own["note"] >= 0:
        import pitlogger.panel.buttons  # noqa: F401


class Panel:
    """``app`` is the application, ``values`` the settings; ``i2c`` is the bus on which a screen answered, or None;
    ``make_pin(number)`` gives an input with a pull-up, ``pwm(number)`` a ``machine.PWM``. Pins below 0 are none.

    ``tick`` is called after each tick.
    """

    def __init__(self, app, values, i2c, make_pin, clock, pwm):
        own = values["panel"]
        self._app = app
        self._clock = clock
        self._period = values["period_ms"]
        self._kind = own["note_kind"]
        app.follow()
        self._alarms = Alarms(app.local.channels)
        self._display = self._pages = self._buzzer = self._page_button = self._note_button = None
        if i2c is not None:
            from pitlogger.panel import page_numbers  # noqa: F401  # the first page, which Pages takes for loaded
            from pitlogger.panel.display import Display
            from pitlogger.panel.pages import Pages

            baud = next(bus["baud"] for bus in values["i2c"] if bus["id"] == own["i2c"])
            self._display = Display(i2c, own["screen"], own["address"], own["turn"], baud)
            self._pages = Pages(app, values, self._alarms, self._display.canvas)
        if own["buzzer"] >= 0:
            from pitlogger.panel.buzzer import Buzzer

            self._buzzer = Buzzer(pwm(own["buzzer"]), clock)
        if own["page"] >= 0 or own["note"] >= 0:
            from pitlogger.panel.buttons import Button

            self._page_button = Button(make_pin(own["page"]), clock) if own["page"] >= 0 else None
            self._note_button = Button(make_pin(own["note"]), clock) if own["note"] >= 0 else None
        now = clock.ticks_ms()
        self._due = self._looked = self._draw_at = self._message_at = self._second_at = now
        self._again_at = None  # when a screen that did not answer is tried again
        self._dot = 0
        self._drawing = None
        self._room = 0  # ms that the next turn of the drawing may take
        self._sending = False
        self._there = False  # whether the screen was set up and answered since
        self._message = None
        self._noted = None  # uptime of a note that is to be journalled
        self._hours, self._hours_due = None, 0

    def tick(self):
        """A tick was taken. Called by the sampler: allocates nothing."""
        uptime = self._app.uptime
        uptime.advance()
        late = (uptime.low - self._app.sampler.up_low) & 0xFFFFFF  # since it was due: the chips take their time
        self._due = self._clock.ticks_add(self._clock.ticks_ms(), -late)

    def sound(self, pattern, seconds):
        """Sound what the host asks for, unless somebody asked for quiet; a pattern that is not known is left alone.
        ValueError on what can be no time."""
        if type(seconds) is not int or not 1 <= seconds <= _LONGEST_S or not isinstance(pattern, str):
            raise ValueError("sound")
        names = ("low", "high", "target", "lost", "journal")
        if pattern not in names:
            return
        if self._buzzer is not None and not self._alarms.snoozes(self._app.uptime.now() // 1000):
            self._buzzer.say(LOW << names.index(pattern), seconds)
        self._tell(["the host calls:", "see its page"], self._clock.ticks_ms())

    async def run(self):
        """Run for ever."""
        while True:
            try:
                pause = self.turn()
            except MemoryError:  # what was being drawn is drawn anew
                self._drawing, self._draw_at = None, self._clock.ticks_add(self._clock.ticks_ms(), _DRAW_MS)
                gc.collect()
                pause = _REST_MS
            await asyncio.sleep_ms(pause)

    def turn(self):
        """Do a little, and return how long to wait then. [ms]"""
        clock = self._clock
        now = clock.ticks_ms()
        if clock.ticks_diff(now, self._looked) >= _REST_MS:
            self._looked = now
            self._buttons(now)
            if self._buzzer is not None:
                self._buzzer.step()
        left = self._period - clock.ticks_diff(now, self._due) % self._period  # until the next tick
        if left < _GUARD_MS:
            return _REST_MS
        if self._noted is not None and left >= min(_ROOM_MS, self._period // 2):
            self._note()
            return _REST_MS
        return self._work(now, left)

    def _work(self, now, left):
        diff = self._clock.ticks_diff
        if diff(now, self._second_at) >= 0:
            self._second_at = self._clock.ticks_add(now, 1000)
            self._second(now)
            return 1
        display, pages = self._display, self._pages
        if display is None or pages is None:
            return _REST_MS
        if self._again_at is not None:
            if diff(now, self._again_at) < 0:
                return _REST_MS
            self._again_at = None
        try:
            return self._show(display, pages, now, left)
        except OSError:
            self._there = self._sending = False
            self._again_at = self._clock.ticks_add(now, _AGAIN_MS)
            return _REST_MS

    def _show(self, display, pages, now, left):
        """Set the screen up, draw, or send: one step of it."""
        if not self._there:
            display.start()
            self._there = True
            return 1
        if self._drawing is not None:
            if left < min(self._room, self._period * 3 // 4):
                return _REST_MS
            try:
                self._room = next(self._drawing) or 0
            except StopIteration:
                self._drawing = None
                self._sending = True
            return 1
        if self._sending:
            self._sending = display.step()
            return 2
        if self._clock.ticks_diff(now, self._draw_at) < 0:
            return _REST_MS
        if self._message is not None and self._clock.ticks_diff(now, self._message_at) >= 0:
            self._message = None
        self._draw_at = self._clock.ticks_add(now, _DRAW_MS)
        self._dot ^= 1
        self._drawing, self._room = pages.draw(self._message, self._dot), 0
        return 1

    def _second(self, now):
        """Once a second: what is worth a sound?"""
        app = self._app
        up_s = app.uptime.now() // 1000
        if up_s >= self._hours_due:
            self._hours_due = up_s + _LOOK_S
            self._hours = app.hours()
        begun = self._alarms.look(up_s, app.journal.ok, self._hours)
        if begun:
            if self._buzzer is not None:
                self._buzzer.say(begun)
            kind = begun & -begun  # the lowest
            channel = self._alarms.channel(kind)
            place = "" if channel is None else app.local.channels[channel].place or "place %d" % (channel + 1)
            self._tell([place, _WORDS[kind]] if place else [_WORDS[kind]], now)

    def _buttons(self, now):
        if self._page_button is not None:
            pressed = self._page_button.look()
            if pressed == _UP and self._pages is not None:
                self._pages.turn()
                self._message, self._drawing, self._draw_at = None, None, now
            elif pressed == _HELD:
                self._alarms.snooze(self._app.uptime.now() // 1000)
                if self._buzzer is not None:
                    self._buzzer.stop()
                self._answer(True)
                self._tell(["quiet for", "10 minutes"], now)
        if self._note_button is not None and self._note_button.look() == _DOWN:
            self._noted = self._app.uptime.now()

    def _note(self):
        """Journal the note that a button asked for: right after a tick, for the flash takes its time."""
        kept = self._app.note(self._kind, "", self._noted) is not None
        self._noted = None  # not before: where memory is short it is tried again
        self._answer(kept)
        self._tell(["noted", self._kind] if kept else ["not noted:", "journal fails"], self._clock.ticks_ms())

    def _answer(self, good):
        if self._buzzer is not None:
            self._buzzer.say(DONE if good else REFUSED)

    def _tell(self, lines, now):
        """Show lines over whatever page there is, for some seconds."""
        self._message = lines
        self._message_at = self._clock.ticks_add(now, _MESSAGE_MS)
        self._drawing, self._draw_at = None, now  # what is being drawn is out of date
