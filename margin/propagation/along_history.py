"""Readings of drawn units along a load history: sensors and filters remember the loads before."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case, LoadHistory, UseCondition
from margin.chain.memory import Memory
from margin.chain.parameter import Value
from margin.chain.setting import Setting
from margin.propagation.assemble import drawn_chain, firmware_setting, use_setting
from margin.propagation.draws import LotSamples, Source
from margin.propagation.events import Event
from margin.propagation.factors import Factor
from margin.propagation.readings import (
    Readings,
    condition_name,
    readings_in_use,
    unloaded_event,
    use_conditions,
    use_event,
)

Array = NDArray[np.float64]

_ROUNDING = 1e-9
"""Share of an interval within which it is over."""


@dataclass(frozen=True)
class StepsSource:
    """Draws of a source along a history: what is drawn by placement stays while the load does.

    placements  (step,): first step of the placement that each step belongs to
    reloads     (step,): the same for reload scatter, of which an unloaded step has its own
    """

    source: Source
    placements: NDArray[np.int64]
    reloads: NDArray[np.int64]

    def deviation(self, factor: Factor, event: Event) -> Value:
        found = self.source.deviation(factor, event)
        if factor.level == "loading" and np.ndim(found) and np.shape(found)[-1] == self.placements.size:
            return np.asarray(found)[..., self.reloads if factor.reloading else self.placements]
        return found

    def scaled(self, factor: Factor, value: Value) -> Value:
        return self.source.scaled(factor, value)

    def lot_samples(self, each: int) -> LotSamples:
        return self.source.lot_samples(each)


@dataclass(frozen=True)
class FirstStepSource:
    """Draws of a source for the first step of a history alone, among those of all its steps, as they are in use."""

    source: Source
    steps: int

    def deviation(self, factor: Factor, event: Event) -> Value:
        found = self.source.deviation(factor, event)
        return np.asarray(found)[..., :1] if np.ndim(found) and np.shape(found)[-1] == self.steps else found

    def scaled(self, factor: Factor, value: Value) -> Value:
        return self.source.scaled(factor, value)

    def lot_samples(self, each: int) -> LotSamples:
        return self.source.lot_samples(each)


def memory_of(case: Case, history: LoadHistory) -> Memory:
    """What sensors remember along the history of a case: the same for every block of units."""
    peak = case.elements["use"].quantities["peak"].nominal
    return _memory(history, peak if peak > 0.0 else case.load_high)


@lru_cache(maxsize=8)
def _memory(history: LoadHistory, peak: float) -> Memory:
    return Memory(np.asarray(history.loads), np.asarray(history.seconds), peak, history.recovery)


@lru_cache(maxsize=8)
def steps_read(history: LoadHistory) -> NDArray[np.int64]:
    """Steps that are read, (reading, load): of a load that is read less often than others, over again."""
    occurrences = history.occurrences
    most = max(map(len, occurrences))
    return np.array([[steps[k % len(steps)] for steps in occurrences] for k in range(most)])


def readings_of_use(case: Case, source: Source, count: int) -> Iterator[Readings]:
    """Readings of `count` drawn units under each condition of use: by themselves, or along the history of the case."""
    if case.history is None:
        return readings_in_use(case, source, count)
    return readings_along(case, case.history, source, count)


def readings_along(case: Case, history: LoadHistory, source: Source, count: int) -> Iterator[Readings]:
    """Readings of `count` drawn units under each condition of use, (unit, condition, loading, reading, load)."""
    memory = memory_of(case, history)
    loads = memory.loads.reshape(1, 1, 1, 1, -1)
    picked = steps_read(history)
    along = StepsSource(source, memory.placements, memory.reloads)
    intervals = {option.rezero_every for option in case.calibrations if option.rezero}
    for condition in use_conditions(case):
        event = use_event(case, condition)
        chain = drawn_chain(case, event, along, "finished product")
        setting = _setting(case, condition, event, along, memory)
        response = chain.respond(loads, setting)
        corrected = firmware_setting(case, event, along, setting, True)
        shape = (count, event.conditions, event.loadings, 1, event.loads)
        codes = np.broadcast_to(response.code, shape)
        zeros: dict[float, Array] = {}
        if intervals:
            rested = _rested(case, condition, source, memory)
            zeros = {every: _zeros(history, every, codes, picked, rested) for every in intervals}
        yield Readings(
            condition_name(condition),
            _at(codes, picked),
            _at(np.broadcast_to(response.clipped, shape), picked),
            setting,
            dataclasses.replace(corrected, temperature=_at(corrected.temperature, picked), memory=None),
            zeros.pop(0.0, None),
            zeros,
        )


def _setting(
    case: Case, condition: UseCondition | None, event: Event, source: Source, memory: Memory
) -> Setting:
    """Setting of the use, along the history: dwell, branch and peak follow from it."""
    setting = use_setting(case, condition, event, source)
    return dataclasses.replace(setting, memory=memory, descending=0.0, dwell=1.0, peak=memory.peak)


def _at(values: Any, picked: NDArray[np.int64]) -> Any:
    """Values (..., 1, step) at the steps that are read: (..., reading, load); others as they are."""
    if np.ndim(values) == 0 or np.shape(values)[-1] == 1:
        return values
    return np.asarray(values)[..., 0, :][..., picked]


def _rested(case: Case, condition: UseCondition | None, source: Source, memory: Memory) -> Array:
    """Codes of the unloaded unit at rest before the history, (unit, condition, loading, 1, 1)."""
    event = unloaded_event(use_event(case, condition))
    first = FirstStepSource(source, memory.placements.size)
    rest = dataclasses.replace(memory, loads=np.zeros(1), seconds=memory.seconds[:1])
    chain = drawn_chain(case, event, first, "finished product")
    return np.asarray(
        chain.respond(np.zeros((1, 1, 1, 1, 1)), _setting(case, condition, event, first, rest)).code
    )


def _zeros(
    history: LoadHistory, every: float, codes: Array, picked: NDArray[np.int64], rested: Array
) -> Array:
    """Codes of the zero in force at each step that is read, (..., reading, load).

    rested  codes of the unit at rest, whose zero holds until the first unloaded step that gives another
    """
    taken = zero_steps(history, every)[picked]
    return np.where(taken >= 0, np.asarray(_at(codes, np.maximum(taken, 0))), rested)


@lru_cache(maxsize=32)
def zero_steps(history: LoadHistory, every: float) -> NDArray[np.int64]:
    """Step whose end gave the zero in force at the end of each step, (step,); -1: that of the rest before the first.

    every  s: a zero is kept until the first unloaded step that ends so long after it, the rest counted from the
           beginning; 0: each unloaded step gives one
    """
    found = np.empty(len(history.loads), dtype=np.int64)
    taken, since, now = -1, 0.0, 0.0
    for step, (load, lasting) in enumerate(zip(history.loads, history.seconds, strict=True)):
        now += lasting
        # the sum of many steps may fall short of the interval in its last digits
        if load == 0.0 and now - since >= every * (1.0 - _ROUNDING):
            taken, since = step, now
        found[step] = taken
    return found
