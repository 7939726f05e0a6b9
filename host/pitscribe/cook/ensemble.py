"""What this cook says of its meat: an ensemble of pieces, conditioned on the readings so far.

Every place has ``MEMBERS`` pieces drawn from broad priors of physical meaning. They are cooked in the air that was
measured, and every ten minutes those that read too warm or too cold are moved, state and parameters together, by the
ensemble square-root filter (Whitaker and Hamill, Monthly Weather Review 130:1913, 2002; from memory). What the model
does not know of (fat, foil that nobody noted, a turned joint, another law of drying) is left to drifting parameters and
to noise in the state, so that the ensemble stays as wide as it is ignorant.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pitscribe.cook.grid import FloatArray
from pitscribe.cook.meat import Heat, Pieces, Stuff, even

MEMBERS = 400
SEED = 20_260_613
STEP_S = 300.0  # of the model: modes are exact, and the surface follows a pit's hour
EVERY = 2  # steps between two looks at the readings: slower than a probe's lag, faster than any meat
READING_K = 0.1  # what a reading says of the piece's tip, besides its own noise: juice, fat, the hole of the probe
NOISE_K = 0.25  # in the state, each square root of an hour
FARTHEST = 3.0  # parameters stay within so many standard deviations of what meats and pits are like
TELLS = 0.8  # of what the members believe one place to say of another: 400 of them see chance likeness as well
HALF_M = 0.032  # half the thickness of a middling piece [m]
CRUST_GROWS = 0.7  # a thicker piece has more water to give before its crust holds: not quite in proportion
SURPRISE = 3.0  # a reading further off counts as if it were known so much worse


@dataclass(frozen=True, slots=True)
class Prior:
    """One parameter before anything was read: normal in its form ("plain", "log", or "logit").

    alike : share of the variance that the places of one cook have in common
    drifts : how fast it changes: standard deviation over a short while, in each square root of an hour, as a share of
    ``sd``; it comes back to its middle, so that it strays no wider than ``sd`` however long the cook is
    """

    name: str
    middle: float
    sd: float
    form: str = "log"
    alike: float = 0.0
    drifts: float = 0.08


# Diffusivity: SOURCES.md section 6. Stall near 66 to 77 degC, pits, thickness: common practice, no source. The rest is
# our allowance, no source: wide enough for what is cooked on a smoker at all. "sharp" and "tail" reach from a front
# that recedes, and resists in proportion to the water lost (1 and 1: drying in its falling rate), to a crust that
# shuts. Until it shuts, nothing in the readings tells these apart: that is what makes a forecast out of a stall wide.
# Whatever makes the heat that goes in (film, air, vapour, crust) changes in a cook; held still, it would let laws that
# are a guess overrule the pace of the last hours, which was read. How one joint dries is much the same all over it: a
# thin end that has come through its stall tells the rest.
PRIORS = (
    Prior("half_m", HALF_M, 0.40),
    Prior("depth", 0.25, 1.0, "logit"),
    Prior("alpha", 1.35e-7, 0.08, alike=0.8),
    Prior("film", 19.0, 0.30, alike=0.7, drifts=0.4),
    Prior("wet", 0.10, 1.00, alike=0.7),
    Prior("juice", 0.45, 0.80, alike=0.7),
    Prior("juice_c", 63.0, 4.0, "plain", alike=0.7),
    Prior("crust", 2.3, 0.45, alike=0.85, drifts=0.2),
    Prior("sharp", 2.7, 0.42, alike=0.9),
    Prior("tail", 0.30, 1.3, "logit", alike=0.9),
    Prior("humid", 0.018, 0.60, alike=1.0),
    Prior("round", 0.35, 1.0, "logit", alike=0.3),
    Prior("air_k", 0.0, 6.0, "plain", alike=0.4, drifts=0.5),  # the place's own air, less the probe's [K]
    Prior("unseen_k", 0.0, 12.0, "plain", alike=1.0),  # the pit when no air probe shows it, less what is assumed [K]
    Prior("vapour", 1.0, 0.30, drifts=0.9),  # what changes evaporation unannounced
    Prior("keeps", 0.06, 0.90, alike=1.0),  # share of the vapour that a wrap lets out
    Prior("wrap_film", 0.80, 0.15, alike=1.0),  # and of the film
)
NAMES = tuple(p.name for p in PRIORS)
STUFF = tuple(f.name for f in fields(Stuff))
_COLUMN = {name: i for i, name in enumerate(NAMES)}
_COMMON = [i for i, p in enumerate(PRIORS) if p.alike > 0.5]
_SD = np.array([p.sd for p in PRIORS])[:, None, None]
_DRIFTS = np.array([p.drifts for p in PRIORS])[:, None, None]


def _keeps(hours: float) -> FloatArray:
    """What is left after a while of how far each parameter was from its middle: a first-order process."""
    keeps: FloatArray = np.exp(-0.5 * _DRIFTS**2 * hours)
    return keeps


def _middle(prior: Prior) -> float:
    if prior.form == "plain":
        return prior.middle
    return float(np.log(prior.middle if prior.form == "log" else prior.middle / (1 - prior.middle)))


_MIDDLE = np.array([_middle(p) for p in PRIORS])[:, None, None]


class Ensemble:
    """``places`` by ``members`` pieces: their parameters ``theta`` (parameters, places, members) and their heat."""

    def __init__(self, places: int, members: int = MEMBERS, seed: int = SEED) -> None:
        self.rng = np.random.default_rng(seed)
        alike = np.sqrt(np.array([p.alike for p in PRIORS]))[:, None, None]
        own = self.rng.normal(size=(len(PRIORS), places, members))
        shared = self.rng.normal(size=(len(PRIORS), 1, members))
        self.theta = _MIDDLE + _SD * (alike * shared + np.sqrt(1 - alike**2) * own)
        self.heat = even(np.zeros((places, members)))
        self.wrapped: NDArray[np.bool_] = np.zeros((places, members), dtype=bool)
        self.tip_before = np.zeros((places, members))
        self.step_s = STEP_S
        self._ready: Pieces | None = None

    def value(self, name: str) -> FloatArray:
        """A parameter in its own unit: (places, members)."""
        i = _COLUMN[name]
        raw: FloatArray = self.theta[i]
        if PRIORS[i].form == "plain":
            return raw
        return np.exp(raw) if PRIORS[i].form == "log" else 1 / (1 + np.exp(-raw))

    def thick(self, half_m: float, log_sd: float) -> None:
        """Take the half thickness as known so well: what the prior drew, about another middle and narrower."""
        i = _COLUMN["half_m"]
        self.theta[i] = np.log(half_m) + (self.theta[i] - _MIDDLE[i]) * (log_sd / PRIORS[i].sd)
        self._ready = None

    @property
    def pieces(self) -> Pieces:
        """The pieces as their parameters stand."""
        if self._ready is None:
            value = {name: self.value(name) for name in STUFF}
            value["wet"], value["humid"] = np.minimum(value["wet"], 1.0), np.minimum(value["humid"], 0.5)
            value["crust"] = value["crust"] * (value["half_m"] / HALF_M) ** CRUST_GROWS
            stuff = Stuff(**value)
            self._ready = Pieces(stuff, self.step_s)
        return self._ready

    def begin(self, place: int, celsius: float, air: float) -> None:
        """A place begins, read as ``celsius``. Meat warmer than a cellar was begun elsewhere: warmer outside, drier."""
        members = self.theta.shape[2]
        ahead = 0.25 * max(0.0, celsius - 20.0) * min(1.0, max(0.0, air - celsius) / 50)
        edge = self.rng.normal(ahead, 2.0 + ahead, members)
        heat = self.heat
        heat.modes[:, place] = 0.0
        heat.modes[1, place] = edge
        tip = (self.pieces.at_tip[:, place] * heat.modes[1:, place]).sum(axis=0)
        heat.modes[0, place] = celsius - tip + self.rng.normal(0.0, 0.5 + 0.3 * ahead, members)
        heat.flow[place] = 0.0
        heat.skin[place] = heat.modes[:, place].sum(axis=0)
        heat.lost[place] = ahead / 10 * self.rng.uniform(0, 2, members)
        self.tip_before[place] = celsius

    def step(self, air: FloatArray, *, unseen: bool = False) -> None:
        """Go on by ``step_s`` in air of ``air`` [degC], (), (members,) or (places, members)."""
        felt = air + self.value("air_k") + (self.value("unseen_k") if unseen else 0.0)
        pieces = self.pieces
        self.tip_before = pieces.tip(self.heat)
        vapour = self.value("vapour")
        film: FloatArray | float = 1.0
        if self.wrapped.any():
            vapour = vapour * np.where(self.wrapped, np.minimum(self.value("keeps"), 1.0), 1.0)
            film = np.where(self.wrapped, self.value("wrap_film"), 1.0)
        pieces.step(self.heat, felt, vapour, film)

    def drift(self, hours: float) -> None:
        """What changes by itself: parameters wander, and the state by what the model leaves out."""
        keep = _keeps(hours)
        walks = _SD * np.sqrt(1 - keep**2) * self.rng.normal(size=self.theta.shape)
        self.theta = _MIDDLE + keep * (self.theta - _MIDDLE) + walks
        self._shaken(hours)
        self._held()

    def wander(self, hours: float) -> None:
        """The same ahead of now, for what changes from hour to hour alone: the pieces stay what they are."""
        for name in ("vapour", "air_k"):
            i = _COLUMN[name]
            keep, middle = float(_keeps(hours)[i, 0, 0]), float(_MIDDLE[i, 0, 0])
            low, high = (middle + side * FARTHEST * PRIORS[i].sd for side in (-1, 1))
            walks = PRIORS[i].sd * np.sqrt(1 - keep**2) * self.rng.normal(size=self.heat.lost.shape)
            self.theta[i] = np.clip(middle + keep * (self.theta[i] - middle) + walks, low, high)
        self._shaken(hours)

    def _shaken(self, hours: float) -> None:
        self.heat.modes[0] += NOISE_K * np.sqrt(hours) * self.rng.normal(size=self.heat.lost.shape)

    def pace(self, step_s: float) -> None:
        """Go on by so many seconds a step from now."""
        self.step_s, self._ready = step_s, None

    def _held(self) -> None:
        np.clip(self.theta, _MIDDLE - FARTHEST * _SD, _MIDDLE + FARTHEST * _SD, out=self.theta)
        self._ready = None

    def moved(self, place: int, celsius: float) -> None:
        """The probe of a place sits elsewhere now: another depth, and as much of the state as that takes."""
        depth, half = _COLUMN["depth"], _COLUMN["half_m"]
        members = self.theta.shape[2]
        self.theta[depth, place] = _MIDDLE[depth, 0, 0] + PRIORS[depth].sd * self.rng.normal(size=members)
        self.theta[half, place] += 0.2 * self.rng.normal(size=members)
        self._held()
        off = celsius - self.pieces.tip(self.heat)[place]
        self.heat.modes[0, place] += off + self.rng.normal(0, 0.5, members)

    def heed(self, read: FloatArray, u: FloatArray) -> None:
        """Move the members to what was read over the last step: (places,) degC, NaN where nothing was; u [K]."""
        have = np.isfinite(read)
        if not have.any():
            return
        expects = 0.5 * (self.tip_before + self.pieces.tip(self.heat))[have]
        mean = expects.mean(axis=1)
        apart = expects - mean[:, None]
        spread = (apart**2).mean(axis=1)
        error = u[have] ** 2 + READING_K**2
        off = read[have] - mean
        error = np.maximum(error, off**2 / SURPRISE**2 - spread)
        for rows in (self.heat.modes, self.heat.lost[None], self.theta):
            own = rows[:, have]
            gain = np.einsum("rpm,pm->rp", own, apart) / apart.shape[1] / (spread + error)
            less = 1 / (1 + np.sqrt(error / (spread + error)))
            rows[:, have] = own + gain[..., None] * (off[:, None] - less[:, None] * apart)[None]
        np.maximum(self.heat.lost, 0.0, out=self.heat.lost)
        self._tell_others(have, apart, off, spread + error, less)
        self._held()

    def _tell_others(
        self, have: NDArray[np.bool_], apart: FloatArray, off: FloatArray, total: FloatArray, less: FloatArray
    ) -> None:
        """Let the other places know what one reading says of what they have in common."""
        common = self.theta[_COMMON]
        own = common - common.mean(axis=2, keepdims=True)
        for row, place in enumerate(np.flatnonzero(have).tolist()):
            gain = TELLS * np.einsum("rpm,m->rp", own, apart[row]) / apart.shape[1] / total[row]
            gain[:, place] = 0.0  # it was told itself
            common += gain[..., None] * (off[row] - less[row] * apart[row])
        self.theta[_COMMON] = common

    def copy(self) -> "Ensemble":
        """The same ensemble once more, to be cooked on in another way."""
        other = object.__new__(Ensemble)
        other.rng = np.random.default_rng(SEED + 1)
        other.theta, other.wrapped, other.tip_before = self.theta.copy(), self.wrapped.copy(), self.tip_before.copy()
        h = self.heat
        other.heat = Heat(h.modes.copy(), h.flow.copy(), h.lost.copy(), h.skin.copy())
        other.step_s, other._ready = self.step_s, None
        return other

