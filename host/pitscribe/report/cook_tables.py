"""The tables and lists of a cook's page, each from one part of its analysis."""

from collections.abc import Callable, Mapping, Sequence

from pitscribe.cook.answers import Analysis
from pitscribe.cook.compare import Change
from pitscribe.cook.doneness import Doneness, PlaceDoneness
from pitscribe.cook.interventions import HORIZONS, TOGETHER_S, USUAL, Intervention
from pitscribe.cook.lookback import Lookback
from pitscribe.cook.phases import Phase
from pitscribe.cook.plain import degrees, difference, signed, span
from pitscribe.cook.safety import Safety
from pitscribe.cook.safety_tables import DEFER, SEES
from pitscribe.cook.safety_words import told
from pitscribe.ledger.values import Note
from pitscribe.report import html
from pitscribe.report.cook_chart import BESIDES, SHARE_WORDS, numbered
from pitscribe.report.times import Times
from pitscribe.series import SHEET_U_K, CookRecord, Stretch

NOTHING = "\N{EN DASH}"
_LETTERS = 160  # of a note's own words; the whole is in the ledger


def what_they_did(notes: Sequence[Note], done: Sequence[Intervention], unit: str, times: Times) -> str:
    """The numbered notes, and what each intervention changed against what was to be expected without it."""
    rows, shown = [], dict[float, int]()
    for i, note in enumerate(numbered(notes), 1):
        at = note.at_ms / 1000
        one = next((d for d in done if note.kind in d.kinds and d.at <= at <= d.at + TOGETHER_S), None)
        words = note.kind if not note.text else f"{note.kind}: {_short(note.text)}"
        told_of = ("", "", "", "", "")
        if one is not None:
            first = shown.setdefault(one.at, i)
            told_of = _effects(one, unit) if first == i else ("", "", "", "", f"together with no. {first}")
        rows.append((str(i), times.at(at), words, *told_of))
    heads = ("no.", "when", "what", f"spread, {unit}", f"leader, {unit}/h", f"laggard, {unit}/h", f"pit, {unit}",
             "besides")
    table = html.table(heads, rows, words=(0, 1, 2, 7))
    said = html.paragraph(
        "What each did to the spread, to the rates of leader and laggard, and to the pit within 45 min (15 where that "
        "is all that is known), less what was to be expected without it, ± 95 %. In brackets: not to be told from "
        "nothing.", "quiet small") if any(r[3] for r in rows) else ""
    some = [times.at(n.at_ms / 1000) for n in sorted(notes, key=lambda n: n.at_ms) if n.kind in BESIDES]
    words = f"Fuel, {len(some)} times (ticks at the foot of the chart): {', '.join(some)}"
    fuel = html.paragraph(words) if some else ""
    return table + said + fuel or html.paragraph("No note was made.")


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= _LETTERS else line[:_LETTERS].rstrip() + " ..."


def _effects(done: Intervention, unit: str) -> tuple[str, str, str, str, str]:
    """Of the spread, the leader's and the laggard's rates, the pit; and what is to be known besides."""
    known = [a for a in done.after if a.spread or a.leader_rate or a.laggard_rate or a.pit]
    if not known:
        return NOTHING, NOTHING, NOTHING, NOTHING, f"cannot be told: {done.after[0].why_not}"
    at = known[-1]
    besides = [f"with {kind}" for kind in done.kinds if kind in BESIDES]
    besides += [f"no spread: {at.why_not}"] if at.spread is None else []
    besides += [] if at.separable else [f"not separable from {', '.join(_hiding(done, at.overlaps))}"]
    besides += [f"in {at.minutes} min"] if at.minutes != HORIZONS[-1] else []
    return (effect(at.spread, unit), effect(at.leader_rate, unit), effect(at.laggard_rate, unit), effect(at.pit, unit),
            "; ".join(besides))


def _hiding(done: Intervention, overlaps: Sequence[str]) -> list[str]:
    """Those of the overlaps that hide what it did: fuel and lids hide but each other."""
    if all(kind in USUAL for kind in done.kinds):
        return list(overlaps)
    return [one for one in overlaps if not all(kind in USUAL for kind in one.rsplit(" ", 3)[0].split(" and "))]


def effect(change: Change | None, unit: str) -> str:
    """An effect with its half width for 95 %, in the unit: "-3.1 ± 1.2"; in brackets if it cannot be told from none."""
    if change is None:
        return NOTHING
    words = f"{signed(change.effect, unit)[:-2]} ± {difference(change.u95, unit)[:-2]}"
    return words if change.told else f"({words})"


