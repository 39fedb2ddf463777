"""Sentences about fitted lives: what few failures leave of their intervals."""

from __future__ import annotations

from margin.estimates import numbers

FEW = 30
"""Failures below which the intervals of a fit are told to be too narrow."""

BELOW_THE_LIMIT = {3: 0.129, 5: 0.080, 10: 0.054, 20: 0.043}
"""Failures, and share of samples whose true life by which 10 % fail lies below the lower limit of its 95 % interval,
the largest of complete and half censored ones (tests/benchmarks/life_coverage.md); 0.025 is meant."""


def few_failures(failures: int, mend: str) -> tuple[str, ...]:
    """What fewer than FEW failures leave of the intervals, with what to do; nothing for more.

    >>> few_failures(12, "Test more units")[0][:60]
    '12 failures: intervals from fewer than 30 are too narrow, mo'
    """
    if failures >= FEW:
        return ()
    like = max((each for each in BELOW_THE_LIMIT if each <= failures), default=min(BELOW_THE_LIMIT))
    share = numbers.percent(BELOW_THE_LIMIT[like], digits=2)
    return (
        f"{failures} failures: intervals from fewer than {FEW} are too narrow, most of all on the unsafe side. With "
        f"{like} failures the true life by which 10 % fail lies below the lower limit in {share} of samples, where "
        f"2.5 % are meant at 95 % confidence. {mend}, or keep a distance from that limit.",
    )
