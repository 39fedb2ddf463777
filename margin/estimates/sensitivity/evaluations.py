"""Outputs of a plan, kept together with the plan, and what to do about runs that failed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from margin.estimates.sensitivity.design import Array, BadDesign, Evaluate, Piece, SobolDesign

FailurePolicy = Literal["raise", "drop"]
PieceWork = Callable[[Piece], tuple[Piece, list[Array]]]
Mapped = Callable[[PieceWork, Iterator[Piece]], Iterable[tuple[Piece, list[Array]]]]
"""Maps work over pieces, giving results in their order."""


class FailedEvaluations(ValueError):
    """Some runs of the model gave no finite output.

    count   failed runs            total   runs in all
    where   first failed run, in words
    inputs  uniforms of that run by column
    """

    def __init__(self, count: int, total: int, where: str, inputs: tuple[float, ...], advice: str) -> None:
        self.count, self.total, self.where, self.inputs, self.advice = count, total, where, inputs, advice
        values = ", ".join(f"{value:.6g}" for value in inputs)
        super().__init__(
            f"the model gave no finite output in {count} of {total} runs, first in {where}, with inputs "
            f"(uniforms by column) [{values}]. The inputs are finite: look for the cause in the model. "
            f"{advice}"
        )

    def __reduce__(self) -> tuple[type[FailedEvaluations], tuple[object, ...]]:
        return type(self), (self.count, self.total, self.where, self.inputs, self.advice)


def as_outputs(outputs: Array, rows: int) -> Array:
    """What the model returned for some rows as (rows, k); ValueError where the rows do not fit."""
    values = np.asarray(outputs, dtype=float)
    if values.ndim == 1:
        values = values[:, np.newaxis]
    if values.ndim != 2 or values.shape[0] != rows:
        raise ValueError(
            f"the model returned shape {np.shape(outputs)} for {rows} rows; it must return (rows,) or "
            f"(rows, outputs), one row for each row of uniforms, in the same order"
        )
    return values


@dataclass(frozen=True)
class Evaluations:
    """Every output of a plan.

    design   the plan
    values   (r, m, n, k), in the row order of the plan
    outputs  k names
    """

    design: SobolDesign
    values: Array
    outputs: tuple[str, ...]

    def __post_init__(self) -> None:
        design = self.design
        expected = (design.scramblings, len(design.matrices), design.rows, len(self.outputs))
        if self.values.shape != expected:
            raise BadDesign(
                f"outputs have shape {self.values.shape}, the plan asks for {expected} "
                f"(scramblings, matrices, base rows, outputs): they do not belong to this plan"
            )

    def first(self, base: int) -> Evaluations:
        """The same study with fewer base rows: the first of each scrambling, without new runs."""
        design = replace(self.design, base=base)
        if design.rows > self.design.rows:
            raise BadDesign(f"base {base} is more than the {self.design.base} evaluated; take fewer")
        return Evaluations(design, self.values[:, :, : design.rows], self.outputs)


def collect(design: SobolDesign, outputs: Array, names: tuple[str, ...] = ()) -> Evaluations:
    """Outputs evaluated elsewhere, (runs,) or (runs, k) in the row order of the plan, joined to the plan."""
    values = np.asarray(outputs, dtype=float)
    if values.shape[:1] != (design.runs,):
        raise BadDesign(
            f"{values.shape[0] if values.ndim else 0} rows of output for a plan of {design.runs} runs; "
            f"outputs can only be joined to the plan whose points they were computed from"
        )
    values = as_outputs(values, design.runs)
    shape = (design.scramblings, len(design.matrices), design.rows, values.shape[1])
    return Evaluations(design, values.reshape(shape), _named(names, values.shape[1]))


def run(
    design: SobolDesign,
    evaluate: Evaluate,
    names: tuple[str, ...] = (),
    *,
    piece_rows: int = 4096,
    earlier: Evaluations | None = None,
    mapped: Mapped = map,
) -> Evaluations:
    """Evaluate every point of the plan.

    evaluate    takes uniforms (rows, c), returns (rows,) or (rows, k); called for one matrix after the other of
                the same base rows, of which it may remember what the next one shares
    names       of the k outputs; 'output 1' .. where left out
    piece_rows  base rows that are evaluated at once; memory stays at about 3 piece_rows c values a worker
    earlier     evaluations of a smaller plan with the same groups, seed and scramblings, used again
    mapped      maps a function over pieces, in order; `map`, or one that does so in threads
    """
    start = 0
    values: Array | None = None
    if earlier is not None:
        if replace(earlier.design, base=design.base) != design or earlier.design.base > design.base:
            raise BadDesign("earlier evaluations belong to another plan; only the base may differ, upwards")
        start, names = earlier.design.rows, earlier.outputs
        values = _empty(design, len(names))
        values[:, :, :start] = earlier.values

    def work(piece: Piece) -> tuple[Piece, list[Array]]:
        points = design.points(piece)
        rows = (design.exchanged(points, matrix, group) for matrix, group in design.matrices)
        return piece, [as_outputs(evaluate(uniforms), len(uniforms)) for uniforms in rows]

    for piece, found in mapped(work, design.pieces(piece_rows, start)):
        outputs = {one.shape[1] for one in found} | (set() if values is None else {values.shape[-1]})
        if len(outputs) > 1:
            raise ValueError(f"the model returned now {min(outputs)}, now {max(outputs)} outputs")
        if values is None:
            values = _empty(design, found[0].shape[1])
        first = 0
        for scrambling, rows in piece.segments:
            end = first + rows.stop - rows.start
            for matrix, one in enumerate(found):
                values[scrambling, matrix, rows] = one[first:end]
            first = end
    if values is None:
        raise BadDesign("the plan holds no point")
    return Evaluations(design, values, _named(names, values.shape[-1]))


def _empty(design: SobolDesign, outputs: int) -> Array:
    return np.empty((design.scramblings, len(design.matrices), design.rows, outputs))


def _named(names: tuple[str, ...], outputs: int) -> tuple[str, ...]:
    names = names or tuple(f"output {index + 1}" for index in range(outputs))
    if len(names) != outputs or len(set(names)) != outputs:
        raise ValueError(f"{len(names)} names {names} for {outputs} outputs; give each output its own name")
    return names


def usable_rows(evaluations: Evaluations, policy: FailurePolicy) -> NDArray[np.bool_]:
    """Which base rows, (r, n), are finite in all their matrices and outputs.

    'raise': FailedEvaluations at the first failed run. 'drop': the whole linked base row (A, B and every
    exchanged row) goes, never a single run, because the estimators compare rows within a base row.
    """
    finite = np.all(np.isfinite(evaluations.values), axis=-1)
    kept: NDArray[np.bool_] = np.all(finite, axis=1)
    if np.all(kept):
        return kept
    design = evaluations.design
    if policy == "raise":
        scrambling, matrix, row = (int(index) for index in np.argwhere(~finite)[0])
        kind, group = design.matrices[matrix]
        of_group = "" if group is None else f" of {group!r}"
        raise FailedEvaluations(
            count=int((~finite).sum()),
            total=design.runs,
            where=f"scrambling {scrambling}, matrix {kind}{of_group}, row {row}",
            inputs=tuple(float(value) for value in design.point(scrambling, matrix, row)),
            advice="To leave out the whole base row of each failed run, say failures='drop'",
        )
    if (kept.sum(axis=1) < 2).any():
        raise ValueError(
            f"after dropping {int((~kept).sum())} of {design.base} base rows with failed runs, a scrambling "
            f"keeps fewer than two rows: nothing can be estimated. Mend the model or narrow the inputs"
        )
    return kept
