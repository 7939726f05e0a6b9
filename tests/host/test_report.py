"""A cook's page: its figures are the analysis's, it needs nothing else, and it prints on two pages."""

import itertools
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paper_kitchen import NOTES, Page, cook, needs_nothing_else, numbers
from playwright.sync_api import sync_playwright
from series_world import LOGGER, T0_MS, TABLE, Logger, open_ledger, store

from pitscribe.cook.analysis import analyse, forecasts_ahead
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.lookback import lookbacks
from pitscribe.cook.plain import iso
from pitscribe.ledger.trialvalues import Score, Weights
from pitscribe.metrology.calibration import Point, Through, body_of
from pitscribe.report.cook import Kept, cook_html
from pitscribe.report.cook_chart import chart
from pitscribe.report.gather import kept as kept_of
from pitscribe.report.plot import apart, rows_of, thinned, ticks
from pitscribe.report.times import Times

HOUR = 3600.0


def when(utc):
    """A person's clock that shows UTC."""
    return iso(utc)[:16].replace("T", " ")


def clock(utc):
    return when(utc)[11:]


def kept(record, **more):
    said = analyse(record, ahead=True)
    return Kept(record, said, lookbacks(record, said.forecasts), **more)


SCORES = tuple(Score(i, 1, "", "tenderness", 7.0 + i, who, True, "", 0) for i, who in enumerate("ab"))
WEIGHED = (Weights(1, "", 7.5, 6.0, 3.6),)
KEPT = kept(cook(), scores=SCORES, weights=WEIGHED)
SAID = KEPT.said
HTML = {unit: cook_html(KEPT, unit=unit, when=when) for unit in "FC"}
PAGE = {unit: Page(HTML[unit]) for unit in "FC"}
SCALE = {"F": 1.8, "C": 1.0}


def near(text, kelvin, unit):
    """The first number of a text is this difference, to the last digit that is written."""
    return numbers(text)[0] == pytest.approx(kelvin * SCALE[unit], abs=0.0501)


@pytest.mark.parametrize("unit", "FC")
def test_the_phases_are_those_of_the_analysis(unit):
    rows = PAGE[unit].rows("Phases")
    assert len(rows) == len(SAID.phases) > 2
    for row, phase in zip(rows, SAID.phases, strict=True):
        assert (row["phase"], row["from"]) == (phase.kind, clock(phase.begin))
        assert row["to"] == ("the end" if phase.end is None else clock(phase.end))
        assert near(row["mean spread"], phase.mean_k, unit)
        assert numbers(row["mean spread"])[1] == pytest.approx(2 * phase.mean_u_k * SCALE[unit], abs=0.0501)
        assert near(row["first"], phase.first_k, unit)
        assert near(row["last"], phase.last_k, unit)
        assert near(row["greatest"], phase.greatest_k, unit)
        assert near(row["degree-hours over limit"], phase.degree_hours_above, unit)
        assert row["leads / lags"] == f"{phase.leader} / {phase.laggard}"


@pytest.mark.parametrize("unit", "FC")
def test_the_stalls_are_those_of_the_analysis(unit):
    rows = PAGE[unit].rows("Stalls")
    assert len(rows) == len(SAID.stalls) > 0
    for row, stall in zip(rows, SAID.stalls, strict=True):
        assert (row["place"], row["begin"], row["noticed"]) == (stall.place, clock(stall.begin), clock(stall.noticed))
        plateau = stall.plateau_c * 1.8 + 32 if unit == "F" else stall.plateau_c
        assert numbers(row["plateau"])[0] == pytest.approx(plateau, abs=0.501 if unit == "F" else 0.0501)
        assert numbers(row["likely"])[0] == pytest.approx(100 * stall.probability, abs=0.501)


