"""The uplink: frames from the journal's cursor on, ``now`` and ``state``, over MQTT. The journal is its queue.

A PUBACK only opens the window. What moves the cursor is the host's ``stored``; frames that were sent and are not named
in one are sent again: from the cursor after every reconnect, when the host says that it has begun to listen, and after
a growing patience while it is silent (a broker without a host acknowledges all, and forgets it).
"""

import asyncio
import gc
import json

from micropython import const

from pitlogger.backoff import BackOff
from pitlogger.segments import frame_boot, frame_sequence

_BACK_OFF_MS = const(1000)
_BACK_OFF_MOST_MS = const(60000)
_STATE_LEAST_MS = const(5000)
_LEAD = const(4)  # windows of frames sent and not stored
_PATIENCE_MOST = const(16)  # times ack_s

# What a broker can bring about, by going away or by sending nonsense: none of it may reach the sampler.
_FAILURES = (OSError, EOFError, ValueError, IndexError, MemoryError)


class Uplink:
    """One task, ``run``. ``client(on_message, on_ack)`` makes the MQTT client; ``report`` gives ``now()``, ``state()``,
    ``will()`` as JSON bytes, ``mark()`` (state is due when it changes) and takes ``order(dict)`` from the host."""

    def __init__(self, client, journal, wifi, logger, settings, clock, report):
        self._client = client(self._on_message, self._on_ack)
        self._journal = journal
        self._wifi = wifi
        self._base = "pitscribe/1/%08x/" % logger
        self._window = settings["broker"]["window"]
        self._patience_ms = settings["broker"]["ack_s"] * 1000
        self._state_ms = settings["state_s"] * 1000
        self._now_ticks = max(1, settings["now_s"] * 1000 // settings["period_ms"])
        self._until_now = 1
        self._clock = clock
        self._report = report
        self._secret, self._believed = settings["secret"], None
        if self._secret:
            from pitlogger.hmac import believed  # a logger without a secret does not pay for it

            self._believed = believed
        self._wake = asyncio.Event()
        self._ticked = asyncio.Event()
        self._after_tick = settings["broker"]["tls"]
        self._sent = []  # (sequence, boot) of frames sent and not named in a ``stored``, in order
        self._next = journal.cursor  # the frame to be sent next
        self._patience = 1
        self._moved = clock.ticks_ms()  # since when the oldest of ``_sent`` is the oldest: patience counts from here
        self._ended = None  # why the connection ended
        self.connections = 0
        self.refused = 0  # messages from the host that could not be understood
        self.denied = 0  # messages without a code made with our secret
        self.trouble = ""  # why there was no connection the last time

    # -- called by others: short, and never waiting ------------------------------------------------------------------

    def tick(self):
        """A tick was taken."""
        self._ticked.set()
        self._until_now -= 1
        if self._until_now <= 0:
            self._wake.set()

    def wake(self):
        """Something is new: a frame in the journal, or a state."""
        self._wake.set()

    # -- the task ----------------------------------------------------------------------------------------------------

    async def run(self):
        """Connect, and connect again, for ever."""
        pauses = BackOff(_BACK_OFF_MS, _BACK_OFF_MOST_MS)
        while True:
            before = self.connections
            if not self._wifi.up.is_set():
                await self._wifi.up.wait()
                self.trouble = self._wifi.trouble or self.trouble
            try:
                await self._session()
            except _FAILURES as error:
                self.trouble = " ".join(str(error).split()) or "connection lost"
            except asyncio.TimeoutError:
                self.trouble = "no answer from the broker"
            gc.collect()
            if self.connections > before:
                pauses.reset()
            await asyncio.sleep_ms(pauses.pause())

    async def _session(self):
        client = self._client
        reader = None
        try:
            if self._after_tick:
                # The handshake computes for half a second on the board: it begins with a whole period before it.
                self._ticked.clear()
                await self._ticked.wait()
            await client.connect(self._base + "state", self._report.will())
            self.connections += 1
            self._ended = None
            self._again()
            self._patience = 1
            reader = asyncio.create_task(self._read())
            await client.subscribe((self._base + "stored", self._base + "order"))
            said = None
            while self._ended is None:
                if not self._wifi.up.is_set():
                    raise OSError("Wi-Fi lost")
                said = await self._say(said)
                await self._send_frames()
                await client.keep_alive()
                try:
                    await asyncio.wait_for_ms(self._wake.wait(), 1000)
                except asyncio.TimeoutError:
                    pass
                self._wake.clear()
            raise self._ended
        finally:
            if reader is not None:
                reader.cancel()
            client.close()

    async def _read(self):
        try:
            await self._client.run()
        except _FAILURES as error:
            self._ended = error
        except asyncio.TimeoutError:
            self._ended = OSError("no answer from the broker")
        self._wake.set()

    async def _say(self, said):
        """Publish ``state`` and ``now`` if they are due; ``said`` is (mark, ticks) of the last state, and returned."""
        clock, report = self._clock, self._report
        now = clock.ticks_ms()
        mark = report.mark()
        if said is None:
            due = True
        else:
            age = clock.ticks_diff(now, said[1])
            due = age >= self._state_ms or (age >= _STATE_LEAST_MS and mark != said[0])
        if due:
            await self._client.publish(self._base + "state", report.state(), 1, True)
            said = (mark, now)
        if self._until_now <= 0:
            self._until_now = self._now_ticks
            await self._client.publish(self._base + "now", report.now())
        return said

    async def _send_frames(self):
        clock = self._clock
        waited = clock.ticks_diff(clock.ticks_ms(), self._moved)
        if self._sent and waited > self._patience * self._patience_ms:
            self._patience = min(self._patience * 2, _PATIENCE_MOST)
            self._again()
        while self._client.in_flight < self._window and self._next - self._journal.cursor < self._window * _LEAD:
            length = self._fetch()
            if not length:
                break
            buf = self._journal.room
            sequence = frame_sequence(buf)
            if not self._sent:
                self._moved = clock.ticks_ms()
            self._sent.append((sequence, frame_boot(buf)))
            self._next = sequence + 1
            await self._client.publish(self._base + "frame", memoryview(buf)[:length], 1, False, sequence)

    def _fetch(self):
        """Read the next frame to be sent into ``journal.room``; return its length, 0 when there is none."""
        journal = self._journal
        self._next = max(self._next, journal.cursor)  # a journal that could be opened late has its cursor since then
        if self._next >= journal.next:
            return 0
        try:
            length = journal.fetch(self._next, journal.room)
        except OSError:
            return 0  # the flash cannot be read now; the journal says so itself when it cannot be written
        if not length:
            self._next = journal.next  # nothing but holes up to there
            self._settle()
        return length

    def _again(self):
        """Begin again at the cursor."""
        self._sent.clear()
        self._next = self._journal.cursor
        self._moved = self._clock.ticks_ms()

    def _settle(self):
        """Move the cursor to the first frame that is not known to be stored."""
        cursor = self._sent[0][0] if self._sent else self._next
        if cursor != self._journal.cursor:
            self._journal.move_cursor(cursor)

    # -- from the client -----------------------------------------------------------------------------------------------

    def _on_ack(self, tag):
        self._wake.set()

    def _on_message(self, topic, payload, retained):
        if not retained:  # neither kind of message is ever retained by a host of ours
            self.take(topic[len(self._base) :], payload)

    def take(self, word, payload):
        """Take a message of the host, whichever way it came: ``word`` is ``stored`` or ``order``."""
        try:
            message = json.loads(payload)
            if message["v"] != 1:
                raise ValueError("version")
            if self._believed is not None and not self._believed(self._secret, self._base + word, message):
                self.denied += 1
                return
            self._patience = 1
            if word == "stored":
                self._stored(message)
            elif word == "order":
                self._report.order(message)
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
            self.refused += 1
        self._wake.set()

    def _stored(self, message):
        """The one place that lets go of frames: whoever may say ``stored`` may have them deleted."""
        ranges = [(int(boot), int(first), int(last)) for boot, first, last in message["stored"]]
        if not ranges:  # a host that has begun to listen: what it has missed is sent now, not when patience ends
            self._again()
        oldest = self._sent[0] if self._sent else None
        for boot, first, last in ranges:
            self._sent = [s for s in self._sent if not (s[1] == boot and first <= s[0] <= last)]
        # That later frames are stored is no progress: a broker may have lost the oldest, which then is due again.
        if oldest is not None and (not self._sent or self._sent[0] != oldest):
            self._moved = self._clock.ticks_ms()
            self._settle()
