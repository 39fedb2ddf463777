"""A case run once on recorded arrays: what a kernel must compute, and which draws it needs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from distributions import Normal, Rectangular
from margin.backends.compiled.graph import POINT, Node, Shape
from margin.backends.compiled.operations import NotTraceable, Recorder
from margin.backends.compiled.reasons import ELEMENTWISE, place_of
from margin.backends.compiled.traced import UNITS, Counted, Traced
from margin.case.types import CalibrationSpec
from margin.chain.parameter import Value
from margin.propagation.block import block_errors
from margin.propagation.calibrated import Bench, lot_means
from margin.propagation.draws import LotSamples
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.model import Model
from margin.propagation.plan import points_of
from margin.propagation.readings import readings_of_a_unit
from margin.propagation.variants import redrawn_name

_FRESH = frozenset({"condition", "loading", "reading", "calibration"})
"""Levels whose draws are a sequence of their own by unit, whatever points are chosen for the units."""


@dataclass(frozen=True)
class Drawn:
    """Uniforms that a kernel draws itself: one stream, or one for each (placement, load) of a calibration.

    streams  names; each: draws of a unit in one of them, over the axes of `shape` that they share
    """

    name: str
    factor: Factor
    event: Event
    streams: tuple[str, ...]
    each: int
    shape: Shape

    @property
    def normal(self) -> bool:
        """Whether what is drawn is standard normal; uniform otherwise."""
        return isinstance(self.factor.distribution, Normal)

    def names(self, again: bool) -> tuple[str, ...]:
        """Its streams, or those of other draws."""
        if not again:
            return self.streams
        start = len(self.name)
        return tuple(redrawn_name(self.name) + stream[start:] for stream in self.streams)


@dataclass(frozen=True)
class Given:
    """A deviation that is drawn outside, as the plain path draws it."""

    name: str
    factor: Factor
    event: Event
    shape: Shape

    def values(self, bench: Bench) -> Value:
        """The deviation of the units of a bench, broadcastable over (unit, *shape)."""
        return bench.source.deviation(self.factor, self.event)


@dataclass(frozen=True)
class Computed:
    """Means of the lot to which a unit belongs (see `lot_means`), computed outside as the plain path does it."""

    name: str
    option: CalibrationSpec
    shape: Shape

    def values(self, bench: Bench) -> Value:
        """The means for the units of a bench, (unit, *shape)."""
        return lot_means(self.option, bench)


@dataclass(frozen=True)
class Trace:
    """All that a block is counted from.

    computed  by option
    arguments multipliers of spreads, by factor
    errors    option -> force error, N, under each condition of use
    clipped, blind  truths of readings under each condition
    required  truths without which an error is no number
    full      lengths of the axes in use (the same under every condition)
    """

    drawn: dict[str, Drawn]
    given: dict[str, Given]
    computed: dict[str, Computed]
    arguments: tuple[str, ...]
    errors: dict[str, tuple[Node, ...]]
    clipped: tuple[Node, ...]
    blind: tuple[Node, ...]
    required: tuple[Node, ...]
    full: Shape
    readings: int

    @property
    def ends(self) -> tuple[Node, ...]:
        """All nodes that are counted."""
        errors = tuple(node for nodes in self.errors.values() for node in nodes)
        return errors + self.clipped + self.blind + self.required


@dataclass
class TraceSource:
    """Stands for the draws while a case is recorded."""

    model: Model
    recorder: Recorder
    drawn: dict[str, Drawn] = field(default_factory=dict)
    given: dict[str, Given] = field(default_factory=dict)
    arguments: set[str] = field(default_factory=set)

    def scaled(self, factor: Factor, value: Value) -> Value:
        return self._multiplier(factor) * value  # type: ignore[no-any-return]

    def _multiplier(self, factor: Factor) -> Any:
        """What a variant multiplies the spread of a factor by: an argument of the kernel."""
        self.arguments.add(factor.name)
        return Traced.of(self.recorder, self.recorder.graph.node("argument", (), POINT, factor.name))

    def lot_samples(self, each: int) -> LotSamples:
        raise NotTraceable("sample units of a lot")

    def deviation(self, factor: Factor, event: Event) -> Value:
        if factor.level == "calibration" and not event.calibrating:
            return factor.distribution.mean if factor.standardised else 0.0
        name = factor.name + event.stream_of(factor)
        found = self._in_kernel(name, factor, event) if self._is_plain(factor, event) else None
        if found is None:
            shape = event.axes(factor.level)
            self.given[name] = Given(name, factor, event, shape)
            found = Traced.of(self.recorder, self.recorder.graph.node("given", (), shape, name))
        return found  # type: ignore[return-value]

    def _is_plain(self, factor: Factor, event: Event) -> bool:
        """Whether its uniforms are a stream of its own, which nothing else transforms."""
        alone = factor.measured_on is None and all(factor.name not in g.names for g in self.model.groups)
        by_unit = factor.level in ("unit", "mounting") and (self._random or event.stream_of(factor) != "")
        return alone and (factor.level in _FRESH or by_unit)

    @cached_property
    def _random(self) -> bool:
        """Whether what is drawn once a unit has a stream of its own, not a column of better points."""
        return points_of(self.model.case) == "random"

    def _in_kernel(self, name: str, factor: Factor, event: Event) -> Traced | None:
        if type(factor.distribution) not in (Normal, Rectangular):
            return None
        shape = event.axes(factor.level)
        streams: tuple[str, ...] = (name,)
        each = math.prod(shape)
        if event.placed and factor.level in ("loading", "reading"):
            _, placements, each, _ = shape
            streams = tuple(
                f"{name}, {load}, placement {p + 1}" for p in range(placements) for load in event.placed
            )
        self.drawn[name] = Drawn(name, factor, event, streams, each, shape)
        uniform = self.recorder.graph.node("drawn", (), shape, name)
        value: Any = Traced.of(self.recorder, uniform)
        if isinstance(factor.distribution, Normal):
            value = Traced.of(self.recorder, self.recorder.graph.apply("normal_quantile", uniform))
            value = factor.distribution.mean + factor.distribution.sd * value
        else:
            low, high = factor.distribution.support
            value = low + (high - low) * value
        return value if factor.scales is not None else self._multiplier(factor) * value  # type: ignore[no-any-return]


def traced(model: Model) -> Trace:
    """Record a case. Raises NotTraceable where something in it has no counterpart in a kernel."""
    if model.case.history is not None:
        raise NotTraceable("a load history, whose steps follow each other")
    recorder = Recorder()
    source, computed = TraceSource(model, recorder), _computed(model)
    means = {
        name: Traced.of(recorder, recorder.graph.node("given", (), each.shape, each.name))
        for name, each in computed.items()
    }
    try:
        found = block_errors(model, source, UNITS, means)  # type: ignore[arg-type]
    except Exception as error:
        # an element of a user's own may ask anything of its arrays, and answer by any error
        raise _placed(error, model) from error
    study = model.case.study
    return Trace(
        source.drawn,
        source.given,
        computed,
        tuple(sorted(source.arguments)),
        {name: tuple(_node(e) for e in errors) for name, errors in found.by_option.items()},
        _counted(found.clipped),
        _counted(found.blind),
        tuple(recorder.required.values()),
        (study.conditions, study.loadings, study.readings, len(model.case.check_loads)),
        readings_of_a_unit(model.case),
    )


def _placed(error: Exception, model: Model) -> NotTraceable:
    """What could not be recorded, with its place in an element of the case."""
    place, called = place_of(error, (spec.cls for spec in model.case.elements.values()))
    if isinstance(error, NotTraceable):
        what, instead = error.what, error.instead
    else:
        what, instead = f"{type(error).__name__} ({error})", ELEMENTWISE
    if called:
        what = f"{called} ({what})"
    return NotTraceable(f"{what} in {place}" if place else what, instead)


def _computed(model: Model) -> dict[str, Computed]:
    """Means of the lots, for each option that fits a curve to them."""
    options = (o for o in model.case.calibrations if o.kind == "lot-curve")
    return {o.name: Computed(f"means of the lots for {o.name}", o, (1, 1, 1, len(o.loads))) for o in options}


def _node(value: object) -> Node:
    if not isinstance(value, Traced):
        raise NotTraceable("a force error that does not vary")
    return value.node


def _counted(value: Any) -> tuple[Node, ...]:
    if isinstance(value, Counted):
        return tuple(each.node for each in value.nodes)
    if np.any(value):
        raise NotTraceable("readings at a limit that do not vary")
    return ()
