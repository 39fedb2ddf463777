"""Outputs that do not vary beyond round-off: no share of their variance exists."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from margin.estimates.sensitivity.scrambled_points import Array

ROUND_OFF = 1e-12


def vary(values: Array) -> NDArray[np.bool_]:
    """Which outputs, last axis, vary by more than round-off: peak-to-peak relative to magnitude.

    A variance does not tell: that of a constant 0.4 is 3e-33, not zero.
    """
    axes = tuple(range(values.ndim - 1))
    low, high = values.min(axis=axes), values.max(axis=axes)
    return np.asarray(high - low > ROUND_OFF * np.maximum(np.abs(low), np.abs(high)))


def constant_reasons(sample: Array, varying: NDArray[np.bool_], outputs: tuple[str, ...]) -> dict[str, str]:
    """Why the indices of an output are NaN, by output; sample (k,) of any one run."""
    return {
        name: f"output {name!r} did not vary (constant {value:.6g}): no share of a variance exists"
        for name, value, moves in zip(outputs, sample, varying, strict=True)
        if not moves
    }
