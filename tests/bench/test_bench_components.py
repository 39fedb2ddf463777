"""Components of variance: laws, what cannot be measured, coverage of every interval."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from margin.bench import NotMeasurableError, nested_components
from margin.bench.components import between_units, correlation, sampling_draws, scatter_by_unit
from margin.bench.merits import Hold, drift

SENSOR, MOUNTING, LOADING = 0.08, 0.02, 0.015
SENSORS, MOUNTINGS, CYCLES, BENCHES = 6, 3, 5, 200


def labels(sensors=SENSORS, mountings=MOUNTINGS, cycles=CYCLES):
    """Labels of a balanced bench; mountings are numbered within their sensor."""
    sensor, mounting, _ = np.indices((sensors, mountings, cycles)).reshape(3, -1)
    return {"sensor": sensor, "mounting": mounting}


def bench(rng, shape=(SENSORS, MOUNTINGS, CYCLES)):
    """ln sensitivity of each cycle of an invented bench, mean 0."""
    sensors, mountings, _ = shape
    return (
        SENSOR * rng.standard_normal((sensors, 1, 1))
        + MOUNTING * rng.standard_normal((sensors, mountings, 1))
        + LOADING * rng.standard_normal(shape)
    ).ravel()


def test_intervals_cover_the_truth() -> None:
    """Of 200 invented benches, 90 to 98 % of the 95 % intervals hold the true value, for each figure."""
    rng = np.random.default_rng(11)
    hits = dict.fromkeys(("mean", "sensor", "mounting", "loading", "drift"), 0)
    time = np.array([1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0])
    for _ in range(BENCHES):
        found = nested_components(bench(rng), labels(), residual="loading", draws=4000)
        assert found.mean_low is not None and found.mean_high is not None
        hits["mean"] += found.mean_low <= 0 <= found.mean_high
        for level, truth in (("sensor", SENSOR), ("mounting", MOUNTING), ("loading", LOADING)):
            component = found[level]
            hits[level] += component.low <= truth <= component.high
        rates = 0.02 + 0.004 * rng.standard_normal(6)
        holds = [
            Hold(12.0, time, 1 + rate * np.log10(time) + 0.0005 * rng.standard_normal(time.size), 25.0)
            for rate in rates
        ]
        merit = drift(holds, 0.95, t0=1.0)
        hits["drift"] += merit.low <= 2.0 <= merit.high
    for figure, count in hits.items():
        assert 0.90 <= count / BENCHES <= 0.98, (figure, count / BENCHES)


def test_unbalanced_intervals_cover_the_truth() -> None:
    """With two to five mountings and one to six cycles the intervals still cover 90 to 99 %."""
    rng = np.random.default_rng(12)
    hits = dict.fromkeys(("sensor", "mounting", "loading"), 0)
    kept = rng.random(8 * 5 * 6) < 0.6
    names = {level: label[kept] for level, label in labels(8, 5, 6).items()}
    for _ in range(BENCHES):
        found = nested_components(bench(rng, (8, 5, 6))[kept], names, residual="loading", draws=2000)
        for level, truth in (("sensor", SENSOR), ("mounting", MOUNTING), ("loading", LOADING)):
            hits[level] += found[level].low <= truth <= found[level].high
    assert all(0.90 <= count / BENCHES <= 0.99 for count in hits.values()), hits


def test_estimates_are_unbiased_balanced_or_not() -> None:
    """The mean of unclipped estimates over 400 benches meets the true variances within its own error."""
    rng = np.random.default_rng(13)
    kept = rng.random(8 * 4 * 5) < 0.7
    names = {level: label[kept] for level, label in labels(8, 4, 5).items()}
    found = []
    for _ in range(400):
        result = nested_components(bench(rng, (8, 4, 5))[kept], names, residual="loading", draws=10)
        found.append([component.variance for component in result.components])
    mean, error = np.mean(found, axis=0), np.std(found, axis=0) / 20
    truth = np.array([SENSOR, MOUNTING, LOADING]) ** 2
    assert np.all(np.abs(mean - truth) < 3.5 * error)


@given(st.floats(0.1, 10), st.floats(-100, 100), st.integers(0, 1000))
@settings(max_examples=25, deadline=None)
def test_scale_and_shift(scale, shift, seed) -> None:
    """Scaling the values scales each spread; shifting them changes none."""
    values = bench(np.random.default_rng(seed), (4, 2, 3))
    names = labels(4, 2, 3)
    plain = nested_components(values, names, draws=200)
    moved = nested_components(scale * values + shift, names, draws=200)
    for one, two in zip(plain.components, moved.components, strict=True):
        assert two.sd == pytest.approx(scale * one.sd, rel=1e-6, abs=1e-9)
        assert two.high == pytest.approx(scale * one.high, rel=1e-6, abs=1e-9)


def test_sums_of_squares_add_up() -> None:
    """The sums of squares of all levels make up the total, unbalanced too."""
    rng = np.random.default_rng(14)
    kept = rng.random(90) < 0.7
    values = bench(rng)[kept]
    found = nested_components(values, {level: label[kept] for level, label in labels().items()}, draws=10)
    assert found.anova["sum_of_squares"].sum() == pytest.approx(np.sum((values - values.mean()) ** 2))


def test_one_lot_does_not_show_the_spread_of_lots() -> None:
    """Six sensors of one lot: the lot reads so, with what to do."""
    values = bench(np.random.default_rng(15))
    found = nested_components(values, {"lot": np.zeros(90), **labels()}, residual="loading")
    assert found.not_measurable == ("lot",)
    assert found["lot"].note == "only one lot: measure several"
    assert found["lot"].sd is None and found["sensor"].measured


def test_one_mounting_counts_as_sensor() -> None:
    """One mounting of each sensor: its spread is said to be in that of the sensors."""
    rng = np.random.default_rng(16)
    found = nested_components(bench(rng, (6, 1, 5)), labels(6, 1, 5), residual="loading")
    assert "its spread counts as sensor" in found["mounting"].note
    assert "includes the spread of mounting" in found["sensor"].note


def test_single_readings_count_as_loading() -> None:
    """One reading in each cycle: the reading is not measurable and the loading holds it too."""
    values = bench(np.random.default_rng(17))
    found = nested_components(values, {**labels(), "loading": np.arange(90)})
    assert found.not_measurable == ("reading",)
    assert "includes the spread of reading" in found["loading"].note


def test_labels_need_to_differ_within_their_parent_only() -> None:
    """Mounting 1 of one sensor is another than mounting 1 of the next."""
    values = bench(np.random.default_rng(18))
    within = labels()
    across = {**within, "mounting": within["mounting"] + 10 * within["sensor"]}
    one, two = nested_components(values, within), nested_components(values, across)
    assert one["mounting"].units == two["mounting"].units == 18
    assert one["mounting"].variance == two["mounting"].variance


def test_measurement_scatter_is_taken_off_the_spread_of_units() -> None:
    """By hand: variance of the sensor means less MS within / m, not the variance of the means."""
    rng = np.random.default_rng(19)
    values = rng.standard_normal((5, 4))
    found = nested_components(
        values.ravel() + np.repeat([0, 2, 4, 6, 8], 4), {"sensor": np.repeat(range(5), 4)}
    )
    means = values.mean(axis=1) + [0, 2, 4, 6, 8]
    expected = means.var(ddof=1) - values.var(axis=1, ddof=1).mean() / 4
    assert found["sensor"].variance == pytest.approx(expected)


def test_bad_values() -> None:
    """Too few values, values that are not finite and labels of another length are refused."""
    with pytest.raises(NotMeasurableError, match="two or more values"):
        nested_components(np.array([1.0]), {})
    with pytest.raises(ValueError, match="value 1 is nan"):
        nested_components(np.array([1.0, np.nan]), {"a": [1, 2]})
    with pytest.raises(ValueError, match="labels of 'a' have shape"):
        nested_components(np.array([1.0, 2.0]), {"a": [1, 2, 3]})


def test_units_that_scatter_alike_and_unlike() -> None:
    """Equal scatter gives no spread of scatter; a factor of e between two halves is found as such."""
    rng = np.random.default_rng(20)
    noise, unit = rng.standard_normal((40, 30)), np.repeat(np.arange(40), 30)
    alike = scatter_by_unit(noise.ravel(), unit)
    assert alike.p_equal > 0.01 and alike.spread < 0.08
    assert alike.low < 1.0 < alike.high
    size = np.where(np.arange(40) % 2 == 0, np.exp(-0.5), np.exp(0.5))[:, None]
    unlike = scatter_by_unit((size * noise).ravel(), unit)
    assert unlike.p_equal < 1e-6
    assert unlike.spread == pytest.approx(0.5, rel=0.15)


def test_scatter_needs_repeats() -> None:
    """Single values of each unit carry no scatter."""
    with pytest.raises(NotMeasurableError, match="repeat the cycles"):
        scatter_by_unit(np.array([1.0, 2.0, 3.0]), np.array(["a", "b", "c"]))


def test_fisher_interval_of_a_known_case() -> None:
    """r = 0.5 from 28 pairs: atanh(r) +/- 1.96 / 5 by hand; coverage over 400 samples 92 to 98 %."""
    x = np.arange(28.0) - 13.5
    noise = np.where(np.arange(28) % 2 == 0, 1.0, -1.0)
    noise = noise - x * (x @ noise) / (x @ x)
    y = 0.5 * x / np.sqrt(x @ x) + np.sqrt(0.75) * noise / np.sqrt(noise @ noise)
    found = correlation(x, y)
    assert found.value == pytest.approx(0.5)
    assert found.low == pytest.approx(np.tanh(np.arctanh(0.5) - 1.959964 / 5), abs=1e-6)
    rng = np.random.default_rng(21)
    hits = 0
    for _ in range(400):
        a, b = rng.standard_normal((2, 12))
        one = correlation(a, 0.6 * a + 0.8 * b)
        hits += one.low <= 0.6 <= one.high
    assert 0.92 <= hits / 400 <= 0.98


def test_correlation_needs_four_units() -> None:
    """Three units, or a parameter that does not vary, give no correlation."""
    with pytest.raises(NotMeasurableError, match="four or more units"):
        correlation(np.arange(3.0), np.arange(3.0))
    with pytest.raises(NotMeasurableError, match="the same in all units"):
        correlation(np.ones(5), np.arange(5.0))


def test_between_units_finds_the_covariance() -> None:
    """Multivariate components meet the true covariance of many units, scatter within taken off."""
    rng = np.random.default_rng(22)
    truth = np.array([[0.0064, -0.0006], [-0.0006, 0.0004]])
    units = rng.multivariate_normal([0, 0.85], truth, 4000)
    values = np.repeat(units, 3, axis=0) + 0.03 * rng.standard_normal((12000, 2))
    found = between_units(values, np.repeat(np.arange(4000), 3), ("k", "n"))
    assert found.covariance == pytest.approx(truth, rel=0.1, abs=5e-5)
    assert found.within == pytest.approx(0.0009 * np.eye(2), abs=5e-5)
    assert found.correlations[0, 1] == pytest.approx(-0.375, abs=0.05)
    assert not found.clipped


def test_sampling_draws_give_the_student_predictive() -> None:
    """Mean and covariance draws, then one further unit: Student t with n - 1 degrees of freedom."""
    rng = np.random.default_rng(23)
    values = np.array([[-1.2], [-0.4], [0.1], [0.5], [1.0]])
    means, covariances = sampling_draws(values, 200_000, rng)
    further = means[:, 0] + np.sqrt(covariances[:, 0, 0]) * rng.standard_normal(200_000)
    scale = values.std(ddof=1) * np.sqrt(1 + 1 / 5)
    inside = np.mean(np.abs(further - values.mean()) <= 2.7764451 * scale)
    assert inside == pytest.approx(0.95, abs=0.002)
    with pytest.raises(NotMeasurableError, match="need more than 2 units"):
        sampling_draws(np.zeros((2, 2)), 10, rng)


@pytest.mark.parametrize("spread", [0.0, 0.3])
def test_typical_scatter_covers_the_truth(spread) -> None:
    """Units that scatter alike, and units that do not: of 200 sets of six, 90 to 98 % of the intervals hold the
    median standard deviation."""
    rng = np.random.default_rng(23)
    unit, hits = np.repeat(np.arange(6), 10), 0
    for _ in range(BENCHES):
        sd = np.exp(spread * rng.standard_normal((6, 1)))
        found = scatter_by_unit((sd * rng.standard_normal((6, 10))).ravel(), unit)
        hits += found.low <= 1.0 <= found.high
    assert 0.90 <= hits / BENCHES <= 0.98
