"""The page in a real browser, against a real server, ledger and watch: what a person sees and can do."""

import contextlib
import re
import threading
import time
from dataclasses import replace
from urllib.parse import urlsplit

import page_world
import pytest
from browser import chromium, new_context, new_page, site, visit
from looks import WIDTHS, grave, over_the_edge, too_small
from page_world import OPEN_BIT, SECOND, START
from playwright.sync_api import expect

expect.set_options(timeout=30_000)  # a deadline for a loaded machine, not a time that anything takes

CHART = "#chart[data-drawn]"
UNNAMED = """
    [...document.querySelectorAll('button, input, select, a')]
        .filter(e => e.offsetParent)
        .filter(e => !(e.textContent.trim() || e.getAttribute('aria-label') || e.labels?.length))
        .map(e => e.outerHTML)"""


@pytest.fixture
def running(tmp_path):
    with site(tmp_path, hours=7.5) as made:
        yield made


@pytest.fixture(scope="module")
def context():
    with chromium() as browser:
        yield new_context(browser)  # one for all tests, so that the browser need not read plotly anew each time


@pytest.fixture
def page(running, context):
    page, page.seen = new_page(context)
    visit(page, running.url)
    page.wait_for_selector(CHART)
    yield page
    page.evaluate("localStorage.clear()")
    page.close()
    assert page.seen.complaints == []


def end(running, page):
    """The cook ends. Whoever watched it goes on looking at it, which would undo going elsewhere before that."""
    running.world.ledger.end_cook(1)
    expect(page).to_have_url(re.compile("/cook/1$"))


def test_the_page_opens_by_itself_and_shows_the_answers(running, page):
    hosts = {urlsplit(url).netloc for url in page.seen.requests if not url.startswith(("data:", "blob:"))}
    assert hosts == {urlsplit(running.url).netloc}
    snapshot = running.watch.now().body
    coldest = snapshot["coldest"]
    expect(page.locator("#coldest h2")).to_contain_text(coldest["place"])
    expect(page.locator("#coldest .value")).to_have_text(f"{coldest['celsius'] * 1.8 + 32:.0f}°F")
    expect(page.locator("#coldest")).to_contain_text(re.compile(r"stalled for .+; now .+ an hour"))
    expect(page.locator("#spread")).to_contain_text("tip leads since")
    expect(page.locator("#spread")).to_contain_text("second flat lags")
    expect(page.locator("#pit h2")).to_contain_text("grate")
    expect(page.locator("#places tbody tr")).to_have_count(6)
    expect(page.locator("#chart .annotation-text", has_text="point")).to_have_count(1)
    # Nothing is wrong with the record; the cook itself asks for something: the tip runs away.
    assert [t["about"] for t in snapshot["troubles"]] == ["hint"]
    expect(page.locator("#asks p")).to_have_count(1)
    expect(page.locator("#asks p")).to_contain_text("tip: it runs away: turn tip away from the fire")


def test_the_chart_and_the_notes_tell_the_same_local_time(running, page):
    # The cook began at 20:00 UTC: 15:00 in Chicago in May.
    expect(page.locator("#cook-span")).to_contain_text("15:00")
    expect(page.locator("#chart .xtick text").first).to_have_text(re.compile(r"^1[56]:00$"))
    page.locator("#chart").scroll_into_view_if_needed()
    box = page.locator("#chart .nsewdrag").first.bounding_box()
    with page.expect_request(lambda r: "from=" in r.url) as asked:
        page.mouse.move(box["x"] + 60, box["y"] + 40)
        page.mouse.down()
        page.mouse.move(box["x"] + 120, box["y"] + 45, steps=5)
        page.mouse.up()
    expect(page.locator('[data-span="all"]')).to_have_attribute("aria-pressed", "false")
    url = asked.value.url
    begin, end = (float(re.search(rf"{key}=([0-9.]+)", url)[1]) for key in ("from", "to"))
    assert START < begin < end < START + 7.5 * 3600


def test_a_tapped_note_appears_and_can_be_undone(running, page):
    page.get_by_role("button", name="wrap", exact=True).click()
    expect(page.locator("#notes li")).to_contain_text("wrap")
    expect(page.locator("#toast")).to_contain_text("Noted: wrap")
    assert [n.kind for n in running.world.ledger.notes(1)] == ["wrap"]
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#notes li")).to_have_count(0)
    assert running.world.ledger.notes(1) == []


def test_free_text_is_shown_as_text_and_can_be_changed(running, page):
    words = '<img src="x" onerror="document.title=1"> bark & colour'
    page.get_by_label("In your own words").fill(words)
    page.get_by_label("In your own words").press("Enter")
    expect(page.locator("#notes .what")).to_have_text(words)
    assert page.locator("#notes img").count() == 0
    page.get_by_role("button", name=re.compile("change note")).click()
    page.get_by_label("Text", exact=True).fill("bark set")
    page.get_by_role("button", name="Keep").click()
    expect(page.locator("#notes .what")).to_have_text("bark set")
    expect(page.get_by_role("button", name="change note bark set")).to_be_focused()
    assert [n.text for n in running.world.ledger.notes(1)] == ["bark set"]


