"""The smallest permissible error that a design would pass."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from margin.case.types import Case
from margin.estimates.advice.trials import drawn, yield_in
from margin.estimates.yields import share_below
from margin.propagation.run_result import RunResult

MULTIPLES = np.geomspace(1.0, 4096.0, 800)
"""Of the permissible error; none beyond is sought."""

PARTS = ("reading", "span", "full_scale", "rated", "absolute")
"""Parts of a permissible error."""

WIDER, CLOSE = 1.3, 1.05
"""First step of the search, and the ratio to which the multiple is found."""


def passing_multiple(found: RunResult, workers: int | None = None) -> float | None:
    """Smallest multiple of the permissible error at which the interval of the lower bound reaches the target.

    found  trial of a case that does not pass (see `trial_case`)

    On the same draws a wider limit never loses a unit, so that the verdict changes once. The search starts where the
    pooled yield reaches the target and ends within 5 %, rounded up to two significant digits. None beyond MULTIPLES.
    """
    case = found.model.case
    (tally,) = found.tallies.values()
    reached = share_below(tally, MULTIPLES) >= case.requirement.target
    if not reached.any():
        return None
    low, high = 1.0, float(MULTIPLES[int(np.argmax(reached))]) * CLOSE
    while not _passes(case, high, workers):
        low, high = high, WIDER * high
        if high > MULTIPLES[-1]:
            return None
    while high / low > CLOSE and low > 1.0:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if _passes(case, middle, workers) else (middle, high)
    return rounded_up(high)


def halving_multiple(found: RunResult) -> float:
    """Multiple of the permissible error that about half of the units of a trial keep: there a yield moves most."""
    (tally,) = found.tallies.values()
    return float(MULTIPLES[int(np.argmax(share_below(tally, MULTIPLES) >= 0.5))])


def widened(case: Case, multiple: float) -> Case:
    """The case with a permissible error so many times as large."""
    need = case.requirement
    parts = {part: getattr(need, part) * multiple for part in PARTS}
    return dataclasses.replace(case, requirement=dataclasses.replace(need, **parts))


def rounded_up(value: float) -> float:
    """The next value with two significant digits."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return round(math.ceil(value / unit - 1e-9) * unit, 12)


def _passes(case: Case, multiple: float, workers: int | None) -> bool:
    found = yield_in(drawn(widened(case, multiple), workers))
    return found.verdict(case.requirement.target) == "conforms"
