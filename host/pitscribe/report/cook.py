"""A cook as one page to print and keep: chart, what was said of it, and on what that rests. Self-contained HTML.

Every figure is the analysis's own, told as the command line tells it. Everything that a person wrote is escaped. It
opens without a network and without a script, and an ordinary cook prints on two pages of A4 or Letter.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from pitscribe.cook.answers import Analysis
from pitscribe.cook.evenness import Evenness
from pitscribe.cook.fire import Fire
from pitscribe.cook.lookback import Lookback, begun_at, heated_until
from pitscribe.cook.plain import degrees, difference, span
from pitscribe.ledger.trialvalues import ASPECTS, Score, Weights
from pitscribe.report import html
from pitscribe.report.cook_chart import chart, spread_chart
from pitscribe.report.cook_tables import (
    calibrations,
    caveats,
    doneness,
    foretold,
    phases,
    safety,
    stalls,
    what_they_did,
)
from pitscribe.report.photos import Photos
from pitscribe.report.photos import section as photos_section
from pitscribe.report.times import Times
from pitscribe.series import CookRecord, Stretch

KG_IN_LB = 0.45359237  # kg, by definition


@dataclass(frozen=True, slots=True)
class Kept:
    """All that a cook's page is made of.

    said : the analysis of ``record``, with its forecasts;  back : what was forecast on the way
    stretches : what its series were read with;  known : "now" or "then", see ``series.load``
    photos : those that are shown
    """

    record: CookRecord
    said: Analysis
    back: tuple[Lookback, ...] = ()
    scores: tuple[Score, ...] = ()
    weights: tuple[Weights, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    known: str = "now"
    photos: Photos = field(default_factory=Photos)


def cook_html(kept: Kept, *, unit: str, when: Callable[[float], str]) -> str:
    """The page. ``unit``: "F" or "C"; ``when``: UTC s -> date and time of day, as ``commands.when.local`` writes it."""
    record, said = kept.record, kept.said
    begin, end = begun_at(record), said.at
    if begin is None or end is None:
        head = html.facts(_head(kept, unit, when))
        return html.page(record.cook.name, f"<h1>{escape(record.cook.name)}</h1>{head}"
                         + html.paragraph("Nothing was read in this cook: there is nothing to draw or to say.")
                         + photos_section(kept.photos, when))
    times = Times(when, end - begin)
    body = "".join((
        f"<h1>{escape(record.cook.name)}</h1>",
        html.facts(_head(kept, unit, when)),
        html.answers(_first(kept, unit, times)),
        html.figure(*(chart(kept.record, said, kept.back, unit, times, wide=wide) for wide in (True, False))),
        html.figure(*(spread_chart(record, said, kept.back, unit, times, wide=wide) for wide in (True, False)))
        if said.evenness.hours_known else "",
        html.section("Notes, and what they did", what_they_did(record.notes, said.interventions, unit, times)),
        html.section("Stalls", stalls(said, unit, times)),
        html.section("Phases", phases(said.phases, unit, times)),
        '<div class="beside"><div>',
        html.section("Evenness", html.listed(evenness_lines(said.evenness, unit, times))),
        html.section("What was forecast, and what came", foretold(kept.back, said.target_c, unit, times)),
        "</div>",
        html.section("Fire", html.listed(fire_lines(said.fire, unit, times))),
        "</div>",
        html.section("Safety", safety(said.safety, unit)),
        html.section("Doneness", doneness(said.doneness, unit, times)),
        html.section("Probes and their calibration", calibrations(record, kept.stretches, kept.known, unit, when)),
        html.section("Flags, gaps, and what cannot be said", caveats(record, said)),
        photos_section(kept.photos, when),
    ))
    return html.page(record.cook.name, body)


def _head(kept: Kept, unit: str, when: Callable[[float], str]) -> list[tuple[str, str]]:
    cook, at = kept.record.cook, kept.said.at
    ended = f"ended {when(cook.ended_ms / 1000)}" if cook.ended_ms is not None else (
        "not ended" + (f"; as of {when(at)}" if at is not None else ""))
    rows = [("When", f"{when(cook.started_ms / 1000)}, {ended}")]
    if cook.meats:
        rows.append(("What", "; ".join(cook.meats)))
    wanted = [f"target {degrees(cook.target_c, unit)}"] if cook.target_c is not None else []
    if cook.band_c is not None:
        wanted.append(f"fire from {degrees(cook.band_c[0], unit)} to {degrees(cook.band_c[1], unit)}")
    if wanted:
        rows.append(("Wanted", ", ".join(wanted)))
    rows += [(f"Weight, {w.place}" if w.place else "Weight", weight_words(w)) for w in kept.weights]
    if words := score_words(kept.scores):
        rows.append(("Scores of 10", words))
    return rows


def weight_words(w: Weights) -> str:
    """What a cut weighed, and its yield."""
    steps = (("bought", w.raw_kg), ("went on", w.trimmed_kg), ("came off", w.cooked_kg))
    parts = [f"{name} {kg:.2f} kg ({kg / KG_IN_LB:.1f} lb)" for name, kg in steps if kg is not None]
    if w.cooked_share is not None:
        parts.append(f"yield {100 * w.cooked_share:.0f} %")
    return ", ".join(parts)


def score_words(scores: Sequence[Score]) -> str:
    """Each aspect of each place: the mean of the tasters, and how far they were apart."""
    words = []
    for place in dict.fromkeys(s.place for s in scores):
        of = []
        for aspect in ASPECTS:
            some = [s for s in scores if (s.place, s.aspect) == (place, aspect)]
            if some:
                values = [s.value for s in some]
                many = f" ({min(values):g} to {max(values):g}, {len(values)} tasters)" if len(values) > 1 else ""
                blind = "" if all(s.blind for s in some) else ", not blind"
                of.append(f"{aspect} {np.mean(values):.1f}{many}{blind}")
        words.append((f"{place}: " if place else "") + ", ".join(of))
    return "; ".join(words)


def _first(kept: Kept, unit: str, times: Times) -> list[tuple[str, str, str]]:
    """The answers that are wanted first."""
    record, said = kept.record, kept.said
    out = []
    came = next((f for f in said.forecasts if f.place == "coldest"), None)
    begin, until = begun_at(record), heated_until(record)
    if came is not None and came.reached and came.p50 is not None and begin is not None:
        out.append(("Coldest place done", times.at(came.p50),
                    f"{degrees(came.target_c, unit)} after {span(came.p50 - begin)}"))
    elif begin is not None and until is not None:
        target = "" if said.target_c is None else f"; {degrees(said.target_c, unit)} was not reached everywhere"
        out.append(("On the heat", span(until - begin), f"until {times.at(until)}{target}"))
    stall = next((p for p in said.phases if p.kind == "stall"), None)
    if stall is not None and said.at is not None:
        lasted = "lasting" if stall.end is None else span(min(stall.end, said.at) - stall.begin)
        out.append(("Stall", lasted, f"from {times.at(stall.begin)}, where any place stalled"))
    if (g := said.evenness.greatest) is not None:
        out.append(("Greatest spread", f"{difference(g.spread_k, unit)} ± {difference(2 * g.u_k, unit)}",
                    f"at {times.at(g.at)}, {g.hottest} over {g.coldest}"))
    if said.fire.known_s:
        out.append(("Fire in its band", f"{100 * said.fire.in_band_s / said.fire.known_s:.0f} %",
                    f"of {span(said.fire.known_s)}"))
    states = [c.state for c in said.safety.coldest]
    if states:
        bad = [c.what for c in said.safety.coldest if c.state in ("exceeded", "not met")]
        met = states.count("met")
        out.append(("Safety, as far as seen", "not all met" if bad else f"{met} of {len(states)} met",
                    f"over the limit or not met: {', '.join(bad)}" if bad else
                    f"{states.count('unknown')} not known, so not safe"))
    return out


def evenness_lines(even: Evenness, unit: str, times: Times) -> list[str]:
    """How evenly it cooked, in sentences."""
    if not even.hours_known:
        return [f"cannot be said: {even.why_not}"]
    lines = []
    limit = difference(even.limit_k, unit)
    if even.degree_hours_above is not None and even.hours_above is not None:
        give = "" if even.degree_hours_u is None else f" ± {difference(2 * even.degree_hours_u, unit)[:-2]}"
        lines.append(f"above a spread of {limit} for {span(3600 * even.hours_above)} of {span(3600 * even.hours_known)}"
                     f" that are known: {difference(even.degree_hours_above, unit)[:-2]}{give} degree-hours {unit}")
    for word, one in (("greatest", even.greatest), ("at the end", even.now)):
        if one is not None:
            lines.append(
                f"{word}: {difference(one.spread_k, unit)} ± {difference(2 * one.u_k, unit)} at {times.at(one.at)}: "
                f"{one.hottest} {degrees(one.hottest_c, unit)} over {one.coldest} {degrees(one.coldest_c, unit)}")
    if even.now is not None and even.leads_since is not None and even.lags_since is not None:
        lines.append(f"{even.now.hottest} had led since {times.at(even.leads_since)}, {even.now.coldest} lagged since "
                     f"{times.at(even.lags_since)}")
    return lines


def fire_lines(fire: Fire, unit: str, times: Times) -> list[str]:
    """The fire: its band and the time in it, its fuel, and what happened to it."""
    lines = []
    if fire.band is not None and fire.known_s:
        parts = [f"{span(s)} ({100 * s / fire.known_s:.0f} %) {word}" for s, word in
                 ((fire.in_band_s, "in it"), (fire.below_s, "under"), (fire.above_s, "over"))]
        lines.append(f"band {degrees(fire.band.low_c, unit)} to {degrees(fire.band.high_c, unit)}, {fire.band.why}: "
                     f"{', '.join(parts)}")
    rhythm = fire.rhythm
    if rhythm.interval_min is not None:
        p50, p10, p90 = rhythm.interval_min
        rise = "" if rhythm.rise_k is None else f", lifting the pit by {difference(rhythm.rise_k[0], unit)}"
        lines.append(f"fuel about every {p50:.0f} min ({p10:.0f} to {p90:.0f}, of its last {rhythm.count} intervals)"
                     f"{rise}")
    fuel = sum(e.kind == "fuel" for e in fire.events)
    opened = sum(e.kind == "opened" for e in fire.events)
    lines.append(f"seen in the air: fuel {fuel} times, opened {opened} times")
    for kind in dict.fromkeys(e.kind for e in fire.events if e.kind not in ("fuel", "opened")):
        some = [e for e in fire.events if e.kind == kind]
        when = [times.at(e.at) + ("" if e.end is None else f" to {times.at(e.end)}") for e in some]
        lines.append(f"{kind} {', '.join(when)}: " + "; ".join(dict.fromkeys(e.why for e in some)))
    for g in fire.gradients:
        if g.mean_k is not None and g.u_k is not None:
            lines.append(f"{g.place} less {g.reference}, last two hours: {difference(g.mean_k, unit)} ± "
                         f"{difference(2 * g.u_k, unit)}")
    if fire.why_not:
        lines.append(f"at the end: {fire.why_not}")
    return lines
