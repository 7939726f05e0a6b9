"""``pitscribe plan``: backwards from the table, and what could still be done in a cook."""

import json
import math
from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.commands.quantities import parse_share, parse_thickness, parse_weight
from pitscribe.commands.when import parse_coming
from pitscribe.cook.backwards import backwards
from pitscribe.cook.plan import Joint
from pitscribe.cook.plan_text import backwards_lines
from pitscribe.errors import ConfigError, ReadingError

START = 1_780_142_400  # 2026-05-30 12:00 UTC
THICK = Joint(thickness_mm=75)
FULL = {"--serve": "18:00", "--target": "203", "--pit": "250", "--thick": "3in"}


def utc(text):
    return datetime.fromisoformat(text).timestamp()


def tomorrow():
    return datetime.fromtimestamp(datetime.now().timestamp() + 86_400).strftime("%Y-%m-%dT%H:%M")


def soon(command, *more):
    """The plan for a table tomorrow at this time of day, as JSON."""
    status, out, err = command("plan", "--serve", tomorrow(), "--target", "203F", "--pit", "250F", *more, "--json")
    assert (status, err) == (0, [])
    return json.loads("\n".join(out))


def test_from_the_table_back_to_the_match_everything_adds_up(command):
    said = soon(command, "--thick", "3in", "--rest", "90m", "--heat-up", "30m", "--chance", "70%")
    assert utc(said["start_at"]) - utc(said["light_at"]) == 1800
    assert said["thickness_mm"] == pytest.approx(76.2)  # 1 in is 25.4 mm by definition
    assert (said["rest_s"], said["chance"]) == (5400, 0.7)
    low, middle, late = said["takes_s"]
    cooks_at_most = utc(said["serve_at"]) - 5400 - utc(said["start_at"])
    assert low < middle < cooks_at_most < late  # 70 % lies between the median and 90 %


def test_more_of_anything_that_takes_time_lights_the_fire_earlier(command):
    usual = utc(soon(command, "--thick", "3in")["light_at"])
    for more in (("--thick", "4in"), ("--thick", "3in", "--chance", "0.9"), ("--thick", "3in", "--rest", "2h"),
                 ("--thick", "3in", "--heat-up", "2h"), ("--thick", "3in", "--no-wrap")):
        assert utc(soon(command, *more)["light_at"]) < usual, more
    assert utc(soon(command, "--thick", "3in", "--wrap")["light_at"]) > usual


def test_as_text_what_is_to_be_done_first_stands_first_with_its_cautions():
    said = backwards(THICK, 95.0, 121.1, START + 86_400.0, float(START))
    lines = backwards_lines(said, "F", lambda t: f"{(t - START) / 3600:g} h")
    assert lines[0].startswith("to serve at 24 h, 203 F inside, rested 60 min, 80 % sure (3.0 in thick, 39 F")
    assert lines[1] == f"light the fire at {(said.light_at - START) / 3600:g} h, for a pit at 250 F 45 min later"
    assert lines[2].startswith("meat on at")
    assert any("hold it at 140 F (60.0 C) or more" in line for line in lines)
    assert "do not leave a fire alone" in lines[-1]
    assert "60.0 C (140 F)" in "\n".join(backwards_lines(said, "C", str))


def test_where_the_time_to_light_it_has_passed_it_says_what_can_be_hoped_for():
    early, late, hopeless = (backwards(THICK, 95.0, 121.1, START + h * 3600.0, float(START)) for h in (20, 12, 3))
    assert early.chance_now is None
    assert 0.4 < late.chance_now < 0.8  # less than was asked for, more than none
    assert hopeless.chance_now == 0.0
    words = "\n".join(backwards_lines(late, "F", str))
    assert f"ago: lit now, there is a chance of {100 * late.chance_now:.0f} %" in words
    assert "hardly a chance" in "\n".join(backwards_lines(hopeless, "F", str))


def test_a_pit_that_cannot_do_it_is_told_with_the_reason_and_no_time(command):
    words = ("--serve", tomorrow(), "--target", "95C", "--pit", "90C", "--thick", "3in", "--unit", "C")
    status, out, _ = command("plan", *words)
    assert status == 0
    assert out[1] == "no time can be named: the pit is no hotter than the target"
    said = backwards(THICK, 95.0, 90.0, START + 86_400.0, float(START))
    assert said.light_at is None
    assert said.as_json()["light_at"] is None


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"--serve": None}, "--serve is missing"),
        ({"--pit": None}, "--pit is missing"),
        ({"--thick": None}, "give --thick 3in"),
        ({"--weight": "6kg"}, "give --thick 3in"),
        ({"--thick": "3"}, "thickness '3' has no unit"),
        ({"--thick": "3km"}, "thickness '3km' is in a unit"),
        ({"--thick": "30in"}, "thickness 762 mm"),
        ({"--thick": None, "--weight": "600kg"}, "weight 600 kg"),
        ({"--target": "203C"}, "target 203 degC"),
        ({"--pit": "900"}, "pit 482"),
        ({"--meat-at": "80C"}, "temperature of the meat at the start 80"),
        ({"--chance": "99.9%"}, "chance 0.999"),
        ({"--chance": "sure"}, "chance 'sure'"),
        ({"--heat-up": "9h"}, "540 min"),
        ({"--rest": "long"}, "'long'"),
        ({"--serve": "soon"}, "'soon'"),
        ({"--serve": "25:00"}, "'25:00'"),
        ({"--serve": "2026-01-01T18:00"}, "is past"),
        ({"--serve": "2099-01-01T18:00"}, "a year away"),
        ({"--at": "+5:00"}, "--at is for the choices of a --cook"),
        ({"--cook": "Monday"}, "--thick is for a plan without --cook"),
        ({"--cook": "Monday", "--thick": None}, "Monday"),
    ],
)
def test_what_makes_no_plan_is_refused_in_one_line_with_the_reason(command, change, named):
    command("cook", "start", "Sunday")
    words = [word for pair in (FULL | change).items() if pair[1] is not None for word in pair]
    status, out, err = command("plan", *words)
    assert (status, out, len(err)) == (1, [], 1)
    assert named in err[0]


