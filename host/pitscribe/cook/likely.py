"""How likely it is that what was called a stall is one that lasts: an hour or more of it, by what is known so far.

A logistic curve in four things, fitted by maximum likelihood to the calls of 160 cooks of the bench's split "tune"
(seed 5; each call as it stood when noticed, and 30, 60 and 120 min later: 1461 looks). "Was": the call overlaps a
stall of an hour or more by the bench's physics. Reliability on the split "held" (60 cooks, seed 909, other physics):

    said      under 0.5   0.5 to 0.7   0.7 to 0.85   0.85 to 0.95
    looks         18           19           93            422
    mean said    0.17         0.61         0.79          0.91
    was          0.06         0.58         0.69          0.90
"""

from math import exp, log

LEVEL = 0.89
PER_DEPTH = 1.74  # a pace that stands still speaks plainer than one that is halved
PER_E_FOLD = 0.19  # of the hours since it began: what looks alike passes sooner
PER_10_K_OFF = -3.39  # of the plateau below 55 or above 78 degC
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
