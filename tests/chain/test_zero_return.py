"""What a sensor still puts out after a load, as share of the output at that load."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from margin.chain.elements import Contact, Sensor
from margin.chain.sensors import StrainGaugeBridge, TabulatedCurve, ThinFilm
from margin.chain.setting import Setting

PEAK = Setting(peak=60.0)


def sensors(zero_return: float, history: float) -> list[Sensor]:
    """One of each kind."""
    more = {"zero_return": zero_return, "history_draw": history}
    return [
        ThinFilm(sensitivity=4e-6, exponent=0.85, reference_load=20.0, **more),
        StrainGaugeBridge(rated_load=100.0, rated_output=2e-3, **more),
        TabulatedCurve(loads=(0.0, 30.0, 60.0), outputs=(1e-6, 7e-6, 11e-6), **more),
    ]


@pytest.mark.parametrize("kind", [0, 1, 2])
@given(share=st.floats(0.0, 0.1), history=st.floats(0.0, 1.0))
def test_residue_is_the_stated_share_of_the_output_at_the_peak(
    kind: int, share: float, history: float
) -> None:
    """Just unloaded (an end of the draw) all of it is left, rested (the middle) nothing."""
    sensor, rested = sensors(share, history)[kind], sensors(0.0, 0.5)[kind]
    zero, top = (rested.output(Contact(np.array(f)), PEAK) for f in (0.0, 60.0))
    left = sensor.output(Contact(np.array(0.0)), PEAK) - zero
    np.testing.assert_allclose(left, share * abs(2.0 * history - 1.0) * (top - zero), rtol=1e-9, atol=1e-18)


@pytest.mark.parametrize("kind", [0, 1, 2])
def test_the_design_curve_is_that_of_a_rested_sensor(kind: int) -> None:
    """At the nominal draw the inverse gives the load back, as without a zero return."""
    sensor = sensors(0.03, 0.5)[kind]
    loads = np.array([2.0, 20.0, 55.0])
    np.testing.assert_allclose(sensor.force_from(sensor.output(Contact(loads), PEAK), PEAK), loads, rtol=1e-9)
