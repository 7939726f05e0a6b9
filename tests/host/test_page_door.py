"""The door of the page: nobody comes in from elsewhere without the password, and what it keeps is kept from others."""

import json
import logging
import stat
import string

import httpx2
import pytest
from hypothesis import given
from hypothesis import strategies as st
from page_world import make_world
from starlette.routing import Route
from starlette.testclient import TestClient

from pitscribe.errors import ConfigError
from pitscribe.listening import is_loopback
from pitscribe.page.app import make_app
from pitscribe.page.door import sessions
from pitscribe.page.door.door import Door, link_of
from pitscribe.page.door.guard import OPEN
from pitscribe.page.door.lock import FILE_NAME, LINK_S, Lock
from pitscribe.page.door.patience import FREE, LONGEST_S, Patience
from pitscribe.page.server import PageServer
from pitscribe.watch.live import Watch

ELSEWHERE = "http://192.168.1.5:8421"
PASSWORD = "ash oak and a slow fire"
URL_SAFE = string.ascii_letters + string.digits + "-_"


class House:
    """A page that the network may open, with clocks that a test sets."""

    def __init__(self, folder, world, **said):
        self.now, self.real, self.folder = 1_800_000_000.0, 100.0, folder
        self.door = Door.with_password(folder, now=lambda: self.now, real=lambda: self.real, **said)
        self.app = make_app(world.ledger, Watch(world.ledger, world.clock), world.clock, door=self.door)

    def client(self, address="192.168.1.20", base=ELSEWHERE):
        headers = {"Origin": base}
        return TestClient(self.app, base, client=(address, 50000), headers=headers, follow_redirects=False)

    def set_password(self, password=PASSWORD):
        word = self.door.lock.new_link(self.now)
        return self.client().post("/api/first", json={"word": word, "password": password})

    def inside(self):
        client = self.client()
        assert client.post("/api/enter", json={"password": PASSWORD}).status_code == 200
        return client


@pytest.fixture
def world(tmp_path):
    made = make_world(tmp_path, hours=0.1)
    yield made
    made.ledger.close()


@pytest.fixture
def house(tmp_path, world):
    return House(tmp_path, world)


def paths_of(app):
    for route in app.routes:
        assert isinstance(route, Route), "a mount would need its own look"
        for method in sorted(route.methods - {"HEAD"}):
            path = route.path.replace("{name}", "live.js")
            for one in ("{cook}", "{note}", "{alert}", "{placement}", "{trial}", "{photo}", "{piece}", "{tasting}"):
                path = path.replace(one, "1")
            path = path.replace("{taster}", "1")
            assert "{" not in path, f"say what stands for the parameter in {route.path}"
            yield method, path


def test_every_route_but_the_entrance_is_shut_to_who_has_no_session(house, world):
    house.set_password()
    seen = 0
    for method, path in paths_of(house.app):
        answer = house.client().request(method, path, json={} if method != "GET" else None)
        if path in OPEN:
            continue
        seen += 1
        assert answer.status_code in (303, 401), f"{method} {path} answers {answer.status_code}"
        assert "0.1" not in answer.text or len(answer.text) < 200
        if answer.status_code == 303:
            assert answer.headers["location"] == "/enter"
    assert seen >= 12
    assert world.ledger.cooks()[0].ended_ms is None


def test_the_entrance_is_no_way_to_what_is_inside(house):
    """Each path that is open without a session gives a form, a file of the form, or a refusal."""
    house.set_password()
    for path in sorted(OPEN):
        answer = house.client().get(path)
        assert answer.status_code in (200, 404, 405), path
        assert "celsius" not in answer.text


def test_the_password_opens_and_the_session_lasts(house):
    assert house.set_password().status_code == 200
    client = house.inside()
    assert client.get("/api/cooks").status_code == 200
    assert client.get("/").status_code == 200
    house.now += sessions.LASTS_S - 5
    assert client.get("/api/cooks").status_code == 200
    house.now += 20
    assert client.get("/api/cooks").status_code == 401


def test_leaving_ends_the_session_in_this_browser(house):
    house.set_password()
    client = house.inside()
    assert client.post("/api/leave", json={}).status_code == 200
    assert client.get("/api/cooks").status_code == 401


def test_who_came_in_by_the_password_finds_the_way_out_on_every_page_and_nobody_else_does(house):
    house.set_password()
    for path in ("/", "/cooks", "/trials", "/cook/1", "/nothing"):
        assert 'id="leave"' in house.inside().get(path).text, path
        assert 'id="leave"' not in house.client("127.0.0.1", "http://127.0.0.1:8421").get(path).text, path
    assert 'id="leave"' not in house.client().get("/enter").text


def test_a_new_password_ends_every_session_and_a_restart_ends_none(house, world):
    house.set_password()
    client = house.inside()
    later = House(house.folder, world)
    again = later.client()
    again.cookies.update(client.cookies)
    assert again.get("/api/cooks").status_code == 200
    house.set_password("another one of ten letters")
    assert client.get("/api/cooks").status_code == 401


