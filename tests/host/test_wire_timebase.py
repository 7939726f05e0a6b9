"""Uptime and UTC. What must hold follows from what an anchor says (WIRE.md 3 and 5) and from what crystals do
(SOURCES.md section 11); half width over root three: JCGM 100:2008, 4.3.7 (SOURCES.md section 9)."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.errors import MessageError, SourceError
from pitscribe.wire.clockfit import CRYSTAL, WANDER
from pitscribe.wire.frames import Event, FrameKey
from pitscribe.wire.timebase import DRIFT, Anchor, Timebase, anchor_of, anchors_of

UTC0 = 1794052800.0
QUICK = settings(deadline=None, derandomize=True, max_examples=200)
UPTIMES = st.integers(0, 10**9)
ERR = {"host": 0.05, "ntp": 0.02, "phone": 1.0}
HOUR, DAY = 3600.0, 86400.0


class Drawn:
    """A boot's true clock, and what hosts, servers and phones say of it, each off by what its clock is off and more."""

    def __init__(self, seed, *, normal=True, steady=0.75, most=30, sources=tuple(ERR)):
        dice = np.random.default_rng(seed)
        n, span = int(dice.integers(1, most + 1)), dice.choice([HOUR, 6 * HOUR, DAY, 7 * DAY])
        self.ups = np.concatenate([np.sort(dice.uniform(0, span, n)), dice.uniform(0, 1.5 * span, 20)]).round(3)
        order = np.argsort(self.ups)
        wander = np.empty(self.ups.size)
        wander[order] = np.cumsum(dice.normal(0, np.sqrt(WANDER * np.diff(self.ups[order], prepend=0))))
        self.offset = dice.normal(0, CRYSTAL) * self.ups + wander
        source = dice.choice(sources, n)
        err = np.array([ERR[s] for s in source]) * dice.choice([1, 1, 1, 1.3, 3], n)
        unit = dice.normal if normal else lambda size=None: dice.uniform(-1, 1, size) * math.sqrt(3)
        clock = {s: unit() for s in ERR}
        best = np.array([err[source == s].min() for s in source])
        slip = math.sqrt(steady) * best * [clock[s] for s in source]
        slip = (slip + np.sqrt(err**2 - steady * best**2) * unit(size=n)) / math.sqrt(3)
        self.anchors = [
            Anchor(round(1000 * up), float(UTC0 + up + off), float(e), str(s))
            for up, off, e, s in zip(self.ups[:n], self.offset[:n] + slip, err, source, strict=True)
        ]

    def true(self, row):
        """UTC at ``ups[row]``."""
        return UTC0 + self.ups[row] + self.offset[row]

    def misses(self, base):
        """By how many standard uncertainties a timebase is off at ``ups``."""
        return (base.utc(1000 * self.ups) - UTC0 - self.ups - self.offset) / base.uncertainty(1000 * self.ups)


@pytest.mark.parametrize("normal", [True, False])
@pytest.mark.parametrize("steady", [0.0, 0.75, 1.0])
def test_of_drawn_clocks_the_truth_is_in_the_95_percent_interval_as_often_as_it_says(normal, steady):
    """However much of an error is the same in all that a source says: at anchors, between them and far beyond."""
    worlds = [Drawn(n, normal=normal, steady=steady) for n in range(800)]
    misses = [drawn.misses(Timebase.fit(drawn.anchors)) for drawn in worlds]
    inside = np.mean([(np.abs(one) < 1.96).mean() for one in misses])
    assert 0.93 <= inside <= 0.97
    beyond = np.mean([(np.abs(one[-20:]) < 1.96).mean() for one in misses])
    assert 0.93 <= beyond <= 0.97


