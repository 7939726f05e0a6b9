"""How likely it is that what was called a stall is one that lasts: an hour or more of it, by what is known so far.

A logistic curve, fitted by maximum likelihood (a weak prior on the slopes) to the calls of 160 cooks of the bench's
split "tune" (seed 5; each call as it stood when noticed, and 30, 60 and 120 min later: 1457 looks). "Was": the call was
made in a stall of an hour or more by the bench's physics. A call that is not such a one is mostly a shorter or milder
stall, seldom none. Reliability with an air probe on the split "held" (90 cooks, seed 910, 860 looks that are not
independent of each other): the order holds, and in the highest band it says somewhat too much.

    said         under 0.5   0.5 to 0.7   0.7 to 0.85   over 0.85
    looks            64          16            42          738
    mean said       0.17        0.62          0.81         0.90
    was             0.05        0.62          0.74         0.84
"""

from math import exp, log

LEVEL = 0.56
PER_DEPTH = 2.17  # a pace that stands still speaks plainer than one that is halved
PER_E_FOLD = 0.15  # of the hours since it began: what looks alike passes sooner
PER_10_K_OFF = -3.38  # of the plateau below 55 or above 78 degC
USUAL_C = (55.0, 78.0)
LEAST_H = 0.1
# A low fire looks the same where no air probe shows it. How often fires go low is the bench's guess, not a home's, so
# this is our judgement and not fitted: little more than even.
MOST_UNSEEN = 0.6


def likely(depth: float, plateau_c: float, hours: float, *, seen: bool) -> float:
    """Probability that a called stall holds the place for an hour or more.

    depth : 1 - pace as a share of the best, at its deepest so far;  plateau_c : median temperature so far [degC]
    hours : since it began;  seen : an air probe showed the pit when it was noticed
    """
    off = max(0.0, USUAL_C[0] - plateau_c, plateau_c - USUAL_C[1])
    odds = LEVEL + PER_DEPTH * min(max(depth, 0.0), 1.0) + PER_E_FOLD * log(max(hours, LEAST_H))
    p = 1 / (1 + exp(-(odds + PER_10_K_OFF * off / 10)))
    return p if seen else min(p, MOST_UNSEEN)
