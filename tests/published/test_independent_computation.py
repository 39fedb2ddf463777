"""Deciding numbers of whole cases against a computation by itself.

Each equation of sensor, circuit, station, calibration and load history is written out here again, with random numbers
of its own or a closed form: nothing is shared with the program but the text of the case.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import norm

import margin

Array = NDArray[np.float64]
UNITS = 200_000

BRIDGE = """
[case]
name = "bridge"
unstated = "zero"
[load]
range = "5 N to 100 N"
{check}
[requirement]
permissible_error = "{limit}"
conditions = {conditions}
loadings = 1
yield = "{share} %"
[sensor]
kind = "strain-gauge bridge"
rated_load = "100 N"
{sensor}
[circuit]
kind = "bridge amplifier"
reference = "5 V"
internal_resistor = "80 kohm"
gain_resistor = "400 ohm"
pedestal_ratio = 0.2
[converter]
bits = 0
noise = {noise}
[use]
temperature = "{temperature}"
dwell = "1 s"
[station]
temperature = "25 degC"
{station}
{more}
[study]
seed = 1
units = 20000
draw = "all units"
"""
PLAIN_AND_ZEROED = """
[[calibration]]
name = "plain"
kind = "one-point"
loads = ["80 N"]
[[calibration]]
name = "zeroed"
kind = "one-point"
loads = ["80 N"]
rezero = true
"""
NEWTON = 201.0 * 2e-3 / 100.0
"""Share of full scale for one newton: gain 1 + 80 kohm / 400 ohm, 2 mV/V at 100 N."""


def case(folder: Path, **given: object) -> Path:
    """A case file of the bridge."""
    usual = {"check": "", "conditions": 1, "share": 90, "noise": 0, "temperature": "25 degC", "station": ""}
    path = folder / "case.toml"
    path.write_text(BRIDGE.format(**{**usual, **given}))
    return path


def agree(low: float, high: float, own: float) -> bool:
    """Whether an interval of the program holds the share computed here, within three standard errors of that."""
    error = 3.0 * np.sqrt(own * (1.0 - own) / UNITS)
    return bool(low - error <= own <= high + error)


def numbers(table: pd.DataFrame, **of: str) -> dict[str, Any]:
    """The one row of a table with these texts."""
    for column, text in of.items():
        table = table[table[column] == text]
    assert len(table) == 1
    return {str(name): value for name, value in table.iloc[0].items()}


def yields_agree(study: margin.Study, failed: dict[str, NDArray[np.bool_]]) -> None:
    """Assert that the yield of each option is that of the units simulated here."""
    for option, bad in failed.items():
        row = numbers(study.yields, option=option)
        assert agree(row["yield_low"], row["yield_high"], 1.0 - float(bad.mean())), option


@pytest.mark.parametrize("station", ["same", "other"])
def test_shares_of_an_acceptance_test(tmp_path: Path, station: str) -> None:
    """Shipped, shipped bad and scrapped good, with scatter, reference gain and temperature: by simulation."""
    path = case(
        tmp_path, check='check = ["50 N", "100 N"]', limit="1.2 % of reading", temperature="10 degC to 40 degC",
        sensor='rated_output = "2 mV/V +/- 5 % (2 sigma)"\nspan_temperature_coefficient = "0 %/K +/- 0.05 %/K per unit"'
        '\nreload_span_scatter = "0.2 %"',
        station='reference_gain = "0 % +/- 0.8 % (2 sigma)"\nreference_scatter = "0.1 N"',
        more='[[calibration]]\nkind = "one-point"\nloads = ["100 N"]',
    )  # fmt: skip
    limits = margin.accept(path, limits=[0.6], station="same" if station == "same" else "other").limits
    row = numbers(limits[np.isclose(limits["limit"], 0.6)])

    rng = np.random.default_rng(11)
    drift = 5e-4 * rng.uniform(-1.0, 1.0, UNITS)
    gain = 4e-3 * rng.standard_normal(UNITS)
    tested = gain if station == "same" else 4e-3 * rng.standard_normal(UNITS)

    def placed(load: Array | float, warming: Array | float) -> Array:
        scatter: Array = 1.0 + 0.002 * rng.standard_normal(UNITS)
        return np.asarray(load * scatter * (1.0 + drift * warming))

    def applied(load: float, error: Array) -> Array:
        return np.asarray((load - 0.1 * rng.standard_normal(UNITS)) / (1.0 + error))

    factor = 100.0 / placed(applied(100.0, gain), 0.0)
    ratio, worst = np.zeros(UNITS), np.zeros(UNITS)
    warming = rng.uniform(-15.0, 15.0, UNITS)
    for load in (50.0, 100.0):
        found = factor * placed(applied(load, tested), 0.0)
        ratio = np.maximum(ratio, np.abs(found / load - 1.0) / 0.012)
        worst = np.maximum(worst, np.abs(factor * placed(load, warming) / load - 1.0) / 0.012)
    shipped, bad = ratio <= 0.6, worst > 1.0
    own = {
        "scrapped": (~shipped).mean(),
        "shipped_bad": (shipped & bad).mean(),
        "bad_of_shipped": bad[shipped].mean(),
        "scrapped_good": (~shipped & ~bad).mean(),
        "scrapped_of_good": (~shipped)[~bad].mean(),
    }
    for name, value in own.items():
        assert agree(row[f"{name}_low"], row[f"{name}_high"], float(value)), name


def test_overturning_values_of_a_drift(tmp_path: Path) -> None:
    """Half width and mean of a temperature coefficient at which 80 % still conform: roots of a quadrature."""
    path = case(
        tmp_path, check='check = ["100 N"]', limit="1.5 % of reading", share=80, temperature="10 degC to 40 degC",
        sensor='rated_output = "2 mV/V"\nspan_temperature_coefficient = "0.05 %/K +/- 0.05 %/K per unit"',
        more='[[calibration]]\nkind = "none"',
    )  # fmt: skip
    values = margin.overturn(path, "none", pairs=False, units=20_000).values
    middle = (np.arange(4000) + 0.5) / 2000.0 - 1.0

    def share(mean: float, half_width: float) -> float:
        """Share of (coefficient, warming) with |coefficient * warming| below 1.5 %, warming uniform in +/- 15 K."""
        largest = np.abs(mean + half_width * middle) * 15.0
        return float(np.minimum(1.0, 0.015 / np.maximum(largest, 1e-12)).mean())

    name = "sensor.span_temperature_coefficient"
    width = brentq(lambda half: share(5e-4, half) - 0.8, 1e-4, 1e-2)
    row = numbers(values, quantity=name, kind="size")
    assert row["value_low"] <= width <= row["value_high"]
    mean = brentq(lambda value: share(value, 5e-4) - 0.8, 5e-4, 1e-2)
    row = numbers(values, quantity=name, kind="value", direction="below")
    assert row["value_low"] <= mean <= row["value_high"]


def test_overturning_value_of_a_tolerance(tmp_path: Path) -> None:
    """Standard deviation of the sensitivity at which 90 % still conform: the limit over the 95 % normal point."""
    path = case(
        tmp_path, check='check = ["100 N"]', limit="2 % of reading", more='[[calibration]]\nkind = "none"',
        sensor='rated_output = "2 mV/V +/- 2 % (2 sigma)"',
    )  # fmt: skip
    values = margin.overturn(path, "none", pairs=False, units=20_000).values
    row = numbers(values, kind="size")
    assert row["value_low"] <= 2.0 / norm.ppf(0.95) <= row["value_high"]


def test_a_new_zero_before_each_placement(tmp_path: Path) -> None:
    """Drift of zero, residues and noise with and without a new zero; scatter of the placement stays: by simulation."""
    study = margin.estimate(
        case(
            tmp_path, check='check = ["10 N", "100 N"]', limit="1.2 % of span", conditions=2, noise=0.0008,
            temperature="15 degC to 35 degC", more=PLAIN_AND_ZEROED,
            sensor='rated_output = "2 mV/V +/- 6 % (2 sigma)"\nzero = "0 mV/V +/- 0.01 mV/V (2 sigma)"\n'
            'zero_temperature_coefficient = "0 mV/V/K +/- 0.0006 mV/V/K per unit"\nreload_span_scatter = "0.2 %"\n'
            'reload_scatter = "0.2 %"\nzero_return = "0.5 %"',
        ),
        budget=False,
    )  # fmt: skip
    rng = np.random.default_rng(12)
    span = 1.0 + 0.03 * rng.standard_normal(UNITS)
    zero = 0.25 * rng.standard_normal(UNITS)
    drift = 0.03 * rng.uniform(-1.0, 1.0, UNITS)

    def readings(load: float, warming: Array | float) -> dict[str, Array]:
        """Newtons of a nominal cell, without a zero and from a new one."""
        left = 0.5 * span * np.abs(2.0 * rng.random(UNITS) - 1.0) + zero + drift * warming
        added = load * span * (1.0 + 0.002 * rng.standard_normal(UNITS)) + 0.2 * span * rng.standard_normal(
            UNITS
        )
        after, before = 0.0008 / NEWTON * rng.standard_normal((2, UNITS))
        return {"plain": added + left + after, "zeroed": added + after - before}

    factors = {option: 80.0 / found for option, found in readings(80.0, 0.0).items()}
    failed = {option: np.zeros(UNITS, dtype=bool) for option in factors}
    for _ in range(2):
        warming = rng.uniform(-10.0, 10.0, UNITS)
        for load in (10.0, 100.0):
            for option, found in readings(load, warming).items():
                failed[option] |= np.abs(factors[option] * found - load) > 0.012 * 95.0
    yields_agree(study, failed)


def test_a_load_history(tmp_path: Path) -> None:
    """Creep, loop and residue along grips, from rest: superposed logarithms, play operators, exponential recovery."""
    grips = [(90.0, 20.0), (40.0, 4.0), (0.0, 3.0), (10.0, 1.0), (0.0, 15.0)] * 4
    study = margin.estimate(
        case(
            tmp_path, limit="1.2 % of span", more=PLAIN_AND_ZEROED
            + '[history]\nsteps = ["90 N for 20 s, read", "40 N for 4 s, read", "0 N for 3 s", "10 N for 1 s, read", '
            '"0 N for 15 s"]\nrepeat = 4\nrecovery = "8 s"',
            sensor='rated_output = "2 mV/V +/- 6 % (2 sigma)"\nreload_span_scatter = "0.2 %"\nzero_return = "0.6 %"\n'
            'creep = "0.3 % +/- 0.6 % (2 sigma) per unit"\nhysteresis = "0.6 % +/- 1.2 % (2 sigma) per unit"',
        ),
        budget=False,
    )  # fmt: skip
    rng = np.random.default_rng(13)
    span = 1.0 + 0.03 * rng.standard_normal(UNITS)
    creep = 0.003 + 0.003 * rng.standard_normal(UNITS)
    loop = 0.006 + 0.006 * rng.standard_normal(UNITS)

    def placement() -> Array:
        return np.asarray(span * (1.0 + 0.002 * rng.standard_normal(UNITS)))

    # at the station rested, ascending, after the second at which creep is stated; residues of loads before it
    residue = 0.6 * span * np.abs(2.0 * rng.random(UNITS) - 1.0)
    placed = 80.0 * placement()
    factors = {"plain": 80.0 / (placed + residue), "zeroed": 80.0 / placed}
    failed = {option: np.zeros(UNITS, dtype=bool) for option in factors}
    begun, changes = 0.0, []
    present, held, zero, load_before = np.zeros(UNITS), np.zeros(UNITS), np.zeros(UNITS), 0.0
    scatter = placement()
    for (load, seconds), branch in zip(grips, branches([load for load, _ in grips], 100.0), strict=True):
        if load > 0.0 and load_before == 0.0:
            scatter = placement()
        changes.append((begun, load * scatter - present))
        present, load_before, begun = load * scatter, load, begun + seconds
        held = present + np.maximum(held - present, 0.0) * np.exp(-seconds / 8.0)
        crept = sum(change * np.log10(max(begun - since, 1e-3)) for since, change in changes)
        output = present * (1.0 + loop * branch) + creep * crept + 0.006 * (held - present)
        if load == 0.0:
            zero = output
            continue
        for option, found in {"plain": output, "zeroed": output - zero}.items():
            failed[option] |= np.abs(factors[option] * found - load) > 0.012 * 95.0
    yields_agree(study, failed)


def branches(loads: list[float], peak: float, operators: int = 2000) -> list[float]:
    """Height in the loop, of that of the whole cycle at half load: play operators of all widths, cycled before."""
    widths = (np.arange(operators) + 0.5) / operators * peak / 2.0

    def moved(load: float, state: Array) -> Array:
        return np.maximum(load - widths, np.minimum(load + widths, state))

    top = moved(peak, np.zeros(operators))
    bottom = moved(0.0, top)
    height = moved(peak / 2.0, top).mean() - moved(peak / 2.0, bottom).mean()
    state, found = bottom, []
    for load in loads:
        state = moved(load, state)
        found.append(float((state.mean() - moved(load, bottom).mean()) / height))
    return found
