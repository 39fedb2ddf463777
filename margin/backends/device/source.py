"""Draws on a device: those of the ordinary run, to the rounding of an inverse distribution function."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from distributions import Distribution
from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from margin.backends.device.device_array import DeviceArray, NotOnDevice
from margin.backends.device.space import CudaSpace
from margin.chain.parameter import Value
from margin.propagation.draws import LotSamples, StreamSource
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.sections import dimensions

KNOTS = (1 << 14) + 1
"""Knots of an inverse that the device has no functions for."""

_FRESH = frozenset({"condition", "loading", "reading"})


@dataclass
class DeviceSource:
    """The draws of `host`, made on the device where they are many.

    What is drawn for an outer draw or a lot, dependent factors, those known from few units and Latin hypercubes
    come from the host.
    """

    host: StreamSource
    space: CudaSpace
    _kept: dict[tuple[str, str], DeviceArray] = field(default_factory=dict)

    def scaled(self, factor: Factor, value: Value) -> Value:
        return self.host.scaled(factor, value)

    def lot_samples(self, each: int) -> LotSamples:
        samples = self.host.lot_samples(each)
        if not isinstance(samples.source, StreamSource):
            raise TypeError("sample units are drawn by a source of another kind")
        return LotSamples(DeviceSource(samples.source, self.space), samples.each, samples.row)

    def deviation(self, factor: Factor, event: Event) -> Value:
        if self._of_host(factor, event):
            found = self.host.deviation(factor, event)
            return self.space.array(found) if isinstance(found, np.ndarray) else found  # type: ignore[return-value]
        key = (factor.name, event.stream_of(factor))
        if key not in self._kept:
            self._kept[key] = inverse(self.space, factor.distribution, self._uniforms(factor, event))
        return self._kept[key]  # type: ignore[return-value]

    def _of_host(self, factor: Factor, event: Event) -> bool:
        return (
            factor.level in ("common", "station", "lot")
            or (factor.level == "calibration" and not event.calibrating)
            or factor.measured_on is not None
            or any(factor.name in group.names for group in self.host.groups)
            or (self.host.points == "latin" and factor.level not in _FRESH)
        )

    def _uniforms(self, factor: Factor, event: Event) -> DeviceArray:
        host, level = self.host, factor.level
        name = factor.name + event.stream_of(factor) + host.suffix
        axes = event.axes(level)
        if level == "unit" or name == factor.name:
            return self._once_a_unit(name).reshape(-1, 1, 1, 1, 1)  # type: ignore[no-any-return]
        if event.placed and level in ("loading", "reading"):
            return self._placed(name, event, axes)
        each = math.prod(axes)
        drawn = self.space.uniforms(host.stream, name, host.start * each, host.count * each)
        return drawn.reshape(host.count, *axes)  # type: ignore[no-any-return]

    def _once_a_unit(self, name: str) -> DeviceArray:
        host = self.host
        if host.points == "random" or host.suffix:
            return self.space.uniforms(host.stream, name, host.start, host.count)
        names = dimensions(host.factors, ())["unit"]
        starts, end = np.array(host.grouping.pieces), host.start + host.count
        within = starts[(starts > host.start) & (starts < end)]
        cuts = np.unique([host.start, *within, end])
        parts: list[Any] = []
        for first, last in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True):
            section = int(np.searchsorted(starts, first, side="right")) - 1
            offset = first - int(starts[section])
            parts.append(self.space.sobol(host.stream, names, name, offset, last - first, section))
        together: Any = np.concatenate(parts)
        return together  # type: ignore[no-any-return]

    def _placed(self, name: str, event: Event, axes: tuple[int, int, int, int]) -> DeviceArray:
        host = self.host
        _, placements, readings, _ = axes
        by_load = []
        for load in event.placed:
            streams = [f"{name}, {load}, placement {p + 1}" for p in range(placements)]
            drawn = [
                self.space.uniforms(host.stream, s, host.start * readings, host.count * readings)
                for s in streams
            ]
            by_load.append(np.concatenate([d.reshape(host.count, 1, 1, readings, 1) for d in drawn], axis=2))
        return np.concatenate(by_load, axis=4)  # type: ignore[return-value]


def inverse(space: CudaSpace, distribution: Distribution, uniforms: DeviceArray) -> DeviceArray:
    """Values of uniforms: by the shape's own inverse, or by a table of it where the device lacks its functions."""
    try:
        given: Any = uniforms
        found: Any = distribution.ppf(given)
        return found if isinstance(found, DeviceArray) else space.array(found)
    except NotOnDevice:
        return by_table(space, distribution, uniforms)


def by_table(space: CudaSpace, distribution: Distribution, uniforms: DeviceArray) -> DeviceArray:
    """Inverse by straight lines between knots equidistant in the logit of the probability, out to the last uniform.

    Knots are 0.005 apart: in both tails alike a step of probability is half a per cent of what lies beyond it.
    """
    first = math.log(SMALLEST_UNIFORM)
    last = math.log(LARGEST_UNIFORM / (1.0 - LARGEST_UNIFORM))
    step = (last - first) / (KNOTS - 1)
    at = 1.0 / (1.0 + np.exp(-(first + step * np.arange(KNOTS))))
    table = space.array(distribution.ppf(np.clip(at, SMALLEST_UNIFORM, LARGEST_UNIFORM)))
    u: Any = uniforms
    place: Any = (np.log(u) - np.log1p(-u) - first) / step
    knot = np.clip(np.floor(place), 0.0, KNOTS - 2.0).astype(np.int64)
    low = table[knot]
    between: DeviceArray = low + (place - knot) * (table[knot + 1] - low)
    return between
