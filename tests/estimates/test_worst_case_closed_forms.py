"""The three methods on whole cases whose ranges have closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pad_study import NONE, pad_case

from margin.backends.run import run
from margin.case import Case
from margin.estimates.worst_case import worst_cases


def ways_of(case: Case) -> pd.DataFrame:
    """Worst case of the one option."""
    result = run(case, workers=1)
    ((_, found),) = worst_cases(result.model, result.plan.frame, result.tallies)
    return found.ways


def test_sum_of_normal_inputs() -> None:
    """Two offsets of normal shape add in squares, in either order; the extreme values add as they are, and the draws
    have the range of the root sum square: all closed forms of the normal distribution."""
    spread = "4 uS +/- 0.3 % (1 sigma)"
    case = pad_case(
        NONE,
        sensor={"sensitivity": spread},
        circuit={"feedback": "60 kohm +/- 0.4 % (1 sigma)"},
        study={"units": 16384, "points": "sobol"},
    )
    frame = ways_of(case)
    load = frame["load_N"].to_numpy()
    for column in ("root_sum_square_N", "root_sum_square_second_N"):
        assert frame[column].to_numpy() == pytest.approx(3.0 * 0.005 * load, rel=1e-3)
    assert frame["extreme_high_N"].to_numpy() == pytest.approx((1.009 * 1.012 - 1.0) * load, rel=1e-4)
    assert frame["monte_carlo_high_N"].to_numpy() == pytest.approx(3.0 * 0.005 * load, rel=0.05)
    assert set(frame["verdict"]) == {"the three methods agree"}
    assert frame["extreme_over_draws"].to_numpy() == pytest.approx(1.4, rel=0.05)
    assert frame["why"].str.endswith("as pessimistic as 2 equal causes all at their limits").all()


def test_product_of_two_wide_inputs() -> None:
    """The product of two independent factors of mean 1 has the variance a^2 + b^2 + a^2 b^2 (closed form): first
    order leaves out the last term, second order has all of it."""
    a, b = 0.18, 0.15
    case = pad_case(
        NONE,
        load={"range": "2 N to 10 N", "check": ["2 N", "5 N", "8 N"]},
        sensor={"sensitivity": f"4 uS +/- {100 * a} % (1 sigma)"},
        circuit={"feedback": f"60 kohm +/- {100 * b} % (1 sigma)"},
    )
    frame = ways_of(case)
    load = frame["load_N"].to_numpy()
    first, second = 3.0 * np.hypot(a, b), 3.0 * np.sqrt(a**2 + b**2 + (a * b) ** 2)
    assert frame["root_sum_square_N"].to_numpy() == pytest.approx(first * load, rel=1e-6)
    assert frame["root_sum_square_second_N"].to_numpy() == pytest.approx(second * load, rel=1e-6)
    assert frame["rss_second_mean_N"].to_numpy() == pytest.approx(0.0, abs=1e-9)


def lens(distance: float, radius: float) -> float:
    """Overlap of two equal circles over the area of one: 2 / pi (acos t - t sqrt(1 - t^2)), t = d / 2R (closed form of
    the circular segment)."""
    t = distance / (2.0 * radius)
    return 2.0 / np.pi * float(np.arccos(t) - t * np.sqrt(1.0 - t**2))


@pytest.mark.parametrize("bits", [None, 24, 10])
def test_overlap_of_two_circles(bits: int | None) -> None:
    """A concentrator as large as the sensing area loses load wherever it lies aside, and by symmetry no offset has a
    first-order term. With e the loss one standard deviation u aside, each of two axes has the curvature 2 e: with
    second order the mean is 2 e and the standard uncertainty 2 |e|. The extreme value is the overlap 3 sqrt(2) u
    aside (closed form of the overlap). The verdict is that root sum square is too narrow."""
    radius, u = 5.0, 0.5
    puck = {
        "kind": "load concentrator",
        "concentrator_radius": f"{radius} mm",
        "sensing_radius": f"{radius} mm",
        "placement": f"{u} mm",
    }
    converter = {} if bits is None else {"converter": {"bits": bits}}
    case = pad_case(
        NONE, interface=puck, load={"check": ["20 N", "60 N"]}, study={"units": 4000}, **converter
    )
    frame = ways_of(case)
    load = frame["load_N"].to_numpy()
    count = 0.0 if bits is None else 60.0 / 0.72 / 2**bits
    e = lens(u, radius) - 1.0
    rounding = 3.0 * count / np.sqrt(12.0)
    assert frame["root_sum_square_N"].to_numpy() == pytest.approx(rounding, rel=0.01, abs=1e-9)
    second = np.hypot(3.0 * 2.0 * abs(e) * load, rounding)
    assert frame["root_sum_square_second_N"].to_numpy() == pytest.approx(second, rel=1e-3)
    assert frame["rss_second_mean_N"].to_numpy() == pytest.approx(2.0 * e * load, rel=1e-3)
    farthest = lens(3.0 * np.sqrt(2.0) * u, radius) - 1.0
    assert frame["extreme_low_N"].to_numpy() == pytest.approx(farthest * load, rel=1e-3, abs=count)
    assert frame["verdict"].str.startswith("root sum square too narrow").all()
    assert frame["why"].str.startswith("no first-order term: interface.placement").all()
