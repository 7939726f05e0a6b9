"""Uptime and UTC. What must hold follows from what an anchor says (WIRE.md 3 and 5) and from a crystal off by at most
100 ppm (common practice, no source); half width over root three: JCGM 100:2008, 4.3.7 (SOURCES.md section 9)."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.errors import MessageError, SourceError
from pitscribe.wire.frames import Event, FrameKey
from pitscribe.wire.timebase import DRIFT, Anchor, Timebase, anchor_of, anchors_of

UTC0 = 1794052800.0
QUICK = settings(deadline=None, derandomize=True, max_examples=200)
UPTIMES = st.integers(0, 10**9)


@st.composite
def true_anchors(draw):
    """Return a clock (off by a constant rate within the limit) and anchors that are all true of it."""
    start, rate = draw(st.floats(0, 1e6)) + UTC0, draw(st.floats(-DRIFT, DRIFT))
    anchors = []
    for up in draw(st.lists(UPTIMES, min_size=1, max_size=12)):
        err = draw(st.sampled_from([0.0, 0.01, 0.3, 5.0, 600.0]))
        slip = draw(st.floats(-0.999, 0.999)) * err
        anchors.append(Anchor(up, start + up / 1000 * (1 + rate) + slip, err, "host"))
    return (lambda up: start + np.asarray(up) / 1000 * (1 + rate)), anchors


@QUICK
@given(true_anchors(), st.lists(UPTIMES, min_size=1, max_size=20))
def test_true_time_lies_within_the_limits_at_any_uptime(clock_and_anchors, ups):
    clock, anchors = clock_and_anchors
    base = Timebase.fit(anchors)
    assert base.left_out == ()
    half_width = base.uncertainty(ups) * math.sqrt(3)
    assert (np.abs(base.utc(ups) - clock(ups)) <= half_width + 1e-5).all()


@QUICK
@given(true_anchors())
def test_time_at_an_anchor_lies_in_the_anchors_interval_and_is_no_less_certain(clock_and_anchors):
    _, anchors = clock_and_anchors
    base = Timebase.fit(anchors)
    for anchor in anchors:
        assert abs(base.utc(anchor.uptime_ms) - anchor.utc) <= anchor.err + 1e-5
        assert base.uncertainty(anchor.uptime_ms) <= anchor.err / math.sqrt(3) + 1e-5


ANY_ANCHORS = st.lists(
    st.builds(Anchor, UPTIMES, st.floats(UTC0, UTC0 + 1e6), st.floats(0, 1000), st.just("phone")),
    min_size=1,
    max_size=9,
)


@QUICK
@given(true_anchors().map(lambda both: both[1]) | ANY_ANCHORS, st.lists(UPTIMES, min_size=2, max_size=40))
def test_utc_rises_with_uptime_whatever_the_anchors_say(anchors, ups):
    base = Timebase.fit(anchors)
    ups = np.unique(ups)
    rise = np.diff(base.utc(ups)) - np.diff(ups) / 1000
    assert (np.abs(rise) <= DRIFT * np.diff(ups) / 1000 + 1e-6).all()
    assert (base.uncertainty(ups) >= 0).all()


@QUICK
@given(true_anchors().map(lambda both: both[1]) | ANY_ANCHORS, st.lists(UPTIMES, min_size=1))
def test_uptime_is_the_inverse_of_utc(anchors, ups):
    base = Timebase.fit(anchors)
    np.testing.assert_allclose(base.uptime(base.utc(ups)), ups, rtol=0, atol=2e-3)


@QUICK
@given(true_anchors(), st.randoms(use_true_random=False))
def test_order_and_repetition_of_anchors_do_not_matter(clock_and_anchors, order):
    _, anchors = clock_and_anchors
    mixed = anchors * 2
    order.shuffle(mixed)
    ups = [0, 5, 10**6, 10**9]
    np.testing.assert_array_equal(Timebase.fit(mixed).utc(ups), Timebase.fit(anchors).utc(ups))


def test_one_anchor_says_its_time_and_gets_less_certain_with_distance():
    base = Timebase.fit([Anchor(60_000, UTC0, 0.05, "ntp")])
    np.testing.assert_allclose(base.utc([0, 60_000, 3_660_000]), UTC0 + np.array([-60, 0, 3600]))
    np.testing.assert_allclose(
        base.uncertainty([60_000, 3_660_000]) * math.sqrt(3), [0.05, 0.05 + 0.36], rtol=1e-6
    )  # 100 ppm of an hour is 0.36 s


def test_two_anchors_between_them_follow_the_drift_by_hand():
    """Offsets 0 +- 0.1 at 0 s and 0.3 +- 0.1 at 4000 s: between, the edges rise by 100 ppm (0.4 s in 4000 s)."""
    base = Timebase.fit([Anchor(0, UTC0, 0.1, "host"), Anchor(4_000_000, UTC0 + 4000.3, 0.1, "host")])
    # lower edge at 0: max(-0.1, 0.2 - 0.4) = -0.1; upper: min(0.1, 0.4 + 0.4) = 0.1
    # at 2000 s: lower max(-0.1 - 0.2, 0.2 - 0.2) = 0.0; upper min(0.1 + 0.2, 0.4 + 0.2) = 0.3
    ups = np.array([0, 2_000_000, 4_000_000])
    np.testing.assert_allclose(base.utc(ups) - UTC0 - ups / 1000, [0.0, 0.15, 0.3], atol=1e-6)
    np.testing.assert_allclose(base.uncertainty(ups) * math.sqrt(3), [0.1, 0.15, 0.1], atol=1e-6)


def test_an_anchor_that_contradicts_the_others_is_left_out_and_named():
    good = [Anchor(1000 * n, UTC0 + n, 0.05, "host") for n in range(0, 5000, 1000)]
    wrong = Anchor(2_500_000, UTC0 + 2500 + 3600, 1.0, "phone")
    base = Timebase.fit([*good, wrong])
    assert base.left_out == (wrong,)
    assert base.utc(2_500_000) == pytest.approx(UTC0 + 2500, abs=0.1)


def test_of_two_that_contradict_the_less_certain_is_left_out():
    sure, unsure = Anchor(0, UTC0, 0.01, "ntp"), Anchor(0, UTC0 + 60, 10.0, "phone")
    for anchors in ([sure, unsure], [unsure, sure]):
        assert Timebase.fit(anchors).left_out == (unsure,)


@pytest.mark.parametrize(("err_then", "err_now"), [(0.06, 0.06), (0.055, 0.09), (0.09, 0.055)])
def test_of_two_equals_that_contradict_the_earlier_is_left_out_and_the_time_is_in_doubt(err_then, err_now):
    """A host without a battery clock said the time before it was set, 40 minutes off, and an hour later the right one.

    Milliseconds on the network do not decide it, and until a third agrees nobody can be sure.
    """
    wrong = Anchor(5_000, UTC0 + 5 - 2400, err_then, "host")
    right = [Anchor(3_600_000 * n, UTC0 + 3600 * n, err_now, "host") for n in range(1, 6)]
    u = []
    for n in range(1, 6):
        base = Timebase.fit([wrong, *right[:n]])
        assert base.left_out == (wrong,)
        assert base.utc(5000) == pytest.approx(UTC0 + 5, abs=0.5)
        u.append(float(base.uncertainty(3_600_000)))
    assert u[0] == pytest.approx(2400 / math.sqrt(2), rel=0.001)  # either may be true
    assert u[0] > u[1] > u[2] > u[3] > u[4]
    assert u[4] < 30  # five say one thing, one another
    alone = Timebase.fit([wrong])
    assert alone.left_out == ()  # then nobody can know


@QUICK
@given(true_anchors(), st.integers(0, 10**9), st.floats(-1e5, 1e5), st.booleans())
def test_whichever_of_a_true_and_a_false_anchor_is_taken_the_truth_is_within_twice_the_uncertainty(
    clock_and_anchors, up, off, sure
):
    clock, anchors = clock_and_anchors
    false = Anchor(up, float(clock(up)) + off, 0.05 if sure else 50.0, "host")
    base = Timebase.fit([anchors[0], false])
    ups = [anchors[0].uptime_ms, up]
    if base.left_out:
        assert (np.abs(base.utc(ups) - clock(ups)) <= 2 * base.uncertainty(ups)).all()


@QUICK
@given(ANY_ANCHORS)
def test_anchors_that_are_kept_are_all_kept_to(anchors):
    base = Timebase.fit(anchors)
    kept = [one for one in anchors if one not in base.left_out]
    assert kept
    for anchor in kept:
        assert abs(base.utc(anchor.uptime_ms) - anchor.utc) <= anchor.err + 1e-5


def test_a_thousand_anchors_at_odds_are_sorted_out_at_once():
    rng = np.random.default_rng(3)
    anchors = [Anchor(1000 * n, UTC0 + n + float(rng.choice([0, 0, 7200 + n])), 0.5, "phone") for n in range(1000)]
    base = Timebase.fit(anchors)
    assert all(abs(one.utc - UTC0 - one.uptime_ms / 1000) > 1 for one in base.left_out)
    assert abs(base.utc(500_000) - UTC0 - 500) < 0.5


def test_no_anchor_or_one_without_numbers_is_refused():
    with pytest.raises(SourceError, match="no anchor"):
        Timebase.fit([])
    for utc, err in [(math.nan, 1), (math.inf, 1), (UTC0, math.nan), (UTC0, -1)]:
        with pytest.raises(SourceError, match="not a number that can be used"):
            Timebase.fit([Anchor(0, utc, err, "host")])


def event(name, **fields):
    return Event(FrameKey(1, 2, 3), 77_000, name, fields)


def test_anchor_event_becomes_an_anchor():
    said = event("anchor", utc_ms=1794052800123, err_ms=41, **{"from": "ntp"})
    assert anchor_of(said) == Anchor(77_000, 1794052800.123, 0.041, "ntp")
    assert anchor_of(event("boot")) is None


@pytest.mark.parametrize(
    ("change", "member"),
    [({"utc_ms": "now"}, "utc_ms"), ({"utc_ms": 1.5}, "utc_ms"), ({"err_ms": -1}, "err_ms"), ({"from": None}, "from")],
)
def test_anchor_event_that_does_not_fit_is_refused_by_name_and_does_not_hide_the_others(change, member):
    sound = {"utc_ms": 1794052800123, "err_ms": 41, "from": "ntp"}
    bad, good = event("anchor", **(sound | change)), event("anchor", **sound)
    with pytest.raises(MessageError, match=rf"anchor\.{member}"):
        anchor_of(bad)
    anchors, refused = anchors_of([bad, event("boot"), good])
    assert anchors == [anchor_of(good)]
    assert len(refused) == 1
    assert member in refused[0]
