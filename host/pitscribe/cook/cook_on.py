"""The ensemble cooked on from now: what the pit may do, what somebody may do, and when each member is where."""

from dataclasses import dataclass

import numpy as np

from pitscribe.cook.conditioning import Learned
from pitscribe.cook.ensemble import STEP_S, Ensemble
from pitscribe.cook.grid import FloatArray
from pitscribe.cook.pit_ahead import ahead

HORIZON_H = 48.0
NEAR_H = 12.0  # so far in steps of STEP_S, then in those of FAR_S
FAR_S = 900.0
WANDER_H = 0.5  # how often evaporation and the place's air change by themselves
WRAPS_LATER = 0.3  # of bare cooks, at one of these temperatures of the meat: many cooks wrap (common practice, no
WRAPS_C = (68.0, 82.0)  # source; the share is ours). A plan that says so makes it all or none
NEARLY_ALL = 0.995
PAST_K = 2.0  # so much past the target: a place is not what its probe reads
# No model is the meat: the pace of what is still to come differs from every member's by a factor of its own, whose
# logarithm has a standard deviation of PACE_SD for a long way and less for a short one, half of it at PACE_H hours. The
# pace of the last hours was read, that of a crust, a wrap that nobody noted or a wetted skin to come was not. Chosen on
# cooks of two benches of different physics (docs/ANALYSIS.md).
PACE_SD, PACE_H = 0.55, 3.0
PACE_SEED = 20_260_615


@dataclass(frozen=True, slots=True)
class Plan:
    """What somebody means to do from now on.

    pit_c : the pit's level [degC], None: as it has been;  wrap : True now, False never, None: not said
    wrap_c : wrap when the meat is so warm, on the mean of its places [degC]
    """

    pit_c: float | None = None
    wrap: bool | None = None
    wrap_c: float | None = None


AS_IT_IS = Plan()


@dataclass(frozen=True, slots=True)
class Ahead:
    """Where the members go. start (places, members) now; t (steps,) s from now; tips (steps, places, members); degC.

    pace (members,) : of each by its own clock, standard normal; ``later`` puts that clock right
    level (steps, members) : that of the pit in each, before it wanders and swings, degC
    """

    start: FloatArray
    t: FloatArray
    tips: FloatArray
    pace: FloatArray
    level: FloatArray

    def later(self, t: FloatArray) -> FloatArray:
        """When it is what a member's own clock calls ``t``: (..., members) -> as many, s from now; inf stays inf."""
        far = np.where(np.isfinite(t), t, 0.0)
        return t * np.exp(PACE_SD * far / (far + PACE_H * 3600) * self.pace)

    def at(self, t: FloatArray) -> FloatArray:
        """Where the members are at times ``t`` (n,) [s from now]: (n, places, members) degC; at last they rest."""
        y, own = np.concatenate((self.start[None], self.tips)), np.concatenate(([0.0], self.t))
        clock = self.later(own[:, None])
        out = np.empty((t.size, *self.start.shape))
        for m in range(self.pace.size):
            for p in range(out.shape[1]):
                out[:, p, m] = np.interp(t, clock[:, m], y[:, p, m])
        return out


def cook_on(known: Learned, target_c: float, plan: Plan = AS_IT_IS) -> Ahead:
    """Cook every member on until nearly all have been past ``target_c`` everywhere, or for ``HORIZON_H``."""
    until_c = target_c + PAST_K
    ensemble = known.ensemble.copy()
    members = ensemble.theta.shape[2]
    near, far = round(NEAR_H * 3600 / STEP_S), round((HORIZON_H - NEAR_H) * 3600 / FAR_S)
    t = np.cumsum(np.concatenate((np.full(near, STEP_S), np.full(far, FAR_S))))
    steps = round(HORIZON_H * 3600 / STEP_S)
    air, level = (
        np.concatenate((fine[:near], fine[near:].reshape(far, -1, members).mean(axis=1)))
        for fine in ahead(known.pit, steps, round(STEP_S / 60), members, ensemble.rng, plan.pit_c, target_c)
    )
    unseen = plan.pit_c is None and not known.pit_seen
    start = ensemble.pieces.tip(ensemble.heat)
    wraps_at = _wraps_at(ensemble, start, known.covered, plan)
    pace = np.random.default_rng(PACE_SEED).normal(size=members)
    tips, warmest = np.empty((t.size, *start.shape)), start
    for i in range(t.size):
        if i == near:
            ensemble.pace(FAR_S)
        ensemble.step(air[i], unseen=unseen)
        tips[i] = ensemble.pieces.tip(ensemble.heat)
        if t[i] % (WANDER_H * 3600) == 0:
            ensemble.wander(WANDER_H)
            warmest = np.maximum(warmest, tips[i])
            if (warmest > until_c).mean(axis=1).min(initial=1.0) > NEARLY_ALL:
                return Ahead(start, t[: i + 1], tips[: i + 1], pace, level[: i + 1])
        ensemble.wrapped |= tips[i].mean(axis=0) > wraps_at
    return Ahead(start, t, tips, pace, level)


def _wraps_at(ensemble: Ensemble, start: FloatArray, covered: bool, plan: Plan) -> FloatArray:
    """The temperature of the meat at which each member's cook wraps it: (members,) degC; inf: never."""
    members = start.shape[1]
    rng = ensemble.rng
    at = np.where(rng.uniform(size=members) < WRAPS_LATER, rng.uniform(*WRAPS_C, size=members), np.inf)
    if plan.wrap:
        ensemble.wrapped[:] = True
    if plan.wrap is not None or covered:
        return np.full(members, np.inf)
    if plan.wrap_c is not None:
        return np.full(members, plan.wrap_c)
    # Who would have wrapped by now has shown not to.
    return np.where(start.mean(axis=0) > at, np.inf, at)


def first_reach(run: Ahead, target: FloatArray) -> FloatArray:
    """When each member is first at its target: (places, members), s from now; inf: not within the horizon.

    target : (places, members) or what broadcasts to it, degC
    """
    y = np.concatenate((run.start[None], run.tips))
    t = np.concatenate(([0.0], run.t))
    over = y >= target
    at = over.argmax(axis=0)
    before = np.maximum(at - 1, 0)
    a, b = (np.take_along_axis(y, k[None], 0)[0] for k in (before, at))
    rises = b > a
    part = np.where(rises, (target - a) / np.where(rises, b - a, 1.0), 1.0)
    when = t[before] + np.clip(part, 0.0, 1.0) * (t[at] - t[before])
    return run.later(np.where(over.any(axis=0), np.where(at == 0, 0.0, when), np.inf))
