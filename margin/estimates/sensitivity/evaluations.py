"""Outputs of a model for rows of uniforms, and runs that failed."""

from __future__ import annotations

from typing import Literal

import numpy as np

from distributions.errors import MarginError
from margin.estimates.sensitivity.scrambled_points import Array

FailurePolicy = Literal["raise", "drop"]


class FailedEvaluations(MarginError, ValueError):
    """Some runs of the model gave no finite output.

    count   failed runs            total   runs in all
    where   first failed run, in words
    inputs  uniforms of that run by column
    """

    def __init__(self, count: int, total: int, where: str, inputs: tuple[float, ...], advice: str) -> None:
        self.count, self.total, self.where, self.inputs, self.advice = count, total, where, inputs, advice
        values = ", ".join(f"{value:.6g}" for value in inputs)
        super().__init__(
            f"the model gave no finite output in {count} of {total} runs, first in {where}, with inputs "
            f"(uniforms by column) [{values}]. The inputs are finite: look for the cause in the model. "
            f"{advice}"
        )

    def __reduce__(self) -> tuple[type[FailedEvaluations], tuple[object, ...]]:
        return type(self), (self.count, self.total, self.where, self.inputs, self.advice)


def as_outputs(outputs: Array, rows: int) -> Array:
    """What the model returned for some rows as (rows, k); ValueError where the rows do not fit."""
    values = np.asarray(outputs, dtype=float)
    if values.ndim == 1:
        values = values[:, np.newaxis]
    if values.ndim != 2 or values.shape[0] != rows:
        raise ValueError(
            f"the model returned shape {np.shape(outputs)} for {rows} rows; it must return (rows,) or "
            f"(rows, outputs), one row for each row of uniforms, in the same order"
        )
    return values
