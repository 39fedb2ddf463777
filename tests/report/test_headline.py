"""The verdict as a sentence: conforms, does not, undecided, and a design check in the way."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest

from margin.estimates.finding import Finding, Number
from margin.estimates.headline import headline, option_headline
from margin.estimates.results import OptionResult, Recommendation, Results
from margin.estimates.yield_result import Estimate
from margin.messages.sentences import said
from margin.report.summary import capitalised


def words(finding: Finding) -> str:
    """The sentence with plain spaces."""
    return said(finding).replace("\N{NO-BREAK SPACE}", " ")


def bounded(option: OptionResult, low: float, value: float, high: float, verdict: str) -> OptionResult:
    """The option with another lower bound."""
    found = replace(option.decisive_yield, known_low=Estimate(value, low, high))
    yields = {**option.yields, option.decisive: found}
    return replace(option, yields=yields, verdict=verdict)  # type: ignore[arg-type]


def test_a_design_that_conforms(results: Results) -> None:
    """Bound against the required share; error in 95 % of readings and extreme value at the highest load, as in the
    frames."""
    option = results.option("two-point")
    row = option.errors[option.errors["condition"] == "all"].set_index("load_N").loc[20.0]
    worst = option.worst_case.set_index("load_N").loc[20.0, ["extreme_low_N", "extreme_high_N"]].abs().max()
    text = words(headline(results))
    assert text.startswith(
        "calibration 'two-point' conforms: at least 97.3 % of units, 95 % required; error at full load (20 N): below "
    )
    within = re.search(r"below (\d+) mN in 95 % of readings", text)
    assert within is not None
    assert float(within[1]) / 1000 == pytest.approx(
        row["p95_abs_N"], abs=row["p95_abs_N_high"] - row["p95_abs_N_low"]
    )
    assert text.endswith(f"{worst:.2g} N with every cause at its limit")


def test_a_design_that_does_not(failing: Results) -> None:
    """No option conforms: the nearest is named with its bound; exceeded checks come first."""
    quiet = replace(failing, checks=())
    nearest = quiet.focus.name
    assert words(headline(quiet)).startswith(
        f"does not conform: no calibration option does; nearest is {nearest!r}: lower bound "
    )
    text = words(headline(failing))
    assert text.startswith("does not conform: design check exceeded (amplifier headroom, sensor current, ")
    assert f"calibration {nearest!r}: lower bound" in text


def test_an_undecided_design(results: Results) -> None:
    """The interval of the bound stands in the sentence, and how many units would decide."""
    options = tuple(bounded(option, 0.93, 0.952, 0.96, "undecided") for option in results.options[2:])
    obstacle = Finding(
        "undecided option",
        "two-point",
        {"bound": Number(0.952, 0.93, 0.96, "share"), "target": Number(0.95), "units_needed": 400_000},
    )
    found = replace(
        results,
        options=options,
        recommendation=Recommendation(None, Finding("none shown"), (obstacle,), ("two-point",)),
    )
    focus = found.focus.name
    text = words(headline(found))
    assert text.startswith(
        f"undecided: calibration {focus!r}, lower bound 93 to 96 % of units, 95 % required; "
    )
    if focus == "two-point":
        assert "about 400 000 units would decide" in text


def test_one_option_speaks_for_itself(results: Results) -> None:
    """Of one option the sentence says nothing of the others."""
    assert words(option_headline(results, results.option("one-point"))).startswith(
        "calibration 'one-point' does not conform: lower bound 81.2 % of units, 95 % required"
    )


def test_what_is_not_determined_is_left_out(results: Results) -> None:
    """Without a finite error or extreme value the sentence ends before them."""
    option = results.option("two-point")
    errors = option.errors.assign(p95_abs_N=math.nan)
    worst = option.worst_case.assign(extreme_low_N=math.nan)
    text = words(option_headline(results, replace(option, errors=errors, worst_case=worst)))
    assert text == "calibration 'two-point' conforms: at least 97.3 % of units, 95 % required"


def test_readings_are_counted_where_the_requirement_counts_them(results: Results) -> None:
    """'of readings' in place of 'of units'."""
    need = replace(results.case.requirement, counts="readings")
    assert "% of readings, 95 % required" in words(
        headline(replace(results, case=replace(results.case, requirement=need)))
    )


def test_a_sentence_that_begins_with_a_key_keeps_it() -> None:
    """Keys of a case are written as they are; other sentences begin with a capital letter."""
    assert capitalised("sensor.creep per unit: without it") == "sensor.creep per unit: without it"
    assert capitalised("undecided: 'none'. More") == "Undecided: 'none'. More"
