"""The hotspot's page in a real browser, served by the unmodified firmware on MicroPython: what a person sees."""

import itertools
import re
import struct
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import chromium, new_context, new_page
from looks import over_the_edge, too_small
from playwright.sync_api import expect

sys.path.insert(0, str(Path(__file__).parents[1] / "firmware"))

from firmware_rig import ChipBench, Logger
from journal_rig import events_in, frames_in
from servers import free_port, wait_until
from web_rig import LOGGER, Guest, RealTime, write_segments

from pitscribe.clock import SystemClock
from pitscribe.intake.folder import import_folder
from pitscribe.ledger.ledger import Ledger
from pitscribe.wire.frames import EVENT, TICKS, check, decode_event, decode_ticks
from pitscribe.wire.segments import scan_segment

expect.set_options(timeout=20_000)

HOURS = 9
PIN = "482915"
PLACES = [("grate", "air", 107.0, 6.0), ("firebox end", "air", 131.0, 9.0), ("flat", "meat", 68.0, 0.3),
          ("point", "meat", 74.0, 0.2), ("tip", "meat", 79.0, 0.2), ("second flat, by the ", "meat", 66.0, 0.3)]


class SlowChip:
    """A MAX31855 for type K at a place that warms up and then sways: words as of the world's time."""

    def __init__(self, celsius: float, sway: float, n: int) -> None:
        self.celsius, self.sway, self.n = celsius, sway, n

    def transfer(self, written: bytes, count: int, world_ms: int) -> bytes:
        hours = world_ms / 3.6e6
        step = (world_ms // 1000 * (self.n + 3)) % 7 / 7 - 0.5
        celsius = 25 + (self.celsius - 25) * min(1.0, hours / 6) ** 0.5 + self.sway * step
        return struct.pack(">I", (round(celsius * 4) & 0x3FFF) << 18 | 400 << 4)


SELECTS = (17, 20, 21, 22, 26, 27)  # pins of their own, beside those of the bus


class Box:
    """A logger that has run for nine hours and goes on at the pace of the world."""

    def __init__(self, folder: Path, *, hours: int = HOURS) -> None:
        self.bench = ChipBench({SELECTS[i]: SlowChip(c, sway, i) for i, (_, _, c, sway) in enumerate(PLACES)})
        self.port = free_port()
        channels = [
            {"chip": "max31855", "tc": "K", "cs": SELECTS[i], "place": place, "kind": kind,
             "high": 250 if i == 1 else 2000}
            for i, (place, kind, _, _) in enumerate(PLACES)
        ]
        hotspot = {"when": "always", "port": self.port, "dns": 0, "pin": PIN, "key": "a key for tests"}
        config = {"name": "offset smoker", "period_ms": 10000, "channels": channels, "hotspot": hotspot, "usb": 0,
                  "watchdog_ms": 0}
        world = {"PITSCRIBE_SPEED": "0", "PITSCRIBE_WORLD_END_MS": str(hours * 3_600_000)} if hours else {}
        write_segments(folder / "flash" / "journal", 2)
        self.logger = Logger(folder / "flash", self.bench, config, PITSCRIBE_AP="127.0.0.1", **world)
        wait_until("nine hours", lambda: self.bench.world_ms >= hours * 3_600_000)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def events(self, name: str) -> list[dict]:
        """What the journal's files hold of an event, as the host reads it after a pull."""
        return [event.fields for event in events_in(self.logger.flash, name)]

    def close(self) -> None:
        self.logger.cut_power()
        self.bench.close()


@pytest.fixture(scope="module")
def box(tmp_path_factory):
    made = Box(tmp_path_factory.mktemp("box"))
    yield made
    made.close()


@pytest.fixture(scope="module")
def browser():
    with chromium() as made:
        yield made


def opened(browser, box, width=390, height=844, **options):
    page, seen = new_page(new_context(browser, **options), width, height)
    page.goto(box.url)
    page.wait_for_selector("#trend[data-drawn]")
    return page, seen


def test_the_first_phone_gives_the_logger_the_time_and_the_journal_has_it(box, browser):
    page, seen = opened(browser, box)
    expect(page.locator("#told")).to_contain_text("has this device's time")
    expect(page.locator("#clock")).to_contain_text("from phone")
    expect(page.locator("#offer")).to_be_hidden()
    (anchor,) = box.events("anchor")
    assert anchor["from"] == "phone"
    assert abs(anchor["utc_ms"] / 1000 - time.time()) < 30
    assert 500 <= anchor["err_ms"] < 3000
    page.context.close()
    assert seen.complaints == []


def test_the_page_shows_the_coldest_meat_first_the_spread_and_the_alarm(box, browser):
    page, seen = opened(browser, box)
    shown = page.locator("#places li")
    expect(shown).to_have_count(6)
    expect(shown.nth(0)).to_contain_text("second flat")
    expect(shown.nth(0).locator("b")).to_have_text(re.compile("15[01]\\s°F"))
    expect(shown.nth(0)).to_contain_text(re.compile(r"\d+ s ago"))
    expect(shown.nth(4)).to_contain_text("grate")
    expect(page.locator("#spread")).to_contain_text(re.compile("Spread of the meat: 2[2-5] °F"))
    expect(page.locator("#says")).to_contain_text("firebox end is above 250 °F")
    page.get_by_role("button", name="degrees Celsius").click()
    expect(shown.nth(0).locator("b")).to_have_text(re.compile("6[56]\\s°C"))
    expect(page.locator("#trend-text")).to_contain_text("Over 9.0 h, a point in 5 min")
    expect(page.locator("#trend")).to_have_attribute("aria-label", re.compile(r"tip from \d+\s°C to 79\s°C, last 79"))
    assert int(page.locator("#trend").get_attribute("data-drawn")) == HOURS * 12  # a point in five minutes
    page.locator("summary").click()
    expect(page.locator("#table tr")).to_have_count(HOURS + 1)
    page.context.close()
    assert seen.complaints == []


@pytest.mark.parametrize(("width", "scheme"), list(itertools.product((320, 390, 768), ("light", "dark"))))
def test_the_page_fits_and_axe_finds_nothing(box, browser, width, scheme, tmp_path_factory):
    page, seen = opened(browser, box, width, 844, color_scheme=scheme)
    assert over_the_edge(page, rolls=".scroll") == []
    assert too_small(page, "button, input") == []
    page.locator("summary").click()
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["html"][:120] for n in v["nodes"]]) for v in found] == []
    page.locator("summary").click()
    page.screenshot(path=tmp_path_factory.getbasetemp() / f"hotspot-{width}-{scheme}.png", full_page=True)  # to look at
    page.context.close()
    assert seen.complaints == []


