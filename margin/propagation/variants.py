"""Variants of a case on common draws, and what becomes of each unit under them.

Variants share all draws but those that they draw again, so that their difference is that of what they change (common
random numbers).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from margin.propagation.histogram import Bins

Array = NDArray[np.float64]
Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Variant:
    """What a variant changes of a case; nothing by default.

    scales   factor or sampling uncertainty -> multiplier of its spread: 0 frozen, 0.5 halved
    redrawn  columns (see `points_source.Column`) with other, independent draws
    """

    scales: Mapping[str, float] = field(default_factory=dict)
    redrawn: frozenset[str] = frozenset()


def redrawn_name(stream: str) -> str:
    """Name of the stream of other draws."""
    return f"{stream} (again)"


@dataclass(frozen=True)
class Asked:
    """What is asked beside the verdict on each unit.

    first       the error of the first reading at each load
    sizes       counts of |error| over all readings
    thresholds  (option,) N: readings of each unit whose |error| exceeds them; None: not asked
    """

    first: bool = False
    sizes: bool = False
    thresholds: tuple[float, ...] | None = None


@dataclass(frozen=True)
class Outcomes:
    """What becomes of the units of a block, by option in the order of the case.

    largest  (option, unit) largest |error| relative to the permissible error, over all readings
    within   (option, unit) readings within the permissible error
    first    (option, condition, load, unit) error of the first reading, N; None where not asked, as those below
    sizes    (option, bin) readings by |error|, see `sizes_of`
    beyond   (option, unit) readings beyond the threshold
    """

    largest: Array
    within: Counts
    first: Array | None = None
    sizes: Counts | None = None
    beyond: Counts | None = None


class UnitEngine(Protocol):
    """A way of computing that tells units apart; it belongs to one model and one frame."""

    def outcomes(
        self, start: int, count: int, variants: Sequence[Variant], asked: Asked
    ) -> Iterator[Outcomes | None]:
        """Outcomes of units `start` to `start + count` under each variant; None where an error is not a number."""


def sizes_of(counted: Counts, bins: Bins) -> Counts:
    """Counts by |error|, (..., half + 1), from counts (..., bin) of signed errors; entry 0: zero to the resolution."""
    middle = bins.half
    found: Counts = counted[..., middle:].copy()
    found[..., 1:] += counted[..., middle - 1 :: -1]
    return found
