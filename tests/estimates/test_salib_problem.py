"""A case as a problem of SALib: inputs, groups, outputs and errors, and what its methods find."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pad_study import EVERY_LEVEL, EVERY_SPREAD, NONE, ONE_POINT, pad_case, without_output_beyond

import margin
from margin.case.types import Case
from margin.estimates.shares import FAILING, MARGIN, error_shares
from margin.estimates.shares.plan import SharesPlan
from margin.estimates.shares.salib_problem import EDGE
from margin.propagation.model import model_of
from margin.propagation.tally import EvaluationError

ROOT = Path(__file__).parent.parent.parent
TOP = "error at 60 N"
SENSITIVITY, FEEDBACK, SCATTER = (
    "sensor.sensitivity per unit",
    "circuit.feedback per unit",
    "sensor.reload_scatter (each loading)",
)
SHARES = {FEEDBACK: 0.02**2 / 3, SENSITIVITY: 0.01**2 / 3, SCATTER: 0.005**2}
"""Variances of three relative errors of a product, two rectangular and one normal; the error at a load is their sum
times the load, to first order (closed form)."""


@pytest.fixture(scope="module")
def linear() -> Case:
    """A pad whose error is, to first order, the sum of three relative errors times the load."""
    return pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 1 %", "reload_scatter": "0.5 %"},
        circuit={"feedback": "60 kohm +/- 2 %"},
    )


def share(name: str) -> float:
    return SHARES.get(name, 0.0) / sum(SHARES.values())


def factor_of(name: str) -> str:
    return re.sub(r" \[\d+\]$", "", name)


def test_example_of_the_guide(monkeypatch: pytest.MonkeyPatch) -> None:
    """The guide's lines run as they stand, and their table has a line for each group of the shipped case."""
    text = (ROOT / "margin" / "guide" / "numbers.md").read_text(encoding="utf-8")
    lines = text.partition("<!-- salib -->")[2].partition("```python\n")[2].partition("```")[0]
    monkeypatch.chdir(ROOT)
    found: dict[str, Any] = {}
    exec(lines, found)
    problem = found["problem"]
    total = problem.to_df()[0]
    assert list(total.index) == list(dict.fromkeys(problem["groups"]))
    assert found["screened"]["mu_star"].iloc[0] == found["screened"]["mu_star"].max() > 0.0


def test_sobol_indices_agree_with_ours_and_with_the_closed_form(linear: Case) -> None:
    """SALib's first and total indices of each group lie within its intervals and ours of one another, and of the
    variances over their sum."""
    problem = margin.problem(linear, "none", TOP).sample_sobol(1024, calc_second_order=False, seed=7)
    total, first = problem.evaluate().analyze_sobol(calc_second_order=False, seed=7).to_df()
    ours = error_shares(linear, by=("factor",), runs=1 << 13, over_temperature=False, workers=1).effects
    rows = ours[ours["output"] == TOP].set_index("group")
    for name in dict.fromkeys(problem["groups"]):
        for order, found, key in (("main", first, "S1"), ("total", total, "ST")):
            value, half = found.loc[name, key], found.loc[name, f"{key}_conf"]
            own_half = (rows.loc[name, f"{order}_high"] - rows.loc[name, f"{order}_low"]) / 2
            # one interval in twenty misses by chance, and the closed form is of first order
            assert abs(value - rows.loc[name, order]) <= half + own_half + 0.005, (name, order)
            assert abs(value - share(name)) <= 1.3 * half + 0.005, (name, order)


@pytest.mark.parametrize(
    ("sample", "analyze", "key"),
    [
        (lambda p: p.sample_fast(1000, seed=1), lambda p: p.analyze_fast(seed=1), "S1"),
        (lambda p: p.sample_latin(3000, seed=1), lambda p: p.analyze_rbd_fast(num_resamples=5, seed=1), "S1"),
    ],
)
def test_frequency_methods_find_the_single_draw(
    linear: Case, sample: Callable[..., Any], analyze: Callable[..., Any], key: str
) -> None:
    """eFAST and RBD-FAST give the first-order shares of the closed form input by input: of the placements, each a
    draw of its own, the one at the load has all of their share."""
    problem = margin.problem(linear, "none", TOP)
    found = analyze(sample(problem).evaluate()).to_df()[key]
    for name, value in found.items():
        expected = share(factor_of(name)) if factor_of(name) == name or name == f"{SCATTER} [7]" else 0.0
        assert value == pytest.approx(expected, abs=0.04), name


