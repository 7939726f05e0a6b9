"""Photos in a real browser: added, described, looked at and erased, by a finger and by the keyboard alone."""

import re
from datetime import UTC, datetime

import pytest
from browser import chromium, new_context, new_page, site, visit
from looks import grave, over_the_edge, take_picture, too_small
from page_world import START
from photos_made import exif, jpeg, noisy, other, upright
from playwright.sync_api import expect
from servers import wait_until

from pitscribe.ledger.photofile import read_photo

WIDTHS = (320, 390, 1440)
TILES = "#photos button"
HOURS = 2.0


@pytest.fixture
def running(tmp_path):
    with site(tmp_path, hours=HOURS) as made:
        yield made


@pytest.fixture(scope="module")
def browser():
    with chromium() as made:
        yield made


@pytest.fixture(scope="module")
def context(browser):
    return new_context(browser)  # one for all tests, so that the browser need not read plotly anew each time


@pytest.fixture
def page(running, context):
    page, page.seen = new_page(context)
    visit(page, running.url)
    page.wait_for_selector("#photo-choose")
    yield page
    page.close()
    assert page.seen.complaints == []


def until(page, what, script):
    """Wait until a piece of JavaScript is true; playwright's own way to do so is one that the page forbids."""
    wait_until(what, lambda: page.evaluate(script))


def file(name, data, kind="image/jpeg"):
    return {"name": name, "mimeType": kind, "buffer": data}


def taken(hours, image=None):
    """A photo that was taken in Chicago so many hours into the cook, and names no zone."""
    clock = datetime.fromtimestamp(START + (hours - 5) * 3600, UTC)
    return jpeg(image or upright(), exif=exif(clock))


def keep(running, *hours, words="bark"):
    """Photos that are there already, each another one."""
    ledger = running.world.ledger
    return [
        ledger.add_photo(1, read_photo(jpeg(noisy(160 + n, 120))), at=round((START + h * 3600) * 1000), words=words)
        for n, h in enumerate(hours)
    ]


def test_a_photo_that_is_chosen_is_shown_large_with_the_time_it_was_taken_and_given_words(running, page):
    expect(page.locator("#no-photos")).to_be_visible()
    page.set_input_files("#photo-files", file("one.jpg", taken(1.25)))
    dialog = page.locator("#photo-dialog")
    expect(dialog).to_be_visible()
    expect(dialog).to_contain_text("with the time at which it was taken")
    expect(page.get_by_label("Time", exact=True).last).to_have_value("2026-05-30T16:15")
    words = '<img src="x" onerror="document.title=1"> bark & colour'
    page.get_by_label("What it shows").fill(words)
    page.get_by_label("What it shows").press("Enter")
    expect(dialog).to_be_hidden()
    tile = page.locator(TILES)
    expect(tile).to_have_count(1)
    expect(tile.locator("span")).to_have_text(words)
    expect(tile.locator("time")).to_have_text("16:15")
    expect(tile).to_be_focused()
    assert tile.locator("img").count() == 1
    (photo,) = running.world.ledger.photos(1)
    assert (photo.words, photo.at_ms) == (words, (START + 4500) * 1000)
    until(page, "the tile has its picture", f"document.querySelector('{TILES} img').naturalWidth === 120")


def test_several_are_sent_one_after_the_other_and_stand_in_order_of_time(running, page):
    page.set_input_files("#photo-files", [file("b.jpg", taken(1.5)), file("a.jpg", taken(0.5, noisy()))])
    expect(page.locator("#toast")).to_contain_text("2 photos kept")
    assert page.locator(f"{TILES} time").all_text_contents() == ["15:30", "16:30"]
    expect(page.locator("#photo-dialog")).to_be_hidden()


def test_a_photo_without_a_time_says_so_and_another_time_is_kept(running, page):
    page.set_input_files("#photo-files", file("one.jpg", jpeg()))
    expect(page.locator("#photo-dialog")).to_contain_text("does not say when it was taken")
    field = page.locator("#photo-at")
    expect(field).to_have_value("2026-05-30T17:00")  # now
    field.fill("2026-05-28T17:00")
    page.get_by_role("button", name="Keep").last.click()
    expect(page.locator("#photo-form .wrong")).to_contain_text("more than a day before the cook began")
    field.fill("2026-05-30T15:10")
    page.get_by_role("button", name="Keep").last.click()
    expect(page.locator("#photo-dialog")).to_be_hidden()
    assert running.world.ledger.photos(1)[0].at_ms == (START + 600) * 1000
    page.seen.complaints = [c for c in page.seen.complaints if "400" not in c]  # the browser tells of the refusal


def test_a_picture_of_another_kind_or_too_large_is_drawn_anew_by_the_browser_and_kept(running, page, tmp_path):
    (tmp_path / "one.webp").write_bytes(other("WEBP"))
    (tmp_path / "two.jpg").write_bytes(jpeg(noisy(2400, 1600)) + bytes(20_000_000))
    page.set_input_files("#photo-files", [tmp_path / "one.webp", tmp_path / "two.jpg"])
    expect(page.locator("#toast")).to_contain_text("2 photos kept")
    sizes = {(photo.width, photo.height) for photo in running.world.ledger.photos(1)}
    assert sizes == {(120, 80), (2048, 1365)}


def test_what_is_no_picture_is_refused_in_words_on_both_sides(running, page):
    page.set_input_files("#photo-files", file("list.jpg", b"a shopping list"))
    expect(page.locator("#toast")).to_contain_text("Not kept: list.jpg: this is no photo that can be read here")
    page.set_input_files("#photo-files", file("list.heic", b"a shopping list", "image/heic"))
    expect(page.locator("#toast")).to_contain_text("Not kept: list.heic: this browser cannot read it as a picture")
    assert running.world.ledger.photos(1) == []
    page.seen.complaints = [c for c in page.seen.complaints if "400" not in c]


