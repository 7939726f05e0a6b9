"""Every flag's rule in one place: what is flagged, why the threshold is where it is, and what that rests on.

The numbers in the words are those that the code uses. ``pitscribe flags`` prints this table.
"""

from dataclasses import dataclass

from pitscribe.metrology import contact, lone, minutes, stuck, swapped, together
from pitscribe.metrology.flags import COLD_GOOD_C, COLD_USABLE_C, RATE_RULES, RATE_TAKEN, WIRE_RANGE_C, Flag
from pitscribe.metrology.uncertainty import TERMINAL_LIMIT_K, TERMINAL_TAU_S, Setup

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
    return (f"{kind}: {rule.step_k:g} K and {rule.k_per_s:g} K for each second since the last good sample, "
            f"{rule.most(rule.longest_s):g} K at most, until {RATE_TAKEN} samples over {rule.taken_s:g} s agree")


def _slow(kind: str) -> str:
    most = RATE_RULES[kind].most
    return f"{kind} {most(10.0):g} K (a sample every 10 s) and {most(60.0):g} K (every 60 s)"


def _noisy_from(kind: str) -> float:
    """From how much normal noise on a fine chip is flagged. [K rms]"""
    explained = minutes.explained_noise(Setup("max31856", "K", "K", "iec-1", kind, None))
    return minutes.NOISE_FACTOR / minutes.MEDIAN_SIZE * explained


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
         "that is moved is taken back when its new values agree for a while; a spike in the very first sample is left "
         f"as soon as two after it agree. A slow logger leaves most changes possible: {_slow('air')}, "
         f"{_slow('meat')} are needed",
         "time constants: SOURCES.md section 5; steps: our allowance, no source"),
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
    Rule(Flag.STUCK, f"the very same hot code for {stuck.STUCK_MIN} min, until it changes, and one of these: on a chip "
         f"whose stated noise is {stuck.STUCK_SHEET_STEPS:g} steps or more, over {stuck.STUCK_SHEET_SAMPLES} samples, "
         f"while another place moved by {stuck.STUCK_OTHERS_K:g} K; on another chip in meat the same over "
         f"{stuck.STUCK_SAMPLES} samples, if in {stuck.STUCK_HISTORY_MIN} calm minutes or more before, over "
         f"{stuck.STUCK_PASSED_STEPS} steps, {stuck.STUCK_FLIPS:.0%} of its codes turned back at once and at most "
         f"{stuck.STUCK_RESTED:.0%} of the minutes rested; in air, while another air place moved by "
         f"{stuck.STUCK_AIR_K:g} K; or if the cold code rests too while another chip of the logger saw the box move by "
         f"{stuck.STUCK_BOX_K:g} K",
         f"with a noise of {stuck.STUCK_NOISE_STEPS:.2g} step or more all samples stay in one step with a chance of "
         "1e-8; a quieter channel of 0.25 degC steps may rightly rest in ice, in a stall or in a steady cabinet. By "
         f"its codes a channel is judged with {stuck.STUCK_PER_MIN} samples a minute or more only; without a minute's "
         "sample nothing is", "normal noise, computed; rest: " + _OURS),
    Rule(Flag.SWAPPED, f"for {swapped.CROSSED_MIN} min an air place as calm as meat (roughness "
         f"{swapped.CROSSED_CALM_K:g} K at most, {swapped.BACK_AND_FORTH_K:g} K back and forth) and "
         f"{swapped.HOTTER_K:g} K below a meat place as restless as air ({swapped.CROSSED_RESTLESS_K:g} K); or a note "
         f"of ice that names one place, which moved by {swapped.NOTED_STILL_K:g} K at most in {swapped.NOTED_MIN} min, "
         f"while exactly one other fell by {swapped.NOTED_FALL_K:g} K to within {swapped.NOTED_ICE_C:g} K of 0 degC, "
         "until a later such note finds its place right",
         "the values are true, but of each other's place. Two meat places can only be told apart by a note; a thick "
         "air sensor is calm from minute to minute but goes up and down with the fire. What moves beside any other "
         "note may be an opened lid, as may an air place beside a note of meat", _BENCH),
    Rule(Flag.COLD_FAST, f"the terminal block is more than {TERMINAL_LIMIT_K:g} K behind the chip, taken for a lag of "
         f"{TERMINAL_TAU_S:g} s", "so much is in the budget for a box at rest", _OURS),
    Rule(Flag.NOISY, f"in {lone.NOISY_MIN} of {lone.NOISY_OF_MIN} minutes half of the second differences are larger "
         f"than {minutes.NOISE_FACTOR:g} times what chip, step, {minutes.LEADS_K:g} K of the leads and, in air, "
         f"{minutes.FLUTTER_K:g} K of flutter explain, at a sample every {minutes.NOISE_STEP_S:g} s or faster",
         f"then the noise is {minutes.NOISE_FACTOR / minutes.MEDIAN_SIZE:.2g} times what is explained (normal noise), "
         f"some {_noisy_from('meat'):.1g} K in meat and {_noisy_from('air'):.2g} K in air",
         "chip noise: data sheets; rest: " + _OURS),
    Rule(Flag.NO_CONTACT, f"a meat place within {contact.NEAR_AIR_K:g} K of an air place and as restless: roughness "
         f"{contact.ROUGH_K:g} K or more, and {contact.ROUGH_OF_AIR:g} of the air's; or risen by "
         f"{contact.PULLED_K_PER_MIN:g} K in a minute and in all, to within {contact.PULLED_NEAR_K:g} K of one, and "
         f"{contact.SETTLED_MIN} min later still rising by {contact.RISES_SHARE:.0%} of that in a minute, or "
         f"{contact.RESTLESS_MIN} min later restless ({contact.FOLLOW_K:g} K); until it is put back, or further "
         f"from all air places that are known for {contact.FAR_MIN} min, or each of {contact.LEVEL_MIN} second "
         f"differences is as small as {contact.CALM_K:g} K",
         f"roughness is the median over {contact.ROUGH_MIN} min of the second difference of minute means: below "
         f"{contact.CALM_K:g} K in meat, mostly {contact.AIR_K:g} K in a sheath in a pit's air. What the chip's noise "
         "leaves in a minute's mean raises each threshold: with one sample a minute of a coarse chip a steady pit is "
         "not always found. It counts before the probe is put into the meat as well", _BENCH),
)

RULES = (*_OF_ONE_SAMPLE, *_OF_MINUTES)