def stalls(said: Analysis, unit: str, times: Times) -> str:
    """Each stall of each place."""
    rows = [
        (s.place, times.at(s.begin), "lasting" if s.end is None else times.at(s.end),
         NOTHING if s.end is None else span(s.end - s.begin), degrees(s.plateau_c, unit),
         f"{100 * s.probability:.0f} %", times.at(s.noticed), s.cause)
        for s in said.stalls
    ]
    heads = ("place", "begin", "end", "length", "plateau", "likely", "noticed", "why")
    return html.table(heads, rows, words=(0, 7)) or html.paragraph("No stall was seen.")


def phases(some: Sequence[Phase], unit: str, times: Times) -> str:
    """The phases, with how even each was."""
    rows = []
    for p in some:
        row = [p.kind, times.at(p.begin), "the end" if p.end is None else times.at(p.end),
               NOTHING if p.end is None else span(p.end - p.begin)]
        if p.why_not or p.mean_k is None or p.mean_u_k is None:
            rows.append((*row, p.why_not or NOTHING, "", "", "", "", ""))
            continue
        figures = [NOTHING if k is None else difference(k, unit) for k in (p.first_k, p.last_k, p.greatest_k)]
        hours = NOTHING if p.degree_hours_above is None else difference(p.degree_hours_above, unit)
        rows.append((*row, f"{difference(p.mean_k, unit)[:-2]} ± {difference(2 * p.mean_u_k, unit)}", *figures, hours,
                     f"{p.leader} / {p.laggard}"))
    heads = ("phase", "from", "to", "length", "mean spread", "first", "last", "greatest", "degree-hours over limit",
             "leads / lags")
    return html.table(heads, rows, words=(0, 9))


def foretold(back: Sequence[Lookback], target_c: float | None, unit: str, times: Times) -> str:
    """What was forecast on the way, against what came."""
    if target_c is None:
        return html.paragraph("No target was set, so nothing was forecast.")
    came = next((look.came for look in back if look.came is not None), None)
    rows = [_look(look, times, came=came is not None) for look in back]
    target = degrees(target_c, unit)
    words = (f"The coldest place reached {target} at {times.at(came)}." if came is not None else
             f"Not every place was seen to reach {target}: nothing to compare with.")
    heads = ("made at", "when", "median", "80 % range", *(("it came", "that is") if came is not None else ()))
    return html.paragraph(words) + html.table(heads, rows, words=(0, 1, 5))


def _look(look: Lookback, times: Times, *, came: bool) -> tuple[str, ...]:
    f = look.forecast
    made = SHARE_WORDS[look.share], times.at(f.made)
    if f.p50 is None:
        return *made, NOTHING, f.why_not or NOTHING, *(("", "") if came else ())
    early, late = (None if t is None else times.at(t) for t in (f.told(f.p10), f.told(f.p90)))
    said = *made, times.at(f.told(f.p50) or f.p50), f"{early or NOTHING} to {late or 'after two days'}"
    if look.late_s is None:
        return said
    off = f"{span(abs(look.late_s))} {'later' if look.late_s > 0 else 'earlier'}"
    return *said, off, "inside" if look.held else "outside"


def safety(found: Safety, unit: str) -> str:
    """Each check where it stands worst, with its source; and every caution once."""
    if found.why_not:
        return html.paragraph(f"cannot be checked: {found.why_not}")
    sources = list(dict.fromkeys((c.source, c.caution) for c in found.coldest))
    number = {source: i for i, source in enumerate(sources, 1)}
    alike: dict[tuple[str, ...], list[str]] = {}
    for c in found.coldest:
        key = c.stands, c.place, told(c.words, unit), f"[{number[c.source, c.caution]}]"
        alike.setdefault(key, []).append(c.what)
    rows = [(", ".join(what), *rest) for rest, what in alike.items()]
    lines = [f"{source}. {caution.replace(SEES, '').replace(DEFER, '').strip()}" for source, caution in sources]
    taken = html.paragraph(f"Taken for: {found.assumption}. Each check is told where it stands worst.", "small")
    return (taken + html.table(("check", "stands", "place", "why", "source"), rows, words=(0, 1, 2, 3, 4))
            + html.paragraph(found.caution, "small") + html.listed(lines, numbered=True, kind="small quiet columns"))


