"""A picture shows what was said: each stall and event once, nothing outside its frame, small enough for a page."""

from xml.etree import ElementTree

import numpy as np
import pytest

from pitscribe.report.plot import Drawing, Style

from . import picture, pictures

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def drawn():
    cook = pictures.COOKS["two-stalls"]()
    said = pictures.told(cook, 7200.0)
    return cook, said, picture.drawn(cook, said, pictures.TARGET_C, pictures.reached(cook))


def test_every_stall_that_was_said_is_a_bar_and_an_upright_in_its_place(drawn):
    _, said, svg = drawn
    root = ElementTree.fromstring(svg)
    assert len(said.last.stalls) >= 4
    for place, (colour, _) in picture.PLACES.items():
        count = sum(s.place == place for s in said.last.stalls)
        assert len([r for r in root.iter(f"{SVG}rect") if r.get("fill") == colour]) == count
        uprights = [r for r in root.iter(f"{SVG}line") if r.get("stroke") == colour and not r.get("stroke-dasharray")]
        assert len(uprights) == count


def test_a_picture_is_small_and_stays_in_its_frame(drawn):
    _, _, svg = drawn
    assert len(svg) < 200_000
    root = ElementTree.fromstring(svg)
    height = float(root.get("viewBox").split()[3])
    for shape in root.iter(f"{SVG}rect"):
        assert 0 <= float(shape.get("x", 0)) <= float(shape.get("x", 0)) + float(shape.get("width"))
        assert float(shape.get("x", 0)) + float(shape.get("width")) <= picture.WIDTH
        assert 0 <= float(shape.get("y", 0)) <= height
    assert "nan" not in svg.lower()


def test_a_forecast_stands_where_it_was_made_and_looks_only_back(drawn):
    cook, said, _ = drawn
    for f in said.forecasts:
        assert min(s.t[-1] for s in cook.record.until(f.made).meat) <= f.made
    assert [f.made for f in said.forecasts] == sorted({f.made for f in said.forecasts})


def test_a_line_breaks_where_nothing_was_read_and_names_do_not_overlap():
    drawing = Drawing("x", (0.0, 10.0))
    panel = drawing.panel(100.0, (0.0, 10.0), "y")
    panel.curve(np.array([0.0, 1, 2, 3]), np.array([1.0, np.nan, 2, 2]), Style("#000"), "one")
    panel.level(2.0, "two")
    root = ElementTree.fromstring(drawing.svg())
    (path,) = list(root.iter("path"))
    assert path.get("d").count("M") == 2
    at = [float(t.get("y")) for t in root.iter("text") if t.text in ("one", "two")]
    assert abs(at[0] - at[1]) >= 12
