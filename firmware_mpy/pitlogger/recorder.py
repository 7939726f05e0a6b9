"""The recorder: ticks and events into the journal. Nothing else writes frames."""

import asyncio
import gc

from micropython import const

from pitlogger.frames import Encoder
from pitlogger.space import widened

_LOSS_MS = const(60000)
_SHORT_MS = const(200)  # between two looks whether memory is still short
_WRITE_MS = const(100)  # a frame onto flash, in one piece: 50 to 60 by the chip's data sheet
_SAVE_MS = const(2500)  # after which who asked for a save is told that it was not done


class Recorder:
    """One task, ``run``, that encodes what the sampler has filled; ``told`` is called when the journal has more.

    ``settings`` are those of the logger, ``chips`` its channel table.
    """

    def __init__(self, sampler, journal, logger, chips, settings, uptime, told):
        self._sampler = sampler
        self._journal = journal
        self._uptime = uptime
        self._told = told
        self.encoder = Encoder(logger, journal.boot, chips, settings["period_ms"], settings["frame_ticks"])
        self._asked = None  # the event of the end of a save that has not begun
        self._kept_up = -1  # uptime of the last tick that a save took [ms]
        self._lost_kept = self._lost_told = 0  # what the last boot told is not known: a count is told again
        self._keep_due = self._tell_due = 0

    @property
    def lost(self):
        """Frames given up, in this boot and those before."""
        return self._journal.lost + self._sampler.dropped

    async def run(self):
        """Journal full stretches for ever: each as a frame, while the host has all that was before; else as many in one
        as the settings allow, because nobody waits for it and it takes less flash. And what a save asks for."""
        sampler, journal = self._sampler, self._journal
        while True:
            await sampler.full.wait()
            sampler.full.clear()
            asked, self._asked = self._asked, None
            try:
                if sampler.waiting:
                    await self._take()
                    if self.encoder.full or journal.cursor == journal.next:
                        self._write()
                if asked is not None:
                    await self._save()
                self._record_loss()
                self._told()
            except MemoryError:  # what waits, waits
                await asyncio.sleep_ms(_SHORT_MS)
                sampler.full.set()
            if asked is not None:
                asked.set()
            # Here, between two ticks, it costs nobody a late one; left to itself it comes where it likes.
            gc.collect()

    async def save(self):
        """Put every tick taken so far on flash; return the uptime of the last of them, None if it could not be done."""
        lost, up = self.lost, self._sampler.last_uptime()
        try:
            await asyncio.wait_for_ms(self.ask().wait(), _SAVE_MS)
        except asyncio.TimeoutError:
            pass
        return self._kept_up if self._kept_up >= up and self._journal.ok and self.lost == lost else None

    def event(self, name, fields, uptime):
        """Journal an event. Return whether it is on flash."""
        written = self._journal.append(lambda sequence: self.encoder.event(sequence, uptime, name, fields))
        self._told()
        return written

    def ask(self):
        """Have a save begin; return the event of its end. Who asks before it begins shares it."""
        if self._asked is None:
            self._asked = asyncio.Event()
            self._sampler.full.set()
        return self._asked

    async def _save(self):
        """Journal what there is: right after a tick, for the flash takes its time."""
        sampler = self._sampler
        await sampler.after_tick(_WRITE_MS)
        up = sampler.last_uptime()
        if sampler.waiting:  # what was begun became full meanwhile
            await self._take()
        sampler.hand_over()
        if sampler.waiting:
            await self._take()
        if self.encoder.present:
            self._write()
        self._kept_up = up

    async def _take(self):
        """Encode the stretch that waits, into the open frame or into one behind it, and give it back."""
        encoder, stretch = self.encoder, self._sampler.take_full()
        if not encoder.takes(stretch):
            self._write()
        while True:
            try:
                await encoder.add(stretch)
                break
            except MemoryError:  # there is a whole stretch's time to try again
                encoder.back()
                gc.collect()
                if encoder.present:
                    self._write()
                await asyncio.sleep_ms(_SHORT_MS)
        self._sampler.release(stretch)

    def _write(self):
        """Put the open frame in the journal."""
        try:
            self._journal.append(self.encoder.seal)
        except MemoryError:
            gc.collect()
            self._journal.append(self.encoder.seal)
        self.encoder.clear()

    def _record_loss(self):
        """Keep the count of frames lost, and journal it when that can be done: each at most once a minute."""
        journal = self._journal
        lost, now = self.lost, self._uptime.now()
        if lost != self._lost_kept and now >= self._keep_due:  # this can be done while the journal is full
            self._lost_kept, self._keep_due = lost, now + _LOSS_MS
            journal.keep_lost(lost)
        if lost != self._lost_told and now >= self._tell_due and journal.ok:
            self._tell_due = now + _LOSS_MS
            span, journal.loss = journal.loss, None
            fields = {"frames": lost}
            if span is not None:
                fields["from"], fields["to"] = span
            if self.event("loss", fields, now):
                self._lost_told = lost
            elif span is not None:
                journal.loss = widened(journal.loss, span[0], span[1])
