"""The list of past cooks in a real browser: found, turned over, taken away; and the papers of cooks."""

import io
import re
from datetime import UTC, datetime

import numpy as np
import pytest
from browser import chromium, new_context, new_page, site, visit
from looks import grave, over_the_edge, take_picture, too_small
from PIL import Image
from playwright.sync_api import expect

WIDTHS = (320, 390, 1440)
MORE = 30  # cooks beside the one with frames: two pages of them


@pytest.fixture(scope="module")
def browser():
    with chromium() as made:
        yield made


@pytest.fixture
def running(tmp_path):
    """A list of two pages: one cook of six places, and many that nothing was read of, in two years."""
    with site(tmp_path, hours=6, period_s=30) as made:
        ledger, began = made.world.ledger, made.world.cook.started_ms
        ledger.end_cook(1)
        ledger.add_note(1, began + 3_600_000, "text", "Hickory in the firebox")
        ledger.score(1, "overall", 7.5)
        for n in range(MORE):
            at = began - (n + 1) * 14 * 86_400_000
            cook = ledger.start_cook(f"Sunday {n}", at=at, meats=["packer, 6.4 kg" if n % 2 else "pork shoulder, 4 kg"])
            ledger.end_cook(cook.id, at + 36_000_000)
        yield made


@pytest.fixture
def page(running, browser):
    context = new_context(browser)
    made, made.seen = new_page(context)
    visit(made, f"{running.url}/cooks")
    expect(made.locator("#cooks li")).to_have_count(24)
    yield made
    context.close()
    assert made.seen.complaints == []


def query(page):
    return page.url.partition("/cooks")[2]


def names(page):
    return page.locator("#cooks b").all_text_contents()


def test_what_is_asked_for_stands_in_the_address_can_be_sent_on_and_the_way_back_leads_back(running, page):
    said = page.locator("#cooks-said")
    expect(said).to_have_text("31 cooks, the newest first")
    page.get_by_label("Cut").select_option("packer")
    expect(said).to_have_text("15 of 31 cooks, the newest first")
    assert query(page) == "?cut=packer"
    page.get_by_label("Year").select_option("2025")
    expect(page).to_have_url(re.compile(r"\?year=2025&cut=packer$"))
    wanted = [cook.name for cook in running.world.ledger.cooks() if "packer" in str(cook.meats)
              and datetime.fromtimestamp(cook.started_ms / 1000, UTC).astimezone().year == 2025]
    expect(said).to_have_text(f"{len(wanted)} of 31 cooks, the newest first")
    found = names(page)
    assert found == wanted
    other, seen = new_page(page.context)
    visit(other, page.url)
    expect(other.locator("#cooks li")).to_have_count(len(found))
    assert names(other) == found
    assert seen.complaints == []
    expect(other.get_by_label("Cut")).to_have_value("packer")
    other.close()
    page.go_back()
    expect(said).to_have_text("15 of 31 cooks, the newest first")
    expect(page.get_by_label("Year")).to_have_value("")
    page.go_back()
    expect(said).to_have_text("31 cooks, the newest first")
    expect(page.get_by_label("Cut")).to_have_value("")


def test_words_of_notes_are_found_and_where_nothing_fits_that_is_said_and_cleared_by_one_tap(running, page):
    page.get_by_label("Find").fill("hickory firebox")
    expect(page.locator("#cooks li")).to_have_count(1)
    assert names(page) == ["Two briskets"]
    page.get_by_label("Score", exact=True).select_option("no")
    expect(page.locator("#cooks-said")).to_have_text("No cook has “hickory firebox” and has no score.")
    expect(page.locator("#cooks li")).to_have_count(0)
    page.get_by_role("link", name="Clear: show all cooks").click()
    expect(page.locator("#cooks li")).to_have_count(24)
    assert query(page) == ""
    expect(page.get_by_label("Find")).to_have_value("")
    page.go_back()
    expect(page.locator("#cooks-said")).to_contain_text("No cook has “hickory firebox”")


def test_an_address_that_makes_no_sense_is_told_in_words_and_can_be_cleared(running, page):
    visit(page, f"{running.url}/cooks?year=never")
    expect(page.locator("#cooks-said")).to_have_text("year must be a number")
    page.get_by_role("link", name="Clear: show all cooks").click()
    expect(page.locator("#cooks-said")).to_have_text("31 cooks, the newest first")
    page.seen.complaints.clear()  # the browser tells of the 400 that was asked for


def test_pages_are_turned_by_links_and_what_was_chosen_on_one_can_be_compared_with_one_of_another(running, page):
    first = names(page)
    page.get_by_role("checkbox").first.check()
    page.get_by_role("link", name="Older").click()
    expect(page.locator("#cooks-page")).to_have_text("Page 2 of 2")
    expect(page.locator("#cooks li")).to_have_count(7)
    assert query(page) == "?page=2"
    assert not set(first) & set(names(page))
    expect(page.locator("#cooks-older")).to_be_hidden()
    page.get_by_role("checkbox").first.check()
    link = page.get_by_role("link", name="Lay 2 cooks beside each other")
    assert re.search(r"cooks=1,\d+&", link.get_attribute("href"))
    page.get_by_role("button", name="Choose none").click()
    expect(link).to_be_hidden()
    expect(page.get_by_role("checkbox", checked=True)).to_have_count(0)
    page.go_back()
    expect(page.locator("#cooks-page")).to_have_text("Page 1 of 2")
    assert names(page) == first


