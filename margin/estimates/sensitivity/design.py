"""Plan of a variance-based sensitivity study: which points to evaluate, and in which order they are kept.

Two independent matrices A and B of uniforms come from one scrambled Sobol sequence in twice the number of
columns. AB_g is A with the columns of group g taken from B, BA_g is B with those of group g taken from A
(Saltelli, Annoni, Azzini, Campolongo, Ratto, Tarantola 2010, Computer Physics Communications 181, 259-270).
The plan holds several independent scramblings of the sequence, because a single quasi-random sample gives no
honest interval (Owen 1995; L'Ecuyer 2018).

Shapes, used throughout this package:
    r   scramblings              n   base rows of one scrambling (base = r n)
    c   input columns            d   groups
    m   matrices, d + 2 without second order (A, AB_1 .. AB_d, B), 2 d + 2 with it (A, AB.., BA.., B)
    k   outputs
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

Array = NDArray[np.float64]
Evaluate = Callable[[Array], Array]
Matrix = Literal["A", "AB", "BA", "B"]

BITS = 30
HALF_CELL = 2.0 ** -(BITS + 1)


class BadDesign(ValueError):
    """A sensitivity plan that cannot be drawn."""


@dataclass(frozen=True)
class Piece:
    """Base rows to be evaluated together: consecutive rows of one scrambling or of several.

    segments  (scrambling, slice of the n base rows of that scrambling)
    """

    segments: tuple[tuple[int, slice], ...]

    @property
    def rows(self) -> int:
        return sum(rows.stop - rows.start for _, rows in self.segments)


def scrambled_points(columns: int, seed: int, scrambling: int, rows: slice) -> Array:
    """Rows of one scrambled Sobol sequence, (rows, columns), moved to the middle of their cell.

    The first rows stay what they are when more are drawn, so that a study can be extended. Zero, whose
    quantile may be infinite, cannot occur.
    """
    stream = np.random.default_rng(np.random.SeedSequence([seed, scrambling]))
    engine = qmc.Sobol(columns, scramble=True, bits=BITS, seed=stream)
    if rows.start:
        engine.fast_forward(rows.start)
    # `random` warns about counts that are no power of two at the start of the sequence; the plan checks the
    # whole count, of which a block is only a part.
    count = rows.stop - rows.start
    points = engine.random(count) if _is_power_of_two(count) else engine.random(_next_power(count))[:count]
    return np.asarray(points + HALF_CELL, dtype=float)


def _is_power_of_two(number: int) -> bool:
    return number > 0 and number & (number - 1) == 0


def _next_power(number: int) -> int:
    return 1 << (number - 1).bit_length()


def check_points(base: int, scramblings: int, seed: int) -> None:
    """Raise BadDesign unless every scrambling has a power of two of base rows and the seed is usable."""
    if scramblings < 1:
        raise BadDesign(f"scramblings is {scramblings}; at least one is needed, eight give intervals")
    if base % scramblings or not _is_power_of_two(base // scramblings) or base // scramblings < 2:
        raise BadDesign(
            f"base is {base} for {scramblings} scramblings; each scrambling needs the same power of two "
            f"of base rows (2 or more), or the Sobol points lose their balance. "
            f"Take base = {scramblings} times a power of two"
        )
    if seed < 0:
        raise BadDesign(f"seed is {seed}; take a whole number from 0 up")


@dataclass(frozen=True)
class SobolDesign:
    """Plan of a Sobol study.

    groups        group of each input column, in column order; columns of one group move together. Groups must
                  be mutually independent (see grouping.check_independent), columns within a group need not be
    base          base rows over all scramblings: `scramblings` times a power of two
    second_order  also plan the matrices for pairs of groups
    seed          of the scramblings; the same seed gives the same points
    scramblings   independent replicates; eight by default, see intervals.py for why

    Row order wherever outputs are kept: (scrambling, matrix, base row, output), matrices as in `matrices`.
    """

    groups: tuple[str, ...]
    base: int
    second_order: bool = False
    seed: int = 0
    scramblings: int = 8

    def __post_init__(self) -> None:
        if not self.groups:
            raise BadDesign("groups is empty; name the group of every input column")
        if any(not name for name in self.groups):
            raise BadDesign(
                f"groups {self.groups} holds an empty name; every input column belongs to one group"
            )
        if 2 * self.columns > qmc.Sobol.MAXDIM:
            raise BadDesign(
                f"{self.columns} columns; the Sobol sequence serves {qmc.Sobol.MAXDIM // 2} at most"
            )
        check_points(self.base, self.scramblings, self.seed)

    @classmethod
    def within(
        cls,
        groups: tuple[str, ...],
        budget: int,
        *,
        second_order: bool = False,
        seed: int = 0,
        scramblings: int = 8,
    ) -> SobolDesign:
        """The largest plan of at most `budget` model runs; `rounding` says what was made of the budget."""
        least = cls.least(groups, second_order=second_order, scramblings=scramblings)
        rows = 2 * budget // least
        if rows < 2:
            raise BadDesign(
                f"a budget of {budget} runs is too small: {least // (2 * scramblings)} matrices and {scramblings} "
                f"scramblings need {least} runs at least. Raise the budget or form larger groups"
            )
        return cls(groups, scramblings * (1 << (rows.bit_length() - 1)), second_order, seed, scramblings)

    @staticmethod
    def least(groups: tuple[str, ...], *, second_order: bool = False, scramblings: int = 8) -> int:
        """Model runs of the smallest plan: two base rows in each scrambling."""
        matrices = len(dict.fromkeys(groups)) * (2 if second_order else 1) + 2
        return 2 * matrices * scramblings

    def rounding(self, budget: int) -> str:
        """One sentence on how a budget of runs became this plan."""
        return (
            f"{self.runs} of {budget} runs: {self.base} base rows in {self.scramblings} scramblings of "
            f"{self.rows} = 2^{self.rows.bit_length() - 1}, times {len(self.matrices)} matrices"
        )

    @property
    def columns(self) -> int:
        return len(self.groups)

    @property
    def names(self) -> tuple[str, ...]:
        """The d groups, each once, in order of first appearance."""
        return tuple(dict.fromkeys(self.groups))

    @property
    def rows(self) -> int:
        """Base rows of one scrambling."""
        return self.base // self.scramblings

    @property
    def matrices(self) -> tuple[tuple[Matrix, str | None], ...]:
        """The m matrices in the order in which outputs are kept."""
        exchanged: list[tuple[Matrix, str | None]] = [("AB", name) for name in self.names]
        if self.second_order:
            exchanged += [("BA", name) for name in self.names]
        return (("A", None), *exchanged, ("B", None))

    @property
    def runs(self) -> int:
        """Model runs: base (d + 2), or base (2 d + 2) with second order."""
        return self.base * len(self.matrices)

    def doubled(self) -> SobolDesign:
        """The plan with twice the base rows, of which the first half of each scrambling is this plan."""
        return replace(self, base=2 * self.base)

    def members(self, group: str) -> NDArray[np.bool_]:
        """Which of the c columns belong to the group."""
        return np.array([name == group for name in self.groups])

    def pieces(self, piece_rows: int = 4096, start: int = 0) -> Iterator[Piece]:
        """All base rows in pieces of at most `piece_rows`, which may hold rows of several scramblings.

        `start` skips the first base rows of each scrambling, which serves a doubled plan whose first half is
        already evaluated.
        """
        if piece_rows < 1:
            raise BadDesign(f"piece_rows is {piece_rows}; take 1 or more")
        segments: list[tuple[int, slice]] = []
        for scrambling in range(self.scramblings):
            for first in range(start, self.rows, piece_rows):
                rows = slice(first, min(first + piece_rows, self.rows))
                if segments and Piece((*segments, (scrambling, rows))).rows > piece_rows:
                    yield Piece(tuple(segments))
                    segments = []
                segments.append((scrambling, rows))
        yield Piece(tuple(segments))

    def points(self, piece: Piece) -> Array:
        """Uniforms of A beside those of B, (rows of the piece, 2 c), all strictly between 0 and 1."""
        return np.concatenate(
            [scrambled_points(2 * self.columns, self.seed, s, rows) for s, rows in piece.segments]
        )

    def exchanged(self, points: Array, matrix: Matrix, group: str | None) -> Array:
        """Rows (rows, c) of one matrix from the uniforms of A and B, (rows, 2 c)."""
        a, b = points[:, : self.columns], points[:, self.columns :]
        kept, other = (a, b) if matrix in ("A", "AB") else (b, a)
        if group is None:
            return kept.copy()
        found: Array = np.where(self.members(group), other, kept)
        return found

    def point(self, scrambling: int, matrix_index: int, row: int) -> Array:
        """The c uniforms of one run, by its place in the row order."""
        points = scrambled_points(2 * self.columns, self.seed, scrambling, slice(row, row + 1))
        matrix, group = self.matrices[matrix_index]
        return np.asarray(self.exchanged(points, matrix, group)[0])
