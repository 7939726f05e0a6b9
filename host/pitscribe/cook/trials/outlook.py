"""What a trial or a tasting can tell, in plain words, before anything is burnt or eaten."""

from pitscribe.cook.trials.facts import OUTCOME
from pitscribe.cook.trials.permutation import least_p
from pitscribe.cook.trials.power import LEVEL, needed, power_of
from pitscribe.cook.trials.sensory import GUESS, least_right, power, tasters_needed
from pitscribe.cook.trials.text import amount, needed_words


def plan_words(levels: int, main: str, matters: float, planned: int, block: int, units: str) -> list[str]:
    """Of a trial: how often what would matter is told, and how many pieces it takes.

    levels : how many;  main : a key of ``OUTCOME``;  matters : in its unit;  planned, block : pieces, as ``Trial``'s
    units : "F" or "C"
    """
    half, outcome = block // levels, OUTCOME[main]
    each, together = planned // levels, levels * (levels - 1) // 2
    level = LEVEL / together
    if least_p([(2 * half, half)] * (planned // block)) > level:
        out = [f"warning: with {each} of each level in such blocks no outcome at all could be told from chance"]
    else:
        told = power_of(each, half, matters, outcome.usual, level)
        much, usual = (amount(size, outcome.unit, units) for size in (matters, outcome.usual))
        out = [f"a difference of {much} would be told {100 * told:.0f} times in 100, if pieces alike differ by "
               f"{usual} (our allowance)"]
    whole = half if block < planned else None
    return [*out, needed_words(needed(matters, None, outcome.usual, whole, together), units, outcome.unit)]


def tasting_words(kind: str, tasters: int, *, expected: bool) -> str:
    """Of a tasting: how many must be right, how often that happens, and how many tasters it takes.

    expected : it was said beforehand which of a pair should have more
    """
    if kind not in GUESS:
        return f"{tasters} tasters score both, each by itself; with under six no difference can be told from chance"
    sides = 2 if kind == "paired" and not expected else 1
    least, wanted = least_right(kind, tasters, sides=sides), tasters_needed(kind, 0.5, sides=sides)
    advice = f"{wanted} tasters would tell it 80 times in 100, if half of the people can taste it"
    if least is None:
        return f"warning: with {tasters} tasters not even all of them right would tell anything; {advice}"
    seen = 100 * power(kind, tasters, 0.5, sides=sides)
    return (f"it takes {least} of {tasters} to tell them apart, which happens {seen:.0f} times in 100 if half can "
            f"taste it; {advice}")
