"""The screen of the logger: what stands on the glass, on both chips, by a model of them; and that no tick waits for it.

The model is panel_rig.py's, from the data sheets. Time is virtual: a transfer takes what it takes on a 100 kHz bus, a
tick's lateness is exact, and what the firmware computes costs nothing (test_panel_costs has that).
"""

import os
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from i2c_rig import block, dip
from panel_rig import Glass, Reader, panel_run, png

PAGE, NOTE = 14, 15
BUTTONS = {"page": PAGE, "note": NOTE}
CHANNELS = [
    {"chip": "max31855", "cs": 17, "place": "grate", "kind": "air", "low": 225, "high": 300},
    {"chip": "max31855", "cs": 20, "place": "flat", "kind": "meat", "high": 203},
    {"chip": "max31855", "cs": 21, "place": "point", "kind": "meat", "high": 203},
]
CHIPS = [[[0, 480]], [[0, 290]], [[0, 310]]]  # 120, 72.5 and 77.5 degC by a MAX31855's line, its block at 25
SPOT = ("pit-7469", "abcdefghjkmn", "482915", "http://192.168.4.1/")
KEEP = os.environ.get("PANEL_PICTURES")  # a folder: the glass as tests saw it


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    made = Reader(tmp_path_factory.mktemp("letters"))
    yield made
    made.close()


def kept(name: str, picture: list) -> list:
    """The picture, which is also kept to be looked at if somebody wants that."""
    if KEEP:
        (Path(KEEP) / f"{name}.png").write_bytes(png(picture))
    return picture


def presses(count: int, first: int = 3000, apart: int = 3000) -> list[tuple[int, int]]:
    return [(first + apart * i, first + apart * i + 100) for i in range(count)]


def test_the_coldest_meat_and_the_pit_stand_large_on_either_chip_and_either_way_up(tmp_path, reader):
    shown = {}
    for name, kind, turn in (("a", "ssd1306", 0), ("b", "sh1106", 0), ("c", "ssd1306", 180), ("d", "sh1106", 180)):
        ran = panel_run(tmp_path, block(dip(0)), ms=4000, chips=CHIPS, channels=CHANNELS, kind=kind,
                        panel={"turn": turn})
        shown[name] = ran.at(3900)
    picture = kept("numbers", shown["a"])
    assert reader.large(picture, 163, 9)  # 72.5 degC is 162.5 F, and the chip's line reads a little more than its table
    assert reader.large(picture, 248, 42)
    assert not reader.large(picture, 247, 42)
    for text in ("flat", "grate", "to 203", "225-300"):
        assert reader.says(picture, text), text
    assert shown["b"] == picture
    assert [row[::-1] for row in shown["c"][::-1]] == picture
    assert shown["d"] == shown["c"]


def test_nothing_is_lit_before_the_first_frame_is_whole(tmp_path):
    """What a chip's memory holds at power-on is anything."""
    for kind in ("ssd1306", "sh1106"):
        ran = panel_run(tmp_path, block(dip(0)), ms=3000, chips=CHIPS, channels=CHANNELS, kind=kind)
        on = next(i for i, (_, data) in enumerate(ran.glass.sent) if data == b"\x00\xaf")
        written = [data for _, data in ran.glass.sent[:on] if data[0] == 0x80]
        assert len(written) == 64
        assert not ran.glass.chip_at(ran.glass.sent[on - 1][0] - 1).on


def test_an_old_number_is_never_shown_as_a_fresh_one(tmp_path, reader):
    chips = [[[0, 480], [10_000, None]], [[0, 290], [10_000, None]], [[0, 310], [10_000, None]]]
    ran = panel_run(tmp_path, block(dip(0)), ms=150_000, chips=chips, channels=CHANNELS)
    assert reader.large(ran.at(9900), 248, 42)
    later = kept("open", ran.at(14_000))
    for y in (9, 42):
        assert reader.large(later, None, y)
    assert reader.says(later, "open")
    assert any(reader.says(later, f"{s} s") for s in (3, 4, 5))
    assert any(reader.says(ran.at(89_000), f"{s} s") for s in (78, 79, 80))
    assert reader.says(ran.at(149_000), "2 min")
    numbers = [n for n in range(-100, 400) if reader.large(later, n, 9) or reader.large(later, n, 42)]
    assert numbers == []


def test_a_sampler_that_stands_leaves_no_number_on_the_screen(tmp_path, reader):
    ran = panel_run(tmp_path, block(dip(0)), ms=20_000, chips=CHIPS, channels=CHANNELS, steps=[(8000, "stand")])
    assert reader.large(ran.at(9000), 163, 9)
    picture = ran.at(19_900)
    assert reader.large(picture, None, 9)
    assert reader.says(picture, "stopped")


def test_where_a_piece_of_meat_has_no_reading_the_coldest_is_not_said_to_be_that_of_all(tmp_path, reader):
    chips = [CHIPS[0], [[0, 290], [3000, None]], CHIPS[2]]
    ran = panel_run(tmp_path, block(dip(0)), ms=9000, chips=chips, channels=CHANNELS)
    picture = kept("one lost", ran.at(8900))
    assert reader.large(picture, 172, 9)
    assert reader.says(picture, "point")
    assert reader.says(picture, "1 lost")
    assert not reader.says(ran.at(2900), "1 lost")


