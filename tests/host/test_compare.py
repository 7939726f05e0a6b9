"""Cooks beside each other: what is known to differ is found, what does not is not, and the page tells these figures."""

import json
import re
from dataclasses import replace
from math import hypot, pi, sin

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paper_kitchen import Page, cook, needs_nothing_else, numbers
from playwright.sync_api import sync_playwright

from pitscribe.cook.analysis import analyse
from pitscribe.cook.besides import Figure, Row, beside
from pitscribe.cook.figures import figures_of, swing
from pitscribe.cook.grid import cells_of, grid_of
from pitscribe.cook.origins import Align, origin_of
from pitscribe.cook.plain import iso
from pitscribe.cook.reach import all_reached, reached
from pitscribe.errors import ReadingError
from pitscribe.ledger.trialvalues import Score, Weights
from pitscribe.report.comparison import Shown, comparison_html, table_of
from pitscribe.series.trial import whole_cook

TARGET_C = 88.0


def when(utc):
    return iso(utc)[:16].replace("T", " ")


def compared(*records, align=Align(), scores=((), ()), weights=((), ())):  # noqa: B008 - a plain value
    shown = [Shown(r, analyse(r), origin_of(r, align)) for r in records]
    pieces = [whole_cook(r, s, w) for r, s, w in zip(records, scores, weights, strict=True)]
    figures = [figures_of(p, one.said, one.origin, TARGET_C) for p, one in zip(pieces, shown, strict=True)]
    return shown, beside([r.cook.name for r in records], align, [one.origin for one in shown], figures, TARGET_C)


def scored(number, *values):
    return tuple(Score(i, number, "", "moisture", v, f"t{i}", True, "", 0) for i, v in enumerate(values))


FIRST = cook(name="First")
OTHER = cook(number=2, name="Second", pit_c=131.0, start_c=12.0, late_h=170.0,
             notes=((2.0, "fuel"), (5.0, "wrap"), (12.0, "pull")))
SHOWN, FOUND = compared(FIRST, OTHER, scores=(scored(1, 6.0, 7.0), scored(2, 5.0)),
                        weights=((Weights(1, "", None, 6.0, 3.6),), (Weights(2, "", None, 5.0, 3.25),)))
ROWS = {row.name: row for row in FOUND.rows}


def difference(name):
    return ROWS[name].differences[0]


@pytest.mark.parametrize(("name", "truth"), [
    ("start temperature of the coldest place", 8.0), ("first wrap", -1.5), ("on the heat", -1.0), ("yield", 5.0),
    ("length of the hold", 1.0), ("weight as it went on", -1.0), ("moisture", -1.5),
])
def test_what_the_two_cooks_were_made_to_differ_in_is_found(name, truth):
    found = difference(name)
    assert found.value == pytest.approx(truth, abs=found.u95 if found.u95 is not None else 1e-9)
    assert (ROWS[name].figures[0].u is None) == (name in ("yield", "weight as it went on"))


def test_a_hotter_pit_shows_as_ten_kelvin_and_as_an_earlier_target():
    """The pits' levels are 121 and 131 degC; the first hour, in which both come up, is in the means."""
    pit = difference("pit, mean until it was pulled")
    assert pit.value == pytest.approx(10.0, abs=2.0)
    assert pit.told
    assert pit.u == pytest.approx(hypot(0.8, 0.8), rel=0.01)  # as the kitchen states its probes
    sooner = difference("coldest place at the target")
    assert sooner.told
    assert sooner.value < -0.5


def test_a_cook_a_week_later_differs_from_itself_in_nothing_whatever_it_is_aligned_on():
    later = replace(cook(late_h=168.0), cook=replace(cook(late_h=168.0).cook, id=2, name="Again"))
    for align in (Align(), Align(celsius=60.0), Align(celsius=60.0, place="tip"), Align(note="wrap")):
        _, found = compared(FIRST, later, align=align)
        assert len(found.rows) >= 10
        for row in found.rows:
            (less,) = row.differences
            assert less.value == pytest.approx(0.0, abs=1e-6), (align, row.name)
            assert less.told in (False, None)


def test_the_time_to_the_target_is_that_of_the_forecast_that_was_reached():
    said = analyse(FIRST, ahead=True)
    at = next(f.p50 for f in said.forecasts if f.place == "coldest")
    hours = ROWS["coldest place at the target"].figures[0].value
    assert hours * 3600 == pytest.approx(at - FIRST.cook.started_ms / 1000, abs=1e-6)


