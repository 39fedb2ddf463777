"""Blocks counted and units judged by array operations: the way of computing that every case can take."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from margin.propagation.block import Errors, block_errors
from margin.propagation.model import Model
from margin.propagation.outcomes import Asked, Outcomes
from margin.propagation.partial import SAMPLE_UNITS, BlockResult
from margin.propagation.plan import Block, Plan
from margin.propagation.tally import (
    BlockTally,
    EvaluationError,
    Frame,
    counted_by_load,
    firsts_of,
    judge,
    require_numbers,
    tally_blocks,
)
from margin.propagation.variants import Variant

Array = NDArray[np.float64]
Counts = NDArray[np.int64]


def evaluate_block(model: Model, plan: Plan, block: Block) -> BlockResult:
    """Draw, calibrate, use and count one block."""
    (result,) = evaluate_blocks(model, plan, (block,))
    return result


def evaluate_blocks(model: Model, plan: Plan, blocks: Sequence[Block]) -> list[BlockResult]:
    """Draw, calibrate and use the units of blocks that follow each other, all at once; count each block."""
    start, counts = blocks[0].start, [block.count for block in blocks]
    errors = block_errors(model, model.source(plan.frame.grouping, start, sum(counts)), sum(counts))
    return _counted(plan.frame, blocks, errors, counts)


def _counted(frame: Frame, blocks: Sequence[Block], errors: Errors, counts: list[int]) -> list[BlockResult]:
    """Results of blocks that follow each other; EvaluationError for the first with errors that are no numbers."""
    start, sections, firsts = blocks[0].start, [block.section for block in blocks], firsts_of(counts)
    if not all(
        np.isfinite(each).all() for by_condition in errors.by_option.values() for each in by_condition
    ):
        for block, first in zip(blocks, firsts, strict=True):
            for name, by_condition in errors.by_option.items():
                own = [each[first : first + block.count] for each in by_condition]
                require_numbers(name, frame, own, block.start)
    tallies: dict[str, list[BlockTally]] = {}
    for name, by_condition in errors.by_option.items():
        judged = judge(frame, by_condition)
        tallies[name] = tally_blocks(frame, by_condition, judged, start, counts, sections)
    clipped, blind = (
        np.sum([counted_by_load(each, firsts) for each in marks], axis=0)
        for marks in zip(*errors.marks, strict=True)
    )
    wanted = max(min(SAMPLE_UNITS - start, sum(counts)), 0)
    samples = {name: e[0][:wanted, 0, 0, 0, :].copy() for name, e in errors.by_option.items()}
    return [
        BlockResult(
            block,
            {name: found[row] for name, found in tallies.items()},
            clipped[:, row],
            blind[:, row],
            {name: part[first : first + block.count] for name, part in samples.items()},
        )
        for row, (block, first) in enumerate(zip(blocks, firsts, strict=True))
    ]


@dataclass(frozen=True)
class ArrayUnits:
    """Units under variants of a model, by array operations (see `outcomes.UnitEngine`)."""

    model: Model
    frame: Frame

    @property
    def fast(self) -> bool:
        return False

    def with_frame(self, frame: Frame) -> ArrayUnits:
        return replace(self, frame=frame)

    def outcomes(
        self, start: int, count: int, variants: Sequence[Variant], asked: Asked
    ) -> Iterator[Outcomes | None]:
        source = self.model.source(self.frame.grouping, start, count)
        for number, variant in enumerate(variants):
            try:
                with np.errstate(all="ignore"):
                    errors = block_errors(self.model, source.varied(variant), count).by_option
            except EvaluationError:
                yield None
                continue
            finite = all(np.isfinite(each).all() for own in errors.values() for each in own)
            limits = None if asked.thresholds is None else asked.thresholds[number]
            yield outcomes_of_errors(self.frame, list(errors.values()), asked, limits) if finite else None


def outcomes_of_errors(
    frame: Frame, errors: list[list[Array]], asked: Asked, thresholds: Array | None = None
) -> Outcomes:
    """Outcomes from the errors of each option, one array (unit, condition, loading, reading, load) for each condition.

    thresholds  (option,) N; None: readings beyond are counted where they are asked for by `placed` alone
    """
    judged = [judge(frame, own) for own in errors]
    sizes = np.stack([_sizes(frame, own) for own in errors]) if asked.sizes or asked.placed else None
    if asked.placed is not None and sizes is not None:
        thresholds = asked.placed(sizes)
    return Outcomes(
        np.stack([each.largest for each in judged]),
        np.stack([each.within for each in judged]),
        np.stack([np.stack([e[:, 0, 0, 0, :].T for e in own]) for own in errors]) if asked.first else None,
        sizes,
        None if thresholds is None else np.stack(
            [_beyond(own, limit) for own, limit in zip(errors, thresholds, strict=True)]
        ),
    )  # fmt: skip


def _sizes(frame: Frame, errors: list[Array]) -> Counts:
    """Readings by |error|."""
    bins = frame.bins
    index = [bins.index(np.abs(e)).ravel() - bins.half for e in errors]
    return np.bincount(np.concatenate(index), minlength=bins.half + 1)


def _beyond(errors: list[Array], limit: float) -> Counts:
    """Readings of each unit whose |error| exceeds a limit, N."""
    found: Counts = np.sum([np.count_nonzero(np.abs(e) > limit, axis=(1, 2, 3, 4)) for e in errors], axis=0)
    return found
