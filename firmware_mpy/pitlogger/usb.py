"""USB: questions from a host on the console's own port, answers, and live lines, as WIRE.md section 6 has them.

Everything that is said is read from the journal when it is said: nothing waits in memory for a reader that has
stopped. What is sent does not move the journal's cursor; an authentic ``stored`` does, as over MQTT.
"""

import asyncio
import binascii
import gc
import json
import select

from micropython import const

from pitlogger.hmac import believed
from pitlogger.segments import frame_boot, frame_sequence
from pitlogger.usblines import Lines, Unread, Writer
from pitlogger.waiting import readable

_LONGEST = const(6000)  # bytes of a question: whole settings with the longest of everything fit
_TURN = const(64)  # bytes read before others have their turn
_QUESTIONS = const(4)  # waiting at once
_FRAMES, _BYTES = const(16), const(4096)  # an answer's most; what is on its way unread stays small
_STORED = const(64)  # frames passed over for one ``stored``
_LIVE_MOST_S = const(600)
_PATIENCE_MS = const(5000)  # without a reader
_SHORT_MS = const(500)  # between tries where memory is short

_TIME = ("boot", "re_up", "utc_ms", "err_ms")  # members of the order
# What a question can bring about: with numbers without end (1e999) and nests deeper than the stack, too.
_WRONG = (ValueError, KeyError, TypeError, AttributeError, IndexError, OverflowError, RuntimeError)
SECRETS = ("password", "secret", "key", "pin")  # names of settings that do not leave the board


