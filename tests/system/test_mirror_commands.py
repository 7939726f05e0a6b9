"""The mirror as a person has it: settings, ``serve`` and ``pitscribe mirror`` as processes, and kills in between.

With InfluxDB, which has on disk what it has answered: of VictoriaMetrics one waits half a minute for that.
"""

import contextlib
import json
import random
import re
import sqlite3
import subprocess
import sys
import urllib.error
import urllib.request

import pytest
from mirror_rig import Between, hand_on
from page_world import make_world
from servers import InfluxDB, free_port, wait_until

SEED = 20261126
USER = ("copier", "a word of its own")


def pitscribe(home, *arguments, **more):
    command = [sys.executable, "-m", "pitscribe.cli", "--home", str(home), *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


def run(home, *arguments):
    """(exit status, lines of output, lines of complaint)."""
    process = pitscribe(home, *arguments)
    out, err = process.communicate(timeout=300)
    return process.returncode, out.splitlines(), err.splitlines()


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    made = InfluxDB(tmp_path_factory.mktemp("store"))
    made.start()
    yield made
    made.stop()


@pytest.fixture
def home(tmp_path):
    """A cook of 2 h that is over, a reading each 4 s: 11 000 points, three writes."""
    return home_of(tmp_path / "home", 2, 4.0)


def home_of(home, hours, period_s):
    home.mkdir(mode=0o700)
    world = make_world(home, hours=hours, period_s=period_s)
    world.ledger.set_cook(world.cook.id, target_c=None)
    world.ledger.end_cook(world.cook.id)
    world.ledger.close()
    return home


def settings(home, url, *more):
    (home / "pitscribe.toml").write_text("\n".join(["[mirror]", f'url = "{url}"', 'bucket = "pit"', *more]) + "\n")


def test_without_settings_it_says_what_is_to_be_set(home):
    status, out, err = run(home, "mirror", "backfill")
    assert (status, out) == (1, [])
    assert "has no [mirror]" in err[0]


def test_backfill_is_killed_in_the_midst_of_writes_and_in_the_end_check_finds_every_point_once(server, home):
    draw = random.Random(SEED)
    between = Between(server.url)
    settings(home, between.url)
    between.only = "/write"
    for _ in range(3):
        left = [draw.randrange(1, 4)]
        between.before = draw.random() < 0.5  # the server has not got it yet, or has it and we do not know
        process = pitscribe(home, "mirror", "backfill")

        def kill(handler, answer, data, left=left, process=process):
            left[0] -= 1
            if left[0]:
                hand_on(handler, answer, data) if answer else between.pass_on_as_it_is(handler)
                return
            process.kill()
            handler.close_connection = True

        between.spoil = kill
        process.communicate(timeout=300)
        if process.returncode == 0:  # there was not so much left to be written
            break
        assert process.returncode == -9
    between.spoil = None
    status, out, err = run(home, "mirror", "backfill")
    assert (status, err) == (0, [])
    assert out[-1] == "all cooks are there, read back and found"
    status, out, _ = run(home, "mirror", "check")
    print(out[-1])
    points = int(re.search(r"points (\d+)", out[-1])[1])
    assert status == 0
    assert out[-1].endswith(f" series, 0 differ; points {points}, found {points}, lost 0, doubled 0")
    assert points > 10_800
    status, out, _ = run(home, "mirror", "status")
    assert re.search(r" 1 Two briskets: (\d+) points written, \1 of them read back and found", out[-1])
    and_a_check_finds_what_somebody_else_takes_away(server, home)
    between.stop()


def and_a_check_finds_what_somebody_else_takes_away(server, home):
    server.influxql("DELETE FROM pitscribe_temp WHERE place = 'flat'")
    status, out, err = run(home, "mirror", "check")
    assert (status, err) == (1, [])
    assert "series, 1 differ; " in out[-1]
    assert "lost 1800, doubled 0" in out[-1]
    assert re.search(r"place=flat: 0 of 1800, 0 twice, 0 h wrong, [0-9a-f]{8} / [0-9a-f]{8}$", out[0])
    assert run(home, "mirror", "backfill")[0] == 0
    status, out, _ = run(home, "mirror", "check", "Two briskets", "--json")
    told = {one["series"]: (one["found"], one["same"]) for one in json.loads(out[0])}
    assert status == 0
    assert told[r"pitscribe_temp,cook=1\ Two\ briskets,kind=meat,ledger=home,place=flat"] == (1800, True)


def test_a_server_that_is_away_is_told_by_backfill_and_status(home):
    settings(home, f"http://127.0.0.1:{free_port()}")
    status, _, err = run(home, "mirror", "backfill")
    assert status == 1
    assert "cannot be reached; what is to be copied is kept, and tried again" in err[0]
    status, out, _ = run(home, "mirror", "status")
    assert status == 0
    assert any(line.startswith("trouble  since") and "cannot be reached" in line for line in out)
    status, out, _ = run(home, "mirror", "status", "--json")
    told = json.loads(out[0])
    assert (status, told["mirror"]["right_ms"], told["cooks"]) == (0, None, {})
    assert "cannot be reached" in told["mirror"]["trouble"]


class Serving:
    """``pitscribe serve``, and the lines that it has said."""

    def __init__(self, home):
        self.process = pitscribe(home, "serve", "--page-port", free_port(), "--broker-port", free_port())
        self.said = []

    def until(self, start):
        """The next line that starts so."""
        for line in self.process.stdout:
            self.said.append(line.rstrip())
            if line.startswith(start):
                return line
        raise AssertionError(f"serve ended: {self.said}, {self.process.stderr.read()}")

    def snapshot(self):
        page = next(line.split()[1] for line in self.said if line.startswith("page"))
        with urllib.request.urlopen(f"{page}api/snapshot", timeout=60) as answer:
            return json.load(answer)

    def kill(self):
        self.process.kill()
        self.process.communicate()


def test_serve_says_what_is_wrong_and_goes_on_by_itself_when_it_is_put_right(tmp_path):
    """A wrong token, then a bucket that is not there, of an InfluxDB that asks for both; killed and started again."""
    home = home_of(tmp_path / "home", 0.5, 10.0)
    server = InfluxDB(tmp_path, USER)
    server.start()
    token = home / "mirror.token"
    token.touch(0o600)
    token.write_text(f"{USER[0]}:a wrong one\n")
    settings(home, server.url, 'token = "mirror.token"')
    serving = Serving(home)
    try:
        assert "does not take the token (401: authorization failed)" in serving.until("mirror:")
        wait_until("the page says so", lambda: any(
            trouble["key"] == "mirror" and "does not take the token" in json.dumps(trouble)
            for trouble in serving.snapshot()["troubles"]
        ), 60)
        assert any("does not take the token" in line for line in run(home, "mirror", "status")[1])
        token.write_text(":".join(USER) + "\n")
        serving.until("mirror: right again")
        wait_until("it has written", lambda: written(home) >= 1080, 120)
        wait_until("the page is content", lambda: all(
            trouble["key"] != "mirror" for trouble in serving.snapshot()["troubles"]
        ), 60)
        assert not any(line.startswith("trouble") for line in run(home, "mirror", "status")[1])
        serving.kill()
        server.influxql("DROP DATABASE pit", u=USER[0], p=USER[1])
        serving = Serving(home)
        assert "does not know bucket 'pit'" in serving.until("mirror:")
        server.influxql("CREATE DATABASE pit", u=USER[0], p=USER[1])
        serving.until("mirror: right again")
        assert "looks at all cooks again now" in run(home, "mirror", "backfill")[1][0]
        wait_until("all is there again", lambda: run(home, "mirror", "check")[0] == 0, 120)
    finally:
        serving.kill()
        server.stop()


def written(home):
    with contextlib.closing(sqlite3.connect(home / "ledger.sqlite")) as db:
        return db.execute("SELECT total(points) FROM mirror_blocks").fetchone()[0]
