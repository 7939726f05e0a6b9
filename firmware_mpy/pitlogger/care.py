"""Care for a logger that nobody watches: why it started, when to let the watchdog bite, and when to do only the least.

Two small files lie beside the settings: ``resets``, how many resets came one after the other without a healthy hour
between, and ``reason``, what the firmware knew of the next reset. After three resets the logger is in safe mode: it
samples and journals, and leaves the network alone, until an hour has gone well or the power was off.
"""

from micropython import const

from pitlogger import files

SAFE_AFTER = const(3)
_HEALTHY_MS = const(3600000)
_STUCK_MS = const(30000)  # a full block that nobody has taken for so long: the recorder stands
_LATE_TICKS = const(3)  # periods without a beat of the sampler
_MOST = const(255)
_REASON = const(60)


class Care:
    """Why this boot came, and how many like it came before; ``cause`` as the board has it (WIRE.md section 3).

    ``cause`` is put right where the firmware knew better (a board that resets itself can look like a watchdog's bite),
    ``reason`` says in a line what is known, ``resets`` counts, ``safe`` is whether to do only the least.
    """

    def __init__(self, cause, folder=""):
        self._resets = folder + "resets"
        self._reason = folder + "reason"
        self.cause, self.reason = self._told(cause)
        last = files.read_number(self._resets) or 0
        self.resets = 0 if self.cause == "power" else min(last + 1, _MOST)
        self.safe = self.resets >= SAFE_AFTER
        if self.resets != last:
            self._keep_resets()

    def fields(self):
        """What the boot event says besides (WIRE.md section 3): only what is worth saying."""
        said = (("resets", self.resets), ("reason", self.reason), ("safe", self.safe))
        return {name: value for name, value in said if value}

    def expect(self, cause, reason):
        """A reset is about to come: keep why for the boot after it."""
        text = "%s %s" % (cause, _plain(reason))
        try:
            files.replace(self._reason, text.encode())
        except OSError:
            pass  # a flash that cannot be written is no reason to hang

    def unexpect(self):
        """The reset that was expected does not come."""
        files.remove(self._reason)

    def healthy(self):
        """An hour has gone well: the resets before it count no more, and safe mode is over."""
        self.safe = False
        if self.resets:
            self.resets = 0
            self._keep_resets()

    def _told(self, cause):
        """Return cause and reason; what was kept counts for one boot, and not after the power was off."""
        try:
            with open(self._reason, "rb") as f:
                word, reason = f.read(_REASON + 12).decode().split(" ", 1)
        except (OSError, ValueError):
            word = reason = ""
        files.remove(self._reason)
        return (word, reason) if reason and cause != "power" else (cause, "")

    def _keep_resets(self):
        try:
            files.write_number(self._resets, self.resets)
        except OSError:
            pass


class Health:
    """Feeds the watchdog while the sampler beats and the recorder takes what it fills.

    A network that is down, a journal that cannot be written and a chip that is gone are no reason to let it bite: a
    reset would mend none of them. ``watchdog`` may be None; the healthy hour counts all the same.
    """

    def __init__(self, sampler, period_ms, clock, watchdog, care, log):
        self._sampler = sampler
        self._late_ms = _LATE_TICKS * period_ms
        self._clock = clock
        self._watchdog = watchdog
        self._care = care
        self._log = log
        self._beats = sampler.beats
        self._beat_at = self._taken_at = self._looked = clock.ticks_ms()
        self._well_ms = 0
        self.trouble = ""

    def look(self):
        """Once a second. Return True when a healthy hour has just gone by."""
        now = self._clock.ticks_ms()
        passed, self._looked = self._clock.ticks_diff(now, self._looked), now
        self._tell(self._find(now))
        if self.trouble:
            self._well_ms = 0
            return False
        if self._watchdog is not None:
            self._watchdog.feed()
        if self._well_ms < _HEALTHY_MS:
            self._well_ms += passed
            if self._well_ms >= _HEALTHY_MS:
                self._care.healthy()
                return True
        return False

    def _find(self, now):
        """Return what is wrong, in a line, or nothing."""
        diff, sampler = self._clock.ticks_diff, self._sampler
        if sampler.beats != self._beats:
            self._beats, self._beat_at = sampler.beats, now
        if not sampler.waiting:
            self._taken_at = now
        if diff(now, self._beat_at) > self._late_ms:
            return "the sampler stands"
        if diff(now, self._taken_at) > _STUCK_MS:
            return "the recorder stands"
        return ""

    def _tell(self, trouble):
        if trouble == self.trouble:
            return
        self.trouble = trouble
        self._log.add(trouble or "sampling is well again")
        if self._watchdog is not None:
            if trouble:
                self._care.expect("watchdog", trouble)
            else:
                self._care.unexpect()


class Senses:
    """What the board can tell of itself: ``core`` its temperature and ``supply`` its voltage, each an ADC or None.

    ``ratio`` is how many thousandths of the voltage at the pin the supply is. Full scale is 3.3 V.
    """

    def __init__(self, core=None, supply=None, ratio=3000):
        self._core = core
        self._supply = supply
        self._ratio = ratio

    def read(self):
        """Return a dict with ``chip_c`` [degC] and ``supply_mv``, each only where there is one.

        RP2040 data sheet section 4.9.5 (from memory): 706 mV at 27 degC, 1.721 mV less for each degree more.
        """
        told = {}
        if self._core is not None:
            told["chip_c"] = 27 - (_uv(self._core) - 706000) // 1721
        if self._supply is not None:
            told["supply_mv"] = _uv(self._supply) // 1000 * self._ratio // 1000
        return told


def _uv(adc):
    """Return the voltage at an ADC in two steps, so that all stays a small integer on the board. [uV]"""
    counts = adc.read_u16() * 3300
    return counts // 65535 * 1000 + counts % 65535 * 1000 // 65535


def _plain(text):
    """Return a line of letters that need no care in a frame."""
    return "".join(c if " " <= c <= "~" else "?" for c in text[:_REASON])
