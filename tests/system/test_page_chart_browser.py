"""What the live chart shades and hatches, in a real browser: uncertainty, stalls and food safety; and its print."""

import re
import time
from datetime import datetime

import pytest
from browser import chromium, new_context, new_page, site, visit
from looks import grave, over_the_edge, too_small
from page_world import OPEN_BIT, START
from playwright.sync_api import expect

from pitscribe.page.door.door import Door

expect.set_options(timeout=30_000)

CHART = "#chart[data-drawn]"
TRACE = "(name) => document.getElementById('chart').data.find((d) => d.name === name) ?? null"
CHICAGO_S = -5 * 3600  # in May; the chart's times are those of the person's clock
# USDA FSIS to consumers: danger zone 40 to 140 degF; FDA Food Code 2022, 3-501.16: hot holding at 135 degF.
ZONE_F, HOT_F = (40, 140), 135


@pytest.fixture(scope="module")
def browser():
    with chromium() as one:
        yield one


@pytest.fixture
def running(tmp_path):
    with site(tmp_path, hours=7.5) as made:
        yield made


@pytest.fixture
def page(running, browser):
    context = new_context(browser)
    page, seen = new_page(context)
    page.seen = seen
    visit(page, running.url)
    page.wait_for_selector(CHART)
    yield page
    context.close()
    assert seen.complaints == []


def utc(stamp):
    return datetime.fromisoformat(f"{stamp}+00:00").timestamp() - CHICAGO_S


def test_the_uncertainty_of_each_line_is_drawn_when_it_is_asked_for_and_stays_so(running, page):
    assert not [url for url in page.seen.requests if "band=1" in url]
    button = page.get_by_role("button", name="± band")
    expect(button).to_have_attribute("aria-pressed", "false")
    button.focus()
    page.keyboard.press("Enter")
    expect(button).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#chart-key")).to_contain_text("the uncertainty, 95 %")
    page.reload()
    page.wait_for_selector(CHART)
    for place in running.watch.now().body["places"]:
        band = page.evaluate(TRACE, f"{place['place']} uncertainty")
        # A closed outline: at its turning point upper and lower edge of the newest reading stand side by side.
        last = max(range(len(band["x"])), key=lambda i: band["x"][i] or "")
        edges = [y for x, y in zip(band["x"], band["y"], strict=True) if x == band["x"][last]]
        assert (max(edges) - min(edges)) / 2 / 1.8 == pytest.approx(place["u95"], rel=0.05, abs=0.01)
    assert grave(page) == []
    button.click()
    expect(page.locator("#chart-key")).not_to_contain_text("uncertainty")
    page.wait_for_function(f"() => ({TRACE})('flat uncertainty') === null")
    page.seen.requests.clear()
    running.world.carry_on(600)
    running.world.state()
    expect(page.locator("#chart")).to_have_attribute("data-drawn", re.compile(f"^{START + 7.5 * 3600 + 590:.0f}"))
    assert not [url for url in page.seen.requests if "band=1" in url]


def test_the_danger_zone_and_what_is_unknown_are_hatched_where_the_analysis_has_them(running, page):
    running.world.faults = {"second flat": OPEN_BIT}
    running.world.carry_on(1800)
    running.world.faults = {}
    running.world.carry_on(900)
    running.world.state()
    expect(page.locator("#chart-key")).to_contain_text(re.compile("not known how warm second flat was: 3[0-9] min"))
    safety = running.watch.now().body["safety"]
    (zone,) = [s for s in safety["spans"] if s["what"] == "danger zone"]
    check = next(c for c in safety["coldest"] if c["what"] == "danger zone")
    assert zone["hours"] == pytest.approx(check["value"])
    minutes = round(60 * zone["hours"])
    words = f"{check['place']} between 40 and 140 °F: {minutes // 60} h {minutes % 60} min"
    expect(page.locator("#chart-key")).to_contain_text(words)
    drawn = page.evaluate(TRACE, "danger zone")
    assert (min(drawn["y"][:4]), max(drawn["y"][:4])) == pytest.approx(ZONE_F, abs=0.2)
    ends = [datetime.fromisoformat(zone[key]).timestamp() for key in ("begin", "end")]
    assert [utc(drawn["x"][i]) for i in (0, 1)] == pytest.approx(ends, abs=1)
    unknown = page.evaluate(TRACE, "unknown")
    began = START + 7.5 * 3600
    assert [utc(unknown["x"][i]) for i in (0, 1)] == pytest.approx([began, began + 1800], abs=900)
    shapes = {page.evaluate(TRACE, name)["fillpattern"]["shape"] for name in ("danger zone", "unknown")}
    assert len(shapes) == 2  # told apart without colour
    page.set_viewport_size({"width": 1440, "height": 900})
    expect(page.locator("#chart .annotation-text", has_text="second flat 40 to 140 °F")).to_have_count(1)


