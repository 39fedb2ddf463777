"""Reload scatter over the load: what a bench of known truth shows of it, and what goes into the model."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scattered_bench import LOADS, REFERENCE, bridge_scatter, film_scatter, points_of, scattered_bench
from scipy import stats

from margin.bench import FittedSensor, fitted_sensor, read_bench
from margin.bench.reload_scatter import LoadScatter, reload_scatter

BENCHES = 30
ENDS = LOADS[[0, 2, 4]]


def scatter_of(frame: pd.DataFrame, kind: str = "thin film") -> LoadScatter:
    """The scatter that a bench shows."""
    return reload_scatter(points_of(frame), kind, REFERENCE if kind == "thin film" else LOADS[-1])  # type: ignore[arg-type]


def values(sensor: FittedSensor) -> dict[str, float]:
    """Nominal values by key."""
    return {q.key: q.nominal for q in sensor.quantities}


# Of 30 benches 95 % intervals miss five or more in 2 % of such tests, seven or more in 0.03 % (binomial). Counts of 200
# benches: tests/benchmarks/reload_coverage.md.
@pytest.mark.parametrize(
    ("exponent", "made"),
    [
        (0.8, {}),
        (-0.6, {}),
        (0.8, {"together": True}),
        (0.0, {"cycles": 1, "mountings": 3}),
        (0.8, {"cycles": 1, "mountings": 3}),
    ],
)
def test_scatter_at_low_middle_and_high_load_is_recovered(exponent: float, made: dict[str, object]) -> None:
    """Over 30 benches the interval at each of three loads holds the truth about as often as it says, also of single
    cycles."""
    truth = film_scatter(LOADS, 0.02, exponent)
    held = np.zeros(ENDS.size)
    for seed in range(BENCHES):
        found = scatter_of(scattered_bench(np.random.default_rng(seed), truth, **made))  # type: ignore[arg-type]
        low, high = found.interval(ENDS)
        expected = film_scatter(ENDS, 0.02, exponent)
        held += (low <= expected) & (expected <= high)
        assert found.source == ("residuals" if made.get("cycles") == 1 else "repeated cycles")
    assert np.all(held >= 24)


def test_a_constant_scatter_has_no_exponent() -> None:
    """Where the scatter is the same at all loads the model seldom has an exponent, and says so."""
    found = [
        scatter_of(scattered_bench(np.random.default_rng(seed), film_scatter(LOADS, 0.02, 0.0)))
        for seed in range(BENCHES)
    ]
    assert sum(each.resolved for each in found) <= 5
    sensor = fitted_sensor(
        read_bench(scattered_bench(np.random.default_rng(1), film_scatter(LOADS, 0.02, 0.0))), "thin film"
    )
    assert "reload_scatter_exponent" not in values(sensor)
    quantity = next(q for q in sensor.quantities if q.key == "reload_scatter")
    assert any("no change with the load resolved" in line for line in quantity.told)


def test_one_draw_a_cycle_counts_once() -> None:
    """Readings that move together are as many as their cycles: the interval is that of chi-square with nu = 24."""
    truth = film_scatter(LOADS, 0.02, 0.0)
    found = scatter_of(scattered_bench(np.random.default_rng(2), truth, together=True))
    assert found.dof == pytest.approx(4 * 2 * 3, rel=0.02)
    ends = found.size * np.sqrt(24.0 / stats.chi2.ppf([0.975, 0.025], 24))
    assert [found.low, found.high] == pytest.approx(list(ends), rel=0.01)


def test_the_size_is_the_pooled_standard_deviation() -> None:
    """Without an exponent s^2 is the sum of squares within mountings over its degrees of freedom."""
    frame = scattered_bench(np.random.default_rng(4), film_scatter(LOADS, 0.02, 0.0))
    found = scatter_of(frame)
    assert not found.resolved
    cells = frame.assign(y=np.log(frame["conductance_S"])).groupby(["sensor", "mounting", "load_N"])["y"]
    assert found.size == pytest.approx(float(np.sqrt(cells.var(ddof=1).mean())))


def test_what_was_measured_at_the_high_load_goes_into_the_model() -> None:
    """A scatter of 2 % at the reference load and 6 % at the highest is written as such, with its exponent."""
    truth = film_scatter(LOADS, 0.02, 0.8)
    sensor = fitted_sensor(
        read_bench(scattered_bench(np.random.default_rng(5), truth, sensors=6)), "thin film",
        reference_load=REFERENCE,
    )  # fmt: skip
    found = values(sensor)
    at_top = found["reload_scatter"] * (LOADS[-1] / REFERENCE) ** found["reload_scatter_exponent"]
    assert at_top == pytest.approx(truth[-1], rel=0.25)
    assert found["reload_scatter"] == pytest.approx(0.02, rel=0.25)


def test_single_cycles_give_an_upper_estimate() -> None:
    """One cycle a mounting: the scatter about the fitted curve stands in the model, called an upper estimate; a curve
    that the power law does not fit makes it larger."""
    truth = film_scatter(LOADS, 0.02, 0.0)
    frame = scattered_bench(np.random.default_rng(6), truth, mountings=3, cycles=1)
    sensor = fitted_sensor(read_bench(frame), "thin film")
    assert values(sensor)["reload_scatter"] == pytest.approx(0.02, rel=0.4)
    assert any("upper estimate" in line and "lack of fit" in line for line in sensor.assumptions)
    bent = frame.assign(conductance_S=frame["conductance_S"] / (1.0 + 4e3 * frame["conductance_S"]))
    assert (
        values(fitted_sensor(read_bench(bent), "thin film"))["reload_scatter"]
        > values(sensor)["reload_scatter"]
    )


def test_nothing_shows_the_scatter_of_two_loads_read_once() -> None:
    """A line through two loads leaves nothing over: the scatter is listed as unmeasured."""
    frame = scattered_bench(np.random.default_rng(7), film_scatter(LOADS, 0.02, 0.0), cycles=1)
    sensor = fitted_sensor(read_bench(frame[frame["load_N"].isin(LOADS[[1, 3]])]), "thin film")
    assert "reload_scatter" not in values(sensor)
    assert "reload_scatter" in {each.key for each in sensor.unmeasured}


@pytest.mark.parametrize(("zero", "span"), [(0.002, 0.0), (0.001, 0.005), (0.0, 0.004)])
def test_a_bridge_tells_scatter_of_the_zero_from_that_of_the_span(zero: float, span: float) -> None:
    """Both parts come out within a third; a part that there is none of is left out or small."""
    truth = bridge_scatter(LOADS, zero, span)
    frame = scattered_bench(np.random.default_rng(8), truth, kind="strain-gauge bridge", sensors=6, cycles=6)
    found = values(fitted_sensor(read_bench(frame), "strain-gauge bridge"))
    assert found["reload_scatter"] == pytest.approx(zero, rel=0.34, abs=6e-4)
    assert found.get("reload_span_scatter", 0.0) == pytest.approx(span, rel=0.34, abs=6e-4)


def test_scatter_of_the_zero_does_not_count_as_reload_scatter() -> None:
    """An unloaded output that scatters from cycle to cycle is a spread of the offset per loading, and is taken off."""
    rng = np.random.default_rng(9)
    frame = scattered_bench(rng, film_scatter(LOADS, 0.01, 0.0), sensors=6, cycles=6)
    runs = frame.groupby(["sensor", "mounting", "run"]).ngroup()
    moved = 0.2e-6 + 30e-9 * rng.standard_normal(int(runs.max()) + 1)
    loaded = frame.assign(conductance_S=frame["conductance_S"] + moved[runs])
    zeros = frame.drop_duplicates(["sensor", "mounting", "run"]).assign(load_N=0.0)
    zeros = zeros.assign(conductance_S=moved[runs[zeros.index]])
    sensor = fitted_sensor(read_bench(pd.concat([zeros, loaded], ignore_index=True)), "thin film")
    offset = next(q for q in sensor.quantities if q.key == "offset_conductance")
    (per_loading,) = [s for s in offset.spreads if s.level == "loading"]
    assert per_loading.sd == pytest.approx(30e-9, rel=0.2)
    assert values(sensor)["reload_scatter"] == pytest.approx(0.01, rel=0.15)
    assert "reload_scatter_exponent" not in values(sensor)
