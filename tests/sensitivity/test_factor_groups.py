"""Factors into groups."""

from __future__ import annotations

import numpy as np
import pytest

from margin.estimates.sensitivity import DependentGroups, FactorLabels, check_independent, group_columns

FACTORS = (
    FactorLabels("sensitivity", "sensor", "unit", "production"),
    FactorLabels("exponent", "sensor", "unit", "production"),
    FactorLabels("feedback resistor", "amplifier", "unit", "tolerance"),
    FactorLabels("reference", "converter", "unit", "tolerance"),
    FactorLabels("reload", "sensor", "loading", "noise"),
)


@pytest.mark.parametrize(
    ("by", "expected"),
    [
        ("factor", ("sensitivity", "exponent", "feedback resistor", "reference", "reload")),
        ("part", ("sensor", "sensor", "amplifier", "converter", "sensor")),
        ("level", ("unit", "unit", "unit", "unit", "loading")),
        ("cause", ("production", "production", "tolerance", "tolerance", "noise")),
    ],
)
def test_factors_are_grouped_by_what_an_engineer_asks(by: str, expected: tuple[str, ...]) -> None:
    """Every factor gets the group its label names, in the order of the factors."""
    assert group_columns(FACTORS, by) == expected  # type: ignore[arg-type]


def test_correlated_factors_become_one_group() -> None:
    """Correlated factors merge into a group named after both, other factors stay alone."""
    groups = group_columns(FACTORS, correlated=[("exponent", "sensitivity")])
    assert groups[:3] == ("sensitivity + exponent", "sensitivity + exponent", "feedback resistor")


def test_correlations_chain_and_merge_the_parts_they_touch() -> None:
    """Sets that share a factor merge into one; by part, whole parts merge."""
    tied = [("sensitivity", "reference"), ("reference", "feedback resistor")]
    name = "sensitivity + feedback resistor + reference"
    assert group_columns(FACTORS, correlated=tied) == (name, "exponent", name, name, "reload")
    assert set(group_columns(FACTORS, "part", tied)) == {"sensor + amplifier + converter"}


def test_unknown_and_doubled_names_are_refused() -> None:
    """A factor that does not exist, one named twice, and an unknown way to group are named errors."""
    with pytest.raises(ValueError, match="'humidity'"):
        group_columns(FACTORS, correlated=[("humidity", "reload")])
    with pytest.raises(ValueError, match=r"more than once: \['reload'\]"):
        group_columns((*FACTORS, FACTORS[-1]))
    with pytest.raises(ValueError, match="cannot group by 'colour'"):
        group_columns(FACTORS, "colour")  # type: ignore[arg-type]


def test_correlation_across_groups_is_refused_and_within_is_not() -> None:
    """Sobol indices ask for independent groups: the error names the pair and both ways out."""
    correlation = np.eye(3)
    correlation[0, 1] = correlation[1, 0] = 0.6
    check_independent(("a", "a", "b"), correlation)
    with pytest.raises(DependentGroups, match=r"'a' and 'b'.*Shapley"):
        check_independent(("a", "b", "b"), correlation)
    with pytest.raises(ValueError, match=r"shape \(3, 3\) for 2 columns"):
        check_independent(("a", "b"), correlation)
