"""Blocks spread over the threads of this process."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import chain

from margin.backends.arrays import evaluate_block, evaluate_blocks
from margin.backends.compiled.block import Kernel
from margin.case.types import Case
from margin.propagation.model import Model
from margin.propagation.partial import BlockResult, joined
from margin.propagation.plan import Block, Plan, together
from margin.propagation.readings import readings_of_a_unit
from margin.propagation.threads import default_workers, in_threads

READINGS_A_WORKER = 1 << 18
"""Fewer readings than that are evaluated sooner than a further thread has warmed up."""

READINGS_OF_TWO = 1 << 17
"""Readings from which on two threads are faster than one: while one draws, the other sets up."""


def evaluate_range(
    model: Model, plan: Plan, whole: Block, size: int, kernel: Kernel | None = None
) -> BlockResult:
    """Evaluate a larger block in blocks of about `size` units, by a kernel where there is one."""
    evaluate = evaluate_block if kernel is None else kernel.evaluate
    return reduce(joined, (evaluate(model, plan, block) for block in plan.cut(whole, size)))


def workers_for(case: Case, units: int) -> int:
    """Threads by default: one a core, and no more than have readings enough to outweigh what a thread costs."""
    readings = units * readings_of_a_unit(case)
    worth = max(readings // READINGS_A_WORKER, 2 if readings >= READINGS_OF_TWO else 1)
    return min(default_workers(), worth)


@dataclass(frozen=True)
class Threads:
    """Threads of this process; a kernel counts the blocks where there is one."""

    workers: int
    kernel: Kernel | None = None

    def evaluate(
        self, model: Model, plan: Plan, chunks: Iterable[Block], size: int
    ) -> Iterable[tuple[Block, BlockResult]]:
        chunks = tuple(chunks)
        # few units are shared out among the workers
        size = min(size, -(-sum(chunk.count for chunk in chunks) // self.workers))
        blocks = ((chunk, block) for chunk in chunks for block in plan.cut(chunk, size))
        # one thread draws while another sets up: what is short waits for the interpreter, what is long does not
        models = (model, replace(model, draws_first=self.kernel is None))

        def evaluated(task: tuple[int, Sequence[tuple[Block, Block]]]) -> list[tuple[Block, BlockResult]]:
            number, parts = task
            found = self._blocks(models[number % 2], plan, [block for _, block in parts])
            return [(chunk, result) for (chunk, _), result in zip(parts, found, strict=True)]

        return chain.from_iterable(in_threads(evaluated, enumerate(together(blocks, size)), self.workers))

    def _blocks(self, model: Model, plan: Plan, blocks: Sequence[Block]) -> list[BlockResult]:
        if self.kernel is not None:
            return [self.kernel.evaluate(model, plan, block) for block in blocks]
        return evaluate_blocks(model, plan, blocks)