def test_a_card_tells_how_long_how_even_and_how_good_it_was_in_the_chosen_unit(running, page):
    card = page.locator("#cooks li").first
    even = running.watch.snapshot_of(1).body
    assert even["cook"]["id"] == 1
    expect(card).to_contain_text("lasted 6 h, until 21:00")
    expect(card).to_contain_text('overall 7.5 of 10: between “would eat it again” and “would go a long way for it”')
    expect(card).to_contain_text(re.compile(r"spread up to \d+ °F, \d+ °F·h above 10"))
    fahrenheit = int(re.search(r"up to (\d+)", card.inner_text())[1])
    page.get_by_role("button", name="°C").click()
    expect(card).to_contain_text(re.compile(r"spread up to \d+ °C, \d+ °C·h above 6"))
    assert int(re.search(r"up to (\d+)", card.inner_text())[1]) == pytest.approx(fahrenheit / 1.8, abs=1)
    page.wait_for_function("() => document.querySelector('#cooks img').naturalWidth > 0")
    page.get_by_role("button", name="°F").click()


def test_a_cook_is_taken_away_after_a_question_that_names_it_and_one_in_a_trial_stays(running, page):
    ledger = running.world.ledger
    page.get_by_role("button", name="Take away Sunday 0").click()
    dialog = page.get_by_role("dialog", name="Take away “Sunday 0”?")
    expect(dialog).to_contain_text("goes for good, with nothing but its name. What the loggers read stays")
    expect(dialog.get_by_role("button", name="Keep it")).to_be_focused()  # a slip on Enter costs nothing
    page.keyboard.press("Enter")
    expect(dialog).to_be_hidden()
    assert ledger.cook("Sunday 0")
    page.get_by_role("button", name="Take away Two briskets").click()
    dialog = page.get_by_role("dialog", name="Take away “Two briskets”?")
    expect(dialog).to_contain_text("with 1 note, 6 placements and 1 score")
    frames = ledger.frame_count()
    dialog.get_by_role("button", name="Take it away").click()
    gone = "“Two briskets” is gone, with 1 note, 6 placements and 1 score."
    expect(page.locator("#cooks-dropped")).to_have_text(gone)
    expect(page.locator("#cooks-said")).to_have_text("30 cooks, the newest first")
    assert "Two briskets" not in {cook.name for cook in ledger.cooks()}
    assert ledger.frame_count() == frames
    trial = ledger.new_trial(
        "Wrap", question="Is it juicier?", factor="wrap", levels=["no", "yes"], main="moisture", matters=1.0,
        planned=4, block=2, seed="oak",
    )
    ledger.enter(trial.id, ledger.cook("Sunday 0").id, "", "no", None)
    page.get_by_role("button", name="Take away Sunday 0").click()
    dialog = page.get_by_role("dialog", name="Take away “Sunday 0”?")
    expect(dialog).to_contain_text("It stays: cook 'Sunday 0' is in trial 'Wrap'")
    expect(dialog.get_by_role("button", name="Take it away")).to_be_hidden()
    page.keyboard.press("Escape")
    expect(dialog).to_be_hidden()
    page.seen.complaints.clear()  # the browser tells of the refusal that was asked for


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_list_fits_every_width_and_axe_finds_nothing_serious_also_with_the_question_open(running, page, scheme):
    page.emulate_media(color_scheme=scheme)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        visit(page, f"{running.url}/cooks")
        page.get_by_role("checkbox").first.check()
        page.get_by_role("checkbox").nth(1).check()
        expect(page.locator("#cooks .fact[data-cook]").first).to_contain_text("up to")
        assert over_the_edge(page, rolls="nothing") == [], width
        assert too_small(page, "main a, main button, main select, main input[type=search]") == [], width
        take_picture(page, f"list-{width}-{scheme}")
        page.get_by_role("button", name="Take away").first.click()
        expect(page.get_by_role("dialog")).to_contain_text("goes for good")
        take_picture(page, f"list-question-{width}-{scheme}")
        if width == 390:
            assert grave(page) == []
            page.keyboard.press("Escape")
            assert grave(page) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", ["/cook/1/report", "/compare?cooks=1,2&unit=F"])
def test_the_papers_fit_every_width_and_axe_finds_nothing_serious(running, page, path, scheme):
    page.emulate_media(color_scheme=scheme)
    ledger = running.world.ledger
    for placed in ledger.placements(1):  # the same once more, an hour later
        ledger.place(2, placed.probe, placed.logger, placed.channel, placed.place, placed.kind)
    cook = ledger.cook(1)
    ledger.end_cook(2, cook.ended_ms)
    visit(page, running.url + path)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        take_picture(page, f"{path.strip('/').partition('?')[0].replace('/', '-')}-{width}-{scheme}")
    assert grave(page) == []


def test_a_paper_is_dark_on_a_screen_that_asks_for_it_and_white_when_it_is_printed(running, page):
    visit(page, f"{running.url}/cook/1/report")
    for media, scheme, dark in (("screen", "light", False), ("screen", "dark", True), ("print", "dark", False)):
        page.emulate_media(media=media, color_scheme=scheme)
        shown = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("L"))
        ground = float(np.median(shown))
        assert ground < 40 if dark else ground == 255, (media, scheme)
        ink = shown.max() if dark else shown.min()
        assert abs(ink - ground) > 190