def test_a_button_turns_the_pages_and_the_code_on_one_lets_a_phone_join(tmp_path, reader):
    # A page is on the glass within a second and a half; one with a code to be made needs some 1,500 turns first.
    ran = panel_run(tmp_path, block(dip(0)), ms=40_000, chips=CHIPS, channels=CHANNELS, panel=BUTTONS, spot=SPOT,
                    presses={PAGE: presses(6, apart=6000)}, steps=[(1500, "anchor")])
    pages = [ran.at(2900 + 6000 * i) for i in range(7)]
    for name, picture in zip(("numbers", "channels", "trend", "network", "join", "health"), pages, strict=False):
        kept(f"page {name}", picture)
    for text in ("flat", "162.8", "point", "171.7", "grate", "248.1"):
        assert reader.says(pages[1], text), text
    for text in ("flat", "-3 h", "now"):
        assert reader.says(pages[2], text), text
    for text in ("pit-7469", "key abcdefghjkmn", "http://192.168.4", ".1/", "PIN 482915"):
        assert reader.says(pages[3], text), text
    assert decoded(pages[4]) == "WIFI:T:WPA;S:pit-7469;P:abcdefghjkmn;;"
    for text in ("up 0d00:00", "journal", "clock ntp", "lost 0", "missed 0"):
        assert reader.says(pages[5], text), text
    assert reader.large(pages[6], 163, 9)
    assert max(ran.lateness) == 0


@pytest.mark.parametrize("error", ["OSError(5)", "ImportError('no module')", "MemoryError()"])
def test_a_page_that_cannot_be_loaded_is_said_to_be_so_and_shown_once_it_can(error, tmp_path, reader):
    fails = f"""!
import pitlogger.panel.pages as pages
def failing(name):
    raise {error}
pages.__import__ = failing"""
    ran = panel_run(tmp_path, block(dip(0)), ms=16_000, chips=CHIPS, channels=CHANNELS, panel=BUTTONS,
                    presses={PAGE: presses(1, first=5000)}, steps=[(4000, fails), (10_000, "!del pages.__import__")])
    assert reader.says(ran.at(8500), "not loaded")
    assert not reader.says(ran.at(13_500), "not loaded")
    assert reader.says(ran.at(13_500), "162.8"), "the page of all channels"
    assert max(ran.lateness) == 0


def decoded(picture: list) -> str:
    """What a decoder that is not ours reads off the glass, photographed at three pixels a pixel."""
    image = np.kron(np.array(picture, np.uint8) * 255, np.ones((3, 3), np.uint8))
    (found,) = zxingcpp.read_barcodes(np.pad(image, 30))
    return found.text


def test_without_a_network_of_its_own_there_is_no_page_with_a_code(tmp_path, reader):
    ran = panel_run(tmp_path, block(dip(0)), ms=20_000, chips=CHIPS, channels=CHANNELS, panel=BUTTONS,
                    presses={PAGE: presses(5)})
    assert reader.says(ran.at(2900 + 3 * 3000), "no network")
    assert reader.says(ran.at(2900 + 4 * 3000), "lost 0")
    assert reader.large(ran.at(2900 + 5 * 3000), 163, 9)


def test_a_long_key_is_shown_whole_if_not_at_once(tmp_path, reader):
    key = "".join(chr(33 + i) for i in range(63))
    ran = panel_run(tmp_path, block(dip(0)), ms=30_000, chips=CHIPS, channels=CHANNELS, panel=BUTTONS,
                    spot=("n" * 32, key, "482915", "http://192.168.4.1:8080/"), presses={PAGE: presses(3, apart=1000)})
    text = "key " + key
    wanted = [text[i : i + 16] for i in range(0, len(text), 16)] + ["PIN 482915", "own network"]
    pictures = [ran.at(t) for t in range(8000, 29_000, 700)]
    for line in wanted:
        assert any(reader.says(picture, line) for picture in pictures), line


def test_eight_channels_fit_on_their_page_with_whatever_is_wrong_with_them(tmp_path, reader):
    pins = (17, 20, 21, 22, 26, 27, 28, 6)
    channels = [{"chip": "max31855", "cs": pins[i], "place": f"a long place {i}"[:20], "kind": k}
                for i, k in enumerate(("meat", "meat", "air", "", "meat", "air", "meat", ""))]
    channels[3]["place"] = "über"
    chips = [[[0, c]] for c in (-160, 290, 3900, 100, None, 480, 0, 200)]
    ran = panel_run(tmp_path, block(dip(0)), ms=7000, chips=chips, channels=channels, panel=BUTTONS,
                    presses={PAGE: presses(1)}, trend_min=10)
    picture = kept("eight", ran.at(6900))
    assert reader.says(picture, "open")
    assert reader.says(picture, "a long p")
    assert reader.says(picture, "??ber") or reader.says(picture, "?ber")
    assert sum(any(picture[y][:64]) for y in range(64)) > 50