def test_a_note_can_be_about_a_quarter_of_an_hour_ago(running, page):
    page.get_by_label("When").select_option("900")
    page.get_by_role("button", name="lid", exact=True).click()
    expect(page.locator("#notes li")).to_contain_text("lid")
    (note,) = running.world.ledger.notes(1)
    assert note.at_ms == round((running.world.clock.now() - 900) * 1000)


def test_the_unit_is_switched_by_one_tap_and_kept(running, page):
    celsius = running.watch.now().body["coldest"]["celsius"]
    page.get_by_role("button", name="degrees Celsius").click()
    expect(page.locator("#coldest .value")).to_have_text(f"{celsius:.0f}°C")
    page.reload()
    expect(page.locator("#coldest .value")).to_have_text(f"{celsius:.0f}°C")
    page.get_by_role("button", name="degrees Fahrenheit").click()
    expect(page.locator("#coldest .value")).to_have_text(f"{celsius * 1.8 + 32:.0f}°F")


def test_new_readings_arrive_by_themselves(running, page):
    drawn = page.locator("#chart").get_attribute("data-drawn")
    running.world.carry_on(3600)
    running.world.state()
    want = running.watch.now().body["coldest"]["celsius"] * 1.8 + 32
    expect(page.locator("#coldest .value")).to_have_text(f"{want:.0f}°F")
    expect(page.locator("#chart")).not_to_have_attribute("data-drawn", drawn)


def test_the_whole_cook_and_the_last_hour_stay_chosen_and_follow_the_data(running, page):
    """An update once took itself for the person's zoom, and the chart stood still from then on."""
    range_end = "document.getElementById('chart')._fullLayout.xaxis.range[1]"
    shown = f"Date.parse({range_end}.replace(' ', 'T') + 'Z') / 1000"
    drawn = "Number(document.getElementById('chart').dataset.drawn)"  # the range itself reaches on: to a forecast
    for span in ("all", "3600"):
        button = page.locator(f'[data-span="{span}"]')
        button.click()
        end = drawn if span == "all" else shown
        if span != "all":
            page.wait_for_function(f"() => {shown} - {shown.replace('[1]', '[0]')} < 3700")
        for _ in range(2 if span == "all" else 1):
            before = page.evaluate(end)
            running.world.carry_on(600)
            running.world.state()
            page.wait_for_function(f"(from) => {end} > from", arg=before + 590)
            expect(button).to_have_attribute("aria-pressed", "true")


def test_the_chart_names_the_day_at_midnight_and_so_do_the_notes(tmp_path, context):
    with site(tmp_path, hours=11) as running:  # from 15:00 on Saturday in Chicago to 02:00 on Sunday
        running.world.ledger.add_note(1, round((START + 3600) * 1000), "wrap")
        page, seen = new_page(context)
        visit(page, running.url)
        page.wait_for_selector(CHART)
        expect(page.locator("#chart .xtick text", has_text="Sun")).to_have_count(1)
        expect(page.locator("#notes time")).to_have_text("Sat 16:00")
        expect(page.locator("#chart")).to_have_attribute("aria-label", re.compile("from Sat 15:00 to Sun 0"))
        page.locator("#chart-table summary").click()
        expect(page.locator("#chart-table tbody th").last).to_contain_text("Sun 0")
        page.close()
        assert seen.complaints == []


FALL_BACK = 1_793_502_000.0  # 2026-11-01T03:00Z; in Chicago 02:00 became 01:00 again at 07:00Z (tz database)
STEPS_BACK = """
    () => document.getElementById('chart').data
        .filter((d) => d.fill !== 'toself')  // an outline runs forth and back
        .map((d) => d.x.slice(1).filter((x, i) => x < d.x[i] && !(d.name === 'notes')).length)
        .reduce((a, b) => a + b)"""


def test_no_line_runs_back_in_the_night_in_which_the_clocks_change(tmp_path, context, monkeypatch):
    monkeypatch.setattr(page_world, "START", FALL_BACK)
    with site(tmp_path, hours=8) as running:
        running.world.ledger.add_note(1, round((FALL_BACK + 6 * 3600) * 1000), "wrap")
        page, seen = new_page(context)
        visit(page, running.url)
        page.wait_for_selector(CHART)
        assert page.evaluate("document.getElementById('chart').data.length") > 6
        assert page.evaluate(STEPS_BACK) == 0
        # By the clock of the start, 22:00 (UTC-5): the note six hours later stands at 04:00, and the page says so.
        expect(page.locator("#clock-said")).to_contain_text("clock at its start, UTC\N{MINUS SIGN}5")
        expect(page.locator("#notes time")).to_have_text("04:00")
        assert page.evaluate("document.getElementById('chart').data.find((d) => d.name === 'notes').x[0]").endswith(
            "T04:00:00.000"
        )
        page.close()
        assert seen.complaints == []


