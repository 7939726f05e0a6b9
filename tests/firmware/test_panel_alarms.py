"""What the logger says aloud, and when; its buttons; the note that one of them drops."""

import itertools

import pytest
from firmware_rig import Worker
from i2c_rig import block, dip
from journal_rig import events_in
from panel_rig import Reader, panel_run

PAGE, NOTE, SOUND = 14, 15, 13
BUTTONS = {"page": PAGE, "note": NOTE, "buzzer": SOUND, "note_kind": "spritz"}
LOW, HIGH, TARGET, LOST, JOURNAL = 4, 8, 16, 32, 64
ANSWERS = {"done": 1, "refused": 2}
PIT = {"chip": "max31855", "cs": 17, "place": "grate", "kind": "air", "low": 225, "high": 300}
MEAT = {"chip": "max31855", "cs": 20, "place": "flat", "kind": "meat", "high": 203}

RULES = """
from pitlogger.panel.alarms import Alarms
class Present: pass
def answer(steps):
    # Each step: uptime, [[kind, alarm, value, seen], ...], journal ok, hours, whether snooze is pressed.
    channels = [Present() for _ in steps[0][1]]
    alarms, told = Alarms(channels), []
    for up, states, ok, hours, snooze in steps:
        for c, (kind, alarm, value, seen) in zip(channels, states):
            c.kind, c.alarm, c.value, c.seen_s = kind, alarm, value, seen
        if snooze:
            alarms.snooze(up)
        told.append([alarms.look(up, ok, hours), alarms.active])
    return told
"""

SOUNDS = """
from pitlogger.panel.buttons import Button
from pitlogger.panel.buzzer import Buzzer
class Clock:
    now = 0
    def ticks_ms(self): return self.now
    def ticks_add(self, a, b): return a + b
    def ticks_diff(self, a, b): return a - b
class Pwm:
    def __init__(self): self.hz, self.log = 0, []
    def freq(self, hz): self.hz = hz
    def duty_u16(self, duty): self.log.append([clock.now, self.hz if duty else 0])
def answer(question):
    global clock
    clock = Clock()
    what, value = question
    if what == "say":
        pwm = Pwm()
        buzzer = Buzzer(pwm, clock)
        for clock.now in range(0, 20000, 20):
            for at, bits in value:
                if at == clock.now:
                    buzzer.say(*bits) if isinstance(bits, list) else buzzer.say(bits) if bits else buzzer.stop()
            buzzer.step()
        return pwm.log
    button, seen = Button(lambda: value[clock.now // 20], clock), []
    for i in range(len(value)):
        clock.now = 20 * i
        event = button.look()
        if event:
            seen.append([i, event])
    return seen
"""
DOWN, UP, HELD = 1, 2, 3


@pytest.fixture(scope="module")
def rules(tmp_path_factory):
    worker = Worker(RULES, tmp_path_factory.mktemp("rules"))
    yield worker
    worker.close()


@pytest.fixture(scope="module")
def sounds(tmp_path_factory):
    worker = Worker(SOUNDS, tmp_path_factory.mktemp("sounds"))
    yield worker
    worker.close()


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    made = Reader(tmp_path_factory.mktemp("letters"))
    yield made
    made.close()


def told(rules, steps: list) -> list[int]:
    """What is told at each step, where that is something: {step: bits}."""
    return {i: now for i, (now, _) in enumerate(rules.ask(steps)) if now}


def state(kind="air", alarm=0, value=10_000, seen=0):
    return [kind, alarm, value, seen]


# -- when --------------------------------------------------------------------------------------------------------------


def test_each_alarm_is_told_once_and_again_only_after_it_was_over(rules):
    course = [0, 1, 1, 1, 0, 0, 1, -1, -1, 0, -1]
    steps = [[i, [state(alarm=a, seen=i)], True, 40, False] for i, a in enumerate(course)]
    assert told(rules, steps) == {1: HIGH, 6: HIGH, 7: LOW, 10: LOW}
    assert [active for _, active in rules.ask(steps)] == [0, 8, 8, 8, 0, 0, 8, 4, 4, 0, 4]


