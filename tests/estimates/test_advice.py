"""What would help a design that does not conform: each action is evaluated, and what it promises is what it brings."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from scipy.special import ndtr
from scipy.stats import norm

from margin.case import with_changes
from margin.chain.preferred_values import E24, e24_near
from margin.estimates.advice.actions import candidates
from margin.estimates.advice.limit import passing_multiple, rounded_up
from margin.estimates.advice.result import Advice
from margin.estimates.advice.trials import drawn, trial_case, yield_in
from margin.estimates.assumptions import by_weight, cancelling
from margin.estimates.evaluate import evaluate
from margin.estimates.next_step import next_step
from margin.estimates.results import Results
from margin.messages.sentences import said
from margin.report import document
from margin.report.trials_table import trials_rows
from tests.pad_study import NONE, ONE_POINT, pad_case

UNITS = 4000


def study(**more: Any) -> dict[str, Any]:
    return {"units": UNITS, "outer": None, "seed": 5, **more}


def results_of(*calibrations: dict[str, Any], **tables: dict[str, Any]) -> Results:
    return evaluate(pad_case(*calibrations, study=study(), **tables), workers=1)


def advice_of(*calibrations: dict[str, Any], **tables: dict[str, Any]) -> tuple[Results, Advice]:
    results = results_of(*calibrations, **tables)
    assert results.advice is not None
    return results, results.advice


def test_a_saturated_circuit_is_taken_off_its_limits_first() -> None:
    """60 N give at most 4 uS x 3 x 1.08 = 12.96 uS: Rf stays below 77.2 kohm, and 75 kohm is the next of E24."""
    results, advice = advice_of(
        ONE_POINT,
        sensor={"kind": "thin film", "sensitivity": "4 uS +/- 8 %", "reference_load": "20 N"},
        circuit={"feedback": "100 kohm"},
    )
    assert advice.saturated
    assert advice.mending is not None
    assert advice.mending.action.becomes == "75 kohm in place of 100 kohm"
    assert advice.mending.verdict == "conforms"
    assert said(next_step(results)).startswith("set circuit.feedback to 75 kohm in place of 100 kohm")


def test_weather_is_corrected_for_and_never_tightened() -> None:
    """Where temperature leads, a thermometer is what helps; no action has the ambient temperature for its subject."""
    results, advice = advice_of(
        ONE_POINT,
        sensor={
            "kind": "thin film", "sensitivity": "4 uS +/- 8 %", "reference_load": "20 N",
            "temperature_coefficient": "-0.4 %/K",
        },
        use={"temperature": "0 degC to 50 degC"},
    )  # fmt: skip
    best = advice.trials[0]
    assert best.action.becomes == "temperature correction"
    assert best.verdict == "conforms"
    assert not [t for t in (*advice.trials, *candidates_of(results)) if "use." in subject_of(t)]
    assert "temperature correction: then 'one-point' conforms" in said(next_step(results))


def test_a_new_zero_before_each_use_is_advised_where_the_zero_leads() -> None:
    """What earlier loads left, uniform up to 8 % of the peak, fails most units by one point; with a new zero it is gone
    (5 % of reading remain for a scatter of 1 %), and the change of the file that is advised brings that."""
    case = {"sensor": {"zero_return": "8 %", "reload_scatter": "1 %"}, "use": {"loadings": 2}}
    results, advice = advice_of(ONE_POINT, **case)
    best = advice.trials[0]
    assert best.action.becomes == "a new zero before each use"
    assert best.verdict == "conforms"
    changes = {key: value for key, value in best.action.changes.items() if key.endswith("rezero")}
    again = yield_in(drawn(trial_case(with_changes(results.case, changes), advice.option), None))
    assert again.sampled == best.reached


def candidates_of(results: Results) -> list[Any]:
    names = [str(name) for name in results.budget["factor"].unique()]
    return list(candidates(trial_case(results.case, results.focus.name), names))


def subject_of(each: Any) -> str:
    return str(each.action.subject)


def test_an_impossible_requirement_names_its_physics_and_the_limit_that_passes() -> None:
    """Reloading alone, 5 % of the reading, judged on 7 loads: P = (2 Phi(m) - 1)^7 for m times a limit of 5 %."""
    need = {"permissible_error": "5 % of reading"}
    pad = {"kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N", "reload_scatter": "5 %"}
    results, advice = advice_of(NONE, requirement=need, sensor=pad)
    assert advice.limiting == "reloading"
    exact = float(norm.ppf(0.5 * (1.0 + 0.95 ** (1.0 / 7.0))))
    assert advice.multiple is not None
    assert exact < advice.multiple <= 1.1 * exact
    assert float((2.0 * ndtr(advice.multiple) - 1.0) ** 7) > 0.95
    told = said(next_step(results))
    assert "reloading limits the error" in told
    assert f"{advice.multiple:g} times the present one" in told


def test_a_requirement_far_out_of_reach_still_says_what_helps_and_what_would_pass() -> None:
    """Where no unit conforms no action moves the yield: what helps is tried at a wider limit, and the smallest limit
    that passes is named however far away it is. Reloading alone is averaged by no calibration but by its own."""
    need = {"permissible_error": "0.05 % of reading"}
    pad = {"kind": "thin film", "sensitivity": "4 uS +/- 20 % (2 sigma)", "reference_load": "20 N"}
    results, advice = advice_of(NONE, requirement=need, sensor=pad | {"reload_scatter": "1 %"})
    assert advice.trials == () and advice.helpful
    assert advice.multiple is not None and advice.multiple > 64.0
    # 10 % rms of gain in the reading: 95 % of the units lie within 1.96 of it, each of their readings almost so
    assert 1.96 * 10.0 / 0.05 < advice.multiple < 1.2 * 1.96 * 10.0 / 0.05
    assert advice.multiple_together is not None and advice.multiple_together < 0.5 * advice.multiple
    told = said(next_step(results))
    assert "What helps most: calibrate 'none' with one-point" in told
    assert "with all actions" in told


@pytest.mark.parametrize("scale", [0.7, 1.0, 1.8])
def test_the_passing_multiple_does_not_depend_on_where_the_limit_starts(scale: float) -> None:
    """The sum of rectangular 8 % and 4 % exceeds t in a share (12 - t)^2 / 128 of units: 5 % at t = 9.47 %."""
    need = {"permissible_error": f"{4.0 * scale:.6f} % of reading"}
    pad = {"kind": "thin film", "sensitivity": "4 uS +/- 8 %, +/- 4 % per mounting", "reference_load": "20 N"}
    case = trial_case(pad_case(NONE, requirement=need, sensor=pad, study=study()), "none")
    found = passing_multiple(drawn(case, 1), 1)
    assert found is not None
    assert 9.47 < found * 4.0 * scale < 10.9


def test_a_part_grade_brings_what_the_case_with_that_grade_brings() -> None:
    """The trial of the next grade is the study of the case as it would be written, on the same draws."""
    circuit = {"feedback": "60 kohm +/- 10 %"}
    results, advice = advice_of(NONE, circuit=circuit, requirement={"permissible_error": "6 % of reading"})
    trial = next(t for t in advice.trials if t.action.kind == "part grade")
    assert trial.action.becomes == "+/- 5 %, the next grade"
    written = with_changes(results.case, {"circuit.feedback": "60 kohm +/- 5 %"})
    assert trial.reached.value == yield_in(drawn(trial_case(written, "none"), 1)).sampled.value
    assert trial.verdict == "conforms"


def test_changes_of_the_file_bring_what_the_trial_promised() -> None:
    """Actions with changes of the case are reproduced through the file, to the unit."""
    results, advice = advice_of(
        ONE_POINT,
        sensor={
            "kind": "thin film", "sensitivity": "4 uS +/- 8 %", "reference_load": "20 N", "reload_scatter": "2.5 %",
            "temperature_coefficient": "-0.2 %/K",
        },
        use={"temperature": "0 degC to 50 degC"},
    )  # fmt: skip
    tried = [t for t in advice.trials if t.action.changes]
    assert {t.action.becomes for t in tried} >= {"temperature correction", "3 reloads averaged"}
    for trial in tried:
        changed = with_changes(results.case, trial.action.changes)
        found = yield_in(drawn(trial_case(changed, "one-point"), 1))
        assert found.sampled.value == trial.reached.value


def test_two_actions_that_suffice_only_together_are_advised_together() -> None:
    """Neither a better resistor nor a better centring is enough alone."""
    results, advice = advice_of(
        NONE,
        requirement={"permissible_error": "6 % of reading"},
        circuit={"feedback": "60 kohm +/- 5 %"},
        interface={"kind": "load concentrator", "contact_gain": "1 +/- 5 %"},
        station={"reference_gain": "0 +/- 3 %"},
    )
    assert len(advice.trials) >= 2
    assert advice.together is not None
    assert advice.together.reached.value >= max(t.reached.value for t in advice.trials)
    assert len(trials_rows(advice, results.case.requirement.target)) == len(advice.trials) + 1
    assert "one-point" in said(next_step(results)) or "take together" in said(next_step(results))


def test_a_shared_reference_is_said_to_cancel() -> None:
    """With a ratiometric converter the reference has no effect; with an absolute one it has."""
    tables: dict[str, Any] = {
        "sensor": {"kind": "thin film", "sensitivity": "4 uS +/- 8 %", "reference_load": "20 N"},
        "circuit": {"reference": "1.2 V +/- 2 %"},
        "requirement": {"permissible_error": "4 % of reading"},
    }
    shared = results_of(NONE, converter={"bits": 14}, **tables)
    assert cancelling(shared) == ("circuit.reference per unit",)
    absolute = {"bits": 14, "reference": "absolute", "full_scale": "1.3 V"}
    assert cancelling(results_of(NONE, converter=absolute, **tables)) == ()


def test_assumptions_are_listed_by_what_they_count() -> None:
    """The widest unmeasured spread leads, one without effect comes last."""
    results = results_of(
        NONE,
        sensor={"kind": "thin film", "sensitivity": "4 uS +/- 2 %", "reference_load": "20 N"},
        circuit={"reference": "1.2 V +/- 2 %", "feedback": "60 kohm +/- 8 %"},
    )
    order = [w.assumption.quantity for w in by_weight(results) if w.assumption.quantity is not None]
    assert order == ["circuit.feedback", "sensor.sensitivity", "circuit.reference"]


def test_a_study_without_a_budget_gives_no_untried_advice() -> None:
    """Nothing is advised that was not evaluated."""
    case = pad_case(NONE, circuit={"feedback": "60 kohm +/- 20 %"}, study=study())
    results = evaluate(case, with_budget=False, workers=1)
    assert results.advice is None
    assert (
        said(next_step(results))
        == "run the study with its budget: the actions that would help are tried there"
    )


def test_conforming_designs_get_no_trials() -> None:
    """Advice is for a design that does not conform."""
    assert results_of(ONE_POINT, circuit={"feedback": "60 kohm +/- 5 %"}).advice is None


def test_values_of_e24_are_those_of_the_standard() -> None:
    """IEC 60063, from memory: rounded powers of 10^(1/24) but for 2.7 to 4.7 and 8.2."""
    departs = {2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 8.2}
    for place, value in enumerate(E24):
        assert (round(10.0 ** (place / 24.0), 1) == value) != (value in departs)
    assert [e24_near(6.2e3, step) for step in (-1, 0, 1)] == [5.6e3, 6.2e3, 6.8e3]
    assert e24_near(9.6e4) == 1e5
    assert e24_near(1e-9, -1) == pytest.approx(9.1e-10)
    with pytest.raises(ValueError, match="positive and finite"):
        e24_near(0.0)


@pytest.mark.parametrize(
    ("value", "shown"), [(1.5, 1.5), (1.501, 1.6), (2.61, 2.7), (8.92, 9.0), (12.1, 13.0)]
)
def test_multiples_are_rounded_up(value: float, shown: float) -> None:
    """Never below what was found to pass."""
    assert rounded_up(value) == pytest.approx(shown)


def test_case_of_a_trial_is_never_larger_than_the_study() -> None:
    """A small study has small trials."""
    case = pad_case(ONE_POINT, NONE, study=study(units=300))
    assert trial_case(case, "none").study.units == 300
    assert [spec.name for spec in trial_case(case, "none").calibrations] == ["none"]


def test_advice_is_part_of_the_json_results() -> None:
    """The document with trials keeps the shipped schema."""
    results, _ = advice_of(NONE, circuit={"feedback": "60 kohm +/- 10 %"})
    shape = json.loads((Path(document.__file__).parent / "results.schema.json").read_text(encoding="utf-8"))
    made = json.loads(document.to_json(document.to_document(results)))
    jsonschema.validate(made, shape)
    assert made["advice"]["trials"][0]["action"]["kind"] in ("part grade", "calibration")
