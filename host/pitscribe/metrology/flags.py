"""Quality flags: what is wrong with a sample, and the rules that need no more than the sample and its last neighbour.

Bad data is flagged, never deleted: a flagged sample keeps its value where one can be computed. ``rules.RULES`` lists
every flag's rule with its threshold and its reason; those that look back for minutes or at other places are in
``lone``, ``contact``, ``stuck``, ``swapped`` and ``together``.
"""

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
CodeArray = NDArray[np.int32]
FlagArray = NDArray[np.uint32]


class Flag(IntFlag):
    """What is wrong with a sample; 0 is nothing."""

    OPEN = 1
    SHORT_GROUND = 2
    SHORT_SUPPLY = 4
    CHIP_FAULT = 8  # the chip names another fault: input over or under its supply
    NO_ANSWER = 16  # the bus gave an error, or nobody sent this sample
    BAD_WORD = 32  # bits that this chip cannot send: a dead or floating line
    OUT_OF_RANGE = 64  # past what wire, chip or reference function promise
    RATE = 128  # changed faster than anything at such a place can
    COLD_JUNCTION = 256  # terminal block out of its sensor's good range: less certain, but of use
    NO_FUNCTION = 512  # of this type of wire there is no reference function here: nothing is wrong with the probe
    REVERSED = 1024  # its two leads are changed over: it falls when the place warms
    STUCK = 2048  # the very same code for longer than noise leaves one alone, while other places moved
    SWAPPED = 4096  # it and another probe seem to have each other's place: a true value of somewhere else
    COLD_FAST = 8192  # box warms or cools so fast that the terminal block is left behind: less certain
    NOISY = 16384  # flickers more than chip and place explain: less certain
    NO_CONTACT = 32768  # a meat probe that follows the pit's air: it is not in the meat

    # A value under one of these must not be used.
    BAD = (OPEN | SHORT_GROUND | SHORT_SUPPLY | CHIP_FAULT | NO_ANSWER | BAD_WORD | OUT_OF_RANGE | RATE | NO_FUNCTION
           | REVERSED | STUCK | NO_CONTACT)
    # Under these there is no value: nothing can be said.
    NO_VALUE = OPEN | NO_ANSWER | BAD_WORD | NO_FUNCTION


@dataclass(frozen=True, slots=True)
class RateRule:
    """A change is impossible if it is more than ``step_k`` plus ``k_per_s`` for each second since the last good sample.

    longest_s : more seconds than these allow no more, for no place is so far from itself [s]
    taken_s : samples elsewhere that agree among themselves for so long are taken for good: the probe was moved [s]
    """

    step_k: float
    k_per_s: float
    longest_s: float
    taken_s: float

    def most(self, seconds: float) -> float:
        """The largest possible change in so many seconds. [K]"""
        return self.step_k + self.k_per_s * min(seconds, self.longest_s)


# RATE. The step lets noise and quantisation pass: eight steps of 0.25 degC, the coarsest chip.
# Air, 30 K/s: a bead of 24 AWG wire (time constant 3.8 s at 1 m/s, SOURCES.md section 5) that an opened lid takes from
# 135 degC to 20 begins to fall at 30 K/s. It cannot fall below the air outside: 5 s allow 152 K, a pit of 135 degC
# opened at -17. Meat, 2 K/s: the core of a joint changes by less than 0.05 K/s; a probe of 1/8 in pushed from the pit's
# air into cold meat (100 K over some 10 s in contact) is not the meat yet. 30 s allow 62 K: more than a joint's core
# rises while a logger is off; what is further away was moved. How long new values must agree: our allowance, no source.
RATE_RULES = {"air": RateRule(2.0, 30.0, 5.0, 5.0), "meat": RateRule(2.0, 2.0, 30.0, 20.0)}
RATE_TAKEN = 3  # samples at least that agree

# COLD_JUNCTION: outside -20 to 85 degC the chips promise less of their cold-junction sensor (data sheets, SOURCES.md
# section 2). With OUT_OF_RANGE besides: outside what the chip is made for.
COLD_GOOD_C = (-20.0, 85.0)
COLD_USABLE_C = {"max31855": (-40.0, 125.0), "max31856": (-55.0, 125.0), "mcp9600": (-40.0, 125.0)}

