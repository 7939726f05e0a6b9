"""What is written is what is meant: our lines, read back by a reader that knows nothing of our writer.

The reader follows InfluxData's line protocol reference (SOURCES.md section 21), character by character.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.cook.forecast import COLDEST, Forecast
from pitscribe.ledger.values import Cook
from pitscribe.mirror.points import LONGEST_TAG, Column, SeriesName, Stream, counts, figures, tag_value
from pitscribe.mirror.streams import forecast_streams

QUICK = settings(deadline=None, derandomize=True, max_examples=120)
TEXTS = st.one_of(
    st.text(max_size=90),
    st.text(st.sampled_from('\\",= \n\r\t\0ab\u2028\u00a0\u00e4\U0001f525/#'), max_size=90),
)


def read_line(line):
    """(measurement, tags, fields, time) of a line; ValueError where the published rules do not allow it."""
    if line.startswith("#") or "\n" in line:
        raise ValueError("a comment, or more than a line")
    key, at = _word(line, 0, " ")
    measurement, *tags = _split(key, ",")
    fields, at = _fields(line, at + 1)
    stamp = line[at + 1 :]
    if line[at : at + 1] != " " or str(int(stamp)) != stamp:
        raise ValueError(f"no time: {stamp!r}")
    pairs = [_split(tag, "=") for tag in tags]
    if any(len(pair) != 2 or not all(pair) for pair in pairs):
        raise ValueError(f"tags: {pairs}")
    names = [_plain(name, ",= ") for name, _ in pairs]
    if names != sorted(names) or len(set(names)) != len(names):
        raise ValueError("tags that are not in order, or come twice")
    tags = {name: _plain(value, ",= ") for name, (_, value) in zip(names, pairs, strict=True)}
    return _plain(measurement, ", "), tags, fields, int(stamp)


def _word(text, at, end):
    """Up to an unescaped ``end``: a backslash keeps the character after it from being one."""
    begin = at
    while text[at] != end:
        at += 2 if text[at] == "\\" and at + 1 < len(text) else 1
    return text[begin:at], at


def _split(text, mark):
    parts, at = [], 0
    while True:
        part, at = _word(text + mark, at, mark)
        parts.append(part)
        at += 1
        if at > len(text):
            return parts


def _plain(text, special):
    """A backslash is one, unless a special character is behind it. At the end it would escape what follows."""
    if text.endswith("\\"):
        raise ValueError("a backslash at the end")
    for c in special:
        text = text.replace("\\" + c, c)
    return text


def _fields(line, at):
    found = {}
    while True:
        name, at = _word(line, at, "=")
        value, at = _value(line, at + 1)
        if not name or name in found:
            raise ValueError(f"field {name!r}")
        found[_plain(name, ",= ")] = value
        if line[at] != ",":
            return found, at
        at += 1


def _value(line, at):
    if line[at] != '"':
        end = min(i for i in (line.find(",", at), line.find(" ", at)) if i >= 0)
        word = line[at:end]
        if word.endswith("i"):
            return int(word[:-1]), end
        if not math.isfinite(number := float(word)):
            raise ValueError(f"{word} is no number there")
        return number, end
    text, at = "", at + 1
    while line[at] != '"':  # in a string a backslash escapes a quote and itself, and is one before all else
        at += line[at] == "\\" and line[at + 1] in '\\"'
        text, at = text + line[at], at + 1
    return text, at + 1


def told(text):
    """A text as a field says it: what cannot be shown is a space there."""
    return "".join(c if c.isprintable() else " " for c in text)


def test_the_reader_reads_the_examples_of_the_reference():
    # the rules of its "Special characters" and "Quotes", with words of our own
    line = r'oak\,split,eq\==a\=b,loc=far\,cold\ end text="too \"hot\" C:\\x",n=82,i=7i 1465839830100400200'
    tags, fields = {"eq=": "a=b", "loc": "far,cold end"}, {"text": 'too "hot" C:\\x', "n": 82.0, "i": 7}
    assert read_line(line) == ("oak,split", tags, fields, 1465839830100400200)
    for wrong in ("m,t= f=1 1", "m f=nan 1", "m f=1", "m,b=1,a=1 f=1 1", "m f=1 1.5"):
        with pytest.raises((ValueError, IndexError)):
            read_line(wrong)


@QUICK
@given(TEXTS, TEXTS, TEXTS, st.lists(st.one_of(st.none(), TEXTS), min_size=1, max_size=4))
def test_any_text_comes_back_and_no_line_breaks_out_of_its_own(place, cook, ledger, texts):
    tags = {"place": tag_value(place), "cook": tag_value(cook), "ledger": tag_value(ledger)}
    series = SeriesName("pitscribe_note", tags)
    stream = Stream(series, np.arange(len(texts), dtype=np.int64), {"text": Column(tuple(texts))})
    lines = list(stream.lines())
    assert len(lines) == sum(text is not None for text in texts)
    for line, (t, text) in zip(lines, ((t, x) for t, x in enumerate(texts) if x is not None), strict=True):
        assert read_line(line) == ("pitscribe_note", tags, {"text": told(text)}, t)
        line.encode()  # half a surrogate pair is not UTF-8
    assert SeriesName.of(series.text) == series


@QUICK
@given(TEXTS)
def test_a_tag_is_short_has_no_controls_and_no_backslash(text):
    found = tag_value(text)
    assert 0 < len(found) <= LONGEST_TAG
    assert found.isprintable()
    assert "\\" not in found
    assert found == found.strip()
    assert tag_value(found) == found


NAMES = st.one_of(  # as the ledger takes them: printable, without spaces at the ends
    st.text(max_size=200), st.text(st.sampled_from("a \\/"), max_size=6), st.text(st.sampled_from("ab"), min_size=70)
).map(str.strip).filter(lambda name: bool(name) and name.isprintable())


@QUICK
@given(st.sets(NAMES, min_size=2, max_size=8))
def test_two_places_never_get_one_series(places):
    assert len({tag_value(place) for place in places}) == len(places)


def test_two_places_whose_long_names_begin_alike_get_two_series():
    one, other = ("the flat of the brisket that came " + 60 * "o" + end for end in ("left", "right"))
    assert tag_value(one) != tag_value(other)
    assert tag_value("flat  left") != tag_value("flat left")
    assert tag_value("flat\\left") != tag_value("flat/left")
    assert tag_value("flat left") == "flat left"


@QUICK
@given(
    st.lists(
        st.tuples(st.floats(), st.floats(-1e12, 1e12) | st.just(math.nan), st.integers(-2**40, 2**40)),
        min_size=1, max_size=6,
    ),
    st.integers(-2**41, 2**42),
)
def test_any_number_comes_back_rounded_and_none_that_is_not_finite_is_sent(rows, t0):
    wild, tame, whole = (np.array(column, np.float64) for column in zip(*rows, strict=True))
    fields = {"wild": figures(wild), "tame": figures(tame), "whole": counts(whole)}
    stream = Stream(SeriesName("m", {"a": "b"}), t0 + np.arange(len(rows), dtype=np.int64), fields)
    for row, line in enumerate(stream.lines()):
        *_, values, t = read_line(line)
        want = {"whole": int(whole[row])}
        want |= {n: float(c.values[row]) for n, c in fields.items() if n != "whole" and np.isfinite(c.values[row])}
        assert (values, t) == (want, t0 + row)
        assert abs(values.get("tame", 0.0) - (tame[row] if np.isfinite(tame[row]) else 0.0)) <= 0.0005 + 1e-15 * 1e12
        assert ("wild" in values) == bool(np.isfinite(wild[row]))


def test_a_place_that_is_called_coldest_has_one_forecast_at_a_time():
    cook = Cook(3, "oak", 0, None, 95.0)
    own, last = (Forecast(600.0, COLDEST, 95.0, p, p + 1, p + 2, reached=False, why_not=None) for p in (7e3, 9e3))
    (stream,) = forecast_streams(cook, [own, last], "home")
    assert stream.t_ms.tolist() == [600_000]
    assert stream.fields["p10"].values.tolist() == [9000.0]
