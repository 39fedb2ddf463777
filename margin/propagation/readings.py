"""Readings of drawn units in use."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case, UseCondition
from margin.chain.setting import Setting
from margin.propagation.assemble import drawn_chain, firmware_setting, use_setting
from margin.propagation.draws import Source
from margin.propagation.events import Event

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Readings:
    """Readings in use under one condition of use.

    condition  its name
    codes      converter codes, (unit, condition, loading, reading, load)
    clipped    True where the circuit or the converter was at a limit
    setting    true setting; corrected: the setting that a temperature-correcting firmware believes
    unloaded   codes just before each placement of the load, where an option re-zeroes by them, else None
    held       codes of the zeros that options keep for longer along a load history, by their interval in s
    kept       coordinates that options share, by space, whether corrected for temperature and by the interval of
               their zeros, None without any
    """

    condition: str
    codes: Array
    clipped: NDArray[np.bool_]
    setting: Setting
    corrected: Setting
    unloaded: Array | None = None
    held: Mapping[float, Array] = field(default_factory=dict)
    kept: dict[tuple[str, bool, float | None], Array] = field(default_factory=dict)

    @cached_property
    def finite(self) -> bool:
        """Whether every code is a number."""
        return all(bool(np.all(np.isfinite(codes))) for codes in (self.codes, *self._zeros))

    @property
    def known(self) -> NDArray[np.bool_]:
        """Readings whose codes are numbers, that before the load among them."""
        known = np.isfinite(self.codes)
        for zero in self._zeros:
            known = known & np.isfinite(zero)
        return known

    @property
    def _zeros(self) -> tuple[Array, ...]:
        return (*(() if self.unloaded is None else (self.unloaded,)), *self.held.values())

    def zero(self, every: float) -> Array | None:
        """Codes of the zero in force at each reading; away from a history every placement has a new one."""
        return self.held.get(every, self.unloaded)

    def looked_up(self, by_code: Array) -> Array:
        """Entries of a table by code, for codes that are whole numbers."""
        return by_code.take(self._places).transpose(4, 0, 1, 2, 3)

    @cached_property
    def _places(self) -> NDArray[np.intp]:
        # units last: in memory they stand side by side
        return self.codes.transpose(1, 2, 3, 4, 0).astype(np.intp, order="C")


def use_conditions(case: Case) -> tuple[UseCondition | None, ...]:
    """The named conditions of use, or None once for the general one."""
    return case.conditions or (None,)


def condition_name(condition: UseCondition | None) -> str:
    """Name of a condition of use; 'use' for the general one."""
    return "use" if condition is None else condition.name


def reading_event(case: Case, condition: UseCondition | None) -> Event:
    """Event of readings by themselves, at the check loads, under one condition of use."""
    study = case.study
    name = "use" if condition is None else f"use, {condition.name}"
    return Event(name, study.conditions, study.loadings, study.readings, len(case.check_loads))


def use_event(case: Case, condition: UseCondition | None) -> Event:
    """Event of what is drawn in use under one condition: readings by themselves, or the steps of a load history."""
    event = reading_event(case, condition)
    return event if case.history is None else replace(event, readings=1, loads=len(case.history.loads))


def unloaded_event(event: Event) -> Event:
    """Event of the reading that precedes each placement of the load."""
    return replace(event, readings=1, unloaded=True)


def readings_of_a_unit(case: Case) -> int:
    """Readings in use of one unit, over all conditions and loads."""
    events = (reading_event(case, condition) for condition in use_conditions(case))
    return sum(e.conditions * e.loadings * e.readings * e.loads for e in events)


def readings_in_use(case: Case, source: Source, count: int) -> Iterator[Readings]:
    """Readings of `count` drawn units under each condition of use, codes of full shape."""
    loads = np.asarray(case.check_loads).reshape(1, 1, 1, 1, -1)
    rezeroed = any(option.rezero for option in case.calibrations)
    for condition in use_conditions(case):
        event = reading_event(case, condition)
        chain = drawn_chain(case, event, source, "finished product")
        setting = use_setting(case, condition, event, source)
        response = chain.respond(loads, setting)
        shape = (count, event.conditions, event.loadings, event.readings, event.loads)
        yield Readings(
            condition_name(condition),
            np.broadcast_to(response.code, shape),
            np.broadcast_to(response.clipped, shape),
            setting,
            firmware_setting(case, event, source, setting, True),
            _unloaded(case, condition, event, source, count) if rezeroed else None,
        )


def _unloaded(case: Case, condition: UseCondition | None, event: Event, source: Source, count: int) -> Array:
    """Codes just before each placement of the load, (unit, condition, loading, 1, load)."""
    before = unloaded_event(event)
    chain = drawn_chain(case, before, source, "finished product")
    setting = use_setting(case, condition, before, source)
    shape = (count, before.conditions, before.loadings, 1, before.loads)
    return np.broadcast_to(chain.respond(0.0, setting).code, shape)
