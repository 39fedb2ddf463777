"""Effects of causes in the report of a study: section, figures, files, and what stands where there are none."""

from __future__ import annotations

import dataclasses
import json

import jsonschema
import pytest
from pad_study import NONE, ONE_POINT, pad_case

from margin.estimates.evaluate import evaluate
from margin.estimates.results import Results
from margin.estimates.shares import FAILING, MARGIN
from margin.estimates.shares.result import CURED, MAIN_EFFECT, TOTAL_EFFECT
from margin.report import files, sections, style
from margin.report.blocks import Table, Text, flat
from margin.report.effects import group_lines


@pytest.fixture(scope="module")
def results() -> Results:
    """Uncalibrated one unit in three fails; with one point none does."""
    case = pad_case(
        NONE,
        ONE_POINT,
        load={"check": ["10 N", "30 N"]},
        sensor={"sensitivity": "4 uS +/- 9 %", "reload_scatter": "0.5 %"},
        circuit={"feedback": "60 kohm +/- 1 %"},
        study={"units": 400},
    )
    return evaluate(case, workers=1)


@pytest.fixture(scope="module")
def contents(results: Results) -> dict[str, str]:
    return files.report_contents(results)


def test_effects_are_files_of_the_report_and_keep_the_schema(contents: dict[str, str]) -> None:
    """Table and figure are there, results.json validates; rows of failing units alone say what is cured."""
    assert {"effects.csv", "effects-on-margin.svg"} <= set(contents)
    document = json.loads(contents["results.json"])
    schema = json.loads(files.schema_path().read_text(encoding="utf-8"))
    jsonschema.validate(document, schema, cls=jsonschema.Draft202012Validator)
    assert {row["output"] for row in document["effects"] if "cured" in row} == {FAILING}
    for row in document["effects"]:
        for name in ("main", "total"):
            low, value, high = (row[f"{name}{end}"] for end in ("_low", "", "_high"))
            assert row["reason"] or 0.0 <= low <= value <= high <= 1.0


def test_the_section_explains_each_effect_and_calls_no_total_a_share(results: Results) -> None:
    """Main effect, total effect and cured are explained in a sentence each; tables are headed by these words."""
    with style.settings():
        section = sections.effects_of_causes(results)
    blocks = tuple(flat(section.blocks))
    texts = {block.text for block in blocks if isinstance(block, Text)}
    assert {MAIN_EFFECT, TOTAL_EFFECT, CURED} <= texts
    tables = [block for block in blocks if isinstance(block, Table)]
    assert [table.columns for table in tables] == [
        ("Rank", "Cause", "Main effect", "Total effect"),
        ("Rank", "Cause", "Main effect", "Total effect", "Cured"),
    ]
    assert not any("share" in f"{table.caption} {table.columns}".lower() for table in tables)


def test_an_option_without_failing_units_says_how_many_were_looked_at(results: Results) -> None:
    """The reason stands in words beside the outputs that it concerns; the other option has none."""
    assert results.shares is not None
    (run,) = results.shares.runs
    without = f"No effects on {FAILING}: none of {2 * run.base} units fails."
    assert without in group_lines(results.shares, "one-point")
    assert without not in group_lines(results.shares, "none")
    rows = results.shares.effects
    margin = rows[(rows["option"] == "one-point") & (rows["output"] == MARGIN)]
    assert (margin["verdict"] == "resolved").any()


def test_a_report_without_budget_says_so(results: Results) -> None:
    """Where no effects were computed the section says why."""
    section = sections.effects_of_causes(dataclasses.replace(results, shares=None))
    (text,) = section.blocks
    assert isinstance(text, Text)
    assert text.text.startswith("Not determined")
