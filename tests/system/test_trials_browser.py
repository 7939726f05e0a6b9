"""The pages of trials in a real browser: at every width, light and dark, and by the keyboard alone."""

import os

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import chromium, new_context, new_page, over_the_edge, site, too_small
from playwright.sync_api import expect

WIDTHS = (320, 390, 768, 1440)
PICTURES = os.environ.get("PITSCRIBE_TEST_PICTURES")  # a folder for the screenshots, for who wants to look


@pytest.fixture
def running(tmp_path):
    with site(tmp_path, hours=1) as made:
        made.trial = made.world.ledger.new_trial(
            "Paper or foil", question="Is it moister in paper?", factor="wrap", levels=["foil", "paper"],
            main="moisture", matters=1.0, planned=8, block=4, seed="a seed of the test", seed_told=False,
        )
        yield made


@pytest.fixture(scope="module")
def browser():
    with chromium() as made:
        yield made


def test_a_cook_is_drawn_into_a_trial_by_the_keyboard_alone(running, browser):
    page, seen = new_page(new_context(browser))
    page.goto(f"{running.url}/trials")
    page.locator("#trials a").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#draw")).to_be_visible()
    page.locator("#draw-cook").focus()
    page.keyboard.press("Tab")
    page.keyboard.type("flat")
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("Draw its level")
    page.keyboard.press("Enter")
    expect(page.locator("#draw-said")).to_contain_text("number 1.")
    piece = running.world.ledger.pieces(running.trial.id)[0]
    assert piece.place == "flat"
    expect(page.locator("#pieces")).to_contain_text(f"flat: {piece.level}, drawn as number 1")
    expect(page.locator("#findings")).to_contain_text("nothing to compare yet")
    page.keyboard.press("Enter")  # a second time: it is in already, and the page says so
    expect(page.locator("#draw-said")).to_contain_text("already")
    assert len(running.world.ledger.pieces(running.trial.id)) == 1
    assert all("400" in complaint for complaint in seen.complaints)  # the browser tells of the refusal
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_trials_fit_every_width_and_axe_finds_nothing_serious(running, browser, scheme):
    page, seen = new_page(new_context(browser, color_scheme=scheme))
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        for path, there in (("/trials", "#trials li"), (f"/trial/{running.trial.id}", "#findings p:not(.quiet)")):
            page.goto(running.url + path)
            page.wait_for_selector(there)
            where = f"{path} at {width}, {scheme}"
            over = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
            assert page.evaluate(over) == 0, where
            assert page.evaluate(over_the_edge(".unseen")) == [], where
            assert page.evaluate(too_small("button, select, input")) == [], where
            found = Axe().run(page).response["violations"]
            assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == [], where
            if PICTURES:
                page.screenshot(path=f"{PICTURES}/{path.replace('/', '')}_{width}_{scheme}.png", full_page=True)
    assert seen.complaints == []
    page.close()
