"""Sums over independent units, each evaluated as drawn and with groups of its draws drawn again.

Matrices, in this order: A, the units as drawn; B, all draws drawn again; AB_g, the draws of group g alone drawn again
(those of B); with second order also BA_g, all draws but those of group g drawn again. The pick-freeze scheme of Sobol
with random points: A and AB_g share all inputs but those of g, B and AB_g share those of g alone.

Units are counted in replicates of equal size. Sums are kept about the mean of each replicate and joined by the
formulas of Chan, Golub and LeVeque (1983, The American Statistician 37, 242-247), so that an offset costs no digits.

Shapes: r replicates, m matrices, d groups, k outputs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Outputs(Protocol):
    """Outputs of units `start` to `start + count`, one array (unit, k) for each matrix, in their order."""

    def __call__(self, start: int, count: int) -> Iterable[Array]: ...


@dataclass(frozen=True)
class Piece:
    """Units that are evaluated together: those of whole replicates, or a part of one.

    first, replicates  of which the units are, in equal parts; start, count: the units
    """

    first: int
    replicates: int
    start: int
    count: int


def pieces(start: int, each: int, replicates: int, size: int) -> Iterator[Piece]:
    """`each` units for every replicate from unit `start`, in pieces of about `size` units."""
    if each >= size:
        for replicate in range(replicates):
            for first in range(0, each, size):
                yield Piece(replicate, 1, start + replicate * each + first, min(size, each - first))
        return
    together = max(size // each, 1)
    for replicate in range(0, replicates, together):
        taken = min(together, replicates - replicate)
        yield Piece(replicate, taken, start + replicate * each, taken * each)


@dataclass(frozen=True)
class RedrawSums:
    """Sums by replicate, and extremes.

    count           (r,) units
    mean, square    (r, m, k) mean, and sum of squares about it
    from_a, from_b  (r, m, k) sums of the squared difference from A, from B
    moved           (r, m, k) sums of |difference from A|
    pairs           (r, d, d, k) sums of (AB_h - BA_g)^2, g before h; None without second order
    low, high       (m, k) extremes
    furthest        (m, k) largest |difference from A|
    """

    count: Array
    mean: Array
    square: Array
    from_a: Array
    from_b: Array
    moved: Array
    pairs: Array | None
    low: Array
    high: Array
    furthest: Array

    @classmethod
    def empty(cls, replicates: int, groups: int, outputs: int, *, second_order: bool = False) -> RedrawSums:
        matrices = 2 + groups * (2 if second_order else 1)
        shape = (replicates, matrices, outputs)
        return cls(
            np.zeros(replicates), np.zeros(shape), np.zeros(shape), np.zeros(shape), np.zeros(shape),
            np.zeros(shape), np.zeros((replicates, groups, groups, outputs)) if second_order else None,
            np.full(shape[1:], np.inf), np.full(shape[1:], -np.inf), np.zeros(shape[1:]),
        )  # fmt: skip

    @classmethod
    def of(
        cls, matrices: Iterable[Array], parts: int, groups: int, *, second_order: bool = False
    ) -> RedrawSums:
        """Sums of one piece; matrices (unit, k) each, units in `parts` equal parts of so many replicates."""
        rows: list[tuple[Array, ...]] = []
        exchanged: list[Array] = []
        pairs: Array | None = None
        a: Array = np.empty((0, 0, 0))
        b = a
        for number, flat in enumerate(matrices):
            found = flat.reshape(parts, -1, flat.shape[-1])
            if number == 0:
                a = b = found
            elif number == 1:
                b = found
            mean = found.mean(axis=1)
            from_a = found - a
            rows.append(
                (
                    mean, ((found - mean[:, np.newaxis]) ** 2).sum(axis=1), (from_a**2).sum(axis=1),
                    ((found - b) ** 2).sum(axis=1), np.abs(from_a).sum(axis=1), flat.min(axis=0), flat.max(axis=0),
                    np.abs(from_a).max(axis=(0, 1)),
                )
            )  # fmt: skip
            if second_order and number >= 2:
                exchanged.append(found)
        mean, square, apart_a, apart_b, moved = (
            np.stack(each, axis=1) for each in zip(*(r[:5] for r in rows), strict=True)
        )
        low, high, furthest = (np.stack(each) for each in zip(*(r[5:] for r in rows), strict=True))
        if second_order:
            pairs = np.stack(
                [
                    np.stack([((ab - ba) ** 2).sum(axis=1) for ab in exchanged[:groups]], axis=1)
                    for ba in exchanged[groups:]
                ],
                axis=1,
            )
        count = np.full(parts, float(a.shape[1]))
        # the second matrix is B itself: the first was compared with A in its place
        apart_b[:, 0] = apart_a[:, 1]
        return cls(count, mean, square, apart_a, apart_b, moved, pairs, low, high, furthest)

    def add(self, first: int, part: RedrawSums) -> None:
        """Add the sums of a piece to those of replicates `first` and following."""
        at = slice(first, first + len(part.count))
        before, more = self.count[at][:, np.newaxis, np.newaxis], part.count[:, np.newaxis, np.newaxis]
        step = part.mean - self.mean[at]
        self.square[at] += part.square + step**2 * (before * more / (before + more))
        self.mean[at] += step * (more / (before + more))
        self.count[at] += part.count
        self.from_a[at] += part.from_a
        self.from_b[at] += part.from_b
        self.moved[at] += part.moved
        if self.pairs is not None and part.pairs is not None:
            self.pairs[at] += part.pairs
        np.minimum(self.low, part.low, out=self.low)
        np.maximum(self.high, part.high, out=self.high)
        np.maximum(self.furthest, part.furthest, out=self.furthest)

    @property
    def units(self) -> int:
        """Units of all replicates, each evaluated once for every matrix."""
        return int(self.count.sum())
