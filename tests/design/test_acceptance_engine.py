"""Risks of simulated acceptance tests against closed forms, and what must hold of any counts."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from accept_cases import LIMITS, SCATTER, SD, line
from pad_study import EVERY_LEVEL, NONE, ONE_POINT, TWO_POINT, pad_case
from scipy import optimize, stats

from margin.backends.run import run
from margin.case import Case
from margin.design.acceptance.counts import Counted, draw_and_count, limits_of
from margin.design.acceptance.evaluate import acceptance
from margin.design.acceptance.result import Acceptance, LimitRisks
from margin.design.acceptance.risks import GlobalRisks, global_risks
from margin.design.acceptance.station_test import StationTest, permissible_at, units_at_test
from margin.estimates.yield_result import Estimate
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of


def exact(limit: float, bias: float = 0.0, scatter: float = SCATTER) -> GlobalRisks:
    """Closed form at a test limit."""
    return global_risks(SD, scatter, (-1.0, 1.0), (-limit, limit), bias=bias)


def at(found: Acceptance, limit: float) -> LimitRisks:
    return next(row for row in found.limits if row.limit == limit)


def holds(estimate: Estimate, value: float) -> bool:
    return estimate.low <= value <= estimate.high


@pytest.mark.parametrize("points", ["random", "sobol"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_risks_are_the_closed_forms(points: str, seed: int) -> None:
    """Each share of each limit has the closed form of normal units and a normal measurement in its interval at 99.9 %,
    in use and at the station."""
    found = acceptance(line(seed, study={"points": points}), "none", limits=LIMITS, workers=1)
    for limit in LIMITS:
        wanted = exact(limit)
        for judged in (at(found, limit).use, at(found, limit).station):
            assert holds(judged.shipped_bad.sampled, wanted.consumer), (limit, judged.shipped_bad)
            assert holds(judged.scrapped_good.sampled, wanted.producer), (limit, judged.scrapped_good)
            assert holds(judged.bad_of_shipped.sampled, wanted.consumer_of_accepted)
            assert holds(judged.scrapped_of_good.sampled, wanted.producer_of_conforming)
            assert holds(judged.bad.sampled, 1.0 - wanted.conforming)
        assert holds(at(found, limit).scrapped.sampled, 1.0 - wanted.accepted)
    assert found.expanded == pytest.approx(2.0 * SCATTER, rel=0.05)
    assert found.ratio == pytest.approx(4.0, rel=0.05)


def test_a_shared_reference_is_epistemic_uncertainty() -> None:
    """With a reference gain common to all units of a station the mean risk is that of both errors together, and the
    upper bound is that of a reference at its 95 % point."""
    gain = 0.1
    found = acceptance(line(3, 40_000, gain, study={"outer": 200}), "none", limits=LIMITS, workers=1)
    assert found.outer == 200
    limit = 1.1
    wanted = global_risks(SD, math.hypot(SCATTER, gain), (-1.0, 1.0), (-limit, limit))
    judged = at(found, limit).use
    assert holds(judged.shipped_bad.sampled, wanted.consumer)
    assert holds(judged.scrapped_good.sampled, wanted.producer)
    far = exact(limit, bias=gain * float(stats.norm.ppf(0.975)))
    assert holds(judged.shipped_bad.bound, far.consumer)
    assert judged.shipped_bad.draws is not None
    assert judged.shipped_bad.draws[0] < wanted.consumer < judged.shipped_bad.draws[1]


@pytest.mark.parametrize(("of", "risk"), [("produced", 0.008), ("shipped", 0.008)])
def test_the_chosen_limit_keeps_the_risk(of: str, risk: float) -> None:
    """The limit of a stated risk keeps it by the closed form; that by the estimate comes as near as its units allow."""
    found = acceptance(line(2, 8000), "none", risk=risk, of=of, workers=1)  # type: ignore[arg-type]
    limit = found.chosen.limit
    assert found.verdict == "conforms" and limit is not None and 0.5 < limit < 1.0
    true = exact(limit)
    assert (true.consumer if of == "produced" else true.consumer_of_accepted) <= risk
    assert found.chosen_risk.bound.high <= risk
    assert found.estimated is not None and found.estimated.limit is not None
    assert limit < found.estimated.limit
    near = exact(found.estimated.limit)
    assert (near.consumer if of == "produced" else near.consumer_of_accepted) == pytest.approx(risk, rel=0.35)


def test_no_limit_keeps_a_risk_that_the_test_cannot_see() -> None:
    """Where units fail in use by what the test does not see, no limit keeps the risk; without a need no test is asked
    for."""
    drift = {"sensitivity": f"4 uS +/- {2 * SD} % (2 sigma)", "temperature_coefficient": "0.05 %/K"}
    hot = {"temperature": "5 degC to 60 degC"}
    case = line(1, 3000, sensor=drift, use=hot)
    found = acceptance(case, "none", risk=0.05, workers=1)
    assert found.verdict == "does not conform"
    assert found.chosen.use.bad_of_shipped.sampled.value > 0.3
    assert found.chosen.station.bad_of_shipped.sampled.value < 0.05
    assert found.field_verdict == "does not conform"
    lenient = acceptance(line(1, 3000), "none", risk=0.2, workers=1)
    assert lenient.verdict == "conforms" and lenient.chosen.limit is None


def test_guard_bands_are_multiples_of_the_expanded_uncertainty() -> None:
    """Rules give limits 1 - r U, rounded down to a step; their risks are the closed forms there."""
    found = acceptance(line(4), "none", workers=1)
    rules = {rule.name: rule for rule in found.rules}
    for name, multiple in (("simple acceptance", 0.0), ("guard band 0.5 U", 0.5), ("guard band 1 U", 1.0)):
        rule = rules[name]
        assert rule.guard_band == pytest.approx(multiple * found.expanded)
        assert rule.risks is not None and rule.risks.limit is not None
        assert 0.0 <= 1.0 - multiple * found.expanded - rule.risks.limit < 0.002
        wanted = exact(rule.risks.limit)
        assert holds(rule.risks.use.scrapped_good.sampled, wanted.producer)
    assert rules["no test"].risks is not None and rules["no test"].risks.scrapped.sampled.value == 0.0


def test_lowest_cost_is_that_of_the_closed_form() -> None:
    """The range of cheapest limits holds the optimum of the closed form, and the interval of the cost its cost."""
    bad, good = 100.0, 8.0
    found = acceptance(line(5, 8000), "none", cost_bad=bad, cost_good=good, workers=1)

    def cost(limit: float) -> float:
        risks = exact(limit)
        return bad * risks.consumer + good * risks.producer

    best = optimize.minimize_scalar(cost, bounds=(0.3, 1.5), method="bounded")
    costs = found.costs
    assert costs is not None and costs.limit is not None and costs.low is not None and costs.high is not None
    assert costs.low <= float(best.x) <= costs.high < 1.1
    assert costs.low <= costs.limit <= costs.high
    assert cost(costs.limit) == pytest.approx(float(best.fun), rel=0.05)
    assert holds(costs.cost, cost(costs.limit))
    assert holds(costs.untested, bad * (1.0 - exact(1.0).conforming))


def counted(case: Case, test: StationTest, workers: int = 1, block: int | None = None) -> Counted:
    return draw_and_count(
        model_of(case), plan_of(case), test, limits_of((0.333,)), workers=workers, block=block
    )


def every_level(*options: dict[str, object], **study: object) -> Case:
    """One option at every level of variation."""
    return pad_case(*options, **EVERY_LEVEL, study={"units": 600, "outer": 3, "units_per_lot": 33, **study})


@pytest.mark.parametrize(
    "option",
    [
        ONE_POINT,
        {**TWO_POINT, "reloads": 2, "temperature_correction": True},
        {"kind": "lot-curve", "sample_units": 3, "loads": ["6 N", "30 N", "54 N"], "degree": 1},
        {"kind": "classes", "classes": 3},
    ],
    ids=lambda option: str(option["kind"]),
)
def test_same_seed_same_counts(option: dict[str, object]) -> None:
    """Workers and blocks change no count; another seed does."""
    case = every_level(option)
    test = StationTest((10.0, 40.0), reloads=2, samples=2, station="other")
    one = counted(case, test)
    for workers, block in ((2, 100), (1, 64), (2, 10_000)):
        other = counted(case, test, workers, block)
        for name in ("limits", "units", "conforming", "sound", "differences"):
            assert np.array_equal(getattr(one, name), getattr(other, name)), name
    again = dataclasses.replace(case, study=dataclasses.replace(case.study, seed=8))
    assert not np.array_equal(one.units, counted(again, test).units)


@pytest.mark.parametrize("outer", [1, 4])
def test_counts_are_those_of_every_unit_counted_out(outer: int) -> None:
    """Shares at each limit, also one between two steps, are those of the units looked at one by one."""
    case = every_level(ONE_POINT, outer=outer)
    limits = (0.3337, 0.6, 1.0)
    found = acceptance(case, "one-point", limits=limits, loads=(10.0, 40.0), workers=1)
    plan = plan_of(dataclasses.replace(case, study=dataclasses.replace(case.study, draw="all units")))
    units = plan.frame.units
    assert units == found.units
    each = units_at_test(model_of(case), plan.frame, found.test, 0, units)
    permissible = permissible_at(case, (10.0, 40.0))
    for limit in limits:
        shipped = [
            all(abs(e) <= limit * p for e, p in zip(own, permissible, strict=True)) for own in each.seen
        ]
        sound = [all(abs(e) <= p for e, p in zip(own, permissible, strict=True)) for own in each.true]
        for good, judged in ((each.used.everywhere, at(found, limit).use), (sound, at(found, limit).station)):
            bad = sum(s and not g for s, g in zip(shipped, good, strict=True))
            scrapped = sum(g and not s for s, g in zip(shipped, good, strict=True))
            assert judged.shipped_bad.sampled.value == pytest.approx(bad / units, abs=1e-12)
            assert judged.scrapped_good.sampled.value == pytest.approx(scrapped / units, abs=1e-12)
            assert judged.bad_of_shipped.sampled.value == pytest.approx(bad / sum(shipped), abs=1e-12)


def test_a_case_without_tolerances_is_whole() -> None:
    """Where nothing varies no unit is bad, no test is needed, and no guard band follows."""
    found = acceptance(pad_case(NONE), "none", cost_bad=5.0, cost_good=1.0, workers=1)
    assert found.verdict == "conforms" and found.chosen.limit is None
    assert found.expanded == 0.0 and math.isinf(found.ratio)
    assert [rule.name for rule in found.rules] == [
        "simple acceptance", "consumer's risk 1 %", "lowest cost", "no test",
    ]  # fmt: skip
    assert found.costs is not None and found.costs.cost.value == 0.0


@pytest.mark.parametrize("outer", [1, 4])
@pytest.mark.parametrize("counts", ["units at every check point", "units by share of readings", "readings"])
def test_laws_of_the_operating_table(counts: str, outer: int) -> None:
    """Shipped and scrapped are all; a wider limit ships no less bad and scraps no more good; limit 0 scraps all, no
    test ships all, of which as many are good as the yield says."""
    case = every_level(ONE_POINT, outer=outer)
    case = dataclasses.replace(
        case, requirement=dataclasses.replace(case.requirement, counts=counts, share=0.8)
    )
    found = acceptance(case, "one-point", limits=(0.777,), workers=1)
    rows = found.limits
    assert [row.limit for row in rows[:-1]] == sorted(row.limit for row in rows[:-1]) and rows[
        -1
    ].limit is None
    assert 0.777 in [row.limit for row in rows]
    for judged in ([row.use for row in rows], [row.station for row in rows]):
        shipped_bad = [each.shipped_bad.sampled.value for each in judged]
        scrapped_good = [each.scrapped_good.sampled.value for each in judged]
        assert np.all(np.diff(shipped_bad) >= -1e-12) and np.all(np.diff(scrapped_good) <= 1e-12)
    for row in rows:
        for judged in (row.use, row.station):
            good = 1.0 - judged.bad.sampled.value
            shipped = 1.0 - row.scrapped.sampled.value
            assert (
                judged.shipped_bad.sampled.value + good - judged.scrapped_good.sampled.value
                == pytest.approx(shipped)
            )
            if shipped > 0.0:
                assert judged.bad_of_shipped.sampled.value == pytest.approx(
                    judged.shipped_bad.sampled.value / shipped
                )
            for share in (judged.shipped_bad, judged.scrapped_good):
                assert 0.0 <= share.sampled.low <= share.sampled.value <= share.sampled.high <= 1.0
                assert share.bound.low <= share.bound.value <= share.bound.high
                assert (share.draws is None) == (outer == 1)
    assert rows[0].limit == 0.0 and rows[0].scrapped.sampled.value == 1.0
    assert not rows[0].use.bad_of_shipped.known and rows[0].use.bad_of_shipped.verdict(0.5) == "undecided"
    drawn = run(
        dataclasses.replace(case, study=dataclasses.replace(case.study, draw="all units")), compiled=False
    )
    (tally,) = drawn.tallies.values()
    column = ("readings", "units by share of readings", "units at every check point").index(counts)
    trials = drawn.plan.frame.units * (drawn.plan.frame.readings if column == 0 else 1)
    assert rows[-1].use.bad.sampled.value == pytest.approx(
        1.0 - tally.within[:, column].sum() / trials, abs=1e-12
    )
    assert rows[-1].scrapped.sampled.value == 0.0
