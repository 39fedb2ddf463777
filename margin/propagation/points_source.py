"""Draws of units from rows of uniforms, one column for each thing that is drawn: what plans of points need.

Each row is a unit with its own lot and its own outer draw. What is drawn once for a unit takes its column as it
is; what is drawn many times (a placement at each load, a sample) takes its column as the seed of its draws.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from distributions import Stream, uniforms_from
from distributions.distribution import LARGEST_UNIFORM, SMALLEST_UNIFORM
from margin.case.types import Case
from margin.propagation.block import block_errors
from margin.propagation.draws import Grouping, LotSamples, StreamSource
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.model import Model

Array = NDArray[np.float64]

KEPT = 2
"""Versions of a column whose draws are kept: a plan exchanges columns between two matrices."""

SINGLE = Grouping(units_per_draw=1, units_per_lot=1)


@dataclass(frozen=True)
class Column:
    """One column of a plan.

    name    of the stream that it stands for
    factor  that is drawn; None for sampling uncertainty of a factor's mean, spread or correlation
    event   'in use', 'at calibration' or '' for what holds for the unit
    many    draws of a row: 1, or one for each placement, sample or sample unit
    """

    name: str
    factor: Factor | None
    event: str
    many: int = 1


@dataclass
class _Kept:
    """Draws of each column by what stood in it, the last KEPT versions. One object a thread."""

    versions: dict[tuple[str, str], list[tuple[Array, Array]]] = field(default_factory=dict)

    def find(self, key: tuple[str, str], uniforms: Array) -> Array | None:
        for seen, drawn in self.versions.get(key, ()):
            if np.array_equal(seen, uniforms):
                return drawn
        return None

    def keep(self, key: tuple[str, str], uniforms: Array, drawn: Array) -> None:
        versions = self.versions.setdefault(key, [])
        if len(versions) >= KEPT:
            versions.clear()
        versions.append((uniforms.copy(), drawn))


@dataclass(frozen=True)
class _Uniforms(Mapping[str, Array]):
    """Uniforms of columns by their standard normal scores."""

    scores: Mapping[str, Array]

    def __getitem__(self, name: str) -> Array:
        uniforms = np.clip(ndtr(self.scores[name]), SMALLEST_UNIFORM, LARGEST_UNIFORM)
        return uniforms[:, 0] if uniforms.shape[1] == 1 else uniforms

    def __iter__(self) -> Iterator[str]:
        return iter(self.scores)

    def __len__(self) -> int:
        return len(self.scores)


@dataclass
class PointsSource(StreamSource):
    """The draws of `count` rows of uniforms.

    points_of  column name -> (count,) uniforms: draws, or the seeds of many; (count, many) all draws themselves
    each       rows that share a lot and an outer draw (the sample units of a lot curve), 1 for units
    """

    # every factor of a case has its columns in a plan
    spares_unused: ClassVar[bool] = False
    points_of: Mapping[str, Array] = field(default_factory=dict)
    each: int = 1
    kept: _Kept = field(default_factory=_Kept)
    asked: list[Column] | None = None

    def _column(self, name: str, factor: Factor | None, event: str, many: int = 1) -> Array:
        if self.asked is not None and all(column.name != name for column in self.asked):
            self.asked.append(Column(name, factor, event, many))
        found = self.points_of.get(name)
        # a dry run that asks which columns there are has none yet
        return np.full(self.count // self.each, 0.5) if found is None else found

    def _place(self, factor: Factor, event: Event) -> tuple[str, Array]:
        """Name of the stream and its column."""
        if factor.level in ("common", "station", "lot"):
            return factor.name, self._column(factor.name, factor, "")
        stream = event.stream_of(factor)
        when = "" if not stream else "at calibration" if event.calibrating else "in use"
        name = factor.name + stream + self.suffix
        return name, self._column(name, factor, when, self.each * math.prod(event.axes(factor.level)))

    def _independent(self, factor: Factor, event: Event) -> Array:
        name, column = self._place(factor, event)
        if factor.level in ("common", "station", "lot"):
            # sample units share the lot with the unit that they stand for
            return self._repeated(column)
        axes = event.axes(factor.level)
        many = self.each * math.prod(axes)
        if many == 1:
            return column.reshape(-1, 1, 1, 1, 1)
        if column.ndim == 2:
            return column.reshape(self.count, *axes)
        return uniforms_from(column, name, many).reshape(self.count, *axes)

    def _drawn(self, factor: Factor, event: Event) -> Array:
        if any(factor.name in group.names for group in self.groups):
            return super()._drawn(factor, event)
        name, column = self._place(factor, event)
        key = (name, f"{event.axes(factor.level)}, {self.each}")
        drawn = self.kept.find(key, column)
        if drawn is None:
            drawn = np.asarray(factor.distribution.ppf(self._independent(factor, event)))
            self.kept.keep(key, column, drawn)
        return drawn

    def _outer_each(self, name: str) -> Array:
        return self._repeated(self._column(name, None, ""))

    def _of_units(self, each: Array) -> Array:
        # every row is an outer draw of its own
        return each

    def _repeated(self, column: Array) -> Array:
        return np.repeat(column, self.each).reshape(-1, 1, 1, 1, 1)

    def lot_samples(self, each: int) -> LotSamples:
        source = PointsSource(
            self.factors, self.stream, self.grouping, 0, self.count * each, "random", self.groups, self.scales,
            " of lot samples", points_of=self.points_of, each=each, kept=self.kept, asked=self.asked,
        )  # fmt: skip
        return LotSamples(source, each, np.arange(self.count, dtype=np.int64))


def _source(model: Model, points: Mapping[str, Array], count: int, kept: _Kept, tied: bool) -> PointsSource:
    return PointsSource(
        model.factors, Stream(model.case.study.seed), SINGLE, 0, count, "random", model.groups if tied else (),
        points_of=points, kept=kept,
    )  # fmt: skip


def columns_of(model: Model) -> tuple[Column, ...]:
    """The columns that a row of a plan must have, in the order in which the chain asks for them."""
    source = _source(model, {}, 2, _Kept(), True)
    source.asked = []
    block_errors(model, source, 2)
    return tuple(source.asked)


@dataclass(frozen=True)
class PointsEvaluator:
    """Force errors of rows of uniforms, each a unit.

    tied  dependent factors get their dependence here, from independent columns; False where the plan's columns
          are dependent already
    """

    model: Model
    columns: tuple[Column, ...]
    tied: bool = True
    _local: threading.local = field(default_factory=threading.local, compare=False, repr=False)

    @property
    def case(self) -> Case:
        return self.model.case

    def errors(self, uniforms: Array) -> dict[str, list[Array]]:
        """Option -> force errors (row, condition, loading, reading, load), N, for each condition of use.

        uniforms  (row, column). Draws of columns that stood in the calls before (from the same thread) are used
        again. Raises EvaluationError as `block_errors` does.
        """
        source = self.source(uniforms)
        return block_errors(self.model, source, source.count).by_option

    def source(self, uniforms: Array) -> PointsSource:
        """The draws of rows of uniforms (row, column)."""
        if not hasattr(self._local, "kept"):
            self._local.kept = _Kept()
        by_name = {
            column.name: np.ascontiguousarray(uniforms[:, place]) for place, column in enumerate(self.columns)
        }
        return _source(self.model, by_name, uniforms.shape[0], self._local.kept, self.tied)

    def errors_of_draws(self, uniforms: Array) -> dict[str, list[Array]]:
        """As `errors`, from every draw itself: uniforms (row, draw), the `many` draws of each column in turn."""
        source = self.source_of_draws(uniforms)
        return block_errors(self.model, source, source.count).by_option

    def source_of_scores(self, scores: Mapping[str, Array], count: int) -> PointsSource:
        """Draws from standard normal scores (unit, draw) of each column; only those asked for become uniforms."""
        return _source(self.model, _Uniforms(scores), count, _Kept(), self.tied)

    def source_of_draws(self, uniforms: Array) -> PointsSource:
        """The draws themselves, for `errors_of_draws`."""
        rows, first = uniforms.shape[0], 0
        by_name: dict[str, Array] = {}
        for column in self.columns:
            own = uniforms[:, first : first + column.many]
            by_name[column.name] = np.ascontiguousarray(own[:, 0] if column.many == 1 else own)
            first += column.many
        return _source(self.model, by_name, rows, _Kept(), self.tied)
