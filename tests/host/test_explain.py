"""``pitscribe explain``: every step of one reading, equal to the series bit for bit, and what cannot be explained."""

import contextlib
import json
import sqlite3

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from series_world import LOGGER, T0_MS, Logger, open_ledger, store

from pitscribe.cli import main
from pitscribe.commands.explain import told_of, told_of_cell
from pitscribe.commands.explain_text import text
from pitscribe.commands.sample import Cell, find
from pitscribe.commands.when import local
from pitscribe.errors import NotFoundError
from pitscribe.metrology import its90
from pitscribe.metrology.airprobe import AirModel
from pitscribe.metrology.airprobe import body_of as air_body_of
from pitscribe.metrology.calibration import Point, Through, body_of
from pitscribe.metrology.chain import Context, read_piece
from pitscribe.metrology.chips import CHIPS, code_from_emf
from pitscribe.metrology.correction import Calibrated, Calibration
from pitscribe.metrology.derivation import derive, register_word
from pitscribe.metrology.strand import Codes
from pitscribe.metrology.uncertainty import Setup, combined
from pitscribe.series import load
from pitscribe.wire.frames import Channel, FrameKey, encode_ticks

BEGAN = T0_MS + 10_000  # when boot 1 was powered up
TABLE = (Channel("max31855", "K"), Channel("max31856", "T"), Channel("max31856-gain8", "J"), Channel("max31855", "T"))
PLACES = (("grate", "K", "air"), ("flat", "T", "meat"), ("dome", "J", "air"), ("point", "T", "meat"))
FRAMES = 20


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(tmp_path, at_ms=T0_MS + 3_600_000) as ledger:
        yield ledger


@pytest.fixture
def cook(ledger):
    """Four channels, twenty frames of eight ticks, one of them missed in every third frame; probes with a history."""
    cook = ledger.start_cook("brisket", at=T0_MS)
    for channel, (place, tc, kind) in enumerate(PLACES):
        probe = ledger.add_probe(f"{place} probe", tc, "iec-1")
        ledger.place(cook.id, probe, LOGGER, channel, place, kind)
        if place != "dome":
            made = T0_MS - 86_400_000 if place == "grate" else T0_MS + 60_000
            points = [Point("ice", 0.8, 0.02, 30.0, 0.0, 0.02), Point("boil", 95.3, 0.03, 20.0, 94.6, 0.05)]
            body = body_of(points, Through(*TABLE[channel], 22.0))
            ledger.add_probe_record(probe.id, "calibration", made, body, channel=(LOGGER, 0 if place == "grate" else 6))
    logger = Logger()
    logger.boot(1)
    logger.anchor(1, 500, BEGAN + 500)
    for i in range(FRAMES):
        logger.ticks(1, BEGAN, 8 * i, table=TABLE, missed=(3,) if i % 3 == 0 else ())
    store(ledger, *logger.made)
    return cook


@pytest.mark.parametrize("known", ["now", "then"])
def test_the_result_is_the_series_value_bit_for_bit_at_every_place_and_tick(ledger, cook, known):
    for series in load(ledger, cook.id, known=known).places:
        for row in (0, 1, 5, 14, 15, 77, series.t.size - 1):
            found = find(ledger, cook, series.place, float(series.t[row]), known)
            told = told_of(found)
            assert told["result"]["celsius"] == series.celsius[row]
            assert told["steps"][-1]["value"] == series.celsius[row]
            assert told["budget"]["u_k"] == series.u[row]
            assert told["budget"]["k"] == series.k[row]
            assert sum(line["share"] for line in told["budget"]["lines"]) == pytest.approx(1.0)


def test_the_air_around_a_learned_probe_is_explained_bit_for_bit_too(ledger, cook):
    model = AirModel("flat", 0.6, 0.12, 15.0, (0.01, 0.0, 0.0, 1e-5, 0.0, 0.5), 40.0, 0.3, 0.2, 0.01, 90.0, 130.0)
    probe = next(p for p in ledger.probes() if p.name == "dome probe")
    ledger.add_probe_record(probe.id, "air", T0_MS - 1000, air_body_of(model), channel=(LOGGER, 2))
    record = load(ledger, cook.id)
    dome, read = next(s for s in record.places if s.place == "dome"), record.as_read[0]
    assert np.abs(dome.celsius - read.celsius)[1:].min() > 1  # 0.12 of 25 K and more, and 0.6 K
    for row in (0, 1, 40, 77, dome.t.size - 1):
        told = told_of(find(ledger, cook, "dome", float(dome.t[row])))
        steps = {step["name"]: step for step in told["steps"]}
        assert told["result"]["celsius"] == steps["result"]["value"] == dome.celsius[row]
        assert steps["the junction reads"]["value"] == read.celsius[row]
        assert steps["stem and lag"]["value"] == dome.celsius[row] - read.celsius[row]
        assert (told["budget"]["u_k"], told["budget"]["k"]) == (dome.u[row], dome.k[row])
        assert sum(line["share"] for line in told["budget"]["lines"]) == pytest.approx(1.0)
        assert ("just put in" in steps["stem and lag"]["source"]) == (row == 0)
    assert "0.120 of (reading - flat)" in steps["stem and lag"]["source"]
    assert [step["name"] for step in told["steps"]][-3:] == ["the junction reads", "stem and lag", "result"]


