"""What becomes of each unit under variants of a case, and the contract of whatever computes it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from margin.propagation.frame import Frame
from margin.propagation.histogram import Bins
from margin.propagation.tally import needed_within
from margin.propagation.variants import Variant

Array = NDArray[np.float64]
Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Asked:
    """What is asked beside the verdict on each unit.

    first       the error of the first reading at each load
    sizes       counts of |error| over all readings
    thresholds  (variant, option) N: readings of each unit whose |error| exceeds them; None: not asked
    placed      in place of thresholds: those of a variant, (option,) N, from its own sizes, (option, bin)
    """

    first: bool = False
    sizes: bool = False
    thresholds: Array | None = None
    placed: Callable[[Counts], Array] | None = None


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
    """A way of computing with results unit by unit; it belongs to one model and one frame."""

    @property
    def fast(self) -> bool:
        """Whether a variant of some ten thousand units takes hundredths of a second."""

    def with_frame(self, frame: Frame) -> UnitEngine:
        """The same for units nested or judged otherwise."""

    def outcomes(
        self, start: int, count: int, variants: Sequence[Variant], asked: Asked
    ) -> Iterator[Outcomes | None]:
        """Outcomes of units `start` to `start + count` under each variant; None where an error is not a number."""


def conforming(found: Outcomes, frame: Frame, counts: str) -> Counts:
    """(option, unit) Whether each unit conforms, or how many of its readings do where these count.

    counts  what the requirement counts, see `Requirement.counts`
    """
    if counts == "readings":
        return found.within
    if counts == "units by share of readings":
        return (found.within >= needed_within(frame)).astype(np.int64)
    return (found.largest <= 1.0).astype(np.int64)


def sizes_of(counted: Counts, bins: Bins) -> Counts:
    """Counts by |error|, (..., half + 1), from counts (..., bin) of signed errors; entry 0: zero to the resolution."""
    middle = bins.half
    found: Counts = counted[..., middle:].copy()
    found[..., 1:] += counted[..., middle - 1 :: -1]
    return found
