"""What may be concluded from one comparison: a state, and why.

Only what was said beforehand decides: the main outcome, over the pieces that were drawn, when all that were planned are
in. Anything else is looked at and proves nothing, for who may choose afterwards what to look at, or when to stop, finds
something in chance alone.
"""

from dataclasses import dataclass

from pitscribe.cook.trials.effect import Effect
from pitscribe.cook.trials.power import LEVEL

# From the weakest on.
STATES = {
    "nothing": "nothing to compare yet",
    "one each": "one cook a level: nothing can be inferred",
    "chosen": "the levels were chosen and not drawn: nothing can be inferred of what made the difference",
    "unfinished": "not all that was planned is in: no conclusion before",
    "ended early": "it was ended before all that was planned was in: no conclusion",
    "too few": "too few pieces: no outcome at all could be told from chance",
    "exploratory": "not the outcome that was chosen beforehand: an idea for another trial, and no more",
    "told": "a difference that the draw alone seldom makes",
    "alike": "no difference that would matter",
    "open": "no difference told, and none ruled out",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """How a trial stands.

    drawn : the pieces that count were drawn;  complete : all that were planned are in, with the outcome
    closed : it was ended by a person;  together : how many comparisons are made of the main outcome
    """

    drawn: bool
    complete: bool
    closed: bool
    together: int


def state_of(
    effect: Effect | None, standing: Standing, *, main: bool, p_together: float | None, matters: float
) -> str:
    """A key of ``STATES``. ``p_together``: p that holds for all comparisons of the main outcome together."""
    if effect is None or p_together is None:
        return "nothing"
    if effect.counts == (1, 1) or effect.dof == 0:
        return "one each"
    if not standing.drawn:
        return "chosen"
    if not main:
        return "exploratory"
    if not standing.complete:
        return "ended early" if standing.closed else "unfinished"
    if effect.test.least * standing.together > LEVEL:
        return "too few"
    if p_together <= LEVEL:
        return "told"
    return "alike" if effect.within(matters) else "open"