GREATEST_STEP = """
    (name) => {
        const p = document.getElementById('chart').data.find((d) => d.name === name);
        return Math.max(...p.x.slice(1).map((x, i) => (Date.parse(x) - Date.parse(p.x[i])) / 1000));
    }"""


def test_the_chart_that_is_open_gets_what_a_logger_kept_while_it_was_away(tmp_path, context):
    with site(tmp_path, hours=3, apart=("point",)) as running:
        page, seen = new_page(context)
        visit(page, running.url)
        page.wait_for_selector(CHART)
        world = running.world
        world.away = {SECOND}
        world.carry_on(3600)
        world.state()
        expect(page.locator("#chart")).to_have_attribute("data-drawn", re.compile(f"^{START + 4 * 3600 - 10:.0f}"))
        world.bring_back(SECOND)
        page.wait_for_function(
            "(to) => document.getElementById('chart').data"
            ".find((d) => d.name === 'point' && Date.parse(d.x.at(-1) + 'Z') > to)",
            arg=(START - 5 * 3600 + 4 * 3600 - 200) * 1000,  # the chart's times are Chicago's
        )
        world.carry_on(600)
        world.state()
        expect(page.locator("#chart")).to_have_attribute("data-drawn", re.compile(f"^{START + 4 * 3600 + 590:.0f}"))
        for name in ("flat", "point"):
            assert page.evaluate(GREATEST_STEP, name) < 120
        page.close()
        assert seen.complaints == []


def test_another_air_place_that_speaks_for_the_pit_says_so(running, page):
    running.world.faults = {"grate": OPEN_BIT}
    running.world.carry_on(320)
    running.world.state()
    expect(page.locator("#pit h2")).to_contain_text("firebox end")
    expect(page.locator("#pit")).to_contain_text("grate has no value: firebox end is shown")


def test_what_was_kept_aside_is_told_by_reason(running, page):
    running.world.ledger.set_aside([(b"a", "x", "crc", ""), (b"b", "x", "crc", ""), (b"c", "x", "clash", "")])
    expect(page.locator("#loggers")).to_contain_text("frames damaged on the way (check sum): 2")
    expect(page.locator("#loggers")).to_contain_text("used before, for other content: 1")


def test_when_data_stop_nothing_is_dressed_as_fresh(running, page):
    expect(page.locator("#coldest")).not_to_have_class(re.compile("stale"))
    before = page.locator("#coldest .value").evaluate("e => getComputedStyle(e).fontStyle")
    running.world.clock.at += 900
    running.world.state()
    expect(page.locator("#troubles")).to_contain_text("No new readings")
    for card in ("#coldest", "#pit", "#spread"):
        expect(page.locator(card)).to_have_class(re.compile("stale"))
        expect(page.locator(card)).to_contain_text("not fresh")
    look = page.locator("#coldest .value").evaluate(
        "e => [getComputedStyle(e).fontStyle, getComputedStyle(e, '::before').content]"
    )
    assert before == "normal"
    assert look[0] == "italic"
    assert "was" in look[1]
    expect(page.locator("#places tr.stale")).to_have_count(6)
    assert not page.title().startswith("1")  # the tab does not go on showing a number either


def test_an_open_probe_is_named_beside_its_last_value(running, page):
    running.world.faults = {"second flat": OPEN_BIT}
    running.world.carry_on(120)
    running.world.state()
    expect(page.locator("#troubles")).to_contain_text("second flat: the probe is open")
    row = page.locator("#places tr.stale")
    expect(row).to_have_count(1)
    expect(row).to_contain_text("second flat")
    expect(page.locator("#coldest h2")).not_to_contain_text("second flat")


@contextlib.contextmanager
def going(clock, pace=1.0):
    """The world's clock goes, `pace` times as fast as ours."""
    over, began, at = threading.Event(), time.monotonic(), clock.at

    def go():
        while not over.wait(0.05):
            clock.at = at + pace * (time.monotonic() - began)

    thread = threading.Thread(target=go)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


@pytest.mark.parametrize(("pace", "says"), [(1.0, "read 1[01] min ago"), (60.0, "read at [0-9:]{5}$")])
def test_what_is_old_gets_older_while_the_host_is_gone(running, context, pace, says):
    page, _ = new_page(context)
    page.clock.install()
    with going(running.world.clock, pace):
        visit(page, running.url)
        page.wait_for_selector(CHART)
        if pace > 1:  # it takes some beats to learn that the host's clock is not ours
            page.wait_for_selector("html[data-clock=other]", state="attached", timeout=30_000)
        running.server.stop()
    page.clock.fast_forward(15_000)
    expect(page.locator("#troubles")).to_contain_text("If it has power, the logger goes on recording")
    page.clock.fast_forward(600_000)
    expect(page.locator("#coldest [data-part=line]")).to_have_text(re.compile(f"^not fresh: {says}"))
    if pace > 1:
        for told in ("#answers", "#places", "#loggers"):
            expect(page.locator(told)).not_to_contain_text(" ago")
    page.close()


