"""What cooks of the second physics are drawn from: joints, pits, people, places, probes. Held out."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .hand import NEVER, Script
from .oval import Joint
from .pits import BY_HAND, COOKERS, PitSpec
from .sensing import Sensing, drawn

HOURS = 20.0
KINDS = (
    "bare", "foil", "asleep", "paper", "spritz", "choked", "electric", "boat", "out", "ceramic", "no stall", "ice",
    "wild", "lid left open", "fade", "unwrapped", "pan", "rotate", "pellet", "pit drop", "humid", "hold", "asleep",
    "kettle", "rest", "thin", "choked", "moved", "cold", "tempered",
)
FIRES = ("asleep", "bare", "out", "electric", "fade", "wild", "choked", "lid left open", "asleep", "kettle", "choked",
         "ceramic", "fade", "pellet", "pit drop", "out", "spritz")  # for the score of the fire: half of them die


@dataclass(frozen=True, slots=True)
class Where:
    """A place in the joint: share of the length from the thin tip, share of the way from the middle to the skin."""

    along: float
    depth: float


@dataclass(frozen=True, slots=True)
class Drawn:
    """One cook before it is cooked."""

    name: str
    kind: str
    joint: Joint
    pit: PitSpec
    script: Script
    places: dict[str, Where]
    moved: tuple[str, float, Where] | None  # which probe, when [h], where to
    gradient_k: float  # firebox end less far end, over the joint
    tip_to_fire: bool
    air: tuple[str, ...]
    told: float
    sensing: Sensing
    rng: np.random.Generator


def draw(i: int, seed: int, kinds: Sequence[str] = KINDS) -> Drawn:
    """The ``i``-th cook; the same for the same seed, whatever else is drawn."""
    rng = np.random.default_rng((seed, i, 4321, len(kinds)))
    kind = kinds[i % len(kinds)]
    u = lambda low, high: float(rng.uniform(low, high))  # noqa: E731
    cooker = {"electric": "electric", "ceramic": "ceramic", "wild": "wild", "pellet": "pellet", "kettle": "kettle",
              "asleep": str(rng.choice(BY_HAND)), "out": str(rng.choice(["offset", "wild", "kettle"])),
              "fade": str(rng.choice(["kettle", "ceramic", "pellet"])), "choked": str(rng.choice(COOKERS[:4])),
              }.get(kind, str(rng.choice(COOKERS, p=[0.35, 0.1, 0.15, 0.15, 0.15, 0.1])))
    joint = _joint(kind, rng)
    level = u(102, 140)
    pit = PitSpec(cooker, [(0.0, level)], u(-5, 33), u(0.35, 1.0), u(0.006, 0.035), seed=int(rng.integers(1 << 30)))
    script = Script(pull_c=u(91, 97) if rng.uniform() < 0.3 else NEVER)
    joint = _happens(kind, joint, pit, script, rng)
    places = {"flat": Where(u(0.3, 0.5), u(0, 0.3)), "point": Where(u(0.7, 0.9), u(0, 0.3)),
              "tip": Where(u(0.0, 0.14), u(0, 0.45)), "middle": Where(u(0.5, 0.65), u(0, 0.2))}
    names = list(places)[: int(rng.choice([1, 2, 3, 4], p=[0.12, 0.2, 0.5, 0.18]))]
    moved = None
    if kind == "moved" or rng.uniform() < 0.05:
        name = str(rng.choice(names))
        to = Where(float(np.clip(places[name].along + u(-0.2, 0.2), 0, 1)), u(0, 0.6))
        moved = (name, u(2, 8), to)
    air: tuple[str, ...] = ("grate",) if rng.uniform() < 0.68 else ("grate", "far end")
    return Drawn(
        f"oval {i} {kind}, {cooker}", kind, joint, pit, script, {n: places[n] for n in names}, moved,
        u(3, 28) if cooker in BY_HAND else u(0, 8), bool(rng.uniform() < 0.5), air if rng.uniform() < 0.93 else (),
        float(rng.choice([0.0, 0.5, 1.0], p=[0.3, 0.2, 0.5])), drawn(rng, HOURS - 5), rng,
    )


def _joint(kind: str, rng: np.random.Generator) -> Joint:
    u = lambda low, high: float(rng.uniform(low, high))  # noqa: E731
    point = u(0.034, 0.056) if kind != "thin" else u(0.018, 0.026)
    return Joint(
        thick=(point * u(0.35, 0.75), point), wide=(u(0.06, 0.10), u(0.08, 0.14)), bulge=u(-0.05, 0.15),
        length=u(0.28, 0.45), k=u(0.42, 0.54), alpha=u(1.18e-7, 1.5e-7),
        start_c={"cold": u(-1.5, 1), "tempered": u(12, 20)}.get(kind, u(1, 12)),
        start_skin_k=u(2, 8) if kind == "tempered" else u(0, 2), convects=u(5, 13), emits=u(0.7, 0.95),
        moist=u(640, 760), loses=u(0.32, 0.48), loses_c=u(59, 69), loses_k=u(2.5, 6.0), loses_s=u(1800, 7200),
        up=u(0.5, 0.95), seeps=u(0.5e-5, 4e-5), wet=u(0.0, 0.15), half_wet=u(0.01, 0.06), ages_s=3600 * u(8, 40),
        fat=u(0.0, 0.35), fat_c=u(38, 58),
    )


def _happens(kind: str, joint: Joint, pit: PitSpec, script: Script, rng: np.random.Generator) -> Joint:
    """Set what happens in a cook of this kind; some things happen in any cook."""
    u = lambda low, high: float(rng.uniform(low, high))  # noqa: E731
    change: dict[str, Any] = {}
    at = 3600 * u(3, 8)
    if kind in ("foil", "paper", "boat", "pan"):
        script.wrap = kind
        if rng.uniform() < 0.75:
            script.wrap_c = u(64, 80)
        else:
            script.wrap_h = u(2, 6)
    elif kind == "unwrapped":
        script.wrap, script.wrap_c, script.unwrap_h = "foil", u(60, 70), u(0.7, 2.0)
    elif kind in ("asleep", "fade"):
        pit.away = ((at, at + 3600 * u(1.2, 4)),)
    elif kind == "out":
        pit.away = ((at, 1e9),)
    elif kind == "choked":
        pit.choked = ((at, at + 3600 * u(1, 4), u(0.25, 0.6)),)
    elif kind == "no stall":
        change = {"up": u(0.0, 0.04), "seeps": 0.0, "wet": 0.0, "loses": u(0.1, 0.25)}
        if rng.uniform() < 0.4:
            change = {}
            script.wrap, script.wrap_h = "foil", u(0.0, 0.7)
    elif kind == "lid left open":
        script.lids = ((u(2, 7), u(12, 40)),)
    elif kind == "pit drop":
        script.drop_c, script.drop_to, script.drop_note = u(70, 82), u(96, 106), "text"
        pit.levels[0] = (0.0, u(125, 142))
    elif kind == "humid":
        pit.ratio = u(0.06, 0.2)
    elif kind == "hold":
        script.drop_c, script.drop_to, script.pull_c = u(85, 95), u(62, 72), NEVER
    elif kind == "rest":
        script.pull_c, script.rest_c = u(86, 96), float(rng.choice([u(18, 30), u(58, 68)]))
        script.wrap, script.wrap_c = str(rng.choice(["foil", "paper"])), u(68, 82)
    elif kind == "ice":
        script.ice_c, script.ice_kg = u(58, 80), u(3, 10)
    elif kind == "rotate":
        script.rotate = tuple(np.sort(rng.uniform(2, 9, int(rng.integers(1, 4)))).tolist())
    if kind == "spritz" or rng.uniform() < 0.15:
        begins = u(1.5, 3.5)
        script.spritz = (begins, u(0.5, 1.2), begins + u(2, 6), u(0.03, 0.12))
    if not script.lids and rng.uniform() < 0.5:
        script.lids = tuple((float(h), float(np.exp(rng.uniform(np.log(0.4), np.log(6)))))
                            for h in np.sort(rng.uniform(0.7, 12, int(rng.integers(1, 6)))))
    return Joint(**{f: change.get(f, getattr(joint, f)) for f in Joint.__slots__})
