"""Learning an air probe's constants: found within what is stated, and refused where a span cannot teach them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitscribe.errors import CalibrationError
from pitscribe.metrology.airlearn import learn
from pitscribe.metrology.airprobe import RANDOM, AirModel, Track, air_of, body_of, model_of
from pitscribe.metrology.coverage import combine

T0 = 1.78e9
NOISE = 0.123
MODEL = AirModel("flat", 3.0, 0.2, 120.0, (0.04, 0.0, 0.0, 1e-4, 0.0, 25.0), 40.0, 1.0, 0.5, 0.01, 80.0, 130.0)


def track(t, celsius, seed, step=0.25):
    """Readings of a chip: noise and register steps."""
    noisy = celsius + np.random.default_rng(seed).normal(0, 0.1, t.size)
    return Track(T0 + t, np.round(noisy / step) * step, np.full(t.shape, 1.0))


def pit(t, swing, seed):
    """Air that swings with the fire and flutters."""
    rng = np.random.default_rng(seed)
    slow = swing * (np.sin(t / 430 + rng.uniform(0, 6)) + 0.4 * np.sin(t / 117 + rng.uniform(0, 6)))
    flutter, keep = np.zeros(t.size), np.exp(-(t[1] - t[0]) / 60)
    kicks = rng.normal(0, 0.6 * np.sqrt(1 - keep**2), t.size)
    for i in range(1, t.size):
        flutter[i] = keep * flutter[i - 1] + kicks[i]
    return 115 + slow + flutter


def lagging(t, target, tau):
    """A first-order junction, stepped plainly: apart from the way in which it is learned."""
    out, reads, part = np.empty(t.size), target[0], 1 - np.exp(-(t[1] - t[0]) / tau)
    for i, x in enumerate(target):
        reads += part * (x - reads)
        out[i] = reads
    return out


def cook(*, beta=0.17, tau=100.0, shift=-2.0, hours=4.0, swing=6.0, seed=1, meat=(5.0, 75.0), period=2.0):
    """Thick probe, thin one beside it (4 s), and meat."""
    t = np.arange(0.0, 3600 * hours, period)
    air = pit(t, swing, seed)
    flat = meat[0] + (meat[1] - meat[0]) * (1 - np.exp(-t / 7000))
    thick = lagging(t, (1 - beta) * air + beta * flat, tau) + shift
    ref = lagging(t, air, 4.0)
    return t, air, track(t, thick, seed + 1), track(t, ref, seed + 2), track(t, flat, seed + 3)


def learned(thick, ref, base, **more):
    place = None if base is None else "flat"
    return learn(thick, ref, base, base_place=place, noise=NOISE, reference_u=0.5, **more)


@settings(max_examples=8, deadline=None)
@given(st.floats(0.03, 0.3), st.floats(25.0, 200.0), st.floats(-4.0, 4.0), st.integers(0, 10**6))
def test_stem_and_lag_are_found_within_their_stated_uncertainty(beta, tau, shift, seed):
    _, _, thick, ref, base = cook(beta=beta, tau=tau, shift=shift, seed=seed)
    model = learned(thick, ref, base).model
    _, u_kappa, u_lag = model.u
    assert abs(model.kappa - beta / (1 - beta)) < 4 * u_kappa + 0.004
    assert abs(model.lag - tau / (1 - beta)) < 4 * u_lag
    assert model.tau == pytest.approx(model.lag * (1 - beta), rel=0.05)
    assert u_kappa < 0.03
    assert u_lag < 0.25 * model.lag + 6


def test_noise_of_the_reference_does_not_make_the_constants_smaller():
    t, _, thick, ref, base = cook()
    noisy = ref._replace(celsius=ref.celsius + np.random.default_rng(9).normal(0, 1.5, t.size))
    plain, rough = learned(thick, ref, base).model, learned(thick, noisy, base).model
    assert rough.lag == pytest.approx(plain.lag, rel=0.06)
    assert rough.kappa == pytest.approx(plain.kappa, abs=0.006)


def test_two_wires_that_differ_move_the_offset_and_nothing_else():
    _, _, thick, ref, base = cook()
    off = thick._replace(celsius=thick.celsius + 1.75)
    one, other = learned(thick, ref, base).model, learned(off, ref, base).model
    assert one.offset - other.offset == pytest.approx(1.75 * (1 + one.kappa), abs=0.1)
    assert (other.kappa, other.lag) == (pytest.approx(one.kappa, abs=0.002), pytest.approx(one.lag, rel=0.01))


def test_uncertainty_goes_by_independent_readings_not_by_their_count():
    few, many = (learned(*cook(period=period)[2:]) for period in (4.0, 1.0))
    assert many.samples > 3 * few.samples
    assert many.independent < many.samples / 10
    for a, b in zip(few.model.u, many.model.u, strict=True):
        assert 0.4 < a / b < 2.5


def test_a_fixed_offset_is_the_special_case_without_a_base():
    _, _, thick, ref, _ = cook(beta=0.0, tau=170.0, shift=-13.0)
    model = learned(thick, ref, None).model
    assert (model.base, model.kappa) == (None, 0.0)
    assert model.offset == pytest.approx(13.0, abs=2.5)  # the reference's own radiation included
    assert abs(model.lag - 170) < 4 * model.u[2]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"swing": 0.0}, r"the pit moved by only [0-9.]+ K \([0-9.]+ F\)"),
        ({"hours": 0.4}, "min or more"),
        ({"meat": (60.0, 60.0)}, "too constant a distance"),
        ({"beta": 0.7}, "no stem does that"),
        ({"beta": -0.2}, "no stem does that"),
    ],
)
def test_a_span_that_cannot_teach_is_refused_with_the_reason(change, why):
    _, _, thick, ref, base = cook(**change)
    with pytest.raises(CalibrationError, match=why):
        learned(thick, ref, base)


def test_a_base_that_is_the_air_itself_is_refused_as_well():
    _, _, thick, ref, _ = cook()
    with pytest.raises(CalibrationError, match="too constant a distance"):
        learned(thick, ref, ref)


def test_a_reference_that_is_the_slower_one_is_refused():
    _, _, thick, ref, _ = cook(beta=0.0, shift=0.0)
    with pytest.raises(CalibrationError, match="the reference is slower"):
        learned(ref, thick, None)


def test_gaps_and_flagged_readings_are_left_out_and_a_span_full_of_them_is_refused():
    t, _, thick, ref, base = cook()
    torn = (t % 3000) > 200
    model = learned(Track(*(x[torn] for x in thick)), ref, base).model
    assert abs(model.lag - learned(thick, ref, base).model.lag) < 4 * model.u[2]
    few = (t % 600) > 300
    with pytest.raises(CalibrationError, match="too many gaps"):
        learned(Track(*(x[few] for x in thick)), ref, base)
    with pytest.raises(CalibrationError, match="no usable readings"):
        learned(Track(*(x[:1] for x in thick)), ref, base)


def test_a_record_says_what_the_model_is_and_a_damaged_one_says_that_it_is_damaged():
    assert model_of(body_of(MODEL)) == MODEL
    assert model_of(body_of(replace(MODEL, base=None))) == replace(MODEL, base=None)
    for key, value in (("method", 99), ("lag", "long"), ("covariance", [1.0]), ("kappa", float("nan"))):
        with pytest.raises(CalibrationError, match="learn it again"):
            model_of({**body_of(MODEL), key: value})


def test_without_its_base_the_uncertainty_says_so_and_still_holds_the_truth():
    t, air, thick, _, base = cook(beta=1 / 6, tau=100.0, shift=0.0)
    model = replace(MODEL, offset=0.0)
    with_base, without = (air_of(thick, b, model, NOISE, here=True) for b in (base, None))
    u_with, u_without = (combine(found.parts).u for found in (with_base, without))
    assert np.median(u_without) > 3 * np.median(u_with)
    late = t > 600
    assert (np.abs(without.celsius - air)[late] < 2 * u_without[late]).mean() > 0.95


@pytest.mark.parametrize("lost_s", [1500, 4000, 9000])
def test_when_the_base_is_lost_the_air_does_not_jump_and_is_ever_less_sure(lost_s):
    t, air, thick, _, base = cook(beta=1 / 6, tau=100.0, shift=0.0)
    model, known = replace(MODEL, offset=0.0), t <= lost_s
    torn, whole = (air_of(thick, b, model, NOISE, here=True) for b in (Track(*(x[known] for x in base)), base))
    u = combine(torn.parts).u
    assert np.abs(np.diff(torn.celsius - whole.celsius)).max() <= 1.001 * model.kappa  # its base's own four steps
    assert np.array_equal(torn.celsius[known], whole.celsius[known])
    stem = next(p for p in torn.parts if p.name == "what the stem sits in").u
    assert (np.diff(stem[~known]) >= 0).all()
    assert stem[-1] <= model.kappa * np.hypot(100.0 - 50.0, 100.0 / 12**0.5)
    late = t > 600
    assert (np.abs(torn.celsius - air)[late] < 2 * u[late]).mean() > 0.95
    seen = t <= lost_s + 700.0  # nothing looks ahead, and it is the same in whatever pieces it is read
    so_far = air_of(Track(*(x[seen] for x in thick)), base._replace(t=base.t[known], celsius=base.celsius[known],
                    u=base.u[known]), model, NOISE, here=True)
    assert so_far.celsius.tobytes() == torn.celsius[seen].tobytes()


@pytest.mark.parametrize("noise", [0.05, 0.12])
@pytest.mark.parametrize("lag", [20.0, 60.0, 150.0])
def test_what_noise_does_to_the_air_is_what_is_stated(lag, noise):
    """The last reading is in the slope as well: their errors add up, and not in squares alone. The choice of the window
    by the readings themselves adds some percent, which is left out."""
    t = T0 + np.arange(20_000.0)
    y = 115.0 + np.random.default_rng(3).normal(0, noise, t.size)
    model = replace(MODEL, base=None, offset=0.0, kappa=0.0, lag=lag)
    found = air_of(Track(t, y, np.full(t.shape, 0.1)), None, model, noise, here=True)
    stated = np.sqrt(sum(np.square(p.u) for p in found.parts if p.name in RANDOM))
    ratio = np.sqrt(np.mean(np.square((found.celsius - 115.0) / stated)[600:]))
    print(f"\nlag {lag:.0f} s, noise {noise} K: {ratio:.3f} of what is stated")
    assert 0.97 < ratio < 1.1


def test_where_no_slope_is_known_the_lag_is_left_alone_and_counted():
    """A sample each 240 s is too slow for a lag of 120 s, and the stem comes in as the lag has it."""
    _, _, thick, _, base = cook()
    slow = Track(*(x[::120] for x in thick))
    found = air_of(slow, base, MODEL, NOISE, here=True)
    settled = slow.celsius + MODEL.offset + MODEL.kappa * (slow.celsius - base.celsius[::120])
    assert np.allclose(found.celsius[-30:], settled[-30:])
    lag = next(p for p in found.parts if p.name == "slope")
    assert lag.u[-1] == MODEL.lag * MODEL.slope_rms


@pytest.mark.parametrize("begins_c", [5.0, 22.0, 60.0, 96.0, 115.0])
@pytest.mark.parametrize("period", [1.0, 5.0, 20.0])
def test_just_put_in_or_there_for_long_the_air_is_within_what_is_stated_from_the_first_reading_on(begins_c, period):
    """Cold from the kitchen, settled (96 degC beside meat of 5), or as hot as the air; no probe is settled at once."""
    t = np.arange(0.0, 900.0, period)
    air = 115.0 + 3.0 * np.sin(t / 430)
    thick = track(t, lagging(t, np.concatenate(([begins_c], (5 / 6 * air + 5 / 6)[1:])), 100.0), 5)
    base = track(t, np.full(t.shape, 5.0), 6)
    found = air_of(thick, base, replace(MODEL, offset=0.0), NOISE, here=True)
    total = combine(found.parts)
    off = np.abs(found.celsius - air) / (total.k * total.u)
    print(f"\nbegins at {begins_c:.0f} C, every {period:.0f} s: worst {off.max():.2f} of 95 %; u {total.u[0]:.0f} K, "
          f"then {total.u[-1]:.1f} K")
    assert off.max() <= 1.0
    assert total.u[-1] < 3.0


def test_behind_a_gap_longer_than_the_lag_a_probe_may_be_one_that_was_just_put_in():
    t, _, _, _, base = cook()
    there = (t < 3000) | (t > 3200)
    again = np.where(t < 3100, 96.0, 0) + np.where(t >= 3100, 96.0 - (96.0 - 20.0) * np.exp(-(t - 3200) / 100), 0)
    thick = track(t, again, 4)
    torn = air_of(Track(*(x[there] for x in thick)), base, MODEL, NOISE, here=True)
    first = int(np.searchsorted(t[there], 3200))
    u = combine(torn.parts).u
    assert u[first] > 40.0
    assert u[first - 1] < 4.0


def test_on_another_channel_the_readings_own_uncertainty_counts_besides():
    _, _, thick, _, base = cook()
    here, there = (combine(air_of(thick, base, MODEL, NOISE, here=h).parts).u for h in (True, False))
    assert np.allclose(there**2, here**2 + thick.u**2)