@pytest.mark.parametrize(
    ("run", "key"),
    [
        (lambda p: p.sample_morris(8, seed=2).evaluate().analyze_morris(seed=2), "mu_star"),
        (lambda p: p.sample_latin(1000, seed=2).evaluate().analyze_pawn(seed=2), "median"),
        (lambda p: p.sample_ff().evaluate().analyze_ff(), "ME"),
        (lambda p: p.sample_finite_diff(64, seed=2).evaluate().analyze_dgsm(num_resamples=5, seed=2), "dgsm"),
        (lambda p: p.sample_latin(1000, seed=2).evaluate().analyze_rsa(seed=2), ""),
        (lambda p: p.sample_shapley(50, seed=2).evaluate().analyze_shapley(), "shapley"),
        (lambda p: p.sample_latin(300, seed=2).evaluate().analyze_discrepancy(seed=2), "s_discrepancy"),
    ],
    ids=["Morris", "PAWN", "factorial", "derivatives", "regional", "Shapley", "discrepancy"],
)  # fmt: skip
def test_each_method_runs_and_leaves_the_problem_as_it_was(
    linear: Case, run: Callable[[Any], Any], key: str
) -> None:
    """Every method gives finite indices of the case, the larger cause the larger one where there is one an input or
    group, and what it does to names and groups on the way is undone."""
    problem = margin.problem(linear, "none", TOP)
    before = {name: list(problem[name]) for name in ("names", "groups", "bounds")}
    run(problem)
    assert {name: problem[name] for name in before} == before
    if key:
        found = dict(zip(problem.analysis["names"], np.abs(problem.analysis[key]), strict=True))
        assert np.all(np.isfinite(list(found.values())))
        assert found[FEEDBACK] > found[SENSITIVITY]


def test_latin_hypercubes_draw_each_input_of_a_group_apart(linear: Case) -> None:
    """Inputs of one group are independent in a Latin hypercube, so that the output keeps its variance."""
    case = pad_case(
        NONE, sensor={"sensitivity": "4 uS +/- 1 % per unit, +/- 1 % per lot"}, circuit={"feedback": "60 kohm +/- 1 %"}
    )  # fmt: skip
    problem = margin.problem(case, "none", TOP, by="part").sample_latin(2000, seed=4).evaluate()
    parts = np.array(problem["groups"])
    first, second = problem.samples[:, parts == "sensor"].T[:2]
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.1
    assert problem.results.std() == pytest.approx(60.0 * 0.01, rel=0.05)


def test_points_at_the_ends_of_an_unbounded_spread_are_inside() -> None:
    """Morris plans, whose levels are the ends, run between the stated quantiles; exactly 0 and 1 give numbers too."""
    case = pad_case(
        NONE, sensor={"sensitivity": "4 uS +/- 2 % (2 sigma)"}, circuit={"feedback": "60 kohm +/- 1 % (2 sigma)"}
    )  # fmt: skip
    problem = margin.problem(case, "none", TOP).sample_morris(4, seed=1)
    assert (problem.samples.min(), problem.samples.max()) == pytest.approx((EDGE, 1.0 - EDGE))
    columns = len(problem["names"])
    problem.set_samples(np.stack([np.zeros(columns), np.full(columns, 0.5), np.ones(columns)])).evaluate()
    assert np.all(np.isfinite(problem.results))
    assert problem.results[0] < problem.results[1] < problem.results[2]


@pytest.mark.parametrize("tables", [EVERY_SPREAD, EVERY_LEVEL])
def test_inputs_have_names_of_their_own_and_groups_of_the_budget(tables: dict[str, Any]) -> None:
    """No two inputs share a name; groups are those of the budget, in each grouping."""
    case = pad_case(NONE, ONE_POINT, **tables)
    plan = SharesPlan.of(model_of(case))
    for by in ("factor", "part", "level", "cause"):
        problem = margin.problem(case, by=by)
        assert len(set(problem["names"])) == len(problem["names"]) == problem["num_vars"]
        assert list(dict.fromkeys(problem["groups"])) == list(dict.fromkeys(plan.groups(by)))
    assert "use.direction (each loading)" in margin.problem(case)["groups"]


def test_a_stated_branch_of_the_load_cycle_is_no_input(linear: Case) -> None:
    """Where a case states the branch from which loads come, its draws are no input."""
    assert set(margin.problem(linear)["groups"]) == set(SHARES)


