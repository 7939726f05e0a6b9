"""One person's day on the page of a real demo: firmware, broker, host and browser are all the real ones.

Six hours of cooking pass each minute. What is asked for here is what a person does and reads, not how it is built.
"""

import re
import subprocess
import sys
import time

import looks
import pytest
from browser import chromium, new_context, new_page, visit
from photos_made import jpeg
from playwright.sync_api import Page, expect

SPEED, HOURS = 360, 12.0
PLACES = {0: "grate", 1: "far end", 2: "flat", 3: "point", 4: "tip", 5: "middle"}
CHART = "#chart[data-drawn]"

expect.set_options(timeout=30_000)


@pytest.fixture(scope="module")
def url(tmp_path_factory):
    """Where a demo shows its page: a logger speaks, and no cook has been started."""
    kept = tmp_path_factory.mktemp("person") / "kept"
    command = [sys.executable, "-m", "pitscribe.cli", "demo", "--start-yourself", "--keep", str(kept)]
    command += ["--speed", str(SPEED), "--hours", str(HOURS)]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert run.stdout is not None
    found = re.search(r"http://127\.0\.0\.1:\d+", run.stdout.readline())
    assert found
    yield found[0]
    run.terminate()
    _, complaints = run.communicate(timeout=30)
    assert complaints == ""


@pytest.fixture(scope="module")
def page(url):
    with chromium() as browser:
        page, seen = new_page(new_context(browser))
        visit(page, url)
        yield page
        assert seen.complaints == []


def look_at(page: Page, name: str) -> None:
    looks.look_at(page, name, rolls="#chart, .scroll, .unseen, svg")


def start_a_cook(page: Page, name: str) -> None:
    page.get_by_label("Name of the cook").fill(name)
    page.get_by_role("button", name="Start the cook").click()
    expect(page.locator("#cook-name")).to_have_text(name)


def fill_in_what_is_wanted(page: Page) -> None:
    page.locator("#start-target").fill("195")
    page.locator("#start-low").fill("225")
    page.locator("#start-high").fill("275")
    page.get_by_role("textbox", name="Cuts and weights, a line each").fill("packer brisket, 14 lb")
    for channel, place in PLACES.items():
        page.get_by_label(re.compile(f"^Place of .*channel {channel} ")).fill(place)


def end_the_cook(page: Page) -> None:
    page.get_by_role("button", name="End this cook").click()
    page.get_by_role("button", name="End it").click()
    expect(page.locator("#coldest h2")).to_contain_text("at the end")


def unfold(page: Page, what: str):
    fold = page.locator(f'#details [data-of="{what}"]')
    if fold.get_attribute("open") is None:
        fold.locator("summary").click()
    return fold


def score(page: Page, **values: str) -> None:
    fold = unfold(page, "scores")
    for aspect, value in values.items():
        fold.get_by_label(aspect, exact=True).fill(value)
        fold.get_by_label(aspect, exact=True).press("Tab")
        expect(fold.get_by_label(aspect, exact=True)).to_have_value(value)


def test_a_person_sets_up_a_cook_within_a_minute_and_sees_the_answers_first(page):
    expect(page.get_by_role("heading", name="No cook is running")).to_be_visible()
    expect(page.locator("#start-channels .channel")).to_have_count(6)
    look_at(page, "1-start")
    began = time.monotonic()
    fill_in_what_is_wanted(page)
    start_a_cook(page, "Brisket, one")
    assert time.monotonic() - began < 60
    expect(page.locator("#coldest [data-part=value]")).to_have_text(re.compile(r"^\d+"))
    expect(page.locator("#pit [data-part=band]")).to_contain_text("225 to 275 °F")
    page.wait_for_selector(CHART)
    tops = [page.locator(part).bounding_box()["y"] for part in ("#coldest", "#pit", "#spread", "#chart", "#details")]
    assert tops == sorted(tops)


def test_notes_are_tapped_moved_written_and_taken_back(page):
    page.locator('#tap-buttons [data-kind="fuel"]').click()
    expect(page.locator("#toast")).to_contain_text("Noted: fuel")
    page.locator('#tap-buttons [data-kind="lid"]').click()
    expect(page.locator("#toast")).to_contain_text("Noted: lid")
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#toast")).to_contain_text("Withdrawn")
    page.get_by_label("In your own words").fill("wind <b>from</b> the north")
    page.get_by_role("button", name="Note", exact=True).click()
    expect(page.locator("#notes")).to_contain_text("wind <b>from</b> the north")
    page.locator("#note-when").select_option("900")
    page.locator('#tap-buttons [data-kind="spritz"]').click()
    expect(page.locator("#notes")).to_contain_text("spritz")


