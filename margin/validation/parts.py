"""Parts of the program that need no case: intervals, sample sizes, bridge, noise, linearity, Sobol indices."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from distributions import Stream
from margin.bench.merits import linearity
from margin.chain.circuits.parts import ZERO_CELSIUS, johnson_noise, noise_bandwidth
from margin.chain.elements import Contact
from margin.chain.sensors import StrainGaugeBridge
from margin.chain.setting import Setting
from margin.estimates.intervals import clopper_pearson, sample_size_one_sided, sample_size_two_sided
from margin.estimates.sensitivity import Study, refine
from margin.validation import handbook
from margin.validation.line import Line, without_draws

Array = NDArray[np.float64]

UNITS = 1 << 15
"""Units of the Sobol indices."""

COUNTING, CHAIN = "Intervals and sample sizes", "Parts of the chain"


def intervals() -> list[Line]:
    """Interval of a share."""
    source = "Clopper and Pearson, 1934: roots of the binomial distribution"
    expected, computed = handbook.binomial_interval(4, 20, 0.90), clopper_pearson(4, 20, 0.90)
    return [
        without_draws(COUNTING, f"{end} end of 4 in 20 at 90 %", source, *pair)
        for end, *pair in zip(("lower", "upper"), expected, computed, strict=True)
    ]


def sample_sizes() -> list[Line]:
    """Units that show 95 % with 95 % confidence."""
    source = "Wilks, 1941: order statistics"
    return [
        without_draws(
            COUNTING, "units without failure for 95 % at 95 %", source,
            handbook.sample_without_failure(0.95, 0.95), sample_size_one_sided(0.95, 0.95),
        ),
        without_draws(
            COUNTING, "units between extremes for 95 % at 95 %", source,
            handbook.sample_between_extremes(0.95, 0.95), sample_size_two_sided(0.95, 0.95),
        ),
    ]  # fmt: skip


def quarter_bridge() -> list[Line]:
    """Nonlinearity of a quarter bridge."""
    load, strain, factor = 100.0, 1e-3, 2.0
    bridge = StrainGaugeBridge(
        rated_load=load, strain_per_newton=strain / load, gauge_factor=factor, arms="quarter"
    )
    ratio = float(bridge.output(Contact(load), Setting()))
    return [
        without_draws(
            CHAIN, "quarter bridge off its line, 1000 um/m", "Wheatstone equation",
            handbook.quarter_bridge(factor * strain), ratio / (0.25 * factor * strain) - 1.0,
        )
    ]  # fmt: skip


def thermal_noise() -> list[Line]:
    """Noise of a resistor behind the pole that it forms with a capacitor."""
    resistance, capacitance, kelvin = 10e3, 1e-9, 300.0
    bandwidth = noise_bandwidth(resistance * capacitance, 0.0)
    return [
        without_draws(
            CHAIN, "thermal noise of 10 kohm on 1 nF, V", "Nyquist, 1928: equipartition, sqrt(k T / C)",
            handbook.noise_on_capacitor(kelvin, capacitance),
            float(johnson_noise(resistance, kelvin - ZERO_CELSIUS, bandwidth)),
        )
    ]  # fmt: skip


def parabola() -> list[Line]:
    """Linearity of a parabola, read at the points where the lines level out."""
    bow = 0.01
    load = np.sort(np.append(np.linspace(0.0, 1.0, 101), math.sqrt(2.0) - 1.0))
    output = load + 4.0 * bow * load * (1.0 - load)
    return [
        without_draws(
            CHAIN, f"linearity, {definition}", "closed form by the definitions of ISA-51.1",
            bow * factor, float(linearity(load, output, definition)),
        )
        for definition, factor in handbook.linearity_of_parabola().items()
    ]  # fmt: skip


def indices(seed: int, confidence: float) -> list[Line]:
    """Sobol indices of the function of Ishigami and Homma."""

    stream = Stream(seed)

    def function(uniforms: Array) -> Array:
        x = np.pi * (2.0 * uniforms - 1.0)
        found = np.sin(x[0]) * (1.0 + 0.1 * x[2] ** 4) + 7.0 * np.sin(x[1]) ** 2
        return np.asarray(found[:, np.newaxis])

    def outputs(start: int, count: int) -> Iterator[Array]:
        a, b = (
            np.stack([stream.uniforms(f"x{i + 1}{again}", start, count) for i in range(3)])
            for again in ("", " (again)")
        )
        yield function(a)
        yield function(b)
        for i in range(3):
            yield function(np.where(np.arange(3)[:, np.newaxis] == i, b, a))

    study = Study(("x1", "x2", "x3"), ("y",), 5 * UNITS, 1e-3, level=confidence)
    found = refine(study, outputs).effects
    first, total = handbook.ishigami(7.0, 0.1)
    lines = []
    for order, exact, estimated in (("first", first, found.main), ("total", total, found.total)):
        for i, expected in enumerate(exact):
            computed, low, high = (
                float(part[i, 0]) for part in (estimated.value, estimated.low, estimated.high)
            )
            lines.append(
                Line(
                    "Sobol indices", f"{order} order of x{i + 1}", "Ishigami and Homma, 1990: closed form",
                    expected, computed, low, high,
                )
            )  # fmt: skip
    return lines
