"""Photos on a cook's page: a few, inside the file, behind the two pages, and none of them a reason to have no page."""

import base64
import io
import re

import pytest
from paper_kitchen import Page, cook, needs_nothing_else
from photos_made import jpeg, noisy, upright
from PIL import Image
from playwright.sync_api import sync_playwright

from pitscribe.cook.analysis import analyse
from pitscribe.cook.lookback import lookbacks
from pitscribe.cook.plain import iso
from pitscribe.ledger.photofile import read_photo
from pitscribe.report.cook import Kept, cook_html
from pitscribe.report.gather import kept
from pitscribe.report.photos import LONGEST_PX, MOST, Photos, Shown, photos_of, section

SHOWN = re.compile(r'<img src="data:image/jpeg;base64,([A-Za-z0-9+/=]+)" alt="([^"]*)"')


def when(utc):
    return iso(utc)[:16].replace("T", " ")


def add(ledger, n, words="", picture=None):
    cook = ledger.cook(1)
    return [
        ledger.add_photo(1, picture or read_photo(jpeg(upright(900 + i, 700))), at=cook.started_ms + i * 600_000,
                         words=f"{words}{i}") for i in range(n)
    ]


def test_the_page_of_a_cook_has_its_photos_scaled_down_and_fetches_nothing(world):
    (photo,) = add(world.ledger, 1, words='"><script>alert(1)</script> bark & fat ')
    page = cook_html(kept(world.ledger, world.ledger.cook(1)), unit="F", when=when)
    ((data, alt),) = SHOWN.findall(page)
    image = Image.open(io.BytesIO(base64.b64decode(data)))
    assert max(image.size) == LONGEST_PX
    assert "script" in alt
    assert "<script" not in page
    assert f"{when(photo.at_ms / 1000)}" in page
    without, images = re.subn(r"<img [^>]*>", "", page)
    assert images == 1
    assert needs_nothing_else(without)
    assert Page(without).heads[-1] == "Photos"


@pytest.mark.parametrize(("n", "indices"), [(0, []), (1, [0]), (6, range(6)), (7, [0, 1, 2, 4, 5, 6]),
                                            (26, [0, 5, 10, 15, 20, 25])])
def test_of_many_photos_a_few_are_shown_from_the_whole_cook(world, n, indices):
    add(world.ledger, n)
    found = photos_of(world.ledger, 1)
    assert [int(one.words) for one in found.shown] == list(indices)
    page = section(found, when)
    assert len(SHOWN.findall(page)) == min(n, MOST)
    assert ("6 of" in page) == (n > MOST)
    assert bool(page) == bool(n)


def test_a_photo_whose_file_is_gone_is_told_and_the_page_is_made(world):
    lost, _ = add(world.ledger, 2)
    (world.ledger.photo_folder / lost.file).unlink()
    page = cook_html(kept(world.ledger, world.ledger.cook(1)), unit="C", when=when)
    assert len(SHOWN.findall(page)) == 1
    assert "of 1 the file cannot be read" in page


def test_a_cook_without_readings_shows_its_photos_all_the_same(world):
    empty = world.ledger.start_cook("Sunday")
    world.ledger.add_photo(empty.id, read_photo(jpeg()), at=empty.started_ms)
    assert len(SHOWN.findall(cook_html(kept(world.ledger, empty), unit="F", when=when))) == 1


def test_photos_are_printed_behind_the_two_pages_on_one_of_their_own(tmp_path):
    record = cook()
    said = analyse(record, ahead=True)
    shapes = ((900, 1600), (1600, 900), (700, 700))
    shown = tuple(Shown(record.cook.started_ms / 1000, f"photo {n}, a line of words as one writes them by the pit",
                        read_photo(jpeg(noisy(*shapes[n % 3]))).jpeg) for n in range(MOST))
    back = lookbacks(record, said.forecasts)
    pages = {}
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        try:
            for name, photos in (("without", Photos()), ("with", Photos(shown, 9))):
                file = tmp_path / f"{name}.html"
                html = cook_html(Kept(record, said, back, photos=photos), unit="F", when=when)
                file.write_text(html, encoding="utf-8")
                page = browser.new_context(java_script_enabled=False).new_page()
                page.goto(file.as_uri())
                for paper in ("A4", "Letter"):
                    pdf = page.pdf(format=paper, path=tmp_path / f"{name}-{paper}.pdf")
                    pages[name, paper] = len(re.findall(rb"/Type\s*/Page\b[^s]", pdf))
        finally:
            browser.close()
    assert pages == {("without", "A4"): 2, ("without", "Letter"): 2, ("with", "A4"): 3, ("with", "Letter"): 3}
