"""Tables that results carry: each column is documented with unit and meaning, and nothing else is there."""

from __future__ import annotations

import dataclasses
import inspect
import re
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pytest
from small_results import case, results

import margin

UNITS = {"text", "bool", "1", "N", "s", "%", "SI", "money"}
LINE = re.compile(
    r"(?P<names>\w[\w, ]*?)(?P<ends> \(_low, _high\))?\s+\[(?P<unit>\w+|%)\]\s+(?P<meaning>\S.*)"
)


class Column(NamedTuple):
    """A column as its table's docstring documents it."""

    name: str
    unit: str
    meaning: str


def documented(docstring: str) -> list[Column]:
    """Columns listed under 'Columns:'; a line without a unit goes on with the meaning before it."""
    found: list[Column] = []
    for line in docstring.partition("Columns:\n")[2].splitlines():
        if not line.strip():
            break
        match = LINE.fullmatch(line.strip())
        if match is None:
            assert found, line
            continue
        for name in re.split(r",\s*", match["names"]):
            ends = ("", "_low", "_high") if match["ends"] else ("",)
            found += [Column(name + end, match["unit"], match["meaning"]) for end in ends]
    return found


def tables_of(result: Any) -> Iterator[str]:
    """Names of the properties that give a frame, by their annotation."""
    for name, member in inspect.getmembers(type(result), lambda member: isinstance(member, property)):
        if inspect.get_annotations(member.fget).get("return") == "pd.DataFrame":
            yield name


EVERY = [
    (kind, name)
    for kind, names in {
        "study": ("budget", "checks", "errors", "worst_cases", "yields"),
        "pair": ("checks", "differences"),
        "budget": ("actions", "effects", "scopes"),
        "bench": ("components", "differences", "fits", "merits", "missing"),
        "rare": ("parts",),
        "accept": ("limits", "rules"),
        "diagnosis": ("causes", "figures", "missing", "steps", "tests"),
        "age": ("courses", "passages", "service", "yields"),
        "lives": ("lives",),
        "drift": ("rates",),
        "qualification": ("plans",),
        "plan": ("plans", "reference", "reference_curve"),
        "size": ("constraints", "designs", "tried"),
        "overturn": ("pairs", "values"),
        "improve": ("costs", "path", "sets", "worth"),
        "validation": ("table",),
    }.items()
    for name in names
]


def test_every_table_is_tried_here() -> None:
    """What is tried below is every property that gives a frame."""
    assert [(kind, name) for kind, result in results().items() for name in tables_of(result)] == EVERY


@pytest.mark.parametrize(("kind", "name"), EVERY)
def test_columns_are_those_of_the_docstring(kind: str, name: str) -> None:
    """A table has the columns that its docstring lists, in its order, each with a known unit and values that fit it."""
    result = results()[kind]
    frame = getattr(result, name)
    columns = documented(inspect.getdoc(getattr(type(result), name)) or "")
    assert list(frame.columns) == [column.name for column in columns]
    assert {column.unit for column in columns} <= UNITS
    assert len(frame)
    for column in columns:
        values = frame[column.name].dropna()
        if column.unit == "text":
            assert all(isinstance(value, str) for value in values), column
        elif column.unit == "bool":
            assert all(isinstance(value, bool | np.bool_) for value in values), column
        else:
            assert np.isfinite(pd.to_numeric(values)).any() or not len(values), column
        assert (column.unit == "N") == column.name.removesuffix("_low").removesuffix("_high").endswith(
            "_N"
        ), column


def test_a_name_means_one_thing_in_every_table() -> None:
    """A column that stands in several tables is text, truth or number in each; only the value of a rare failure's
    factor, as its files publish it, is words where other values are numbers."""
    shapes: dict[str, set[str]] = {}
    for kind, name in EVERY:
        doc = inspect.getdoc(getattr(type(results()[kind]), name)) or ""
        for column in documented(doc):
            shape = column.unit if column.unit in ("text", "bool") else "number"
            shapes.setdefault(column.name, set()).add(shape)
    assert [name for name, found in shapes.items() if len(found) > 1] == ["value"]


def test_empty_tables_keep_their_columns() -> None:
    """Where there is nothing to list, the columns are those of a full table."""
    full = results()
    found = dataclasses.replace(full["rare"].found, unit=None)
    assert list(margin.RareStudy(found).parts.columns) == list(full["rare"].parts.columns)
    alone = dataclasses.replace(full["bench"].findings, comparisons={}, missing=())
    bench = dataclasses.replace(full["bench"], findings=alone)
    for name in ("differences", "missing"):
        assert getattr(bench, name).empty
        assert list(getattr(bench, name).columns) == list(getattr(full["bench"], name).columns)
    bare = margin.estimate(case(), budget=False, workers=1)
    assert bare.budget.empty
    assert list(bare.budget.columns) == list(full["study"].budget.columns)