def test_by_the_keyboard_alone_photos_are_opened_walked_through_described_and_closed(running, page):
    keep(running, 0.5, 1.0, 1.5, words="")
    running.watch.poke()
    expect(page.locator(TILES)).to_have_count(3)
    page.locator(TILES).nth(1).focus()
    page.keyboard.press("Enter")
    expect(page.locator("#photo-dialog h2")).to_have_text("Photo, 16:00")
    page.get_by_label("What it shows").focus()
    page.keyboard.type("the flat")
    page.get_by_role("button", name="Later photo").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#photo-dialog h2")).to_have_text("Photo, 16:30")
    expect(page.get_by_label("What it shows")).to_have_value("")
    expect(page.locator('#photo-form [data-act="close"]')).to_be_focused()  # there is no later one
    page.keyboard.press("Escape")
    expect(page.locator("#photo-dialog")).to_be_hidden()
    expect(page.locator(TILES).nth(2)).to_be_focused()
    assert [p.words for p in running.world.ledger.photos(1)] == ["", "the flat", ""]  # what was typed was not lost


def test_a_phone_is_asked_for_its_camera_and_a_laptop_is_not(running, page, browser):
    expect(page.locator("#photo-take")).to_be_hidden()
    phone, seen = new_page(new_context(browser, is_mobile=True, has_touch=True))
    visit(phone, running.url, wait_until="commit")
    with phone.expect_file_chooser() as chooser:
        phone.get_by_role("button", name="Take a photo").tap()
    assert not chooser.value.is_multiple()
    assert chooser.value.element.get_attribute("capture") == "environment"
    phone.close()
    assert seen.complaints == []


def test_erasing_is_asked_for_twice_and_is_for_good(running, page):
    (photo,) = keep(running, 1.0)
    running.watch.poke()
    page.locator(TILES).click()
    page.get_by_role("button", name="Erase", exact=True).click()
    assert running.world.ledger.photos(1) == [photo]
    page.get_by_role("button", name="Erase it for good").click()
    expect(page.locator("#photo-dialog")).to_be_hidden()
    expect(page.locator("#no-photos")).to_be_visible()
    expect(page.locator("#photos-h")).to_be_focused()
    assert list(running.world.ledger.photo_folder.iterdir()) == []


def test_another_phone_sees_a_photo_come_and_go_and_a_past_cook_keeps_its_own(running, page, context):
    other_page, seen = new_page(context)
    visit(other_page, running.url)
    expect(other_page.locator("#no-photos")).to_be_visible()
    page.set_input_files("#photo-files", file("one.jpg", taken(1.0)))
    expect(other_page.locator(TILES)).to_have_count(1)
    running.world.ledger.end_cook(1)
    visit(other_page, f"{running.url}/cook/1")
    expect(other_page.locator(TILES)).to_have_count(1)
    other_page.set_input_files("#photo-files", file("two.jpg", jpeg(noisy())))  # afterwards, at the table
    expect(other_page.locator("#photo-at")).to_have_value("2026-05-30T17:00")  # the end
    other_page.close()
    assert seen.complaints == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_photos_fit_every_width_and_axe_finds_nothing_serious(running, browser, scheme):
    ledger = running.world.ledger
    keep(running, 0.3, 0.9, 1.4, words="the point, after the first spritz, from the firebox end")
    ledger.add_photo(1, read_photo(jpeg(upright(900, 1600))), at=round((START + 6000) * 1000))
    ledger.add_photo(1, read_photo(jpeg(upright(1600, 900))), at=round((START + 6600) * 1000), words="sliced")
    page, seen = new_page(new_context(browser, color_scheme=scheme, has_touch=True))
    visit(page, running.url)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        expect(page.locator(TILES)).to_have_count(5)
        page.locator("#photos").scroll_into_view_if_needed()
        until(page, "all are there", f"[...document.querySelectorAll('{TILES} img')].every(i => i.naturalWidth)")
        where = f"{width}, {scheme}"
        assert over_the_edge(page, rolls=".unseen, #chart, .scroll") == [], where
        assert too_small(page, ".photos button") == [], where
        look(page, f"strip_{width}_{scheme}", where, whole=True)
        for n in (3, 4) if width == 320 else (4,):
            page.locator(TILES).nth(n).click()
            until(page, "it is there", "document.querySelector('#photo-image').naturalWidth > 800")
            assert too_small(page, "#photo-form button, #photo-form input") == [], where
            box = page.locator("#photo-dialog").bounding_box()
            assert box["x"] >= 0, where
            assert box["x"] + box["width"] <= width, where
            assert page.evaluate("document.querySelector('#photo-dialog').scrollHeight <= innerHeight"), where
            look(page, f"large{n}_{width}_{scheme}", where)
            page.keyboard.press("Escape")
    assert seen.complaints == []
    page.close()


def look(page, name, where, *, whole=False):
    """Axe finds nothing serious on a usual phone and on a laptop; and a picture for who wants one."""
    take_picture(page, f"photos_{name}", whole=whole)
    if page.viewport_size["width"] != 320:
        assert grave(page) == [], f"{name}, {where}"


def test_on_paper_there_are_the_photos_and_no_buttons(running, page):
    keep(running, 1.0)
    running.watch.poke()
    expect(page.locator(TILES)).to_have_count(1)
    page.emulate_media(media="print")
    expect(page.locator("#photo-choose")).to_be_hidden()
    expect(page.locator(f"{TILES} img")).to_be_visible()
    expect(page.locator(f"{TILES} time")).to_be_visible()
    take_picture(page, "photos_print")
    expect(page.locator(TILES)).to_have_attribute("aria-label", re.compile("Show bark, 16:00"))
