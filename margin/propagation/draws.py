"""Deviations of the factors for a range of units, drawn at their level.

Every draw is addressed by (seed, factor, event, index), so that a factor frozen changes no other factor's draws,
and the answer does not depend on how the units are cut into blocks. A factor added or left out changes none either,
but for the dimension of those behind it in Sobol points (see `sections`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import ClassVar, Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from distributions import Stream
from margin.chain.parameter import Value
from margin.propagation.dependence import DependentGroup
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.grouping import Grouping as Grouping
from margin.propagation.knowledge import Rows, drawn_root, spread_ratio
from margin.propagation.sections import Instance, dimensions, points_in_sections
from margin.propagation.variants import Variant, redrawn_name

Array = NDArray[np.float64]


class Source(Protocol):
    """Gives the deviation of a factor at an event, broadcastable over the draw axes."""

    def deviation(self, factor: Factor, event: Event) -> Value:
        """Deviation from nominal (relative or in SI units), or the standardised draw itself."""

    def scaled(self, factor: Factor, value: Value) -> Value:
        """A quantity that a standardised draw scales, times what the draw's spread is multiplied by."""

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


@dataclass
class StreamSource:
    """Draws for units `start` to `start + count` of the study.

    factors     all factors of the case (the order sets the dimension of Sobol points)
    scales      factor name -> multiplier of its deviation; absent means 1
    redrawn     names of columns (see `points_source.Column`) whose draws are others, independent of the first
    suffix      keeps a second population (the sample units of a lot curve) apart from the units themselves
    outer_of, lot_of  indices that replace the grouping for such a population

    Draws are kept for the life of the object, which is one block: the same block is evaluated many times with one
    factor changed, and only the deviation is scaled then.

    spares_unused  whether draws without effect are left out
    """

    spares_unused: ClassVar[bool] = True
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
    redrawn: frozenset[str] = frozenset()
    _samples: dict[int, StreamSource] = field(default_factory=dict)
    _kept: dict[tuple[str, str], Array] = field(default_factory=dict)
    _roots: dict[tuple[str, ...], Rows] = field(default_factory=dict)

    def varied(self, variant: Variant) -> StreamSource:
        """The same draws with other multipliers, some of them drawn again; what has been drawn is shared."""
        return replace(self, scales=variant.scales, redrawn=variant.redrawn)

    def _named(self, column: str) -> str:
        """Stream of a column."""
        return redrawn_name(column) if column in self.redrawn else column

    def scaled(self, factor: Factor, value: Value) -> Value:
        scale = self.scales.get(factor.name, 1.0)
        return value if scale == 1.0 else scale * value

    def draw_readings(self, event: Event) -> None:
        """Make the many draws of readings in use now, all in a row."""
        for factor in self.factors:
            if factor.level in ("loading", "reading") and factor.role not in ("station", "use"):
                self.deviation(factor, event)

    def deviation(self, factor: Factor, event: Event) -> Value:
        scale = self.scales.get(factor.name, 1.0)
        if factor.level == "calibration" and not event.calibrating:
            return _at_rest(factor)
        for group in self.groups:
            if group.measured_on is not None and factor.name in group.names:
                return self._measured_together(group, factor, event, scale)
        if scale == 0.0 and factor.scales is None:
            drawn: Value = 0.0
        else:
            drawn = self._drawn(factor, event)
        if factor.measured_on is not None:
            return self._with_uncertain_spread(factor, drawn, scale)
        return drawn if scale == 1.0 or factor.scales is not None else scale * drawn

    def _drawn(self, factor: Factor, event: Event) -> Array:
        key = self._key(factor, event)
        found = self._kept.get(key)
        if found is None:
            uniforms = self._uniforms(factor, event)
            found = factor.distribution.ppf(uniforms)
            self._kept[key] = found
        return found

    def _key(self, factor: Factor, event: Event) -> tuple[str, str]:
        """What the draws of a factor follow from: its own stream, and those of the factors tied to it."""
        stream = event.stream_of(factor)
        tied = next((g.names for g in self.groups if factor.name in g.names), (factor.name,))
        again = [name for name in tied if name + stream + self.suffix in self.redrawn]
        return factor.name, ", again ".join([f"{stream} {event.axes(factor.level)}", *again])

    def _uniforms(self, factor: Factor, event: Event) -> Array:
        for group in self.groups:
            if factor.name in group.names:
                together = np.stack([self._independent(f, event) for f in group.factors])
                flat = together.reshape(len(group.factors), -1)
                tied = group.copula.apply(flat).reshape(together.shape)
                for member, uniforms in zip(group.factors, tied, strict=True):
                    self._kept.setdefault(self._key(member, event), member.distribution.ppf(uniforms))
                found: Array = tied[group.names.index(factor.name)]
                return found
        return self._independent(factor, event)

    def independent(self, factor: Factor, event: Event) -> Array:
        """Uniforms of a factor before any dependence, (unit, condition, loading, reading, load)."""
        return self._independent(factor, event)

    def _independent(self, factor: Factor, event: Event) -> Array:
        column = factor.name + event.stream_of(factor) + self.suffix
        name = self._named(column)
        level = factor.level
        if level in ("common", "station"):
            return self._outer_uniforms(factor.name)
        if level == "lot":
            lots = self.lots()
            first, last = int(lots[0]), int(lots[-1])
            each = self._by_index("lot", self._named(factor.name), first, last - first + 1)
            return each[lots - first].reshape(-1, 1, 1, 1, 1)
        axes = event.axes(level)
        if level == "unit" or column == factor.name:
            # once a unit: its parts, and its mounting where that is not rebuilt
            return self._by_index("unit", name, self.start, self.count).reshape(-1, 1, 1, 1, 1)
        if event.placed and level in ("loading", "reading"):
            return self._placement_uniforms(name, event, axes)
        each_unit = math.prod(axes)
        drawn = self.stream.uniforms(name, self.start * each_unit, self.count * each_unit)
        # units side by side in memory: all that is computed from it then runs along them
        by_draw = np.ascontiguousarray(drawn.reshape(self.count, each_unit).T)
        return by_draw.reshape(*axes, self.count).transpose(4, 0, 1, 2, 3)

    def _placement_uniforms(self, name: str, event: Event, axes: tuple[int, int, int, int]) -> Array:
        """Draws of a calibration, by load and placement: (unit, 1, placement, reading, load)."""
        _, placements, readings, _ = axes
        drawn = np.empty((*axes, self.count)).transpose(4, 0, 1, 2, 3)
        for column, load in enumerate(event.placed):
            for placement in range(placements):
                stream = f"{name}, {load}, placement {placement + 1}"
                part = self.stream.uniforms(stream, self.start * readings, self.count * readings)
                drawn[:, 0, placement, :, column] = part.reshape(self.count, readings)
        return drawn

    def _by_index(self, instance: Instance, name: str, first: int, count: int) -> Array:
        """Uniforms of outer draws, lots or units `first` to `first + count`, shape (count,)."""
        starts = None if self.points == "random" else self.grouping.starts(instance)
        if starts is None or (self.suffix and instance == "unit"):
            return self.stream.uniforms(name, first, count)
        named = self._dimensions
        key = (f"points of each {instance}", f"{first}, {count}")
        if key not in self._kept:
            self._kept[key] = points_in_sections(
                self.points, self.stream, named, instance, starts, first, count
            )
        row: Array = self._kept[key][named[instance].index(name)]
        return row

    @cached_property
    def _dimensions(self) -> dict[Instance, tuple[str, ...]]:
        return dimensions(self.factors, (g.factors for g in self.groups if g.measured_on is not None))

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
        if each not in self._samples:
            self._samples[each] = StreamSource(
                self.factors, self.stream, self.grouping, first * each, sampled.size, self.points, self.groups,
                suffix=" of lot samples", lot_of=sampled, outer_of=sampled // self.grouping.lots_per_draw,
            )  # fmt: skip
        source = self._samples[each].varied(Variant(self.scales, self.redrawn))
        return LotSamples(source, each, lots - first)

    def _outer_uniforms(self, name: str) -> Array:
        return self._of_units(self._outer_each(name))

    def _outer_each(self, name: str) -> Array:
        """Uniforms of the outer draws of these units, (outer draw, 1, 1, 1, 1)."""
        outer = self.outer()
        first, last = int(outer[0]), int(outer[-1])
        return self._by_index("outer", self._named(name), first, last - first + 1).reshape(-1, 1, 1, 1, 1)

    def _of_units(self, each: Array) -> Array:
        """For each unit what was drawn for its outer draw; where there is one, that."""
        if each.shape[0] == 1:
            return each
        outer = self.outer()
        found: Array = each[outer - outer[0]]
        return found

    def _with_uncertain_spread(self, factor: Factor, drawn: Value, scale: float) -> Value:
        """Replace mean and standard deviation by draws from their sampling distribution (see `knowledge`)."""
        knowledge = self.scales.get(factor.knowledge_name, 1.0)
        mean, sd = factor.distribution.mean, factor.distribution.sd
        within = drawn - mean if scale != 0.0 else 0.0
        if knowledge == 0.0:
            return scale * (mean + within)
        n = factor.measured_on or 2
        ratio = self._remember(
            f"{factor.knowledge_stream}: spread",
            lambda u: spread_ratio(u, n),
        )
        shift = self._remember(f"{factor.knowledge_stream}: mean", ndtri)
        ratio = 1.0 + knowledge * (ratio - 1.0)
        return scale * (mean + ratio * (within + knowledge * sd / math.sqrt(n) * shift))

    def _measured_together(self, group: DependentGroup, factor: Factor, event: Event, scale: float) -> Value:
        """Deviation of a factor whose means and covariance were taken, with those of others, from few units.

        Row of the Cholesky factor times independent scores, the mean's among them. A factor whose knowledge is
        frozen keeps the row as stated: its mean, its spread and its correlation with those before it.
        """
        if scale == 0.0:
            return 0.0
        units, place = group.measured_on or 2, group.names.index(factor.name)
        knowledge = self.scales.get(factor.knowledge_name, 1.0)
        total: Value = factor.distribution.mean
        for column, other in enumerate(group.factors[: place + 1]):
            entry: Value = float(group.root[place, column])
            score = self._score(other, event)
            if knowledge != 0.0:
                shift = self._remember(f"{other.knowledge_stream}: mean", ndtri)
                entry = entry + knowledge * (self._drawn_root(group, units)[place][column] - entry)
                score = score + knowledge / math.sqrt(units) * shift
            total = total + entry * score
        return scale * total

    def _score(self, factor: Factor, event: Event) -> Array:
        """Standard normal draw of a factor, independent of every other."""
        column = factor.name + event.stream_of(factor) + self.suffix
        key = (f"{factor.name}: score", self._named(column))
        if key not in self._kept:
            self._kept[key] = ndtri(self._independent(factor, event))
        return self._kept[key]

    def _drawn_root(self, group: DependentGroup, units: int) -> Rows:
        names = [f.knowledge_stream for f in group.factors]
        columns = [f"{name}: spread" for name in names]
        columns += [f"{name}: with {before}" for i, name in enumerate(names) for before in names[:i]]
        key = tuple(map(self._named, columns))
        if key not in self._roots:
            own = [self._outer_each(f"{name}: spread") for name in names]
            ties = [
                [self._outer_each(f"{name}: with {before}") for before in names[:i]]
                for i, name in enumerate(names)
            ]
            rows = drawn_root(group.root, units, own, ties)
            self._roots[key] = tuple(tuple(map(self._of_units, row)) for row in rows)
        return self._roots[key]

    def _remember(self, name: str, inverse: Callable[[Array], Array]) -> Array:
        key = (self._named(name), "")
        if key not in self._kept:
            self._kept[key] = self._of_units(inverse(self._outer_each(name)))
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

    def scaled(self, factor: Factor, value: Value) -> Value:
        return value

    def deviation(self, factor: Factor, event: Event) -> Value:
        if factor.level == "calibration" and not event.calibrating:
            return _at_rest(factor)
        found = self.given.get((factor.name, event.stream_of(factor)))
        if found is not None:
            return found
        return _at_rest(factor)


def _at_rest(factor: Factor) -> float:
    """Deviation of a factor that does not act: none, or the centre of a standardised draw."""
    return factor.distribution.mean if factor.standardised else 0.0
