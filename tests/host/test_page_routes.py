"""The page's routes: what they give, what they refuse, and that nothing refused is half-done."""

import gzip
import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import httpx2
import pytest
from page_world import BASE, LOGGER, SECOND, START, UP_MS, make_world
from servers import wait_until
from starlette.testclient import TestClient

from pitscribe.errors import ConfigError
from pitscribe.page.app import make_app
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch
from pitscribe.wire.frames import encode_event

# pages and files


@pytest.mark.parametrize("path", ["/", "/cooks", "/cook/1", "/nothing"])
def test_pages_are_served_whole_and_guarded(client, path):
    answer = client.get(path)
    assert answer.status_code == (404 if path == "/nothing" else 200)
    for part in ("<!doctype html>", "<meta charset", "<title>", "/static/page.css", "<nav", "<main", "<footer>"):
        assert answer.text.count(part) == 1
    assert "<!--" not in answer.text
    assert "no safety device" in answer.text
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert "http://" not in answer.text.replace("http://www.w3.org", "")
    assert "https://" not in answer.text


@pytest.mark.parametrize("path", ["/cook/99", "/nothing"])
def test_a_page_that_is_not_there_says_so_as_a_page(client, path):
    answer = client.get(path)
    assert answer.status_code == 404
    assert "Not in the ledger" in answer.text


def test_plotly_comes_from_the_installed_package_packed_and_is_not_sent_twice(client):
    first = client.get("/static/plotly.min.js")
    installed = Path(importlib.util.find_spec("plotly").submodule_search_locations[0]) / "package_data/plotly.min.js"
    assert first.content == installed.read_bytes()
    assert first.headers["content-encoding"] == "gzip"
    assert "max-age" in first.headers["cache-control"]
    again = client.get("/static/plotly.min.js", headers={"If-None-Match": first.headers["etag"]})
    assert again.status_code == 304
    assert again.content == b""