def test_meat_above_its_limit_is_at_its_target_and_a_second_piece_is_told_too(rules):
    course = [(0, 0), (1, 0), (1, 0), (1, 1), (1, 1)]
    steps = [[i, [state("meat", a, seen=i), state("meat", b, seen=i)], True, 40, False]
             for i, (a, b) in enumerate(course)]
    assert told(rules, steps) == {1: TARGET, 3: TARGET}


def test_a_probe_is_lost_after_30_s_without_a_value_and_not_back_before_30_s_with_one(rules):
    def course(values: list[bool]) -> list:
        seen, steps = None, []
        for i, good in enumerate(values):
            seen = i if good else seen
            steps.append([i, [state(value=10_000 if good else None, seen=seen)], True, 40, False])
        return steps

    assert told(rules, course([False] * 100)) == {}  # it was never there
    assert told(rules, course([True] * 10 + [False] * 29 + [True] * 40)) == {}
    assert told(rules, course([True] * 10 + [False] * 100)) == {39: LOST}
    loose = [True] * 10 + [False] * 40 + [True] * 20 + [False] * 40  # a plug with a loose contact is one story
    assert told(rules, course(loose)) == {39: LOST}
    again = [True] * 10 + [False] * 40 + [True] * 31 + [False] * 40
    assert list(told(rules, course(again)).values()) == [LOST, LOST]


def test_the_journal_is_in_trouble_below_an_hour_and_until_there_are_two_again(rules):
    hours = [None, 5, 1.0, 0.9, 1.1, 0.9, 1.9, 2.0, 1.5, 0.5]
    steps = [[i, [], True, h, False] for i, h in enumerate(hours)]
    assert told(rules, steps) == {3: JOURNAL, 9: JOURNAL}
    fails = [[i, [], ok, 40, False] for i, ok in enumerate([True, False, False, True, False])]
    assert told(rules, fails) == {1: JOURNAL, 4: JOURNAL}


def test_snooze_puts_off_for_ten_minutes_what_begins_and_drops_what_is_over_by_then(rules):
    def step(up, alarm, snooze=False):
        return [up, [state(alarm=alarm, seen=up)], True, 40, snooze]

    begun = [step(0, 0), step(1, 0, True), step(2, 1), step(600, 1), step(601, 1), step(602, 1)]
    assert told(rules, begun) == {4: HIGH}
    assert told(rules, [step(0, 0), step(1, 0, True), step(2, 1), step(300, 0), step(601, 0)]) == {}
    assert told(rules, [step(0, 1), step(1, 1, True), step(700, 1)]) == {0: HIGH}  # told before: not again


# -- what it sounds like -----------------------------------------------------------------------------------------------


def tones(log: list) -> list[tuple[int, int, int]]:
    """(hz, how long, silence after) of each tone. [ms]"""
    made = []
    for (t0, hz), (t1, off) in itertools.pairwise(log):
        if hz and not off:
            after = next((t for t, h in log if t > t1 and h), None)
            made.append((hz, t1 - t0, 0 if after is None else after - t1))
    return made


