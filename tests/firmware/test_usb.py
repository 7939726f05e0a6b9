"""The whole firmware on a cable: pulled while it samples, unplugged, not read, shouted at; nothing is lost."""

import contextlib
import io
import itertools
import json
import os
import random
import signal
import threading
import zlib

import pytest
from firmware_rig import Logger, WordChip, run
from journal_rig import frames_in
from servers import wait_until
from usb_rig import CableLogger, FilePort, ask_state

from pitscribe import cli
from pitscribe.clock import SystemClock
from pitscribe.intake.keyring import Keyring
from pitscribe.intake.usb import Conversation
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire.frames import EVENT, decode_event
from pitscribe.wire.lines import QUESTION, LineReader, question, written
from pitscribe.wire.messages import parse_now

LOGGER = zlib.crc32(bytes.fromhex("70697473"))  # of the simulated board's unique id
SECRET = "a secret of the test's own"


def config(**more) -> dict:
    channels = [{"chip": "max31855", "tc": tc, "spi": 0, "cs": cs} for tc, cs in (("K", 17), ("T", 20))]
    return {"name": "pit", "frame_ticks": 4, "channels": channels, **more}


@pytest.fixture
def bench(make_bench):
    return make_bench({17: WordChip(0x06B41900), 20: WordChip(0x064C1900, 0x06501910, 0x064C1920)})


@pytest.fixture
def cabled(flash, bench, tmp_path):
    """Start a logger on a cable: cabled(speed=60, **settings) -> CableLogger. All end with the test."""
    started: list[CableLogger] = []

    def start(speed=60, **more):
        port = tmp_path / "port"
        started.append(CableLogger(flash, bench, config(**more), port, PITSCRIBE_SPEED=str(speed)))
        return started[-1]

    yield start
    for logger in started:
        logger.cut_power()


@pytest.fixture
def talk():
    """Talk to a logger over its cable: talk(logger) -> Conversation."""
    ports: list[FilePort] = []

    def begin(logger, answer_s=5.0):
        ports.append(FilePort(logger.cable.port))
        return Conversation(ports[-1], "port", answer_s=answer_s)

    yield begin
    for port in ports:
        port.close()


def fill(flash, bench, frames):
    """Run a logger without a cable until its journal has so many frames."""
    logger = Logger(flash, bench, config(), PITSCRIBE_SPEED="600")
    wait_until(f"{frames} frames in the journal", lambda: len(logger.journalled()) >= frames)
    logger.cut_power()


