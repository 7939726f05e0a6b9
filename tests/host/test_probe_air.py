"""``pitscribe probe learn-air`` and ``plunge``, and what a cook is read as from then on: frames, ledger, command."""

import csv
import io
import re
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from air_bench import COOKS, LOGGER, PLACES, cook_of, draw, frames_of, keep_errors, play, store

from pitscribe.cli import main
from pitscribe.clock import SetClock
from pitscribe.commands.export_csv import write_csv
from pitscribe.commands.export_table import Table
from pitscribe.commands.ledgers import LEDGER_NAME
from pitscribe.ledger.ledger import Ledger
from pitscribe.metrology import chips, its90
from pitscribe.metrology.calibration import Point, body_of
from pitscribe.series import Reader, load
from pitscribe.series.known import THEN
from pitscribe.wire.frames import Channel, FrameKey, encode_event, encode_ticks

HOURS, DAY1, DAY2 = 4.5, 1_781_341_200_000, 1_781_945_400_000
SECONDS = np.arange(0, int(3600 * HOURS), 2, dtype=np.int64)
LEARN = ["probe", "learn-air", "stick", "--beside", "grate", "--base", "flat", "--cook", "first"]


@pytest.fixture(scope="module")
def played():
    """Two days' frames of the same probes and chips, the second day's truth, and the first day."""
    first, second = (play(name, HOURS) for name in list(COOKS)[:2])
    draw(first, 41)
    keep_errors(first, second)
    frames = [frames_of(w, boot, began, SECONDS) for w, boot, began in ((first, 1, DAY1), (second, 2, DAY2))]
    return frames, second.true[SECONDS, 1], first


@pytest.fixture
def home(played, tmp_path):
    """A home folder whose ledger has both days."""
    return home_with(tmp_path, played[0])


def home_with(tmp_path, days):
    with opened(tmp_path) as ledger:
        kinds = {"grate": "K", "stick": "K", "dome": "K", "flat": "T"}
        probes = {place: ledger.add_probe(place, kinds[place], "iec-1") for place in PLACES}
        for frames in days:
            store(ledger, frames)
        cook_of(ledger, "first", DAY1, HOURS, probes)
        cook_of(ledger, "second", DAY2, HOURS, probes)
    return tmp_path


def opened(home, at_ms=DAY2 + 86_400_000):
    return closing(Ledger(home / LEDGER_NAME, SetClock(at_ms / 1000)))


def command(home, *words):
    return main(["--home", str(home), *words])


def place(record, name):
    return next(s for s in record.places if s.place == name)


def test_from_then_on_the_corrected_series_is_offered_beside_the_raw_one(home, played, capsys):
    with opened(home) as ledger:
        before = load(ledger, 2)
    assert command(home, *LEARN) == 0
    said = capsys.readouterr().out
    assert "stem: the junction takes" in said
    assert "kept as record" in said
    with opened(home) as ledger:
        after = load(ledger, 2)
    (raw,) = after.as_read
    corrected, true = place(after, "stick"), played[1][: raw.t.size]
    assert (raw.place, raw.celsius.tobytes()) == ("stick", place(before, "stick").celsius.tobytes())
    off = [np.sqrt(np.nanmean(np.square(s.celsius - true))) for s in (raw, corrected)]
    print(f"\nfrom frames: raw {off[0]:.1f} K, corrected {off[1]:.2f} K, ratio {off[1] / off[0]:.3f}")
    assert off[1] < 0.25 * off[0]
    assert (np.abs(corrected.celsius - true) <= corrected.expanded()).mean() > 0.9
    assert np.median(raw.u) < np.median(place(before, "stick").u)  # lag and radiation are not the junction's
    for name in ("grate", "dome", "flat"):
        assert place(after, name).celsius.tobytes() == place(before, name).celsius.tobytes()


@pytest.mark.parametrize(("place", "hours"), [("grate", (1.4, 1.9)), ("stick", (2.0, 2.5))])
def test_nothing_is_learned_from_readings_of_a_chip_that_the_gate_calls_stuck(home, played, tmp_path_factory, place,
                                                                              hours):
    """Half an hour of the very same code: it is flagged by what the other places did, which one sample cannot tell."""
    frozen = place, *(3600 * h for h in hours)
    other = home_with(tmp_path_factory.mktemp("frozen"), [frames_of(played[2], 1, DAY1, SECONDS, frozen), played[0][1]])
    learned = []
    for folder in (home, other):
        assert command(folder, *LEARN) == 0
        with opened(folder) as ledger:
            learned.append(ledger.probe_records(ledger.probe("stick").id, "air")[0].body)
    good, torn = learned
    print(f"\n{place} frozen: lag {torn['lag']:.0f} s for {good['lag']:.0f}, kappa {torn['kappa']:.3f} for "
          f"{good['kappa']:.3f}, of {torn['seen']['samples']} samples for {good['seen']['samples']}")
    assert torn["seen"]["samples"] < good["seen"]["samples"] - 300
    assert torn["lag"] == pytest.approx(good["lag"], rel=0.25)
    assert torn["kappa"] == pytest.approx(good["kappa"], abs=0.03)


