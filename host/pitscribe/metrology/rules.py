"""Every flag's rule in one place: what is flagged, why the threshold is where it is, and what that rests on.

The numbers in the words are those that the code uses. ``pitscribe flags`` prints this table.
"""

from dataclasses import dataclass

from pitscribe.metrology import lone, minutes, swapped, together
from pitscribe.metrology.flags import COLD_GOOD_C, COLD_USABLE_C, RATE_RULES, WIRE_RANGE_C, Flag
from pitscribe.metrology.uncertainty import TERMINAL_LIMIT_K, TERMINAL_TAU_S

_OURS = "our allowance, no source"
_BENCH = "measured on the bench; our allowance, no source"


@dataclass(frozen=True, slots=True)
class Rule:
    """One flag's rule: when it is set, why so, and what figures in it rest on."""

    flag: Flag
    rule: str
    reason: str
    source: str

    @property
    def name(self) -> str:
        """The flag in words."""
        return str(self.flag.name).lower().replace("_", " ")

    @property
    def bad(self) -> bool:
        """Whether a value under it must not be used."""
        return bool(self.flag & Flag.BAD)


def _each(ranges: dict[str, tuple[float, float]]) -> str:
    return ", ".join(f"{name} {low:g} to {high:g}" for name, (low, high) in ranges.items())


def _rate(kind: str) -> str:
    rule = RATE_RULES[kind]
    return f"{kind}: {rule.step_k:g} K and {rule.k_per_s:g} K for each second since the last good sample"


_OF_ONE_SAMPLE = (
    Rule(Flag.OPEN, "the chip's own bit for an open circuit",
         "there is no loop, so there is no emf to read", "data sheets, SOURCES.md section 2"),
    Rule(Flag.SHORT_GROUND, "the chip's own bit for a short to ground",
         "the emf is that of the short", "data sheets, SOURCES.md section 2"),
    Rule(Flag.SHORT_SUPPLY, "the chip's own bit for a short to its supply",
         "the emf is that of the short", "data sheets, SOURCES.md section 2"),
    Rule(Flag.CHIP_FAULT, "another fault bit of the chip",
         "the chip says that its input is not what it can read", "data sheets, SOURCES.md section 2"),
    Rule(Flag.NO_ANSWER, "the bus gave an error, or a table's cell is empty",
         "nobody said anything", "WIRE.md section 2"),
    Rule(Flag.BAD_WORD, "bits that this chip always has at 0 are set, or hot, cold and fault are all zeros",
         "a dead line reads all ones or all zeros; the one true reading of exactly 0 degC in a box at exactly 0 degC "
         "is given up for that", "SOURCES.md section 13, trap 3"),
    Rule(Flag.OUT_OF_RANGE, f"outside what is promised of the wire [degC]: {_each(WIRE_RANGE_C)}; or the code is at "
         f"the chip's stop; or the cold junction is outside what the chip is made for [degC]: {_each(COLD_USABLE_C)}",
         "nobody promises anything of a reading there", "IEC 60584-1 (class 1 ends), data sheets"),
    Rule(Flag.COLD_JUNCTION, f"cold junction outside {COLD_GOOD_C[0]:g} to {COLD_GOOD_C[1]:g} degC",
         "the chips promise less of their sensor there; the uncertainty says how much less", "data sheets"),
    Rule(Flag.NO_FUNCTION, "the wire's or the chip's type letter has no reference function here",
         "nothing can be computed; the codes are kept", "NIST Monograph 175 for the types that have one"),
    Rule(Flag.RATE, f"further from the last good sample than {_rate('air')}; {_rate('meat')}",
         "an opened lid takes a thin bead from 135 degC at 30 K/s; meat changes by less than 0.05 K/s, and a probe "
         "that is moved is taken back when the allowance has caught up", "time constants: SOURCES.md section 5; "
         "steps: our allowance, no source"),
)

