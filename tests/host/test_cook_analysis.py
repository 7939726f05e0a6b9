"""The analysis of a record as a whole: what it says, what it cannot say and why, the same live and replayed."""

import itertools
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from cook_kitchen import T0, Spec, cook_all, record, sense
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pitscribe.cook.analysis import analyse
from pitscribe.cook.plain import iso
from pitscribe.cook.replay import replay
from pitscribe.cook.text import summary
from pitscribe.errors import ConfigError, ReadingError
from pitscribe.metrology.flags import Flag
from pitscribe.series import Series

NAMES = ("flat", "point", "tip")


def kitchen(names=NAMES, *, every=10.0, hours=14.0, notes=((4.0, "spritz"),)):
    specs = [Spec(hours=hours, half_mm=34 + 4 * i if n != "tip" else 22, juice=0.8, crust_kg=5.0, film=18, seed=3)
             for i, n in enumerate(names)]
    truth = cook_all(specs)
    kw = {"every_s": every, "quantum": 0.25, "noise": 0.08}
    places = [sense(truth.t, truth.meat[:, i], place=n, kind="meat", seed=i, **kw) for i, n in enumerate(names)]
    places.append(sense(truth.t, truth.air[:, 0], place="grate", kind="air", seed=99, **kw))
    return record(places, notes)


REC = kitchen()
TOLD = replay(REC, 1200.0)


def changed(rec, name, **fields):
    return replace(rec, places=tuple(replace(s, **fields) if s.place == name else s for s in rec.places))


def without(rec, *names):
    return replace(rec, places=tuple(s for s in rec.places if s.place not in names))


def now(said, name):
    return next(p for p in said.places if p.place == name)


def whys(said):
    return {c.what: c.why for c in said.cannot_say}


def test_the_present_is_what_the_newest_samples_say():
    said = analyse(REC, target_c=95.0)
    flat = now(said, "flat")
    assert said.at == REC.places[0].t[-1]
    assert flat.celsius == pytest.approx(np.median(REC.places[0].celsius[-2:]), abs=0.2)
    assert flat.u_k == pytest.approx(0.8)
    assert flat.age_s == 0
    assert flat.to_target_k == pytest.approx(95.0 - flat.celsius)
    assert said.coldest.celsius == min(p.celsius for p in said.places if p.kind == "meat")
    assert said.pit.place == "grate"
    assert said.pit.level_c == pytest.approx(REC.air[0].celsius[-180:].mean(), abs=0.3)
    assert {s.place for s in said.stalls} == set(NAMES)


def test_json_has_iso_times_plain_numbers_and_no_nan():
    text = json.dumps(analyse(REC, target_c=95.0).as_json(), allow_nan=False)
    back = json.loads(text)
    assert back["at"] == iso(REC.places[0].t[-1])
    assert back["stalls"][0]["begin"].endswith("Z")
    assert isinstance(back["pit"]["level_c"], float)


@pytest.mark.parametrize("target", [205.0, -5.0, 12.0, float("nan"), float("inf")])
def test_an_absurd_target_is_refused_naming_value_and_range(target):
    with pytest.raises(ReadingError, match="30 to 100 degC"):
        analyse(REC, target_c=target)


def test_a_target_in_fahrenheit_by_mistake_is_recognised():
    with pytest.raises(ReadingError, match="203 degF would be 95 degC"):
        analyse(REC, target_c=203.0)


def test_with_no_sample_at_all_it_says_so_and_does_not_fail():
    empty = np.empty(0)
    rec = replace(REC, places=tuple(Series(s.place, s.kind, empty, empty, empty, np.empty(0, np.uint32))
                                    for s in REC.places))
    said = analyse(rec)
    assert said.at is None
    assert said.stalls == ()
    assert "no sample yet" in whys(said)["present temperature of flat"]
    assert "no sample yet" in summary(said)
    json.dumps(said.as_json(), allow_nan=False)
    json.dumps(analyse(replace(REC, places=())).as_json(), allow_nan=False)
    json.dumps(replay(replace(REC, places=())), allow_nan=False)


def test_one_place_only_gives_everything_but_the_spread():
    said = analyse(without(REC, "point", "tip"))
    assert "needs two" in whys(said)["spread"]
    assert said.coldest.place == "flat"
    assert [s.place for s in said.stalls] == ["flat"]


def test_without_a_pit_stalls_are_less_sure_and_it_says_why():
    said = analyse(without(REC, "grate"))
    assert said.pit is None
    assert all(s.probability <= 0.6 for s in said.stalls)
    assert "no air place" in whys(said)["whether a stall is the meat or the fire"]


def test_a_pit_that_falls_silent_is_told():
    pit = REC.air[0]
    said = analyse(changed(REC, "grate", celsius=np.where(pit.t > T0 + 9 * 3600, np.nan, pit.celsius)))
    assert said.pit is None
    assert "taken as it was" in whys(said)["whether a stall is the meat or the fire"]


def test_constant_data_have_no_rate_and_no_stall():
    constant = changed(REC, "flat", celsius=np.full(REC.places[0].t.size, 68.0))
    beside = analyse(constant)
    assert now(beside, "flat").celsius is None
    assert "very same" in whys(beside)["present temperature of flat"]
    assert "flat" not in {s.place for s in beside.stalls}
    said = analyse(without(constant, "point", "tip"))  # nothing tells it from a plateau
    assert now(said, "flat").celsius == 68.0
    assert now(said, "flat").rate_k_h is None
    assert "not moved" in whys(said)["rate of flat"]
    assert "flat" not in {s.place for s in said.stalls}