def test_a_note_that_finds_no_host_is_kept_with_its_time_and_sent_later(running, page):
    page.route("**/notes", lambda route: route.abort())
    then = running.world.clock.now()
    page.locator('[data-kind="lid"]').click()
    expect(page.locator("#toast")).to_contain_text("Kept here: lid")
    page.reload()
    expect(page.locator("#kept")).to_contain_text("Not sent yet: lid")
    page.unroute("**/notes")
    running.world.carry_on(1200)
    page.locator("#toast").get_by_role("button", name="Send").click()
    expect(page.locator("#notes li")).to_contain_text("lid")
    expect(page.locator("#kept")).to_be_hidden()
    (note,) = running.world.ledger.notes(1)
    assert note.at_ms == pytest.approx(then * 1000, abs=2000)
    page.seen.complaints.clear()  # the browser itself complains of the lost connection


def test_two_taps_in_a_row_are_one_note_and_the_answer_is_in_sight(running, page):
    button = page.locator('[data-kind="fuel"]')
    button.scroll_into_view_if_needed()
    button.dblclick()
    expect(page.locator("#toast")).to_contain_text("Noted: fuel")
    expect(button).to_have_class(re.compile("noted"))
    expect(page.locator("#toast")).to_be_in_viewport(ratio=1)
    page.mouse.wheel(0, -3000)
    expect(page.locator("#toast")).to_be_in_viewport(ratio=1)
    expect(page.locator("#notes li")).to_have_count(1)
    assert [n.kind for n in running.world.ledger.notes(1)] == ["fuel"]


def test_what_was_wrapped_can_be_unwrapped_and_nothing_else(running, page):
    unwrap = page.locator('[data-kind="unwrap"]')
    expect(unwrap).to_be_hidden()
    page.locator('[data-kind="boat"]').click()
    expect(unwrap).to_be_visible()
    unwrap.click()
    expect(page.locator("#toast")).to_contain_text("Noted: unwrap")
    expect(unwrap).to_be_hidden()
    assert [n.kind for n in running.world.ledger.notes(1)] == ["boat", "unwrap"]
    page.locator("#toast").get_by_role("button", name="Undo").click()
    expect(unwrap).to_be_visible()


def test_a_note_on_a_past_cook_needs_a_time_of_that_cook(running, page):
    end(running, page)
    page.wait_for_selector(CHART)
    field = page.get_by_label("When", exact=True)
    for typed, words in (("", "say when it was"), ("2026-06-20T12:00", "is not in this cook: give a time from")):
        field.fill(typed)
        page.locator('[data-kind="wrap"]').click()
        expect(page.locator("#toast")).to_contain_text(words)
    field.fill("2026-05-30T16:00")
    page.locator('[data-kind="wrap"]').click()
    expect(page.locator("#notes li")).to_contain_text("16:00")
    (note,) = running.world.ledger.notes(1)
    assert note.at_ms == (START + 3600) * 1000


def test_a_cook_that_was_forgotten_ends_at_its_last_reading(running, page):
    last = running.watch.now().body["newest"]
    running.world.clock.at += 8 * 3600
    running.world.state()
    expect(page.locator("#coldest")).to_have_class(re.compile("stale"))
    page.get_by_role("button", name="End this cook").click()
    expect(page.get_by_label("at the last reading")).to_be_checked()
    page.get_by_role("button", name="End it").click()
    expect(page).to_have_url(re.compile("/cook/1$"))
    assert running.world.ledger.cook(1).ended_ms == pytest.approx(last * 1000, abs=1)


def test_a_place_that_died_before_the_end_is_not_shown_as_if_it_were_there(running, page):
    running.world.faults = {"far end": OPEN_BIT, "firebox end": OPEN_BIT, "tip": OPEN_BIT}
    running.world.carry_on(3600)
    running.world.state()
    for ended in (False, True):
        if ended:
            running.world.ledger.end_cook(1)
        visit(page, f"{running.url}/cook/1")
        page.wait_for_selector(CHART)
        expect(page.locator("#pit")).to_contain_text(re.compile("firebox end was [0-9]+ at 22:29"))
        for card in ("#coldest", "#spread"):
            expect(page.locator(card)).to_contain_text("3 of 4 meat places; tip cannot be read")
        labels = page.locator("#chart .annotation-text")
        expect(labels.filter(has_text="tip gone")).to_have_count(1)
        expect(labels.filter(has_text="gone")).to_have_count(2)


