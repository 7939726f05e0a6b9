"""Plans in plain words: when to light the fire for the table, and what a choice does to the finish."""

from pitscribe.cook.backwards import Backwards
from pitscribe.cook.choices import Choices
from pitscribe.cook.plain import degrees, span
from pitscribe.cook.plan import Joint, Planned, WhatIf
from pitscribe.cook.safety_words import heat, told
from pitscribe.cook.text import When, forecast_line

HOLD_C = 60.0  # what consumers are told (SOURCES.md section 7)
TOLD_S = 900.0  # a difference is told to so much
CAUTION = (
    "A plan is a forecast: keep a margin, probe the meat, and do not leave a fire alone to keep to a plan. Lids, foil "
    "and what comes out of them are hot, and so is their steam."
)
UNTRIED = "how long such a piece takes was tried on simulated cooks alone; once it cooks, plan --cook knows more"


def joint_words(joint: Joint, unit: str) -> str:
    """What is to be cooked: "75 mm thick, 39 F at the start"."""
    start = f"{degrees(joint.start_c, unit)} at the start"
    if joint.thickness_mm is not None:
        thick = f"{joint.thickness_mm / 25.4:.1f} in" if unit == "F" else f"{joint.thickness_mm:.0f} mm"
        return f"{thick} thick, {start}"
    if joint.weight_kg is None:
        return start
    heavy = f"{joint.weight_kg / 0.45359237:.1f} lb" if unit == "F" else f"{joint.weight_kg:.1f} kg"
    return f"{heavy}, {start}"


def backwards_lines(said: Backwards, unit: str, when: When) -> list[str]:
    """A plan backwards from the table, what is to be done first at its head."""
    planned = said.planned
    lines = [
        f"to serve at {when(planned.serve_at)}, {degrees(said.target_c, unit)} inside, rested {span(planned.rest_s)}, "
        f"{100 * planned.chance:.0f} % sure ({joint_words(said.joint, unit)}):"
    ]
    if planned.start_at is None or said.light_at is None:
        lines.append(f"no time can be named: {planned.why_not}")
    else:
        pit = degrees(said.pit_c, unit)
        lines.append(f"light the fire at {when(said.light_at)}, for a pit at {pit} {span(said.heat_up_s)} later")
        if said.chance_now is not None:
            lines.append(_late(said.made - said.light_at, said.chance_now))
        lines.append(f"meat on at {when(planned.start_at)}")
    lines += _takes(planned)
    if planned.caution is not None and planned.holds_s is not None:
        early = _about(planned.holds_s[1])
        lines.append(told(f"it may be done {early} early: hold it at {heat(HOLD_C)} or more until then", unit))
    return [*lines, UNTRIED, CAUTION]


def _late(ago_s: float, chance: float) -> str:
    hope = f"a chance of {100 * chance:.0f} %" if chance else "hardly a chance"
    return (f"that is {span(ago_s)} ago: lit now, there is {hope} to be done in time; serve later, cook hotter, or "
            "take a thinner piece")


def _takes(said: Planned) -> list[str]:
    """How long it cooks, by no more than it knows."""
    low, middle, high = said.takes_s
    if low is None or middle is None:
        return []
    upto = f"to {_about(high)}" if high is not None else "to more than two days"
    return [f"it cooks for about {_about(middle)}, four times in five {_about(low)} {upto}"]


def _about(seconds: float) -> str:
    """A length of time to half an hour."""
    return span(max(1.0, round(seconds / 1800)) * 1800)


def choice_lines(said: Choices, unit: str, when: When) -> list[str]:
    """Each choice of a cook with its finish and what it is worth beside the present course."""
    if said.at is None or said.why_not is not None:
        at = "" if said.at is None else f", as of {when(said.at)}"
        return [f"{said.cook}{at}: nothing to choose from ({said.why_not})"]
    lines = [f"{said.cook}, as of {when(said.at)}"]
    for what_if in said.what_ifs:
        line = f"{_name(what_if, unit)}: {forecast_line(what_if.forecast, unit, when)}"
        if what_if is not said.what_ifs[0]:
            line += _worth(said, what_if)
        if what_if.chance is not None and said.by is not None:
            line += f"; {100 * what_if.chance:.0f} % to be there by {when(said.by)}"
        lines.append(line)
    return [*lines, CAUTION]


def _name(what_if: WhatIf, unit: str) -> str:
    plan = what_if.plan
    words = (["wrap now"] if plan.wrap else []) + (
        [] if plan.pit_c is None else [f"pit to {degrees(plan.pit_c, unit)}"])
    return " and ".join(words) or "as it is"


def _worth(said: Choices, what_if: WhatIf) -> str:
    sooner = said.sooner(what_if)
    if sooner is None:
        return ""
    told = round(abs(sooner) / TOLD_S) * TOLD_S
    return f"; about {span(told)} {'sooner' if sooner > 0 else 'later'}" if told else "; no difference to speak of"
