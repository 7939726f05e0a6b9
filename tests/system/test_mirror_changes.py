"""What is changed later is changed in the copy, and nothing else is: asked of real servers in their own words."""

import json
from collections import defaultdict

import numpy as np
import pytest
from mirror_rig import Copy
from page_world import LOGGER, START, UP_MS, make_world
from servers import InfluxDB, VictoriaMetrics

from pitscribe.metrology.calibration import Point, Through, body_of
from pitscribe.mirror.connect import connect
from pitscribe.mirror.found import compare
from pitscribe.mirror.points import Column, SeriesName, Stream, figures, tag_value
from pitscribe.series import load


@pytest.fixture
def world(tmp_path):
    made = make_world(tmp_path, hours=1.5)
    made.ledger.set_cook(made.cook.id, target_c=None)
    yield made
    made.ledger.close()


@pytest.fixture
def copy(world, server):
    made = Copy(world, server.url)
    yield made
    made.stop()


def held(server, ledger):
    """All that a server holds of a ledger: {(measurement, place or "", cook, field): [(ms, value), ...]}."""
    found = defaultdict(list)
    if isinstance(server, InfluxDB):
        for series in server.influxql(f"SELECT * FROM /pitscribe/ WHERE ledger = '{ledger}' GROUP BY *"):
            tags = series["tags"]
            for t, *values in series["values"]:
                for field, value in zip(series["columns"][1:], values, strict=True):
                    if value is not None:
                        where = series["name"], tags.get("place", ""), tags.get("cook", ""), field
                        found[where].append((t, value))
        return found
    server.get("/internal/force_flush")
    match = f'{{__name__=~"pitscribe_.*",ledger="{ledger}"}}'
    for line in server.get("/api/v1/export", **{"match[]": match}).splitlines():
        series = json.loads(line)
        name, tags = series["metric"]["__name__"], series["metric"]
        measurement = next(m for m in MEASUREMENTS if name.startswith(f"{m}_"))
        where = measurement, tags.get("place", ""), tags.get("cook", ""), name.removeprefix(f"{measurement}_")
        found[where] += sorted(zip(series["timestamps"], series["values"], strict=True))
    return found


MEASUREMENTS = [
    f"pitscribe_{what}" for what in ("temp", "spread", "event", "note", "cook", "forecast", "logger_now", "logger")
]
BRISKETS = "1 Two briskets"


def changed(before, after):
    """The (measurement, place) of which a value is another one, or there is more or less."""
    return {where[:2] for where in before.keys() | after.keys() if before.get(where) != after.get(where)}


def is_as_read(world, copy, server, place):
    """Whether a place's temperatures there are those that the ledger has now."""
    (series,) = (s for s in load(world.ledger, world.cook.id).places if s.place == place)
    there = held(server, copy.name)["pitscribe_temp", place, f"{world.cook.id} {world.ledger.cook(1).name}", "celsius"]
    t, celsius = (np.array(column) for column in zip(*there, strict=True))
    assert np.abs(t / 1000 - series.t).max() < 0.1
    assert celsius == pytest.approx(series.celsius, abs=0.00051)