def test_everything_said_has_a_rhythm_of_its_own_even_on_a_buzzer_of_one_pitch(sounds):
    rhythms = {}
    for bits in (*ANSWERS.values(), LOW, HIGH, TARGET, LOST, JOURNAL):
        heard = tones(sounds.ask(["say", [[0, bits]]]))
        calls = 1 if bits in ANSWERS.values() else 3
        assert len(heard) % calls == 0
        once = heard[: len(heard) // calls]
        assert [(hz, on) for hz, on, _ in heard] == [(hz, on) for hz, on, _ in once] * calls
        assert all(300 <= hz <= 4000 for hz, _, _ in heard)
        rhythms[bits] = "".join(
            ("." if on < 200 else "-" if on < 1000 else "=") + (" " if 300 < off < 1000 else "") for _, on, off in once
        )
    assert len(set(rhythms.values())) == len(rhythms)
    assert (rhythms[HIGH], rhythms[LOW], rhythms[TARGET], rhythms[LOST], rhythms[JOURNAL]) == (
        "....", "--", "..-", ".. ..", "=")


def test_several_things_are_said_one_after_the_other_and_an_answer_at_once(sounds):
    alone = {bits: [t[:2] for t in tones(sounds.ask(["say", [[0, bits]]]))] for bits in (1, HIGH, TARGET)}
    both = [t[:2] for t in tones(sounds.ask(["say", [[0, HIGH | TARGET]]]))]
    assert both == alone[HIGH] + alone[TARGET]
    cut = sounds.ask(["say", [[0, HIGH], [1000, 1]]])
    assert [t for t, hz in cut if hz == 2400] == [1000]
    assert sounds.ask(["say", [[0, HIGH], [200, 0]]])[-1][0] <= 220


@pytest.mark.parametrize("bits", [LOW, HIGH, TARGET, LOST, JOURNAL])
def test_what_the_host_asks_for_is_said_for_as_long_as_it_asks_and_no_longer(sounds, bits):
    own = [t[:2] for t in tones(sounds.ask(["say", [[0, bits]]]))]
    once = own[: len(own) // 3]
    log = sounds.ask(["say", [[0, [bits, 15]]]])
    heard = [t[:2] for t in tones(log)]
    assert len(heard) % len(once) == 0
    assert heard == once * (len(heard) // len(once))
    assert 15_000 - 4_000 < log[-1][0] <= 15_000, "it ends when no whole one fits any more"
    assert [t[:2] for t in tones(sounds.ask(["say", [[0, [bits, 1]]]]))] == once, "once at least"
    again = [t[:2] for t in tones(sounds.ask(["say", [[0, [bits, 1]], [9000, bits]]]))]
    assert again == once + own, "an alarm of its own is said three times as ever"
    assert sounds.ask(["say", [[0, [bits, 15]], [2000, 0]]])[-1][0] <= 2020, "and silent when it is asked for quiet"


# -- buttons -----------------------------------------------------------------------------------------------------------


def levels(*runs: tuple[int, int]) -> list[int]:
    return [level for level, count in runs for _ in range(count)]


@pytest.mark.parametrize(("levels", "events"), [
    (levels((1, 5), (0, 5), (1, 5)), [DOWN, UP]),
    (levels((1, 5), (0, 1), (1, 5)), []),  # a spike
    (levels((1, 3), (0, 1), (1, 1), (0, 1), (1, 1), (0, 5), (1, 1), (0, 1), (1, 5)), [DOWN, UP]),  # it bounces
    (levels((1, 5), (0, 200), (1, 5)), [DOWN, HELD]),  # held: said once, and letting go is nothing
    (levels((1, 5), (0, 48), (1, 5)), [DOWN, UP]),
    (levels((0, 3), (1, 5)), [DOWN, UP]),
])  # fmt: skip
def test_a_press_is_one_press_however_it_bounces_or_is_held(sounds, levels, events):
    assert [event for _, event in sounds.ask(["press", levels])] == events


# -- on the whole ------------------------------------------------------------------------------------------------------


def test_a_pit_that_is_too_hot_sounds_once_and_a_long_press_makes_ten_minutes_of_silence(tmp_path, reader):
    pit = [[0, 480], [5000, 700], [60_000, 480], [70_000, 700], [90_000, 480], [95_000, 700]]
    ran = panel_run(tmp_path, block(dip(0)), ms=720_000, chips=[pit, [[0, 290]]], channels=[PIT, MEAT], panel=BUTTONS,
                    presses={PAGE: [(80_000, 82_000)]})
    starts = [t for t, hz in ran.told["sounds"] if hz == 1400]  # the first of the rising four
    assert [5 <= t / 1000 < 20 or 70 <= t / 1000 < 80 or 681 <= t / 1000 < 696 for t in starts] == [True] * len(starts)
    assert len([t for t in starts if t < 20_000]) == 3
    assert len([t for t in starts if t > 680_000]) == 3
    assert reader.says(ran.at(7500), "above limit")
    assert reader.says(ran.at(7500), "grate")
    assert reader.says(ran.at(83_000), "10 minutes")
    assert not reader.says(ran.at(90_000), "10 minutes")


def test_a_note_that_memory_was_too_short_for_is_kept_until_it_is_journalled_and_has_the_time_of_its_press(
    tmp_path, reader
):
    short = """!
def short(*all):
    raise MemoryError
note, app.note = app.note, short"""
    ran = panel_run(tmp_path, block(dip(0)), ms=14_000, chips=[[[0, 480]], [[0, 290]]], channels=[PIT, MEAT],
                    panel=BUTTONS, presses={NOTE: [(5300, 5400)]}, steps=[(4000, short), (9000, "!app.note = note")])
    (event,) = events_in(ran.folder, "note")
    assert (event.fields["kind"], 5300 <= event.uptime_ms <= 5400) == ("spritz", True)
    assert [t >= 9000 for t, hz in ran.told["sounds"] if hz == 2400] == [True], "it is said when it is on flash"
    assert not reader.says(ran.at(8500), "noted")
    assert reader.says(ran.at(11_000), "noted")
    assert max(ran.lateness) == 0


def test_a_button_drops_a_note_once_however_long_it_is_held(tmp_path, reader):
    ran = panel_run(tmp_path, block(dip(0)), ms=20_000, chips=[[[0, 480]], [[0, 290]]], channels=[PIT, MEAT],
                    panel=BUTTONS, presses={NOTE: [(5300, 9000), (12_000, 12_010), (14_600, 14_700)]}, period_ms=250)
    notes = [(event.fields["kind"], event.fields["text"]) for event in events_in(ran.folder, "note")]
    assert notes == [("spritz", ""), ("spritz", "")]
    assert [5300 <= e.uptime_ms <= 5400 or 14_600 <= e.uptime_ms <= 14_700 for e in events_in(ran.folder, "note")] == [
        True, True]
    blips = [t for t, hz in ran.told["sounds"] if hz == 2400]
    assert [5300 <= t < 5800 or 14_600 <= t < 15_100 for t in blips] == [True, True]
    assert reader.says(ran.at(6800), "noted")
    assert reader.says(ran.at(6800), "spritz")
    assert max(ran.lateness) == 0


def test_a_note_that_the_journal_cannot_take_is_refused_in_sight_and_sound(tmp_path, reader):
    ran = panel_run(tmp_path, block(dip(0)), ms=9000, chips=[[[0, 480]], [[0, 290]]], channels=[PIT, MEAT],
                    panel=BUTTONS, presses={NOTE: [(4000, 4100)]}, journal="config.json")
    assert reader.says(ran.at(6500), "journal fails")
    assert [hz for t, hz in ran.told["sounds"] if t >= 4000 and hz][:2] == [800, 800]


def test_buzzer_and_buttons_need_no_screen(tmp_path):
    ran = panel_run(tmp_path, block(dip(0)), ms=9000, chips=[[[0, 480], [3000, 700]], [[0, 290]]],
                    channels=[PIT, MEAT], panel={**BUTTONS, "screen": "none"}, presses={NOTE: [(6000, 6100)]})
    assert ran.glass.asked == []
    assert {hz for _, hz in ran.told["sounds"]} == {0, 1400, 2000, 2600, 3000, 2400}
    assert len(events_in(ran.folder, "note")) == 1
