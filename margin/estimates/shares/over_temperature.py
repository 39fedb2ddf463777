"""Shares of the variance at fixed temperatures in use."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.case.types import Case, Quantity
from margin.estimates.sensitivity.rounds import Refined, Study
from margin.estimates.shares.plan import SharesPlan
from margin.estimates.shares.tables import effects_frame, sums_frame
from margin.propagation.model import model_of
from margin.propagation.readings import use_conditions

Array = NDArray[np.float64]
Drawn = Callable[[SharesPlan, tuple[str, ...], int], Refined]
"""Evaluates a plan by groups within a budget of units."""

TEMPERATURES = 7
"""Points over the range of temperatures in use."""


def temperatures_in_use(case: Case) -> Array:
    """degC, (TEMPERATURES,): evenly over the range in use (0.5 % and 99.5 % points where it has no ends)."""
    ends: list[float] = []
    general = case.elements["use"].quantities["temperature"]
    for condition in use_conditions(case):
        quantity = general if condition is None else condition.quantities.get("temperature", general)
        deviations = np.zeros(2)
        for spread in quantity.spreads:
            shape = spread.distribution
            ends_of = np.array(shape.support)
            step = np.where(np.isfinite(ends_of), ends_of, shape.ppf(np.array([0.005, 0.995])))
            deviations += step * quantity.nominal if spread.relative else step
        ends += list(quantity.nominal + deviations)
    low, high = min(ends), max(ends)
    return np.linspace(low, high, TEMPERATURES) if high > low else np.array([low])


def at_temperature(case: Case, temperature: float) -> Case:
    """The case with all its use at one temperature, degC; what was tied to the temperature is drawn without it."""

    def fixed(quantity: Quantity) -> Quantity:
        return replace(quantity, nominal=temperature, spreads=())

    use = case.elements["use"]
    general = {**use.quantities, "temperature": fixed(use.quantities["temperature"])}
    named = tuple(
        replace(
            condition,
            quantities={
                name: fixed(quantity) if name == "temperature" else quantity
                for name, quantity in condition.quantities.items()
            },
        )
        for condition in case.conditions
    )
    elements = {**case.elements, "use": replace(use, quantities=general)}
    drawn = {
        general["temperature"].name,
        *(c.quantities["temperature"].name for c in named if "temperature" in c.quantities),
    }
    ties = tuple(tie for tie in case.dependences if drawn.isdisjoint((tie.first, tie.second)))
    return replace(case, elements=elements, conditions=named, dependences=ties)


def over_temperature(case: Case, drawn: Drawn, runs: int) -> pd.DataFrame:
    """Effects by cause at each temperature: columns as `effects_frame`, standard_deviation, mean, temperature_degC."""
    frames = []
    for temperature in temperatures_in_use(case):
        plan = SharesPlan.of(model_of(at_temperature(case, float(temperature))))
        groups = plan.groups("cause")
        least = Study(tuple(dict.fromkeys(groups)), (), runs).least
        found = drawn(plan, groups, max(runs // (2 * TEMPERATURES), least)).effects
        sums = sums_frame(found, "cause")[["option", "output", "standard_deviation", "mean"]]
        merged = effects_frame(found, "cause").merge(sums, on=["option", "output"])
        frames.append(merged.assign(temperature_degC=temperature))
    return pd.concat(frames, ignore_index=True)
