"""The pages of trials in a real browser: a whole trial by one person and three tasters, by keyboard, in all widths."""

import re

import looks
import pytest
from browser import chromium, new_context, new_page, site, visit
from playwright.sync_api import expect

from pitscribe.cook.trials.serving import servings, slip_words

expect.set_options(timeout=30_000)


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
    visit(page, f"{running.url}/trials")
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
    expect(page.locator(":focus")).to_have_text("Draw its level")
    page.wait_for_load_state("networkidle")
    page.keyboard.press("Enter")  # a second time: it is in already, and the page says so
    expect(page.locator("#draw .wrong")).to_contain_text("already")
    expect(page.locator("#draw-place")).to_have_value("flat")
    assert len(running.world.ledger.pieces(running.trial.id)) == 1
    assert all("400" in complaint for complaint in seen.complaints)  # the browser tells of the refusal
    page.close()


def look_at(page, name, schemes=("light", "dark")):
    fingers = "button, select, input:not([type=radio]), .choices label, .code"
    looks.look_at(page, name, rolls=".unseen", fingers=fingers, schemes=schemes)


def unfold(page, what):
    page.get_by_text(what, exact=True).click()


def ask(page):
    """Lay a trial down, with a mistake on the way: it is told at its field, and what was typed stays."""
    expect(page.get_by_label("What do you want to know?")).to_be_visible()  # there is no trial yet: the form is open
    page.get_by_label("What do you want to know?").fill("Does paper keep it moister than foil?")
    page.get_by_label("What is done differently?").fill("wrap")
    page.get_by_label("The usual way").fill("foil")
    page.get_by_label("Another way").fill("paper")
    page.get_by_label("What decides").select_option("moisture")
    page.get_by_label("Pieces of each way").fill("3")
    expect(page.locator("#ask-outlook")).to_contain_text("no outcome at all could be told from chance")
    page.get_by_label("Pieces of each way").fill("4")
    # the table of docs/TRIALS.md: 4 of each, 2 points
    expect(page.locator("#ask-outlook")).to_contain_text("would be told 53 times in 100")
    page.get_by_role("button", name="Lay the trial down").click()
    expect(page.locator('[data-field="name"] .wrong')).to_have_text("name is missing")
    expect(page.get_by_label("A short name for it")).to_be_focused()
    expect(page.get_by_label("What do you want to know?")).to_have_value("Does paper keep it moister than foil?")
    look_at(page, "trials-ask")
    page.get_by_label("A short name for it").fill("Paper or foil")
    page.get_by_role("button", name="Lay the trial down").click()
    expect(page.locator("h1")).to_have_text("Paper or foil")
    expect(page.locator("#trial-seal")).to_have_text(re.compile(r"^Seal [0-9a-f]{5}-[0-9a-f]{5}"))


def draw(page, names):
    for name in names:
        page.get_by_label("Cook that is not over").select_option(label=name)
        page.get_by_role("button", name="Draw its level").click()
        expect(page.locator("#draw-said")).to_contain_text(f"{name}: ")
        page.wait_for_load_state("networkidle")


def taste(browser, link, odd, telling, *, shown):
    """One taster on a phone. Of all that the browser is sent, nothing tells a level, a piece or the question."""
    page, seen = new_page(new_context(browser))
    bodies = []
    # files under /static/ are the same for everybody, whatever is tasted: a test of the host's holds that
    page.on("response", lambda answer: None if "/static/" in answer.url else bodies.append(answer.text()))
    visit(page, link)
    expect(page.get_by_role("radio")).to_have_count(3)
    assert "#" not in page.url  # the slip's word is out of sight
    page.get_by_role("button", name="Hand it in").click()
    expect(page.locator("#said")).to_contain_text("choose one of your plates", ignore_case=True)
    page.get_by_text(odd, exact=True).click()
    if shown:
        look_at(page, "taste", schemes=("light",))
    page.get_by_role("button", name=f"Hand in {odd}").click()
    expect(page.locator("#done")).to_contain_text("Thank you")
    everything = " ".join([page.content(), page.url, *seen.requests, *bodies])
    for word in telling:
        assert word not in everything, word
    assert page.locator("a").count() == 0  # no way leads from here to what tells it
    assert seen.complaints == []
    page.context.close()


