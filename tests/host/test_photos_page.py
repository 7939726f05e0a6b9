"""Photos over the page's routes: what is sent, what is refused in which words, and what is given out."""

import io
import socket
from datetime import UTC, datetime, timedelta

import pytest
from page_world import START
from photos_made import GPS, exif, jpeg, noisy, other, png, png_bomb, segments
from PIL import Image
from servers import wait_until

from pitscribe.page import photos as routes
from pitscribe.page.app import make_app
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch

pytestmark = pytest.mark.filterwarnings("ignore::Warning:PIL")

HOURS = 6.0  # of the cook, which goes on
TYPE = {"Content-Type": "image/jpeg"}
AT = "/api/cooks/1/photos"


def send(client, data=None, query="", **more):
    return client.post(AT + query, content=jpeg() if data is None else data, headers=TYPE | more)


def local(hours, east_min=0):
    """What a camera's clock shows so many hours into the cook."""
    return datetime.fromtimestamp(START + hours * 3600, UTC) + timedelta(minutes=east_min)


def test_a_photo_is_kept_listed_and_given_out_as_a_jpeg_and_nothing_else(world, client):
    answer = send(client, jpeg(noisy(800, 600), exif=exif(local(2), "+00:00")))
    assert answer.status_code == 201
    photo = answer.json()
    assert (photo["at"], photo["told"], photo["words"]) == (START + 7200, True, "")
    assert [p["id"] for p in client.get(AT).json()["photos"]] == [photo["id"]]
    for size, name in (((800, 600), "whole"), ((320, 240), "small")):
        got = client.get(f"/api/photos/{photo['id']}/{name}.jpg")
        assert got.headers["content-type"] == "image/jpeg"
        assert got.headers["x-content-type-options"] == "nosniff"
        assert "immutable" in got.headers["cache-control"]
        assert "private" in got.headers["cache-control"]
        assert Image.open(io.BytesIO(got.content)).size == size
        assert not {marker for marker, _ in segments(got.content)[0]} - {0xE0, 0xDB, 0xC0, 0xC4, 0xDA}
        assert GPS.encode() not in got.content
    (kept,) = world.ledger.photos(1)
    assert client.get(f"/api/photos/{kept.id}/whole.jpg").content == world.ledger.photo_jpeg(kept)


@pytest.mark.parametrize("east_min", [-300, 0, 330])
def test_a_photo_that_names_no_zone_is_taken_by_the_browsers_clock(client, east_min):
    photo = send(client, jpeg(exif=exif(local(3.5, east_min))), f"?east_min={east_min}").json()
    assert (photo["at"], photo["told"]) == (START + 3.5 * 3600, True)


def test_a_photo_that_tells_no_time_of_this_cook_is_of_now(client):
    photo = send(client, jpeg(exif=exif(datetime(2019, 5, 4))), "?east_min=0").json()
    assert (photo["at"], photo["told"]) == (START + HOURS * 3600, False)


def test_time_and_words_are_changed_and_the_page_is_told_at_once(client):
    photo = send(client).json()
    assert client.get("/api/snapshot").json()["photos"][0]["words"] == ""
    said = client.patch(f"/api/photos/{photo['id']}", json={"words": " <b>bark</b> set ", "at": START + 60}).json()
    assert (said["words"], said["at"]) == ("<b>bark</b> set", START + 60)
    assert [(p["words"], p["at"]) for p in client.get("/api/snapshot?cook=1").json()["photos"]] == [
        ("<b>bark</b> set", START + 60)]
    far = client.patch(f"/api/photos/{photo['id']}", json={"at": START - 2 * 86_400})
    assert (far.status_code, "more than a day before" in far.json()["error"]) == (400, True)


def test_an_erased_photo_is_off_the_page_and_not_to_be_had(client):
    photo = send(client).json()
    assert client.delete(f"/api/photos/{photo['id']}").json() == {"erased": photo["id"]}
    assert client.get("/api/snapshot").json()["photos"] == []
    for answer in (
        client.get(f"/api/photos/{photo['id']}/whole.jpg"), client.get(f"/api/photos/{photo['id']}/small.jpg"),
        client.patch(f"/api/photos/{photo['id']}", json={}), client.delete(f"/api/photos/{photo['id']}"),
    ):
        assert answer.status_code == 404
        assert "was erased" in answer.json()["error"]


