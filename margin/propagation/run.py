"""The loop over blocks: the only place where a study is repeated."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import reduce
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from margin.case.types import Case
from margin.chain.own_elements import ElementsFile
from margin.propagation.calibrated import Bench, Coordinates, calibrate, smallest_estimate
from margin.propagation.draws import Source
from margin.propagation.memory import keep_freed_memory
from margin.propagation.model import Model as Model
from margin.propagation.model import model_of as model_of
from margin.propagation.partial import SAMPLE_UNITS, BlockResult, Total, joined
from margin.propagation.plan import (
    LARGEST_BLOCK,
    Block,
    Plan,
    default_block,
    plan_of,
    together,
    units_in_chunk,
)
from margin.propagation.readings import readings_in_use, readings_of_a_unit
from margin.propagation.store import RunFolder, header_of
from margin.propagation.tally import (
    BlockTally,
    Frame,
    Tally,
    counted_by_load,
    firsts_of,
    judge,
    require_numbers,
    tally_blocks,
)
from margin.propagation.threads import default_workers, in_threads

if TYPE_CHECKING:
    from margin.propagation.fused.block import Kernel

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]
Progress = Callable[[int], None]
Computation = Literal["plain", "fused", "gpu", "gpu fused"]

READINGS_A_WORKER = 1 << 18
"""Fewer readings than that are evaluated sooner than a further thread has warmed up."""

READINGS_OF_TWO = 1 << 17
"""Readings from which on two threads are faster than one: while one draws, the other sets up."""


@dataclass(frozen=True)
class Errors:
    """Force errors of the units of a block.

    by_option  option name -> one array (unit, condition, loading, reading, load), N, for each condition of use
    clipped    (load,) readings at a limit of circuit or converter, over all conditions
    blind      (load,) readings by which the design curve sees no load at all
    marks      clipped and blind readings, arrays of truths like the errors, for each condition of use
    """

    by_option: dict[str, list[Array]]
    clipped: NDArray[np.int64]
    blind: NDArray[np.int64]
    marks: list[tuple[Marks, Marks]]


def _by_load(marks: Marks) -> NDArray[np.int64]:
    if isinstance(marks, np.ndarray):
        return counted_by_load(marks, [0])[:, 0]
    # an array that stands for one of numpy's
    counted: NDArray[np.int64] = np.count_nonzero(marks, axis=(0, 1, 2, 3))
    return counted


def block_errors(
    model: Model, source: Source, count: int, means: Mapping[str, Array] | None = None
) -> Errors:
    """Calibrate `count` drawn units by every option, use them, and compare with the true load.

    means  option name -> means of the lots (see `lot_means`), where they have been computed

    Errors are NaN where the chain gave no finite code in use. Raises EvaluationError where it gave none at the
    calibration.
    """
    case, nominal = model.case, model.nominal
    loads = np.asarray(case.check_loads, dtype=np.float64)
    bench = Bench(case, source, nominal, count)
    calibrated = {
        o.name: calibrate(o, bench, model.classes.get(o.name), (means or {}).get(o.name))
        for o in case.calibrations
    }
    by_option: dict[str, list[Array]] = {name: [] for name in calibrated}
    design = Coordinates(nominal, "force", smallest_estimate(case))
    clipped, blind = np.zeros(loads.size, dtype=np.int64), np.zeros(loads.size, dtype=np.int64)
    marks: list[tuple[Marks, Marks]] = []
    for readings in readings_in_use(case, source, count):
        for name, units in calibrated.items():
            error = units.load(readings) - loads
            # a design curve may read a code that is no number as no load: that would hide it
            by_option[name].append(
                error if readings.finite else np.where(np.isfinite(readings.codes), error, np.nan)
            )
        no_load = nominal.firmware.no_load(design.of_readings(readings, corrected=False))
        clipped += _by_load(readings.clipped)
        blind += _by_load(no_load)
        marks.append((readings.clipped, no_load))
    return Errors(by_option, clipped, blind, marks)


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


class Executor(Protocol):
    """Who evaluates the chunks of a study."""

    def evaluate(
        self, model: Model, plan: Plan, chunks: Iterable[Block], size: int
    ) -> Iterable[tuple[Block, BlockResult]]:
        """Each chunk with its result or, in the order of its units, with the results of parts of it.

        size  units in a block that is evaluated at once
        """


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


@contextmanager
def executor(
    workers: int, cluster: str | int | None, elements: tuple[ElementsFile, ...], kernel: Kernel | None = None
) -> Iterator[Executor]:
    """Threads, or a cluster (see `cluster_at`) for as long as it is needed."""
    if cluster is None:
        yield Threads(workers, kernel)
        return
    # Dask is an extra and slow to import
    from margin.propagation.cluster import cluster_at

    with cluster_at(cluster, elements, fused=kernel is not None) as found:
        yield found


Enough = Callable[["RunResult"], bool]
"""Whether what has been drawn up to a look suffices."""


def run(
    case: Case,
    *,
    plan: Plan | None = None,
    enough: Enough | None = None,
    model: Model | None = None,
    workers: int | None = None,
    block: int | None = None,
    cluster: str | int | None = None,
    resume: str | Path | None = None,
    elements: Iterable[str | Path] = (),
    progress: Progress | None = None,
    fused: bool | None = None,
) -> RunResult:
    """Draw the study of a case.

    plan      what is drawn, by default a study of fixed size (see `plan_of`)
    enough    asked after each look of the plan, of counts that go on growing; what it leaves out is not drawn
    model     the case made ready, where that has been done
    workers   threads, default one a core where that is worth it; block: units in one block, default by the cache
    cluster   address of a Dask scheduler, or a number of worker processes to start here, in place of threads
    resume    folder in which finished chunks are kept, and from which they are taken where they are there
    elements  files that registered elements of the case: they are run on the workers of a cluster
    progress  called with the number of units just finished
    fused     count by a compiled kernel: True or False, default where the study is large enough and
              the case can be compiled; on a cluster, where its workers compile as this program does.

    From `workers` on none changes the result by a bit, but `fused` the last bits of exponentials and logarithms.

    Raises EvaluationError for errors that are not numbers, ValueError for workers or block below 1,
    RunFolderError for a folder of something else, CannotFuse for a kernel that cannot be had, ClusterError and
    UnlikeWorker for a cluster that fails.
    """
    plan = plan_of(case) if plan is None else plan
    workers = workers_for(case, plan.units_at(0)) if workers is None else workers
    if workers < 1 or (block is not None and block < 1):
        raise ValueError(f"workers and block must be at least 1 (got {workers} and {block})")
    keep_freed_memory()
    files = tuple(ElementsFile.read(Path(path)) for path in elements)
    counted: Progress = (lambda units: None) if progress is None else progress
    model = model_of(case) if model is None else model
    kernel, path = _kernel(model, plan, fused, cluster)
    folder = None if resume is None else RunFolder.open(Path(resume), header_of(case, files, path))
    size = block or (default_block(case) if kernel is None else LARGEST_BLOCK)
    total = Total.empty(plan.frame, tuple(o.name for o in case.calibrations))
    with ExitStack() as held:
        chosen: Executor | None = None
        for look in range(len(plan.looks)):
            missing: list[Block] = []
            for chunk in plan.blocks(units_in_chunk(case), look):
                kept = None if folder is None else folder.kept(chunk)
                if kept is None:
                    missing.append(chunk)
                else:
                    total.add(kept)
                    counted(chunk.count)
            if missing:
                if chosen is None:
                    chosen = held.enter_context(executor(workers, cluster, files, kernel))
                for chunk, result in chosen.evaluate(model, plan, missing, size):
                    total.add(result)
                    if folder is not None:
                        folder.add(chunk, result)
                    counted(result.block.count)
            found = result_of(model, plan.upto(look), total, "fused" if kernel else "plain", total.samples())
            if enough is not None and enough(found):
                break
    if folder is not None:
        folder.finish()
    return found


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


def _kernel(
    model: Model, plan: Plan, wanted: bool | None, cluster: str | int | None
) -> tuple[Kernel | None, str]:
    """The kernel to count with, if any, and what its bits depend on.

    Workers that are started here compile as this program does; those of a scheduler are asked, unless the kernel is
    wanted: one that then cannot do it refuses.
    """
    # the compiler is an extra, and slow to import
    from margin.propagation.fused.choose import kernel_for, path_of

    kernel = kernel_for(model, plan, wanted)
    if kernel is not None and isinstance(cluster, str) and not wanted:
        from margin.propagation.cluster import cluster_at

        with cluster_at(cluster) as found:
            kernel = kernel if found.compiles_as_here() else None
    return kernel, path_of(kernel)