def test_how_uncertain_a_time_is_is_by_how_much_the_probes_uncertainty_shifts_it():
    """Moved by its standard uncertainty, the same record is there earlier or later by about what is stated."""
    grid = grid_of(FIRST.places)
    cells = cells_of(FIRST.meat[0], grid)
    at = reached("flat", cells, grid, 50.0)
    shifts = [at.t - reached("flat", replace(cells, celsius=cells.celsius + s * 0.8), grid, 50.0).t for s in (1, -1)]
    assert shifts[0] == pytest.approx(at.u_s, abs=61)  # times are of whole minutes
    assert -shifts[1] == pytest.approx(at.u_s, abs=61)


def test_the_coldest_place_is_there_when_the_last_of_all_is():
    grid = grid_of(FIRST.places)
    meat = {s.place: cells_of(s, grid) for s in FIRST.meat}
    times = {name: reached(name, cells, grid, 60.0).t for name, cells in meat.items()}
    assert all_reached(meat, grid, 60.0).t == max(times.values())
    assert all_reached(meat, grid, 140.0) is None
    assert all_reached({}, grid, 60.0) is None


@given(st.floats(0.5, 30.0), st.integers(2, 40))
def test_the_swing_of_a_sine_is_the_middle_nine_tenths_of_it_and_an_offset_cancels(amplitude, hours):
    """The middle 90 % of a sine's values: 2 A sin(0.45 pi), by its arcsine distribution."""
    minute = np.arange(60 * hours)
    found = swing(120.0 + amplitude * np.sin(2 * pi * minute / 30.0))
    assert found.value == pytest.approx(2 * amplitude * sin(0.45 * pi), rel=0.03)
    assert found.u == pytest.approx(0.0, abs=1e-9)
    assert swing(np.full(90, 120.0)).value is None


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(0.01, 10), st.floats(0.01, 10))
def test_a_difference_is_less_the_first_and_as_uncertain_as_both(a, b, ua, ub):
    (less,) = Row("any", "K", (Figure(a, ua), Figure(b, ub))).differences
    assert less.value == pytest.approx(b - a)
    assert less.u == pytest.approx(hypot(ua, ub))
    assert less.told == (abs(b - a) > 1.959964 * hypot(ua, ub))
    (unknown,) = Row("any", "K", (Figure(a, None), Figure(b, ub))).differences
    assert (unknown.u, unknown.told) == (None, None)


def test_one_tasters_word_is_as_sure_as_the_allowance_of_a_trial_says():
    """1 point, one standard deviation of pieces alike (our allowance), and never surer by agreement of two alone."""
    assert ROWS["moisture"].figures[1].u == pytest.approx(1.0)
    _, found = compared(FIRST, OTHER, scores=(scored(1, 6.0, 6.0), ()))
    alike = next(row for row in found.rows if row.name == "moisture").figures
    assert alike[0].u == pytest.approx((2 / 3) ** 0.5 / 2**0.5)
    assert (alike[1].value, alike[1].why_not) == (None, "not scored")


@pytest.mark.parametrize("unit", "FC")
def test_the_page_tells_the_figures_in_the_persons_unit_and_brackets_what_cannot_be_told(unit):
    page = Page(comparison_html(SHOWN, FOUND, unit=unit, when=when))
    rows = {cells[0]: cells[1:] for cells in page.tables["Figures, and by how much they differ"][1:]}
    scale = 1.8 if unit == "F" else 1.0
    assert list(rows) == [row.name for row in FOUND.rows]
    for name, row in ROWS.items():
        less = row.differences[0]
        if less.value is not None and less.told is not None:
            assert rows[name][-1].startswith("(") == (not less.told), name
        if row.unit in ("K", "K h", "points", "%"):
            own = scale if row.unit in ("K", "K h") else 1.0
            for cell, figure in zip(rows[name][:2], row.figures, strict=True):
                if figure.value is not None:
                    assert numbers(cell)[0] == pytest.approx(own * figure.value, abs=0.0501), name
    pit = rows["pit, mean until it was pulled"]
    assert numbers(pit[2])[0] == pytest.approx(scale * difference("pit, mean until it was pulled").value, abs=0.0501)
    assert "not the effect of what was changed" in page.text
    assert f"to is {'190 F' if unit == 'F' else '88.0 C'}" in page.text


def test_the_page_needs_nothing_else_and_takes_nothing_for_html():
    bad = "<b onclick=x()>&amp;</b>"
    shown, found = compared(cook(name=bad, hours=5.0, notes=()), cook(number=2, name="Else", hours=5.0, notes=()))
    html = comparison_html(shown, found, unit="F", when=when)
    assert needs_nothing_else(html)
    assert "<b " not in html
    assert bad in Page(html).text


def test_a_cook_without_readings_can_stand_beside_another_and_says_what_is_not_known():
    shown, found = compared(FIRST, OTHER.until(0.0))
    page = Page(comparison_html(shown, found, unit="F", when=when))
    assert "no stall was seen" in page.text
    assert "<svg" in comparison_html(shown, found, unit="F", when=when)


