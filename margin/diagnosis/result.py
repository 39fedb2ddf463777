"""A finished diagnosis as plain data and frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from margin.diagnosis.baseline import Baseline
from margin.diagnosis.comparison import Comparison
from margin.diagnosis.prototype import Prototype


@dataclass(frozen=True)
class Diagnosed:
    """A prototype compared with its baseline.

    source   file of the prototype's data, or 'frame'
    seed     of the units drawn; None where none were
    """

    source: str
    prototype: Prototype
    baseline: Baseline
    comparison: Comparison
    seed: int | None
    version: str


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