def test_the_calibration_that_is_named_is_the_one_that_counts(ledger, cook):
    def history(place, known):
        steps = told_of(find(ledger, cook, place, T0_MS / 1000 + 60, known))["steps"]
        return next(step for step in steps if step["name"] == "probe's correction")

    assert "record 1, calibrated" in history("grate", "then")["source"]
    assert "through this channel" in history("grate", "now")["source"]
    # It reads 60 degC; the line through -0.8 K at 0.8 degC and -0.7 K at 95.3 degC has -0.74 K there.
    assert history("grate", "now")["value"] == pytest.approx(-0.74, abs=0.02)
    # To another channel goes what the two points say of the wire, here nearly nothing: a constant in kelvin.
    assert "through another channel: what it says of the wire" in history("flat", "now")["source"]
    assert history("flat", "now")["value"] == pytest.approx(0.0, abs=0.1)
    assert "never calibrated" in history("flat", "then")["source"]  # not yet, when it was put there
    assert "never calibrated" in history("dome", "now")["source"]


def test_frame_and_tick_are_those_that_the_logger_sent(ledger, cook):
    for place, at in ((0, 0), (3, 4), (7, 7), (9, 2)):
        second = BEGAN / 1000 + 1 + 8 * place + at
        found = find(ledger, cook, "flat", second + 0.4)
        assert found.value.t == pytest.approx(second, abs=1e-3)
        assert found.origin.key == FrameKey(LOGGER, 1, 2 + place)  # behind the events of boot and anchor
        assert (found.origin.tick, found.origin.ticks) == (at, 8)
        assert found.origin.uptime_ms == 1000 * (1 + 8 * place + at)


def test_a_missed_tick_is_explained_by_the_one_before_it(ledger, cook):
    missed = BEGAN / 1000 + 1 + 3
    assert find(ledger, cook, "flat", missed + 0.1).value.t == pytest.approx(missed - 1, abs=1e-3)


def test_a_worked_reading_is_what_the_handbooks_say(ledger):
    """K at 107.2 degC, box at 25: word 06B41900, and 107.24 degC from it (data sheet's tables, NIST's tables)."""
    hot, cold, fault = (np.full((4, 1), code) for code in (429, 400, 0))
    logger = Logger()
    logger.boot(1)
    logger.anchor(1, 500, BEGAN + 500)
    logger.made.append(encode_ticks(FrameKey(LOGGER, 1, 9), 1000, 1000, TABLE[:1], hot, cold, fault))
    cook = ledger.start_cook("bench", at=T0_MS)
    ledger.place(cook.id, "K", LOGGER, 0, "grate", "meat")
    store(ledger, *logger.made)
    steps = {step["name"]: step for step in told_of(find(ledger, cook, "grate", BEGAN / 1000 + 3))["steps"]}
    assert steps["register word"]["said"].startswith("06B41900; hot 429, cold 400, fault 0000h")
    assert steps["chip's own reading"]["value"] == 107.25
    assert steps["cold junction"]["value"] == 25.0
    assert steps["emf of the loop"]["value"] == pytest.approx(41.276e-3 * 82.25, abs=1e-9)
    assert steps["emf of the cold junction"]["value"] == pytest.approx(1.000242, abs=1e-6)  # NIST Monograph 175
    assert steps["sum"]["value"] == pytest.approx(3.394951 + 1.000242, abs=1e-6)
    assert steps["result"]["value"] == pytest.approx(107.24, abs=0.005)
    # +/-2 degC of the amplifier, of its own straight line: 2 x 41.276 uV / root 3, noise and steps besides.
    assert steps["emf of the loop"]["u"] == pytest.approx(np.hypot(2 * 41.276e-3 / 3**0.5, 0.0050), abs=2e-4)