def test_a_plan_has_one_level_of_the_pit(command):
    assert "twice" in command("plan", *[w for pair in FULL.items() for w in pair], "--pit", "225")[2][0]


def cook(tmp_path, hours=8.0):
    """A CSV of a pit at 250 degF and two places on their way."""
    lines = ["time,grate,flat,point"]
    for i in range(int(hours * 60)):
        flat, point = (250 - (250 - 40) * math.exp(-i * 60 / tau) for tau in (30_000, 40_000))
        lines.append(f"{START + 60 * i},{250 + 5 * math.sin(i / 7):.2f},{flat:.2f},{point:.2f}")
    path = tmp_path / "saturday.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.fixture
def saturday(command, tmp_path):
    assert command("import", cook(tmp_path), "--unit", "F", "--air", "grate", "--meat", "flat,point")[0] == 0
    return command


def test_the_choices_of_a_cook_stand_beside_its_present_course(saturday):
    words = ("plan", "--cook", "saturday", "--at", "+4:00", "--target", "203F", "--pit", "300F", "--pit", "225F",
             "--serve", "2026-05-31T02:00:00+00:00", "--rest", "30m")
    said = json.loads("\n".join(saturday(*words, "--json")[1]))
    assert [(c["wrap_now"], c["pit_c"] and round(c["pit_c"])) for c in said["choices"]] == [
        (False, None), (True, None), (False, 149), (False, 107), (True, 149), (True, 107)]
    now, wrap, hot, cool = said["choices"][:4]
    assert utc(said["at"]) == START + 4 * 3600  # it does not look ahead
    assert utc(said["by"]) == START + 13.5 * 3600
    assert wrap["sooner_s"] > 0
    assert hot["sooner_s"] > 0 > cool["sooner_s"]
    assert hot["chance"] >= now["chance"] >= cool["chance"]
    assert hot["forecast"]["p10"] < hot["forecast"]["p50"] < hot["forecast"]["p90"]

    status, out, _ = saturday(*words)
    assert status == 0
    assert out[1].startswith("as it is: the coldest place reaches 203 F at about")
    assert out[1].count("four times in five between") == 1
    assert out[2].startswith("wrap now: ")
    assert " sooner; " in out[3]
    assert out[3].startswith("pit to 300 F: ")
    assert " later; " in out[4]
    assert "Lids, foil" in out[-1]


def test_what_is_wrapped_or_done_has_no_such_choice(saturday):
    saturday("cook", "reopen", "saturday")
    assert saturday("note", "wrap", "--at", "2026-05-30T15:00:00+00:00")[0] == 0
    words = ("plan", "--cook", "saturday", "--at", "+4:00", "--target", "203")
    said = json.loads("\n".join(saturday(*words, "--json")[1]))
    assert [c["wrap_now"] for c in said["choices"]] == [False]
    _, out, _ = saturday("plan", "--cook", "saturday", "--target", "120F")
    assert out[0].endswith("nothing to choose from (the target was reached)")


def test_a_cook_without_target_samples_or_meat_says_so(command, saturday, tmp_path):
    status, _, err = saturday("plan", "--cook", "saturday")
    assert status == 1
    assert "no target is known" in err[0]
    command("cook", "start", "Sunday")
    status, out, _ = command("plan", "--cook", "Sunday", "--target", "203F")
    assert status == 0
    assert "nothing to choose from" in out[0]


def test_six_in_the_evening_is_the_next_one():
    now = datetime(2026, 5, 30, 17, 59).timestamp()
    assert parse_coming("18:00", now) == datetime(2026, 5, 30, 18, 0).timestamp()
    assert parse_coming("18:00", now + 60) == datetime(2026, 5, 31, 18, 0).timestamp()
    assert parse_coming("2026-06-01T18:00", now) == datetime(2026, 6, 1, 18, 0).timestamp()


@settings(max_examples=60)
@given(st.integers(0, 23), st.integers(0, 59), st.floats(1.7e9, 2.0e9))
def test_the_next_time_of_day_is_within_a_day_and_an_hour_and_reads_so(hour, minute, now):
    at = parse_coming(f"{hour}:{minute:02d}", now)
    assert 0 < at - now <= 25 * 3600
    assert datetime.fromtimestamp(at).strftime("%H:%M") == f"{hour:02d}:{minute:02d}"


def test_lengths_weights_and_shares_are_read_with_their_units():
    # 1 in = 25.4 mm and 1 lb = 0.45359237 kg, exact by definition (international yard and pound, 1959)
    assert parse_thickness("3in") == pytest.approx(0.0762)
    assert parse_thickness("7.5 cm") == pytest.approx(0.075)
    assert parse_weight("13lb") == pytest.approx(5.8967, abs=1e-4)
    assert parse_share("80%") == parse_share("0.8") == 0.8
    for wrong in ("", "many", "-1%", "120%", "8e1"):
        with pytest.raises(ConfigError):
            parse_share(wrong)


def test_a_plan_is_for_what_is_to_come():
    with pytest.raises(ReadingError, match="past"):
        backwards(THICK, 95.0, 121.1, START - 1.0, float(START))
