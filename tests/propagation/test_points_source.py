"""Units from rows of uniforms: the same law as the ordinary run, and draws that follow their column alone."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_study import NONE, ONE_POINT, TWO_POINT, pad_case
from scipy import stats

from margin.case import Case
from margin.propagation.block import block_errors
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of
from margin.propagation.points_source import PointsEvaluator, columns_of
from margin.propagation.tally import permissible_error

Array = NDArray[np.float64]

SENSOR = {
    "sensitivity": "4 uS +/- 6 % per unit, +/- 4 % per lot",
    "exponent": "0.9 +/- 0.02",
    "reload_scatter": "1.5 %",
}
LOT_CURVE = {
    "kind": "lot-curve",
    "name": "lot",
    "space": "logarithm",
    "degree": 1,
    "loads": ["4 N", "30 N", "60 N"],
    "sample_units": 3,
}
TIED = {"between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": 0.7}
FROM_SIX = {
    "sensitivity": "4 uS +/- 6 % (2 sigma, from 6 units)",
    "exponent": "0.9 +/- 0.02 (2 sigma, from 6 units)",
}
COLD = [
    {"name": "cold", "temperature": "-5 degC to 5 degC"},
    {"name": "warm", "temperature": "30 degC to 40 degC", "direction": "down"},
]


def study(*calibrations: dict[str, Any], **tables: Any) -> Case:
    """A case whose every unit has its own lot and outer draw, as rows of points have."""
    own = {"units": 3000, "outer": 1500, "units_per_lot": 1, "points": "random"}
    return pad_case(*calibrations, load={"check": 3}, study=own, **tables)


CASES: dict[str, Callable[[], Case]] = {
    "placements and noise": lambda: study(
        ONE_POINT, TWO_POINT, sensor=SENSOR, converter={"bits": 14, "noise": 3}, station={"reference_gain": "+/- 1 %"}
    ),
    "lot curve": lambda: study(LOT_CURVE, sensor=SENSOR),
    "dependence": lambda: study(NONE, TWO_POINT, sensor=SENSOR, dependence=[TIED]),
    "from six units": lambda: study(NONE, sensor=FROM_SIX),
    "together from six units": lambda: study(NONE, sensor=FROM_SIX, dependence=[{**TIED, "from": "6 units"}]),
    "named conditions": lambda: study(
        ONE_POINT,
        sensor={"temperature_coefficient": "0.2 %/K", "hysteresis": "3 %", "reload_scatter": "1 %"},
        use={"condition": COLD, "conditions": 2, "loadings": 2},
    ),
    "bare sensor, mounted again": lambda: study(
        {**ONE_POINT, "stage": "sub-assembly"},
        sensor={"sensitivity": "4 uS +/- 3 % per mounting", "reload_scatter": "1 %"},
    ),
}  # fmt: skip


def evaluator_of(case: Case) -> PointsEvaluator:
    model = model_of(case)
    return PointsEvaluator(model, columns_of(model))


def rows_for(evaluator: PointsEvaluator, count: int, seed: int = 1) -> Array:
    return np.random.default_rng(seed).random((count, len(evaluator.columns)))


def same(one: dict[str, list[Array]], other: dict[str, list[Array]]) -> bool:
    """Equal to the bit."""
    return all(
        np.array_equal(a, b) for name in one for a, b in zip(one[name], other[name], strict=True)
    ) and list(one) == list(other)


@pytest.mark.parametrize("make", CASES.values(), ids=CASES.keys())
def test_errors_have_the_law_of_the_ordinary_run(make: Callable[[], Case]) -> None:
    """Force errors at every load, of every option and condition, and the largest error of a unit, are samples of
    one law (two-sample Kolmogorov and Smirnov, scipy), and the yields agree within sampling error."""
    case = make()
    evaluator = evaluator_of(case)
    plan = plan_of(case)
    count = plan.frame.units
    model = evaluator.model
    found = evaluator.errors(rows_for(evaluator, count))
    drawn = block_errors(model, model.source(plan.frame.grouping, 0, count), count).by_option
    assert list(found) == list(drawn)
    limit = permissible_error(case.requirement, np.asarray(case.check_loads), case.span)
    tested = 0
    for name, by_condition in found.items():
        for ours, theirs in zip(by_condition, drawn[name], strict=True):
            assert ours.shape == theirs.shape
            pairs = [(ours[:, 0, 0, 0, k], theirs[:, 0, 0, 0, k]) for k in range(ours.shape[-1])]
            worst = [(np.abs(e) / limit).max(axis=(1, 2, 3, 4)) for e in (ours, theirs)]
            for one, other in (*pairs, (worst[0], worst[1])):
                # what a calibration takes out altogether is rounding on both sides
                if np.abs(one).max() < 1e-9:
                    assert np.abs(other).max() < 1e-9
                    continue
                assert stats.ks_2samp(one, other).pvalue > 1e-4
                tested += 1
            shares = [float((w <= 1.0).mean()) for w in worst]
            # two units of an outer draw move together: no more than half as many draws as units
            se = np.sqrt(sum(p * (1.0 - p) for p in shares) / (count / 2)) + 1e-9
            assert abs(shares[0] - shares[1]) < 4.5 * se
    assert tested > 0


def test_loads_of_one_unit_move_together_as_in_the_ordinary_run() -> None:
    """Correlation between the errors at two loads, with scatter of each placement, is that of the ordinary run."""
    case = CASES["placements and noise"]()
    evaluator, plan = evaluator_of(case), plan_of(case)
    model, count = evaluator.model, plan.frame.units
    ours = evaluator.errors(rows_for(evaluator, count))["one-point"][0][:, 0, 0, 0]
    theirs = block_errors(model, model.source(plan.frame.grouping, 0, count), count).by_option["one-point"]
    one, other = (np.corrcoef(e, rowvar=False)[1, 2] for e in (ours, theirs[0][:, 0, 0, 0]))
    assert np.arctanh(one) == pytest.approx(np.arctanh(other), abs=4.5 * np.sqrt(3.0 / count))


def test_every_thing_drawn_has_one_column() -> None:
    """A factor that is drawn in use and at the calibration has a column for each; what is drawn once has one."""
    columns = columns_of(model_of(CASES["placements and noise"]()))
    names = [column.name for column in columns]
    assert len(set(names)) == len(names)
    told = {(c.factor.name if c.factor else "", c.event) for c in columns}
    assert ("sensor.sensitivity per unit", "") in told
    assert ("sensor.sensitivity per lot", "") in told
    assert ("station.reference_gain per station", "") in told
    for each in ("sensor.reload_scatter (each loading)", "converter.noise (each reading)"):
        assert (each, "in use") in told and (each, "at calibration") in told


def test_what_is_not_known_and_sample_units_have_columns() -> None:
    """Mean and spread from few units are columns without a factor; sample units of a lot have columns of their
    own, but share those of their lot."""
    unknown = [c.name for c in columns_of(model_of(CASES["from six units"]())) if c.factor is None]
    assert len(unknown) == 4 and len(set(unknown)) == 4
    tied = [c.name for c in columns_of(model_of(CASES["together from six units"]())) if c.factor is None]
    assert len(tied) == 5
    lot = [c.name for c in columns_of(model_of(CASES["lot curve"]()))]
    assert "sensor.exponent per unit of lot samples" in lot
    assert sum(name.startswith("sensor.sensitivity per lot") for name in lot) == 1


@pytest.mark.parametrize("make", CASES.values(), ids=CASES.keys())
def test_the_answer_does_not_depend_on_what_was_kept(make: Callable[[], Case]) -> None:
    """A, A with each column of B in turn, and B, evaluated one after the other, equal fresh evaluations to the bit;
    so do they in another order."""
    case = make()
    evaluator = evaluator_of(case)
    a, b = rows_for(evaluator, 40, 1), rows_for(evaluator, 40, 2)
    plan = [a]
    for column in range(a.shape[1]):
        exchanged = a.copy()
        exchanged[:, column] = b[:, column]
        plan.append(exchanged)
    plan.append(b)
    one_after_the_other = [evaluator.errors(rows) for rows in plan]
    backwards = [evaluator.errors(rows) for rows in plan[::-1]][::-1]
    for rows, found, again in zip(plan, one_after_the_other, backwards, strict=True):
        fresh = PointsEvaluator(evaluator.model, evaluator.columns).errors(rows)
        assert same(found, fresh) and same(again, fresh)


def test_rows_are_units_of_their_own() -> None:
    """A row gives the same errors alone, among others, and in any thread."""
    evaluator = evaluator_of(CASES["placements and noise"]())
    rows = rows_for(evaluator, 60)
    whole = evaluator.errors(rows)
    with ThreadPoolExecutor(3) as pool:
        parts = list(pool.map(evaluator.errors, [rows[k : k + 7] for k in range(0, 60, 7)]))
    for name, by_condition in whole.items():
        joined = np.concatenate([part[name][0] for part in parts])
        assert np.array_equal(joined, by_condition[0])


def test_a_column_moves_only_what_depends_on_it() -> None:
    """The placement at the calibration leaves the uncalibrated option as it is, and moves the calibrated one by
    one gain over all loads; a placement in use moves every load apart."""
    case = study(NONE, ONE_POINT, sensor={"sensitivity": "4 uS +/- 5 %", "reload_scatter": "2 %"})
    evaluator = evaluator_of(case)
    rows = rows_for(evaluator, 50)
    before = evaluator.errors(rows)
    places = {(c.factor.name if c.factor else "", c.event): k for k, c in enumerate(evaluator.columns)}
    loads = np.asarray(case.check_loads)

    def moved(name: str, event: str) -> dict[str, Array]:
        other = rows.copy()
        other[:, places[name, event]] = rows_for(evaluator, 50, 9)[:, 0]
        after = evaluator.errors(other)
        return {o: (after[o][0] + loads) / (before[o][0] + loads) - 1.0 for o in after}

    scatter = "sensor.reload_scatter (each loading)"
    station = moved(scatter, "at calibration")
    assert np.all(station["none"] == 0.0)
    assert np.ptp(station["one-point"], axis=-1).max() < 1e-12 < np.abs(station["one-point"]).min()
    use = moved(scatter, "in use")
    assert np.ptp(use["none"], axis=-1).min() > 1e-6
    assert use["none"] == pytest.approx(use["one-point"])
    unit = moved("sensor.sensitivity per unit", "")
    assert np.abs(unit["none"]).min() > 1e-6 and np.abs(unit["one-point"]).max() < 1e-9


def test_dependent_columns_are_taken_as_they_are_where_the_plan_ties_them() -> None:
    """Untied, a dependent factor follows its own column alone; tied, the last of them follows the first too."""
    case = study(NONE, sensor={"sensitivity": "4 uS +/- 6 %", "exponent": "0.9 +/- 0.02"}, dependence=[TIED])
    model = model_of(case)
    columns = columns_of(model)
    place = [c.name for c in columns].index("sensor.sensitivity per unit")
    rows = np.full((2, len(columns)), 0.5)
    rows[1, place] = 0.9
    ratios = {}
    for tied in (True, False):
        error = PointsEvaluator(model, columns, tied).errors(rows)["none"][0][:, 0, 0, 0]
        force = (error + np.asarray(case.check_loads)) / np.asarray(case.check_loads)
        ratios[tied] = force[1] / force[0]
    assert np.ptp(ratios[False]) < 1e-12
    assert np.ptp(ratios[True]) > 1e-4
