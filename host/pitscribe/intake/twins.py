"""Two loggers under one number: told apart by what each says of its own boot and uptime.

A logger's boots only count up, and the uptime of a boot only grows. So one that is heard in boot 7, then in boot 3,
then in boot 7 again is not one logger; nor is one whose uptime in one boot goes back. A single step back may be a
message that was long on its way, or a logger whose flash was wiped and that counts its boots anew: only a second one
within the hour is told. Frames under one key with different bytes are the ledger's to find ("clash").
"""

from typing import NamedTuple

WITHIN_S = 3600.0  # two steps back in so much time are two loggers: our allowance, no source
BACK_MS = 60_000  # of uptime: messages of one connection come in order, so no step back is this long: likewise
MOST = 8192  # loggers that are remembered, as in ``Status``
MANY = 2  # steps back


class _Seen(NamedTuple):
    boot: int
    up_ms: int
    before: int | None  # the boot that was heard before this one
    back: tuple[float, ...]  # when it went back, s


class Twins:
    """Remembers where each logger was heard last. Not for several threads at once."""

    def __init__(self) -> None:
        self._seen: dict[int, _Seen] = {}

    def hears(self, logger: int, boot: int, up_ms: int, now: float) -> str | None:
        """Words if two loggers go by this number, else None. ``now``: s of any clock, even one that is set anew."""
        old = self._seen.get(logger)
        if old is None:
            if len(self._seen) < MOST:
                self._seen[logger] = _Seen(boot, up_ms, None, ())
            return None
        returned = boot != old.boot and boot == old.before
        went_back = boot == old.boot and old.up_ms - up_ms > BACK_MS
        back = tuple(at for at in old.back if abs(now - at) < WITHIN_S)
        if returned or went_back:
            back = (*back, now)[-MANY:]
        before = old.before if boot == old.boot else old.boot
        self._seen[logger] = _Seen(boot, up_ms, before, back)
        if len(back) < MANY:
            return None
        boots = f"boot {boot}" if before is None else f"boots {min(boot, before)} and {max(boot, before)}"
        return (
            f"Two loggers seem to go by the number {logger:08x}: its {boots} are heard by turns; switch one of them "
            "off, and look which board it is"
        )