@pytest.mark.parametrize("unit", "FC")
def test_what_each_note_did_is_what_the_analysis_says_of_it(unit):
    rows = PAGE[unit].rows("Notes, and what they did")
    assert [row["what"].split(":")[0] for row in rows] == [kind for _, kind in NOTES if kind != "fuel"]
    assert [row["no."] for row in rows] == ["1", "2", "3"]
    wrap = next(d for d in SAID.interventions if "wrap" in d.kinds)
    row = next(row for row in rows if row["what"].startswith("wrap"))
    for column, change in ((f"spread, {unit}", wrap.after[-1].spread), (f"pit, {unit}", wrap.after[-1].pit)):
        effect, half = numbers(row[column])
        assert effect == pytest.approx(change.effect * SCALE[unit], abs=0.0501)
        assert half == pytest.approx(change.u95 * SCALE[unit], abs=0.0501)
        assert row[column].startswith("(") == (not change.told)
    first = clock(SAID.phases[0].begin + 2 * HOUR)
    assert f"Fuel, 3 times (ticks at the foot of the chart): {first}" in PAGE[unit].text


def test_an_act_right_after_new_fuel_shows_what_both_did_at_its_own_number():
    """Fuel has no number of its own, so what began with it stands at the first note that has one; only there."""
    notes = ((2.0, "fuel"), (2.02, "spritz"), (2.04, "rotate"))
    record = cook(hours=4.0, notes=notes)
    (done,) = analyse(record).interventions
    assert done.kinds == ("fuel", "spritz", "rotate")
    first, second = Page(cook_html(kept(record), unit="C", when=when)).rows("Notes, and what they did")
    assert numbers(first["spread, C"])[0] == pytest.approx(done.after[-1].spread.effect, abs=0.0501)
    assert first["besides"] == "with fuel"
    assert (second["spread, C"], second["besides"]) == ("", "together with no. 1")


def test_each_forecast_is_the_one_that_was_made_of_the_record_as_it_stood_then_and_stands_against_what_came():
    assert [b.share for b in KEPT.back] == [0.25, 0.5, 0.75]
    for look in KEPT.back:
        assert look.forecast.made <= look.came
        then = forecasts_ahead(KEPT.record.until(look.forecast.made + 59.0))
        assert look.forecast.as_json() in [f.as_json() for f in then]
        assert look.late_s == look.came - look.forecast.p50
        assert look.held == (look.forecast.p10 <= look.came <= (look.forecast.p90 or math.inf))
    rows = PAGE["F"].rows("What was forecast, and what came")
    for row, look in zip(rows, KEPT.back, strict=True):
        rounded = round(look.forecast.p50 / look.forecast.round_s) * look.forecast.round_s
        assert row["median"] == clock(rounded)
        assert row["it came"].endswith("later" if look.came > look.forecast.p50 else "earlier")
        assert row["that is"] == ("inside" if look.held else "outside")
    assert f"The coldest place reached 190 F at {clock(KEPT.back[0].came)}." in PAGE["F"].text


def test_a_target_that_was_never_reached_is_said_so_and_nothing_is_compared():
    page = Page(cook_html(kept(cook(hours=6.0, notes=((4.0, "spritz"),), target_c=95.0)), unit="F", when=when))
    assert "Not every place was seen to reach 203 F: nothing to compare with." in page.text
    assert all("it came" not in row for row in page.rows("What was forecast, and what came"))


def test_every_check_of_safety_is_there_with_its_state_source_and_caution():
    rows = PAGE["F"].rows("Safety")
    told = {what: row for row in rows for what in row["check"].split(", ")}
    for check in SAID.safety.coldest:
        assert told[check.what]["stands"] == check.stands
        assert told[check.what]["place"] == check.place
        assert check.source in PAGE["F"].text
    assert "Defer to your local code" in PAGE["F"].text
    assert "probe the meat" in PAGE["F"].text


def test_evenness_fire_and_the_head_tell_the_figures_of_the_analysis_and_of_the_ledger():
    text, even, fire = PAGE["F"].text, SAID.evenness, SAID.fire
    assert f"{even.degree_hours_above * 1.8:.1f} ± {2 * even.degree_hours_u * 1.8:.1f} degree-hours F" in text
    assert f"greatest: {even.greatest.spread_k * 1.8:.1f} F ± {2 * even.greatest.u_k * 1.8:.1f} F" in text
    assert f"({100 * fire.in_band_s / fire.known_s:.0f} %) in it" in text
    assert "band 225 F to 275 F" in text
    assert "tenderness 7.5 (7 to 8, 2 tasters)" in text
    assert "came off 3.60 kg (7.9 lb), yield 60 %" in text
    assert "packer, 6.4 kg" in text


