"""Rare failures of the whole chain: against closed forms and against plain draws of the study."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from pad_study import NONE, ONE_POINT, pad_case
from scipy.stats import norm

import margin
from margin.case.types import Case
from margin.cli import cli
from margin.estimates.rare_failures import NO_OUTPUT, UnitLimit, most_likely, rare_failures
from margin.propagation.run import model_of

GRIPPER = Path(__file__).parents[2] / "cases" / "gripper_amplifier" / "case.toml"


def one_cause(limit: str, **tables: object) -> Case:
    """Sensitivity alone varies, 1 % standard deviation: the relative error is that of the sensitivity."""
    sensor = {"sensitivity": "4 uS +/- 2 % (2 sigma)"}
    return pad_case(NONE, sensor=sensor, requirement={"permissible_error": limit}, **tables)  # type: ignore[arg-type]


@pytest.mark.parametrize("beta", [3.0, 4.0, 4.8])
def test_a_single_normal_cause_gives_the_normal_tail(beta: float) -> None:
    """P(|error| > beta sd) = 2 Phi(-beta), exact; few evaluations, an interval that holds it."""
    found = rare_failures(one_cause(f"{beta} % of reading"), "none").result
    exact = 2.0 * norm.sf(beta)
    assert found.low <= exact <= found.high
    assert found.coefficient_of_variation <= 0.1
    assert found.evaluations <= 2000
    assert not found.warnings


def test_two_causes_add_up_in_squares() -> None:
    """Sensitivity and resistor, both normal: the error of their product has the root of the sum of squares (to first
    order of small spreads, closed form), and the failing unit shares it out by their variances."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 0.6 % (2 sigma)"},
        circuit={"feedback": "60 kohm +/- 0.8 % (2 sigma)"},
        requirement={"permissible_error": "2 % of reading"},
    )
    found = rare_failures(case, "none")
    assert found.result.low <= 2.0 * norm.sf(4.0) <= found.result.high
    scores = found.unit.set_index("factor")["score"].abs()
    assert scores["circuit.feedback per unit"] == pytest.approx(3.2, abs=0.15)
    assert scores["sensor.sensitivity per unit"] == pytest.approx(2.4, abs=0.15)
    assert found.distance == pytest.approx(4.0, abs=0.05)


def test_the_failing_unit_is_told_in_the_case_s_words() -> None:
    """The leading factor, its value in the case's own unit with its deviation, and where the unit fails."""
    found = rare_failures(one_cause("4 % of reading"), "none")
    row = found.unit.iloc[0]
    assert row["factor"] == "sensor.sensitivity per unit"
    assert row["value"] in ("4.16 uS (+4 %)", "3.84 uS (-4 %)")
    assert found.fails_at.endswith(" N")