def test_before_the_first_frame_the_page_says_that_it_waits(tmp_path, context):
    with site(tmp_path, hours=0) as running:
        page, seen = new_page(context)
        visit(page, running.url)
        expect(page.locator("#coldest")).to_contain_text("waiting for the first frame")
        expect(page.locator("#troubles")).to_be_empty()
        for minutes in (1, 2):  # a cook of one and of three minutes
            running.world.carry_on(60 * minutes)
            running.world.state()
            page.wait_for_selector(CHART)
            expect(page.locator("#coldest .value")).to_contain_text("°F")
            expect(page.locator("#coldest")).to_contain_text("No rate: ")
            expect(page.locator("#pit")).to_contain_text("No direction: ")
            ticks = page.locator("#chart .xtick text").all_text_contents()
            assert len(ticks) == len(set(ticks))
        page.close()
        assert seen.complaints == []


def test_a_fire_too_low_for_the_target_and_every_uncertainty_are_told(tmp_path, context, monkeypatch):
    cool = [replace(p, level=60.0) if p.kind == "air" else p for p in page_world.PLACES]
    monkeypatch.setattr(page_world, "PLACES", tuple(cool))
    with site(tmp_path, hours=3) as running:
        page, _ = new_page(context)
        visit(page, running.url)
        expect(page.locator("#pit .cannot")).to_contain_text("target is reached as the fire is: the pit itself")
        body = running.watch.now().body
        pm = 2 * 1.8 * body["coldest"]["rate_u"]
        expect(page.locator("#coldest [data-part=line]")).to_contain_text(f"± {pm:.1f} °F an hour")
        expect(page.locator("#spread")).to_contain_text(f"± {2 * 1.8 * body['spread']['u']:.1f}; ")
        page.close()


def test_a_note_that_was_changed_or_withdrawn_by_a_slip_is_as_it_was_by_one_tap(running, page):
    ledger = running.world.ledger
    ledger.add_note(1, round((START + 3600) * 1000), "text", "bark set")
    toast = page.locator("#toast")
    change = page.get_by_role("button", name="change note")
    change.click()
    page.get_by_label("Text", exact=True).fill("oops")
    page.get_by_role("button", name="Keep").click()
    expect(page.locator("#notes .what")).to_have_text("oops")
    toast.get_by_role("button", name="Undo").click()
    expect(page.locator("#notes .what")).to_have_text("bark set")
    change.click()
    page.get_by_role("button", name="Withdraw").click()
    expect(page.locator("#notes li")).to_have_count(0)
    toast.get_by_role("button", name="Put back").click()
    expect(page.locator("#notes li")).to_contain_text("bark set")
    assert [(n.kind, n.text, n.at_ms) for n in ledger.notes(1)] == [("text", "bark set", round((START + 3600) * 1000))]


def test_the_focus_goes_to_the_heading_where_a_note_is_withdrawn(running, page):
    running.world.ledger.add_note(1, None, "pan")
    page.get_by_role("button", name=re.compile("change note pan")).click()
    page.get_by_label("Kind", exact=True).select_option("text")
    page.get_by_role("button", name="Keep").click()
    expect(page.locator("#note-dialog .wrong")).to_contain_text("Write what there is to say")
    page.get_by_role("button", name="Withdraw").click()
    expect(page.get_by_role("heading", name="Notes", exact=True)).to_be_focused()
    expect(page.locator("#no-notes")).to_be_visible()


def test_the_chart_keeps_to_a_window_that_gets_narrow(running, page):
    page.set_viewport_size({"width": 320, "height": 700})
    page.wait_for_function(
        "() => document.querySelector('#chart .main-svg').getBoundingClientRect().width"
        " === document.getElementById('chart').clientWidth"
    )
    widths = page.evaluate("document.getElementById('chart').data.slice(-8, -2).map((d) => d.line.width)")
    assert widths[0] != widths[1]  # the two air places


def test_a_host_that_is_gone_is_told_within_seconds(running, context):
    page, _ = new_page(context)
    page.clock.install()
    visit(page, running.url)
    page.wait_for_selector(CHART)
    running.server.stop()
    page.clock.fast_forward(12_000)
    expect(page.locator("#troubles")).to_contain_text("No contact with the host")
    expect(page.locator("#coldest")).to_have_class(re.compile("stale"))
    page.close()


