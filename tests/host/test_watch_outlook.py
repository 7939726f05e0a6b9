"""Forecasts beside the passes: when they are made, what is shown meanwhile, and that no pass waits for one."""

import threading
from dataclasses import replace
from datetime import datetime

import pytest
from page_world import make_world

from pitscribe.cook.analysis import analyse, forecasts_ahead
from pitscribe.series import load
from pitscribe.watch import outlook
from pitscribe.watch.live import Watch
from pitscribe.watch.outlook import SHARE, Outlook

COST_S = 6.0  # of a forecast, on the clock of the test


class Bench:
    """A watch whose forecasts wait until they are told to be made, and take ``COST_S`` on a clock of the test's own."""

    def __init__(self, world, monkeypatch):
        self.world, self.work, self.real, self.made = world, [], 0.0, 0
        self.watch = Watch(world.ledger, world.clock, real=lambda: self.real, beside=self.work.append)
        self.watch._outlook.run = self.work.append  # as start() does, without its thread
        monkeypatch.setattr(outlook, "forecasts_ahead", self.make)

    def make(self, record):
        self.made += 1
        self.real += COST_S
        return forecasts_ahead(record)

    def body(self):
        return self.watch.now().body

    def do(self):
        """Make what is asked for; how many there were."""
        work, self.work[:] = self.work[:], []
        for one in work:
            one()
        return len(work)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    world = make_world(tmp_path, hours=3)
    yield Bench(world, monkeypatch)
    world.ledger.close()


def test_a_pass_waits_for_no_forecast_and_says_that_it_is_being_worked_out(bench):
    body = bench.body()
    assert body["forecasts"] == []
    unsaid = {"what": "when the target is reached", "why": "it is being worked out", "about": "forecast"}
    assert unsaid in body["cannot_say"]
    assert bench.made == 0
    bench.do()
    body = bench.body()
    assert [f["place"] for f in body["forecasts"]] == ["flat", "point", "second flat", "tip", "coldest"]
    assert not [c for c in body["cannot_say"] if c["about"] == "forecast"]


def test_what_is_shown_is_what_the_analysis_of_the_record_as_it_was_then_says(bench):
    then = analyse(load(bench.world.ledger, 1), ahead=True)
    bench.body()
    bench.do()
    bench.world.carry_on(1200)
    body = bench.body()
    assert [replaced(f) for f in body["forecasts"]] == [f.as_json() for f in then.forecasts]
    (when,) = {datetime.fromisoformat(f["made"]).timestamp() for f in body["forecasts"]}
    assert abs(when - then.at) <= 60  # to the minute
    assert body["newest"] - then.at >= 1190  # the rest of the body is of now


def replaced(forecast):
    return {key: value for key, value in forecast.items() if key != "fan"}


@pytest.mark.parametrize("cost_s", [0.2, 1.3, 6.5])
def test_forecasts_take_no_more_than_their_share_of_a_core_however_fast_readings_come(bench, monkeypatch, cost_s):
    record, times = load(bench.world.ledger, 1), []

    def costs(_):
        times.append(bench.real)
        bench.real += cost_s
        return ()

    monkeypatch.setattr(outlook, "forecasts_ahead", costs)
    analysis = analyse(record)
    look = Outlook(lambda: None, run=lambda work: work(), real=lambda: bench.real)
    for n in range(10_000):
        look.put(analysis, record, outlook.Matter("same", "same", n))
        bench.real += 0.05
    share = (len(times) - 1) * cost_s / (times[-1] - times[0])
    assert 0.9 * SHARE < share <= SHARE + 1e-9


def test_without_a_new_reading_nothing_is_made_anew(bench):
    bench.body()
    bench.do()
    bench.real += 1e6
    bench.body()
    assert bench.do() == 0


@pytest.mark.parametrize("change", ["note", "target", "band", "placement", "taken out"])
def test_what_a_person_changes_is_heeded_at_once(bench, change):
    bench.body()
    bench.do()
    ledger = bench.world.ledger
    if change == "note":
        ledger.add_note(1, None, "wrap", "paper")
    elif change == "target":
        ledger.set_cook(1, target_c=90.0)
    elif change == "band":
        ledger.set_cook(1, band_c=(107.0, 135.0))
    else:
        ledger.end_placement(ledger.placements(1)[2].id, None if change == "taken out" else ledger.now_ms() - 3_600_000)
    before = bench.body()
    assert len(bench.work) == 1
    # A forecast for another target, or of other places, is not shown for this one.
    assert bool(before["forecasts"]) == (change in ("note", "band"))
    bench.do()
    after = bench.body()
    assert {f["target_c"] for f in after["forecasts"]} == {90.0 if change == "target" else 95.0}


def test_only_one_is_made_at_a_time_and_what_changed_meanwhile_comes_next(bench):
    bench.body()
    for n in range(3):
        bench.world.ledger.add_note(1, None, "spritz", str(n))
        bench.body()
    assert len(bench.work) == 1
    bench.do()
    bench.body()
    assert bench.do() == 1
    bench.body()
    assert bench.do() == 0


def test_a_cook_without_a_target_or_that_is_over_is_not_forecast(bench):
    bench.world.ledger.set_cook(1, target_c=None)
    assert bench.body()["forecasts"] == []
    bench.world.ledger.set_cook(1, target_c=95.0)
    bench.world.ledger.end_cook(1)
    assert bench.watch.snapshot_of(1).body["forecasts"] == []
    assert bench.work == []


def test_a_forecast_that_fails_is_told_and_the_next_readings_have_another(bench, monkeypatch, caplog):
    def broken(_):
        bench.real += 1.0
        raise RuntimeError("made to happen")

    monkeypatch.setattr(outlook, "forecasts_ahead", broken)
    bench.body()
    bench.do()
    body = bench.body()
    assert body["forecasts"] == []
    (told,) = [c for c in body["cannot_say"] if c["about"] == "forecast"]
    assert "RuntimeError: made to happen" in told["why"]
    assert len(caplog.records) == 1
    monkeypatch.setattr(outlook, "forecasts_ahead", bench.make)
    bench.world.carry_on(60)
    bench.real += 1.0 / SHARE
    bench.body()
    bench.do()
    assert bench.body()["forecasts"]


def test_the_views_of_old_cooks_are_let_go(bench):
    record = load(bench.world.ledger, 1)
    analysis, look = analyse(record), Outlook(lambda: None, run=bench.work.append)
    for n in range(20):
        cook = replace(record.cook, id=n)
        look.put(analysis, replace(record, cook=cook), outlook.Matter(n, n, n))
    assert len(look._views) == outlook.COOKS_KEPT


def test_a_running_watch_makes_them_in_a_thread_and_wakes_up_for_them(tmp_path, monkeypatch):
    world = make_world(tmp_path, hours=1)
    go, there = threading.Event(), threading.Event()

    def slow(record):
        assert go.wait(20)
        return forecasts_ahead(record)

    monkeypatch.setattr(outlook, "forecasts_ahead", slow)
    watch = Watch(world.ledger, world.clock, every_s=600.0)
    watch.listen(lambda snapshot: there.set() if snapshot.body["forecasts"] else None)
    watch.start()
    try:
        for _ in range(3):
            assert watch.now().body["forecasts"] == []  # passes go on meanwhile
        go.set()
        assert there.wait(20)  # though the next pass would be ten minutes away
    finally:
        watch.stop()
        world.ledger.close()