def test_the_curve_that_is_drawn_is_the_series():
    """Read back from the drawing by its own axes: the numbers beside them and the lines across."""
    svg = chart(KEPT.record, SAID, KEPT.back, "F", Times(when, 13 * HOUR))
    path = re.search(r'<path d="([^"]+)" fill="none" stroke="#0072b2"', svg)[1]
    x, y = np.array([[float(v) for v in point.split()] for point in re.split("[ML]", path)[1:]]).T
    marks = re.findall(r'y="([\d.]+)" text-anchor="end" fill="[^"]+">(\d+)</text>', svg)
    (y1, f1), (y2, f2) = [(float(a) - 4.0, float(b)) for a, b in (marks[0], marks[-1])]
    grid = grid_of(KEPT.record.places)
    cells = cells_of(KEPT.record.meat[0], grid).celsius * 1.8 + 32
    cells = cells[np.isfinite(cells)]
    assert x.size == cells.size
    assert f1 + (y - y1) * (f2 - f1) / (y2 - y1) == pytest.approx(cells, abs=0.2)
    hours = re.findall(r'<text x="([\d.]+)"[^>]*text-anchor="middle"[^>]*>(\d\d):00</text>', svg)
    (x1, h1), (x2, h2) = [(float(a), int(b)) for a, b in hours[:2]]
    first = int(clock(grid.end(0))[:2]) + int(clock(grid.end(0))[3:]) / 60
    assert (h1 + (x[0] - x1) * ((h2 - h1) % 24) / (x2 - x1)) % 24 == pytest.approx(first, abs=0.05)


@pytest.mark.parametrize("unit", "FC")
def test_it_needs_nothing_else_runs_nothing_and_is_in_one_unit(unit):
    assert needs_nothing_else(HTML[unit])
    other = {"F": r"\d C\b", "C": r"\d F\b"}[unit]
    cells = " ".join(cell for rows in PAGE[unit].tables.values() for row in rows for cell in row)
    without = re.sub(r"\([^()]*\)", "", cells)
    assert not re.search(other, without)  # in brackets safety gives both
    assert len(HTML[unit]) < 400_000


def test_what_a_person_wrote_is_escaped():
    bad = '<img src=x onerror="alert(1)">&amp;'
    html = cook_html(kept(cook(name=bad, hours=5.0, notes=((2.0, "lid"),), names=("flat", bad))), unit="F", when=when)
    assert "<img" not in html
    assert Page(html).text.count(bad) > 3
    assert needs_nothing_else(html)


def no_meat(record):
    return replace(record, places=record.air)


@pytest.mark.parametrize("case", ["nothing read", "no meat", "one place", "no target, not ended", "a minute"])
def test_a_cook_of_which_little_is_known_has_a_page_that_says_so(case):
    changes = {"hours": 4.0, "notes": ()}
    record = {
        "nothing read": lambda: cook(hours=2.0, notes=()).until(0.0), "no meat": lambda: no_meat(cook(**changes)),
        "one place": lambda: cook(names=("flat",), **changes),
        "no target, not ended": lambda: cook(target_c=None, **changes),
        "a minute": lambda: cook(**changes).until(cook(**changes).places[0].t[0] + 70.0),
    }[case]()
    text = Page(cook_html(kept(record), unit="F", when=when)).text
    wanted = {
        "nothing read": "Nothing was read", "no meat": "no meat place", "one place": "a spread needs two",
        "no target, not ended": "No target was set", "a minute": "No stall was seen",
    }[case]
    assert wanted in text


