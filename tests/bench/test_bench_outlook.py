"""Outlook on more measuring, and setups side by side."""

import numpy as np
import pytest
from scipy import stats

from margin.bench import (
    Merit,
    compare,
    nested_components,
    outlook_of_components,
    outlook_of_sd,
    outlook_of_yield,
    predictive_share,
)
from margin.bench.compare import holm


def test_chi_square_factors() -> None:
    """Factors of a standard deviation at 95 %: 0.599 to 2.874 for 5, 0.796 to 1.344 for 30 (exact)."""
    table = outlook_of_sd(2.0, (5, 30)).set_index("sensors")
    assert table["low_factor"].tolist() == pytest.approx([0.599, 0.796], abs=5e-4)
    assert table["high_factor"].tolist() == pytest.approx([2.874, 1.344], abs=5e-4)
    assert table["high"][5] == pytest.approx(2 * 2.874, abs=1e-3)


def test_predictive_of_one_further_sensor() -> None:
    """Prediction factors at 95 %: 3.041 for 5 sensors, 2.373 for 10 (exact)."""
    for count, factor in ((5, 3.041), (10, 2.373)):
        assert predictive_share(0.0, 1.0, count, -factor, factor) == pytest.approx(0.95, abs=1e-4)


def test_one_sided_yield_bound_is_the_tolerance_factor() -> None:
    """With a limit at the exact one-sided factor 4.203 for n = 5 (95/95), the lower bound is 95 %."""
    table = outlook_of_yield(0.0, 1.0, -np.inf, 4.2027, (5,), confidence=0.90)
    assert table["share_low"][0] == pytest.approx(0.95, abs=0.004)


def test_more_sensors_tighten_the_yield() -> None:
    """The interval of the yield shrinks with each step, and the predictive rises to the plain share."""
    table = outlook_of_yield(0.0, 0.08, -0.2, 0.2)
    assert np.all(np.diff(table["share_low"]) > 0) and np.all(np.diff(table["share_high"]) < 0)
    assert np.all(np.diff(table["predictive"]) > 0)
    assert table["share"][0] == pytest.approx(1 - 2 * stats.norm.sf(2.5))


def test_plans_of_sensors_mountings_and_cycles() -> None:
    """More sensors narrow the spread of sensors; more cycles that of loadings; one mounting shows none."""
    rng = np.random.default_rng(1)
    sensor, mounting, _ = np.indices((6, 3, 5)).reshape(3, -1)
    values = (
        0.08 * rng.standard_normal((6, 1, 1))
        + 0.02 * rng.standard_normal((6, 3, 1))
        + 0.015 * rng.standard_normal((6, 3, 5))
    ).ravel()
    found = nested_components(values, {"sensor": sensor, "mounting": mounting}, residual="loading")
    table = outlook_of_components(found, [(6, 3, 5), (24, 3, 5), (6, 3, 20), (6, 1, 5)])
    ratio = table.set_index(["sensors", "mountings", "cycles", "level"])["ratio"]
    assert ratio[24, 3, 5, "sensor"] < 0.6 * ratio[6, 3, 5, "sensor"]
    assert ratio[6, 3, 20, "loading"] < ratio[6, 3, 5, "loading"]
    single = table[(table["mountings"] == 1) & (table["level"] == "mounting")]
    assert single["note"].tolist() == ["not measurable with one mounting"]


def test_residual_interval_of_a_plan_is_the_chi_square_one() -> None:
    """Of the innermost level the expected ends are the chi-square ends times the mean of s."""
    values = np.random.default_rng(2).standard_normal(90)
    sensor, mounting, _ = np.indices((6, 3, 5)).reshape(3, -1)
    found = nested_components(values, {"sensor": sensor, "mounting": mounting}, residual="loading")
    table = outlook_of_components(found, [(6, 3, 5)]).set_index("level")
    ends = found["loading"].sd * np.sqrt(72 / stats.chi2.ppf([0.975, 0.025], 72))
    assert table.loc["loading", ["low", "high"]].tolist() == pytest.approx(ends, rel=0.03)


def test_bad_counts() -> None:
    """One sensor has no spread, and a spread of zero no outlook."""
    with pytest.raises(ValueError, match="two or more sensors"):
        outlook_of_sd(1.0, (1,))
    with pytest.raises(ValueError, match="above zero"):
        outlook_of_yield(0.0, 0.0, -1, 1)


def figures(circuit: str, values, sensors=None, name="hysteresis", unit="%") -> list[Merit]:
    """Figures of single sensors with one circuit."""
    sensors = range(len(values)) if sensors is None else sensors
    return [
        Merit(name, float(v), None, None, unit, "", sensor=str(s), circuit=circuit, interface="i")
        for s, v in zip(sensors, values, strict=True)
    ]


def test_pairing_by_sensor_resolves_what_welch_does_not() -> None:
    """A shift of 0.1 in spread of 1 shows when the same sensors were measured, with the t test by hand."""
    base = np.random.default_rng(3).standard_normal(8)
    shift = 0.1 + 0.02 * np.random.default_rng(4).standard_normal(8)
    paired = compare(figures("a", base) + figures("b", base + shift), "circuit")
    row = paired.differences.iloc[0]
    assert row["test"] == "paired by sensor" and bool(row["resolved"])
    assert row["p"] == pytest.approx(stats.ttest_rel(base + shift, base).pvalue)
    assert "differs by" in paired.statements[0]
    apart = compare(figures("a", base) + figures("b", base + shift, range(8, 16)), "circuit")
    row = apart.differences.iloc[0]
    assert row["test"] == "Welch" and not row["resolved"]
    assert row["p"] == pytest.approx(stats.ttest_ind(base + shift, base, equal_var=False).pvalue)
    assert "no difference resolved" in apart.statements[0]


def test_holm() -> None:
    """Holm's adjustment by hand: 0.01, 0.04, 0.03 become 0.03, 0.06, 0.06."""
    assert holm(np.array([0.01, 0.04, 0.03])).tolist() == pytest.approx([0.03, 0.06, 0.06])


def test_false_alarms_stay_rare_over_many_figures() -> None:
    """Ten figures without any difference: at most 10 of 100 comparisons resolve one (5 expected)."""
    rng = np.random.default_rng(5)
    alarms = 0
    for _ in range(100):
        merits = []
        for k in range(10):
            merits += figures("a", rng.standard_normal(6), name=str(k))
            merits += figures("b", rng.standard_normal(6), name=str(k))
        alarms += bool(compare(merits, "circuit").differences["resolved"].any())
    assert alarms <= 10


def test_units_that_differ_are_not_compared() -> None:
    """A sensitivity in V/N is not held against one in counts."""
    merits = figures("a", [1, 2, 3], name="s", unit="V/N") + figures("b", [1, 2, 3], name="s", unit="count/N")
    assert compare(merits, "circuit").differences.empty


def test_one_setup_cannot_be_compared() -> None:
    """A single circuit leaves nothing to compare."""
    with pytest.raises(ValueError, match="needs two or more"):
        compare(figures("a", [1, 2]), "circuit")