def test_a_probe_that_dies_is_reported_and_the_rest_goes_on():
    flat = REC.places[0]
    dead = flat.t > T0 + 8 * 3600
    flags = np.where(dead, np.uint32(Flag.OPEN), np.uint32(0)).astype(np.uint32)
    said = analyse(changed(REC, "flat", celsius=np.where(dead, np.nan, flat.celsius), flags=flags))
    gone = now(said, "flat")
    assert gone.celsius is None
    assert gone.flags == ("open",)
    assert "no good sample for 6 h 00" in whys(said)["present temperature of flat"]
    assert said.coldest.place == "point"
    assert said.flag_counts["flat"]["open"] == int(dead.sum())
    assert said.evenness.now.places == 2
    assert "flat" in {s.place for s in said.stalls}


def test_hours_without_data_are_survived_and_what_came_before_still_stands():
    whole = {(s.place, s.noticed) for s in analyse(REC.until(T0 + 5 * 3600)).stalls}
    assert whole
    places = []
    for s in REC.places:
        keep = (s.t < T0 + 5 * 3600) | (s.t > T0 + 9 * 3600)
        places.append(Series(s.place, s.kind, s.t[keep], s.celsius[keep], s.u[keep], s.flags[keep]))
    said = analyse(replace(REC, places=tuple(places)))
    assert whole <= {(s.place, s.noticed) for s in said.stalls}
    assert said.evenness.hours_known == pytest.approx(10.0, abs=0.1)


def test_a_target_above_the_pit_is_told():
    cold = changed(REC, "grate", celsius=REC.air[0].celsius - 40)
    early = cold.until(T0 + 6 * 3600)
    assert "below the target" in whys(analyse(early, target_c=95.0))["when the target is reached as the fire is"]


def test_the_order_of_places_changes_nothing():
    want = analyse(REC).as_json()
    for order in itertools.permutations(REC.places):
        got = analyse(replace(REC, places=order)).as_json()
        for said in (got, want):
            said["places"] = sorted(said["places"], key=lambda p: p["place"])
            said["cannot_say"] = sorted(said["cannot_say"], key=lambda c: c["what"])
        assert got == want


@settings(max_examples=15, deadline=None)
@given(step=st.integers(1, 40))
def test_a_replay_says_at_each_time_what_a_cut_record_says(step):
    told, t = TOLD, T0 + 1200.0 * step
    said = analyse(REC.until(t))
    by_then = [s for s in told["stalls"] if s["first_said"] <= iso(t)]
    assert [(s["place"], s["begin"], s["noticed"]) for s in by_then] == [
        (s.place, iso(s.begin), iso(s.noticed)) for s in said.stalls
    ]
    if said.evenness.now:
        at = iso(said.evenness.now.at)
        assert [h for h in told["evenness"]["history"] if h["at"] == at] == [said.as_json()["evenness"]["now"]]


def test_a_replay_has_the_keys_and_values_of_the_issue_and_is_json():
    told = json.loads(json.dumps(replay(REC, 900.0, target_c=95.0), allow_nan=False))
    assert {"stalls", "evenness", "flags"} <= told.keys()
    for stall in told["stalls"]:
        assert {"place", "begin", "noticed", "end", "plateau_c", "cause", "probability"} <= stall.keys()
        assert stall["begin"] <= stall["noticed"] <= stall["first_said"]
    assert len(told["evenness"]["history"]) > 50


@pytest.mark.parametrize("every", [0.0, -900.0, 59.0, float("nan"), float("inf")])
def test_a_replay_refuses_a_step_that_makes_no_sense(every):
    with pytest.raises(ReadingError, match="60 s or more"):
        replay(REC, every)


def test_the_summary_speaks_fahrenheit_or_celsius_and_nothing_else():
    said = analyse(REC, target_c=95.0)
    assert "203 F" in summary(said)
    celsius = summary(said, unit="C")
    assert "95.0 C" in celsius
    # A line of safety has both units, the other one in brackets: "60.0 C (140 F)".
    assert " F" not in re.sub(r" C \(\d+ F\)", " C", celsius)
    for line in ("coldest meat place", "pit (grate)", "spread", "stall at flat"):
        assert line in celsius
    with pytest.raises(ConfigError, match="unit 'K'"):
        summary(said, unit="K")


def test_every_reason_is_in_the_summary():
    said = analyse(without(REC, "point", "tip", "grate"))
    text = summary(said)
    assert said.cannot_say
    assert all(c.why in text for c in said.cannot_say)


@settings(max_examples=40, deadline=None)
@example(seed=0, keep=0.03125, bad=0.0, hours=0.75, target=None)  # places that never had a minute in common
@example(seed=0, keep=0.03125, bad=0.0, hours=0.5, target=None)
@given(
    seed=st.integers(0, 9999), keep=st.floats(0, 1), bad=st.floats(0, 1),
    hours=st.floats(0, 14), target=st.one_of(st.none(), st.floats(30, 100)),
)
def test_no_data_break_it(seed, keep, bad, hours, target):
    rng = np.random.default_rng(seed)
    places = []
    for s in REC.until(T0 + hours * 3600).places:
        some = rng.uniform(size=s.t.size) < keep
        flags = np.where(rng.uniform(size=s.t.size) < bad, rng.integers(0, 512, s.t.size), 0).astype(np.uint32)
        y = np.where(rng.uniform(size=s.t.size) < bad / 2, np.nan, s.celsius)
        places.append(Series(s.place, s.kind, s.t[some], y[some], s.u[some], flags[some]))
    said = analyse(replace(REC, places=tuple(places)), target_c=target)
    json.dumps(said.as_json(), allow_nan=False)
    assert summary(said, unit="C")
