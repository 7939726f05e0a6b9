"""What the ledger says that each panel must show, by dashboard and title; the same for both languages."""

import numpy as np
from dashboards_facts import good, near, windows

IN = "${unit:text}"


def same_curve(name, told, wanted, within):
    """All points there, none besides, and each right."""
    assert {t for t, _ in told} == wanted.keys(), f"{name}: other times: {len(told)}, not {len(wanted)}"
    wrong = [(t, value, wanted[t]) for t, value in told if not near(value, wanted[t], within)]
    assert not wrong, f"{name}: {len(wrong)} of {len(told)} wrong, first {wrong[0]}"


def mean(values):
    return sum(values) / len(values)


# what lines show

def _places(facts, some, scale, values=None, how=mean):
    return {one.place: lambda grafana, panel, one=one: {
        t: scale(v) for t, v in windows(grafana, panel, *good(one, values(one) if values else None), how).items()}
        for one in some}


def curves(lines, within=0.004):
    """A panel of lines: name -> function of (grafana, panel) that gives its points, or the level of a level one."""

    def check(facts, told, grafana, panel):
        wanted = lines(facts)
        assert told.keys() == wanted.keys()
        for name, points in told.items():
            if callable(wanted[name]):
                same_curve(name, points, wanted[name](grafana, panel), within)
                continue
            assert all(near(value, wanted[name]) for _, value in points), name
            assert points[0][0] < facts.cook.started + 300 + 60
            assert points[-1][0] >= grafana.to_s - 300, f"{name}: ends too soon"

    return check


def numbers(lines, within=0.004):
    """A panel of numbers: name -> value. InfluxQL has no row for a count of nothing."""

    def check(facts, told, grafana, panel):
        wanted = lines(facts)
        assert told.keys() <= wanted.keys()
        for name, value in wanted.items():
            if name not in told:
                assert value <= within
                continue
            (_, found), = told[name]
            assert near(found, value, within), f"{panel['title']}: {name}: {found}, not {value}"

    return check


def meat_curves(of="cook"):
    def lines(facts):
        cook = getattr(facts, of)
        return _places(facts, cook.meat, facts.t)

    return lines


def meat_and_target(facts):
    return meat_curves()(facts) | {"target": facts.t(facts.cook.cook.target_c)}


def air_and_band(facts):
    low, high = facts.cook.cook.band_c
    return _places(facts, facts.cook.air, facts.t) | {"band, low": facts.t(low), "band, high": facts.t(high)}


def spread_curve(of):
    def lines(facts):
        cook = getattr(facts, of)
        return {"spread": lambda grafana, panel: {
            t: facts.k(v) for t, v in windows(grafana, panel, cook.spread_t, cook.spread, mean).items()}}

    return lines


def spread_and_its_uncertainty(facts):
    cook = facts.cook
    return spread_curve("cook")(facts) | {"standard uncertainty": lambda grafana, panel: {
        t: facts.k(v) for t, v in windows(grafana, panel, cook.spread_t, cook.spread_u, mean).items()}}


def apart(facts):
    def points(grafana, panel):
        each = [windows(grafana, panel, *good(one), mean) for one in facts.cook.air]
        times = set().union(*each)
        found = {t: [one[t] for one in each if t in one] for t in times}
        return {t: facts.k(max(some) - min(some)) for t, some in found.items()}

    return {"apart": points}


def pace(facts):
    def points(grafana, panel, one):
        means = windows(grafana, panel, *good(one), mean)
        return {t: facts.k(6 * (means[t] - means[t - 600])) for t in means if t - 600 in means}

    return {one.place: lambda grafana, panel, one=one: points(grafana, panel, one) for one in facts.cook.meat}


def swing(facts):
    return _places(facts, facts.cook.air, facts.k, how=lambda some: max(some) - min(some))


def uncertainties(facts):
    return _places(facts, facts.cook.places, facts.k, lambda one: one.expanded())


NAMES = {"p10": "one in ten is sooner", "p50": "as likely sooner as later", "p90": "one in ten is later"}