def test_on_paper_stand_the_answers_the_chart_and_the_notes_in_light_colours_and_nothing_to_press(running, page):
    running.world.ledger.add_note(1, round((START + 3600) * 1000), "wrap")
    page.emulate_media(color_scheme="dark")
    page.set_viewport_size({"width": 1440, "height": 900})
    expect(page.locator("#notes li")).to_contain_text("wrap")
    ink = "document.getElementById('chart').layout.font.color"
    page.wait_for_function(f"() => {ink} === '#b9b1a5'")  # the page's own in dark
    # The browser's own print says so to the page before it lays it out: the sheets are counted in the file.
    sheets = re.findall(rb"/Type\s*/Page\b", page.pdf(format="Letter"))
    assert len(sheets) == 2
    page.wait_for_function(f"() => {ink} === '#b9b1a5'")
    page.emulate_media(media="print", color_scheme="dark")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function(f"() => {ink} === '#564f47'")
    for part in ("#answers", "#chart .main-svg >> nth=0", "#chart-key", "#places", "#notes li", "footer"):
        expect(page.locator(part)).to_be_visible()
    expect(page.locator("#printed")).to_have_text(re.compile("^Printed Sat, May 30, 2026, 22:30. What stands here was"))
    shown = "[...document.querySelectorAll('button, input, select, summary, nav')].filter(e => e.offsetParent)"
    assert page.evaluate(f"{shown}.map(e => e.outerHTML)") == []
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen", color_scheme="dark")
    expect(page.locator("#printed")).to_be_hidden()
    page.wait_for_function(
        "() => document.querySelector('#chart .main-svg').getBoundingClientRect().width"
        " === document.getElementById('chart').clientWidth"
    )


def test_the_numbers_at_the_line_ends_say_was_when_they_are_old(running, page):
    page.set_viewport_size({"width": 768, "height": 1024})
    label = page.locator("#chart .annotation-text", has_text="grate")
    expect(label).not_to_contain_text("was")
    running.world.clock.at += 900
    running.world.state()
    expect(label).to_contain_text("was")


@pytest.mark.parametrize(("scheme", "width"), [("light", 1280), ("dark", 320)])
def test_axe_finds_nothing_serious_with_each_dialog_open_and_the_chart_full_of_hatches(running, page, scheme, width):
    running.world.ledger.add_note(1, round((START + 3600) * 1000), "wrap")
    running.world.faults = {"second flat": OPEN_BIT}
    running.world.carry_on(1800)
    running.world.state()
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    page.set_viewport_size({"width": width, "height": 800})
    page.get_by_role("button", name="± band").click()
    expect(page.locator("#chart-key li")).to_have_count(4)
    assert grave(page) == []
    for button in ("change note wrap", "Change", "Put a wrong place right", "End this cook"):
        page.get_by_role("button", name=re.compile(f"^{button}")).first.click()
        expect(page.locator("dialog[open]")).to_be_visible()
        assert grave(page) == [], button
        assert over_the_edge(page, rolls=".scroll, #chart, .unseen, .skip") == [], button
        page.locator("dialog[open] [data-act=cancel]").click()


PASSWORD = "ash oak and a slow fire"


@pytest.mark.parametrize("width", [320, 390, 1440])
def test_who_came_in_by_the_password_leaves_by_two_taps_and_one_alone_does_nothing(tmp_path, browser, width):
    door = Door.with_password(tmp_path, ask_at_home=True)
    door.lock.set_password(PASSWORD, door.lock.new_link(time.time()), time.time())
    with site(tmp_path, hours=0.2, door=door) as running:
        context = new_context(browser)
        page, seen = new_page(context, width, 800)
        visit(page, running.url)
        page.get_by_label("The page's password").fill(PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_selector(CHART)
        assert over_the_edge(page, rolls=".scroll, #chart, .unseen, .skip") == []
        assert too_small(page, ".top button") == []
        page.get_by_role("button", name="Leave").focus()
        page.keyboard.press("Enter")
        expect(page.locator("#leave-dialog")).to_contain_text("The cook goes on")
        assert grave(page) == []
        page.get_by_role("button", name="Stay").click()
        page.get_by_role("button", name="Leave").click()
        page.locator("#leave-dialog [type=submit]").click()
        expect(page).to_have_url(f"{running.url}/enter")
        visit(page, running.url)
        expect(page).to_have_url(f"{running.url}/enter")
        context.close()
        assert [c for c in seen.complaints if "401" not in c] == []