def test_a_cook_is_the_same_bit_for_bit_read_piece_by_piece_or_whole_or_as_far_as_a_time(home, played, tmp_path):
    assert command(home, *LEARN) == 0
    with opened(home) as ledger:
        record = ledger.probe_records(ledger.probe("stick").id, "air")[0]
        whole = load(ledger, 2)
    (tmp_path / "other").mkdir()
    with opened(tmp_path / "other") as ledger:
        probes = {p: ledger.add_probe(p, "T" if p == "flat" else "K", "iec-1") for p in PLACES}
        ledger.add_probe_record(probes["stick"].id, "air", record.made_ms, record.body, channel=(LOGGER, 1))
        cook = cook_of(ledger, "second", DAY2, HOURS, probes)
        reader, frames = Reader(ledger, cook.id), played[0][1]
        for i in range(0, len(frames), 37):
            store(ledger, frames[i : i + 37])
            so_far = place(reader.read(), "stick")
            n = so_far.t.size
            for name in ("t", "celsius", "u", "flags", "k"):
                assert getattr(so_far, name).tobytes() == getattr(place(whole, "stick"), name)[:n].tobytes()
    assert n == place(whole, "stick").t.size


def test_read_as_it_was_known_then_the_cook_it_was_learned_in_is_not_corrected(home):
    assert command(home, *LEARN) == 0
    with opened(home) as ledger:
        assert [s.place for s in load(ledger, 1).as_read] == ["stick"]
        assert load(ledger, 1, known=THEN).as_read == ()
        assert [s.place for s in load(ledger, 2, known=THEN).as_read] == ["stick"]


def test_a_calibration_made_since_moves_what_is_read_and_not_the_air(home):
    assert command(home, *LEARN) == 0
    with opened(home) as ledger:
        before = load(ledger, 2)
        points = [Point("told", true + 1.2, 0.05, np.inf, true, 0.05) for true in (0.0, 100.0)]
        ledger.add_probe_record(ledger.probe("stick").id, "calibration", DAY2 - 1, body_of(points))
        after = load(ledger, 2)
    moved = after.as_read[0].celsius - before.as_read[0].celsius
    assert np.allclose(moved, -1.2, atol=0.06)
    shift = place(after, "stick").celsius - place(before, "stick").celsius
    # Kappa of it; a window of the slope may be chosen otherwise here and there, for readings that differ by a hair.
    assert np.quantile(np.abs(shift), 0.99) < 0.35


def test_a_cook_without_the_meat_that_the_stem_sits_in_says_so_and_is_less_sure(home):
    assert command(home, *LEARN) == 0
    with opened(home) as ledger:
        known = load(ledger, 2)
        probes = {p: ledger.probe(p) for p in PLACES if p != "flat"}
        cook = cook_of(ledger, "bare", DAY2, HOURS, probes)
        bare = load(ledger, cook.id)
    assert known.remarks == ()
    assert "no such place" in bare.remarks[0]
    assert np.median(place(bare, "stick").u) > 1.5 * np.median(place(known, "stick").u)


def test_the_export_has_a_column_for_what_was_read(home):
    assert command(home, *LEARN) == 0
    with opened(home) as ledger:
        record = load(ledger, 2)
    out = io.BytesIO()
    write_csv(Table(record, "C"), out)
    rows = list(csv.reader(io.StringIO(out.getvalue().decode())))
    at = rows[0].index("stick as read [C]")
    assert [float(row[at]) for row in rows[1:]] == pytest.approx(record.as_read[0].celsius.tolist(), abs=6e-4)
    assert sum("as read" in cell for cell in rows[0]) == 1


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["stick", "--beside", "nowhere"], "no air place|at no air place"),
        (["stick", "--beside", "stick"], "itself"),
        (["flat", "--beside", "grate"], "at no air place"),
        (["stick", "--beside", "grate", "--base", "point"], "no such meat place"),
        (["stick", "--beside", "grate", "--from", "2026-06-13T12:00Z", "--to", "2026-06-13T11:00Z"], "before it"),
        (["stick", "--beside", "grate", "--from", "2026-06-13T12:00+00:00", "--to", "2026-06-13T12:10+00:00"], "min"),
        (["grate", "--beside", "stick"], "slower|no stem|independent|lag"),
        (["other", "--beside", "grate"], "no probe 'other'"),
    ],
)
def test_what_cannot_teach_is_refused_in_one_line_and_nothing_is_kept(home, capsys, words, why):
    assert command(home, "probe", "learn-air", *words, "--cook", "first") == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert any(word in said for word in why.split("|")), said
    with opened(home) as ledger:
        assert all(not ledger.probe_records(p.id, "air") for p in ledger.probes())