def doneness(found: Doneness, unit: str, times: Times) -> str:
    """How long each place was how hot, and what that is worth."""
    hot = [p for p in found.places if any(minutes > 0 for _, minutes in p.minutes_above)]
    if not hot:
        return html.paragraph("No place was hot enough for anything to be said.")
    levels = [degrees(level, unit).replace(" ", "\N{NO-BREAK SPACE}") for level, _ in hot[0].minutes_above]
    rows = [_done(p, unit, times) for p in hot]
    index = f"does as much as, at {degrees(found.reference_c, unit)}"
    heads = ("place", *(f"above {level}" for level in levels), index, "to rise when it came off", "held")
    return html.table(heads, rows) + html.paragraph(found.caution, "small quiet")


def _done(p: PlaceDoneness, unit: str, times: Times) -> tuple[str, ...]:
    above = [span(60 * minutes) if minutes else NOTHING for _, minutes in p.minutes_above]
    middle, low, high = (span(3600 * h) for h in (p.index_h, p.index_low_h, p.index_high_h))
    carry, hold = p.carry_over, p.hold
    rise = NOTHING
    if carry.pulled and carry.likely_k is not None and carry.low_k is not None and carry.high_k is not None:
        seen = "" if carry.seen_k is None else f", seen {difference(carry.seen_k, unit)}"
        rise = (f"{difference(carry.likely_k, unit)} ({difference(carry.low_k, unit)[:-2]} to "
                f"{difference(carry.high_k, unit)[:-2]}{seen})")
    held = NOTHING
    if hold.since is not None and hold.held_h is not None:
        held = f"{span(3600 * hold.held_h)} since {times.at(hold.since)}"
    return p.place, *above, f"{middle} ({low} to {high})", rise, held


def calibrations(
    record: CookRecord, stretches: Sequence[Stretch], known: str, unit: str, when: Callable[[float], str]
) -> str:
    """What each place was read with, and which record of its probe counts."""
    rows = []
    seen: set[int] = set()
    for one in stretches:
        put = one.placement
        if put.id in seen:
            continue
        seen.add(put.id)
        through = f"{put.logger:08x}, channel {put.channel}"
        probe = f"{put.probe.name} (type {put.probe.tc}, {put.probe.tolerance})"
        since = "from the start" if put.since_ms is None else f"from {when(put.since_ms / 1000)}"
        rows.append((put.place, probe, through, since, _known(one, when)))
    read = {one.placement.place for one in stretches}
    rows += [(s.place, "not known", "a table that was imported", "all the cook",
              f"none: a standard uncertainty of {difference(SHEET_U_K, unit)} is assumed")
             for s in record.places if s.place not in read]
    words = ("With what is known of the probes now: a calibration made after the cook counts for it as well."
             if known == "now" else "With what was known of the probes when they were put in their places.")
    return html.table(("place", "probe", "read by", "when", "calibration"), rows, words=(0, 1, 2, 3, 4)) + (
        html.paragraph(words, "small quiet"))


def _known(one: Stretch, when: Callable[[float], str]) -> str:
    words = "none: what its class allows is in the uncertainty"
    if one.known is not None:
        here = "" if one.known.calibrated.here else ", through another channel: its wire's part alone"
        words = f"record {one.known.record} of {when(one.known.made_ms / 1000)[:10]}{here}"
    if one.air is not None:
        words += f"; stem and lag by record {one.air.record} of {when(one.air.made_ms / 1000)[:10]}"
    return words


def caveats(record: CookRecord, said: Analysis) -> str:
    """What is wrong with the data, what could not be said, and what the page is not."""
    lines = [f"{place}: {_counts(counts)}" for place, counts in said.flag_counts.items() if counts]
    lines += [f"cannot say: {c.what} ({c.why})" for c in said.cannot_say]
    lines += record.remarks
    if record.missed or record.unplaced:
        lines.append(f"{record.missed} ticks missed by the logger, {record.unplaced} frames without a time")
    if record.contradictions:
        lines.append(f"{record.contradictions} statements of time contradict others: times may be off")
    data = html.listed(lines or ["no flag, no gap and nothing unsaid"], kind="small")
    return data + html.paragraph(
        "Computed by pitscribe from what the logger recorded. A ± holds 95 % for what is known of probes, chips and "
        "noise; where a tip really was, and what another place had, no figure knows. Phases, stalls and forecasts are "
        "judgements from the data; trust no logger alone with food safety.", "small quiet")


def _counts(counts: Mapping[str, int]) -> str:
    return "samples flagged " + ", ".join(f"{word} {n}" for word, n in counts.items())