def test_a_note_takes_the_pin_and_then_lies_in_the_journal(box, browser):
    page, _ = opened(browser, box)
    page.get_by_role("button", name="spritz").click()
    expect(page.locator("#told")).to_contain_text("this takes the PIN")
    page.get_by_label("PIN").fill("000000")
    page.get_by_role("button", name="Use this PIN").click()
    expect(page.locator("#told")).to_contain_text("the PIN is wrong")
    assert box.events("note") == []
    page.get_by_label("PIN").fill(PIN)
    page.get_by_role("button", name="Use this PIN").click()
    expect(page.locator("#told")).to_contain_text("The PIN is right")
    page.get_by_role("button", name="spritz").click()
    expect(page.locator("#told")).to_contain_text("Noted: spritz")
    page.get_by_label("In your own words").fill('<b>bark</b> & "crust" 🔥')
    page.get_by_role("button", name="Note", exact=True).click()
    expect(page.locator("#kept li")).to_have_count(2)
    expect(page.locator("#kept li").first).to_contain_text('<b>bark</b> & "crust" 🔥')
    said = [(e["kind"], e["text"]) for e in box.events("note")]
    assert said == [("spritz", ""), ("text", '<b>bark</b> & "crust" 🔥')]
    unwrap = page.get_by_role("button", name="unwrap", exact=True)
    expect(unwrap).to_be_hidden()
    page.get_by_role("button", name="wrap", exact=True).click()
    unwrap.click()
    expect(page.locator("#kept li").first).to_contain_text("unwrap")
    expect(unwrap).to_be_hidden()
    page.reload()
    page.wait_for_selector("#trend[data-drawn]")
    expect(page.locator("#pin-text")).to_contain_text("This device may write")
    page.context.close()


