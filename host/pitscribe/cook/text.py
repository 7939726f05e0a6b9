"""An analysis in plain words, for the command line."""

from collections.abc import Callable

from pitscribe.cook.answers import Analysis, PlaceNow
from pitscribe.cook.doneness_text import doneness_lines
from pitscribe.cook.evenness import Evenness
from pitscribe.cook.fire import Fire
from pitscribe.cook.fire_back import IfBack
from pitscribe.cook.forecast import COLDEST, Forecast
from pitscribe.cook.hints import hint_line
from pitscribe.cook.interventions import intervention_line
from pitscribe.cook.pit import PitNow
from pitscribe.cook.plain import degrees, difference, iso, signed, span
from pitscribe.cook.safety import Safety
from pitscribe.cook.safety_words import told
from pitscribe.cook.stall import Stall
from pitscribe.errors import ConfigError

BACK_S = 900.0  # when a fire is back is a guess as well
GUESS_S = 3600.0  # a time that is rounded to so much, and wide besides, is a guess
When = Callable[[float], str | None]  # UTC s -> how a time is written


def summary(said: Analysis, *, unit: str = "F", when: When = iso) -> str:
    """What is going on, most wanted first: coldest place, pit, spread, stalls, places, what cannot be said.

    unit : "F" or "C". Raises ConfigError for another.
    when : how to write a time [UTC s]; by itself ISO 8601, since only the caller knows where the reader lives
    """
    if unit not in ("F", "C"):
        raise ConfigError(f"unit {unit!r}: F or C")
    if said.at is None:
        return f"{said.cook}: no sample yet"
    lines = [f"{said.cook}, as of {when(said.at)}"]
    lines.append(_coldest(said, unit))
    if said.pit:
        lines.append(_pit(said.pit, unit))
    lines += _fire(said.fire, unit, when)
    lines += _evenness(said.evenness, unit, when)
    if said.hint is not None:
        lines.append(hint_line(said.hint, unit, when))
    lines += [intervention_line(done, unit, when) for done in said.interventions]
    # Of one place alone, the coldest is that one.
    told_of = said.forecasts if len(said.forecasts) > 2 else said.forecasts[:1]
    lines += [forecast_line(f, unit, when) for f in told_of]
    lines += doneness_lines(said.doneness, unit, when)
    lines += _safety(said.safety, unit)
    lines += [stall_line(s, unit, when) for s in said.stalls]
    if not said.stalls and any(p.kind == "meat" for p in said.places):
        lines.append("no stall seen")
    lines += [_place(p, unit) for p in said.places]
    lines += [f"cannot say: {c.what} ({c.why})" for c in said.cannot_say]
    for place, counts in said.flag_counts.items():
        if counts:
            lines.append(f"flags at {place}: " + ", ".join(f"{n} {word}" for word, n in counts.items()))
    if said.missed or said.unplaced:
        lines.append(f"{said.missed} ticks missed by the logger, {said.unplaced} frames without a time")
    return "\n".join(lines)


def _rate(p: PlaceNow, unit: str) -> str:
    if p.rate_k_h is None or p.rate_u_k_h is None or p.rate_window_s is None:
        return "no rate"
    return (
        f"{signed(p.rate_k_h, unit)} an hour, give or take {difference(2 * p.rate_u_k_h, unit)}"
        f" (over {span(p.rate_window_s)})"
    )


def _coldest(said: Analysis, unit: str) -> str:
    p = said.coldest
    if p is None or p.celsius is None:
        return "coldest meat place: not known"
    to_go = ""
    if p.to_target_k is not None and said.target_c is not None:
        target = degrees(said.target_c, unit)
        short = p.to_target_k > 0
        to_go = f", {difference(p.to_target_k, unit)} to go to {target}" if short else f"; target {target} reached"
    return f"coldest meat place: {p.place} {degrees(p.celsius, unit)}, {_rate(p, unit)}{to_go}"


def _pit(pit: PitNow, unit: str) -> str:
    line = f"pit ({pit.place}) {degrees(pit.celsius, unit)}"
    if pit.level_c is not None and pit.swing_k is not None:
        level, swing = degrees(pit.level_c, unit), difference(pit.swing_k, unit)
        line += f"; over the last half hour {level}, swinging {swing}"
    if pit.slope_k_h is not None and pit.slope_u_k_h is not None:
        drift = f"{signed(pit.slope_k_h, unit)} an hour, give or take {difference(2 * pit.slope_u_k_h, unit)}"
        line += f", {pit.direction} ({drift})" if pit.direction else ""
    if pit.why_no_direction:
        line += f"; direction not known: {pit.why_no_direction}"
    return line + (f" ({pit.why_this})" if pit.why_this else "")


