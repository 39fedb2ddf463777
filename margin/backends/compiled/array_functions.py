"""Functions of numpy on recorded arrays that are made of its elementwise ones."""

from __future__ import annotations

import math
import sys
from typing import Any

import numpy as np

from margin.backends.compiled.operations import NotTraceable
from margin.backends.compiled.reasons import KEEP_AXES

_NOT_GIVEN: Any = getattr(np, "_NoValue", None)


def clip(
    value: Any, a_min: Any = None, a_max: Any = None, out: Any = None, *, min: Any = None, max: Any = None
) -> Any:
    """`np.clip`; an end that is None does not limit."""
    low, high = (each if each is not _NOT_GIVEN else None for each in (a_min, a_max))
    low, high = min if low is None else low, max if high is None else high
    found = value if low is None else np.maximum(value, low)
    found = found if high is None else np.minimum(found, high)
    return np.positive(found, **({} if out is None else {"out": out}))


def rounded(value: Any, decimals: int = 0, out: Any = None) -> Any:
    """`np.round`: half to even, of the number times a power of ten."""
    named = {} if out is None else {"out": out}
    if decimals == 0:
        return np.rint(value, **named)
    factor = 10.0 ** abs(decimals)
    if decimals > 0:
        return np.divide(np.rint(value * factor), factor, **named)
    return np.multiply(np.rint(value / factor), factor, **named)


def truncated(value: Any, out: Any = None) -> Any:
    """`np.fix`."""
    return np.trunc(value, **({} if out is None else {"out": out}))


def polynomial(coefficients: Any, x: Any) -> Any:
    """`np.polyval`: the highest power first, by the scheme of Horner as numpy has it."""
    found: Any = np.zeros_like(x)
    for number, each in enumerate(coefficients):
        found = found + each if number == 0 else found * x + each
    return found


def selected(conditions: Any, choices: Any, default: Any = 0) -> Any:
    """`np.select`: the first choice whose condition is true."""
    if len(conditions) != len(choices):
        raise ValueError("numpy.select needs as many conditions as choices")
    found = default
    for condition, choice in reversed(list(zip(conditions, choices, strict=True))):
        found = np.where(condition, choice, found)
    return found


def piecewise(x: Any, conditions: Any, functions: Any, *args: Any, **named: Any) -> Any:
    """`np.piecewise`: every function on the whole array, the last true condition chosen."""
    conditions = list(conditions) if isinstance(conditions, list | tuple) else [conditions]
    pieces = [f(x, *args, **named) if callable(f) else f for f in functions]
    found: Any = np.zeros_like(x)
    if len(pieces) == len(conditions) + 1:
        found = found + pieces.pop()
    if len(pieces) != len(conditions):
        raise ValueError("numpy.piecewise needs a function for each condition, and at most one more")
    for condition, piece in zip(conditions, pieces, strict=True):
        found = np.where(condition, piece, found)
    return found


def without_nan(
    value: Any, copy: bool = True, nan: float = 0.0, posinf: float | None = None, neginf: float | None = None
) -> Any:
    """`np.nan_to_num`."""
    if not copy:
        raise NotTraceable("numpy.nan_to_num with copy=False", "let it return a new array")
    largest = sys.float_info.max
    found = np.where(np.isnan(value), nan, value)
    found = np.where(value == np.inf, largest if posinf is None else posinf, found)
    return np.where(value == -np.inf, -largest if neginf is None else neginf, found)


def average(value: Any, axis: Any = None, weights: Any = None, returned: bool = False, **named: Any) -> Any:
    """`np.average`, weighted by an array that broadcasts, or by numbers along one axis."""
    if returned:
        raise NotTraceable("numpy.average with returned=True", "sum the weights by numpy.sum")
    if weights is None:
        return np.mean(value, axis=axis, **named)
    if np.ndim(weights) == 1 and isinstance(axis, int):
        weights = np.reshape(weights, [-1 if i == axis % value.ndim else 1 for i in range(value.ndim)])
    total = np.sum(np.zeros_like(value) + weights, axis=axis, **named)
    return np.sum(value * weights, axis=axis, **named) / total


def variance(value: Any, axis: Any = None, ddof: int = 0, **named: Any) -> Any:
    """`np.var`."""
    apart = value - np.mean(value, axis=axis, **named)
    total = np.sum(apart * apart, axis=axis, **named)
    count = math.prod(value.shape[a] for a in ((axis,) if isinstance(axis, int) else axis))
    return total / float(count - ddof)


def deviation(value: Any, axis: Any = None, ddof: int = 0, **named: Any) -> Any:
    """`np.std`."""
    return np.sqrt(variance(value, axis, ddof, **named))


def extent(value: Any, axis: Any = None, **named: Any) -> Any:
    """`np.ptp`."""
    return np.max(value, axis=axis, **named) - np.min(value, axis=axis, **named)


def differences(value: Any, n: int = 1, axis: int = -1) -> Any:
    """`np.diff` along an axis behind that of the units."""
    if axis % value.ndim == 0:
        raise NotTraceable("numpy.diff over units", KEEP_AXES)
    before = (slice(None),) * (axis % value.ndim)
    for _ in range(n):
        value = value[(*before, slice(1, None))] - value[(*before, slice(None, -1))]
    return value
