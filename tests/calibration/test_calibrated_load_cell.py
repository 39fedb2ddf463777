"""A real load cell calibrated on its first pass and judged on its second: NIST StRD 'Pontius'.

NIST Statistical Reference Datasets, linear regression, 'Pontius': load-cell calibration by P. Pontius, NIST;
20 loads, two ascending passes; load units are not stated.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from margin.calibration.schemes import Correction, least_squares, one_point, piecewise

Array = np.ndarray

FILE = Path(__file__).parents[1] / "published" / "data" / "load_cell_calibration.csv"
_FRAME = pd.read_csv(FILE, comment="#")
LOAD = _FRAME.loc[_FRAME["run"] == 1, "load"].to_numpy(dtype=float)
FIRST = _FRAME.loc[_FRAME["run"] == 1, "deflection"].to_numpy()
SECOND = _FRAME.loc[_FRAME["run"] == 2, "deflection"].to_numpy()
MIDDLE, ENDS = 9, [0, 19]
SPAN = LOAD[-1] - LOAD[0]


def unit(deflection: Array) -> Array:
    """One unit's deflections as (unit, 1, 1, 1, load)."""
    return np.asarray(deflection).reshape(1, 1, 1, 1, -1)


EQUAL = np.ones(LOAD.size)
SCHEMES: dict[str, tuple[Correction, Array]] = {
    "one-point": (
        one_point(unit(FIRST[MIDDLE]), LOAD[MIDDLE], 0.0),
        LOAD[MIDDLE] / FIRST[MIDDLE] * SECOND,
    ),
    "two-point": (
        least_squares(unit(FIRST[ENDS]), LOAD[ENDS], 1, np.ones(2)),
        LOAD[0] + SPAN / (FIRST[-1] - FIRST[0]) * (SECOND - FIRST[0]),
    ),
    "line": (least_squares(unit(FIRST), LOAD, 1, EQUAL), np.polyval(np.polyfit(FIRST, LOAD, 1), SECOND)),
    "parabola": (least_squares(unit(FIRST), LOAD, 2, EQUAL), np.polyval(np.polyfit(FIRST, LOAD, 2), SECOND)),
    "weighted parabola": (
        least_squares(unit(FIRST), LOAD, 2, 1 / LOAD**2),
        np.polyval(np.polyfit(FIRST, LOAD, 2, w=1 / LOAD), SECOND),
    ),
    "pieces": (
        piecewise(unit(FIRST), LOAD),
        # one reading of the second pass lies beyond the first pass at either end
        np.where(
            FIRST[-1] < SECOND,
            LOAD[-1] + (LOAD[-1] - LOAD[-2]) / (FIRST[-1] - FIRST[-2]) * (SECOND - FIRST[-1]),
            np.interp(SECOND, FIRST, LOAD),
        ),
    ),
}
"""Correction as the tool fits it, and the load that a few lines of numpy report on the second pass."""


def of_span(scheme: str) -> Array:
    """Error of the second pass, % of span."""
    return 100 * (SCHEMES[scheme][0].load(unit(SECOND)).ravel() - LOAD) / SPAN


def test_the_data_are_whole() -> None:
    """40 observations, 20 loads, two passes over the same loads."""
    assert LOAD.size == FIRST.size == SECOND.size == 20
    assert (LOAD[0], LOAD[-1]) == (150_000, 3_000_000)
    assert (FIRST[0], SECOND[-1]) == (0.11019, 2.16829)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_schemes_agree_with_plain_numpy(scheme: str) -> None:
    """Errors of the second pass in % of span and of reading agree with numpy's to 1e-9."""
    correction, expected = SCHEMES[scheme]
    found = correction.load(unit(SECOND)).ravel()
    assert 100 * (found - LOAD) / SPAN == pytest.approx(100 * (expected - LOAD) / SPAN, abs=1e-9)
    assert 100 * (found - LOAD) / LOAD == pytest.approx(100 * (expected - LOAD) / LOAD, abs=1e-9)


def test_the_parabola_is_best() -> None:
    """The cell is curved (e-Handbook of NIST/SEMATECH, 4.6.1: the straight line lacks fit, the parabola does
    not): errors fall from one point to two, to the fitted line, to the parabola, by an order of magnitude."""
    largest = {scheme: np.abs(of_span(scheme)).max() for scheme in SCHEMES}
    rms = {scheme: np.sqrt(np.mean(of_span(scheme) ** 2)) for scheme in SCHEMES}
    assert rms["line"] < rms["two-point"]
    assert largest["line"] < largest["two-point"]
    for bent in ("line", "two-point", "one-point"):
        assert 8 * rms["parabola"] < rms[bent]
        assert 5 * largest["parabola"] < largest[bent]
    # 2.05e-4 of deflection is the certified residual standard deviation of the parabola: 0.01 % of span
    assert rms["parabola"] == pytest.approx(100 * 2.05e-4 / 2.058, rel=0.5)
    assert rms["parabola"] < rms["pieces"] < 2 * rms["parabola"]


def test_relative_weights_serve_low_loads() -> None:
    """Weights of 1 / load squared lower the error of a line, in % of reading, in the lowest quarter of
    the range and raise it at the top."""
    weighted = least_squares(unit(FIRST), LOAD, 1, 1 / LOAD**2)
    relative = 100 * (weighted.load(unit(SECOND)).ravel() - LOAD) / LOAD
    equal = of_span("line") * SPAN / LOAD
    assert np.abs(relative[:5]).max() < 0.5 * np.abs(equal[:5]).max()
    assert np.abs(relative[-1]) > np.abs(equal[-1])
