"""What a practitioner would write for one study: whole numpy arrays, broadcasting, `np.percentile`.

The pad of `throughput.py` (invented), with the same factors, readings and calibration as its case: a thin film with a
power law, read by an inverting amplifier and a 12-bit ratiometric converter, calibrated at two loads. It stands here
as the measure of speed, and as an independent computation of the same yield.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LOADS = np.linspace(2.0, 60.0, 11)
CALIBRATION_LOADS = np.array([6.0, 54.0])
CONDITIONS, LOADINGS, READINGS = 2, 2, 2


@dataclass(frozen=True)
class PlainResult:
    """Yield at every check point (share of units), and 2.5 % and 97.5 % points of the error, (2, load), N."""

    conforming: float
    percentiles: Array


def plain_study(units: int, seed: int) -> PlainResult:
    """Draw, calibrate and judge `units` units."""
    rng = np.random.default_rng(seed)
    unit = (units, 1, 1, 1, 1)
    sensitivity = 40e-6 * (1.0 + 0.05 * rng.standard_normal(unit))
    exponent = 0.85 + 0.01 * rng.standard_normal(unit)
    offset_conductance = 0.2e-6 + rng.uniform(-0.1e-6, 0.1e-6, unit)
    tempco = -0.002 + 0.0005 * rng.standard_normal(unit)
    creep = 0.02 + 0.003 * rng.standard_normal(unit)
    reference = 3.0 * (1.0 + rng.uniform(-0.005, 0.005, unit))
    feedback = 12e3 * (1.0 + rng.uniform(-0.01, 0.01, unit))
    offset = rng.uniform(-2e-3, 2e-3, unit)
    gain = rng.uniform(-0.002, 0.002, unit)
    counts_offset = rng.uniform(-2.0, 2.0, unit)

    def code(load: Array, temperature: Array, dwell: Array | float, reload: Array, noise: Array) -> Array:
        conductance = offset_conductance + (
            sensitivity
            * (load / 20.0) ** exponent
            * (1.0 + creep * np.log10(dwell))
            * (1.0 + tempco * (temperature - 23.0))
            * (1.0 + 0.015 * reload)
        )
        voltage = 0.3 * reference + 0.3 * reference * feedback * conductance
        voltage += offset * (1.0 + feedback * conductance)
        counts = voltage / reference * 4096.0 * (1.0 + gain) + counts_offset + 0.7 * noise
        return np.clip(np.round(counts), 0.0, 4095.0)

    def load_of(code: Array) -> Array:
        conductance = (code / 4096.0 * 3.0 - 0.9) / (0.9 * 12e3)
        pad = np.maximum(conductance - 0.2e-6, 0.0) / 40e-6
        return 20.0 * pad ** (1.0 / 0.85)

    at = (units, 1, 1, 1, CALIBRATION_LOADS.size)
    true = CALIBRATION_LOADS - 0.05 * rng.standard_normal(at)
    station = 23.0 + rng.uniform(-2.0, 2.0, unit)
    seen = load_of(code(true, station, 1.0, rng.standard_normal(at), rng.standard_normal(at)))
    slope = (CALIBRATION_LOADS[1] - CALIBRATION_LOADS[0]) / (seen[..., 1:] - seen[..., :1])

    temperature = rng.uniform(5.0, 40.0, (units, CONDITIONS, 1, 1, 1))
    dwell = rng.uniform(0.3, 3.0, (units, CONDITIONS, 1, 1, 1))
    reload = rng.standard_normal((units, CONDITIONS, LOADINGS, 1, LOADS.size))
    noise = rng.standard_normal((units, CONDITIONS, LOADINGS, READINGS, LOADS.size))
    estimate = load_of(code(LOADS, temperature, dwell, reload, noise))
    error = CALIBRATION_LOADS[0] + slope * (estimate - seen[..., :1]) - LOADS
    permissible = np.maximum(0.12 * LOADS, 1.0)
    within = (np.abs(error) <= permissible).all(axis=(1, 2, 3, 4))
    return PlainResult(float(within.mean()), np.percentile(error, [2.5, 97.5], axis=(0, 1, 2, 3)))
