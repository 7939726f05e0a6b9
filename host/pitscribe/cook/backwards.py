"""Backwards from the table: when the fire is to be lit, and what can still be hoped for where that has passed.

The making alone, for a command and a page alike; ``plan_text`` puts it into words.
"""

from dataclasses import dataclass
from typing import Any

from pitscribe.cook.cook_on import HORIZON_H
from pitscribe.cook.plain import iso, number
from pitscribe.cook.plan import CHANCE, Joint, Planned, durations, start_for
from pitscribe.errors import ReadingError

HEAT_UP_S = 2700.0  # from lighting to a steady pit: some three quarters of an hour (common practice, no source)
HEAT_UPS_S = (0.0, 4 * 3600.0)
REST_S = 3600.0
FURTHEST_S = 366 * 86_400.0  # a table that is further off is a mistyped year
FINEST = 0.05  # a chance is told no finer, and never as none or all


@dataclass(frozen=True, slots=True)
class Backwards:
    """A plan from the table back to the match. Times in UTC s.

    planned : when the meat goes on a hot pit, and how long it then takes;  heat_up_s : from lighting to that pit
    chance_now : where ``light_at`` has passed, the chance to be done in time if it is lit now; None: it has not passed
    """

    planned: Planned
    joint: Joint
    target_c: float
    pit_c: float
    heat_up_s: float
    made: float
    chance_now: float | None

    @property
    def light_at(self) -> float | None:
        """When to light the fire [UTC s]; None: ``planned.why_not`` says why."""
        return None if self.planned.start_at is None else self.planned.start_at - self.heat_up_s

    def as_json(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "made": iso(self.made), "target_c": number(self.target_c), "pit_c": number(self.pit_c),
            "thickness_mm": number(self.joint.thickness_mm), "weight_kg": number(self.joint.weight_kg),
            "meat_c": number(self.joint.start_c), "heat_up_s": number(self.heat_up_s),
            "light_at": iso(self.light_at), "chance_if_lit_now": number(self.chance_now), **self.planned.as_json(),
        }


def backwards(
    joint: Joint, target_c: float, pit_c: float, serve_at: float, now: float, *, rest_s: float = REST_S,
    chance: float = CHANCE, wrap: bool | None = None, heat_up_s: float = HEAT_UP_S,
) -> Backwards:
    """Plan a cook that has not begun; arguments as of ``plan.start_for``.

    now : the present [UTC s];  heat_up_s : from lighting the fire until the pit is at its level [s]
    Raises ReadingError for values that make no cook, and for a table that is in the past or over a year away.
    """
    low, high = HEAT_UPS_S
    if not low <= heat_up_s <= high:
        raise ReadingError(f"{heat_up_s / 60:g} min to a hot pit: give {low / 60:g} to {high / 60:g} min")
    if not 0 < serve_at - now <= FURTHEST_S:
        why = "past" if serve_at <= now else "a year away or more"
        raise ReadingError(f"the table at {iso(serve_at)} is {why}: a plan is for what is to come")
    planned = start_for(joint, target_c, pit_c, serve_at, rest_s=rest_s, chance=chance, wrap=wrap)
    said = Backwards(planned, joint, target_c, pit_c, heat_up_s, now, None)
    if said.light_at is None or said.light_at >= now:
        return said
    left = serve_at - rest_s - now - heat_up_s
    share = float((durations(joint, target_c, pit_c, wrap=wrap) <= min(left, HORIZON_H * 3600)).mean())
    told = min(max(round(share / FINEST) * FINEST, 0.0), 1 - FINEST)
    return Backwards(planned, joint, target_c, pit_c, heat_up_s, now, round(told, 2))
