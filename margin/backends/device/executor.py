"""Blocks counted on an accelerator, as large as its memory allows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from margin.backends.arrays import evaluate_block
from margin.backends.device.study_kernel import StudyKernel
from margin.backends.threads import evaluate_range
from margin.propagation.model import Model
from margin.propagation.partial import BlockResult
from margin.propagation.plan import Block, Plan, default_block

Part = tuple[Block, Block]
"""A chunk and a part of it."""


@dataclass(frozen=True)
class Accelerator:
    """A device that counts by a kernel of the case.

    Uniforms are those of the other ways to the bit, whatever the block; functions of the device round in their own
    way, so that an error may differ in its last digits and a count by the few readings that stand at a limit. The
    same seed on the same kind of device gives the same result to the bit.
    """

    kernel: StudyKernel

    def evaluate(
        self, model: Model, plan: Plan, chunks: Iterable[Block], size: int
    ) -> Iterator[tuple[Block, BlockResult]]:
        chunks = tuple(chunks)
        units = sum(chunk.count for chunk in chunks)
        # blocks of one size: a small one at the end costs nearly as much as a large one
        size = -(-units // max(-(-units // size), 1))
        for parts in _blocks(chunks, plan.whole_lots(size)):
            found = self._results(model, plan, [part for _, part in parts])
            yield from zip((chunk for chunk, _ in parts), found, strict=True)

    def _results(self, model: Model, plan: Plan, parts: list[Block]) -> list[BlockResult]:
        found = self.kernel.counted(model, plan, parts)
        if not isinstance(found, int):
            return found
        # array operations tell which error is not a number
        size = default_block(model.case)
        blocks = [block for part in parts for block in plan.cut(part, size)]
        evaluate_block(model, plan, next(b for b in blocks if b.start <= found < b.start + b.count))
        # by those it is one, at the edge of what a double holds
        return [evaluate_range(model, plan, part, size) for part in parts]


def _blocks(chunks: Iterable[Block], size: int) -> Iterator[list[Part]]:
    """Parts of chunks that follow each other, as many at a time as make up a block of `size` units."""
    taken: list[Part] = []
    room, end = size, 0
    for chunk in chunks:
        if taken and chunk.start != end:
            yield taken
            taken, room = [], size
        at, end = chunk.start, chunk.start + chunk.count
        while at < end:
            count = min(room, end - at)
            taken.append((chunk, Block(at, count, chunk.section)))
            at, room = at + count, room - count
            if not room:
                yield taken
                taken, room = [], size
    if taken:
        yield taken
