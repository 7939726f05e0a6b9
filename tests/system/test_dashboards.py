"""Every query of every dashboard, on real servers that the mirror filled, against what the ledger says."""

import json
import math
from types import SimpleNamespace
from urllib.parse import parse_qsl

import numpy as np
import pytest
from dashboards_expected import EXPECTED
from dashboards_facts import Facts, near
from dashboards_world import LEDGER, ODD, OTHER, copy, make_ledger, make_other, write_odd
from grafana_like import Grafana
from servers import InfluxDB, VictoriaMetrics

import dashboards
from boards.variables import INFLUXQL, PROMQL
from pitscribe.mirror.points import tag_value

SERVERS = {INFLUXQL: InfluxDB, PROMQL: VictoriaMetrics}
UNITS = {"°F": "1.8", "°C": "1"}


@pytest.fixture(scope="module")
def kitchen(tmp_path_factory):
    """The ledgers, and what the forecasts of the first were."""
    folder = tmp_path_factory.mktemp("ledger")
    ledger, earlier, cook = make_ledger(folder)
    other = make_other(tmp_path_factory.mktemp("other"))
    yield SimpleNamespace(ledger=ledger, other=other, earlier=earlier, cook=cook, made={})
    ledger.close()
    other.close()


@pytest.fixture(scope="module", params=list(SERVERS))
def seen(request, kitchen, tmp_path_factory):
    """(Grafana on a server that the mirror filled, what the ledger says)"""
    server = SERVERS[request.param](tmp_path_factory.mktemp(request.param))
    server.start()
    write_odd(server)
    with pytest.MonkeyPatch.context() as patch:
        copy(kitchen.ledger, LEDGER, server, patch, kitchen.made)
        copy(kitchen.other, OTHER, server, patch, {})
    cook = kitchen.cook
    shown = kitchen.earlier.started_ms / 1000 - 300, cook.ended_ms / 1000 - 615  # a part of the later cook is after it
    grafana = Grafana(request.param, server, *shown)
    yield grafana, Facts(kitchen.ledger, LEDGER, kitchen.earlier, cook, kitchen.made.values(), shown[1])
    server.stop()


def boards(language):
    """(name, dashboard as Grafana reads it) of each."""
    for path in sorted((dashboards.HERE / language).glob("*.json")):
        yield path.stem, json.loads(path.read_text(encoding="utf-8"))


def choose(grafana, board, facts, unit="°F", **others):
    """Choose what a reader would, from what each variable offers."""
    wanted = {"ledger": LEDGER, "cook": facts.cook.tag, "earlier": facts.earlier.tag, "logger": facts.logger} | others
    grafana.chosen = {}
    for variable in board["templating"]["list"]:
        name = variable["name"]
        if variable["type"] == "datasource":
            assert variable["query"] == {INFLUXQL: "influxdb", PROMQL: "prometheus"}[grafana.language]
            continue
        offered = grafana.options(variable)
        if name == "unit":
            assert dict(offered) == UNITS
            grafana.choose(name, UNITS[unit], text=unit)
        elif variable.get("multi"):
            grafana.choose(name, *offered)
        elif name in wanted:
            assert wanted[name] in offered
            grafana.choose(name, wanted[name])
        else:
            grafana.choose(name, *(offered or [""]))


def panels(board):
    """The panels of a dashboard that ask something, by their title."""
    found = {one["title"]: one for one in board["panels"] if one.get("targets")}
    assert len(found) == sum(bool(one.get("targets")) for one in board["panels"]), "two panels of one title"
    return found


@pytest.mark.parametrize("unit", list(UNITS))
def test_every_panel_shows_what_the_ledger_says(seen, unit):
    grafana, facts = seen
    facts.in_unit(unit)
    asked = 0
    for name, board in boards(grafana.language):
        choose(grafana, board, facts, unit)
        there = panels(board)
        assert there.keys() == EXPECTED[name].keys(), name
        for title, panel in there.items():
            told = grafana.table(panel) if panel["type"] == "table" else grafana.curves(panel)
            assert told, f"{name}: {title}: nothing"
            EXPECTED[name][title](facts, told, grafana, panel)
            asked += len(panel["targets"])
    print(f"{grafana.language}, {unit}: {asked} queries of panels")


def test_variables_offer_all_ledgers_and_cooks_the_newest_first_whatever_the_time_shown(seen):
    grafana, facts = seen
    at, day = facts.cook.ended, 86400
    for far, (_, board) in ((Grafana(grafana.language, grafana.server, at + shift * day, at + (shift + 1) * day), one)
                            for shift in (-90, 90) for one in boards(grafana.language)):
        by_name = {one["name"]: one for one in board["templating"]["list"]}
        assert sorted(far.options(by_name["ledger"])) == [OTHER, LEDGER, "odd"]
        far.choose("ledger", LEDGER)
        for name in by_name.keys() & {"cook", "cooks"}:
            assert far.options(by_name[name]) == [facts.cook.tag, facts.earlier.tag]
        if "earlier" in by_name:
            for chosen, other in ((facts.cook, facts.earlier), (facts.earlier, facts.cook)):
                far.choose("cook", chosen.tag)
                assert far.options(by_name["earlier"]) == [other.tag]
    grafana.choose("ledger", LEDGER)
    logger = next(one for name, board in boards(grafana.language) if name == "loggers"
                  for one in board["templating"]["list"] if one["name"] == "logger")
    assert grafana.options(logger) == [facts.logger]


