"""What a demo's report says of the cook itself, beside what was so."""

import re
from dataclasses import replace

import numpy as np
from page_world import START, make_world

from pitscribe.commands.demo_said import finish_lines, fire_lines, safety_lines
from pitscribe.cook.analysis import analyse, forecasts_ahead
from pitscribe.cook.plain import span
from pitscribe.series import load

T = START + np.arange(0.0, 12 * 3600, 60.0)


def a_record(tmp_path, hours=8.0):
    world = make_world(tmp_path, hours=hours)
    world.ledger.set_cook(1, target_c=80.0, band_c=(112.0, 130.0))
    record = load(world.ledger, 1)
    world.ledger.close()
    return record


def test_the_finish_is_that_foretold_halfway_beside_the_truth(tmp_path):
    record = a_record(tmp_path)
    true = {s.place: np.interp(T, [START, START + 36_000], [5.0, 85.0]) for s in record.meat}
    true["flat"] = np.full(T.size, 60.0)
    lines = list(finish_lines(record, true, T, "F"))
    assert " ".join(lines[0].split()) == "done at 176 F foretold at 4 h 00 (four times in five) so it was"
    rows = {line[:17].strip(): line for line in lines[1:]}
    for f in forecasts_ahead(record.until(START + (record.places[0].t[-1] - START) / 2)):
        assert span(f.told(f.p50) - START) in rows[f.place]
    # The straight line from 5 to 85 degC is at 80 degC after 15/16 of its ten hours.
    assert rows["tip"].endswith("9 h 23")
    assert rows["flat"].endswith("not in this run")
    assert rows["coldest"].endswith("not in this run")  # not before the last of them
    del true["flat"]
    assert list(finish_lines(replace(record, cook=replace(record.cook, target_c=None)), true, T, "F")) == []


def test_the_fire_is_that_of_the_time_in_which_it_was_wanted(tmp_path):
    record = a_record(tmp_path)
    fire = analyse(record).fire
    first = next(iter(fire_lines(fire, START, "F")))
    assert re.match(r"fire +234 F to 266 F: \d+% of .+ in it, \d+% under, \d+% over; fuel seen \d+ times$", first)
    assert f"{fire.in_band_s / fire.known_s:.0%} of {span(fire.known_s)} in it" in first
    unseen = analyse(replace(record, places=record.meat)).fire
    assert list(fire_lines(unseen, START, "F")) == ["fire             unknown: no air place"]


def test_safety_is_told_by_how_it_stands_the_gravest_first(tmp_path):
    safety = analyse(a_record(tmp_path)).safety
    first, second = safety.coldest[:2]
    some = (replace(first, state="met"), replace(second, state="exceeded"), replace(first, state="not yet", value=None))
    lines = list(safety_lines(replace(safety, coldest=some)))
    assert lines == [f"safety           OVER THE LIMIT: {second.what}", f"safety           met: {first.what}"]
