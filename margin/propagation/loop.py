"""The loop over the blocks of a study: the only place where a study is repeated."""

from __future__ import annotations

from contextlib import AbstractContextManager, ExitStack

from margin.propagation.executor import Executor
from margin.propagation.memory import keep_freed_memory
from margin.propagation.model import Model
from margin.propagation.partial import Total
from margin.propagation.plan import Block, Plan
from margin.propagation.run_result import Computation, Enough, Progress, RunResult, result_of
from margin.propagation.store import RunFolder


def draw_study(
    model: Model,
    plan: Plan,
    way: AbstractContextManager[Executor],
    size: int,
    path: Computation,
    *,
    chunk: int,
    uncompiled: str = "",
    enough: Enough | None = None,
    folder: RunFolder | None = None,
    progress: Progress | None = None,
) -> RunResult:
    """Draw the looks of a plan, one after the other.

    way       of computing; entered where the first chunk is missing
    size      units in a block that is evaluated at once
    path      what counts, for the report; uncompiled: why no kernel does
    chunk     units in a chunk, the piece that is kept or sent as a whole
    enough    asked after each look, of counts that go on growing; what it leaves out is not drawn
    folder    in which finished chunks are kept, and from which they are taken where they are there
    progress  called with the number of units just finished
    """
    keep_freed_memory()
    counted: Progress = (lambda units: None) if progress is None else progress
    options = tuple(option.name for option in model.case.calibrations)
    total = Total.empty(plan.frame, options)
    with ExitStack() as held:
        executor: Executor | None = None
        for look in range(len(plan.looks)):
            missing: list[Block] = []
            for piece in plan.blocks(chunk, look):
                kept = None if folder is None else folder.kept(piece, plan.frame, options)
                if kept is None:
                    missing.append(piece)
                else:
                    total.add(kept)
                    counted(piece.count)
            if missing:
                if executor is None:
                    executor = held.enter_context(way)
                for piece, result in executor.evaluate(model, plan, missing, size):
                    total.add(result)
                    if folder is not None:
                        folder.add(piece, result)
                    counted(result.block.count)
            found = result_of(model, plan.upto(look), total, path, total.samples(), uncompiled)
            if enough is not None and enough(found):
                break
    if folder is not None:
        folder.finish()
    return found