@pytest.mark.parametrize(
    ("said", "as_ours"),
    [
        ([(0, 0)], True),
        ([(0, 0), (3.1, 7.6), (4.1, 8.6)], True),  # the first word was old when it came, as while a page is read
        ([(0, 1.5), (3.1, 3.1), (6.1, 3.6)], True),  # a later one was
        ([(0, 0), (1, 60)], False),  # a demo's minute a second
        ([(s, 2 * s) for s in range(30)], False),
        ([(s, s) for s in range(30)] + [(30, 3630), (31, 3631)], False),  # the host's clock was set
        ([(s, s) for s in range(30)] + [(s, s + 3600) for s in range(30, 95)], True),  # and a minute went by
    ],
)
def test_the_hosts_clock_goes_as_ours_if_it_does_but_for_a_word_that_came_late(page, said, as_ours):
    judge = """async (said) => {
        const { hostTime } = await import("/static/hosttime.js");
        let at = 0;
        const time = hostTime(() => ({ mono: at, wall: 1e9 + at }));
        for (const [here, there] of said) { at = here; time.hear(2e9 + there); }
        at += 600;
        return [time.asOurs(), time.carried() - 2e9];
    }"""
    assert page.evaluate(judge, said) == [as_ours, pytest.approx(said[-1][1] + 600, abs=0.01)]


def test_nothing_runs_over_the_edge(running, context):
    running.world.ledger.add_note(1, None, "text", "a" * 120)
    page, _ = new_page(context)
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        for path in ("/", "/cooks"):
            visit(page, running.url + path)
            page.wait_for_selector(CHART if path == "/" else "#cooks li")
            where = f"{path} at {width}"
            assert over_the_edge(page, rolls=".scroll, #chart, .unseen") == [], where
            assert too_small(page, "button, summary, nav a, .top a, select", 44) == [], where
    page.close()


def test_everything_can_be_done_from_the_keyboard(running, page):
    page.keyboard.press("Tab")
    expect(page.locator(":focus")).to_have_text("To the answers")
    page.locator('[data-kind="spritz"]').focus()
    page.keyboard.press("Space")
    expect(page.locator("#notes li")).to_contain_text("spritz")
    expect(page.locator('[data-kind="spritz"]')).to_be_focused()
    assert page.evaluate(UNNAMED) == []
    assert page.locator("main, header, footer, nav").count() == 4


def test_a_cook_is_ended_found_in_the_list_and_reopened(running, page):
    page.get_by_role("button", name="End this cook").click()
    page.get_by_role("button", name="End it").click()
    expect(page).to_have_url(re.compile("/cook/1$"))
    expect(page.locator("#coldest h2")).to_contain_text("at the end")
    page.get_by_role("link", name="Cooks").click()
    page.get_by_role("link", name=re.compile("^Two briskets")).click()
    page.wait_for_selector(CHART)
    page.get_by_role("button", name="Reopen this cook").click()
    expect(page.locator("#reopen-dialog")).to_contain_text("it has no end")
    assert running.world.ledger.cook(1).ended_ms is not None  # one tap does not reopen
    page.get_by_role("button", name="Reopen it").click()
    expect(page.locator("#coldest h2")).to_have_text(re.compile(r"^Coldest meat second flat$"))
    assert running.world.ledger.cook(1).ended_ms is None


def test_with_no_cook_one_is_started_in_a_minute(running, page):
    end(running, page)
    page.get_by_role("link", name="Live").click()
    expect(page.get_by_role("heading", name="No cook is running")).to_be_visible()
    page.get_by_label("Name of the cook").fill("Pork shoulder")
    page.locator("#start-target").fill("5")
    page.get_by_label(re.compile("^Place of .*channel 0")).fill("grate")
    expect(page.get_by_label(re.compile("^Kind of place of .*channel 0"))).to_have_value("air")
    page.get_by_role("button", name="Start the cook").click()
    expect(page.locator("#start-error")).to_contain_text("5 °F is not from 86 to 212 °F")
    page.locator("#start-target").fill("200")
    page.get_by_label(re.compile("^Place of .*channel 2")).fill("middle")
    page.get_by_role("button", name="Start the cook").click()
    expect(page.locator("#cook-name")).to_have_text("Pork shoulder")
    expect(page.locator("#cook-name")).to_be_focused()
    cook = running.world.ledger.cooks()[0]
    assert cook.target_c == pytest.approx(93.33, abs=0.01)
    assert [(p.place, p.kind, p.channel) for p in running.world.ledger.placements(cook.id)] == [
        ("grate", "air", 0), ("middle", "meat", 2),
    ]


def test_a_logger_that_speaks_while_the_form_is_open_gets_its_rows(running, page):
    end(running, page)
    silent = []
    page.route("**/api/loggers", lambda route: route.fulfill(json={"loggers": []}) if silent else route.continue_())
    silent.append(True)
    page.get_by_role("link", name="Live").click()
    expect(page.locator("#start-channels")).to_contain_text("No logger has spoken yet")
    page.get_by_label("Name of the cook").fill("Early")
    silent.clear()
    expect(page.locator("#start-channels .channel")).to_have_count(6)
    expect(page.locator("#start-channels")).not_to_contain_text("No logger")
    place = page.get_by_label(re.compile("^Place of .*channel 2"))
    place.fill("flat")
    with page.expect_response("**/api/loggers"):
        pass
    expect(place).to_have_value("flat")
    expect(page.get_by_label("Name of the cook")).to_have_value("Early")