def run_pull(home, port, *more):
    """``pitscribe pull``; returns (exit status, what it printed, what it complained of)."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = cli.main(["--home", str(home), "pull", str(port), *more])
    return status, out.getvalue(), err.getvalue()


def stored(home) -> list[bytes]:
    ledger = Ledger(home / "ledger.sqlite", SystemClock())
    try:
        return [one.frame for one in sorted(ledger.frames(LOGGER), key=lambda one: one.key.sequence)]
    finally:
        ledger.close()


def state_of(conversation) -> dict:
    return json.loads(ask_state(conversation).state)


def test_a_pull_brings_the_journal_byte_for_byte_while_the_logger_samples(flash, bench, cabled, talk, tmp_path):
    fill(flash, bench, 60)
    logger = cabled()
    status, out, err = run_pull(tmp_path / "home", logger.cable.port)
    assert (status, err) == (0, "")
    held, on_flash = stored(tmp_path / "home"), frames_in(flash)
    assert len(held) > 60
    assert held == on_flash[: len(held)]
    assert f"{len(held)} frames pulled: {len(held)} new, 0 known already" in out
    conversation = talk(logger)
    assert state_of(conversation)["missed"] == 0
    assert conversation.ask("state").members["mangled"] == 0


def test_a_logger_that_another_process_keeps_is_not_pulled_and_lets_nothing_go(cabled, talk, tmp_path):
    logger, home = cabled(), tmp_path / "home"
    home.mkdir()
    share = f'name = "north"\nmembers = ["north", "south"]\nkeepers = {{ "{LOGGER:08x}" = "south" }}'
    (home / "pitscribe.toml").write_text(f'[broker]\nhost = "127.0.0.1"\n[share]\n{share}\n')
    status, _, err = run_pull(home, logger.cable.port)
    assert (status, stored(home)) == (1, [])
    assert f"logger {LOGGER:08x} is kept by south" in err
    assert state_of(talk(logger))["journal"]["cursor"] == 0


def test_a_second_pull_asks_only_for_what_is_new_and_all_asks_for_everything(flash, bench, cabled, tmp_path):
    fill(flash, bench, 80)
    logger, home = cabled(), tmp_path / "home"
    run_pull(home, logger.cable.port)
    before = len(stored(home))
    wait_until("three frames more", lambda: len(frames_in(flash)) >= before + 3)
    _, out, _ = run_pull(home, logger.cable.port)
    assert "more were in the ledger and not asked for" in out
    pulled = int(out.split(" frames pulled")[0].split("\n")[-1])
    assert pulled < 60
    assert stored(home) == frames_in(flash)[: len(stored(home))]
    _, out, _ = run_pull(home, logger.cable.port, "--all")
    assert "not asked for" not in out
    assert int(out.split(" frames pulled")[0].split("\n")[-1]) >= before + 3


def test_a_pull_goes_on_where_it_stopped_when_the_cable_was_out(flash, bench, cabled, tmp_path):
    fill(flash, bench, 120)
    logger, home = cabled(), tmp_path / "home"
    cable = logger.cable
    pulled_out = threading.Event()

    def cut_after_some(data):
        if cable.carried > 4000:
            pulled_out.set()
        return data

    def hand():
        for _ in range(2):
            pulled_out.wait(20)
            cable.to_host = bytes
            cable.unplug()
            cable.plug()

    cable.to_host = cut_after_some
    person = threading.Thread(target=hand, daemon=True)
    person.start()
    status, out, err = run_pull(home, cable.port)
    person.join(20)
    assert status == 0, err
    assert "plug it in again" in err
    held = stored(home)
    assert len(held) > 120
    assert held == frames_in(flash)[: len(held)]
    assert f"{len(held)} new" in out


def test_noise_on_the_line_costs_questions_and_no_frame(flash, bench, cabled, tmp_path, monkeypatch):
    monkeypatch.setattr("pitscribe.intake.usb.ANSWER_S", 0.5)
    fill(flash, bench, 150)
    logger, home = cabled(), tmp_path / "home"
    chance = random.Random(7)
    hurt, next_at = [], [300]

    def noisy(data):
        """Every 1000 bytes or so text of the console in the middle of a line, a byte lost, or a byte wrong."""
        if logger.cable.carried < next_at[0]:
            return data
        next_at[0] += chance.randrange(600, 1400)
        hurt.append(at := chance.randrange(len(data)))
        here = (b"\r\nchannel 1: open\r\n" + data[at : at + 1], b"", bytes([data[at] ^ 4]))[len(hurt) % 3]
        return data[:at] + here + data[at + 1 :]

    logger.cable.to_host = noisy
    status, _, err = run_pull(home, logger.cable.port)
    assert status == 0, err
    assert len(hurt) >= 5
    held = stored(home)
    assert len(held) > 150
    assert held == frames_in(flash)[: len(held)]


def test_a_reader_that_stops_costs_no_tick_and_is_answered_when_it_reads_again(bench, cabled, talk):
    logger = cabled(speed=600)
    conversation = talk(logger)
    assert conversation.ask("live", s=600).members["s"] == 600
    logger.cable.reads = False
    logger.cable._all_to_board(question(77, "frames", **{"from": 0, "most": 16}) * 50)
    before = bench.chips[17].reads
    wait_until("1500 ticks more", lambda: bench.chips[17].reads >= before + 1500)
    logger.cable.reads = True
    answer = ask_state(conversation)
    assert json.loads(answer.state)["missed"] == 0
    assert answer.members["skipped"] > 0
    worlds = bench.chips[17].worlds
    assert {b - a for a, b in itertools.pairwise(worlds)} == {1000}


def test_ten_thousand_lines_of_noise_leave_the_logger_listening(bench, cabled, talk):
    logger = cabled()
    chance = random.Random(11)
    kinds = [
        lambda: bytes(chance.randrange(256) for _ in range(chance.randrange(60))),
        lambda: b"~?" + bytes(chance.randrange(32, 127) for _ in range(chance.randrange(40))),
        lambda: question(1, "state").strip()[: chance.randrange(30)],
        lambda: written(QUESTION, bytes(chance.choice(b'{}[]",:0nv') for _ in range(12))).strip(),
        lambda: b">>> print('~F')",
    ]
    noise = b"".join(chance.choice(kinds)().replace(b"\x03", b"").replace(b"\n", b"") + b"\n" for _ in range(10_000))
    logger.cable._all_to_board(noise)
    conversation = talk(logger, answer_s=20.0)
    answer = ask_state(conversation)
    assert answer.members["mangled"] > 1000
    assert json.loads(answer.state)["missed"] == 0
    assert logger.process.poll() is None


def test_live_lines_are_each_tick_and_each_frame_as_it_is_journalled(flash, cabled):
    port = FilePort(cabled().cable.port)
    reader, seen, nows, answers = LineReader(), [], [], []
    port.write(question(1, "live", s=600, **{"from": 0}))

    def read():
        for line in reader.feed(port.read()):
            if line.letter == b"F":
                seen.append(line.payload)
            elif line.letter == b"N":
                nows.append(parse_now(line.payload))
            else:
                answers.append(json.loads(line.payload))
        return len(seen) >= 6 and len(nows) >= 20

    wait_until("six frames and twenty ticks", read)
    assert answers[0]["from"] == 0
    assert seen == frames_in(flash)[: len(seen)]
    assert len(seen) >= 6
    steps = [b.up_ms - a.up_ms for a, b in itertools.pairwise(nows)]
    assert set(steps) == {1000}
    assert nows[0].codes[0] == (429, 400, 0)
    port.write(question(2, "stop"))
    wait_until("the answer to stop", lambda: read() and answers[-1]["n"] == 2)
    said = len(nows)
    read()
    assert len(nows) == said
    port.close()


def test_time_that_the_host_says_is_an_anchor_in_the_journal_that_is_pulled(cabled, tmp_path):
    logger, home = cabled(speed=1, period_ms=250), tmp_path / "home"
    (home).mkdir()
    (home / "pitscribe.toml").write_text("[host]\ntrust_clock = true\n")
    now = SystemClock().now() * 1000
    status, out, _ = run_pull(home, logger.cable.port)
    assert status == 0
    assert "the logger was told the time" in out
    events = [decode_event(f) for f in stored(home) if f[1] == EVENT]
    (anchor,) = [e for e in events if e.name == "anchor"]
    assert anchor.fields["from"] == "host"
    assert abs(anchor.fields["utc_ms"] - now) < 20_000
    assert anchor.fields["err_ms"] < 1000
    _, out, _ = run_pull(home, logger.cable.port)
    assert "told the time" not in out
    _, out, _ = run_pull(home, logger.cable.port, "--time")
    assert "told the time" in out


def test_what_is_stored_may_be_let_go_of_by_the_authentic_host_alone(flash, bench, cabled, talk, tmp_path):
    fill(flash, bench, 100)
    (flash / "config.json").unlink()
    logger, home = cabled(secret=SECRET), tmp_path / "home"
    _, out, _ = run_pull(home, logger.cable.port)
    assert "does not believe" in out
    conversation = talk(logger)
    assert state_of(conversation)["journal"]["cursor"] == 0
    assert conversation.ask("stored", stored=[[0, 0, 99]], mac="0" * 32).refused == "mac"
    Keyring(home).set(LOGGER, SECRET)
    _, out, _ = run_pull(home, logger.cable.port)
    assert "does not believe" not in out
    state = state_of(conversation)
    assert state["journal"]["cursor"] == len(stored(home))
    assert state["journal"]["lost"] == 0


def test_without_a_secret_the_cursor_stops_before_the_first_frame_that_is_not_named(flash, bench, cabled, talk):
    fill(flash, bench, 20)
    conversation = talk(cabled())
    boot = int.from_bytes(frames_in(flash)[0][8:10], "little")
    for said, cursor in (([[boot, 2, 9]], 0), ([[boot + 1, 0, 9]], 0), ([[boot, 0, 4], [boot, 6, 9]], 5)):
        answer = conversation.ask("stored", stored=said)
        assert (answer.refused, answer.whole("cursor")) == (None, cursor)
    assert conversation.ask("stored", stored=[[boot]]).refused is not None


def test_settings_are_given_without_secrets_and_taken_whole_or_not_at_all(flash, cabled, talk):
    broker = {"host": "", "password": "swordfish"}
    wifi = [{"ssid": "barn", "password": "hayloft!"}]
    logger = cabled(secret=SECRET, broker=broker, wifi=wifi)
    conversation = talk(logger)
    given = conversation.ask("settings").members["settings"]
    text = json.dumps(given)
    assert not any(word in text for word in (SECRET, "swordfish", "hayloft!", "password"))
    before = (flash / "config.json").read_bytes()
    refused = conversation.ask("set", settings={**given, "period_ms": 7, "colour": 1})
    assert refused.refused == "settings"
    assert len(refused.members["wrong"]) == 2
    assert (flash / "config.json").read_bytes() == before
    networks = [{"ssid": "field", "password": "open sky"}, *given["wifi"]]
    assert conversation.ask("set", settings={**given, "name": "Grüße", "wifi": networks}).refused is None
    now = json.loads((flash / "config.json").read_text())
    assert (now["name"], now["secret"], now["broker"]["password"]) == ("Grüße", SECRET, "swordfish")
    assert [w["password"] for w in now["wifi"]] == ["open sky", "hayloft!"]
    events = [decode_event(f) for f in frames_in(flash) if f[1] == EVENT]
    assert [e.fields for e in events if e.name == "setting"] == [{"keys": ["name", "wifi"], "from": "usb"}]
    assert state_of(conversation)["name"] == "pit"  # until the next start
    frames = len(frames_in(flash))
    assert conversation.ask("set", settings={**given, "name": "Grüße", "wifi": networks}).refused is None
    assert [f for f in frames_in(flash)[frames:] if f[1] == EVENT] == []  # asked twice, it is still one change


def test_the_last_lines_of_what_happened_can_be_read(cabled, talk):
    conversation = talk(cabled(colour=1))
    lines = conversation.ask("log").members["log"]
    assert [text for _, text in lines if "colour" in text] == ["colour: not a setting"]
    assert any(text.startswith("boot ") for _, text in lines)


LOOK = """
import json, struct, time
from pitlogger import rules, settings
from pitlogger.frames import Encoder, MAX_FRAME
from pitlogger.journal import Journal
from pitlogger.uplink import Uplink

