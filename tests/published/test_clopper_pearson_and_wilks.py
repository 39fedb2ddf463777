"""Published and exact values of intervals of shares and of sample sizes by order statistics."""

from __future__ import annotations

import pytest

from margin.estimates.intervals import clopper_pearson, sample_size_one_sided, sample_size_two_sided


def test_clopper_pearson_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook, 7.2.4.1 (from memory): 4 defects in 20, two-sided 90 %."""
    low, high = clopper_pearson(4, 20, 0.90)
    assert low == pytest.approx(0.071354, abs=1e-6)
    assert high == pytest.approx(0.401029, abs=2e-6)


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [
        (4, 20, 0.0573340, 0.4366140),
        (0, 10, 0.0, 0.3084971),
        (15, 20, 0.5089541, 0.9134285),
        (10, 100, 0.0490047, 0.1762226),
        (1, 100, 0.000253146, 0.0544594),
        (5, 1000, 0.00162542, 0.01162947),
        (27, 10_000, 0.001780, 0.003926),
        (0, 100, 0.0, 0.0362167),
    ],
)
def test_clopper_pearson_exact(successes: int, trials: int, low: float, high: float) -> None:
    """95 % intervals of Clopper and Pearson, Biometrika 26, 1934, recomputed from the binomial
    distribution."""
    found = clopper_pearson(successes, trials)
    assert found == pytest.approx((low, high), rel=2e-4 if trials == 10_000 else 2e-6)
    mirrored = clopper_pearson(trials - successes, trials)
    assert mirrored == pytest.approx((1 - high, 1 - low), rel=2e-4 if trials == 10_000 else 2e-6)


def test_clopper_pearson_with_no_failure_is_wilks() -> None:
    """No failure in 59: the one-sided 95 % bound falls below 5 %, the same fact as Wilks' 59."""
    assert clopper_pearson(0, 59, 0.90)[1] == pytest.approx(0.0495076, abs=1e-7)
    assert clopper_pearson(0, 58, 0.90)[1] > 0.05
    assert clopper_pearson(0, 100, 0.90)[1] == pytest.approx(1 - 0.05 ** (1 / 100), rel=1e-12)


@pytest.mark.parametrize("wrong", [(-1, 10), (11, 10), (0, 0)])
def test_impossible_counts_are_refused(wrong: tuple[float, float]) -> None:
    """Successes outside of 0 to trials, and no trials, are refused."""
    with pytest.raises(ValueError, match="within 0 and trials"):
        clopper_pearson(*wrong)


ONE_SIDED = {
    0.90: (22, 29, 44),
    0.95: (45, 59, 90),
    0.99: (230, 299, 459),
    0.999: (2302, 2995, 4603),
}
TWO_SIDED = {
    0.90: (38, 46, 64),
    0.95: (77, 93, 130),
    0.99: (388, 473, 662),
    0.999: (3889, 4742, 6636),
}


@pytest.mark.parametrize("share", ONE_SIDED)
@pytest.mark.parametrize("column", [0, 1, 2])
def test_sample_sizes_of_wilks(share: float, column: int) -> None:
    """Smallest samples, Wilks, Annals of Mathematical Statistics 12, 1941, at confidence 90, 95 and 99 %."""
    confidence = (0.90, 0.95, 0.99)[column]
    assert sample_size_one_sided(share, confidence) == ONE_SIDED[share][column]
    assert sample_size_two_sided(share, confidence) == TWO_SIDED[share][column]


@pytest.mark.parametrize("wrong", [(0.0, 0.95), (1.0, 0.95), (0.95, 1.0)])
def test_impossible_shares_are_refused(wrong: tuple[float, float]) -> None:
    """Shares and confidences outside (0, 1) are refused."""
    for size in (sample_size_one_sided, sample_size_two_sided):
        with pytest.raises(ValueError, match=r"inside \(0, 1\)"):
            size(*wrong)
