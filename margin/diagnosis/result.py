"""A finished diagnosis as plain data and frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from margin.diagnosis.baseline import Baseline
from margin.diagnosis.causes_found import CausesFound
from margin.diagnosis.comparison import Comparison
from margin.diagnosis.prototype import Prototype


@dataclass(frozen=True)
class Diagnosed:
    """A prototype compared with its baseline.

    source   file of the prototype's data, or 'frame'
    seed     of the units drawn; None where none were
    causes   ranked where something is unusual; None: `no_causes` says why
    """

    source: str
    prototype: Prototype
    baseline: Baseline
    comparison: Comparison
    seed: int | None
    version: str
    causes: CausesFound | None = None
    no_causes: str = ""


def figures_frame(found: Diagnosed) -> pd.DataFrame:
    """Figures against their prediction limits, the least likely first."""
    rows = [
        (
            one.figure.name, one.value, one.expected, one.low, one.high, one.figure.unit, one.position, one.p,
            one.adjusted, one.unusual, one.figure.about,
        )
        for one in sorted(found.comparison.figures, key=lambda one: one.p)
    ]  # fmt: skip
    columns = [
        "figure", "value", "expected", "low", "high", "unit", "position", "p", "p_adjusted", "unusual", "definition",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def steps_frame(found: Diagnosed) -> pd.DataFrame:
    """Errors of the prototype by step, with what is expected of a unit of the baseline."""
    baseline = found.baseline
    shape, errors = baseline.shape, baseline.errors
    tail = 0.5 * (1.0 - found.comparison.confidence)
    low, middle, high = np.quantile(errors, [tail, 0.5, 1.0 - tail], axis=0)
    own = np.where(shape.present, baseline.indicated, 0.0).sum(axis=0) / shape.present.sum(axis=0)
    return pd.DataFrame(
        {
            "load_N": shape.loads,
            "branch": np.where(shape.descending == 1.0, "down", "up"),
            "error_N": own - shape.loads,
            "expected_N": middle,
            "low_N": low,
            "high_N": high,
        }
    )


def missing_frame(found: Diagnosed) -> pd.DataFrame:
    """Figures that the data cannot give, with what to measure."""
    rows = [(one.what, one.why, one.measure) for one in found.baseline.missing]
    return pd.DataFrame(rows, columns=["what", "why", "measure"])


def causes_frame(found: Diagnosed) -> pd.DataFrame:
    """Causes by falling probability, those that act alike with the same class; empty where none were ranked."""
    columns = ["cause", "part", "probability", "size", "alike", "contradicted_by"]
    if found.causes is None:
        return pd.DataFrame(columns=columns)
    ranking = found.causes.ranking
    class_of = {name: number for number, one in enumerate(ranking.classes, 1) for name in one.names}
    rows = [
        (
            one.name, one.part, one.probability, one.shown, class_of.get(one.name, 0),
            "; ".join(each.feature for each in one.contradicted_by[:3]),
        )
        for one in ranking.causes
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def tests_frame(found: Diagnosed) -> pd.DataFrame:
    """Further tests by the information that they are expected to give for their effort."""
    rows = [
        (one.name, one.information, one.test.minutes, "; ".join(one.separates))
        for one in (() if found.causes is None else found.causes.tests)
    ]
    return pd.DataFrame(rows, columns=["test", "information", "minutes", "separates"])
