"""Deviations of the factors for a range of units, drawn at their level.

Every draw is addressed by (seed, factor, event, index), so that a factor frozen, added or left out changes no
other factor's draws, and the answer does not depend on how the units are cut into blocks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtri

from distributions import GaussianCopula, Stream, unit_points
from margin.case.types import Dependence
from margin.chain.parameter import Value
from margin.propagation.events import Event
from margin.propagation.factors import Factor

Array = NDArray[np.float64]


class Source(Protocol):
    """Gives the deviation of a factor at an event, broadcastable over the draw axes."""

    def deviation(self, factor: Factor, event: Event) -> Value:
        """Deviation from nominal (relative or in SI units), or the standardised draw itself."""

    def scale(self, factor: Factor) -> float:
        """What the factor's deviation is multiplied by: 1, 0 when frozen, 0.5 when halved."""

    def lot_samples(self, each: int) -> LotSamples:
        """Sample units of the lots that the units belong to, `each` of them from every lot."""


@dataclass(frozen=True)
class LotSamples:
    """Units that stand for their lot.

    source  draws of the sample units: lot after lot, `each` units from every one
    row     lot of each unit of the block, as a row of the samples
    """

    source: Source
    each: int
    row: NDArray[np.int64]


@dataclass(frozen=True)
class Grouping:
    """How units are nested: `units_per_draw` units in an outer draw, `units_per_lot` in a lot inside it."""

    units_per_draw: int
    units_per_lot: int

    def outer_of(self, unit: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the outer draw of each unit."""
        return unit // self.units_per_draw

    @property
    def lots_per_draw(self) -> int:
        """Lots in one outer draw."""
        return -(-self.units_per_draw // self.units_per_lot)

    def lot_of(self, unit: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the lot of each unit, over all outer draws."""
        inside = unit % self.units_per_draw // self.units_per_lot
        return unit // self.units_per_draw * self.lots_per_draw + inside


@dataclass(frozen=True)
class DependentGroup:
    """Factors of one level drawn together through a Gaussian copula."""

    factors: tuple[Factor, ...]
    copula: GaussianCopula

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(f.name for f in self.factors)


def dependent_groups(
    factors: tuple[Factor, ...], dependences: tuple[Dependence, ...]
) -> tuple[DependentGroup, ...]:
    """Sets of factors tied by rank correlations, each with its copula.

    Raises NotPositiveDefinite where the stated correlations cannot all hold.
    """
    pairs: list[tuple[str, str, float]] = []
    by_name = {f.name: f for f in factors}
    for tie in dependences:
        first = _at_level(factors, tie.first, tie.level)
        second = _at_level(factors, tie.second, tie.level)
        pairs.append((first.name, second.name, tie.rank_correlation))
    clusters: list[list[str]] = []
    for first_name, second_name, _ in pairs:
        touching = [c for c in clusters if first_name in c or second_name in c]
        merged = [n for c in touching for n in c]
        merged += [n for n in (first_name, second_name) if n not in merged]
        clusters = [c for c in clusters if c not in touching] + [merged]
    groups: list[DependentGroup] = []
    for cluster in clusters:
        matrix = np.eye(len(cluster))
        for first_name, second_name, rho in pairs:
            if first_name in cluster:
                i, j = cluster.index(first_name), cluster.index(second_name)
                matrix[i, j] = matrix[j, i] = rho
        groups.append(
            DependentGroup(tuple(by_name[n] for n in cluster), GaussianCopula(tuple(cluster), matrix))
        )
    return tuple(groups)


def _at_level(factors: tuple[Factor, ...], quantity: str, level: str) -> Factor:
    for factor in factors:
        if factor.quantity == quantity and factor.level == level:
            return factor
    raise ValueError(f"dependence: {quantity!r} has no spread at level {level!r}")


@dataclass
class StreamSource:
    """Draws for units `start` to `start + count` of the study.

    factors     all factors of the case (the order sets the dimension of Sobol points)
    scales      factor name -> multiplier of its deviation; absent means 1
    suffix      keeps a second population (the sample units of a lot curve) apart from the units themselves
    outer_of, lot_of  indices that replace the grouping for such a population

    Uniforms are kept for the life of the object, which is one block: the same block is evaluated many times
    with one factor changed, and only the deviation is scaled then.
    """

    factors: tuple[Factor, ...]
    stream: Stream
    grouping: Grouping
    start: int
    count: int
    points: Literal["random", "latin", "sobol"] = "random"
    groups: tuple[DependentGroup, ...] = ()
    scales: Mapping[str, float] = field(default_factory=dict)
    suffix: str = ""
    lot_of: NDArray[np.int64] | None = None
    outer_of: NDArray[np.int64] | None = None
    _kept: dict[tuple[str, str], Array] = field(default_factory=dict)

    def with_scales(self, scales: Mapping[str, float]) -> StreamSource:
        """The same draws with other multipliers; what has been drawn is shared."""
        return StreamSource(
            self.factors, self.stream, self.grouping, self.start, self.count, self.points, self.groups,
            scales, self.suffix, self.lot_of, self.outer_of, self._kept,
        )  # fmt: skip

    def scale(self, factor: Factor) -> float:
        return self.scales.get(factor.name, 1.0)

    def deviation(self, factor: Factor, event: Event) -> Value:
        scale = self.scale(factor)
        if factor.level == "calibration" and not event.calibrating:
            return _at_rest(factor)
        if scale == 0.0 and factor.scales is None:
            drawn: Value = 0.0
        else:
            drawn = self._drawn(factor, event)
        if factor.measured_on is not None:
            return self._with_uncertain_spread(factor, drawn, scale)
        return drawn if scale == 1.0 or factor.scales is not None else scale * drawn

    def _drawn(self, factor: Factor, event: Event) -> Array:
        key = (factor.name, event.stream(factor.level))
        found = self._kept.get(key)
        if found is None:
            uniforms = self._uniforms(factor, event)
            found = factor.distribution.ppf(uniforms)
            self._kept[key] = found
        return found

    def _uniforms(self, factor: Factor, event: Event) -> Array:
        for group in self.groups:
            if factor.name in group.names:
                together = np.stack([self._independent(f, event) for f in group.factors])
                flat = together.reshape(len(group.factors), -1)
                tied = group.copula.apply(flat).reshape(together.shape)
                for member, uniforms in zip(group.factors, tied, strict=True):
                    self._kept.setdefault(
                        (member.name, event.stream(member.level)), member.distribution.ppf(uniforms)
                    )
                found: Array = tied[group.names.index(factor.name)]
                return found
        return self._independent(factor, event)

    def _independent(self, factor: Factor, event: Event) -> Array:
        name = factor.name + event.stream(factor.level) + self.suffix
        level = factor.level
        if level in ("common", "station"):
            return self._outer_uniforms(factor.name)
        if level == "lot":
            lots = self.lots()
            first, last = int(lots[0]), int(lots[-1])
            each = self.stream.uniforms(factor.name, first, last - first + 1)
            return each[lots - first].reshape(-1, 1, 1, 1, 1)
        axes = event.axes(level)
        if level == "unit" and self.points != "random" and not self.suffix:
            return self._better_points(factor)
        if event.placed and level in ("loading", "reading"):
            return self._placement_uniforms(name, event, axes)
        each_unit = math.prod(axes)
        drawn = self.stream.uniforms(name, self.start * each_unit, self.count * each_unit)
        return drawn.reshape((self.count, *axes))

    def _placement_uniforms(self, name: str, event: Event, axes: tuple[int, int, int, int]) -> Array:
        """Draws of a calibration, by load and placement: (unit, 1, placement, reading, load)."""
        _, placements, readings, _ = axes
        drawn = np.empty((self.count, *axes))
        for column, load in enumerate(event.placed):
            for placement in range(placements):
                stream = f"{name}, {load}, placement {placement + 1}"
                part = self.stream.uniforms(stream, self.start * readings, self.count * readings)
                drawn[:, 0, placement, :, column] = part.reshape(self.count, readings)
        return drawn

    def _better_points(self, factor: Factor) -> Array:
        names = tuple(f.name for f in self.factors if f.level == "unit")
        key = ("unit points", "")
        if key not in self._kept:
            self._kept[key] = unit_points(self.points, self.stream, names, self.start, self.count)
        row: Array = self._kept[key][names.index(factor.name)]
        return row.reshape(-1, 1, 1, 1, 1)

    def lots(self) -> NDArray[np.int64]:
        """Lot of each unit, ascending."""
        if self.lot_of is not None:
            return self.lot_of
        return self.grouping.lot_of(np.arange(self.start, self.start + self.count, dtype=np.int64))

    def outer(self) -> NDArray[np.int64]:
        """Outer draw of each unit, ascending."""
        if self.outer_of is not None:
            return self.outer_of
        return self.grouping.outer_of(np.arange(self.start, self.start + self.count, dtype=np.int64))

    def lot_samples(self, each: int) -> LotSamples:
        lots = self.lots()
        first, last = int(lots[0]), int(lots[-1])
        sampled = np.repeat(np.arange(first, last + 1, dtype=np.int64), each)
        source = StreamSource(
            self.factors, self.stream, self.grouping, first * each, sampled.size, self.points, self.groups,
            self.scales, " of lot samples", sampled, sampled // self.grouping.lots_per_draw,
        )  # fmt: skip
        return LotSamples(source, each, lots - first)

    def _outer_uniforms(self, name: str) -> Array:
        outer = self.outer()
        first, last = int(outer[0]), int(outer[-1])
        each = self.stream.uniforms(name, first, last - first + 1)
        if first == last:
            return each.reshape(1, 1, 1, 1, 1)
        return each[outer - first].reshape(-1, 1, 1, 1, 1)

    def _with_uncertain_spread(self, factor: Factor, drawn: Value, scale: float) -> Value:
        """Replace mean and standard deviation by draws from their sampling distribution.

        For a normal sample of n units with standard deviation S: s^2 ~ (n - 1) S^2 / chi2(n - 1) and the mean
        given s ~ N(mean, s^2 / n), the usual non-informative result; averaged over both, one further unit
        follows Student's t with n - 1 degrees of freedom, widened by sqrt(1 + 1/n).
        """
        knowledge = self.scales.get(factor.knowledge_name, 1.0)
        mean, sd = factor.distribution.mean, factor.distribution.sd
        within = drawn - mean if scale != 0.0 else 0.0
        if knowledge == 0.0:
            return scale * (mean + within)
        n = factor.measured_on or 2
        ratio = self._remember(
            f"{factor.knowledge_name}: spread",
            lambda u: np.sqrt((n - 1) / (2.0 * gammaincinv((n - 1) / 2.0, u))),
        )
        shift = self._remember(f"{factor.knowledge_name}: mean", ndtri)
        ratio = 1.0 + knowledge * (ratio - 1.0)
        return scale * (mean + ratio * (within + knowledge * sd / math.sqrt(n) * shift))

    def _remember(self, name: str, inverse: Callable[[Array], Array]) -> Array:
        key = (name, "")
        if key not in self._kept:
            self._kept[key] = inverse(self._outer_uniforms(name))
        return self._kept[key]


@dataclass(frozen=True)
class GivenSource:
    """Deviations given from outside, for worst-case corners and first-order sensitivities.

    given   (factor name, event stream suffix) -> array that broadcasts over the draw axes
    count   number of units
    shared  names of the factors that a lot has in common
    Factors without an entry stay at nominal (standardised draws at their mean).
    """

    given: Mapping[tuple[str, str], Array]
    count: int
    shared: frozenset[str]

    def lot_samples(self, each: int) -> LotSamples:
        """One sample of each unit's own lot, itself without deviations of its own."""
        kept = {key: value for key, value in self.given.items() if key[0] in self.shared}
        source = GivenSource(kept, self.count, self.shared)
        return LotSamples(source, 1, np.arange(self.count, dtype=np.int64))

    def scale(self, factor: Factor) -> float:
        return 1.0

    def deviation(self, factor: Factor, event: Event) -> Value:
        if factor.level == "calibration" and not event.calibrating:
            return _at_rest(factor)
        found = self.given.get((factor.name, event.stream(factor.level)))
        if found is not None:
            return found
        return _at_rest(factor)


def _at_rest(factor: Factor) -> float:
    """Deviation of a factor that does not act: none, or the centre of a standardised draw."""
    return factor.distribution.mean if factor.standardised else 0.0