def test_a_browser_without_gzip_gets_the_same_file(client):
    plain = client.get("/static/live.js", headers={"Accept-Encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert plain.content == client.get("/static/live.js").content


@pytest.mark.parametrize("name", ["../app.py", "..%2fapp.py", "app.py", "%2e%2e/templates/live.html", "x.js"])
def test_no_name_leads_out_of_the_static_files(client, name):
    assert client.get(f"/static/{name}").status_code == 404


def test_the_server_never_imports_plotly():
    code = (
        "import sys, pitscribe.page.app, pitscribe.page.server, pitscribe.page.assets as a; a._load('plotly.min.js');"
        "sys.exit('plotly' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=60, check=False).returncode == 0


# the door


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8421", "127.0.0.1.evil.example", "", "10.0.0.5"])
def test_another_host_name_is_refused(client, host):
    assert client.get("/api/snapshot", headers={"Host": host}).status_code == 403


@pytest.mark.parametrize("host", ["localhost", "LOCALHOST:1234", "127.0.0.1:8421", "[::1]:8421"])
def test_this_machine_is_let_in(client, host):
    assert client.get("/api/cooks", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9999"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/api/cooks"),
        ("POST", "/api/cooks/1/end"),
        ("POST", "/api/cooks/1/reopen"),
        ("POST", "/api/cooks/1/notes"),
        ("PATCH", "/api/notes/1"),
        ("DELETE", "/api/notes/1"),
    ],
)
def test_a_change_that_another_site_asks_for_is_refused(world, client, headers, method, path):
    note = world.ledger.add_note(1, None, "lid")
    body = {"name": "X", "kind": "wrap"}
    assert client.request(method, path, json=body, headers=headers).status_code == 403
    assert world.ledger.notes(1) == [note]
    assert [c.ended_ms for c in world.ledger.cooks()] == [None]


def test_a_form_of_another_site_cannot_pass_for_json(world, client):
    answer = client.post("/api/cooks/1/notes", content='{"kind":"lid"}', headers={"Content-Type": "text/plain"})
    assert answer.status_code == 400
    assert world.ledger.notes(1) == []


# what is


def test_the_snapshot_tells_the_running_cook(client):
    body = client.get("/api/snapshot").json()
    assert body["cook"]["name"] == "Two briskets"
    assert body["coldest"]["place"] == "second flat"
    assert client.get("/api/snapshot?cook=1").json()["coldest"] == body["coldest"]


def test_a_cook_that_is_not_there_is_404_in_words(client):
    answer = client.get("/api/snapshot?cook=99")
    assert answer.status_code == 404
    assert "99" in answer.json()["error"]


def test_the_chart_has_each_place_with_its_extremes(world, client):
    body = client.get("/api/chart?cook=1").json()
    assert [p["place"] for p in body["places"]] == ["grate", "firebox end", "flat", "point", "tip", "second flat"]
    record = Watch(world.ledger, world.clock).record_of(1)
    for drawn, series in zip(body["places"], record.places, strict=True):
        values = [c for c in drawn["c"] if c is not None]
        assert len(drawn["t"]) <= 1204
        assert max(values) == round(float(series.celsius.max()), 2)
        assert min(values) == round(float(series.celsius.min()), 2)
    assert body["spread"]["t"]


def known(answer):
    """What a browser says that it has."""
    return f"after={answer['next']}&width={answer['width']}&kept={answer['kept']}"


def test_the_chart_sends_only_what_is_new_and_the_rest_again_when_the_width_changes(world, client):
    whole = client.get("/api/chart?cook=1").json()
    after = whole["next"]
    world.carry_on(300)
    more = client.get(f"/api/chart?cook=1&{known(whole)}").json()
    assert not more["full"]
    assert 0 < len(more["places"][0]["t"]) < 0.1 * len(whole["places"][0]["t"])
    assert min(more["places"][0]["t"]) >= after
    now = client.get("/api/chart?cook=1").json()
    for old, new, want in zip(whole["places"], more["places"], now["places"], strict=True):
        kept = [(t, c) for t, c in zip(old["t"], old["c"], strict=True) if t < after]
        assert kept + list(zip(new["t"], new["c"], strict=True)) == list(zip(want["t"], want["c"], strict=True))
    world.carry_on(30 * 3600)
    grown = client.get(f"/api/chart?cook=1&{known(more)}").json()
    assert grown["full"]
    assert grown["width"] > whole["width"]


def test_the_chart_is_sent_whole_when_something_older_has_come(tmp_path):
    world = make_world(tmp_path, hours=1, apart=("point",))
    world.away = {SECOND}
    world.carry_on(3600)
    with TestClient(make_app(world.ledger, Watch(world.ledger, world.clock), world.clock), base_url=BASE) as client:
        whole = client.get("/api/chart?cook=1").json()
        assert not client.get(f"/api/chart?cook=1&{known(whole)}").json()["full"]
        world.bring_back(SECOND)
        news = client.get(f"/api/chart?cook=1&{known(whole)}").json()
        assert news["full"]
        assert max(news["places"][3]["t"]) > START + 7100
    world.ledger.close()


def test_a_window_of_the_chart_is_finer_than_the_whole(client):
    whole = client.get("/api/chart?cook=1").json()
    part = client.get(f"/api/chart?cook=1&from={START + 3600}&to={START + 5400}").json()
    assert part["width"] < whole["width"]
    assert min(part["places"][0]["t"]) >= START + 3600
    assert max(part["places"][0]["t"]) <= START + 5400


@pytest.mark.parametrize(
    "query",
    ["", "cook=x", "cook=-1", "cook=1&from=nan", "cook=1&after=1e99", "cook=1&width=0&after=1780171200",
     "cook=1&points=9", "cook=1&from=1780175000&to=1780174000", "cook=1&from=ten", "cook=1%00"],
)
def test_a_chart_that_makes_no_sense_is_refused_in_words(client, query):
    answer = client.get(f"/api/chart?{query}")
    assert answer.status_code == 400
    assert answer.json()["error"]


def test_loggers_are_told_with_their_channels(client):
    (logger,) = client.get("/api/loggers").json()["loggers"]
    assert logger["logger"] == f"{LOGGER:08x}"
    assert [c["tc"] for c in logger["channels"]] == ["K", "K", "T", "T", "K", "K"]


# notes


def test_a_tapped_note_is_kept_at_the_hosts_time(world, client):
    made = client.post("/api/cooks/1/notes", json={"kind": "wrap"})
    assert made.status_code == 201
    assert made.json()["at"] == world.clock.now()
    (note,) = world.ledger.notes(1)
    assert (note.kind, note.text) == ("wrap", "")
    assert client.get("/api/snapshot").json()["notes"][0]["kind"] == "wrap"


def test_a_note_may_be_about_a_quarter_of_an_hour_ago_or_a_given_time(world, client):
    assert client.post("/api/cooks/1/notes", json={"kind": "lid", "ago_s": 900}).json()["at"] == world.clock.now() - 900
    assert client.post("/api/cooks/1/notes", json={"kind": "lid", "at": START + 60}).json()["at"] == START + 60


def test_a_note_is_changed_and_withdrawn(world, client):
    note = client.post("/api/cooks/1/notes", json={"kind": "text", "text": "bark set"}).json()["id"]
    changed = client.patch(f"/api/notes/{note}", json={"kind": "spritz", "text": "", "at": START + 5}).json()
    assert (changed["kind"], changed["text"], changed["at"]) == ("spritz", "", START + 5)
    assert client.delete(f"/api/notes/{note}").status_code == 200
    assert world.ledger.notes(1) == []
    assert client.delete(f"/api/notes/{note}").status_code == 404
    assert client.patch(f"/api/notes/{note}", json={"text": "again"}).status_code == 404


def test_markup_in_a_note_stays_text(client):
    text = '<img src=x onerror="alert(1)">&amp;'
    client.post("/api/cooks/1/notes", json={"kind": "text", "text": text})
    answer = client.get("/api/cooks/1/notes")
    assert answer.headers["content-type"] == "application/json"
    assert answer.json()["notes"][0]["text"] == text


BAD_NOTES = [
    {}, {"kind": "cough"}, {"kind": 3}, {"kind": "text"}, {"kind": "text", "text": "   "}, {"kind": "text", "text": 5},
    {"kind": "text", "text": "x" * 501}, {"kind": "text", "text": "bell\x07"}, {"kind": "lid", "at": "now"},
    {"kind": "lid", "at": 1e15}, {"kind": "lid", "at": True}, {"kind": "lid", "ago_s": -5},
    {"kind": "lid", "at": START, "ago_s": 5}, {"kind": "lid", "colour": "red"}, {"kind": None}, {"kind": ["lid"]},
    {"kind": "lid", "at": 10**400}, {"kind": "lid", "ago_s": -(10**400)},
]


@pytest.mark.parametrize("body", BAD_NOTES, ids=lambda b: json.dumps(b)[:40])
def test_a_note_that_makes_no_sense_is_refused_in_words_and_not_kept(world, client, body):
    answer = client.post("/api/cooks/1/notes", json=body)
    assert answer.status_code == 400
    assert answer.json()["error"]
    assert world.ledger.notes(1) == []


@pytest.mark.parametrize(
    "content", [b"", b"[1]", b'"x"', b"{", b"\xff\xfe", b'{"kind":"lid","at":NaN}', b"[" * 9000, b" " * 30_000],
    ids=lambda c: repr(c[:12]),
)
def test_a_body_that_is_no_json_object_is_refused(world, client, content):
    answer = client.post("/api/cooks/1/notes", content=content, headers={"Content-Type": "application/json"})
    assert answer.status_code == 400
    assert world.ledger.notes(1) == []


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999", "9" * 400, "9" * 9000])
def test_a_time_that_is_no_usable_number_is_refused(world, client, number):
    content = f'{{"kind":"lid","at":{number}}}'
    answer = client.post("/api/cooks/1/notes", content=content, headers={"Content-Type": "application/json"})
    assert answer.status_code == 400
    assert world.ledger.notes(1) == []


def test_a_note_for_a_cook_that_is_not_there_is_404(client):
    assert client.post("/api/cooks/7/notes", json={"kind": "lid"}).status_code == 404


@pytest.mark.parametrize(("method", "path"), [("PUT", "/api/notes/1"), ("DELETE", "/api/cooks"), ("POST", "/")])
def test_a_method_that_a_route_does_not_have_is_405(client, method, path):
    assert client.request(method, path).status_code == 405


# cooks


def test_a_cook_is_started_with_its_places_and_is_then_the_running_one(world, client):
    world.ledger.end_cook(1)
    assert client.get("/api/snapshot").json()["cook"] is None
    places = [{"logger": f"{LOGGER:08x}", "channel": 2, "place": "shoulder", "kind": "meat"}]
    made = client.post("/api/cooks", json={"name": " Pork  shoulder ", "target_c": 93.5, "places": places})
    assert made.status_code == 201
    cook = client.get("/api/snapshot").json()["cook"]
    assert (cook["name"], cook["target_c"], cook["id"]) == ("Pork shoulder", 93.5, made.json()["id"])
    (placement,) = world.ledger.placements(cook["id"])
    assert (placement.place, placement.channel, placement.probe.tc) == ("shoulder", 2, "T")


ROW = {"logger": f"{LOGGER:08x}", "channel": 2, "place": "flat", "kind": "meat"}
BAD_STARTS = [
    {}, {"name": ""}, {"name": "x" * 81}, {"name": "a\x00b"}, {"name": "X", "target_c": "hot"},
    {"name": "X", "target_c": 203}, {"name": "X", "target_c": 101}, {"name": "X", "target_c": 10**400},
    {"name": "X", "places": [ROW | {"channel": 7}]}, {"name": "X", "places": "flat"},
    {"name": "X", "places": [ROW | {"channel": 1.5}]}, {"name": "X", "places": [ROW | {"logger": "zz"}]},
    {"name": "X", "places": [ROW | {"kind": "soup"}]}, {"name": "X", "places": [ROW, ROW | {"place": "tip"}]},
    {"name": "X", "places": [ROW, ROW | {"channel": 3}]}, {"name": "X", "places": [ROW | {"place": ""}]},
]


@pytest.mark.parametrize("body", BAD_STARTS, ids=lambda b: json.dumps(b)[:60])
def test_a_start_that_makes_no_sense_starts_nothing(world, client, body):
    answer = client.post("/api/cooks", json=body)
    assert answer.status_code == 400
    assert answer.json()["error"]
    assert len(world.ledger.cooks()) == 1


def test_a_cook_is_ended_listed_and_reopened(world, client):
    ended = client.post("/api/cooks/1/end", json={}).json()
    assert ended["ended"] == world.clock.now()
    (listed,) = client.get("/api/cooks").json()["cooks"]
    assert listed["ended"] == world.clock.now()
    assert client.get("/api/snapshot").json()["cook"] is None
    assert client.get("/api/snapshot?cook=1").json()["coldest"]["fresh"]
    assert client.post("/api/cooks/1/reopen", json={}).json()["ended"] is None
    assert client.get("/api/snapshot").json()["cook"]["id"] == 1


def test_a_cook_cannot_end_before_it_began(client):
    assert client.post("/api/cooks/1/end", json={"at": START - 5}).status_code == 400


def test_a_ledger_that_cannot_be_used_is_told_as_such(world, client):
    world.ledger.close()
    answer = client.get("/api/cooks")
    assert answer.status_code == 503
    assert "closed" in answer.json()["error"]


# the event stream, over a real server


@pytest.fixture
def served(world):
    watch = Watch(world.ledger, world.clock, every_s=0.05)
    watch.step()  # so that there is a snapshot before anybody listens
    server = PageServer(make_app(world.ledger, watch, world.clock, beat_s=0.2))
    watch.start()
    server.start()
    yield server
    server.stop()
    watch.stop()


def events(lines):
    """(event, id, data) of each server-sent event."""
    event = {}
    for line in lines:
        if line:
            name, _, value = line.partition(": ")
            event[name] = value
        elif "event" in event:
            yield event["event"], event.get("id"), json.loads(event["data"])
            event = {}


@pytest.mark.parametrize("last", [None, "7", "-1", "x", "9" * 40])
def test_a_listener_gets_the_newest_snapshot_then_beats_then_news(world, served, last):
    headers = {} if last is None else {"Last-Event-ID": last}
    with httpx2.stream("GET", f"{served.url}api/events", headers=headers, timeout=60) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        stream = events(answer.iter_lines())
        name, number, body = next(stream)
        assert (name, int(number)) == ("snapshot", body["number"])
        name, _, beat = next(e for e in stream if e[0] == "beat")
        assert beat == {"now": world.clock.now()}
        httpx2.post(f"{served.url}api/cooks/1/notes", json={"kind": "fuel"}).raise_for_status()
        news = next(e for e in stream if e[0] == "change" and e[2].get("notes"))
        assert news[2]["notes"][0]["kind"] == "fuel"


def test_what_a_stream_tells_adds_up_to_the_newest_snapshot_and_the_changes_are_small(world, served):
    with httpx2.stream("GET", f"{served.url}api/events", timeout=60) as answer:
        stream = events(answer.iter_lines())
        _, _, whole = next(stream)
        sizes, seen = [], 0
        for minute in range(4):
            world.carry_on(10)
            for name, _, data in stream:
                if name == "change":
                    whole |= data
                    sizes.append(len(json.dumps(data)))
                    if data.get("newest", 0) >= world.clock.now() - 11:
                        break
            seen += minute
        told = httpx2.get(f"{served.url}api/snapshot", timeout=60).json()
        for name, _, data in stream:
            if whole["number"] >= told["number"]:
                break
            whole |= data if name == "change" else {}
    assert seen
    assert whole.keys() == told.keys()
    assert {k: whole[k] for k in whole if k not in ("number", "now")} == {
        k: told[k] for k in told if k not in ("number", "now")
    }
    # Within a minute nothing but the numbers themselves changes.
    assert min(sizes) < len(json.dumps(told)) / 4


def test_a_listener_that_is_up_to_date_is_not_sent_the_same_again(served):
    with httpx2.stream("GET", f"{served.url}api/events", timeout=60) as answer:
        # The forecasts are the last that comes of readings that stand.
        told = (e for e in events(answer.iter_lines()) if e[0] != "beat")
        number = next(number for _, number, parts in told if parts.get("forecasts"))
    with httpx2.stream("GET", f"{served.url}api/events", headers={"Last-Event-ID": number}, timeout=60) as answer:
        assert next(events(answer.iter_lines()))[0] == "beat"


def test_a_page_that_listens_does_not_hold_the_server_up(world):
    watch = Watch(world.ledger, world.clock)
    app = make_app(world.ledger, watch, world.clock)
    server = PageServer(app, grace_s=600)  # nothing is cut: the stream must be ended, or the server goes on
    server.start()
    with httpx2.stream("GET", f"{server.url}api/events", timeout=60) as answer:
        stream = events(answer.iter_lines())
        next(stream)
        server.stop()
        list(stream)  # ended by the host, not cut
    wait_until("the server has ended", lambda: not server.running)
    assert app.state.hub.listeners == 0


def test_a_port_in_use_is_told_in_one_line(world, served):
    app = make_app(world.ledger, Watch(world.ledger, world.clock), world.clock)
    with pytest.raises(ConfigError, match=rf"port {served.port} .*in use"):
        PageServer(app, served.port)


def test_json_is_packed_for_the_wire(served):
    answer = httpx2.get(f"{served.url}api/chart?cook=1", headers={"Accept-Encoding": "gzip"})
    assert answer.headers["content-encoding"] == "gzip"
    raw = httpx2.get(f"{served.url}api/chart?cook=1", headers={"Accept-Encoding": "identity"})
    assert len(gzip.compress(raw.content, 3)) < 0.5 * len(raw.content)
    assert raw.json() == answer.json()


def test_a_note_made_at_the_logger_is_listed_counted_and_can_be_changed_and_withdrawn(world, client):
    began = world.ledger.cook(1).started_ms
    for uptime, kind in ((UP_MS + 60_000, "wrap"), (UP_MS + 90_000, "lid")):
        world.send(encode_event(world._key(LOGGER), uptime, "note", {"kind": kind, "text": ""}))
    wrap, lid = client.get("/api/cooks/1/notes").json()["notes"]
    assert (wrap["kind"], lid["kind"]) == ("wrap", "lid")
    assert wrap["at"] == pytest.approx(began / 1000 + 60, abs=0.5)
    assert client.get("/api/cooks").json()["cooks"][0]["notes"] == 2
    changed = client.patch(f"/api/notes/{wrap['id']}", json={"kind": "boat"})
    assert changed.status_code == 200
    assert client.delete(f"/api/notes/{lid['id']}").status_code == 200
    assert [n["kind"] for n in client.get("/api/cooks/1/notes").json()["notes"]] == ["boat"]
    assert client.delete("/api/notes/-99999").status_code == 404
