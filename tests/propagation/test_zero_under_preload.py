"""A new zero of a preloaded pad: the unloaded reading has reload scatter of its own.

The pad is linear, G = G_r (share F + P) (1 + s z) with z from placement to placement (margin/guide/case_file.md and
the docstring of the film). Each law is computed here from draws made by numpy alone: before the placement another z.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pad_study import NONE, ONE_POINT, errors_of, only, pad_case

from margin.propagation.events import Event
from margin.propagation.model import model_of
from margin.propagation.readings import unloaded_event
from tests.propagation.test_load_history import along

PRELOAD, SCATTER, LOAD = 10.0, 0.02, 2.0
UNITS = 4000
TABLES: dict[str, Any] = {
    "interface": {"kind": "load concentrator", "preload": f"{PRELOAD} N"},
    "sensor": {"sensitivity": "2 uS", "exponent": 1.0, "reload_scatter": f"{SCATTER}"},
    "study": {"units": UNITS},
}
ZEROED = {**NONE, "name": "zeroed", "rezero": True}
CALIBRATED = {**ONE_POINT, "name": "calibrated", "rezero": True}


def readings_less_zero(load: float, rng: np.random.Generator) -> np.ndarray[Any, Any]:
    """What the firmware takes as load, of many units: output under the load less that before it, each scattered."""
    under, before = 1.0 + SCATTER * rng.standard_normal((2, 400_000))
    return (load + PRELOAD) * under - PRELOAD * before


def test_the_zero_does_not_share_the_scatter_of_the_placement() -> None:
    """Mean, spread and 97.5 % of the error at 2 N are those of two scattered readings, under the load and before."""
    error = only(pad_case(ZEROED, **TABLES, load={"check": ["2 N"]}))
    expected = readings_less_zero(LOAD, np.random.default_rng(1)) - LOAD
    # sqrt(12^2 + 10^2) * 2 % = 0.31 N; 4000 units know it to 1.1 %
    assert expected.std() == pytest.approx(0.312, abs=0.001)
    assert error.std() == pytest.approx(expected.std(), rel=0.05)
    assert np.quantile(error, 0.975) == pytest.approx(np.quantile(expected, 0.975), rel=0.08)
    assert error.mean() == pytest.approx(0.0, abs=4.0 * expected.std() / UNITS**0.5)


def test_the_zero_of_the_calibration_is_scattered_alike() -> None:
    """A gain from one load less its own zero: the spread is that of four scattered readings."""
    error = only(pad_case(CALIBRATED, **TABLES, load={"check": ["20 N"]}))
    rng = np.random.default_rng(2)
    expected = readings_less_zero(20.0, rng) * 30.0 / readings_less_zero(30.0, rng) - 20.0
    assert error.std() == pytest.approx(expected.std(), rel=0.05)


def test_along_a_history_the_unloaded_step_has_its_own_scatter() -> None:
    """Before the first load and between two loads: neither zero has part in the scatter of the placements around."""
    steps = ["2 N for 1 s, read", "0 N for 1 s", "2 N for 1 s, read"]
    error = errors_of(along(steps, ZEROED, **TABLES))["zeroed"][:, 0, 0, :, 0]
    expected = readings_less_zero(LOAD, np.random.default_rng(3)).std()
    assert error.std(axis=0) == pytest.approx(np.full(2, expected), rel=0.06)
    assert abs(np.corrcoef(error[:, 0], error[:, 1])[0, 1]) < 5.0 / UNITS**0.5


def test_what_the_placement_has_in_common_with_its_zero_stays_common() -> None:
    """Only reload scatter and draws of a reading are drawn again before the load: what earlier loads left is shared."""
    case = pad_case(ZEROED, **{**TABLES, "sensor": {**TABLES["sensor"], "zero_return": "2 %"}})
    event = Event("use", loads=7)
    again = {
        f.name
        for f in model_of(case).factors
        if unloaded_event(event).stream_of(f) != event.stream_of(f) and f.level != "reading"
    }
    assert again == {"sensor.reload_scatter (each loading)"}
