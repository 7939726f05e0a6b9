"""When each logger was last heard of, by its own words.

A logger says its last tick in a `now` message, mostly each second: that it has stopped is known long before its
readings are old. The silence is measured in real time, as the demo's clock runs faster.
"""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Any

QUIET_S = 15.0  # real seconds: a network may be away for some, and TCP tries again for longer than that
TIMES = 4  # or so many times its usual pause
USUAL = 5  # pauses that must have been seen before anything is usual


@dataclass(slots=True)
class _Voice:
    """What was heard of one logger since the watch began."""

    now_at: float | None = None  # UTC s
    word_at: float | None = None  # UTC s, of any word
    real: float = 0.0  # real s of that
    now_real: float | None = None
    pauses: deque[float] = field(default_factory=lambda: deque(maxlen=9))


class Hearing:
    """Fed with the intake's status at each pass."""

    def __init__(self, real: Callable[[], float]) -> None:
        """``real``: real seconds, from any beginning, that never jump."""
        self._real = real
        self._voices: dict[int, _Voice] = {}

    def take(self, intake: Mapping[str, Any] | None) -> None:
        """Take note of what came since the last pass."""
        heard = (intake or {}).get("heard")
        if intake is None or not isinstance(heard, Mapping):
            return
        real = self._real()
        for logger, words in heard.items():
            self._note(self._voices.setdefault(logger, _Voice(real=real)), words, real)
        if intake.get("connected") is False:
            for voice in self._voices.values():
                voice.real, voice.now_real = real, None  # nobody can be heard

    def _note(self, voice: _Voice, words: Any, real: float) -> None:
        now_at = getattr(words, "now_at", None)
        state = getattr(words, "state", None)
        # A last will, or a state that was kept from before we listened, is the broker's word and not the logger's.
        own = state is not None and state.online and getattr(words, "state_live", True)
        word_at = max((t for t in (now_at, words.state_at if own else None) if t is not None), default=None)
        if now_at is not None and now_at != voice.now_at:
            if voice.now_real is not None:
                voice.pauses.append(real - voice.now_real)
            voice.now_at, voice.now_real = now_at, real
        if word_at is not None and word_at != voice.word_at:
            voice.word_at, voice.real = word_at, real

    def last(self, logger: int) -> float | None:
        """When it last said anything itself, UTC s; None if it has not since the watch began."""
        voice = self._voices.get(logger)
        return None if voice is None else voice.word_at

    def quiet(self, logger: int) -> bool:
        """Whether one that used to speak has stopped."""
        voice = self._voices.get(logger)
        if voice is None or len(voice.pauses) < USUAL:
            return False
        return self._real() - voice.real > max(QUIET_S, TIMES * median(voice.pauses))
