"""Times, spans and temperatures as a person writes them."""

import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitscribe.commands.when import parse_span, parse_temperature, parse_when
from pitscribe.cook.plain import degrees
from pitscribe.errors import ConfigError

NOW = datetime(2026, 5, 30, 12, 0, tzinfo=UTC).timestamp()


def test_an_offset_in_the_text_is_obeyed():
    assert parse_when("2026-05-30T14:05:00+02:00", NOW) == datetime(2026, 5, 30, 12, 5, tzinfo=UTC).timestamp()


@given(st.integers(0, 23), st.integers(0, 59))
def test_a_time_of_day_is_the_last_one_that_has_been(hour, minute):
    at = parse_when(f"{hour}:{minute:02d}", NOW)
    assert NOW - 25 * 3600 < at <= NOW  # 25: a day on which the clocks go back
    here = datetime.fromtimestamp(at, UTC).astimezone()
    assert (here.hour, here.minute) == (hour, minute)


@pytest.mark.parametrize(
    ("now", "text", "expected"),
    [
        # Central Europe went back from 03:00 CEST to 02:00 CET on 25 October 2026, and forward on 29 March.
        ("2026-10-25T04:00+01:00", "23:30", "2026-10-24T23:30+02:00"),
        ("2026-10-25T04:00+01:00", "02:30", "2026-10-25T02:30+01:00"),
        ("2026-10-25T02:10+01:00", "02:30", "2026-10-25T02:30+02:00"),
        ("2026-03-29T05:00+02:00", "01:30", "2026-03-29T01:30+01:00"),
    ],
)
def test_a_time_of_day_is_right_in_the_night_in_which_the_clocks_change(monkeypatch, now, text, expected):
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    try:
        at = parse_when(text, datetime.fromisoformat(now).timestamp())
    finally:
        monkeypatch.undo()
        time.tzset()
    assert at == datetime.fromisoformat(expected).timestamp()


@pytest.mark.parametrize(
    "text", ["9999-12-31T23:59-23:00", "0001-01-01T00:00", "1970-01-01", "yesterday", "25:00", "12:61", ""]
)
def test_a_time_that_cannot_be_read_is_named(text):
    with pytest.raises(ConfigError, match="time"):
        parse_when(text, NOW)


@pytest.mark.parametrize(("text", "seconds"), [("15m", 900), ("15min", 900), ("2h", 7200), ("1.5h", 5400), ("90s", 90)])
def test_spans(text, seconds):
    assert parse_span(text) == seconds


@pytest.mark.parametrize("text", ["15", "m", "-15m", "1d", ""])
def test_a_span_that_cannot_be_read_is_named(text):
    with pytest.raises(ConfigError, match="span"):
        parse_span(text)


@given(st.floats(-40, 400).map(lambda x: round(x, 1)))
def test_a_temperature_printed_and_read_again_is_the_same(celsius):
    assert parse_temperature(degrees(celsius, "C"), "F") == pytest.approx(celsius, abs=0.051)
    assert parse_temperature(degrees(celsius, "F"), "C") == pytest.approx(celsius, abs=0.28)  # whole deg F


def test_a_letter_beats_the_set_unit():
    assert parse_temperature("95C", "F") == 95
    assert parse_temperature("203", "F") == pytest.approx(95)


@pytest.mark.parametrize("text", ["hot", "95K", "", "9 5"])
def test_a_temperature_that_cannot_be_read_is_named(text):
    with pytest.raises(ConfigError, match="temperature"):
        parse_temperature(text, "F")
