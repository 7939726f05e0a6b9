"""What a person does at a cook of the second physics: by the clock or by what the probes show."""

from dataclasses import dataclass, field
from typing import NamedTuple

from .oval import Joints
from .pits import Pits

# Share of vapour, of the film and of radiation that is left; "rest": lifted off the fire, wrapped.
WRAPS = {"foil": (0.01, 0.80, 0.45), "paper": (0.12, 0.88, 0.92), "boat": (0.55, 0.90, 0.75), "pan": (0.50, 0.75, 0.70)}
NOTE_OF = {"foil": "wrap", "paper": "wrap", "boat": "boat", "pan": "pan"}
NEVER = float("inf")


class Seen(NamedTuple):
    """What the person sees: the flat, the thin end, the coldest place [degC]."""

    flat: float
    tip: float
    coldest: float


@dataclass(slots=True)
class Script:
    """What somebody will do with one joint. Hours from the start, degC, kg/m2."""

    wrap: str | None = None
    wrap_c: float = NEVER  # when the flat is so warm
    wrap_h: float = NEVER  # or at this time
    unwrap_h: float = NEVER  # so long after the wrap
    spritz: tuple[float, float, float, float] | None = None  # from h, every h, to h, kg/m2
    ice_c: float = NEVER  # on the thin end, when it is so warm
    ice_kg: float = 6.0
    rotate: tuple[float, ...] = ()
    lids: tuple[tuple[float, float], ...] = ()  # (h, minutes)
    drop_c: float = NEVER  # the pit is turned to ``drop_to`` when the coldest is so warm
    drop_to: float = 66.0
    drop_note: str = "hold"
    pull_c: float = NEVER
    pull_h: float = NEVER
    rest_c: float = 22.0  # where it rests when it is pulled
    done: list[tuple[float, str]] = field(default_factory=list)  # (s, note)
    wrapped_at: float = NEVER
    pulled_at: float = NEVER
    next_spritz: float = NEVER
    rotated: int = 0
    opened: int = 0
    iced: bool = False
    dropped: bool = False

    def look(self, i: int, t: float, seen: Seen, joints: Joints, pits: Pits) -> None:
        """What is due at ``t`` [s] for joint ``i``."""
        h = t / 3600
        if self.pulled_at < NEVER:
            return
        if seen.coldest >= self.pull_c or h >= self.pull_h:
            self.pulled_at = t
            self.done.append((t, "pull"))
            return
        self._cover(i, t, seen, joints, pits)
        if self.spritz and h >= self.spritz[0] and self.wrapped_at == NEVER:
            self._spritz(i, t, h, joints, pits)
        if seen.tip >= self.ice_c and not self.iced:
            self.iced = True
            joints.ice[i, 0] = self.ice_kg
            self._open(i, t, 40, "ice", pits)
        if self.rotated < len(self.rotate) and h >= self.rotate[self.rotated]:
            self.rotated += 1
            self._open(i, t, 60, "rotate", pits)
        if self.opened < len(self.lids) and h >= self.lids[self.opened][0]:
            self._open(i, t, 60 * self.lids[self.opened][1], "lid", pits)
            self.opened += 1
        if seen.coldest >= self.drop_c and not self.dropped:
            self.dropped = True
            pits.specs[i].levels.append((t, self.drop_to))
            self.done.append((t, self.drop_note))

    def _cover(self, i: int, t: float, seen: Seen, joints: Joints, pits: Pits) -> None:
        if self.wrap and self.wrapped_at == NEVER and (seen.flat >= self.wrap_c or t / 3600 >= self.wrap_h):
            self.wrapped_at = t
            joints.vapour[i], joints.film[i], joints.shine[i] = WRAPS[self.wrap]
            self._open(i, t, 60 if self.wrap == "pan" else 150, NOTE_OF[self.wrap], pits)
        elif t - self.wrapped_at >= 3600 * self.unwrap_h:
            self.wrap, self.wrapped_at = None, NEVER
            joints.vapour[i] = joints.film[i] = joints.shine[i] = 1.0
            self._open(i, t, 90, "text", pits)

    def _spritz(self, i: int, t: float, h: float, joints: Joints, pits: Pits) -> None:
        assert self.spritz is not None
        begins, every, ends, kilograms = self.spritz
        if self.next_spritz == NEVER:
            self.next_spritz = begins
        if self.next_spritz <= h < ends:
            self.next_spritz = h + every
            joints.spray(i, kilograms)
            self._open(i, t, 35, "spritz", pits)

    def _open(self, i: int, t: float, seconds: float, note: str, pits: Pits) -> None:
        pits.open_lid(i, t, seconds)
        self.done.append((t, note))
