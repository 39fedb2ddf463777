"""Nested components against the one-way analyses of variance of the NIST Statistical Reference Datasets."""

import numpy as np
import pytest
from strd_files import certified_line, digits, table

from margin.bench import nested_components

EXPECTED_DIGITS = {"SiRstv": 11, "AtmWtAg": 8, "SmLs07": 4}
"""AtmWtAg and SmLs07 lose digits when their text is read as double precision, not in the sums."""


@pytest.mark.parametrize("name", EXPECTED_DIGITS)
def test_certified_table(name: str) -> None:
    """Degrees of freedom, sums of squares and F agree with the certified table."""
    data = table(name)
    found = nested_components(data[:, 1], {"group": data[:, 0]}).anova
    between = certified_line(name, "Between")
    within = certified_line(name, "Within")
    assert found["dof"].tolist() == [between[0], within[0]]
    expected = EXPECTED_DIGITS[name]
    assert digits(found["sum_of_squares"][0], between[1]) > expected
    assert digits(found["sum_of_squares"][1], within[1]) > expected
    assert digits(found["F"][0], between[3]) > expected


def test_one_way_between_component_of_sirstv() -> None:
    """SiRstv: component between instruments is (MS between - MS within) / 5, from the certified squares."""
    data = table("SiRstv")
    found = nested_components(data[:, 1], {"instrument": data[:, 0]})
    between, within = certified_line("SiRstv", "Between"), certified_line("SiRstv", "Within")
    assert found["instrument"].variance == pytest.approx((between[2] - within[2]) / 5, rel=1e-10)
    assert found["reading"].sd == pytest.approx(0.104076068334656, rel=1e-10)


def test_leading_digits_do_not_reach_the_components() -> None:
    """SmLs07 carries 13 constant leading digits; its residual standard deviation of 0.1 survives."""
    data = table("SmLs07")
    found = nested_components(data[:, 1], {"treatment": data[:, 0]})
    assert found["reading"].sd == pytest.approx(0.1, rel=1e-3)
    assert found["treatment"].sd == pytest.approx(np.sqrt((0.21 - 0.01) / 21), rel=1e-3)
    assert found.mean == pytest.approx(1e12 + 0.4, abs=0.1)