def test_a_calibration_changes_its_own_place_and_what_follows_from_it(world, copy, server):
    world.ledger.end_cook(world.cook.id)
    copy.bring()
    before = held(server, copy.name)
    points = [Point("ice", -0.8, 0.01, 50.0, 0.0, 0.02), Point("boil", 98.2, 0.01, 50.0, 99.0, 0.03)]
    (flat,) = (p for p in world.ledger.placements(world.cook.id) if p.place == "flat")
    body = body_of(points, Through("max31856", "T", 25.0))
    record = world.ledger.add_probe_record(
        flat.probe.id, "calibration", world.ledger.now_ms(), body, channel=(LOGGER, flat.channel)
    )
    written = copy.bring()
    after = held(server, copy.name)
    assert changed(before, after) == {("pitscribe_temp", "flat"), ("pitscribe_spread", "")}
    spread = "pitscribe_spread", "", BRISKETS, "kelvin"
    hours = {t // 3_600_000 for (t, was), (_, now) in zip(before[spread], after[spread], strict=True) if was != now}
    again = [t for t, _ in after[spread] if isinstance(server, VictoriaMetrics) or t // 3_600_000 in hours]
    assert written == 540 + len(again), "an hour of InfluxDB's, a series of VictoriaMetrics'"
    where = "pitscribe_temp", "flat", BRISKETS, "celsius"
    moved = [new - old for (_, old), (_, new) in zip(before[where], after[where], strict=True)]
    assert moved == pytest.approx([0.8] * 540, abs=0.03)
    is_as_read(world, copy, server, "flat")
    assert copy.both()[1:] == (copy.both()[0], 0, True)
    # withdrawn again, it is as it was, to the last digit
    world.ledger.withdraw_probe_record(flat.probe.id, record.id)
    copy.bring()
    assert held(server, copy.name) == before


def test_places_that_are_corrected_are_told_apart_and_a_name_that_is_gone_is_gone(world, copy, server):
    world.ledger.end_cook(world.cook.id)
    copy.bring()
    before = held(server, copy.name)
    places = {(p.logger, p.channel): (p.place, p.kind, "K") for p in world.ledger.placements(world.cook.id)}
    names = {"flat": "point", "point": "flat", "tip": "deckle"}
    wanted = {where: (names.get(place, place), kind, tc) for where, (place, kind, tc) in places.items()}
    world.ledger.correct_places(world.cook.id, wanted)
    written = copy.bring()
    after = held(server, copy.name)
    temps = {where[1] for where in after if where[0] == "pitscribe_temp"}
    assert temps == {"grate", "firebox end", "flat", "point", "deckle", "second flat"}
    for now, then in (("flat", "point"), ("point", "flat"), ("deckle", "tip")):
        for field in ("celsius", "u_k", "flags"):
            there, was = (some["pitscribe_temp", p, BRISKETS, field] for some, p in ((after, now), (before, then)))
            assert there == was
    assert changed(before, after) <= {("pitscribe_temp", p) for p in ("flat", "point", "tip", "deckle")}
    assert written == 3 * 540
    assert copy.both()[1:] == (copy.both()[0], 0, True)


def test_a_cook_that_is_renamed_goes_on_ends_again_and_is_dropped(world, copy, server):
    world.ledger.end_cook(world.cook.id)
    other = world.ledger.start_cook("Ribs", at=world.ledger.now_ms())
    copy.bring()
    world.ledger.set_cook(world.cook.id, name="Oak, two")
    copy.bring()
    assert {where[2] for where in held(server, copy.name)} == {"1 Oak, two", "2 Ribs", ""}
    world.ledger.end_cook(other.id)
    world.ledger.reopen_cook(world.cook.id)
    world.carry_on(1200)
    copy.bring()
    celsius = "pitscribe_temp", "flat", "1 Oak, two", "celsius"
    assert len(held(server, copy.name)[celsius]) == 660
    world.ledger.end_cook(world.cook.id, at=round((START + 1800) * 1000))  # earlier than it had been
    copy.bring()
    after = held(server, copy.name)
    assert len(after[celsius]) == 181
    assert max(t for t, _ in after[celsius]) <= (START + 1800) * 1000
    assert copy.both()[1:] == (copy.both()[0], 0, True)
    world.ledger.drop_cook(world.cook.id)
    copy.bring()
    assert {where[2] for where in held(server, copy.name)} == {"2 Ribs", ""}


def test_an_anchor_each_hour_has_nothing_written_again(world, copy, server):
    """6 ppm of drift and a host that is right to 20 ms: each moves all times by some ms, less than 0.1 s."""
    draw = np.random.default_rng(20261126)
    copy.bring(2)
    for hour in range(2, 4):
        world.carry_on(3600)
        s = world.done_s
        utc = START + s * (1 + 6e-6) + float(draw.uniform(-0.02, 0.02))
        copy.bring(2)
        whole = held(server, copy.name)
        world.send(world.anchor(LOGGER, UP_MS + round(s * 1000), utc))
        assert copy.bring(2) == 0, hour
        assert held(server, copy.name) == whole
    assert copy.both()[1:] == (copy.both()[0], 0, True)


NASTY = [
    "a,b", "a=b", "a b", 'say "hot"', "it's", "C:\\oak\\", "\\", "(a|b)[.*]",
    "Grüße, 熱い", "🔥 fire", "#1", "n\\n", "  x  ",
]


def test_names_and_texts_of_any_kind_come_back_from_the_server_as_they_were(copy, server):
    """Tags as ``tag_value`` has them; texts in full where the server keeps texts. Read plainly and by our own code."""
    link = connect(copy.address)
    texts = [*NASTY, "", 'ends with a backslash\\', '"', '\\"', "two\nlines", "x" * 4000]
    ledger = tag_value(copy.name)
    for place in NASTY:
        tags = {"ledger": ledger, "place": tag_value(place), "kind": "meat"}
        t_ms = 1_780_171_200_000 + np.arange(len(texts), dtype=np.int64)
        numbers = np.array([0.1, -0.0, np.nan, np.inf, 1e15] * 4)[: len(texts)]
        fields = {"why": Column(tuple(texts)), "probability": figures(numbers)}
        stream = Stream(SeriesName("pitscribe_event", tags), t_ms, fields)
        link.write(list(stream.lines()))
        assert compare(stream, link.held(stream, int(t_ms[0]), int(t_ms[-1])), texts=link.texts).same, place
    link.close()
    there = held(server, copy.name)
    assert {where[1] for where in there} == {tag_value(place) for place in NASTY}
    shown = [text.replace("\n", " ") for text in texts]
    for place in NASTY:
        why = [value for _, value in there["pitscribe_event", tag_value(place), "", "why"]]
        assert why == (shown if isinstance(server, InfluxDB) else [0] * len(texts))
        finite = sum(n % 5 not in (2, 3) for n in range(len(texts)))
        assert len(there["pitscribe_event", tag_value(place), "", "probability"]) == finite