def test_words_are_those_of_the_data_sheets_examples():
    assert register_word("max31855", Codes(6400, 2032, 0)) == "64007F00"
    assert register_word("max31855", Codes(-1, -1, 0)) == "FFFCFFF0"
    assert register_word("max31855", Codes(0, 400, 1)) == "00011901"
    assert register_word("max31856", Codes(12800, 1600, 0)) == "19 00 06 40 00 00"  # 100 degC, 25 degC
    assert register_word("max31855", Codes(0, 0, 0x200)) == ""  # bits that the chip cannot send
    assert register_word("mcp9600", Codes(1600, 400, 0)) == "0640 0190"


def _reading(chip, tc, kind, celsius, cold_c, calibrated, slope):
    n = 40
    t = np.arange(n, dtype=float) * 10
    at = celsius + slope * (t - t[-1])
    cold = np.full(n, cold_c)
    codes = code_from_emf(chip, tc, its90.emf(tc, at) - its90.emf(tc, cold), cold)
    fault = np.zeros(n, np.int32)
    setup = Setup(chip, tc, tc, "iec-2", kind, calibrated)
    whole, _, _ = read_piece(setup, *codes, fault, t, 0.5, Context())
    names = ("raw_c", "celsius", "loop_mv", "cold_c", "slope", "cold_slope", "time_u")
    last = {name: np.broadcast_to(getattr(whole, name), (n,))[-1:] for name in names}
    return Codes(*(int(c[-1]) for c in codes), 0), type(whole)(setup, **last)


FITS = st.sampled_from([None, True, False])


@settings(max_examples=150, deadline=None)
@given(
    chip=st.sampled_from(sorted(CHIPS)), tc=st.sampled_from("KTJNE"), kind=st.sampled_from(["air", "meat"]),
    celsius=st.floats(-20, 300), cold_c=st.floats(-30, 95), here=FITS, slope=st.floats(-0.05, 0.05),
)
def test_the_steps_uncertainties_add_up_to_the_result_and_the_shares_to_the_whole(
    chip, tc, kind, celsius, cold_c, here, slope
):
    fit = Calibration(-0.4, 0.003, (0.002, -1e-6, 1e-7), 12.0, 0.0, 95.0, 22.0, True, tc)
    known = None if here is None else Calibrated(fit, "max31855", "K", here, 3e6)
    codes, reading = _reading(chip, tc, kind, celsius, cold_c, known, slope)
    assume(any(codes))  # all zeros is a dead line
    steps = {step.name: step for step in derive(codes, reading, "a record")}
    total = combined(reading)
    own = [steps[name].u for name in ("hot junction", "probe's correction", "at the place")]
    assert np.sqrt(np.square(own).sum()) == pytest.approx(float(total.u[0]), rel=1e-9)
    assert steps["result"].u == pytest.approx(float(total.u[0]), rel=1e-12)
    # Each value follows from those before it.
    assert steps["sum"].value == steps["emf of the loop"].value + steps["emf of the cold junction"].value
    assert its90.emf(tc, steps["hot junction"].value) == pytest.approx(steps["sum"].value, abs=5e-9)  # K: 2e-9 mV at 0
    added = steps["hot junction"].value + steps["probe's correction"].value + steps["at the place"].value
    assert added == pytest.approx(steps["result"].value, abs=1e-12)
    # In the step's own unit: a kelvin of the cold junction is as many millivolts as the sensitivity there says.
    cold_s = its90.sensitivity(tc, steps["cold junction"].value) / 1000
    assert steps["emf of the cold junction"].u == pytest.approx(steps["cold junction"].u * cold_s, rel=1e-9)


def test_an_open_loop_has_its_word_and_flag_and_no_result(ledger):
    logger = Logger()
    logger.boot(1)
    logger.anchor(1, 500, BEGAN + 500)
    logger.ticks(1, BEGAN, 0, table=TABLE, fault=[(5, 0, 1), (6, 0, 0x100)])
    cook = ledger.start_cook("broken", at=T0_MS)
    ledger.place(cook.id, "K", LOGGER, 0, "grate", "air")
    store(ledger, *logger.made)
    told = told_of(find(ledger, cook, "grate", BEGAN / 1000 + 6))
    assert [step["name"] for step in told["steps"]] == ["register word"]
    assert told["steps"][0]["said"].endswith("fault 0001h")
    assert [(flag["flag"], flag["usable"]) for flag in told["flags"]] == [("open", False)]
    assert "the chip's own bit for an open circuit" in text(told, "F")
    assert told["result"] is None
    assert told["budget"] is None
    silent = told_of(find(ledger, cook, "grate", BEGAN / 1000 + 7))["steps"][0]
    assert silent["said"].startswith("none;")
    assert silent["source"] == "no word was read"


