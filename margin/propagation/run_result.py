"""Counts of a whole study, as the loop over blocks hands them on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from margin.propagation.model import Model
from margin.propagation.partial import Total
from margin.propagation.plan import Plan
from margin.propagation.tally import Tally

Array = NDArray[np.float64]
Progress = Callable[[int], None]
Computation = Literal["arrays", "kernel", "device"]


@dataclass(frozen=True)
class RunResult:
    """Counts of a whole study. samples: option -> (unit, load), N, one reading of each of the first units.

    path        'arrays': by array operations; 'kernel': by a compiled kernel; 'device': by a kernel on an accelerator
    uncompiled  why a study worth a kernel was computed without one; '' where there is nothing to say
    """

    model: Model
    plan: Plan
    tallies: dict[str, Tally]
    clipped: NDArray[np.int64]
    blind: NDArray[np.int64]
    samples: dict[str, Array]
    path: Computation = "arrays"
    uncompiled: str = ""


Enough = Callable[[RunResult], bool]
"""Whether what has been drawn up to a look suffices."""


def result_of(
    model: Model,
    plan: Plan,
    total: Total,
    path: Computation,
    samples: dict[str, Array],
    uncompiled: str = "",
) -> RunResult:
    """What has been counted up to the last look of `plan`; it holds until more is added to the total."""
    groups = plan.frame.groups
    return RunResult(
        model,
        plan,
        {name: tally.upto(groups) for name, tally in total.tallies.items()},
        total.clipped,
        total.blind,
        samples,
        path,
        uncompiled,
    )