def test_a_new_password_ends_the_open_streams_of_earlier_sessions(tmp_path, world):
    house = House(tmp_path, world, ask_at_home=True)
    house.set_password()
    server = PageServer(house.app)
    server.start()
    try:
        base = server.url.rstrip("/")
        with httpx2.Client(base_url=base, headers={"Origin": base}, timeout=60) as client:
            client.post("/api/enter", json={"password": PASSWORD}).raise_for_status()
            with client.stream("GET", "/api/events") as answer:
                lines = answer.iter_lines()
                next(lines)
                house.set_password("another one of ten letters")
                list(lines)  # it ends, or this waits until the test's time is up
            assert client.get("/api/snapshot").status_code == 401
    finally:
        server.stop()


def test_a_cookie_that_was_changed_or_signed_by_another_key_is_none(house, tmp_path):
    house.set_password()
    client = house.inside()
    value = client.cookies[sessions.COOKIE]
    other = Lock(tmp_path / "other")
    (tmp_path / "other").mkdir()
    forged = sessions.Sessions(other, lambda: house.now).new(safe_line=False).partition("=")[2].partition(";")[0]
    # Each other last letter: two bits of it mean nothing to who only decodes it.
    ends = [value[:-1] + letter for letter in URL_SAFE if letter != value[-1]]
    for wrong in (*ends, "9" + value[1:], forged, "", "1", value * 50):
        assert house.client().get("/api/cooks", headers={"Cookie": f"{sessions.COOKIE}={wrong}"}).status_code == 401


@given(st.text(max_size=200))
def test_no_cookie_header_whatever_stands_in_it_opens_or_breaks_the_door(tmp_path_factory, text):
    home = tmp_path_factory.getbasetemp() / "cookies"
    home.mkdir(exist_ok=True)
    assert not sessions.Sessions(Lock(home), lambda: 0.0).holds(text)


def test_a_link_sets_the_password_once_and_only_within_the_hour(house):
    word = house.door.lock.new_link(house.now)
    late = house.now + LINK_S + 1
    with pytest.raises(ConfigError, match="older than an hour"):
        house.door.lock.set_password(PASSWORD, word, late)
    short = house.client().post("/api/first", json={"word": word, "password": "short"})
    assert short.status_code == 400
    assert not house.door.lock.has_password
    for status in (200, 400):
        assert house.client().post("/api/first", json={"word": word, "password": PASSWORD}).status_code == status
    newer = house.door.lock.new_link(house.now)
    assert not house.door.lock.takes(word, house.now)
    assert house.door.lock.takes(newer, house.now)
    assert not house.door.lock.takes(newer[:-1], house.now)


def test_before_a_password_is_set_nobody_comes_in_from_elsewhere(house):
    assert house.client().get("/api/cooks").status_code == 401
    assert house.client().post("/api/enter", json={"password": ""}).status_code == 400
    assert house.client().post("/api/enter", json={"password": "x"}).status_code == 409


def test_at_home_nobody_is_asked_unless_so_set(house, world, tmp_path):
    at_home = "http://127.0.0.1:8421"
    assert house.client("127.0.0.1", at_home).get("/api/cooks").status_code == 200
    assert house.client("::1", "http://localhost:8421").get("/api/cooks").status_code == 200
    strict = House(tmp_path, world, ask_at_home=True)
    assert strict.client("127.0.0.1", at_home).get("/api/cooks").status_code == 401


@pytest.mark.parametrize("header", ["X-Forwarded-For", "Forwarded", "X-Real-IP", "Via"])
def test_a_relay_on_this_machine_does_not_make_others_at_home(house, header):
    client = house.client("127.0.0.1", "http://127.0.0.1:8421")
    assert client.get("/api/cooks", headers={header: "192.168.1.20"}).status_code == 401


def test_a_stranger_who_says_that_he_asks_for_loopback_is_no_more_at_home(house):
    assert house.client("192.168.1.20", "http://127.0.0.1:8421").get("/api/cooks").status_code == 401
    assert house.client("127.0.0.1", ELSEWHERE).get("/api/cooks").status_code == 401