@QUICK
@given(st.integers(0, 10**6), st.integers(0, 3))
def test_the_course_is_the_conditional_mean_of_its_own_model(seed, at):
    """Against the joint normal distribution written out in full and conditioned, the constant known to 100 s."""
    drawn = Drawn(seed, most=6, sources=("host",))
    anchors = drawn.anchors
    up = np.array([a.uptime_ms / 1000 for a in anchors] + [drawn.ups[-1 - at]])
    said = np.array([a.utc - UTC0 for a in anchors]) - up[:-1]
    var = np.array([a.err**2 + 0.0005**2 for a in anchors]) / 3
    x = up - up.min()
    cov = CRYSTAL**2 * np.outer(x, x) + WANDER * np.minimum.outer(x, x) + 1e4
    cov[:-1, :-1] += np.diag(0.75 * var.min() * -1 + var) + 0.75 * var.min()
    gain = np.linalg.solve(cov[:-1, :-1], cov[:-1, -1])
    base = Timebase.fit(anchors)
    if not base.left_out:
        assert base.utc(1000 * up[-1]) - UTC0 - up[-1] == pytest.approx(gain @ said, abs=2e-3)
        square = cov[-1, -1] - gain @ cov[:-1, -1]
        assert base.uncertainty(1000 * up[-1]) ** 2 == pytest.approx(square, rel=0.02, abs=1e-5)


ANY_ANCHORS = st.lists(
    st.builds(
        Anchor, UPTIMES, st.floats(UTC0, UTC0 + 1e6), st.floats(0, 1000), st.sampled_from(["phone", "host", "person"])
    ),
    min_size=1,
    max_size=9,
)
DRAWN = st.integers(0, 10**6).map(lambda seed: Drawn(seed).anchors)


@QUICK
@given(DRAWN | ANY_ANCHORS, st.lists(UPTIMES, min_size=2, max_size=40))
def test_utc_rises_with_uptime_whatever_the_anchors_say(anchors, ups):
    base = Timebase.fit(anchors)
    ups = np.unique(ups)
    rise = np.diff(base.utc(ups)) - np.diff(ups) / 1000
    assert (np.abs(rise) <= 0.01 * np.diff(ups) / 1000 + 1e-6).all()  # the wander may be steep for a moment
    assert (base.uncertainty(ups) > 0).all()
    assert abs(base.drift) <= DRIFT


@QUICK
@given(DRAWN | ANY_ANCHORS, st.lists(UPTIMES, min_size=1))
def test_uptime_is_the_inverse_of_utc(anchors, ups):
    base = Timebase.fit(anchors)
    np.testing.assert_allclose(base.uptime(base.utc(ups)), ups, rtol=0, atol=2e-3)


@QUICK
@given(DRAWN | ANY_ANCHORS, st.randoms(use_true_random=False))
def test_order_and_repetition_of_anchors_do_not_matter(anchors, order):
    mixed = anchors * 2
    order.shuffle(mixed)
    ups = [0, 5, 10**6, 10**9]
    one, other = Timebase.fit(mixed), Timebase.fit(anchors)
    assert one.utc(ups).tobytes() == other.utc(ups).tobytes()
    assert one.uncertainty(ups).tobytes() == other.uncertainty(ups).tobytes()
    assert (one.kept, one.left_out) == (other.kept, other.left_out)
    assert sorted(one.kept + one.left_out) == sorted(set(anchors))


@QUICK
@given(DRAWN, st.lists(UPTIMES, min_size=1, max_size=9))
def test_a_tick_has_the_same_time_whether_it_is_asked_for_alone_or_among_others(anchors, ups):
    base = Timebase.fit(anchors)
    for k, up in enumerate(ups):
        assert base.utc(ups)[k] == base.utc([up])[0]
        assert base.uncertainty(ups)[k] == base.uncertainty([up])[0]


@QUICK
@given(DRAWN)
def test_away_from_the_anchors_the_time_gets_less_certain(anchors):
    base = Timebase.fit(anchors)
    last, first = anchors[-1].uptime_ms, anchors[0].uptime_ms
    far = base.uncertainty(last + np.array([0, 6e6, 6e7, 6e8]))
    assert (np.diff(far) > 0).all()
    assert far[3] > 0.4  # a week
    assert base.uncertainty(first - 3.6e6) > base.uncertainty(first)