def test_a_type_without_a_reference_function_says_so(ledger):
    logger = Logger()
    logger.boot(1)
    logger.anchor(1, 500, BEGAN + 500)
    codes = np.ones((3, 1), np.int32)
    logger.made.append(
        encode_ticks(FrameKey(LOGGER, 1, 9), 1000, 1000, [Channel("max31856", "B")], 100 * codes, codes, 0 * codes)
    )
    cook = ledger.start_cook("furnace", at=T0_MS)
    ledger.place(cook.id, "K", LOGGER, 0, "grate", "air")
    store(ledger, *logger.made)
    told = told_of(find(ledger, cook, "grate", BEGAN / 1000 + 2))
    assert [step["name"] for step in told["steps"]] == ["register word"]
    assert [flag["flag"] for flag in told["flags"]] == ["no function"]


def test_a_cell_of_an_imported_table_says_what_is_known_of_it(ledger):
    cook = ledger.start_cook("table", at=T0_MS)
    t = T0_MS / 1000 + 60.0 * np.arange(30)
    ledger.add_sheet(cook.id, "flat", "meat", t, np.linspace(10.0, 20.0, 30), "brisket.csv", "0" * 32)
    found = find(ledger, cook, "flat", float(t[7]) + 59)
    assert isinstance(found, Cell)
    told = told_of_cell(found)
    assert told["result"]["celsius"] == np.linspace(10.0, 20.0, 30)[7]
    assert "brisket.csv" in told["steps"][0]["source"]
    with pytest.raises(NotFoundError, match="the last before it was at"):
        find(ledger, cook, "flat", float(t[-1]) + 61)


@pytest.mark.parametrize(
    ("place", "after_s", "named"),
    [
        ("point end", 60, "has no place 'point end'; it has grate, flat, dome, point"),
        ("flat", -3600, "the next is at"),
        ("flat", 3600, "in the 8 s before; the last before it was at"),
    ],
)
def test_what_is_not_there_is_told_with_what_there_is(ledger, cook, place, after_s, named):
    with pytest.raises(NotFoundError, match=named):
        find(ledger, cook, place, T0_MS / 1000 + after_s)


def test_the_command_prints_the_steps_in_the_unit_that_was_asked_for(tmp_path, capsys, ledger, cook):
    _to_home(tmp_path)

    def explain(*arguments):
        status = main(["--home", str(tmp_path / "home"), "explain", *arguments])
        said = capsys.readouterr()
        return status, said.out + said.err

    value = load(ledger, cook.id).places[1].celsius
    status, celsius = explain("brisket", "flat", "+0:01", "--unit", "C")
    assert status == 0
    at_minute = 60 - (BEGAN - T0_MS) // 1000 - 1 - 2  # ticks before it; two were missed
    for line in ("register word", "emf of the loop", "hot junction", "combined", "no flag", "flat (meat) of cook 1"):
        assert line in celsius
    assert f"{value[at_minute]:.3f} C +/- " in celsius
    _, fahrenheit = explain("1", "FLAT", "+1m", "--unit", "F")
    assert f"{value[at_minute] * 1.8 + 32:.3f} F +/- " in fahrenheit
    _, told = explain("1", "flat", "+0:01:00", "--json")
    assert json.loads(told)["result"]["celsius"] == value[at_minute]
    assert explain("1", "flat", "+0:61")[0] == 1
    assert "write +3:10" in explain("1", "flat", "+soon")[1]
    assert explain("1", "flat", "+9:00")[0] == 1


def test_a_time_of_day_is_the_cooks_own(tmp_path, capsys, ledger, cook):
    """An old cook is asked for by its own clock, not by the last time that the clock here showed this."""
    ledger.end_cook(cook.id, T0_MS + 300_000)
    _to_home(tmp_path)
    clock = local((T0_MS + 120_000) / 1000)[-5:]
    assert main(["--home", str(tmp_path / "home"), "explain", "1", "grate", clock, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert 0 <= T0_MS / 1000 + 120 - told["time"] < 60


def _to_home(folder):
    home = folder / "home"
    home.mkdir()
    with contextlib.closing(sqlite3.connect(folder / "ledger.db")) as source, contextlib.closing(
        sqlite3.connect(home / "ledger.sqlite")
    ) as target:
        source.backup(target)