def test_a_cook_whose_analysis_fails_shows_its_photos_all_the_same(world, client, monkeypatch):
    photo = send(client).json()

    def fails(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr("pitscribe.watch.facts.body", fails)
    assert [p["id"] for p in client.get("/api/snapshot").json()["photos"]] == [photo["id"]]


# what is refused


@pytest.mark.parametrize(("data", "status", "words"), [
    (b"", 400, "the photo is empty"),
    (b"<html><script>alert(1)</script></html>", 400, "send a JPEG or PNG"),
    (b"#!/bin/sh\nrm -rf /\n", 400, "send a JPEG or PNG"),
    (other("GIF"), 400, "this is a GIF file"),
    (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(400), 400, "this is a HEIC file"),
    (jpeg(noisy())[:4000], 400, "cut off or damaged"),
    (png_bomb(50_000, 50_000), 400, "far too many pixels"),
    (jpeg() + bytes(20_000_000), 413, "more than 20 MB"),
])
def test_what_is_no_photo_is_refused_in_plain_words_and_nothing_is_kept(world, client, data, status, words):
    answer = send(client, data)
    assert answer.status_code == status
    assert words in answer.json()["error"]
    assert world.ledger.photos(1) == []
    assert not world.ledger.photo_folder.exists()


def test_a_body_without_a_length_is_cut_at_the_same_limit(world, client):
    taken = []

    def parts():
        for n in range(400):  # 400 MB if anybody reads it
            taken.append(n)
            yield bytes(1_000_000)

    assert send(client, parts()).status_code == 413
    assert world.ledger.photos(1) == []


@pytest.mark.parametrize("kind", [
    "text/plain", "multipart/form-data; boundary=x", "application/x-www-form-urlencoded", "",
])
def test_a_form_of_another_site_cannot_pass_for_a_photo(world, client, kind):
    answer = client.post(AT, content=jpeg(), headers={"Content-Type": kind})
    assert answer.status_code == 400
    assert "Content-Type: image/jpeg" in answer.json()["error"]
    assert world.ledger.photos(1) == []


@pytest.mark.parametrize("headers", [{"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}])
def test_a_change_of_photos_that_another_site_asks_for_is_refused(world, client, headers):
    send(client)
    before = world.ledger.photos(1)
    assert send(client, jpeg(noisy()), **headers).status_code == 403
    assert client.patch("/api/photos/1", json={"words": "x"}, headers=headers).status_code == 403
    assert client.delete("/api/photos/1", headers=headers).status_code == 403
    assert world.ledger.photos(1) == before


@pytest.mark.parametrize("number", ["99999999999999999999999", "0x1", "-1", "two", "%20", "99", "..%2f1"])
@pytest.mark.parametrize(("method", "path"), [
    ("POST", "/api/cooks/{}/photos"), ("GET", "/api/cooks/{}/photos"), ("GET", "/api/photos/{}/whole.jpg"),
    ("GET", "/api/photos/{}/small.jpg"), ("PATCH", "/api/photos/{}"), ("DELETE", "/api/photos/{}"),
])
def test_a_number_that_no_row_has_is_not_found(client, method, path, number):
    more = {"content": jpeg(), "headers": TYPE} if method == "POST" else {"json": {}} if method == "PATCH" else {}
    assert client.request(method, path.format(number), **more).status_code == 404


@pytest.mark.parametrize("query", ["?east_min=900", "?east_min=-841", "?east_min=x", "?east_min=nan"])
def test_a_clock_that_is_nowhere_on_earth_is_refused(world, client, query):
    assert send(client, query=query).status_code == 400
    assert world.ledger.photos(1) == []


def test_the_names_that_a_browser_sends_count_for_nothing(world, client):
    send(client, png(), **{"Content-Disposition": 'attachment; filename="../../../etc/cron.d/x.html"'})
    (entry,) = world.ledger.photo_folder.iterdir()
    assert entry.name == world.ledger.photos(1)[0].file
    assert entry.suffix == ".jpg"


def test_a_file_that_was_changed_is_not_given_out(world, client):
    photo = send(client).json()
    (world.ledger.photo_folder / world.ledger.photos(1)[0].file).write_bytes(b"<script>alert(1)</script>")
    for name in ("whole", "small"):
        answer = client.get(f"/api/photos/{photo['id']}/{name}.jpg")
        assert answer.status_code == 503
        assert "was changed" in answer.json()["error"]
        assert "script" not in answer.text


# over real connections


@pytest.fixture
def server(world):
    app = make_app(world.ledger, Watch(world.ledger, world.clock), world.clock)
    made = PageServer(app)
    made.app = app
    made.start()
    yield made
    made.stop()


def begin(server, length, data=b""):
    """A browser that begins to send a photo of that length."""
    host, _, port = server.url.rstrip("/").removeprefix("http://").partition(":")
    line = socket.create_connection((host, int(port)), timeout=30)
    head = f"POST {AT} HTTP/1.1\r\nHost: {host}:{port}\r\nContent-Type: image/jpeg\r\nContent-Length: {length}\r\n\r\n"
    line.sendall(head.encode() + data)
    return line


def first_line(line):
    return line.recv(4096).split(b"\r\n")[0]


def test_a_photo_too_large_is_refused_before_it_is_sent(server):
    with begin(server, 2_000_000_000) as line:
        assert first_line(line).startswith(b"HTTP/1.1 413")


def test_a_photo_that_breaks_off_is_not_kept_and_is_no_fault_of_ours(world, server, caplog):
    data = jpeg(noisy())
    begin(server, len(data), data[:5000]).close()
    with begin(server, len(data), data) as line:
        assert first_line(line).startswith(b"HTTP/1.1 201")
    assert len(world.ledger.photos(1)) == 1
    assert "fault" not in caplog.text


def test_only_so_many_photos_are_on_their_way_at_once(world, server):
    data = jpeg()
    api = next(route.endpoint.__self__ for route in server.app.routes if route.path == "/api/photos/{photo}")
    hanging = [begin(server, len(data), data[:100]) for _ in range(routes.MOST_AT_ONCE)]
    wait_until("all are on their way", lambda: api._coming == routes.MOST_AT_ONCE)
    with begin(server, len(data), data) as line:
        assert first_line(line).startswith(b"HTTP/1.1 503")
    hanging.pop().close()
    wait_until("one is given up", lambda: api._coming < routes.MOST_AT_ONCE)
    with begin(server, len(data), data) as line:
        assert first_line(line).startswith(b"HTTP/1.1 201")
    for line in hanging:
        line.close()
    assert len(world.ledger.photos(1)) == 1


def test_a_photo_that_hangs_on_its_way_is_given_up_in_words(world, server, monkeypatch):
    monkeypatch.setattr(routes, "LONGEST_S", 0.2)
    with begin(server, 5000, jpeg()[:100]) as line:
        answer = b""
        while b"}" not in answer:
            answer += line.recv(4096)
    assert answer.startswith(b"HTTP/1.1 400")
    assert b"the photo has not come within" in answer
    assert world.ledger.photos(1) == []