def test_one_anchor_says_its_time_and_gets_less_certain_with_distance():
    base = Timebase.fit([Anchor(60_000, UTC0, 0.05, "ntp")])
    np.testing.assert_allclose(base.utc([0, 60_000, 3_660_000]), UTC0 + np.array([-60, 0, 3600]))
    # By hand: 0.05 / root 3; an hour of 30 ppm is 0.108 s, and of wander root(2e-7 * 3600) = 0.0268 s.
    wanted = [0.05 / math.sqrt(3), math.sqrt(0.05**2 / 3 + 0.108**2 + 2e-7 * 3600)]
    np.testing.assert_allclose(base.uncertainty([60_000, 3_660_000]), wanted, rtol=1e-3)


def test_loose_anchors_later_do_not_drag_a_tight_one():
    """Nothing speaks against a crystal that is right, so none is invented."""
    tight = Anchor(2_000, UTC0 + 2, 0.05, "host")
    loose = [Anchor(n * 3_600_000, UTC0 + n * 3600 + 0.9, 2.0, "host") for n in range(1, 10)]
    base = Timebase.fit([tight, *loose])
    assert base.left_out == ()
    assert base.utc(2_000) == pytest.approx(UTC0 + 2, abs=0.002)
    assert base.utc(3_600_000) == pytest.approx(UTC0 + 3600, abs=0.15)
    assert abs(base.drift) < CRYSTAL


def test_a_drift_that_the_anchors_do_show_is_found_and_carried_on():
    base = Timebase.fit([Anchor(n * 3_600_000, UTC0 + n * 3600 * (1 + 40e-6), 0.05, "ntp") for n in range(25)])
    assert base.drift == pytest.approx(40e-6, abs=1e-6)
    ahead = 48 * 3600
    assert base.utc(1000 * ahead) == pytest.approx(UTC0 + ahead * (1 + 40e-6), abs=2 * base.uncertainty(1000 * ahead))
    assert base.uncertainty(1000 * ahead) < 0.4  # 30 ppm of a day would be 2.6 s


def test_thirty_answers_of_one_host_do_not_make_its_clock_better_but_a_second_clock_does():
    hourly = [Anchor(n * 600_000, UTC0 + n * 600, 0.05, "host") for n in range(30)]
    alone = Timebase.fit(hourly).uncertainty(9_000_000)
    assert 0.85 * 0.05 / math.sqrt(3) < alone < 0.05 / math.sqrt(3)
    assert Timebase.fit([*hourly, *(a._replace(source="ntp") for a in hourly)]).uncertainty(9_000_000) < 0.75 * alone


# anchors that are not true


@QUICK
@given(
    st.integers(0, 10**6),
    st.sampled_from([3600.0, -3600.0, 7200.0, -2400.0, 600.0, -86400.0]),
    st.integers(1, 3),
)
def test_a_source_that_is_off_is_found_where_two_others_agree(seed, off, times):
    """A phone with a wrong clock, an hour of summer time that somebody got wrong."""
    drawn = Drawn(seed, sources=("host", "ntp"), most=8)
    if len({a.source for a in drawn.anchors}) < 2:
        return
    ups = drawn.ups[-times:]
    wrong = [
        Anchor(round(1000 * up), float(drawn.true(k - times) + off), 1.0, "phone") for k, up in enumerate(ups.tolist())
    ]
    base = Timebase.fit(drawn.anchors + wrong)
    assert set(wrong) <= set(base.left_out)
    alone = Timebase.fit(drawn.anchors)
    assert set(base.left_out) - set(wrong) == set(alone.left_out)
    assert base.utc(5e6) == alone.utc(5e6)


