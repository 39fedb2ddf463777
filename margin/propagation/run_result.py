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
Computation = Literal["plain", "fused", "gpu", "gpu fused"]


@dataclass(frozen=True)
class RunResult:
    """Counts of a whole study. samples: option -> (unit, load), N, one reading of each of the first units.

    path  'plain': by array operations; 'fused': by a compiled kernel; 'gpu', 'gpu fused': the same on an accelerator
    """

    model: Model
    plan: Plan
    tallies: dict[str, Tally]
    clipped: NDArray[np.int64]
    blind: NDArray[np.int64]
    samples: dict[str, Array]
    path: Computation = "plain"


Enough = Callable[[RunResult], bool]
"""Whether what has been drawn up to a look suffices."""


def result_of(
    model: Model, plan: Plan, total: Total, path: Computation, samples: dict[str, Array]
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
    )