_OF_MINUTES = (
    Rule(Flag.REVERSED, f"every sample of {lone.REVERSED_MIN} minutes below {lone.REVERSED_BELOW_C:g} degC beside a "
         f"box above {lone.REVERSED_BOX_ABOVE_C:g} degC; or sunk by {together.SINKING_K:g} K in "
         f"{together.SINKING_MIN} min without a step of more than {together.SINKING_STEP_K:g} K, to below "
         f"{together.SINKING_BELOW_C:g} degC, while an air place was {together.SINKING_PIT_K:g} K warmer than the box "
         "throughout",
         "reversed, a probe reads about twice the box's temperature less its own: -75 degC in a pit of 120, and down "
         "from a plausible 45 as cold meat warms. Freezers end at -18 degC and ice makes a step. Meat that is not hot "
         "yet reads a value that a cooling joint has too: then nothing is said. The value could be mirrored; it is "
         "not, the leads are to be put right", "-18 degC: EN 62552, from memory; the rest our allowance, no source"),
    Rule(Flag.STUCK, f"the very same hot code for {together.STUCK_MIN} min and {together.STUCK_SAMPLES} samples, while "
         f"another place moved by {together.STUCK_OTHERS_K:g} K, on a channel whose code never rests: its chip's "
         f"stated noise is two steps, or {together.STUCK_LIVELY:.0%} of its codes so far differed from the one "
         f"before; in air also on a quiet channel while another air place moved by {together.STUCK_AIR_K:g} K; also "
         f"if the cold code rests while another chip of the logger saw the box move by {together.STUCK_BOX_K:g} K. It "
         "lasts until the code changes",
         "with a noise of 0.27 step or more all samples stay in one step with a chance of 1e-8; a quieter channel of "
         "0.25 degC steps may rightly rest in ice or in a stall, and is not judged in meat", "normal noise, computed; "
         "rest: " + _OURS),
    Rule(Flag.SWAPPED, f"for {swapped.CROSSED_MIN} min an air place as calm as meat (roughness {swapped.CALM_K:g} K "
         f"at most, {swapped.BACK_AND_FORTH_K:g} K back and forth) and {swapped.HOTTER_K:g} K below a meat place as "
         f"restless as air ({swapped.RESTLESS_K:g} K); or a note ({' or '.join(swapped.NOTED_KINDS)}) that names one "
         f"place, which moved by {swapped.NOTED_STILL_K:g} K at most in {swapped.NOTED_MIN} min, while exactly one "
         f"other moved by {swapped.NOTED_MOVED_K:g} K, until a later note finds its place right",
         "the values are true, but of each other's place. Two meat places can only be told apart by a note; a thick "
         "air sensor is calm from minute to minute but goes up and down with the fire", _BENCH),
    Rule(Flag.COLD_FAST, f"the terminal block is more than {TERMINAL_LIMIT_K:g} K behind the chip, taken for a lag of "
         f"{TERMINAL_TAU_S:g} s", "so much is in the budget for a box at rest", _OURS),
    Rule(Flag.NOISY, f"in {lone.NOISY_MIN} of {lone.NOISY_OF_MIN} minutes half of the second differences are larger "
         f"than {minutes.NOISE_FACTOR:g} times what chip, step, {minutes.LEADS_K:g} K of the leads and, in air, "
         f"{minutes.FLUTTER_K:g} K of flutter explain, at a sample every {minutes.NOISE_STEP_S:g} s or faster",
         "then the noise is 4.4 times what is explained (normal noise), some 0.5 K in meat and 2.3 K in air",
         "chip noise: data sheets; rest: " + _OURS),
    Rule(Flag.NO_CONTACT, f"a meat place within {together.NEAR_AIR_K:g} K of an air place and as restless: roughness "
         f"{together.ROUGH_K:g} K or more, and {together.ROUGH_OF_AIR:g} of the air's; or risen by "
         f"{together.PULLED_K_PER_MIN:g} K in a minute and in all, to within {together.PULLED_NEAR_K:g} K of one; "
         f"until it is further from all air places for {together.FAR_MIN} min or as calm as {together.CALM_K:g} K, "
         f"{together.ROUGH_MIN} min after it last moved so fast",
         f"roughness is the median over {together.ROUGH_MIN} min of the second difference of minute means: below 0.12 "
         "K in meat, mostly 0.45 K in a sheath in a pit's air. It counts before the probe is put into the meat as well",
         _BENCH),
)

RULES = (*_OF_ONE_SAMPLE, *_OF_MINUTES)