@pytest.mark.parametrize("side", [slice(0, 12), slice(12, 24)])
def test_a_host_that_was_set_by_an_hour_in_the_middle_is_judged_by_another_clock(side):
    hours = [Anchor(n * 3_600_000, UTC0 + n * 3600 + (3600 if n >= 12 else 0), 0.05, "host") for n in range(24)]
    true = hours[side][5]
    phone = Anchor(true.uptime_ms + 9_000, true.utc + 9.5, 2.0, "phone")
    base = Timebase.fit([*hours, phone])
    assert list(base.kept) == sorted([*hours[side], phone])
    assert base.utc(true.uptime_ms) == pytest.approx(true.utc, abs=0.1)
    alone = Timebase.fit(hours)
    assert list(alone.kept) == hours[12:]  # nothing else to go by: a clock is set right more often than wrong
    assert alone.uncertainty(true.uptime_ms) == pytest.approx(3600 / math.sqrt(2), rel=0.01)


def test_a_host_that_was_set_by_seconds_is_no_crystal_of_100_ppm():
    """10 s in a day are 115 ppm, but no line goes through all."""
    hours = [Anchor(n * 3_600_000, UTC0 + n * 3600 + (10 if n >= 8 else 0), 0.05, "host") for n in range(24)]
    assert list(Timebase.fit(hours).left_out) == hours[:8]


def test_a_persons_word_settles_a_quarrel_of_two_clocks():
    host = [Anchor(n * 3_600_000, UTC0 + n * 3600 - 2400, 0.05, "host") for n in range(3)]
    phone = Anchor(7_000_000, UTC0 + 7000, 2.0, "phone")
    assert Timebase.fit([*host, phone]).left_out == (phone,)
    base = Timebase.fit([*host, phone, Anchor(0, UTC0 + 40, 60.0, "person")])
    assert list(base.left_out) == host
    assert base.utc(0) == pytest.approx(UTC0, abs=1)


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
@given(st.integers(0, 10**6), st.floats(-1e5, 1e5), st.booleans())
def test_whichever_of_a_true_and_a_false_anchor_is_taken_the_truth_is_within_twice_the_uncertainty(seed, off, sure):
    drawn = Drawn(seed, normal=False, most=1, sources=("host",))
    true = drawn.anchors[0]
    false = Anchor(round(1000 * drawn.ups[-1]), float(drawn.true(-1) + off), 0.05 if sure else 50.0, "host")
    base = Timebase.fit([true, false])
    if base.left_out:
        assert (np.abs(drawn.misses(base)[[0, -1]]) <= 2.3).all()  # 30 ppm is no limit


def test_a_thousand_anchors_at_odds_are_sorted_out_at_once():
    rng = np.random.default_rng(3)
    anchors = [Anchor(1000 * n, UTC0 + n + float(rng.choice([0, 0, 7200 + n])), 0.5, "phone") for n in range(1000)]
    base = Timebase.fit(anchors)
    assert all(abs(one.utc - UTC0 - one.uptime_ms / 1000) > 1 for one in base.left_out)
    assert abs(base.utc(500_000) - UTC0 - 500) < 0.5


def test_months_of_anchors_an_hour_are_read_at_once_and_the_truth_stays_within_what_is_said():
    """90 days of two sources: the work grows with the cube of the anchors that the course is made of."""
    dice = np.random.default_rng(8)
    ups = np.arange(0, 90 * DAY, HOUR)
    offset = 2.1e-5 * ups + np.cumsum(dice.normal(0, np.sqrt(WANDER * HOUR), ups.size))
    anchors = [
        Anchor(round(1000 * (up + side)), UTC0 + up + side + off + float(dice.uniform(-err, err)), err, source)
        for up, off in zip(ups, offset, strict=True) for source, err, side in (("ntp", 0.02, 0), ("host", 0.05, 60))
    ]
    wrong = [Anchor(round(1000 * up), UTC0 + up + 3600.0, 0.05, "host") for up in (5 * DAY + 7, 60 * DAY + 7)]
    base = Timebase.fit(anchors + wrong)
    assert len(base._course.up) <= 400
    assert set(base.left_out) == set(wrong)
    miss = base.utc(1000 * ups) - UTC0 - ups - offset
    said = base.uncertainty(1000 * ups)
    assert np.abs(miss / said).max() < 5
    assert (np.abs(miss) < 1.96 * said).mean() > 0.9
    assert said.max() < 0.1


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
