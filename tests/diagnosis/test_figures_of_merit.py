"""Figures of merit of a prototype against values known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from margin.diagnosis.figures import Shape, figures_of, lacking

LOADS = np.array([0.0, 5.0, 10.0, 20.0, 40.0, 20.0, 10.0, 5.0, 0.0])
DOWN = np.array([0.0] * 5 + [1.0] * 4)


def shape(mounting: tuple[int, ...], hold: bool = False) -> Shape:
    """Full cycles over four loads, with a hold at 10 N where asked for."""
    present = np.ones((len(mounting), LOADS.size), dtype=bool)
    times = np.array([1.0, 10.0, 100.0]) if hold else None
    return Shape(LOADS, DOWN, np.array(mounting), present, 10.0 if hold else None, times)


def values(
    of: Shape, indicated: NDArray[np.float64], held: NDArray[np.float64] | None = None
) -> dict[str, float]:
    """Figures by name."""
    figures, found = figures_of(of, indicated, held)
    return {figure.name: float(value) for figure, value in zip(figures, found, strict=True)}


def test_exact_unit_has_no_error() -> None:
    """A unit that indicates what is applied has no error, bend, hysteresis or zero return, and the least scatter."""
    found = values(shape((0, 0, 1)), np.tile(LOADS, (3, 1)))
    scatters = {name for name in found if name.startswith("scatter")}
    assert scatters == {"scatter from run to run", "scatter after remounting", "scatter within a run"}
    assert all(found[name] <= 1.01e-4 for name in scatters)
    assert [found[name] for name in found if name not in scatters] == pytest.approx([0.0] * 10, abs=1e-9)


def test_power_law_and_hold() -> None:
    """1.1 (F / F0)^0.9 F0 at the mean load by ratio has a sensitivity of 10 %, an exponent of -10 % and no bend; a hold
    that grows by 2 % per decade creeps by 2 %."""
    middle = float(np.exp(np.log([5.0, 10.0, 20.0, 40.0]).mean()))
    indicated = np.where(LOADS > 0.0, 1.1 * middle * (np.maximum(LOADS, 1.0) / middle) ** 0.9, 0.0)
    held = 10.0 * 1.02 ** np.array([0.0, 1.0, 2.0])
    found = values(shape((0,), hold=True), indicated[None], held)
    assert found["sensitivity"] == pytest.approx(10.0)
    assert found["exponent"] == pytest.approx(-10.0)
    assert found["bend"] == pytest.approx(0.0, abs=1e-9)
    assert found["creep"] == pytest.approx(2.0)


def test_loop_zero_and_scatter() -> None:
    """A loop of 3 % of the load, a zero of 0.2 N, 0.1 N more after unloading, and runs that scatter by a stated
    standard deviation are found as such."""
    logs = np.array([-0.01, 0.0, 0.01])
    indicated = LOADS * (1.0 + 0.03 * DOWN) * np.exp(logs)[:, None] + 0.2
    indicated[:, -1] += 0.1
    found = values(shape((0, 0, 0)), indicated)
    mean = float(np.exp(logs).mean())
    assert found["zero"] == pytest.approx(0.2) and found["zero return"] == pytest.approx(0.1)
    assert found["hysteresis"] == pytest.approx(3.0 * mean)
    assert found["scatter from run to run"] == pytest.approx(1.0, rel=1e-9)
    assert found["scatter within a run"] <= 1.01e-4


def test_missing_readings_and_figures() -> None:
    """A missing reading is left out of its mean; what one run of two loads cannot give is listed."""
    present = np.array([[True, True], [True, False]])
    two = Shape(np.array([10.0, 20.0]), np.zeros(2), np.array([0, 0]), present)
    found = values(two, np.array([[11.0, 22.0], [13.0, np.nan]]))
    assert found["error at 10 N"] == pytest.approx(20.0) and found["error at 20 N"] == pytest.approx(10.0)
    one = Shape(np.array([10.0, 20.0]), np.zeros(2), np.array([0]), np.ones((1, 2), dtype=bool))
    assert [lack.what for lack in lacking(one)] == [
        "exponent", "bend", "zero", "zero return", "hysteresis", "scatter from run to run", "scatter after remounting",
        "creep",
    ]  # fmt: skip
    assert all(lack.measure for lack in lacking(one))
    assert lacking(shape((0, 0, 1), hold=True)) == ()