def test_what_is_wanted_of_a_cook_and_where_its_probes_are_can_be_changed_on_the_page(running, page):
    page.get_by_role("button", name="Change", exact=True).click()
    page.locator("#set-low").fill("225")
    page.get_by_role("button", name="Keep").click()
    expect(page.locator("#set-dialog .wrong")).to_contain_text("both ends")
    page.locator("#set-high").fill("275")
    page.locator("#set-cuts").fill("packer, 14 lb\nsecond flat, 6 lb")
    page.locator("#set-target").fill("195")
    page.locator("#set-dialog button[type=submit]").click()
    expect(page.locator("#cook-cuts")).to_have_text("packer, 14 lb; second flat, 6 lb")
    expect(page.locator("#pit")).to_contain_text("the band, 225 to 275 °F")
    expect(page.locator("#coldest")).to_contain_text("below target 195")
    cook = running.world.ledger.cook(1)
    assert cook.meats == ("packer, 14 lb", "second flat, 6 lb")
    assert cook.band_c == pytest.approx(((225 - 32) / 1.8, (275 - 32) / 1.8))
    # Two probes were mixed up: put right, for the past as well.
    tip = {p["place"]: p["celsius"] for p in running.watch.now().body["places"]}["tip"]
    page.get_by_role("button", name="Put a wrong place right").click()
    rows = page.locator("#places-rows input")
    expect(rows).to_have_count(6)
    names = [rows.nth(i).input_value() for i in range(rows.count())]
    for old, new in (("tip", "flat"), ("flat", "tip")):
        rows.nth(names.index(old)).fill(new)
    page.get_by_role("button", name="Put right", exact=True).click()
    expect(page.locator("#places-dialog")).to_be_hidden()
    expect(page.locator("#spread")).to_contain_text("flat leads since")
    assert {p["place"]: p["celsius"] for p in running.watch.now().body["places"]}["flat"] == tip


def test_what_stands_behind_the_answers_unfolds_with_the_analysis_s_figures(running, page):
    body = running.watch.now().body
    page.locator('#details [data-of="stalls"] summary').click()
    expect(page.locator('#details [data-of="stalls"] tbody tr')).to_have_count(len(body["stalls"]))
    page.locator('#details [data-of="safety"] summary').click()
    expect(page.locator('#details [data-of="safety"] tbody tr')).to_have_count(len(body["safety"]["coldest"]))
    expect(page.locator('#details [data-of="safety"]')).to_contain_text("Defer to your local code")
    page.locator('#details [data-of="finish"] summary').click()
    rows = page.locator('#details [data-of="finish"] tbody tr')
    expect(rows).to_have_count(5)  # four meat places and all of them; the first forecast is made beside the passes
    expect(page.locator("#coldest [data-part=finish]")).to_contain_text("All meat at 203 °F about")
    expect(page.locator("#coldest [data-part=finish-more]")).to_contain_text(re.compile(r"foretold at \d\d:\d\d"))
    page.get_by_role("button", name=re.compile("^More about: tip")).click()
    expect(page.locator('#details [data-of="phases"] tbody tr').first).to_contain_text("before the stall")


def test_an_alert_that_was_told_is_known_with_a_tap_and_others_wait_while_it_is_quiet(running, page):
    ledger = running.world.ledger
    ledger.tell(1, [("fire-fading", "fire", "The fire is fading.", False)])
    page.locator('#details [data-of="alerts"] summary').click()
    fold = page.locator('#details [data-of="alerts"]')
    expect(fold).to_contain_text("The fire is fading.")
    fold.get_by_role("button", name="I know").click()
    expect(fold).to_contain_text("(seen)")
    assert ledger.told(1)[0].seen_ms is not None
    fold.get_by_role("button", name="Quiet for 30 min").click()
    expect(fold).to_contain_text("Quiet until")
    assert ledger.quiet_until_ms() == pytest.approx((running.world.clock.now() + 1800) * 1000, abs=1)
    fold.get_by_role("button", name="Tell again").click()
    expect(fold).not_to_contain_text("Quiet until")