def test_the_trend_of_a_cook_has_a_scale_and_both_lines(tmp_path, reader):
    hours = 10
    pit = [[600_000 * i, int(4 * (107 + 14 * ((i % 12) / 12 - 0.5)))] for i in range(6 * hours)]
    meat = [[600_000 * i, 4 * min(20 + 5 * i, 70 + i // 4)] for i in range(6 * hours)]
    end = hours * 3_600_000
    ran = panel_run(tmp_path, block(dip(0)), ms=end + 20_000, chips=[pit, meat, None], period_ms=10_000, begin=end,
                    channels=[*CHANNELS[:2], {"chip": "none"}], panel=BUTTONS,
                    presses={PAGE: presses(2, end + 1000)})
    picture = kept("trend", ran.at(end + 19_000))
    for text in ("flat", "grate", "-12 h", "now"):
        assert reader.says(picture, text), text
    below, above = ([row[:32] + [0] * 96 for row in picture[a : a + 10]] + [[0] * 128] * 64 for a in (46, 8))
    low, high = (next(n for n in range(490, -1, -10) if reader.says(part, f"{n}")) for part in (below, above))
    assert low <= 68
    assert 240 <= high <= 300
    area = [row[32:128] for row in picture[9:54]]
    columns = [[y for y in range(45) if area[y][x]] for x in range(96)]
    assert not any(columns[:12])  # two of the twelve hours are not there yet
    lowest = [c[-1] for c in columns[20:]]
    expected = [45 - (int(meat[int((x / 96 * 12 - 2) * 6)][1] / 4 * 1.8 + 32) - low) * 45 / (high - low)
                for x in range(20, 96)]
    assert np.abs(np.array(lowest) - expected).max() <= 4
    assert all(columns[x][0] < 20 for x in range(22, 96, 3))  # the pit is dotted: every third column


# -- no tick waits for the screen --------------------------------------------------------------------------------------


def pages_all_the_time(ms: int) -> dict:
    return {PAGE: presses(ms // 1100 - 3, apart=1100), NOTE: presses(ms // 2300 - 3, apart=2300)}


def quarter(folder, glass, ms=20_000, **more):
    """A tick every 250 ms, a converter on the same bus, pages that turn all the time, notes."""
    scenario = block(dip(1))
    channels = [*CHANNELS[:1], {"chip": "mcp9600", "i2c": 0, "address": 96, "place": "flat", "kind": "meat"}]
    return panel_run(folder, scenario, ms=ms, chips=[CHIPS[0], "i2c"], channels=channels, panel=BUTTONS, glass=glass,
                     presses=pages_all_the_time(ms), period_ms=250, spot=SPOT, average=1, **more)


def test_no_tick_is_late_while_the_screen_is_drawn_and_a_converter_shares_its_bus(tmp_path):
    ran = quarter(tmp_path, Glass())
    assert len(ran.told["ticks"]) >= 78
    assert max(ran.lateness) == 0
    due = ran.told["ticks"][0] + ran.world0
    room = [250 - (t - due) % 250 for t in ran.glass.asked]
    assert min(room) >= 18 - 3  # so long before a tick nothing is begun
    assert max(len(data) for _, data in ran.glass.sent) <= 24  # 2.2 ms with the address
    assert len(ran.glass.sent) > 500


@pytest.mark.parametrize("fault", ["gone", "slow"])
def test_no_tick_is_late_when_the_screen_vanishes_and_it_shows_all_when_it_is_back(tmp_path, reader, fault):
    glass = Glass()
    setattr(glass, fault, (5000, 12_000))
    glass.power = [11_900]
    ran = panel_run(tmp_path, block(dip(0)), ms=20_000, chips=CHIPS, channels=CHANNELS, glass=glass, period_ms=250)
    assert len(ran.told["ticks"]) >= 78
    assert max(ran.lateness) == 0
    tried = [t for t in glass.asked if 5000 <= t < 12_000]
    assert 2 <= len(tried) <= 8  # it is left alone between, with the rest of the bus
    assert reader.large(ran.at(19_000), 163, 9)
    assert reader.says(ran.at(19_000), "225-300")


def test_no_tick_is_late_by_a_tenth_when_the_screen_holds_the_bus_that_a_converter_shares(tmp_path):
    glass = Glass()
    glass.stuck = 6000.0
    ran = quarter(tmp_path, glass)
    assert len(ran.told["ticks"]) >= 78
    assert max(ran.lateness) <= 25


def test_a_slow_bus_has_smaller_pieces_and_no_late_tick(tmp_path, monkeypatch, reader):
    monkeypatch.setattr("panel_rig.BAUD", 40_000)
    ran = panel_run(tmp_path, block(dip(0)), ms=10_000, chips=CHIPS, channels=CHANNELS, period_ms=250,
                    i2c=[{"id": 0, "sda": 4, "scl": 5, "baud": 40_000}])
    assert max(ran.lateness) == 0
    assert (1 + max(len(d) for _, d in ran.glass.sent[3:])) * 9 / 40 < 5  # ms, which is what the bus allows
    assert reader.large(ran.at(9000), 163, 9)
