"""Numbers as short text: base64 of little-endian integers and single-precision floats, and back."""

from __future__ import annotations

import base64
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SMALLEST, LARGEST = 1e-4, 1e4
"""Ends of the ratios that are told apart."""

RATIO_STEP = math.log(LARGEST / SMALLEST) / 65535.0

CHANGE_STEP = 1.5 / 127.0
"""Step of the logarithm of a change of a ratio, in one byte: a factor of 4.5 either way."""

CURVE = 0.3
"""Errors below this share of the permissible one are stored in even steps, larger ones in steps of their own size."""

CELLS = 255
"""Cells of an error in one byte."""


def _text(values: NDArray[Any], kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype=kind).tobytes()).decode("ascii")


def _numbers(text: str, kind: str) -> Array:
    return np.frombuffer(base64.b64decode(text), dtype=kind).astype(np.float64)


def floats(values: Array) -> str:
    """Numbers to seven digits, 4 bytes each."""
    return _text(values, "<f4")


def read_floats(text: str) -> Array:
    return _numbers(text, "<f4")


def even(values: Array) -> dict[str, Any]:
    """Numbers in 65535 even steps from the least to the largest, 2 bytes each."""
    low, high = float(values.min()), float(values.max())
    # numbers closer than the smallest step that there is are one number
    step = (high - low) / 65535.0 or 1.0
    return {"low": low, "step": step, "codes": _text(np.rint((values - low) / step), "<u2")}


def read_even(stored: dict[str, Any]) -> Array:
    result: Array = float(stored["low"]) + float(stored["step"]) * _numbers(stored["codes"], "<u2")
    return result


def ratios(values: Array) -> str:
    """Ratios by their logarithm, steps of 0.03 %, 2 bytes each; what is no number counts as the largest."""
    known = np.where(np.isnan(values), LARGEST, np.clip(values, SMALLEST, LARGEST))
    return _text(np.rint(np.log(known / SMALLEST) / RATIO_STEP), "<u2")


def read_ratios(text: str) -> Array:
    result: Array = SMALLEST * np.exp(RATIO_STEP * _numbers(text, "<u2"))
    return result


def changes(values: Array) -> str:
    """Factors on ratios, steps of 1.2 %, 1 byte each."""
    known = np.where(np.isfinite(values) & (values > 0.0), values, 1.0)
    return _text(np.clip(np.rint(np.log(known) / CHANGE_STEP), -127, 127), "<i1")


def read_changes(text: str) -> Array:
    result: Array = np.exp(CHANGE_STEP * _numbers(text, "<i1"))
    return result


def cells(values: Array, reach: float) -> str:
    """Errors over permissible errors as the number of their cell, 1 byte each; those beyond `reach` in the last."""
    half = (CELLS - 1) // 2
    bent = np.arcsinh(np.nan_to_num(values, nan=reach) / CURVE) / math.asinh(reach / CURVE)
    return _text(half + np.clip(np.rint(half * bent), -half, half), "<u1")


def read_cells(text: str) -> NDArray[np.int64]:
    """Numbers of the cells."""
    return _numbers(text, "<u1").astype(np.int64)


def cell_edges(reach: float) -> Array:
    """(CELLS + 1,) Edges of the cells, errors over permissible errors."""
    half = (CELLS - 1) // 2
    place = (np.arange(CELLS + 1) - half - 0.5) / half
    result: Array = CURVE * np.sinh(place * math.asinh(reach / CURVE))
    return result
