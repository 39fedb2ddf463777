"""Draw every case by the engine and hold what it finds against the exact values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from margin.backends.run import run
from margin.estimates.yields import yield_of
from margin.validation import parts
from margin.validation.cases import ClosedCase, all_cases
from margin.validation.line import Line

CONFIDENCE = 0.999
"""Of every interval: with some 50 lines a right program then agrees in all of them for about 19 seeds in 20."""

OUTER, INNER, UNITS = 1000, 256, 200_000
"""Outer draws and units in each; units of a case in which nothing is unknown."""

Check = Callable[[], list[Line]]


def checks(seed: int, workers: int | None = None) -> tuple[Check, ...]:
    """What is to be compared, in the order in which it is shown; each call gives its lines.

    seed     of the study: each case has draws of its own, so that chance does not strike several lines at once
    workers  threads, by default one a core
    """
    cases = all_cases()
    return (
        parts.intervals,
        parts.sample_sizes,
        parts.quarter_bridge,
        parts.thermal_noise,
        parts.parabola,
        partial(parts.indices, seed, CONFIDENCE),
        *(partial(compare, closed, len(cases) * seed + i, workers) for i, closed in enumerate(cases)),
    )


def compare(closed: ClosedCase, seed: int, workers: int | None = None) -> list[Line]:
    """Yield of a case, and its lower bound where something is unknown, against the exact values."""
    study = {"units": OUTER * INNER, "outer": OUTER} if closed.unknown else {"units": UNITS}
    case = closed.case(CONFIDENCE, seed=seed, **study)
    drawn = run(case, workers=workers)
    (tally,) = drawn.tallies.values()
    found = yield_of(drawn.plan.frame, tally, case.requirement.counts, case.requirement.confidence)
    sampled, bound = found.sampled, found.bound
    share = Line(
        closed.family, f"yield, {closed.title}", closed.source, closed.exact.share,
        sampled.value, sampled.low, sampled.high,
    )  # fmt: skip
    if not closed.unknown:
        return [share]
    lower = replace(
        share, what=f"lower bound, {closed.title}", expected=closed.exact.bound,
        computed=bound.value, low=bound.low, high=bound.high,
    )  # fmt: skip
    return [share, lower]