@pytest.mark.parametrize(("known", "record"), [("now", "record 1 of 2023-11-15"), ("then", "none: what its class")])
def test_it_tells_which_calibration_each_probe_was_read_with(tmp_path, known, record):
    with open_ledger(tmp_path, at_ms=T0_MS + 86_400_000) as ledger:
        made = ledger.start_cook("brisket", at=T0_MS)
        ledger.place(made.id, ledger.add_probe("blue", "K"), LOGGER, 0, "flat", "meat")
        logger = Logger()
        logger.boot(1)
        logger.anchor(1, 500, T0_MS + 10_500)
        logger.ticks(1, T0_MS + 10_000, 0, 120)
        store(ledger, *logger.made)
        body = body_of([Point("ice", -0.8, 0.01, 50.0, 0.0, 0.02)], Through(*TABLE[0], 25.0))
        ledger.add_probe_record(1, "calibration", T0_MS + 43_200_000, body, channel=(LOGGER, 0))
        page = Page(cook_html(kept_of(ledger, made, known=known), unit="F", when=when))
    (row,) = page.rows("Probes and their calibration")
    assert row["place"] == "flat"
    assert row["probe"].startswith("blue (type K")
    assert row["read by"] == f"{LOGGER:08x}, channel 0"
    assert row["calibration"].startswith(record)


def test_the_command_writes_the_page_and_refuses_what_it_cannot_do(command, tmp_path):
    table = tmp_path / "cook.csv"
    times = [f"2026-05-30T{12 + i // 60:02d}:{i % 60:02d}:00Z" for i in range(240)]
    rows = "\n".join(f"{t},{225 + i % 7},{40 + i / 3:.1f}" for i, t in enumerate(times))
    table.write_text(f"time,pit,flat\n{rows}\n")
    assert command("import", table, "--unit", "F", "--air", "pit", "--meat", "flat", "--name", "A & B")[0] == 0
    out = tmp_path / "page.html"
    status, said, err = command("report", "A & B", "-o", out, "--unit", "C")
    assert (status, err) == (0, [])
    assert said[0].startswith(f"{out}: A & B")
    assert "uncertainty of 1.5 C is assumed" in Page(out.read_text(encoding="utf-8")).text
    for words in (("report", "nobody"), ("report", "-o", tmp_path / "no" / "where.html"), ("report", "-o", tmp_path)):
        status, said, err = command(*words)
        assert (status, said, len(err)) == (1, [], 1)


def test_a_forecast_that_lies_behind_the_chart_is_named_there_and_drawn_nowhere():
    look, times = KEPT.back[0], Times(when, 13 * HOUR)
    far = replace(look.forecast, **dict.fromkeys(("p10", "p50", "p90"), look.forecast.made + 200 * HOUR))
    backs = [replace(look, forecast=one) for one in (look.forecast, far)]
    near_, late = (chart(KEPT.record, SAID, [back], "F", times) for back in backs)
    assert ">later</text>" in late
    assert ">later</text>" not in near_
    assert late.count("<rect") == near_.count("<rect") - 1  # its range
    assert late.count('stroke-width="2"') == near_.count('stroke-width="2"') - 1  # its median


_WIDER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
_LETTERS = """Math.min(...[...document.querySelectorAll("svg text")].filter(t => t.getClientRects().length).map(
  t => parseFloat(getComputedStyle(t).fontSize) * t.ownerSVGElement.getScreenCTM().a))"""
# Names beside the lines, of what is shown: none may cover another.
_COVERED = """[...document.querySelectorAll("svg")].filter(s => s.getClientRects().length).flatMap(s => {
  const named = [...s.querySelectorAll('text[text-anchor="start"]')].map(t => t.getBoundingClientRect())
  return named.flatMap((a, i) => named.slice(i + 1).filter(b => a.left < b.right && b.left < a.right &&
    a.top + 3 < b.bottom && b.top + 3 < a.bottom)) }).length"""


def test_it_prints_on_two_pages_and_is_readable_on_a_phone_without_a_script(tmp_path):
    file = tmp_path / "cook.html"
    file.write_text(HTML["F"], encoding="utf-8")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        try:
            shown = browser.new_context(java_script_enabled=False, viewport={"width": 1200, "height": 900}).new_page()
            asked = []
            shown.on("request", lambda request: asked.append(request.url))
            shown.goto(file.as_uri())
            pages = [len(re.findall(rb"/Type\s*/Page\b[^s]", shown.pdf(format=paper))) for paper in ("A4", "Letter")]
            seen = {width: (shown.set_viewport_size({"width": width, "height": 800}), shown.evaluate(_WIDER),
                            shown.evaluate(_LETTERS), shown.evaluate(_COVERED))[1:] for width in (1200, 390)}
        finally:
            browser.close()
    assert asked == [file.as_uri()]
    assert pages == [2, 2]
    for wider, letters, covered in seen.values():
        assert (wider, covered) == (0, 0)
        assert letters >= 10  # px; our allowance, no source