def test_one_person_asks_draws_scores_has_three_tasters_taste_closes_and_reads_the_conclusion(tmp_path, browser):
    with site(tmp_path, hours=1) as running:
        ledger = running.world.ledger
        names = ["Two briskets", *(f"Night {i}" for i in range(1, 8))]
        for name in names[1:]:
            ledger.start_cook(name)
        page, seen = new_page(new_context(browser), 1000, 900)
        visit(page, f"{running.url}/trials")
        ask(page)
        draw(page, names)
        expect(page.locator("#trial-said")).to_contain_text("8 of 8 pieces drawn")
        expect(page.locator("#draw")).to_be_hidden()

        # the first is scored on its own page, to which the trial leads; the others in the same way, by its route
        (trial,) = ledger.trials()
        pieces = ledger.pieces(trial.id)
        points = {p.cook_id: (8.0 if p.level == "paper" else 5.0) + 0.1 * i for i, p in enumerate(pieces)}
        page.get_by_role("link", name="Score it: Two briskets").click()
        expect(page.locator("#score-moisture")).to_be_in_viewport()
        page.locator("#score-moisture").fill(f"{points[pieces[0].cook_id]:g}")
        page.locator("#score-moisture").press("Tab")
        expect(page.locator("#score-moisture")).to_have_value(f"{points[pieces[0].cook_id]:g}")
        for piece in pieces[1:]:
            ledger.score(piece.cook_id, "moisture", points[piece.cook_id])
        visit(page, f"{running.url}/trial/{trial.id}")
        expect(page.locator("#pieces")).to_contain_text(f"moisture {points[pieces[0].cook_id]:.1f} points")

        # a triangle of one foil and one paper
        unfold(page, "Set out a tasting")
        page.get_by_label("Tasters").fill("3")
        expect(page.locator("#set-out-outlook")).to_contain_text("It takes 3 of 3")
        page.get_by_role("button", name="Set it out").click()
        expect(page.locator("#tastings article")).to_contain_text("0 of 3 answers are in")
        look_at(page, "trial-tasting")
        (tasting,) = ledger.tastings(trial.id)
        levels = {p.id: p.level for p in pieces}
        assert {levels[tasting.first], levels[tasting.second]} == {"foil", "paper"}
        telling = ["foil", "paper", "wrap", "moister", tasting.seed, trial.seed, *names]
        links = [a.get_attribute("href") for a in page.get_by_role("link", name=re.compile("Open the form")).all()]
        served = servings("triangle", tasting.seed, 3)
        for one, link in zip(served[:2], links, strict=False):
            taste(browser, running.url + link, one.odd, telling, shown=one.taster == 1)
        expect(page.locator("#tastings article")).to_contain_text("2 of 3 answers are in")  # it comes by itself

        # the third wrote on paper, and was first typed wrongly
        like = next(code for code in served[2].codes if code != served[2].odd)
        for code in (like, served[2].odd):
            page.get_by_label("named", exact=True).select_option(code)
            page.get_by_role("button", name="Write it down").click()
            expect(page.locator("#tastings tbody")).to_contain_text(f"{code} Take back")
            if code == like:
                page.get_by_role("button", name="Take back what taster 3 said").click()
                expect(page.locator("#tastings")).to_contain_text(f"taster 3: {like}, taken back")
        unfold(page, "Close this tasting")
        page.get_by_role("button", name="Close it", exact=True).click()
        # all of three name the odd one by guessing in 1 of 27
        expect(page.locator("#tastings article")).to_contain_text("3 of 3 named the odd one")
        expect(page.locator("#tastings article")).to_contain_text("p 0.037. People tell them apart.")
        expect(page.get_by_role("button", name=re.compile("Take back"))).to_have_count(0)

        unfold(page, "Close this trial")
        page.get_by_role("button", name="Close the trial").click()
        expect(page.locator('#close [data-field="why"] .wrong')).to_have_text("why is missing")
        page.get_by_label("Why, in a sentence").fill("all eight nights are cooked")
        page.get_by_role("button", name="Close the trial").click()
        expect(page.locator("#trial-said")).to_contain_text("closed: all eight nights are cooked")
        # 4 against 4, all of one higher: 2 of the 70 draws
        expect(page.get_by_role("heading", name="What it says", exact=True)).to_be_visible()
        expect(page.locator("#findings")).to_contain_text("a difference that the draw alone seldom makes")
        expect(page.locator("#findings")).to_contain_text("p 0.029 by all 70 draws")
        look_at(page, "trial-closed")
        assert all("400" in complaint for complaint in seen.complaints)  # the browser tells of the two refusals
        assert len(seen.complaints) == 2
        page.context.close()