# OUT_OF_RANGE, by type of wire: where IEC 60584-1 classes 1 and 2 promise a tolerance (the class 1 end, the lower one);
# a tolerance of ASTM E230 ends at a higher temperature, but cable and joints of a kitchen probe do not. Types R and S
# are promised from 0 degC on (to 1600, from memory), but ice must not be out of range: theirs begins with the function.
WIRE_RANGE_C = {
    "K": (-40.0, 1000.0),
    "T": (-40.0, 350.0),
    "J": (-40.0, 750.0),
    "N": (-40.0, 1000.0),
    "E": (-40.0, 800.0),
    "R": (-50.0, 1600.0),
    "S": (-50.0, 1600.0),
}


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Samples out of reach that agree among themselves: since when and until when [UTC s], the last value, how many."""

    since: float
    t: float
    celsius: float
    n: int


@dataclass(frozen=True, slots=True)
class LastGood:
    """The last sample that the rate rule took, so that a series can be judged piece by piece.

    n : how many were taken since the value was last believed anew; elsewhere: what the flagged ones after it say
    """

    t: float  # UTC s
    celsius: float
    n: int = 1
    elsewhere: Elsewhere | None = None


_BAD = np.uint32(Flag.BAD)
_NO_VALUE = np.uint32(Flag.NO_VALUE)
_NO_WORD = np.uint32(Flag.NO_ANSWER | Flag.BAD_WORD)


def usable(flags: FlagArray) -> NDArray[np.bool_]:
    """Where no flag of ``Flag.BAD`` is set: uint32 (n,) -> bool (n,)."""
    good: NDArray[np.bool_] = (flags & _BAD) == 0
    return good


def has_value(flags: FlagArray) -> NDArray[np.bool_]:
    """Where something can be said, be it good or bad: uint32 (n,) -> bool (n,)."""
    some: NDArray[np.bool_] = (flags & _NO_VALUE) == 0
    return some


def dead_line(hot: CodeArray, cold: CodeArray, flags: FlagArray) -> FlagArray:
    """BAD_WORD where a word is all zeros: int (n,) codes, uint32 (n,) flags of the fault column -> uint32 (n,).

    A dead line reads all zeros, which both chips could mean: 0 degC in a box at 0 degC, to the last bit. That one true
    reading is given up for the sake of the dead line (SOURCES.md section 13, trap 3).
    """
    zero = (cold == 0) & (hot == 0) & (flags == 0)
    return flags | zero * np.uint32(Flag.BAD_WORD) if zero.any() else flags


def sample_flags(chip: str, tc: str, hot: CodeArray, hot_ends: tuple[int, int], flags: FlagArray,
                 celsius: FloatArray, cold_c: FloatArray) -> FlagArray:
    """Add the flags that one sample deserves by itself.

    chip, tc: names; hot: int (n,), raw codes; hot_ends: where the chip clips them; flags: uint32 (n,), what was known
    from the fault column; celsius, cold_c: float64 (n,), hot and cold junction [degC]. Returns uint32 (n,).
    """
    flags = flags.copy()
    answered = has_value(flags)
    low, high = WIRE_RANGE_C[tc]
    # No comparison with NaN is true: what has codes to compute from and yet no value left the reference function.
    inside = (celsius >= low) & (celsius <= high) & (hot > hot_ends[0]) & (hot < hot_ends[1])
    flags[~inside & answered] |= np.uint32(Flag.OUT_OF_RANGE)
    if cold_c.size and (cold_c.min() < COLD_GOOD_C[0] or cold_c.max() > COLD_GOOD_C[1]):
        answered = (flags & _NO_WORD) == 0
        flags[answered & ((cold_c < COLD_GOOD_C[0]) | (cold_c > COLD_GOOD_C[1]))] |= np.uint32(Flag.COLD_JUNCTION)
        low, high = COLD_USABLE_C[chip.partition("-")[0]]
        flags[answered & ((cold_c < low) | (cold_c > high))] |= np.uint32(Flag.OUT_OF_RANGE)
    return flags


def rate_flags(
    kind: str, t: FloatArray, celsius: FloatArray, flags: FlagArray, last: LastGood | None = None
) -> tuple[FlagArray, LastGood | None]:
    """Add RATE where a value is further from the last good one than the place allows; looks back only.

    kind: "air" or "meat"; t: float64 (n,), UTC s, ascending; celsius: float64 (n,) [degC]; flags: uint32 (n,);
    last: where an earlier piece of the same series ended. Samples without a value or with a BAD flag are passed over.
    The allowance grows for a while with the time since the last good sample, so a single spike is flagged and the
    return from it is not. A step that stays (a probe that was moved) is taken when ``RATE_TAKEN`` samples over
    ``taken_s`` agree among themselves, or more samples than were good before: a spike at the very start stands alone.
    Returns the flags (a new array if any was added) and the last good sample for the next piece.
    """
    rule = RATE_RULES[kind]
    judged = np.flatnonzero(usable(flags) & np.isfinite(celsius))
    if not judged.size:
        return flags, last
    at, value = (t, celsius) if judged.size == t.size else (t[judged], celsius[judged])
    first = 0
    if last is None:
        last, first = LastGood(float(at[0]), float(value[0])), 1
    impossible, last = _impossible(rule, at, value, first, last)
    if impossible:
        flags = flags.copy()
        flags[judged[impossible]] |= np.uint32(Flag.RATE)
    return flags, last


def _impossible(
    rule: RateRule, t: FloatArray, celsius: FloatArray, i: int, good: LastGood
) -> tuple[list[int], LastGood]:
    """The indices of impossible samples from i on, and the last good one."""
    most = rule.step_k + rule.k_per_s * np.minimum(np.diff(t), rule.longest_s)
    jumps = np.flatnonzero(np.abs(np.diff(celsius)) > most) + 1
    impossible: list[int] = []
    while i < t.size:
        good = _judged(rule, float(t[i]), float(celsius[i]), good)
        if good.elsewhere is not None:
            impossible.append(i)
            i += 1
            continue
        # All is well up to the next jump.
        k = int(np.searchsorted(jumps, i, side="right"))
        end = int(jumps[k]) if k < jumps.size else t.size
        good = LastGood(float(t[end - 1]), float(celsius[end - 1]), good.n + end - 1 - i)
        i = end
    return impossible, good


def _judged(rule: RateRule, t: float, celsius: float, good: LastGood) -> LastGood:
    """The last good sample after one more: that one, or the same as before with what speaks for another place."""
    if abs(celsius - good.celsius) <= rule.most(t - good.t):
        return LastGood(t, celsius, good.n + 1)
    other = good.elsewhere
    if other is None or abs(celsius - other.celsius) > rule.most(t - other.t):
        other = Elsewhere(t, t, celsius, 0)
    other = Elsewhere(other.since, t, celsius, other.n + 1)
    if other.n > good.n or (other.n >= RATE_TAKEN and t - other.since >= rule.taken_s):
        return LastGood(t, celsius, other.n)
    return LastGood(good.t, good.celsius, good.n, other)