def test_plain_draws_of_the_study_agree() -> None:
    """With reloads, a calibration and a converter of 12 bits the share of failing units is that of the study's draws,
    within both intervals."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 10 %", "reload_scatter": "1 %"},
        converter={"bits": 12, "noise": 0.5},
        requirement={"permissible_error": "larger of 4.6 % of reading and 0.3 N"},
        study={"units": 60_000},
    )
    drawn = margin.estimate(case, budget=False).yields.iloc[0]
    found = rare_failures(case, "one-point", budget=120_000).result
    assert 1.0 - drawn["yield_high"] <= found.high
    assert found.low <= 1.0 - drawn["yield_low"]
    assert found.high < 3.0 * found.low


def test_dependent_causes_fail_together() -> None:
    """Two normal causes with a rank correlation of 0.9 add up nearly straight: more failures than independent ones,
    as the bivariate normal says (Pearson correlation 2 sin(pi rho / 6), exact for normals)."""
    case = pad_case(
        NONE,
        sensor={"sensitivity": "4 uS +/- 1 % (2 sigma)"},
        circuit={"feedback": "60 kohm +/- 1 % (2 sigma)"},
        requirement={"permissible_error": "4 % of reading"},
        dependence=[
            {"between": ["sensor.sensitivity", "circuit.feedback"], "level": "unit", "rank_correlation": 0.9}
        ],
    )
    pearson = 2.0 * np.sin(np.pi * 0.9 / 6.0)
    exact = 2.0 * norm.sf(4.0 / (0.5 * np.sqrt(2.0 + 2.0 * pearson)))
    found = rare_failures(case, "none").result
    # the product bends the limit by a few per cent of the probability
    assert 0.9 * found.low <= exact <= 1.1 * found.high


@pytest.mark.parametrize("counts", ["readings", "units by share of readings"])
def test_other_counts(counts: str) -> None:
    """Where the error is the same share of every load, a reading or a unit fails as often as its sensitivity."""
    case = one_cause("2.5 % of reading")
    case = dataclasses.replace(case, requirement=dataclasses.replace(case.requirement, counts=counts))
    found = rare_failures(case, "none").result
    assert found.low <= 2.0 * norm.sf(2.5) <= found.high


def test_a_unit_without_output_fails() -> None:
    """Far out, where few measured units let the exponent turn negative and the chain gives no number, a unit counts
    as failing with the largest negative margin; the nominal unit conforms."""
    case = pad_case(NONE, sensor={"sensitivity": "4 uS", "exponent": "0.5 +/- 0.2 (2 sigma, from 3 units)"})
    limit = UnitLimit.of(model_of(case))
    z = 4.0 * np.random.default_rng(2).standard_normal((200, len(limit.names)))
    margins = limit(np.concatenate([z, np.zeros((1, len(limit.names)))]))
    assert np.all(np.isfinite(margins))
    assert margins.min() == pytest.approx(-NO_OUTPUT)
    assert margins[-1] > 0.0


def test_the_nearest_failing_unit_is_found_without_gradient() -> None:
    """For a converter of few bits the search that needs no gradient comes close to the exact distance."""
    case = one_cause("4 % of reading", converter={"bits": 10})
    limit = UnitLimit.of(model_of(case))
    z = most_likely(limit, [], 1)
    assert z is not None
    assert limit(z[np.newaxis])[0] < 0.0
    assert np.linalg.norm(z) <= 4.05


def test_same_seed_same_answer() -> None:
    """The whole result repeats to the bit."""
    first, second = (rare_failures(one_cause("3.5 % of reading"), "none") for _ in range(2))
    assert (first.result.probability, first.result.low) == (second.result.probability, second.result.low)
    assert first.unit.equals(second.unit)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda c: rare_failures(c, "two-point"), "no calibration option 'two-point'.*none"),
        (lambda c: rare_failures(c, "none", target_cv=0.0), "target_cv must lie between 0 and 1"),
        (lambda c: rare_failures(c, "none", budget=10), "budget must be at least"),
        (lambda c: rare_failures(pad_case(NONE, use={"direction": "up"}), "none"), "nothing varies"),
    ],
)
def test_bad_input_is_refused(call: object, message: str) -> None:
    """One clear message with what there is instead."""
    with pytest.raises(ValueError, match=message):
        call(one_cause("3 % of reading"))  # type: ignore[operator]


def test_command_writes_json_and_csv(tmp_path: Path) -> None:
    """`margin rare` prints the probability and writes its files; bad input ends with 2 and one message."""
    runner, out = CliRunner(), tmp_path / "rare"
    change = ["--change", "requirement.permissible_error=larger of 60 % of reading and 6 N"]
    done = runner.invoke(
        cli, ["rare", str(GRIPPER), "--option", "none", "--budget", "1000", *change, "--out", str(out)]
    )
    assert done.exit_code == 0, done.output
    assert "Units that fail" in done.output
    assert max(map(len, done.output.splitlines())) <= 80
    document = json.loads((out / "rare.json").read_text())
    assert document["low"] <= document["probability"] <= document["high"]
    assert document["files"] == ["failing_unit.csv", "rare.json"]
    bad = runner.invoke(cli, ["rare", str(GRIPPER), "--option", "seven points"])
    assert bad.exit_code == 2
    assert "no calibration option 'seven points'" in bad.output
