"""Relative errors of a force-proving instrument, as ISO 376:2011 defines them (formulas from memory).

For the reference load cell of a bench, read at rotated positions. All results in %; arguments are
deflections (numbers or arrays over loads) in any one unit. The class limits of the standard are not given
here.
"""

from __future__ import annotations

import numpy as np

from margin.chain.parameter import Value


def reproducibility_error(first: Value, third: Value, fifth: Value) -> Value:
    """b = 100 (Xmax - Xmin) / Xr of the rising series X1, X3, X5 at rotated positions, Xr their mean."""
    largest = np.maximum(np.maximum(first, third), fifth)
    smallest = np.minimum(np.minimum(first, third), fifth)
    return 100.0 * (largest - smallest) / mean_deflection(first, third, fifth)


def mean_deflection(first: Value, third: Value, fifth: Value) -> Value:
    """Xr = (X1 + X3 + X5) / 3, in the unit of the deflections."""
    return (first + third + fifth) / 3.0


def repeatability_error(first: Value, second: Value) -> Value:
    """b' = 100 |X2 - X1| / Xwr of two rising series in the same position, Xwr their mean."""
    result: Value = 100.0 * np.abs(second - first) / (0.5 * (first + second))
    return result


def interpolation_error(mean: Value, fitted: Value) -> Value:
    """fc = 100 (Xr - Xa) / Xa, Xa from a polynomial of degree 3 or less."""
    return 100.0 * (mean - fitted) / fitted


def zero_error(initial: Value, final: Value, largest: Value) -> Value:
    """f0 = 100 (if - i0) / XN: zero after less zero before, of the deflection XN at the highest load."""
    return 100.0 * (final - initial) / largest


def reversibility_error(third: Value, fourth: Value, fifth: Value, sixth: Value) -> Value:
    """v = (v1 + v2) / 2, v1 = 100 |X4' - X3| / X3, v2 = 100 |X6' - X5| / X5: falling against rising."""
    result: Value = 50.0 * (np.abs(fourth - third) / third + np.abs(sixth - fifth) / fifth)
    return result


def creep_error(at_30_s: Value, at_300_s: Value, largest: Value) -> Value:
    """c = 100 (i300 - i30) / XN: change from 30 s to 300 s after a change of load."""
    return 100.0 * (at_300_s - at_30_s) / largest
