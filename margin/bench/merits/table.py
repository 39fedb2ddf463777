"""All figures of merit of a bench: of each sensor with each circuit and interface, and pooled."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pandas as pd

from margin.bench.data import SET_ASIDE, BenchData, at_points
from margin.bench.errors import Lack
from margin.bench.merits.merit import Merit, lacking, mean_interval
from margin.bench.merits.slow import DEFAULT_T0, drift, resolution, temperature_coefficients
from margin.bench.merits.static import (
    Pairing,
    hysteresis,
    linearities,
    repeatability,
    reproducibility,
    sensitivity,
    zero,
    zero_return,
)
from margin.bench.merits.sweeps import SAME_TEMPERATURE, Sweeps, holds_of, sweeps_of, usual_temperature

GROUP = ["circuit", "interface"]
WHO = ["lot", "sensor"]
NEVER_NEGATIVE = ("linearity", "hysteresis", "repeatability", "reproducibility", "resolution")


def figures_of_merit(
    data: BenchData,
    *,
    t0: float = DEFAULT_T0,
    pairing: Pairing = "same cycle",
    confidence: float = 0.95,
    without: Sequence[str] = SET_ASIDE,
) -> list[Merit]:
    """Figures of merit of each sensor, then pooled over sensors, for each circuit and interface.

    t0          s, time that the drift per decade refers to
    pairing     which branches make a hysteresis loop: 'same cycle' or 'next cycle'
    confidence  of every interval
    without     kinds of flagged readings that are left out
    Static figures are taken from the cycles within 2 degC of the median temperature.
    """
    merits: list[Merit] = []
    frame = data.usable(without)
    for (circuit, interface), group in frame.groupby(GROUP, observed=True, sort=False):
        points = at_points(group)
        single: list[Merit] = []
        for (lot, sensor), part in points.groupby(WHO, observed=True, sort=False):
            found = of_sensor(part, data.quantity, data.unit, t0=t0, pairing=pairing, confidence=confidence)
            single += [dataclasses.replace(merit, sensor=f"{lot} / {sensor}") for merit in found]
        both = [*single, *pooled(single, confidence)]
        merits += [dataclasses.replace(m, circuit=str(circuit), interface=str(interface)) for m in both]
    return merits


def of_sensor(
    points: pd.DataFrame,
    quantity: str,
    unit: str,
    *,
    t0: float = DEFAULT_T0,
    pairing: Pairing = "same cycle",
    confidence: float = 0.95,
) -> list[Merit]:
    """Figures of merit of one sensor with one circuit and interface; `points` as from `at_points`."""
    everything = sweeps_of(points)
    sweeps = at_usual_temperature(everything)
    if not sweeps.cycles:
        note = Lack("no load cycle", "read two or more loads in one run")
        return [lacking("sensitivity", f"{unit}/N", "slope of the ascending branch", note)] + [
            drift(holds_of(points), confidence, t0)
        ]
    return [
        zero(sweeps, unit, confidence),
        sensitivity(sweeps, unit, confidence),
        *linearities(sweeps, confidence),
        hysteresis(sweeps, confidence, pairing),
        hysteresis(sweeps, confidence, pairing, largest=True),
        *repeatability(sweeps, confidence),
        reproducibility(sweeps, confidence),
        zero_return(sweeps, confidence),
        drift(holds_of(points), confidence, t0),
        *temperature_coefficients(everything, confidence),
        resolution(points, sweeps, quantity, confidence),
    ]


def at_usual_temperature(sweeps: Sweeps) -> Sweeps:
    """Cycles within 2 degC of the median temperature."""
    if not sweeps.cycles:
        return sweeps
    return sweeps.take(np.abs(sweeps.temperature - usual_temperature(sweeps.temperature)) <= SAME_TEMPERATURE)


def pooled(merits: Sequence[Merit], confidence: float) -> list[Merit]:
    """Mean over sensors of each figure, with its Student t interval over sensors (JCGM 100, G.3)."""
    result = []
    for name in dict.fromkeys(merit.name for merit in merits):
        of_name = [merit for merit in merits if merit.name == name]
        values = np.array([m.value for m in of_name if m.value is not None], dtype=float)
        first = of_name[0]
        text = f"mean over sensors: {first.definition}"
        if not values.size:
            result.append(dataclasses.replace(lacking(name, first.unit, text, first.note), sensor="pooled"))
            continue
        mean, low, high = mean_interval(values, confidence)
        if low is not None and name.startswith(NEVER_NEGATIVE):
            low = max(low, 0.0)
        note = f"{values.size} of {len(of_name)} sensors" if values.size < len(of_name) else ""
        if low is None:
            note = Lack("one sensor", "measure several for an interval over sensors")
        result.append(
            Merit(
                name, mean, low, high, first.unit, text, confidence, int(values.size), note, sensor="pooled"
            )
        )
    return result
