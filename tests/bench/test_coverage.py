"""Intervals from invented benches of known truth, bounded in size; in full: tests/benchmarks/bench_coverage.py."""

from invented_bench import TRUTH, coverage
from scipy import stats

BENCHES, RISK = 40, 1e-3


def test_intervals_from_readings_cover_the_truth() -> None:
    """Of 40 invented benches, read, judged and analysed as an engineer would, the 95 % intervals of sensitivity,
    spreads, reload scatter, drift and yield hold the truth in as many as 90 % to 98 % coverage would but for a
    chance of 1 in 1000 a figure: 31 to 40."""
    hits = coverage(BENCHES, seed=31)
    least = int(stats.binom.ppf(RISK / 2, BENCHES, 0.90))
    most = int(stats.binom.ppf(1 - RISK / 2, BENCHES, 0.98))
    assert set(hits) == set(TRUTH)
    assert all(least <= count <= most for count in hits.values()), hits
