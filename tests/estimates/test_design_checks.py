"""Design checks: the share of units that may exceed them, and that the verdict does not hang on the worst draw."""

from __future__ import annotations

import dataclasses

import pytest
from pad_study import NONE, pad_case

from margin.case import Case
from margin.estimates.design_checks import design_checks
from margin.estimates.results import DesignCheck
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of


def pad(sensor_limit: str, seed: int = 3) -> Case:
    """60 N give 12 uS and, at 1.2 V, 14.4 uA, with a normal spread of 2 %."""
    return pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 2 % (1 sigma)", "current_limit": sensor_limit},
        study={"units": 10_000, "seed": seed, "draw": "all units"},
    )


def current(case: Case) -> DesignCheck:
    return next(c for c in design_checks(model_of(case), plan_of(case)) if c.name == "sensor current")


def exact(sigmas: float) -> str:
    """Limit that lies so many standard deviations above the current at 60 N of a pad as designed."""
    return f"{1.2 * 4 * (60 / 20) * (1.0 + 0.02 * sigmas):.4f} uA"


@pytest.mark.parametrize(("sigmas", "verdict"), [(2.0, "exceeded"), (4.0, "kept")])
def test_a_share_of_units_decides(sigmas: float, verdict: str) -> None:
    """A limit that 2.3 % of the units exceed is exceeded, one that 0.003 % exceed is kept, for every seed (normal
    distribution; 0.1 % is the share allowed)."""
    assert {current(pad(exact(sigmas), seed)).verdict for seed in range(8)} == {verdict}


def test_the_unit_that_most_are_better_than_is_shown() -> None:
    """The value lies near the 99.9 % point of the current, 3.09 standard deviations above the design."""
    found = current(pad("30 uA"))
    assert found.value == pytest.approx(14.4e-6 * (1.0 + 0.02 * 3.09), rel=0.008)
    assert found.margin == pytest.approx((30e-6 - found.value) / 30e-6)
    assert "0 of 4000 exceed it" in found.note


def test_more_units_do_not_exceed_more_checks() -> None:
    """The verdict follows from a share: a study of more units keeps what one of fewer keeps."""
    case = pad(exact(3.6))
    more = dataclasses.replace(case, study=dataclasses.replace(case.study, units=100_000))
    assert current(case).verdict == current(more).verdict == "kept"