def test_cooks_are_moved_by_the_whole_minutes_between_their_starts(seen):
    grafana, facts = seen
    board = dict(boards(grafana.language))["beside"]
    choose(grafana, board, facts)
    assert grafana.fill("$apart") == str(round((facts.cook.started - facts.earlier.started) / 60)) == "120"
    choose(grafana, board, facts, cook=facts.earlier.tag, earlier=facts.cook.tag)
    assert grafana.fill("$apart") == "120"


def test_a_click_on_a_cook_leads_to_its_own_dashboard_at_its_time(seen):
    grafana, facts = seen
    there = dict(boards(grafana.language))
    choose(grafana, there["beside"], facts)
    grafana.choose("source", "store-1")
    table = panels(there["beside"])["Cooks, ${unit:text}"]
    (override,) = [one for one in table["fieldConfig"]["overrides"] if one["matcher"]["options"] == "cook"]
    (link,) = override["properties"][0]["value"]
    rows = {row["cook"]: row for row in grafana.table(table)}
    for cook in (facts.whole, facts.earlier):
        to = grafana.follow(link["url"], rows[cook.tag])
        assert to.path == f"/d/{there['cook']['uid']}"
        assert dict(parse_qsl(to.query, strict_parsing=True)) == {
            "var-source": "store-1", "var-ledger": LEDGER, "var-unit": UNITS["°F"], "var-cook": cook.tag,
            "from": f"{1000 * cook.started:.0f}", "to": f"{1000 * cook.ended:.0f}",
        }


def test_names_that_mean_something_in_queries_mean_nothing_there(seen):
    grafana, _ = seen
    board = dict(boards(grafana.language))["beside"]
    by_name = {one["name"]: one for one in board["templating"]["list"]}
    table = panels(board)["Cooks, ${unit:text}"]
    grafana.chosen = {}
    grafana.choose("unit", "1")
    grafana.choose("ledger", "odd")
    offered = grafana.options(by_name["cooks"])
    assert offered == [tag_value(f"{number} {name}") for number, name in reversed(list(enumerate(ODD, 1)))]
    for chosen in (offered, *([one] for one in offered)):
        grafana.choose("cooks", *chosen)
        begun = {row["cook"]: row["begun"] for row in grafana.table(table)}
        assert begun == {cook: 1000 * int(cook.split()[0]) for cook in chosen}
    for cook in offered:
        grafana.choose("cook", cook)
        assert grafana.options(by_name["earlier"]) == [one for one in offered if one != cook]


def test_marks_are_where_the_ledger_has_notes_events_and_stalls(seen):
    grafana, facts = seen
    found = 0
    for _, board in boards(grafana.language):
        choose(grafana, board, facts)
        for annotation in board["annotations"]["list"]:
            wanted, told = facts.marks(annotation["name"]), grafana.marks(annotation)
            found += len(told)
            if grafana.language == INFLUXQL:
                assert sorted(told) == sorted(wanted)
                continue
            # VictoriaMetrics keeps no texts, and of points of one kind within some steps one is marked
            places = {(t, tags) for t, tags, _ in wanted}
            assert {(t, tags) for t, tags, _ in told} <= places
            near_ms = 2000 * grafana.step("60s", 100)
            for t, tags in places - {(t, tags) for t, tags, _ in told}:
                assert any(tags == others and 0 < abs(t - at) <= near_ms for at, others in places), (t, tags)
    assert found > 20


def test_a_cook_without_band_and_target_shows_none(seen):
    grafana, facts = seen
    for name, board in boards(grafana.language):
        if name in ("cook", "fire"):
            choose(grafana, board, facts, cook=facts.earlier.tag)
            there = panels(board)
            if name == "fire":
                assert grafana.curves(there["Hours below, in and above the band"]) == {}
            else:
                assert grafana.curves(there["When the last place is done"]) == {}
                assert "target" not in grafana.curves(there["Meat, ${unit:text}"])
            assert sorted(grafana.curves(there["Air, ${unit:text}"])) == ["far end", "grate"]


def test_a_forecast_that_is_no_longer_the_present_one_is_not_shown(seen):
    grafana, facts = seen
    board = dict(boards(grafana.language))["cook"]
    later = Grafana(grafana.language, grafana.server, grafana.from_s, facts.cook.ended + 3600)
    choose(later, board, facts)
    assert later.curves(panels(board)["When the last place is done"]) == {}


def test_the_demo_has_every_kind_of_event_and_what_dashboards_trip_over(seen):
    _, facts = seen
    kinds = {event.kind for event in facts.whole.events}
    assert kinds == {"fuel", "opened", "spike", "fading", "out", "back"}
    assert facts.cook.stalls
    assert facts.forecasts
    assert {note.kind for note in facts.cook.notes} >= {"fuel", "spritz", "wrap", "text"}
    assert any(np.any(series.flags) for series in facts.cook.places)
    assert not set("\"'/[.") - set(facts.cook.tag)
    assert near(math.pi, math.pi + 0.001)
    assert not near(math.pi, math.pi + 0.01)