def test_a_dry_run_writes_nothing_down(home, capsys):
    assert command(home, *LEARN, "--dry-run") == 0
    assert "nothing was written down" in capsys.readouterr().out
    with opened(home) as ledger:
        assert ledger.probe_records(ledger.probe("stick").id) == []


def dip(home, tau, period_ms, to_go=None):
    """Frames of a channel whose probe goes from ice into hot water, and the probe."""
    n = int(90_000 / period_ms) // 32 * 32
    t = np.arange(n) * period_ms / 1000
    late = np.maximum(t - 30.1, 0.0)
    hot_c = 96 - 95 * (np.exp(-late / tau) if to_go is None else to_go(late))
    mv = its90.emf("K", hot_c) - its90.emf("K", 25.0) + np.random.default_rng(2).normal(0, 0.004, n)
    hot, cold = chips.code_from_emf("max31855", "K", mv, np.full(n, 25.0))
    table, anchor = [Channel("max31855", "K")], {"utc_ms": DAY1 + 500, "err_ms": 50, "from": "host"}
    frames = [encode_event(FrameKey(LOGGER, 1, 0), 500, "anchor", anchor)]
    for i in range(0, n, 32):
        rows = slice(i, i + 32)
        frames.append(encode_ticks(FrameKey(LOGGER, 1, 1 + i // 32), 1000 + i * period_ms, period_ms, table,
                                   hot[rows, None], cold[rows, None], np.zeros((32, 1), np.int32)))
    with opened(home) as ledger:
        store(ledger, frames)
        ledger.add_probe("stick", "K", "iec-1")


PLUNGE = ["probe", "plunge", "stick", "--channel", "0", "--from", "2026-06-13T09:00:00+00:00", "--to",
          "2026-06-13T09:01:30+00:00"]


def test_a_plunge_rates_a_probe_and_keeps_the_readings(tmp_path, capsys):
    dip(tmp_path, 2.5, 250)
    assert command(tmp_path, *PLUNGE) == 0
    said = capsys.readouterr().out
    assert float(said.split("after ")[1].split(" s")[0]) == pytest.approx(2.5, abs=0.1)
    assert "40 to 100 times slower" in said
    with opened(tmp_path) as ledger:
        (kept,) = ledger.probe_records(ledger.probe("stick").id, "plunge")
    assert (kept.logger, kept.channel) == (LOGGER, 0)
    assert command(tmp_path, "probe", "show", "stick") == 0
    assert "63.2 % after 2." in capsys.readouterr().out
    assert len(kept.body["celsius"]) == len(kept.body["t_s"]) > 300


def test_a_doubtful_plunge_is_kept_with_its_doubt_and_one_that_is_none_is_not_kept(tmp_path, capsys):
    dip(tmp_path, 2.5, 250, lambda late: 0.6 * np.exp(-late / 0.8) + 0.4 * np.exp(-late / 8.0))
    assert command(tmp_path, *PLUNGE) == 0
    assert "but this is no single exponential: it leaves" in capsys.readouterr().out
    assert command(tmp_path, "probe", "show", "stick") == 0
    assert re.search(r"63.2 % after 3\.\d\d s in stirred water, in doubt: no single", capsys.readouterr().out)
    (tmp_path / "other").mkdir()
    dip(tmp_path / "other", 2.5, 250, lambda late: np.clip(1 - late / 20.0, 0.0, 1.0))
    assert command(tmp_path / "other", *PLUNGE) == 1
    assert "this is no plunge" in capsys.readouterr().err
    with opened(tmp_path / "other") as ledger:
        assert ledger.probe_records(ledger.probe("stick").id) == []


def test_a_plunge_on_a_chip_that_is_set_for_another_type_is_warned_of(tmp_path, capsys):
    dip(tmp_path, 2.5, 250)
    with opened(tmp_path) as ledger:
        ledger.add_probe("needle", "T", "iec-1")
    command(tmp_path, *(w.replace("stick", "needle") for w in PLUNGE))
    assert "channel 0: the logger's chip is set for type K, and you say T" in capsys.readouterr().err


def test_a_plunge_that_is_sampled_too_slowly_is_refused_with_the_limit(tmp_path, capsys):
    dip(tmp_path, 0.3, 1000)
    assert command(tmp_path, *PLUNGE) == 1
    assert "at most" in capsys.readouterr().err


def test_a_probes_history_says_what_was_learned_of_it(home, capsys):
    assert command(home, *LEARN) == 0
    capsys.readouterr()
    assert command(home, "probe", "show", "stick") == 0
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "  air  " in line]
    assert "% of flat, lag " in line
    assert "beside grate" in line


def test_what_was_learned_holds_for_the_air_alone_and_the_probe_in_meat_is_read_as_it_is(home):
    assert command(home, *LEARN) == 0
    with opened(home) as ledger:
        cook = ledger.start_cook("moved", at=DAY2)
        ledger.place(cook.id, ledger.probe("stick"), LOGGER, 1, "flat", "meat")
        assert load(ledger, cook.id).as_read == ()
        assert replace(load(ledger, cook.id)).remarks == ()
