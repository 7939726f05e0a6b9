"""The steady time of a boot: near the best, rising, and the same again whatever anchors come later."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.wire.steadytime import NEAR_S, steady
from pitscribe.wire.timebase import Anchor, Timebase

UTC0 = 1_780_171_200.0
HOUR_MS = 3_600_000


def crystal(hours, *, ppm=12.0, seed=1, jitter=0.02):
    """Anchors once an hour of a host that is right to ``jitter`` [s], for a crystal that drifts and strays a little."""
    draw = np.random.default_rng(seed)
    strays = np.cumsum(draw.normal(0, 0.01, hours + 1))
    return [
        Anchor(10_000 + n * HOUR_MS, UTC0 + n * 3600 * (1 + ppm * 1e-6) + strays[n] + draw.uniform(-jitter, jitter),
               0.05, "host")
        for n in range(hours + 1)
    ]


def ms(base, up):
    return np.round(1000 * base.utc(up))


def test_an_hour_that_was_told_once_keeps_its_times_as_anchors_come():
    up = np.arange(0, 24 * HOUR_MS, 1000)
    for ppm in (-25, 0, 25):  # within 0.1 s an hour: a first hour without any drift known is near enough
        anchors = crystal(24, ppm=ppm)
        told = ms(steady(anchors[:1]), up)
        best = ms(Timebase.fit(anchors[:1]), up)
        moved, before = 0, 0
        for n in range(2, len(anchors) + 1):
            past = up <= anchors[n - 1].uptime_ms
            now, fitted = ms(steady(anchors[:n]), up), ms(Timebase.fit(anchors[:n]), up)
            moved += int((now != told)[past].sum())
            before += int((fitted != best)[past].sum())
            told, best = now, fitted
        print(f"{ppm:4} ppm: {moved} times of {up.size} changed when an anchor came; of the best fit's {before}")
        assert moved == 0
        assert before > 2 * up.size  # what it is there for


def test_an_hour_that_proves_to_be_wrong_is_told_anew_once():
    """80 ppm are 0.29 s an hour: of the first hour that nobody knew, of a later one it is known before."""
    anchors, up = crystal(20, ppm=80), np.arange(0, 20 * HOUR_MS, 1000)
    told, changes = ms(steady(anchors[:1]), up), np.zeros(up.size, int)
    for n in range(2, len(anchors) + 1):
        past = up <= anchors[n - 1].uptime_ms
        now = ms(steady(anchors[:n]), up)
        changes += (now != told) & past
        told = now
    assert changes[: 3600].max() == 1
    # a second hour begins at what the first had said, so ten minutes of it change with it
    assert changes[4300:].max() == 0


def test_a_clock_that_was_wrong_at_first_is_not_kept():
    wrong = [Anchor(10_000 + 60_000 * n, UTC0 - 86_400 + 60 * n, 0.05, "phone") for n in range(2)]
    right = [Anchor(HOUR_MS * n + 600_000, UTC0 + 3600 * n, 0.05, "host") for n in range(6)]
    found, best = steady(wrong + right), Timebase.fit(wrong + right)
    up = np.arange(0, 6 * HOUR_MS, 1000)
    assert np.abs(found.utc(up) - best.utc(up)).max() <= max(NEAR_S, best.uncertainty(up).max())
    assert [one.source for one in found.left_out] == ["phone", "phone"]


def test_the_order_of_anchors_and_what_is_said_twice_do_not_matter():
    anchors, up = crystal(9), np.arange(0, 10 * HOUR_MS, 10_000)
    assert (steady(anchors[::-1] + anchors[:3]).utc(up) == steady(anchors).utc(up)).all()


anchor = st.builds(
    Anchor, st.integers(0, 3 * 86_400_000), st.floats(UTC0 - 4e5, UTC0 + 4e5, allow_nan=False),
    st.sampled_from([0.0, 0.01, 0.05, 1.0, 60.0]), st.sampled_from(["host", "phone", "ntp"]),
)
honest = st.builds(
    lambda ups, ppm, noise: [
        Anchor(up, UTC0 + up / 1000 * (1 + ppm * 1e-6) + err * part, err, source)
        for up, (err, part, source) in zip(ups, noise, strict=False)
    ],
    st.lists(st.integers(0, 2 * 86_400_000), min_size=1, max_size=8, unique=True).map(sorted),
    st.floats(-90, 90),
    st.lists(
        st.tuples(st.sampled_from([0.01, 0.05, 1.0, 60.0]), st.floats(-1, 1), st.sampled_from(["host", "ntp"])),
        min_size=8, max_size=8,
    ),
)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(st.one_of(honest, st.lists(anchor, min_size=1, max_size=8)))
def test_it_is_near_the_best_rises_and_has_an_inverse(anchors):
    found, best = steady(anchors), Timebase.fit(anchors)
    last = max(one.uptime_ms for one in anchors)
    up = np.unique(np.concatenate([np.linspace(0, last + 2 * HOUR_MS, 200), [one.uptime_ms for one in anchors]]))
    # Between two edges the best's uncertainty is largest, and what may be off is judged at the edges.
    edges = np.array(sorted({0, last + 2 * HOUR_MS, *(one.uptime_ms for one in anchors)}), float)
    near = np.maximum(best.uncertainty(edges), NEAR_S).max()
    assert np.abs(found.utc(up) - best.utc(up)).max() <= near + 1e-5
    assert (np.diff(found.utc(up)) > 0).all()
    assert np.abs(found.uptime(found.utc(up)) - up).max() < 0.01  # ms
    assert (found.uncertainty(up) > 0).all()