def forecasts(facts):
    made = np.array([one.made for one in facts.forecasts])

    def points(grafana, panel, field):
        values = np.array([np.nan if getattr(one, field) is None else getattr(one, field) for one in facts.forecasts])
        known = np.isfinite(values)
        newest = windows(grafana, panel, made[known], values[known], lambda some: some[-1])
        return {t: round(1000 * v) for t, v in newest.items()}

    return {name: lambda grafana, panel, field=field: points(grafana, panel, field) for field, name in NAMES.items()}


def box(field, scale, name):
    """Of the logger, whatever the cook."""

    def lines(facts):
        both = facts.earlier.box, facts.cook.box
        t = np.concatenate([one.t_ms / 1000 for one in both])
        values = np.concatenate([one.fields[field].values for one in both])
        return {name: lambda grafana, panel: {
            t: scale(facts, v) for t, v in windows(grafana, panel, t, values, mean).items()}}

    return lines


def flags(facts):
    return {f"{one.place} ({cook.tag})": lambda grafana, panel, one=one: windows(
        grafana, panel, one.t, one.flags.astype(float), max) for cook in facts.both for one in cook.places}


# what numbers show

def last(series):
    return float(good(series)[1][-1])


def hours_in_band(facts):
    low, high = facts.cook.cook.band_c
    found = {}
    for one in facts.cook.air:
        t, values = good(one)
        minutes = np.array([values[t // 60 == minute].mean() for minute in np.unique(t // 60)])
        found |= {f"{one.place}, below": (minutes < low).sum() / 60, f"{one.place}, above": (minutes > high).sum() / 60,
                  f"{one.place}, within": ((minutes >= low) & (minutes <= high)).sum() / 60}
    return found


def fire_counts(facts):
    kinds = [event.kind for event in facts.cook.events]
    return {kind: kinds.count(kind) for kind in kinds}


def splits(cook):
    return sum(note.kind == "fuel" for note in cook.notes)


def usable(facts):
    return {f"{one.place} ({cook.tag})": float(one.good().mean()) for cook in facts.both for one in cook.places}


def spread_number(of):
    return numbers(lambda facts: {"spread": facts.k(of(facts.cook.spread))})


# what tables show

def spots(wanted):
    """A table of points. ``wanted``: (UTC ms, tags, fields, texts) of each; a step of PromQL shows the last of it."""

    def check(facts, told, grafana, panel):
        all_of = sorted(wanted(facts), key=lambda one: one[0])
        rows = {}
        for ms, tags, fields, texts in all_of:
            t = ms / 1000 if grafana.language == "influxql" else float(-(-ms // 60_000) * 60)
            known = {name: value for name, value in fields.items() if value is not None}
            rows[t, *tags.values()] = {"Time": t} | tags | known | (texts if grafana.language == "influxql" else {})
        assert len(all_of) >= len(rows) >= 5
        found = {(row["Time"], *(row[name] for name in all_of[0][1])): {k: v for k, v in row.items() if v is not None}
                 for row in told}
        assert found.keys() == rows.keys()
        for key, row in rows.items():
            assert found[key].keys() == row.keys(), key
            for name, value in row.items():
                within = 0.051 if name == "probability" else 0.004  # the mirror writes tenths of it
                same = near(found[key][name], value, within) if isinstance(value, float) else found[key][name] == value
                assert same, (key, name, found[key][name], value)

    return check


def notes(facts):
    return [(n.at_ms, {"kind": n.kind}, {"id": n.id}, {"text": n.text}) for n in facts.cook.notes]


def fire_events(facts):
    return [(round(e.at * 1000), {"place": "fire", "kind": e.kind},
             {"probability": e.probability, "lasted_s": None if e.end is None else e.end - e.at}, {"why": e.why})
            for e in facts.cook.events]


def all_events(facts):
    return fire_events(facts) + [
        (round(s.begin * 1000), {"place": s.place, "kind": "stall"},
         {"probability": s.probability, "lasted_s": None if s.end is None else s.end - s.begin}, {"why": s.cause})
        for s in facts.cook.stalls]


def only_kind(wanted):
    return lambda facts: [(t, {"kind": tags["kind"]}, fields, texts) for t, tags, fields, texts in wanted(facts)]


def cooks(facts, told, grafana, panel):
    found = {row.pop("cook"): {name: value for name, value in row.items() if value is not None} for row in told}
    assert found.keys() == {facts.cook.tag, facts.earlier.tag}
    for cook in (facts.whole, facts.earlier):
        wanted = {
            "begun": cook.started * 1000, "ended": cook.ended * 1000, "took": cook.ended - cook.started,
            "air, mean": facts.t(np.concatenate([good(one)[1] for one in cook.air]).mean()),
            "spread, mean": facts.k(cook.spread.mean()), "spread, largest": facts.k(cook.spread.max()),
            "spread, summed up, h": facts.k(cook.spread.sum() / 60), "splits": splits(cook),
        }
        if cook.cook.target_c is not None:
            wanted["target"] = facts.t(cook.cook.target_c)
        if lasted := [one.end - one.begin for one in cook.stalls if one.end is not None]:
            wanted["longest stall"] = max(lasted)
        assert found[cook.tag].keys() == wanted.keys()
        for name, value in wanted.items():
            assert near(found[cook.tag][name], value), f"{cook.tag}: {name}: {found[cook.tag][name]}, not {value}"


MEAT, AIR = curves(meat_and_target), curves(air_and_band)
ONE = {"State": ("state", 1), "Journal lasts, h": ("journal lasts, h", 21.5),
       "Frames that wait": ("frames that wait", 3), "Frames lost": ("frames lost", 0),
       "Ticks missed": ("ticks missed", 2)}

EXPECTED = {
    "cook": {
        f"Coldest place in the meat, {IN}": numbers(lambda f: {"coldest": f.t(min(last(one) for one in f.cook.meat))}),
        "When the last place is done": numbers(
            lambda f: {name: 1000 * getattr(f.forecasts[-1], field) for field, name in NAMES.items()}, 1.0),
        f"Air now, {IN}": numbers(lambda f: {one.place: f.t(last(one)) for one in f.cook.air}),
        f"Spread now, {IN}": spread_number(lambda spread: spread[-1]),
        f"Meat, {IN}": MEAT,
        f"Air, {IN}": AIR,
        "Forecasts of when the last place is done": curves(forecasts),
        f"How sure a reading is, ± {IN}": curves(uncertainties),
        "Notes": spots(notes),
        "Stalls, and what the fire did": spots(all_events),
    },
    "fire": {
        "Hours below, in and above the band": numbers(hours_in_band, 0.05),
        "Splits laid": numbers(lambda f: {"splits": splits(f.cook)}),
        "What was found of the fire": numbers(fire_counts),
        f"Air, {IN}": AIR,
        f"Swing within an hour, {IN}": curves(swing),
        f"From the hottest place to the coldest, {IN}": curves(apart),
        "What the fire did": spots(only_kind(fire_events)),
    },
    "evenness": {
        f"Spread, {IN}": spread_number(lambda spread: spread[-1]),
        f"Spread, mean, {IN}": spread_number(np.mean),
        f"Spread, largest, {IN}": spread_number(np.max),
        f"Spread, summed up, {IN} h": spread_number(lambda spread: spread.sum() / 60),
        f"Places in the meat, {IN}": numbers(lambda f: {one.place: f.t(last(one)) for one in f.cook.meat}),
        f"Spread so far, {IN}": curves(spread_and_its_uncertainty),
        f"Meat, {IN}": MEAT,
        f"Pace, {IN} an hour": curves(pace, 0.011),  # six times the difference of two figures, in °F
    },
    "loggers": {
        **{title: numbers(lambda f, said=said: dict([said])) for title, said in ONE.items()},
        f"Temperature in the box, {IN}": curves(box("box_celsius", lambda f, v: f.t(v), "box")),
        "Readings a minute": curves(box("samples", lambda f, v: v, "readings")),
        "Readings that may be used": numbers(usable),
        "What is wrong with readings": curves(flags),
    },
    "beside": {
        f"Cooks, {IN}": cooks,
        **{f"Meat of ${{{of}}}, {IN}": curves(meat_curves(of)) for of in ("cook", "earlier")},
        **{f"Air of ${{{of}}}, {IN}": curves(lambda f, of=of: _places(f, getattr(f, of).air, f.t))
           for of in ("cook", "earlier")},
        **{f"Spread of ${{{of}}}, {IN}": curves(spread_curve(of)) for of in ("cook", "earlier")},
    },
}