def test_a_piece_is_put_aside_by_the_keyboard_alone_with_its_reason(running, browser):
    ledger = running.world.ledger
    ledger.enter(running.trial.id, 1, "flat", "foil", None)
    page, _ = new_page(new_context(browser))
    visit(page, f"{running.url}/trial/{running.trial.id}")
    page.get_by_role("button", name="Put Two briskets, flat aside").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_label(re.compile("^Why is Two briskets, flat put aside"))).to_be_focused()
    look_at(page, "trial-aside", schemes=("light",))
    page.keyboard.press("Enter")
    expect(page.locator("#pieces .wrong").first).to_have_text("why is missing")
    page.keyboard.type("the fire went out")
    page.keyboard.press("Enter")
    expect(page.locator("#pieces")).to_contain_text("put aside: the fire went out")
    assert ledger.pieces(running.trial.id)[0].why == "the fire went out"
    page.context.close()


def test_a_rating_is_handed_in_on_a_phone(running, browser):
    ledger, trial = running.world.ledger, running.trial
    pieces = [ledger.enter(trial.id, 1, place, level, None) for place, level in (("flat", "foil"), ("point", "paper"))]
    tasting = ledger.new_tasting(trial.id, "rating", *pieces, tasters=1, seed="of the test")
    page, seen = new_page(new_context(browser))
    visit(page, f"{running.url}/taste")
    look_at(page, "taste-slip", schemes=("light",))
    page.get_by_label("The word on your slip").fill("nobody's")
    page.get_by_role("button", name="Show my plates").click()
    expect(page.locator("#said")).to_contain_text("No tasting that goes on has this slip")
    expect(page.get_by_label("The word on your slip")).to_have_value("nobody's")
    page.get_by_label("The word on your slip").fill(slip_words(tasting.seed, 1)[0].upper().replace("-", ""))
    page.keyboard.press("Enter")
    (one,) = servings("rating", tasting.seed, 1)
    page.get_by_label(f"moisture of {one.codes[0]}").select_option("8")
    page.get_by_role("button", name="Hand it in").click()
    expect(page.locator("#said")).to_contain_text(f"score {one.codes[1]} too", ignore_case=True)
    page.get_by_label(f"moisture of {one.codes[1]}").select_option("6")
    look_at(page, "taste-rating")
    page.get_by_role("button", name="Hand it in").click()
    expect(page.locator("#done")).to_contain_text("Thank you")
    points = {s.place: s.value for s in ledger.scores(1)}
    places = {"A": "flat", "B": "point"}
    assert points == {places[one.samples[0]]: 8.0, places[one.samples[1]]: 6.0}
    assert all("400" in complaint for complaint in seen.complaints)
    page.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_trials_fit_every_width_and_axe_finds_nothing_serious(running, browser, scheme):
    page, seen = new_page(new_context(browser))
    for name, path, there in (("trials", "/trials", "#trials li"),
                              ("trial", f"/trial/{running.trial.id}", "#findings p:not(.quiet)")):
        visit(page, running.url + path)
        page.wait_for_selector(there)
        look_at(page, name, schemes=(scheme,))
    assert seen.complaints == []
    page.close()