def test_past_cooks_are_found_laid_beside_each_other_and_made_into_a_report(running, page):
    ledger = running.world.ledger
    end(running, page)
    other = ledger.start_cook("Pork, Sunday", at=ledger.cook(1).started_ms, meats=["shoulder, 8 lb"])
    for p in ledger.placements(1):
        ledger.place(other.id, p.probe, p.logger, p.channel, p.place, p.kind)
    ledger.end_cook(other.id, running.world.ledger.now_ms())
    visit(page, f"{running.url}/cooks")
    expect(page.locator("#cooks li")).to_have_count(2)
    expect(page.locator("#cooks-said")).to_have_text("2 cooks, the newest first")
    page.get_by_label("Find").fill("shoulder pork")
    expect(page.locator("#cooks li")).to_have_count(1)
    page.get_by_label("Find").fill("")
    expect(page.locator("#cooks li")).to_have_count(2)
    picture = page.locator("#cooks img").first
    page.wait_for_function("() => [...document.querySelectorAll('#cooks img')].every(i => i.naturalWidth > 0)")
    assert picture.get_attribute("alt") == ""
    for box in page.get_by_role("checkbox").all():
        box.check()
    page.get_by_role("link", name="Lay 2 cooks beside each other").click()
    expect(page.locator("body")).to_contain_text("Pork, Sunday")
    expect(page.locator("table").first).to_be_visible()
    page.go_back()
    page.get_by_role("link", name="Report of Two briskets").click()
    expect(page.locator("h1")).to_contain_text("Two briskets")
    assert page.locator("svg").count() >= 2
    answer = visit(page, f"{running.url}/compare?cooks=1")
    assert answer.status == 400
    expect(page.get_by_role("heading", name="That page cannot be made")).to_be_visible()
    page.seen.complaints.clear()  # the browser tells of the 400 that was asked for


def test_a_cook_is_scored_and_weighed_on_the_page_and_what_cannot_be_is_refused(running, page):
    page.locator('#details [data-of="scores"] summary').click()
    fold = page.locator('#details [data-of="scores"]')
    fold.get_by_label("tenderness").fill("8.5")
    fold.get_by_label("tenderness").press("Tab")
    fold.get_by_label("Of", exact=True).select_option("flat")
    fold.get_by_label("moisture").fill("6")
    fold.get_by_label("moisture").press("Tab")
    expect(fold.get_by_label("moisture")).to_have_value("6")
    fold.get_by_label("as it went on, lb").fill("10")
    fold.get_by_label("as it went on, lb").press("Tab")
    expect(fold.get_by_label("as it went on, lb")).to_have_value("10")
    fold.get_by_label("as it came off, lb").fill("6,5")
    fold.get_by_label("as it came off, lb").press("Tab")
    expect(fold).to_contain_text("65 % of what went on came off")
    fold.get_by_label("as it came off, lb").fill("12")
    fold.get_by_label("as it came off, lb").press("Tab")
    expect(fold.locator(".wrong")).to_contain_text("weigh again")
    ledger = running.world.ledger
    scores = {(s.place, s.aspect, s.value) for s in ledger.scores(1)}
    assert scores == {("", "tenderness", 8.5), ("flat", "moisture", 6)}
    assert ledger.weights(1)[0].cooked_kg == pytest.approx(6.5 * 0.45359237)
    page.seen.complaints.clear()  # the browser tells of the refusal that was asked for


def test_what_is_typed_into_the_next_field_stays_while_the_last_score_is_still_on_its_way(running, page):
    page.locator('#details [data-of="scores"] summary').click()
    expect(page.get_by_label("tenderness", exact=True)).to_be_visible()
    held = []
    page.route("**/api/cooks/1/scores", lambda route: held.append(route) if not held else route.continue_())  # slow
    page.get_by_label("tenderness", exact=True).fill("8")
    page.get_by_label("tenderness", exact=True).press("Tab")
    page.wait_for_function("() => document.querySelector('#score-tenderness').dataset.waits")
    page.get_by_label("moisture", exact=True).fill("6.5")
    page.get_by_label("moisture", exact=True).focus()
    while not held:  # the page has sent it; the route here hears of that in its own time
        page.wait_for_timeout(10)
    held[0].continue_()
    page.wait_for_function("() => !document.querySelector('[data-waits]')")
    expect(page.get_by_label("moisture", exact=True)).to_be_focused()
    expect(page.get_by_label("moisture", exact=True)).to_have_value("6.5")
    expect(page.get_by_label("tenderness", exact=True)).to_have_value("8")
    page.get_by_label("moisture", exact=True).press("Tab")
    page.get_by_label("bark", exact=True).fill("9")
    page.get_by_label("bark", exact=True).press("Tab")
    page.wait_for_function("() => !document.querySelector('[data-waits]')")
    given = {(score.aspect, score.value) for score in running.world.ledger.scores(1)}
    assert given == {("tenderness", 8), ("moisture", 6.5), ("bark", 9)}


@pytest.mark.parametrize(("scheme", "width"), [("light", 390), ("dark", 1280)])
def test_axe_finds_nothing_serious_on_the_live_page_with_all_unfolded_nor_on_the_list(running, page, scheme, width):
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    page.set_viewport_size({"width": width, "height": 900})
    for path, ready in (("/", "#asks p"), ("/cooks", "#cooks li")):
        visit(page, f"{running.url}{path}")
        page.wait_for_selector(ready)
        for fold in page.locator("#details summary").all():
            fold.click()
        assert grave(page) == []
