"""The certificate: what it tells, that it is one page, and that nothing a person wrote is taken for HTML."""

import re
from html.parser import HTMLParser

import pytest
from playwright.sync_api import sync_playwright

from pitscribe.ledger.values import Probe, ProbeRecord
from pitscribe.metrology.calibration import Point, Through, body_of
from pitscribe.report.certificate import DUE_MS, certificate
from pitscribe.report.figures import exact, k_words, signed

MADE = 1_780_000_000_000
PROBE = Probe(1, "green <script>alert(1)</script> & co", "K", "iec-1")
ICE = Point("ice", 0.8, 0.03, 40.0, 0.0, 0.02, 0.0, 150, MADE - 400_000, MADE - 200_000)
BOIL = Point("boil", 95.1, 0.03, 40.0, 94.6, 0.05, 0.0, 150, MADE - 150_000, MADE)
CONDITIONS = {"altitude_m": 1609.0, "pressure_pa": 83_430.0, "against": None, "against_record": None}


def record(points, remark="fine ice"):
    body = body_of(points, Through("max31855", "K", 24.0), CONDITIONS)
    return ProbeRecord(7, 1, "calibration", MADE, MADE + 60_000, 0x1A2B3C4D, 3, remark, body)


def page(points=(ICE, BOIL), remark="fine ice", now_ms=MADE, units="F", probe=PROBE):
    return certificate(probe, record(points, remark), units=units, now_ms=now_ms, when=lambda utc: f"at {utc:.0f}")


_WIDER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
# The smallest letters of the plot as they are shown: their size in the drawing, scaled as that is.
_LETTERS = """(() => {
  const plot = document.querySelector("svg"), scale = plot.getScreenCTM().a
  return Math.min(...[...plot.querySelectorAll("text")].map(t => parseFloat(getComputedStyle(t).fontSize) * scale))
})()"""
VOID = {"meta", "line", "circle", "polygon"}


class _Text(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.words = [], []

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def text_of(html):
    parser = _Text()
    parser.feed(html)
    parser.close()
    assert parser.open == []  # every tag is closed in its order
    return " ".join(" ".join(parser.words).split())


def test_it_tells_points_residuals_correction_conditions_and_when_next():
    text = text_of(page())
    for words in (
        "type K, tolerance class iec-1", "channel 3: max31855 for type K",
        "station pressure 834.3 hPa, altitude 1609 m", "fine ice", "ice bath 32.00 F 33.44 F",
        "boiling water 202.28 F 203.18 F", "+0.00 F", "an offset of the channel and",
        "k = ", "effective degrees of freedom", "not a certificate of an accredited laboratory",
        f"by at {(MADE + DUE_MS) / 1000:.0f}"[:10],
    ):
        assert words in text, words
    assert "That is past" not in text
    assert "That is past" in text_of(page(now_ms=MADE + DUE_MS + 1))
    assert "32.00 F" not in text_of(page(units="C"))


def test_what_a_person_wrote_is_escaped():
    html = page(remark='<img src=x onerror="alert(2)">')
    assert "<script" not in html
    assert "<img" not in html
    assert "green <script>alert(1)</script> & co" in text_of(html)
    assert '<img src=x onerror="alert(2)">' in text_of(html)


def test_it_needs_nothing_else_and_runs_nothing():
    html = page()
    assert not re.search(r"(src|href)=|url\(|@import|<script", html)


def test_temperatures_are_in_the_persons_unit_and_nothing_has_no_sign():
    assert "terminal block at 75.2 F" in text_of(page())
    assert "terminal block at 24.0 C" in text_of(page(units="C"))
    assert [signed(x, unit) for x in (-1e-9, 0.0, -0.004) for unit in "FC"] == [f"+0.00 {u}" for u in "FCFC"] + [
        "-0.01 F", "+0.00 C"]
    assert exact(-0.004, "C") == "0.00 C"


def test_a_factor_below_that_of_a_normal_distribution_says_why():
    assert k_words(1.959964) == k_words(1.96) == "k = 1.96"
    assert k_words(2.2) == "k = 2.20"
    # One rectangle has 95 % of itself within 0.95 of its half width, which is 0.95 sqrt 3 standard deviations.
    assert f"{0.95 * 3**0.5:.2f}" == "1.65"
    assert k_words(1.73) == "k = 1.73; limits are rectangular, and a single one has 1.65"


@pytest.mark.parametrize("case", ["two points", "one point", "as full as can be"])
def test_it_is_one_page_of_a4_and_nothing_sticks_out(tmp_path, case):
    points = [Point("beside", 30.0 + 7 * i, 0.03, 40.0, 29.5 + 7 * i, 0.05, 0.1, 150, MADE, MADE) for i in range(14)]
    html = {
        "two points": page(),
        "one point": page((ICE,)),
        "as full as can be": page(points, "word " * 800, probe=Probe(1, "n" * 200, "K", "iec-1")),
    }[case]
    file = tmp_path / "certificate.html"
    file.write_text(html, encoding="utf-8")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        try:
            shown = browser.new_page(viewport={"width": 800, "height": 1100})
            complaints = []
            shown.on("console", lambda message: complaints.append(message.text))
            shown.on("request", lambda request: complaints.append(request.url) if "file:" not in request.url else None)
            shown.goto(file.as_uri())
            wider = [shown.evaluate(_WIDER)]
            pdf = shown.pdf(prefer_css_page_size=True)
            shown.set_viewport_size({"width": 390, "height": 844})  # a phone
            wider.append(shown.evaluate(_WIDER))
            letters = shown.evaluate(_LETTERS)
        finally:
            browser.close()
    assert complaints == []
    assert wider == [0, 0]
    assert letters >= 10  # px; our allowance, no source
    assert len(re.findall(rb"/Type\s*/Page\b[^s]", pdf)) == 1