def test_dependent_factors_are_one_group_and_depend_inside() -> None:
    """Factors that depend on each other are inputs of one group under its name, and their dependence is in the
    output: with rank correlation -1 < r < 0 the spreads of a product make up for each other in part."""
    tables: dict[str, Any] = {
        "sensor": {"sensitivity": "4 uS +/- 2 % (2 sigma)"},
        "circuit": {"feedback": "60 kohm +/- 2 % (2 sigma)", "reference": "1.2 V +/- 0.1 %"},
    }
    tied = [
        {"level": "unit", "between": ["sensor.sensitivity", "circuit.feedback"], "rank_correlation": -0.8}
    ]
    apart, together = pad_case(NONE, **tables), pad_case(NONE, **tables, dependence=tied)
    group = f"{SENSITIVITY} + {FEEDBACK}"
    problem = margin.problem(together, "none", TOP)
    assert [name for name, one in zip(problem["names"], problem["groups"], strict=True) if one == group] == [
        f"{group} [1]", f"{group} [2]",
    ]  # fmt: skip
    spreads = [
        margin.problem(case, "none", TOP).sample_latin(2000, seed=1).evaluate().results.std()
        for case in (apart, together)
    ]
    # r of the normals under the copula is 2 sin(pi rho / 6) (Pearson 1907), and the variances are equal
    correlation = 2.0 * np.sin(np.pi * -0.8 / 6.0)
    assert spreads[1] / spreads[0] == pytest.approx((1.0 + correlation) ** 0.5, rel=0.05)


def test_outputs_are_named_by_option(linear: Case) -> None:
    """All options are outputs unless one is named, in columns under 'option: output'; their values do not depend on
    what else is asked for, nor on the threads."""
    case = pad_case(NONE, ONE_POINT, sensor={"sensitivity": "4 uS +/- 8 %", "reload_scatter": "3 %"})
    problem = margin.problem(case, output=(MARGIN, FAILING)).sample_sobol(16, seed=1).evaluate(nprocs=1)
    assert problem["outputs"] == [f"{o}: {w}" for o in ("none", "one-point") for w in (MARGIN, FAILING)]
    alone = margin.problem(case, "one-point", FAILING).set_samples(problem.samples).evaluate(nprocs=2)
    assert np.array_equal(alone.results, problem.results[:, 3])
    assert set(problem.analyze_sobol(seed=1).analysis) == set(problem["outputs"])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"option": "two-point"}, r'option "two-point" is not one of this case; there is "none"'),
        (
            {"output": "yield"},
            r'output "yield" is not one of this case; there is "error at 2 N", .*conformity',
        ),
        ({"output": ()}, "no output is named"),
        ({"by": "colour"}, "cannot group by 'colour'"),
    ],
)
def test_unknown_names_are_refused(linear: Case, arguments: dict[str, Any], message: str) -> None:
    """An unknown option, output or grouping is refused with what there is."""
    with pytest.raises(ValueError, match=message):
        margin.problem(linear, **arguments)


def test_problems_without_a_question_are_refused() -> None:
    """A case in which nothing varies, and one whose variation is one group, have nothing to be shared out."""
    with pytest.raises(ValueError, match="nothing varies in this case"):
        margin.problem(pad_case(NONE))
    case = pad_case(NONE, sensor={"sensitivity": "4 uS +/- 1 %"})
    with pytest.raises(ValueError, match=f"all that varies is one factor, {SENSITIVITY}"):
        margin.problem(case)


def test_samples_that_are_no_uniforms_are_refused(linear: Case) -> None:
    """Nothing to evaluate, values outside [0, 1] and not a number, and less than one thread are refused."""
    problem = margin.problem(linear)
    with pytest.raises(ValueError, match="draw some first"):
        problem.evaluate()
    columns = len(problem["names"])
    for value in (-0.1, 1.1, np.nan):
        with pytest.raises(ValueError, match=r"every value must lie in \[0, 1\]"):
            problem.set_samples(np.full((2, columns), value)).evaluate()
    with pytest.raises(ValueError, match="workers must be at least 1"):
        problem.set_samples(np.full((2, columns), 0.5)).evaluate(nprocs=0)


def test_a_chain_without_a_number_is_told(linear: Case) -> None:
    """Where a force error is not a number no results are kept, and the draws furthest out are named."""
    problem = margin.problem(without_output_beyond(linear, 12.05e-6)).sample_latin(200, seed=1)
    with pytest.raises(EvaluationError, match=r"not a number in \d+ of 200 units.*%"):
        problem.evaluate()
    assert problem.results is None


def test_studies_do_without_salib() -> None:
    """Estimates and budgets do not wait for SALib; only a problem loads it."""
    code = "import sys, margin.study, margin.estimates.shares; sys.exit('SALib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0
