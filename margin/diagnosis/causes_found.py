"""Causes of what a comparison with a case found, and the tests that would tell more."""

from __future__ import annotations

from dataclasses import dataclass

from margin.case.types import Case
from margin.diagnosis.baseline import Baseline
from margin.diagnosis.catalogue import causes_of
from margin.diagnosis.next_test import ProposedTest, inquiry_of
from margin.diagnosis.observation import Observation
from margin.diagnosis.predictions import predict
from margin.diagnosis.prototype import Prototype
from margin.diagnosis.ranking import Diagnosis, diagnose
from margin.propagation.threads import own_threads_alone

UNITS, SIZES, TEST_UNITS, SAMPLES = 500, 8, 200, 30
"""Units drawn for each size of each cause, sizes, units drawn for each test, outcomes of each."""

LEAST_INFORMATION = 0.25
"""Bits below which a test is not named unless it leads: less than that is expected of tests that tell nothing
(tests/benchmarks/confusion.md)."""


@dataclass(frozen=True)
class CausesFound:
    """Causes by falling probability, with classes that act alike, and further tests by information for their effort."""

    ranking: Diagnosis
    tests: tuple[ProposedTest, ...]

    @property
    def hidden(self) -> tuple[str, ...]:
        """Causes that the readings cannot show, or that only readings at several temperatures tell from others."""
        predicted = self.ranking.predicted
        untold = [one.name for one in causes_of(predicted.case) if one.name not in predicted.names()]
        return (*self.ranking.hidden, *untold)


def why_no_causes(prototype: Prototype, baseline: Baseline) -> str | None:
    """Why causes cannot be ranked for these readings; None where they can."""
    if baseline.by != "case":
        return "causes are ranked against a case: compare with the case in place of the bench"
    if prototype.quantity in ("conductance", "ratio"):
        return "the readings are of the sensor by itself: give those of the finished prototype (voltage, code or loads)"
    return None


def causes_found(case: Case, prototype: Prototype, baseline: Baseline) -> CausesFound:
    """Rank the causes of the catalogue by the runs and the hold of the prototype."""
    assert baseline.plan is not None
    observation = Observation(
        baseline.plan, baseline.indicated, prototype.label, baseline.held, baseline.elsewhere
    )
    with own_threads_alone():
        ranking = diagnose(predict(case, baseline.plan, units=UNITS, sizes=SIZES), observation)
        tests = inquiry_of(ranking, units=TEST_UNITS).ranked(SAMPLES)
    return CausesFound(
        ranking,
        tuple(
            test for place, test in enumerate(tests) if place == 0 or test.information >= LEAST_INFORMATION
        ),
    )
