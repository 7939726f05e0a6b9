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
from pitscribe.report.plot import Drawing, Panel, Style, ticks

from .sensing import T0
from .truth import Array, BenchCook

if TYPE_CHECKING:
    from .pictures import Said

PLACES = {"flat": ("#0072B2", ""), "point": ("#D55E00", "7 3"), "tip": ("#009E73", "2 2"),
          "middle": ("#CC79A7", "9 3 2 3")}
PIT, SOFT, WARN, BAND, TRUE = "#000000", "#56B4E9", "#E69F00", "#F0E442", "#555555"
WIDTH = 960.0
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
    drawing = Drawing(cook.name, (0.0, hours), width=WIDTH, left=58.0, right=130.0, below=34.0)
    drawing.text(drawing.left, 20.0, cook.name, strong=True)
    _temperatures(drawing, cook, target_c)
    _stalls(drawing, cook, said)
    _forecasts(drawing, said, reached)
    if len(cook.record.meat) > 1:
        _spread(drawing, said)
    _fire(drawing, cook, said)
    drawing.foot([(h, f"{h:g}") for h in ticks(0.0, hours, 14)], "hours since the first sample")
    head = '<svg xmlns="http://www.w3.org/2000/svg" font-family="sans-serif" font-size="12" style="background:#fff"'
    return head + drawing.svg().removeprefix("<svg")


def _minutes(t: Array, y: Array) -> tuple[Array, Array]:
    """A series thinned to minutes: (hours, degF); broken where nothing was read for long."""
    good = np.isfinite(y)
    t, y = t[good], y[good]
    k = np.unique(np.searchsorted(t, np.arange(t[0], t[-1], 60.0)))
    hours, values = (t[k] - T0) / 3600, fahrenheit(y[k])
    values[1:][np.diff(hours) > BREAK_H] = np.nan
    return hours, values


def _temperatures(drawing: Drawing, cook: BenchCook, target_c: float) -> None:
    panel = drawing.panel(220.0, (30.0, 320.0), "degF", head=14.0, ruled=6)
    panel.level(target_c * 1.8 + 32, f"target {target_c * 1.8 + 32:.0f} F", colour=TRUE)
    for s in cook.record.air[:1]:
        panel.curve(*_minutes(s.t, s.celsius), Style(PIT, "", 1.0), s.place)
    for s in cook.record.meat:
        panel.curve(*_minutes(s.t, s.celsius), Style(*PLACES[s.place], 2.0), s.place)
    last = -9.0
    for note in cook.record.notes:
        at = hour(note.at_ms / 1000)
        if note.kind == "fuel":
            panel.upright(at, colour="#999", dash="", y=(30.0, 42.0))
            continue
        panel.upright(at, colour="#999")
        if drawing.px(at) - last > 36:
            words = note.kind if note.kind != "text" else "opened"
            drawing.text(drawing.px(at), panel.top - 4.0, words, anchor="middle")
            last = drawing.px(at)


def _stalls(drawing: Drawing, cook: BenchCook, said: "Said") -> None:
    """A row a place: grey, what was a stall for sure; coloured, what was called one; a mark where it was noticed."""
    places = [s.place for s in cook.record.meat]
    title = ("stalls: grey, one for sure (light: one may call it so); coloured, what was called one, upright where "
             "it was noticed")
    panel = drawing.panel(24.0 * len(places), (0.0, float(len(places))), title, ruled=0)
    for row, place in enumerate(reversed(places)):
        colour, _ = PLACES[place]
        for a, b in cook.truth.stalls[place].maybe:
            panel.span(hour(a), hour(b), "#e2e2e2", opacity=1.0, y=(row + 0.55, row + 0.9))
        for a, b in cook.truth.stalls[place].sure:
            panel.span(hour(a), hour(b), "#999", opacity=1.0, y=(row + 0.55, row + 0.9))
        for s in said.last.stalls:
            if s.place == place:
                end = hour(s.end or said.last.at or s.begin)
                panel.span(hour(s.begin), end, colour, opacity=1.0, y=(row + 0.12, row + 0.45))
                panel.upright(hour(s.noticed), colour=colour, dash="", y=(row, row + 0.95))
        panel.names.append((panel.py(row + 0.5), place, colour))