def test_a_name_that_is_not_this_machine_s_is_refused_and_any_address_in_figures_is_taken(house, world, tmp_path):
    house.set_password()
    cookies = house.inside().cookies
    for base, status in (
        ("http://evil.example:8421", 403), ("http://10.0.0.9:8421", 200), ("http://[fd00::5]:8421", 200),
    ):
        client = house.client(base=base)
        client.cookies.update(cookies)
        header = {"Cookie": f"{sessions.COOKIE}={cookies[sessions.COOKIE]}"}
        assert client.get("/api/cooks", headers=header).status_code == status, base
    named = House(tmp_path, world, names=("Pit.Home",))
    assert named.client(base="http://pit.home:8421").get("/enter").status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"}, {"Origin": None},
    ],
)
def test_another_site_cannot_make_a_browser_with_a_session_change_anything(house, world, headers):
    house.set_password()
    client = house.inside()
    client.headers.pop("Origin")
    sent = {k: v for k, v in headers.items() if v is not None}
    cook = world.cook.id
    answer = client.post(f"/api/cooks/{cook}/notes", json={"kind": "fuel", "text": ""}, headers=sent)
    assert answer.status_code == 403
    assert world.ledger.notes(cook) == []
    client.headers["Origin"] = ELSEWHERE
    assert client.post(f"/api/cooks/{cook}/notes", json={"kind": "fuel", "text": ""}).status_code == 201


def test_the_cookie_is_for_this_site_and_no_script(house):
    line = house.set_password().headers["set-cookie"]
    assert "HttpOnly" in line
    assert "SameSite=Strict" in line
    assert "Path=/" in line
    assert "Secure" not in line
    over_tls = house.client(base="https://192.168.1.5:8421").post("/api/enter", json={"password": PASSWORD})
    assert "Secure" in over_tls.headers["set-cookie"]


def test_who_guesses_has_to_wait_ever_longer_and_others_do_not(house):
    house.set_password()
    guesser, waits = house.client("192.168.1.66"), []
    for _ in range(FREE):
        assert guesser.post("/api/enter", json={"password": "guess"}).status_code == 401
    for _ in range(4):
        answer = guesser.post("/api/enter", json={"password": "guess"})
        assert answer.status_code == 429
        waits.append(int(answer.headers["retry-after"]))
        # Not even the right one is tried in the meantime.
        assert guesser.post("/api/enter", json={"password": PASSWORD}).status_code == 429
        house.real += waits[-1] + 0.1
        assert guesser.post("/api/enter", json={"password": "guess"}).status_code == 401
    assert waits == sorted(waits)
    assert waits[-1] >= 8 * waits[0] * 0.9
    assert house.inside().get("/api/cooks").status_code == 200


@given(st.lists(st.tuples(st.sampled_from("abcd"), st.floats(0, 2000)), max_size=60))
def test_no_wait_is_longer_than_a_quarter_of_an_hour_and_it_ends(tries):
    now = [0.0]
    patience = Patience(lambda: now[0])
    for address, pause in tries:
        now[0] += pause
        patience.wrong(address)
        assert 0 <= patience.wait_s(address) <= LONGEST_S
    now[0] += LONGEST_S
    assert all(patience.wait_s(address) == 0 for address in "abcd")


def test_no_secret_stands_in_a_log_an_answer_or_readable_on_disk(house, caplog, capfd):
    caplog.set_level(logging.DEBUG)
    word = house.door.lock.new_link(house.now)
    answers = [
        house.client().post("/api/first", json={"word": word, "password": PASSWORD}),
        house.client().post("/api/enter", json={"password": PASSWORD}),
        house.client().post("/api/enter", json={"password": "wrong one here"}),
        house.client().post("/api/first", json={"word": "x", "password": "wrong one here"}),
        house.client().post("/api/enter", json={"password": ["wrong one here"]}),
        house.client().post("/api/enter", json={"password": "a" * 500}),
    ]
    out = "".join(capfd.readouterr())
    told = caplog.text + out + "".join(a.text + str(a.url) for a in answers)
    kept = (house.folder / FILE_NAME).read_text()
    for secret in (PASSWORD, word, "wrong one here"):
        assert secret not in told
        assert secret not in kept
    assert stat.S_IMODE((house.folder / FILE_NAME).stat().st_mode) == 0o600


def test_a_lock_that_others_can_read_or_that_is_damaged_is_told_and_not_opened(tmp_path):
    Lock(tmp_path).new_link(0.0)
    path = tmp_path / FILE_NAME
    path.chmod(0o644)
    with pytest.raises(ConfigError, match="chmod 600"):
        Door.with_password(tmp_path)
    path.chmod(0o600)
    for text in ("", "{}", "[]", json.dumps({"key": "k", "round": 0, "hashed": {"n": 2}, "link": None})):
        path.write_text(text)
        with pytest.raises(ConfigError, match="not what Pitscribe wrote"):
            Door.with_password(tmp_path)


def test_the_word_of_a_link_stands_where_no_browser_sends_it():
    link = link_of("http://pit.local:8421/", "word")
    assert link.partition("#") == ("http://pit.local:8421/first", "#", "word")


@pytest.mark.parametrize(
    ("listen", "own"),
    [("127.0.0.1", True), ("localhost", True), ("::1", True), ("0.0.0.0", False), ("192.168.1.5", False), ("x", False)],
)
def test_only_loopback_needs_no_password(listen, own):
    assert is_loopback(listen) is own