def test_the_finish_the_fire_and_an_alert_come_by_themselves_and_the_alert_is_known_with_a_tap(page):
    expect(page.locator("#coldest [data-part=finish]")).to_be_visible(timeout=60_000)
    expect(page.locator("#coldest [data-part=finish]")).to_contain_text("195 °F")
    fold = unfold(page, "alerts")
    expect(fold.get_by_role("button", name="I know").first).to_be_visible(timeout=90_000)
    look_at(page, "2-live")
    fold.get_by_role("button", name="I know").first.click()
    expect(fold).to_contain_text("(seen")  # and over, if that is what it soon was
    for what in ("finish", "fire", "safety", "phases"):
        expect(unfold(page, what)).to_contain_text(re.compile(r"\d"))
    look_at(page, "3-unfolded")


def test_the_cook_is_ended_scored_and_its_report_opened(page, url):
    end_the_cook(page)
    score(page, tenderness="7.5", moisture="6", overall="7")
    look_at(page, "4-ended")
    visit(page, f"{url}/cooks")
    page.get_by_role("link", name="Report of Brisket, one").click()
    expect(page.locator("h1")).to_contain_text("Brisket, one")
    look_at(page, "5-report")


def test_a_photo_of_the_bark_is_kept_with_the_cook(page, url):
    visit(page, f"{url}/cook/1")
    expect(page.locator("#no-photos")).to_be_visible()
    page.set_input_files("#photo-files", {"name": "bark.jpg", "mimeType": "image/jpeg", "buffer": jpeg()})
    page.get_by_label("What it shows").fill("the bark")
    page.get_by_label("What it shows").press("Enter")
    expect(page.locator("#photo-dialog")).to_be_hidden()
    page.get_by_role("button", name="the bark").click()
    expect(page.get_by_role("img", name="the bark")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.locator("#photo-dialog")).to_be_hidden()


def test_a_second_cook_is_compared_with_the_first(page, url):
    visit(page, url)
    page.get_by_role("button", name="Set up the same").click()
    expect(page.locator("#start-target")).to_have_value("195")
    expect(page.get_by_label(re.compile("^Kind of place of .*channel 1 "))).to_have_value("air")
    start_a_cook(page, "Brisket, two")
    expect(page.locator("#places tbody tr")).to_have_count(6)
    page.locator('#tap-buttons [data-kind="rotate"]').click()
    expect(page.locator("#toast")).to_contain_text("Noted: rotate")
    expect(page.locator("#cook-span")).to_contain_text(re.compile(r"\b2 h \d+ min so far"), timeout=60_000)
    end_the_cook(page)
    score(page, overall="8")
    visit(page, f"{url}/cooks")
    look_at(page, "6-cooks")
    for box in page.locator("#cooks").get_by_role("checkbox").all():
        box.check()
    page.get_by_role("link", name="Lay 2 cooks beside each other").click()
    expect(page.locator("table").first).to_be_visible()
    expect(page.locator("body")).to_contain_text("Brisket, two")
    look_at(page, "7-compare")


def test_a_trial_of_two_cooks_says_that_nothing_can_be_inferred(page, url):
    visit(page, f"{url}/trials")
    for label, text in (
        ("What do you want to know?", "Does turning it round make it better?"),
        ("A short name for it", "Turned or left"), ("What is done differently?", "rotation"),
        ("The usual way", "left"), ("Another way", "turned"), ("Pieces of each way", "1"),
    ):
        page.get_by_label(label, exact=True).fill(text)
    page.get_by_label("What decides").select_option("overall")
    expect(page.locator("#ask-outlook")).to_contain_text("no outcome at all could be told from chance")
    page.get_by_role("button", name="Lay the trial down").click()
    expect(page.locator("h1")).to_have_text("Turned or left")
    for cook, level in (("Brisket, one", "left"), ("Brisket, two", "turned")):
        page.get_by_text("Enter a cook whose level was chosen", exact=True).click()
        page.locator("#choose-cook").select_option(label=cook)
        page.locator("#choose-level").select_option(label=level)
        page.get_by_role("button", name="Enter it").click()
        expect(page.locator("#pieces")).to_contain_text(f"{cook}: {level}")
        expect(page.locator("#choose-cook")).to_be_hidden()
    expect(page.locator("#findings")).to_contain_text("nothing can be inferred", ignore_case=True)
    look_at(page, "8-trial")
