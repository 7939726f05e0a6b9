"""One cook as a picture: temperatures, stalls, forecasts, spread and fire, what was said against what was so.

Colours of Okabe and Ito's set, one for each role, with line styles and names besides. degF, as most cooks read.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from pitscribe.cook.fire_event import FireEvent
from pitscribe.cook.forecast import Forecast
from pitscribe.cook.interventions import Intervention
from pitscribe.cook.plain import difference

from .canvas import Array, Canvas, Panel
from .sensing import T0
from .truth import BenchCook

if TYPE_CHECKING:
    from .pictures import Said

PLACES = {"flat": ("#0072B2", ""), "point": ("#D55E00", "7 3"), "tip": ("#009E73", "2 2"),
          "middle": ("#CC79A7", "9 3 2 3")}
PIT, SOFT, WARN, BAND, TRUE = "#000000", "#56B4E9", "#E69F00", "#F0E442", "#555555"
ALARMS = {"fading", "out"}
BREAK_H = 0.25


def hour(t: float) -> float:
    """UTC s -> hours since the cook's first sample."""
    return (t - T0) / 3600


def fahrenheit(celsius: Array) -> Array:
    return celsius * 1.8 + 32


def drawn(cook: BenchCook, said: "Said", target_c: float, reached: float | None) -> str:
    """The picture as SVG."""
    hours = max(hour(float(s.t[-1])) for s in cook.record.places if s.t.size)
    canvas = Canvas(cook.name, hours)
    _temperatures(canvas, cook, target_c)
    _stalls(canvas, cook, said)
    _forecasts(canvas, said, reached)
    if len(cook.record.meat) > 1:
        _spread(canvas, said)
    _fire(canvas, cook, said)
    return canvas.svg()


def _minutes(t: Array, y: Array) -> tuple[Array, Array]:
    """A series thinned to minutes: (hours, degF); broken where nothing was read for long."""
    good = np.isfinite(y)
    t, y = t[good], y[good]
    k = np.unique(np.searchsorted(t, np.arange(t[0], t[-1], 60.0)))
    hours, values = (t[k] - T0) / 3600, fahrenheit(y[k])
    values[1:][np.diff(hours) > BREAK_H] = np.nan
    return hours, values


def _temperatures(canvas: Canvas, cook: BenchCook, target_c: float) -> None:
    panel = canvas.panel(220, 30, 320, 50, "degF")
    panel.level(target_c * 1.8 + 32, TRUE, f"target {target_c * 1.8 + 32:.0f} F")
    for s in cook.record.air[:1]:
        panel.line(*_minutes(s.t, s.celsius), PIT, width=1.0, name=s.place)
    for s in cook.record.meat:
        colour, dash = PLACES[s.place]
        panel.line(*_minutes(s.t, s.celsius), colour, dash=dash, width=2.0, name=s.place)
    last = -9.0
    for note in cook.record.notes:
        at = hour(note.at_ms / 1000)
        if note.kind == "fuel":
            panel.upright(at, "#999", dash="", low=30, high=42)
            continue
        panel.upright(at, "#999")
        if canvas.x(at) - last > 26:
            panel.words(at, 320, note.kind if note.kind != "text" else "opened", anchor="middle", size=11, down=-3)
            last = canvas.x(at)


def _stalls(canvas: Canvas, cook: BenchCook, said: "Said") -> None:
    """A row a place: grey, what was a stall for sure; coloured, what was called one; a mark where it was noticed."""
    places = [s.place for s in cook.record.meat]
    panel = canvas.panel(24 * len(places), 0, len(places), 0, "stalls")
    for row, place in enumerate(reversed(places)):
        colour, _ = PLACES[place]
        for a, b in cook.truth.stalls[place].maybe:
            panel.bar(hour(a), hour(b), row + 0.55, row + 0.9, "#e2e2e2")
        for a, b in cook.truth.stalls[place].sure:
            panel.bar(hour(a), hour(b), row + 0.55, row + 0.9, "#999")
        for s in said.last.stalls:
            if s.place == place:
                panel.bar(hour(s.begin), hour(s.end or said.last.at or s.begin), row + 0.12, row + 0.45, colour)
                panel.upright(hour(s.noticed), colour, dash="", low=row + 0.0, high=row + 0.95)
        panel.words(canvas.hours, row + 0.35, place, colour=colour)
    canvas.text(canvas.x(0), panel.top - 4, "grey: a stall (light: one may call it so); coloured: what was called one, "
                "upright where it was noticed", size=11)