def journal(folder):
    made = Journal(folder, 1)
    encoder = Encoder(1, made.boot, b"", 1000)
    for n in range(12):
        made.append(lambda sequence: encoder.event(sequence, n, "x", {"pad": "." * 60}))
    with open(folder + "/00000000.seg", "r+b") as f:
        for n in range(4, 8):
            f.seek(16 + n * made._length // 12)
            f.write(b"\\0" * 40)
    return made

def drain(j):
    at, buf = 0, bytearray(MAX_FRAME)
    while j.fetch(at, buf):
        at = struct.unpack_from("<I", buf, 10)[0] + 1
    j.move_cursor(at)
    return j.lost

plain, looked, buf = journal("plain"), journal("looked"), bytearray(MAX_FRAME)
for at in (0, 3, 4, 5, 6, 7, 9, 11, 12, 99):
    looked.look(at, buf)
lost = [drain(plain), drain(looked)]

class Client:
    in_flight = 0
j = journal("both")
up = Uplink(lambda *_: Client(), j, None, 1, rules.defaults(), time, None)
up._sent, up._next = [(0, j.boot), (1, j.boot)], 2
j.move_cursor(3)
up._stored({"stored": [[j.boot, 0, 0]]})
print(json.dumps([lost, j.cursor]))
"""


def test_what_the_cable_reads_or_lets_go_of_does_not_disturb_the_uplink(flash):
    (plain, looked), cursor = json.loads(run(LOOK, flash))
    assert plain == looked
    assert plain > 0
    assert cursor == 3


def test_questions_that_make_no_sense_are_answered_no(cabled, talk):
    conversation = talk(cabled())
    for ask, more in (
        ("sing", {}),
        ("frames", {}),
        ("frames", {"from": -1, "most": 4}),
        ("frames", {"from": "0", "most": 4}),
        ("live", {"s": None}),
        ("stored", {"stored": 7}),
        ("time", {"boot": 1}),
        ("set", {"settings": [1]}),
    ):
        assert conversation.ask(ask, **more).refused is not None, ask
    assert conversation.ask("frames", **{"from": 2**40, "most": 4}).members["sent"] == 0


def test_questions_made_to_break_it_leave_the_logger_answering(cabled, talk):
    """A number without end, and nests deeper than the board's stack, which no host of ours would send."""
    logger = cabled()
    conversation, port, deep = talk(logger), FilePort(logger.cable.port), b"[" * 2000 + b"]" * 2000
    for body in (
        b'"n":901,"ask":"stored","stored":[[1e999,0,9]]',
        b'"n":902,"ask":"set","settings":{"name":%s}' % deep,
        b'"n":%s,"ask":"log"' % deep,
        b'"n":903,"ask":%s' % deep,
    ):
        port.write(written(QUESTION, b'{"v":1,%s}' % body))
        assert conversation.ask("log").refused is None, body[:30]
    port.close()


def test_a_prompt_a_stranger_and_nobody_at_the_port_are_told_apart(bench, flash, tmp_path, monkeypatch):
    monkeypatch.setattr("pitscribe.intake.usb.ANSWER_S", 0.2)
    stranger = tmp_path / "stranger.py"
    stranger.write_text("import sys\nwhile True:\n    sys.stdin.readline()\n    print('$GARBAGE,1,2*7F')\n")
    silent = tmp_path / "silent.py"
    silent.write_text("import time\nwhile True:\n    time.sleep(1)\n")
    at_port = (([], "MicroPython's prompt"), ([stranger], "no logger of ours"), ([silent], "nothing answers"))
    for arguments, words in at_port:
        logger = CableLogger(flash, bench, config(), tmp_path / "port", [str(one) for one in arguments])
        try:
            status, _, err = run_pull(tmp_path / "home", logger.cable.port)
        finally:
            logger.cut_power()
        assert status == 1
        assert words in err
    status, _, err = run_pull(tmp_path / "home", tmp_path / "port")
    assert (status, "there is no such port" in err) == (1, True)


def test_ctrl_c_ends_the_firmware_as_on_any_board(flash, bench, tmp_path):
    logger = CableLogger(flash, bench, config(), tmp_path / "port", PITSCRIBE_SPEED="60")
    try:
        wait_until("the journal's first frames", lambda: len(list((flash / "journal").glob("*.seg"))) > 0)
        os.kill(logger.process.pid, signal.SIGINT)  # what the board's USB driver makes of the byte 03
        assert logger.process.wait(10) != 0
    finally:
        logger.cut_power()
