"""Subset sampling: unbiased in few and many factors, on rough limits, with an honest interval."""

from __future__ import annotations

import numpy as np
import pytest
from limit_states import KnownLimit, Limit
from rare_limits import linear, radial
from scipy.special import ndtr

from margin.estimates.rare import subset_sampling
from margin.estimates.rare.draws import Draws
from margin.estimates.rare.limit import CountedLimit
from margin.estimates.rare.subset import run_subset


@pytest.mark.parametrize("known", [linear(4.0, 2), radial(10, 6.0), radial(100, 13.0)], ids=lambda k: k.name)
def test_the_mean_of_many_replicates_is_exact(known: KnownLimit) -> None:
    """Adapting the chains does not shift the estimate, even with a hundred factors."""
    runs = [
        run_subset(CountedLimit(known.limit, known.limit.dimension), 1000, Draws(seed, "replicate"))
        for seed in range(100)
    ]
    ratios = np.array([run.probability for run in runs]) / known.probability
    assert abs(ratios.mean() - 1) <= 3 * ratios.std(ddof=1) / np.sqrt(len(ratios))


def test_the_chains_know_their_own_spread() -> None:
    """The coefficient of variation that one replicate claims is within a third of that between replicates."""
    known = linear(4.0, 5)
    runs = [run_subset(CountedLimit(known.limit, 5), 2000, Draws(seed, "spread")) for seed in range(60)]
    values = np.array([run.probability for run in runs])
    claimed = np.sqrt(np.mean([run.variation**2 for run in runs]))
    assert claimed == pytest.approx(values.std(ddof=1) / values.mean(), rel=1 / 3)


@pytest.mark.parametrize("known", [linear(4.5, 3), radial(10, 6.0)], ids=lambda k: k.name)
def test_the_stated_interval_covers_the_exact_value(known: KnownLimit) -> None:
    """Over 40 seeds the 95 % interval holds the truth in at least 90 %."""
    found = [subset_sampling(known.limit, seed=seed, target_cv=0.12) for seed in range(40)]
    assert np.mean([one.low <= known.probability <= one.high for one in found]) >= 0.9


def test_cliffs_and_plateaus_do_not_stop_the_levels() -> None:
    """A margin that takes few values still leads to the limit."""
    limit = Limit(2, lambda z: 4.0 - np.floor(np.maximum(z[0], z[1])) - 0.5)
    found = subset_sampling(limit, seed=2)
    assert found.low <= 1 - float(ndtr(4.0)) ** 2 <= found.high


def test_a_flat_margin_gives_no_number_but_a_caution() -> None:
    """A margin that only says kept or failed offers no levels to climb."""
    found = subset_sampling(Limit(2, lambda z: np.where(z[0] > 6.0, -1.0, 1.0)), seed=3)
    assert found.probability == 0
    assert "no failing draw" in found.warnings[0]


def test_a_small_budget_is_kept_or_said() -> None:
    """With a tenth of the usual budget the coefficient of variation is larger and the result says so."""
    found = subset_sampling(linear(4.5, 2).limit, budget=20_000, seed=4)
    assert found.evaluations <= 20_000
    assert any("raise the budget" in warning for warning in found.warnings)
