"""How one prototype was loaded and read: steps of a load cycle, runs, mountings, a hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from distributions.errors import MarginError

Array = NDArray[np.float64]


class ObservationError(MarginError, ValueError):
    """Readings of a prototype that cannot be used."""


@dataclass(frozen=True)
class Step:
    """One place of the load cycle.

    load N by the reference; descending 0 or 1; dwell s; temperature degC; humidity %RH, None where nobody read it
    """

    load: float
    descending: float = 0.0
    dwell: float = 1.0
    temperature: float = 25.0
    humidity: float | None = None

    @property
    def label(self) -> str:
        """'10 N up' or 'no load, after'."""
        if self.load == 0.0:
            return "no load, after" if self.descending else "no load, before"
        return f"{self.load:g} N {'down' if self.descending else 'up'}"


@dataclass(frozen=True)
class Hold:
    """One load held while the prototype is read.

    load N; times s since it was put on, ascending; temperature degC
    """

    load: float
    times: tuple[float, ...]
    temperature: float = 25.0

    def __post_init__(self) -> None:
        if self.load <= 0.0 or len(self.times) < 2:
            raise ObservationError(
                f"a hold needs a load above 0 N and two times (got {self.load:g} N and {len(self.times)})"
            )
        if any(late <= early for early, late in zip((0.0, *self.times[:-1]), self.times, strict=True)):
            raise ObservationError("times of a hold must be above 0 s and ascend")


@dataclass(frozen=True)
class Plan:
    """Load cycle that a prototype went through `runs` times, each with a new placement of the load.

    option     calibration option by which the prototype reports loads; None: the design curve alone
    age        h of service
    mounting   number of the mounting of each run, ascending from 0; empty: one mounting
    hold       one load held after the runs, under the first mounting; None: none
    of_sensor  readings are those of the sensor by itself, as loads by its own design curve
    elsewhere  load cycles at other temperatures, read and reported in the same way, without hold; a mounting of the
               same number is the same, the unit stayed in it
    """

    steps: tuple[Step, ...]
    runs: int = 3
    option: str | None = None
    age: float = 0.0
    mounting: tuple[int, ...] = ()
    hold: Hold | None = None
    of_sensor: bool = False
    elsewhere: tuple[Plan, ...] = ()

    def __post_init__(self) -> None:
        if not self.steps or self.top <= 0.0:
            raise ObservationError("a load cycle needs at least one load above 0 N (got none)")
        if self.runs < 1:
            raise ObservationError(f"a prototype needs at least one run (got {self.runs})")
        if self.mounting and len(self.mounting) != self.runs:
            raise ObservationError(f"{self.runs} runs need a mounting each (got {len(self.mounting)})")
        for part in self.elsewhere:
            if part.hold is not None or part.elsewhere:
                raise ObservationError("runs at another temperature have no hold and no further temperatures")
            if (part.option, part.age, part.of_sensor) != (self.option, self.age, self.of_sensor):
                raise ObservationError(
                    "runs at another temperature must be of the same calibration, age and quantity"
                )

    @property
    def top(self) -> float:
        """Largest load, N."""
        return max((step.load for step in self.steps), default=0.0)

    def of(self, field: Literal["load", "descending", "dwell", "temperature"]) -> Array:
        """Values of one field, (step,)."""
        return np.array([getattr(step, field) for step in self.steps], dtype=np.float64)

    @cached_property
    def mounted(self) -> NDArray[np.intp]:
        """Number of the mounting of each run, (run,)."""
        return np.array(self.mounting or (0,) * self.runs, dtype=np.intp)

    @property
    def mountings(self) -> int:
        """Number of mountings."""
        return int(np.unique(self.mounted).size)

    @property
    def last_mounting(self) -> int:
        """Number of the last mounting at any temperature."""
        return max(int(part.mounted.max()) for part in (self, *self.elsewhere))

    @property
    def temperatures(self) -> tuple[float, ...]:
        """Temperatures of the steps, degC, ascending."""
        return tuple(sorted({step.temperature for part in (self, *self.elsewhere) for step in part.steps}))

    @property
    def unloaded_after(self) -> NDArray[np.bool_]:
        """Whether a step follows the top load of its cycle, (step,)."""
        first = int(np.argmax(self.of("load")))
        return np.arange(len(self.steps)) > first


def load_cycle(
    loads: Sequence[float],
    *,
    runs: int = 3,
    dwell: float = 1.0,
    temperature: float = 25.0,
    hold: float | None = None,
    option: str | None = None,
) -> Plan:
    """Cycle from no load up through `loads` (N, ascending) and down again.

    dwell  s before each reading; hold: s of a second reading at the top load, None without one

    >>> plan = load_cycle([10.0, 30.0], runs=2, hold=60.0)
    >>> [step.label for step in plan.steps]
    ['no load, before', '10 N up', '30 N up', '30 N up', '10 N down', 'no load, after']
    """
    up = [Step(load, 0.0, dwell, temperature) for load in (0.0, *loads)]
    held = [] if hold is None else [Step(loads[-1], 0.0, hold, temperature)]
    down = [Step(load, 1.0, dwell, temperature) for load in (*reversed(loads[:-1]), 0.0)]
    return Plan((*up, *held, *down), runs, option)