class Usb:
    """One task, ``run``. ``stdin`` and ``stdout`` as ``sys`` has them; ``report`` gives ``now()`` and ``state()`` as
    JSON bytes and ``settings()``, all of them; it takes ``order(dict)``, and ``set(dict)``, which returns what is wrong
    with it, and has ``log`` and ``recorder``."""

    def __init__(self, stdin, stdout, journal, logger, secret, clock, report):
        self._in = stdin
        self._writer = Writer(stdout, clock, _PATIENCE_MS)
        self._lines = Lines(b"~?", _LONGEST)
        self._journal = journal
        self._logger = "%08x" % logger
        self._secret = secret
        self._clock = clock
        self._report = report
        self._asked = []
        self._wake = asyncio.Event()
        self._live = False
        self._live_ends = 0  # ticks
        self._live_next = 0  # sequence number
        self._now_due = False
        self.skipped = 0  # what a slow or stopped reader did not get: ``now`` lines, questions, answers

    # -- called by others: short, and never waiting ------------------------------------------------------------------

    def tick(self):
        """A tick was taken."""
        if self._live:
            if self._now_due:
                self.skipped += 1
            self._now_due = True
            self._wake.set()

    def wake(self):
        """A frame is new in the journal."""
        if self._live:
            self._wake.set()

    # -- tasks -------------------------------------------------------------------------------------------------------

    async def run(self):
        """Answer for ever; where the console's input has an end (a file, a closed terminal), until then."""
        speaker = asyncio.create_task(self._speak())
        try:
            await self._listen()
        finally:
            speaker.cancel()

    async def _listen(self):
        ready = select.poll()
        ready.register(self._in, select.POLLIN)
        while True:
            pause = 0
            try:
                await readable(self._in)
                if not self._read(self._in.buffer, ready):
                    return
            except MemoryError:
                gc.collect()
                self._lines.forget()
                pause = _SHORT_MS
            await asyncio.sleep_ms(pause)

    def _read(self, source, ready):
        """Read what is there, but not for ever; return False where the input has an end."""
        for _ in range(_TURN):
            if not ready.poll(0):
                break
            try:
                byte = source.read(1)
            except OSError:
                return False
            if not byte:
                return False
            question = self._lines.take(byte[0])
            if question is not None:
                self._ask(question)
        return True

    def _ask(self, question):
        if len(self._asked) < _QUESTIONS:
            self._asked.append(question)
        else:
            self.skipped += 1
        self._wake.set()

    async def _speak(self):
        while True:
            await self._wake.wait()
            self._wake.clear()
            try:
                while self._asked:
                    await self._answer(self._asked.pop(0))
                await self._say_live()
            except (Unread, OSError, MemoryError):  # no reader, or flash or heap has nothing to give: stop talking
                self._live = False
                self.skipped += 1
                gc.collect()

    # -- answers -----------------------------------------------------------------------------------------------------

    async def _answer(self, payload):
        number = None
        try:
            question = json.loads(payload)
            number = _whole(question, "n")
            if question["v"] != 1:
                raise ValueError("version")
            answer = _ASKS[question["ask"]](self, question)
            if not isinstance(answer, dict):
                answer = await answer
        except KeyError as error:
            answer = {"no": "not known, or missing: %s" % error}
        except _WRONG as error:
            answer = {"no": str(error)[:80]}
        except OSError:
            answer = {"no": "flash"}
        except MemoryError:
            gc.collect()
            answer = {"no": "memory"}
        answer["v"], answer["n"], answer["logger"] = 1, number, self._logger
        await self._writer.line(b"A", json.dumps(answer, separators=(",", ":")).encode())

    async def _state(self, question):
        await self._writer.line(b"S", self._report.state())
        return {"mangled": self._lines.mangled, "skipped": self.skipped}

    async def _frames(self, question):
        """Send the frames from a sequence number on, as many as were asked for and fit in an answer."""
        at, most, patient = _whole(question, "from"), _whole(question, "most"), not question.get("past")
        journal = self._journal
        sent = size = 0
        while sent < min(most, _FRAMES) and size < _BYTES:
            length = self._look(at, patient)
            if not length:
                at = max(at, journal.next)
                break
            at = frame_sequence(journal.room) + 1
            await self._frame(length)
            sent += 1
            size += length
        return {"sent": sent, "next": at, "first": journal.first, "end": journal.next}

    async def _stored(self, question):
        """Move the cursor over frames that are all named: each is read again, for what it is and what hides it."""
        if not believed(self._secret, "pitscribe/1/%s/stored" % self._logger, question):
            return {"no": "mac"}
        ranges = [(int(boot), int(first), int(last)) for boot, first, last in question["stored"]]
        journal = self._journal
        buf = journal.room
        before = at = journal.cursor
        for _ in range(_STORED):
            if not journal.fetch(at, buf):
                break
            boot, sequence = frame_boot(buf), frame_sequence(buf)
            if not any(b == boot and first <= sequence <= last for b, first, last in ranges):
                break
            at = sequence + 1
            await asyncio.sleep_ms(0)
        if at > journal.cursor:  # the uplink may have moved it meanwhile
            journal.move_cursor(at)
        return {"moved": journal.cursor > before, "cursor": journal.cursor}

    def _live_for(self, question):
        """Say what is new for so many seconds, from a sequence number on or from now."""
        seconds = _whole(question, "s")
        self._live = seconds > 0
        self._live_ends = self._clock.ticks_add(self._clock.ticks_ms(), min(seconds, _LIVE_MOST_S) * 1000)
        self._live_next = _whole(question, "from") if "from" in question else self._journal.next
        self._now_due = False
        return {"s": min(seconds, _LIVE_MOST_S), "from": self._live_next}

    def _stop(self, question):
        self._live = False
        return {}

    async def _save(self, question):
        up = await self._report.recorder.save()
        return {"no": "journal"} if up is None else {"up": up}

    def _time(self, question):
        self._report.order({name: _whole(question, name) for name in _TIME} | {"order": "time"})
        return {}

    def _log(self, question):
        return {"log": [list(line) for line in self._report.log.lines()]}

    def _settings(self, question):
        return {"settings": public(self._report.settings())}

    async def _set(self, question):
        wrong = await self._report.set(question["settings"])
        return {"no": "settings", "wrong": wrong} if wrong else {}

    # -- live --------------------------------------------------------------------------------------------------------

    async def _say_live(self):
        while self._live and not self._asked:
            if self._clock.ticks_diff(self._clock.ticks_ms(), self._live_ends) >= 0:
                self._live = False
            elif self._now_due:
                self._now_due = False
                await self._writer.line(b"N", self._report.now())
            else:
                length = self._look(self._live_next, True)
                if not length:
                    return
                self._live_next = frame_sequence(self._journal.room) + 1
                await self._frame(length)

    def _look(self, sequence, patient):
        return self._journal.look(sequence, self._journal.room, patient)

    async def _frame(self, length):
        text = binascii.b2a_base64(memoryview(self._journal.room)[:length])  # type: ignore[arg-type]  # it takes any buffer
        await self._writer.line(b"F", memoryview(text)[:-1])


_ASKS = {
    "state": Usb._state,
    "frames": Usb._frames,
    "stored": Usb._stored,
    "live": Usb._live_for,
    "stop": Usb._stop,
    "save": Usb._save,
    "time": Usb._time,
    "log": Usb._log,
    "settings": Usb._settings,
    "set": Usb._set,
}


def _whole(question, name):
    value = question[name]
    if type(value) is not int or value < 0:
        raise ValueError("%s: not a whole number" % name)
    return value


def public(values):
    """Return settings without what is nobody else's business."""
    if isinstance(values, dict):
        return {key: public(value) for key, value in values.items() if key not in SECRETS}
    return [public(value) for value in values] if isinstance(values, list) else values
