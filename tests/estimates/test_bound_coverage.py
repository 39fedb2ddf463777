"""Coverage of the lower bound through the engine, on cases whose bound is exact; the long run is a benchmark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from margin.backends.compiled.machine_code import can_compile
from margin.backends.run import run
from margin.estimates.yield_result import Estimate
from margin.estimates.yields import yield_of
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of
from margin.validation.cases import (
    ClosedCase,
    few_units,
    lots_and_gain,
    one_point,
    shared_gain,
    two_gains,
)

STUDIES = 60
CASES = (
    shared_gain(0.0196, 0.3),
    shared_gain(0.0258, 1.0),
    few_units(0.025, 6),
    one_point(0.015, 1.0, 1),
    two_gains(0.0258, 0.3, 0.5),
    lots_and_gain(0.0258, 0.5, 0.3),
)
RARE = 5e-5
"""Chance of a right program to miss one of the 14 limits: it meets all of them with more than 0.999."""


def bounds(closed: ClosedCase, outer: int, inner: int, first: int, studies: int) -> list[Estimate]:
    """Lower bound of studies with seeds from `first` on; by a kernel, where there is a compiler, in half the time."""
    case = closed.case(units=outer * inner, outer=outer)
    model, plan, found = model_of(case), plan_of(case), []
    for seed in range(first, first + studies):
        drawn = run(
            case, model=replace(model, seed=seed), plan=plan, workers=1, compiled=can_compile() or None
        )
        (tally,) = drawn.tallies.values()
        found.append(yield_of(plan.frame, tally, case.requirement.counts, 0.95).bound)
    return found


def least(studies: int) -> int:
    """Fewest of so many studies that hold the truth, for a coverage of 95 %."""
    return int(stats.binom.ppf(RARE, studies, 0.95))


def most(studies: int) -> int:
    """Most of so many studies that lie wholly above the truth, for half of an error of 5 %."""
    return int(stats.binom.ppf(1.0 - RARE, studies, 0.025))


@pytest.fixture(scope="module")
def counted() -> dict[str, tuple[int, int]]:
    """Studies of each case that hold the truth and that lie wholly above it, each case with seeds of its own."""
    found = {}
    for number, closed in enumerate(CASES):
        truth = closed.exact.bound
        each = bounds(closed, 400, 256, 1000 * (number + 1), STUDIES)
        held = sum(one.low <= truth <= one.high for one in each)
        found[closed.title] = held, sum(one.low > truth for one in each)
    return found


@pytest.mark.parametrize("title", [closed.title for closed in CASES])
def test_interval_of_each_case_covers(counted: dict[str, tuple[int, int]], title: str) -> None:
    """Of 60 studies of default size as many hold the exact lower bound as a coverage of 95 % leaves by chance, and no
    more lie wholly above it than half of the error does."""
    held, above = counted[title]
    assert held >= least(STUDIES)
    assert above <= most(STUDIES)


def test_intervals_of_all_cases_cover_together(counted: dict[str, tuple[int, int]]) -> None:
    """The same over all 360 studies, where chance leaves less room."""
    held, above = (sum(each) for each in zip(*counted.values(), strict=True))
    assert held >= least(STUDIES * len(CASES))
    assert above <= most(STUDIES * len(CASES))


@pytest.mark.parametrize("closed", CASES[:2], ids=lambda closed: closed.title)
def test_interval_narrows_about_the_exact_bound(closed: ClosedCase) -> None:
    """From small to default to large the median width over five studies falls each time, and the median distance of the
    value from the exact bound falls from the first to the last."""
    widths, distances = [], []
    for outer, inner in ((100, 128), (400, 256), (1000, 1024)):
        found = bounds(closed, outer, inner, 1, 5)
        widths.append(np.median([one.high - one.low for one in found]))
        distances.append(np.median([abs(one.value - closed.exact.bound) for one in found]))
    assert widths[0] > widths[1] > widths[2]
    assert distances[2] < distances[0]