def _forecasts(canvas: Canvas, said: "Said", reached: float | None) -> None:
    """When the coldest place will be there, as told at each hour: median, and four times in five."""
    known = [f for f in said.forecasts if f.p50 is not None and not f.reached]
    ends = [hour(f.p90 or f.made + 48 * 3600) for f in known] + [canvas.hours]
    top = min(float(np.quantile(ends, 0.9)) + 1, canvas.hours + 14)
    panel = canvas.panel(170, 0, top, 4, "is there, h")
    for run in _runs(known):
        t = [hour(f.made) for f in run]
        low = [hour(f.p10 or f.made) for f in run]
        high = [hour(f.p90) if f.p90 is not None else top for f in run]
        panel.area(t, low, high, SOFT)
        panel.line(np.array(t), np.array([hour(f.p50 or 0.0) for f in run]), PLACES["flat"][0])
    panel.line(np.array([0.0, canvas.hours]), np.array([0.0, canvas.hours]), "#bbb", dash="2 3", name="now")
    if reached is not None:
        panel.level(hour(reached), PLACES["point"][0], f"was {hour(reached):.1f} h")
    canvas.text(canvas.x(0), panel.top - 4, "when the coldest place is at its target, as told at each time: median, "
                "and band for four in five", size=11)


def _runs(forecasts: Sequence[Forecast]) -> list[list[Forecast]]:
    """Stretches of looks without a break."""
    runs: list[list[Forecast]] = []
    for f in forecasts:
        if runs and f.made - runs[-1][-1].made < 2000:
            runs[-1].append(f)
        else:
            runs.append([f])
    return [run for run in runs if len(run) > 1]


def _spread(canvas: Canvas, said: "Said") -> None:
    even = said.last.evenness
    t, spread = (even.t - T0) / 3600, even.spread_k * 1.8
    panel = canvas.panel(120, 0, float(np.ceil(np.nanmax(spread) / 10) * 10), 10 if np.nanmax(spread) < 60 else 20,
                         "spread, F")
    panel.level(even.limit_k * 1.8, TRUE, f"limit {even.limit_k * 1.8:.0f} F")
    for hint in said.hints:
        panel.bar(hour(hint.said), hour(hint.over or hint.at), panel.low, panel.high, WARN, opacity=0.25)
        panel.words(hour(hint.said), panel.high, f"{hint.place}: {hint.kind}", size=10, down=12)
    panel.line(t, spread, PIT, width=1.2)
    for done in said.last.interventions:
        if done.kinds != ("fuel",):
            panel.upright(hour(done.at), "#CC79A7", dash="3 2")
            _judged(panel, done)
    canvas.text(canvas.x(0), panel.top - 4, "spread; shaded: a hint held; below: what an act did to it in 45 min, with "
                "the half width for 95 %", size=11)


def _judged(panel: Panel, done: Intervention) -> None:
    """What an intervention did to the spread, where that can be told."""
    change = done.after[-1].spread
    if change is not None and change.told and done.after[-1].separable:
        effect = difference(change.effect, "F").replace(" F", "")
        panel.words(hour(done.at), panel.low, f"{'/'.join(done.kinds)} {effect} ± {difference(change.u95, 'F')}",
                    size=10, down=-5)


def _fire(canvas: Canvas, cook: BenchCook, said: "Said") -> None:
    """The air and its band; events where they were noticed; what the fire really did."""
    if not cook.record.air:
        return
    s, fire = cook.record.air[0], said.last.fire
    t, y = _minutes(s.t, s.celsius)
    panel = canvas.panel(130, max(30.0, float(np.nanquantile(y, 0.02)) - 15), float(np.nanquantile(y, 0.995)) + 30, 50,
                         f"{s.place}, degF")
    if fire.band is not None:
        low, high = fire.band.low_c * 1.8 + 32, fire.band.high_c * 1.8 + 32
        panel.bar(0, canvas.hours, low, high, BAND, opacity=0.25)
        panel.words(canvas.hours, (low + high) / 2, "its band", colour=TRUE)
    for fade in cook.truth.fire.fades:
        panel.upright(hour(fade.begin), TRUE)
        panel.words(hour(fade.begin), panel.low, "starves", colour=TRUE, size=10, down=-3, anchor="end")
        if fade.under is not None:
            panel.upright(hour(fade.under), PLACES["point"][0])
            panel.words(hour(fade.under), panel.low, "25 F under", colour=PLACES["point"][0], size=10, down=-3)
    panel.line(t, y, PIT, width=1.0)
    for event in fire.events:
        _event(panel, event, said)
    canvas.text(canvas.x(0), panel.top - 4, "fire; shaded: warned of as fading or out, from when it was noticed; ticks "
                "at the foot: fuel seen, at the head: opened", size=11)


def _event(panel: Panel, event: FireEvent, said: "Said") -> None:
    at, span = hour(event.at), panel.high - panel.low
    if event.kind in ALARMS:
        panel.bar(hour(event.noticed), hour(event.end or said.last.at or event.noticed), panel.low, panel.high, WARN,
                  opacity=0.3)
        panel.words(hour(event.noticed), panel.high, event.kind, size=10, down=11)
    elif event.kind == "fuel":
        panel.upright(at, PIT, dash="", high=panel.low + 0.07 * span)
    elif event.kind == "opened":
        panel.upright(at, SOFT, dash="", low=panel.high - 0.07 * span)
    else:
        panel.words(at, panel.high, event.kind, size=10, down=22)