@given(st.lists(st.floats(0, 300), max_size=14).map(sorted), st.floats(1, 12))
def test_names_are_kept_apart_in_their_order_and_no_further_from_their_lines_than_need_be(at, gap):
    out = apart(at, gap, 0.0, 300.0)
    assert all(b - a >= gap - 1e-9 for a, b in itertools.pairwise(out))
    assert not out or (out[-1] <= 300.0 and out[0] >= -1e-9)
    if all(b - a >= gap for a, b in itertools.pairwise(at)):
        assert out == pytest.approx(at)


@given(st.lists(st.floats(0, 600), max_size=40).map(sorted))
def test_no_numbered_mark_covers_another(at):
    rows = rows_of(at)
    for row in set(rows):
        some = [x for x, r in zip(at, rows, strict=True) if r == row]
        assert all(b - a >= 13 - 1e-9 for a, b in itertools.pairwise(some))


def test_times_of_a_long_cook_have_their_day_and_ticks_are_whole_hours_of_the_clock():
    began = 1_780_142_400.0 + 1234.0  # 2026-05-30 12:20:34 UTC
    short, long = Times(when, 14 * HOUR), Times(when, 60 * HOUR)
    assert (short.at(began), long.at(began)) == ("12:20", "05-30 12:20")
    assert [text for _, text in short.ticks(began, began + 14 * HOUR, 8)] == [
        "14:00", "16:00", "18:00", "20:00", "22:00", "00:00", "02:00"]
    days = [text for _, text in long.ticks(began, began + 60 * HOUR, 6)]
    assert days == ["05-31", "12:00", "06-01", "12:00", "06-02"]
    half = Times(lambda t: when(t + HOUR / 2), 14 * HOUR)  # a zone that is half an hour off
    assert all(half.when(t).endswith(":00") for t, _ in half.ticks(began, began + 14 * HOUR, 8))


def test_what_was_noted_outside_the_readings_is_listed_and_not_drawn():
    record = cook(hours=6.0, notes=((-2.0, "wrap"), (3.0, "lid"), (13.0, "pull")))
    html = cook_html(kept(record), unit="F", when=when)
    assert [row["no."] for row in Page(html).rows("Notes, and what they did")] == ["1", "2", "3"]
    assert re.findall(r'<text class="mark"[^>]*>(\d+)<', html) == ["2", "2"]  # broad and narrow
    hours = [numbers(cells[3]) for cells in Page(html).tables["Stalls"][1:] if cells[3] != "\N{EN DASH}"]
    assert all(h[0] < 6 for h in hours)


@given(st.integers(1, 20_000), st.integers(0, 2**31))
def test_a_thinned_line_keeps_its_extremes_and_its_breaks(n, seed):
    rng = np.random.default_rng(seed)
    y = rng.normal(size=n)
    if n > 3000:
        y[n // 3 : n // 2] = np.nan
    x, some = thinned(np.arange(n, dtype=float), y)
    assert x.size <= 1300
    assert np.nanmin(some) == np.nanmin(y)
    assert np.nanmax(some) == np.nanmax(y)
    assert np.isnan(some).any() == np.isnan(y).any()
    assert np.array_equal(some, y[x.astype(int)], equal_nan=True)


@given(st.floats(-500, 500), st.floats(0.5, 800), st.integers(2, 10))
def test_ticks_are_round_inside_and_about_as_many_as_asked_for(low, width, count):
    found = ticks(low, low + width, count)
    assert all(low - 1e-6 <= t <= low + width + 1e-6 for t in found)
    assert 0 < len(found) <= count + 1 or width < 1