def _forecasts(drawing: Drawing, said: "Said", reached: float | None) -> None:
    """When the coldest place will be there, as told at each hour: median, and four times in five."""
    known = [f for f in said.forecasts if f.p50 is not None and not f.reached]
    ends = [hour(f.p90 or f.made + 48 * 3600) for f in known] + [drawing.x[1]]
    top = min(float(np.quantile(ends, 0.9)) + 1, drawing.x[1] + 14)
    title = "when the coldest place is at its target [h], as told at each time: median, and band for four in five"
    panel = drawing.panel(170.0, (0.0, top), title)
    for run in _runs(known):
        t = [hour(f.made) for f in run]
        low = [hour(f.p10 or f.made) for f in run]
        high = [hour(f.p90) if f.p90 is not None else top for f in run]
        panel.band(np.array(t), np.array(low), np.array(high), SOFT)
        panel.curve(np.array(t), np.array([hour(f.p50 or 0.0) for f in run]), Style(PLACES["flat"][0]))
    panel.curve(np.array(drawing.x), np.array(drawing.x), Style("#bbb", "2 3"), "now")
    if reached is not None:
        panel.level(hour(reached), f"was {hour(reached):.1f} h", colour=PLACES["point"][0])


def _runs(forecasts: Sequence[Forecast]) -> list[list[Forecast]]:
    """Stretches of looks without a break."""
    runs: list[list[Forecast]] = []
    for f in forecasts:
        if runs and f.made - runs[-1][-1].made < 2000:
            runs[-1].append(f)
        else:
            runs.append([f])
    return [run for run in runs if len(run) > 1]


def _spread(drawing: Drawing, said: "Said") -> None:
    even = said.last.evenness
    t, spread = (even.t - T0) / 3600, even.spread_k * 1.8
    title = "spread, F; shaded: a hint held; below: what an act did to it in 45 min, with the half width for 95 %"
    panel = drawing.panel(120.0, (0.0, float(np.ceil(np.nanmax(spread) / 10) * 10)), title)
    panel.level(even.limit_k * 1.8, f"limit {even.limit_k * 1.8:.0f} F", colour=TRUE)
    for hint in said.hints:
        panel.span(hour(hint.said), hour(hint.over or hint.at), WARN, opacity=0.25)
        panel.words(hour(hint.said), panel.y[1], f" {hint.place}: {hint.kind}", down=12.0)
    panel.curve(t, spread, Style(PIT, "", 1.2))
    for done in said.last.interventions:
        if done.kinds != ("fuel",):
            panel.upright(hour(done.at), colour="#CC79A7", dash="3 2")
            _judged(panel, done)


def _judged(panel: Panel, done: Intervention) -> None:
    """What an intervention did to the spread, where that can be told."""
    change = done.after[-1].spread
    if change is not None and change.told and done.after[-1].separable:
        effect = difference(change.effect, "F").replace(" F", "")
        words = f" {'/'.join(done.kinds)} {effect} ± {difference(change.u95, 'F')}"
        panel.words(hour(done.at), panel.y[0], words, down=-5.0)


def _fire(drawing: Drawing, cook: BenchCook, said: "Said") -> None:
    """The air and its band; events where they were noticed; what the fire really did."""
    if not cook.record.air:
        return
    s, fire = cook.record.air[0], said.last.fire
    t, y = _minutes(s.t, s.celsius)
    ends = max(30.0, float(np.nanquantile(y, 0.02)) - 15), float(np.nanquantile(y, 0.995)) + 30
    title = (f"{s.place}, degF; shaded: warned of as fading or out, from when it was noticed; ticks at the foot: fuel "
             "seen, at the head: opened")
    panel = drawing.panel(130.0, ends, title)
    if fire.band is not None:
        low, high = fire.band.low_c * 1.8 + 32, fire.band.high_c * 1.8 + 32
        panel.span(*drawing.x, BAND, opacity=0.25, y=(max(low, ends[0]), min(high, ends[1])))
        panel.names.append((panel.py((low + high) / 2), "its band", TRUE))
    for fade in cook.truth.fire.fades:
        panel.upright(hour(fade.begin), colour=TRUE)
        panel.words(hour(fade.begin), panel.y[0], "starves ", colour=TRUE, down=-3.0, anchor="end")
        if fade.under is not None:
            panel.upright(hour(fade.under), colour=PLACES["point"][0])
            panel.words(hour(fade.under), panel.y[0], " 25 F under", colour=PLACES["point"][0], down=-3.0)
    panel.curve(t, y, Style(PIT, "", 1.0))
    for event in fire.events:
        _event(panel, event, said)


def _event(panel: Panel, event: FireEvent, said: "Said") -> None:
    at, (low, high) = hour(event.at), panel.y
    if event.kind in ALARMS:
        panel.span(hour(event.noticed), hour(event.end or said.last.at or event.noticed), WARN, opacity=0.3)
        panel.words(hour(event.noticed), high, f" {event.kind}", down=11.0)
    elif event.kind == "fuel":
        panel.upright(at, colour=PIT, dash="", y=(low, low + 0.07 * (high - low)))
    elif event.kind == "opened":
        panel.upright(at, colour=SOFT, dash="", y=(high - 0.07 * (high - low), high))
    else:
        panel.words(at, high, f" {event.kind}", down=22.0)