def test_the_journal_is_saved_as_one_file_that_the_host_imports_with_the_notes_in_it(box, browser, tmp_path):
    page, seen = opened(browser, box)
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the journal as a file").click()
    expect(page.locator("#saved")).to_contain_text("Saved")
    expect(page.get_by_role("button", name="Save the journal as a file")).to_be_enabled()
    name = download.value.suggested_filename
    assert re.fullmatch(r"offset-smoker-20\d\d-\d\d-\d\dT\d{4}\.seg", name)
    download.value.save_as(tmp_path / name)
    on_flash = b"".join(file.read_bytes() for file in sorted((box.logger.flash / "journal").glob("*.seg")))
    saved = (tmp_path / name).read_bytes()
    assert len(saved) > 16384, "more than one segment"
    assert on_flash.startswith(saved)
    ledger = Ledger(tmp_path / "ledger.sqlite", SystemClock())
    done = import_folder(ledger, tmp_path / name)
    assert (done.files, done.damaged, done.asides) == (1, 0, 0)
    assert done.new == len(scan_segment(saved)[0])
    held = [decode_event(stored.frame) for stored in ledger.frames(LOGGER, kind=EVENT)]
    assert [event.fields for event in held if event.name == "note"] == box.events("note") != []
    ledger.close()
    page.context.close()
    assert seen.complaints == []


def test_a_clock_that_is_apart_is_offered_and_taken_only_with_the_pin(box, browser):
    page, _ = new_page(new_context(browser))
    page.clock.set_system_time(time.time() + 3600)  # the person's own clock, an hour ahead; timers run as ever
    page.goto(box.url)
    expect(page.locator("#offer-text")).to_contain_text("are 60 min apart")
    before = len(box.events("anchor"))
    page.get_by_role("button", name="Give it this phone's time").click()
    expect(page.locator("#told")).to_contain_text("this takes the PIN")
    assert len(box.events("anchor")) == before
    page.context.close()


def test_save_now_then_switch_off_says_until_when_all_is_on_flash_and_then_the_power_may_go(tmp_path, browser):
    box = Box(tmp_path, hours=1)
    try:
        page, seen = opened(browser, box)
        button = page.get_by_role("button", name="Save now, then switch off")
        button.click()
        expect(page.locator("#saved")).to_contain_text("Not saved: this takes the PIN")
        page.get_by_label("PIN").fill(PIN)
        page.get_by_role("button", name="Use this PIN").click()
        expect(page.locator("#pin-text")).to_contain_text("This device may write")
        before = Guest(box.port).get("/now").json["up"]
        button.click()
        expect(page.locator("#saved")).to_contain_text("Switch it off now")
        box.logger.cut_power()
        ticks = [frame for frame in frames_in(tmp_path / "flash") if check(frame).kind == TICKS]
        found = np.concatenate([part.uptime_ms for part in decode_ticks(ticks)])
        assert (np.diff(found) == 10_000).all()
        assert found[-1] > before - 11_000, "the last tick before the button is there"
        page.context.close()
        assert [one for one in seen.complaints if "403" not in one and "ERR_" not in one] == []
    finally:
        box.close()


def test_when_the_logger_is_gone_the_page_says_so_and_shows_nothing_as_fresh(tmp_path, browser):
    box = Box(tmp_path, hours=1)
    try:
        page, _ = opened(browser, box)
        box.logger.cut_power()
        expect(page.locator("#says")).to_contain_text("No answer from the logger")
        page.evaluate("got -= 120000")
        page.evaluate("paint()")
        expect(page.locator("#places li.old")).to_have_count(6)
        page.context.close()
    finally:
        box.close()


def test_the_page_is_small_and_asks_nobody_else(box, browser):
    page, seen = opened(browser, box)
    assert {url.split("/")[2] for url in seen.requests if not url.startswith("data:")} == {f"127.0.0.1:{box.port}"}
    body = page.content().encode()
    assert len(body) < 40_000
    file = Path(__file__).parents[2] / "firmware_mpy" / "page" / "index.html"
    assert file.stat().st_size < 20_000
    assert not re.search(r"https?://", file.read_text())
    page.context.close()


@pytest.mark.alone
def test_no_tick_is_late_while_a_browser_loads_the_page_again_and_again(tmp_path, browser):
    board = RealTime(tmp_path, period_ms=1000)
    try:
        page, seen = new_page(new_context(browser))
        loads = 0
        while len(board.lines()) < 5:
            page.goto(f"http://127.0.0.1:{board.port}/")
            expect(page.locator("#places li")).to_have_count(6)
            loads += 1
        ticks, worst_us, missed, heap, free = board.lines()[-1]
        print(f"\n{loads} loads, {ticks} ticks, worst {worst_us / 1000:.1f} ms late, heap {heap} B, free {free} B")
        assert loads > 5
        assert (missed, seen.complaints) == (0, [])
        assert worst_us < 100_000
        page.context.close()
    finally:
        board.close()