def _fire(fire: Fire, unit: str, when: When) -> list[str]:
    """The fire's state; a warning with what it is about; when fuel is likely due."""
    lines = [f"fire: {fire.state}" + (f" ({fire.why_not})" if fire.why_not else "")]
    if (warning := fire.warning) is not None:
        by = f" by about {when(warning.about)}" if warning.about is not None else ""
        below = degrees(warning.trouble_c, unit)
        lines.append(f"warning: the fire is {warning.kind} since {when(warning.since)}: under {below}{by}. "
                     f"{warning.caution}")
    return lines


def forecast_line(f: Forecast, unit: str, when: When = iso) -> str:
    """One forecast in one line, its times rounded to what is known."""
    target = degrees(f.target_c, unit)
    who = "the coldest place" if f.place == COLDEST else f.place
    who += f" (without {', '.join(f.without)})" if f.without else ""
    if f.reached and f.p50 is not None:
        return f"{who} reached {target} at {when(f.p50)}"
    if f.if_back is not None and f.if_back.p50 is not None:
        return _if_back_line(f, f.if_back, who, target, unit, when)
    if f.p50 is None:
        return f"when {who} reaches {target}: not known ({f.why_not})"
    early, middle, late = (None if t is None else when(round(t / f.round_s) * f.round_s) for t in (f.p10, f.p50, f.p90))
    range_ = f"four times in five between {early} and {late or 'more than two days from now'}"
    early_days = "; it is early for more than a guess" if f.wide and f.round_s >= GUESS_S else ""
    return f"{who} reaches {target} at about {middle}, {range_}{early_days}"


def _if_back_line(f: Forecast, b: IfBack, who: str, target: str, unit: str, when: When) -> str:
    """The same while the fire is low: for one that is brought back, and for one that is left as it is."""
    p10, p50, p90, left = (None if t is None else when(round(t / b.round_s) * b.round_s)
                           for t in (b.p10, b.p50, b.p90, b.as_it_is))
    back = f"if the fire is at {degrees(b.back_c, unit)} by about {when(round(b.back_by / BACK_S) * BACK_S)}"
    range_ = f"four times in five between {p10} and {p90 or 'more than two days from now'}"
    return f"{back}, {who} reaches {target} at about {p50}, {range_}; as it is: {f'about {left}' if left else 'never'}"


def _safety(safety: Safety, unit: str) -> list[str]:
    """Each check where it stands worst, but for those that nothing has begun of; and what a check is worth."""
    if safety.why_not:
        return [f"safety: cannot be checked: {safety.why_not}"]
    begun = [c for c in safety.coldest if c.state != "not yet" or c.value]
    lines = [f"safety, {c.what}: {c.stands} at {c.place} ({told(c.words, unit)})" for c in begun]
    return [*lines, f"safety: {safety.caution}"]


def _evenness(even: Evenness, unit: str, when: When) -> list[str]:
    lines = []
    if even.now:
        s = even.now
        who = f"{s.hottest} leads at {degrees(s.hottest_c, unit)}, {s.coldest} lags at {degrees(s.coldest_c, unit)}"
        if difference(s.spread_k, unit) == difference(0.0, unit):
            who = f"all alike at {degrees(s.coldest_c, unit)}"
        words = f"spread {difference(s.spread_k, unit)} (standard uncertainty {difference(s.u_k, unit)})"
        lines.append(f"{words}: {who}")
    if even.greatest:
        g = even.greatest
        lines.append(f"greatest spread {difference(g.spread_k, unit)} at {when(g.at)} ({g.hottest} over {g.coldest})")
    return lines


def stall_line(s: Stall, unit: str, when: When = iso) -> str:
    """One stall in one line."""
    lasts = f"lasting since {when(s.begin)}" if s.end is None else f"{when(s.begin)} to {when(s.end)}"
    return (
        f"stall at {s.place}: {lasts}, noticed {when(s.noticed)}, near {degrees(s.plateau_c, unit)},"
        f" probability {s.probability:.2f}; {s.cause}"
    )


def _place(p: PlaceNow, unit: str) -> str:
    flags = f"; {', '.join(p.flags)}" if p.flags else ""
    if p.celsius is None or p.u95_k is None or p.age_s is None:
        return f"  {p.place} ({p.kind}): no value, {p.why_no_value}{flags}"
    age = "" if p.age_s < 90 else f", {span(p.age_s)} old"
    return (
        f"  {p.place} ({p.kind}): {degrees(p.celsius, unit)}, give or take {difference(p.u95_k, unit)}{age};"
        f" {_rate(p, unit)}{flags}"
    )
