"""What is shown of a cook as SenML packs, by the rules of RFC 8428: what may be said, and what must not be any more."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from page_world import LOGGER, OPEN_BIT, START
from senml_rules import BadPackError, resolve

from pitscribe.errors import StoreError
from pitscribe.neighbours.packs import FORECAST_OLD_S, packs_of
from pitscribe.neighbours.senml import Record, name_of, pack

NOW = 1_780_000_000.0
HOST = 0x1A2B3C4D


# the reader of the tests itself


@pytest.mark.parametrize(
    ("text", "records"),
    [  # the first two are after examples of the RFC's section 5.1, from memory
        (
            '[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]',
            [("urn:dev:ow:10e2073a01080063", NOW, "Cel", 23.1)],
        ),
        (
            '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V",'
            '"v":120.1},{"n":"current","t":5,"v":1.2}]',
            [
                ("urn:dev:ow:10e2073a0108006:voltage", 1276020076.001, "V", 120.1),
                ("urn:dev:ow:10e2073a0108006:current", 1276020081.001, "A", 1.2),
            ],
        ),
        ('[{"bn":"a","bv":20,"v":1},{"n":"b","v":2},{"n":"c","vs":""}]',
         [("a", NOW, None, 21), ("ab", NOW, None, 22), ("ac", NOW, None, "")]),
        ('[{"n":"a","t":-5,"vb":true,"unknown":1}]', [("a", NOW - 5, None, True)]),
    ],
)
def test_the_reader_resolves_packs_as_the_rfc_says(text, records):
    assert [(r.name, r.time, r.unit, r.value) for r in resolve(text.encode(), NOW)] == records


@pytest.mark.parametrize(
    ("text", "section"),
    [
        ('{"n":"a","v":1}', "5"), ("[]", "3"), ('[{"n":"a","v":NaN}]', "5"), ('[{"n":"a","v":"1"}]', "table 4"),
        ('[{"n":"a","v":true}]', "table 4"), ('[{"n":"a b","v":1}]', "4.5.1"), ('[{"v":1}]', "4.5.1"),
        ('[{"n":"_a","v":1}]', "4.5.1"), ('[{"n":"ä","v":1}]', "4.5.1"), ('[{"n":"a"}]', "4.2"),
        ('[{"n":"a","v":1,"vs":"1"}]', "4.2"), ('[{"n":"a","u":"degC","v":1}]', "12.1"),
        ('[{"n":"a","v":1,"must_":1}]', "4.4"), ('[{"bver":11,"n":"a","v":1}]', "4.4"),
        ('[{"n":"a","v":1,"bx":1}]', "4.4"), ('[{"n":"a","t":2e9,"v":1},{"n":"b","t":1e9,"v":1}]', "4.6"),
    ],
)
def test_the_reader_refuses_what_the_rfc_does_not_allow(text, section):
    with pytest.raises(BadPackError, match=section):
        resolve(text.encode(), NOW)


# names and packs


def unescape(name):
    head, *rest = name.split("_")
    return b"".join([head.encode(), *(bytes([int(r[:2], 16)]) + r[2:].encode() for r in rest)]).decode()


@given(st.text(min_size=1, max_size=40).filter(lambda t: t.isprintable() or "\n" in t))
@settings(max_examples=200, deadline=None)
def test_any_name_of_a_place_becomes_one_that_the_rfc_allows_and_can_be_had_back(place):
    name = name_of(place)
    resolve(pack(f"pitscribe:00c0ffee:{name}:", NOW, [Record("temperature", 1.0, "Cel")]), NOW)
    assert unescape(name) == place
    assert not set(name) & set(":/."), "these separate; a dot is no part of a hub's object"


@given(
    st.floats(2**28, 4e9), st.floats(0.1, 1e5),
    st.lists(st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.text(max_size=20), st.booleans()),
             min_size=1, max_size=5),
)
@settings(max_examples=200, deadline=None)
def test_a_pack_says_what_was_put_into_it_at_its_time(at, update_s, values):
    records = [Record(f"r{i}", v, "K" if isinstance(v, float) else None) for i, v in enumerate(values)]
    read = resolve(pack("b:", at, records, update_s), 0.0)
    assert [(r.name, r.value, r.unit) for r in read] == [
        (f"b:r{i}", v, "K" if isinstance(v, float) else None) for i, v in enumerate(values)
    ]
    assert all(abs(r.time - at) <= 0.0006 for r in read)
    assert [r.update_s for r in read] == [round(update_s)] + [None] * (len(values) - 1)


@pytest.mark.parametrize(("at", "value"), [(0.0, 1.0), (2**28 - 1, 1.0), (NOW, float("nan")), (NOW, float("inf"))])
def test_a_time_that_would_be_read_as_relative_and_a_number_that_is_none_are_refused(at, value):
    """Section 4.5.3: below 2^28 a time counts from "now"; a host whose clock is not set is in 1970."""
    with pytest.raises(ValueError):  # noqa: PT011
        pack("b", at, [Record("r", value)])


# of a cook


def shown(watch, world, after=0.0):
    """{topic: resolved records by the last part of their names} and the whole names, as a stranger reads them."""
    at = world.clock.now() + after
    read = {topic: resolve(payload, at) for topic, payload in packs_of(watch.now().body, at, HOST).items()}
    names = [r.name for records in read.values() for r in records]
    assert len(set(names)) == len(names), "section 4.5.1: a name is that of one thing"
    return {t.removeprefix("pitscribe/1/"): {r.name.split(":", 3)[-1]: r for r in some} for t, some in read.items()}


TEMPS = {f"{LOGGER:08x}/temp/{n}" for n in range(6)}
SPREAD, FINISH = (f"host/{HOST:08x}/{word}" for word in ("spread", "finish"))


def test_each_place_of_a_cook_is_shown_with_its_uncertainty_as_the_watch_sees_it(watch, world):
    seen = shown(watch, world)
    assert seen.keys() == TEMPS | {SPREAD}
    body = watch.now().body
    for n, place in enumerate(body["places"]):
        said = seen[f"{LOGGER:08x}/temp/{n}"]
        assert [r.name for r in said.values()] == [
            f"pitscribe:{LOGGER:08x}:{name_of(place['place'])}:{last}"
            for last in ("temperature", "uncertainty", "flags", "place")
        ]
        assert (said["temperature"].value, said["temperature"].unit) == (place["celsius"], "Cel")
        assert (said["uncertainty"].value, said["uncertainty"].unit) == (place["u"], "K")
        assert {r.time for r in said.values()} == {place["t"]}
        assert said["temperature"].update_s == place["stale_after_s"]
        assert (said["place"].value, said["flags"].value) == (place["place"], "")


def test_spread_and_finish_are_shown_as_they_are_told_on_the_page(foreseen, world):
    body, seen = foreseen.now().body, shown(foreseen, world)
    spread = seen[SPREAD]
    assert (spread["spread"].value, spread["spread"].unit) == (body["spread"]["kelvin"], "K")
    assert (spread["spread:hottest"].value, spread["spread:coldest"].value) == ("tip", "second flat")
    finish = seen[FINISH]
    told = next(f for f in body["forecasts"] if f["place"] == "coldest")
    assert told["p50"] != finish["finish"].value, "the exact quantile is not told"
    assert finish["finish"].value.endswith(":00:00Z"), "at this width it is told to the hour"
    assert finish["finish:p10"].value < finish["finish"].value < finish["finish:p90"].value
    assert finish["finish:target"].value == 95.0
    assert finish["finish:reached"].value is False


def test_what_is_old_is_not_shown_even_if_the_watch_stands_still(watch, world):
    limit = watch.now().body["places"][0]["stale_after_s"]
    assert shown(watch, world, after=limit - 100).keys() >= TEMPS
    assert packs_of(watch.latest().body, world.clock.now() + limit + 10, HOST) == {}


def test_an_old_forecast_is_not_shown_beside_fresh_readings(foreseen, world):
    body = foreseen.now().body
    made = "2026-05-31T01:40:00Z"
    old = [{**f, "made": made} for f in body["forecasts"]]
    assert world.clock.now() == START + 6 * 3600
    assert FORECAST_OLD_S < 20 * 60
    assert not any("finish" in topic for topic in packs_of({**body, "forecasts": old}, world.clock.now(), HOST))


def test_a_probe_that_opens_is_no_longer_shown_and_the_others_are(watch, world):
    world.faults = {"point": OPEN_BIT}
    world.carry_on(1000)
    assert TEMPS - shown(watch, world).keys() == {f"{LOGGER:08x}/temp/3"}


def test_a_value_in_doubt_is_shown_with_its_flag(watch, world):
    body = watch.now().body
    noisy = [{**p, "flags": "noisy, swapped" if p["place"] == "tip" else ""} for p in body["places"]]
    packs = packs_of({**body, "places": noisy}, world.clock.now(), HOST)
    said = resolve(packs[f"pitscribe/1/{LOGGER:08x}/temp/4"], NOW)
    assert [r.value for r in said if r.name.endswith(":flags")] == ["noisy, swapped"]


def test_a_placement_that_ends_takes_its_pack_away(watch, world):
    (flat,) = (p for p in world.ledger.placements(world.cook.id) if p.place == "flat")
    world.ledger.end_placement(flat.id, until=round(world.clock.now() * 1000) - 1)
    assert TEMPS - shown(watch, world).keys() == {f"{LOGGER:08x}/temp/2"}


def test_a_probe_that_was_put_elsewhere_shows_nothing_there_before_it_was_read_there(watch, world):
    """Channel 5 goes from the second flat to another place: what was read before belongs to the old one."""
    (old,) = (p for p in world.ledger.placements(world.cook.id) if p.place == "second flat")
    now_ms = round(world.clock.now() * 1000)
    world.ledger.end_placement(old.id, until=now_ms)
    world.ledger.place(world.cook.id, old.probe, LOGGER, 5, "flank", "meat", since=now_ms)
    world.clock.at += 1
    assert f"{LOGGER:08x}/temp/5" not in shown(watch, world)
    world.carry_on(640)
    assert shown(watch, world)[f"{LOGGER:08x}/temp/5"]["place"].value == "flank"


def test_the_pack_of_a_place_follows_its_probe_to_another_channel_when_it_was_read_there(watch, world):
    places = {p.place: p for p in world.ledger.placements(world.cook.id)}
    now_ms = round(world.clock.now() * 1000)
    for place in ("second flat", "tip"):
        world.ledger.end_placement(places[place].id, until=now_ms)
    tip = places["tip"]
    world.ledger.place(world.cook.id, tip.probe, LOGGER, 5, "tip", "meat", since=now_ms)
    world.clock.at += 1
    seen = shown(watch, world)
    assert f"{LOGGER:08x}/temp/4" not in seen
    assert f"{LOGGER:08x}/temp/5" not in seen, "the newest reading of the tip is still that of channel 4"
    world.carry_on(640)
    assert shown(watch, world)[f"{LOGGER:08x}/temp/5"]["place"].value == "tip"


def test_a_cook_that_is_over_shows_nothing(watch, world):
    world.ledger.end_cook(world.cook.id)
    assert shown(watch, world) == {}


def test_an_analysis_that_fails_shows_nothing(watch, world, monkeypatch):
    def fail(*_):
        raise StoreError("the disk is gone")

    monkeypatch.setattr(world.ledger, "placements", fail)
    assert shown(watch, world) == {}


def test_nothing_is_shown_by_a_clock_that_is_not_set(foreseen, world):
    body = foreseen.now().body
    places = [{**p, "t": p["t"] - START, "placed": 0.0} for p in body["places"]]
    others = {key: {**body[key], "t": 100.0} for key in ("spread", "coldest")}
    made = [{**f, "made": "1970-01-01T05:59:00Z"} for f in body["forecasts"]]
    early = {**body, **others, "places": places, "forecasts": made}
    assert packs_of(early, world.clock.now() - START, HOST) == {}


def test_a_pack_is_small(foreseen, world):
    """A microcontroller that subscribes has 264 KB of RAM in all."""
    packs = packs_of(foreseen.now().body, world.clock.now(), HOST)
    assert max(map(len, packs.values())) < 600
    assert all(json.loads(p) for p in packs.values())
