"""Progress of an estimate, and budgets that are refused."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from click.testing import CliRunner
from pad_study import NONE, pad_case
from rare_limits import linear

import margin
from margin.cli import cli
from margin.estimates.rare import RareEventError, failure_probability
from margin.estimates.rare.limit import CountedLimit
from margin.report.rare_page import document


def test_progress_counts_every_evaluation() -> None:
    """The steps add up to the evaluations."""
    steps: list[int] = []
    limit = CountedLimit(linear(4.0, 2).limit, 2, steps.append)
    limit(np.zeros((3, 2)))
    limit(np.zeros((4, 2)))
    assert steps == [3, 4]


def test_a_study_tells_its_progress() -> None:
    """Units evaluated out of the budget, those of the cross-check included, then the step that follows."""
    told: dict[tuple[str, int], int] = {}

    def stage(title: str, total: int) -> Callable[[int], None]:
        told[title, total] = 0

        def count(done: int) -> None:
            told[title, total] += done

        return count

    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 2 % (2 sigma)"},
        requirement={"permissible_error": "4 % of reading"},
    )
    study = margin.rare(case, budget=50_000, stage=stage)
    assert study.result.cross_check is not None
    assert told == {
        ("units evaluated, at most", 50_000): study.result.evaluations + study.result.cross_check.evaluations,
        ("most probable failing unit", 1): 1,
    }


def test_the_cross_check_is_reported() -> None:
    """The terminal says how it ended, the document has its figures, and its warnings name the budget where it ended."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 2 % (2 sigma)"},
        requirement={"permissible_error": "4 % of reading"},
    )
    study = margin.rare(case, budget=50_000)
    shown = " ".join(str(study).split())
    assert "Cross-check: 1 independent run of subset sampling" in shown
    assert "design points added: 0; no failing region was missed" in shown
    check = document(study.found)["cross_check"]
    assert (check["sweeps"], check["added"], check["complete"]) == (1, 0, True)
    assert check["evaluations"] > 1000
    short = margin.rare(case, budget=1_500)
    assert "Cross-check: none was made" in " ".join(str(short).split())
    assert any("budget of 1500 evaluations" in warning for warning in short.result.warnings)


@pytest.mark.parametrize("budget", [1e20, float("inf"), 100_000_001, 999, float("nan")])
def test_a_budget_out_of_range_is_refused_with_reason_and_mend(budget: int) -> None:
    """One message: what, value, why, and what is usual."""
    with pytest.raises(
        RareEventError, match=r"budget must be at (least|most) .*\(got .*\): .*200000 is usual"
    ):
        failure_probability(linear(4.0, 2).limit, 2, budget=budget)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("1e20", "at most 100000000 evaluations (got 100000000000000000000)"),
        ("999", "at least 1000 evaluations (got 999)"),
        ("inf", "'inf' is not a whole number of units: write it like 200000 or 2e5"),
        ("1000.5", "'1000.5' is not a whole number of units"),
    ],
)
def test_the_command_refuses_an_absurd_budget_at_once(words: str, message: str) -> None:
    """Before the case is read: exit code 2, one message, no traceback."""
    found = CliRunner().invoke(cli, ["rare", "absent.toml", "--budget", words])
    assert found.exit_code == 2
    assert message in found.output
    assert "absent" not in found.output