def test_an_origin_is_the_first_note_of_its_kind_and_known_to_about_four_minutes():
    began = FIRST.cook.started_ms / 1000
    assert [n.kind for n in FIRST.notes].count("fuel") == 3
    assert origin_of(FIRST, Align(note="fuel")).t == pytest.approx(began + 2 * 3600)
    assert origin_of(FIRST, Align(note="fuel")).u_s == pytest.approx(240 / 3**0.5)
    assert (origin_of(FIRST, Align()).t, origin_of(FIRST, Align()).u_s) == (began, 0.0)


@pytest.mark.parametrize(("align", "words"), [
    (Align(note="ice"), "no note of the kind ice"), (Align(celsius=140.0), "was never seen at 284 F"),
    (Align(celsius=60.0, place="rib"), "no meat place 'rib'; it has: flat, point, tip"),
])
def test_what_a_cook_has_not_cannot_be_aligned_on(align, words):
    with pytest.raises(ReadingError, match=re.escape(words)):
        origin_of(FIRST, align)


def test_two_pages_at_most_and_nothing_sticks_out_or_covers_another(tmp_path):
    file = tmp_path / "cooks.html"
    four = [cook(number=i, name=f"The cook with a long name, number {i}", hours=9.0, late_h=i) for i in range(1, 5)]
    shown, found = compared(*four, scores=((),) * 4, weights=((),) * 4)
    file.write_text(comparison_html(shown, found, unit="F", when=when), encoding="utf-8")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        try:
            page = browser.new_context(java_script_enabled=False, viewport={"width": 1200, "height": 900}).new_page()
            page.goto(file.as_uri())
            pages = [len(re.findall(rb"/Type\s*/Page\b[^s]", page.pdf(format=paper))) for paper in ("A4", "Letter")]
            wider = []
            for width in (1200, 390):
                page.set_viewport_size({"width": width, "height": 800})
                wider.append(page.evaluate("document.documentElement.scrollWidth - innerWidth"))
        finally:
            browser.close()
    assert max(pages) <= 2
    assert max(wider) <= 0


@pytest.fixture
def two(command, tmp_path):
    """Two cooks that came in as tables."""
    for name, hotter in (("one", 0.0), ("two", 20.0)):
        times = [f"2026-05-30T{8 + i // 60:02d}:{i % 60:02d}:00Z" for i in range(600)]
        lines = [f"{t},{225 + hotter + i % 7},{40 + i / 4:.1f}" for i, t in enumerate(times)]
        (tmp_path / f"{name}.csv").write_text("\n".join(["time,pit,flat", *lines]) + "\n")
        assert command("import", tmp_path / f"{name}.csv", "--unit", "F", "--air", "pit", "--meat", "flat")[0] == 0
    return command


def test_the_command_prints_and_writes_what_it_compares(two, tmp_path):
    status, out, err = two("compare", "one", "two", "--align", "150F", "-o", tmp_path / "both.html")
    assert (status, err) == (0, [])
    assert out[0] == "time is counted from 150 F at the coldest place"
    pit = next(line for line in out if line.startswith("pit, mean"))
    assert numbers(pit.split(")")[-1] if "(" in pit else pit)[-2] == pytest.approx(20.0, abs=0.1)
    assert "pit, mean until it was pulled" in Page((tmp_path / "both.html").read_text(encoding="utf-8")).text
    status, out, err = two("compare", "1", "2", "--json")
    found = json.loads("\n".join(out))
    row = next(r for r in found["rows"] if r["name"].startswith("pit, mean"))
    assert row["differences"][0]["value"] == pytest.approx(20 / 1.8, abs=0.01)


@pytest.mark.parametrize(("words", "complaint"), [
    (["one"], "1 cook: name two to 4"), (["one", "two", "1"], "which is named twice"), (["one", "nobody"], "nobody"),
    (["one", "two", "--align", "noon"], "write start, 150F, 150F:flat"),
    (["one", "two", "--align", "150F:"], "which place"), (["one", "two", "--align", "150C"], "mind the unit"),
    (["one", "two", "--align", "wrap"], "no note of the kind wrap"),
    (["one", "two", "--align", "150F:rib"], "no meat place 'rib'"),
    (["one", "two", "-o", "/nowhere/x.html"], "no folder"),
])
def test_the_command_refuses_what_cannot_be_compared(two, words, complaint):
    status, out, err = two("compare", *words)
    assert (status, out, len(err)) == (1, [], 1)
    assert complaint in err[0]


def test_a_table_for_a_terminal_has_the_same_words_as_the_page():
    heads, rows = table_of(FOUND, "F")
    assert heads == ["quantity", "First", "Second", "difference"]
    assert all(len(row) == 4 for row in rows)
