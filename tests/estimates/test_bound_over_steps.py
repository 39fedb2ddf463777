"""The lower bound where all units of an outer draw are alike, or nearly: the yields of the draws are 0 and 1."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from margin.estimates.outer_draws import END, bound_over_draws

CELLS, STUDIES, TARGET = 4, 300, 0.95
CHANCE = 1e-3


def order_statistics(yields: NDArray[np.float64], confidence: float) -> tuple[float, float]:
    """Interval of the 5 % point of any distribution by the binomial one; 0 where no draw is low enough.

    It errs in 1.25 % below and 2.5 % above at 95 % (David and Nagaraja, 'Order Statistics', 2003, 7.1).
    """
    missed = 1.0 - confidence
    count, ordered = yields.size, np.sort(yields)
    low = int(stats.binom.ppf(missed / 4.0, count, END))
    high = int(stats.binom.ppf(1.0 - missed / 2.0, count, END))
    return (float(ordered[low - 1]) if low else 0.0), float(ordered[high])


@given(st.integers(90, 600), st.integers(0, 60), st.sampled_from([0.9, 0.95, 0.975, 0.9875]))
@settings(max_examples=80, deadline=None)
def test_interval_over_alike_units_is_that_of_order_statistics(
    draws: int, failing: int, confidence: float
) -> None:
    """Of draws that fail or conform as a whole, the interval holds that of order statistics at the level asked for."""
    cells = np.ones((draws, CELLS))
    cells[:failing] = 0.0
    found = bound_over_draws(cells, 64.0, confidence)
    low, high = order_statistics(cells.mean(axis=1), confidence)
    assert found.low <= low
    assert found.high >= high
    assert found.low <= found.value <= found.high


@pytest.mark.parametrize(
    ("failing", "ratio"), [(p, r) for p in (0.04, 0.055) for r in (0.0, 1 / 300, 1 / 60)]
)
def test_verdicts_near_a_step_err_no_more_than_promised(failing: float, ratio: float) -> None:
    """Of 300 studies with 4 % of the draws failing no more say 'does not conform' than chance leaves of 2.5 %, and with
    5.5 % failing no more say 'conforms' than it leaves of 1.25 %, units alike or `ratio` times as wide as the draws."""
    rng, units, wrong = np.random.default_rng(7), 16, 0
    limit = stats.norm.isf(failing)
    for _ in range(STUDIES):
        margin = limit - rng.standard_normal(125)
        shares = stats.norm.cdf(margin / ratio) if ratio else (margin > 0.0).astype(float)
        cells = rng.binomial(units, shares[:, np.newaxis], (125, CELLS)) / units
        found = bound_over_draws(cells, float(units), 0.95)
        wrong += found.high < TARGET if failing < END else found.low >= TARGET
    promised = 0.025 if failing < END else 0.0125
    assert wrong <= stats.binom.ppf(1.0 - CHANCE, STUDIES, promised)


def test_interval_of_smooth_yields_stays_narrow() -> None:
    """Normal yields counted on many units have an interval at most half as wide again as the asymptotic one of a 5 %
    point, (1.96 + 2.24) sqrt(p (1 - p) / n) / density (from memory), and no narrower."""
    rng = np.random.default_rng(3)
    widths = []
    for _ in range(20):
        yields = np.clip(0.7 + 0.05 * rng.standard_normal(1000), 0.0, 1.0)
        found = bound_over_draws(
            rng.binomial(4096, yields[:, np.newaxis], (1000, CELLS)) / 4096, 4096.0, 0.95
        )
        widths.append(found.high - found.low)
    density = stats.norm.pdf(stats.norm.ppf(END)) / 0.05
    reach = stats.norm.ppf(0.975) + stats.norm.ppf(0.9875)
    exact = reach * np.sqrt(END * (1.0 - END) / 1000) / density
    assert exact < np.median(widths) < 1.5 * exact
