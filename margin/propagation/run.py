"""The loop over blocks: the only place where a study is repeated."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import reduce
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from distributions import Stream
from margin.case.types import Case
from margin.chain.own_elements import ElementsFile
from margin.propagation.assemble import Nominal, nominal_of
from margin.propagation.calibrated import (
    Bench,
    Classes,
    Coordinates,
    calibrate,
    classes_of,
    smallest_estimate,
)
from margin.propagation.dependence import DependentGroup, dependent_groups
from margin.propagation.draws import Grouping, Source, StreamSource
from margin.propagation.factors import Factor, factors_of
from margin.propagation.memory import keep_freed_memory
from margin.propagation.partial import SAMPLE_UNITS, BlockResult, Total, joined
from margin.propagation.plan import LARGEST_BLOCK, Block, Plan, default_block, plan_of, units_in_chunk
from margin.propagation.readings import readings_in_use, readings_of_a_unit
from margin.propagation.store import RunFolder, header_of
from margin.propagation.tally import BlockTally, Tally, judge, require_numbers, tally_block
from margin.propagation.threads import default_workers, in_threads

if TYPE_CHECKING:
    from margin.propagation.fused.block import Kernel

Array = NDArray[np.float64]
Marks = NDArray[np.bool_]
Progress = Callable[[int], None]

READINGS_A_WORKER = 1 << 18
"""Fewer readings than that are evaluated sooner than a further thread has warmed up."""

PILOT_UNITS = 2048
"""Units of the pilot population by which classes are laid out."""


@dataclass(frozen=True)
class Model:
    """A case made ready to be drawn."""

    case: Case
    nominal: Nominal
    factors: tuple[Factor, ...]
    groups: tuple[DependentGroup, ...]
    classes: Mapping[str, Classes]

    def source(self, grouping: Grouping, start: int, count: int) -> StreamSource:
        """Draws of `count` units from `start`."""
        study = self.case.study
        return StreamSource(
            self.factors, Stream(study.seed), grouping, start, count, study.points, self.groups
        )


def model_of(case: Case) -> Model:
    """Make a case ready: nominal chain, factors, their dependence, and the classes of sorting options."""
    factors = factors_of(case)
    groups = dependent_groups(factors, case.dependences)
    nominal = nominal_of(case)
    classes: dict[str, Classes] = {}
    sorting = [o for o in case.calibrations if o.kind == "classes"]
    if sorting:
        still = {f.name: 0.0 for f in factors if f.level in ("common", "station")}
        still |= {f.knowledge_name: 0.0 for f in factors if f.measured_on is not None}
        lots = np.arange(PILOT_UNITS, dtype=np.int64)
        source = StreamSource(
            factors, Stream(case.study.seed), Grouping(PILOT_UNITS, 1), 0, PILOT_UNITS, "random", groups,
            still, " of the pilot", lots, np.zeros(PILOT_UNITS, dtype=np.int64),
        )  # fmt: skip
        pilot = Bench(case, source, nominal, PILOT_UNITS)
        classes = {option.name: classes_of(option, pilot) for option in sorting}
    return Model(case, nominal, factors, groups, classes)


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

    def part(self, low: int, high: int) -> Errors:
        """Those of units `low` to `high` of the block."""
        marks = [(clipped[low:high], blind[low:high]) for clipped, blind in self.marks]
        return Errors(
            {name: [e[low:high] for e in errors] for name, errors in self.by_option.items()},
            sum((_by_load(clipped) for clipped, _ in marks), np.zeros_like(self.clipped)),
            sum((_by_load(blind) for _, blind in marks), np.zeros_like(self.blind)),
            marks,
        )


def _by_load(marks: Marks) -> NDArray[np.int64]:
    counted: NDArray[np.int64] = np.count_nonzero(marks, axis=(0, 1, 2, 3))
    return counted


def block_errors(model: Model, source: Source, count: int) -> Errors:
    """Calibrate `count` drawn units by every option, use them, and compare with the true load.

    Errors are NaN where the chain gave no finite code in use. Raises EvaluationError where it gave none at the
    calibration.
    """
    case, nominal = model.case, model.nominal
    loads = np.asarray(case.check_loads, dtype=np.float64)
    bench = Bench(case, source, nominal, count)
    calibrated = {o.name: calibrate(o, bench, model.classes.get(o.name)) for o in case.calibrations}
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

    path  'plain': by array operations; 'fused': by a compiled kernel
    """

    model: Model
    plan: Plan
    tallies: dict[str, Tally]
    clipped: NDArray[np.int64]
    blind: NDArray[np.int64]
    samples: dict[str, Array]
    path: Literal["plain", "fused"] = "plain"

    def outer_scores(self) -> Array:
        """Standard normal scores of all that differs between outer draws: (outer draw, unknown)."""
        frame = self.plan.frame
        source = self.model.source(frame.grouping, 0, frame.outer)
        return replace(source, outer_of=np.arange(frame.outer, dtype=np.int64)).outer_scores()


def evaluate_block(model: Model, plan: Plan, block: Block) -> BlockResult:
    """Draw, calibrate, use and count one block."""
    (result,) = evaluate_blocks(model, plan, (block,))
    return result


def evaluate_blocks(model: Model, plan: Plan, blocks: Sequence[Block]) -> list[BlockResult]:
    """Draw, calibrate and use the units of blocks that follow each other, all at once; count each block."""
    start, count = blocks[0].start, sum(block.count for block in blocks)
    errors = block_errors(model, model.source(plan.frame.grouping, start, count), count)
    if len(blocks) == 1:
        return [_counted(plan, blocks[0], errors)]
    return [
        _counted(plan, block, errors.part(block.start - start, block.start - start + block.count))
        for block in blocks
    ]


def _counted(plan: Plan, block: Block, errors: Errors) -> BlockResult:
    tallies: dict[str, BlockTally] = {}
    for name, by_condition in errors.by_option.items():
        require_numbers(name, plan.frame, by_condition, block.start)
        judged = judge(plan.frame, by_condition)
        tallies[name] = tally_block(plan.frame, by_condition, judged, block.start, block.section)
    wanted = max(min(SAMPLE_UNITS - block.start, block.count), 0)
    samples = {name: e[0][:wanted, 0, 0, 0, :].copy() for name, e in errors.by_option.items()}
    return BlockResult(block, tallies, errors.clipped, errors.blind, samples)


def evaluate_range(model: Model, plan: Plan, whole: Block, size: int) -> BlockResult:
    """Evaluate a larger block in blocks of about `size` units."""
    return reduce(joined, (evaluate_block(model, plan, block) for block in plan.cut(whole, size)))


def workers_for(case: Case) -> int:
    """Threads by default: one a core, and no more than have readings enough to outweigh what a thread costs."""
    worth = case.study.units * readings_of_a_unit(case) // READINGS_A_WORKER
    return max(min(default_workers(), worth), 1)


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

        def evaluated(tasks: Sequence[tuple[Block, Block]]) -> list[tuple[Block, BlockResult]]:
            return list(
                zip((c for c, _ in tasks), self._blocks(model, plan, [b for _, b in tasks]), strict=True)
            )

        return chain.from_iterable(in_threads(evaluated, _together(blocks, size), self.workers))

    def _blocks(self, model: Model, plan: Plan, blocks: Sequence[Block]) -> list[BlockResult]:
        if self.kernel is not None:
            return [self.kernel.evaluate(model, plan, block) for block in blocks]
        return evaluate_blocks(model, plan, blocks)


def _together(blocks: Iterable[tuple[Block, Block]], size: int) -> Iterator[list[tuple[Block, Block]]]:
    """Small blocks that follow each other, taken together up to `size` units: a block has costs of its own."""
    taken: list[tuple[Block, Block]] = []
    for chunk, block in blocks:
        units = sum(b.count for _, b in taken)
        if taken and (units + block.count > size or taken[-1][1].start + taken[-1][1].count != block.start):
            yield taken
            taken = []
        taken.append((chunk, block))
    if taken:
        yield taken


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

    with cluster_at(cluster, elements) as found:
        yield found


def run(
    case: Case,
    *,
    workers: int | None = None,
    block: int | None = None,
    cluster: str | int | None = None,
    resume: str | Path | None = None,
    elements: Iterable[str | Path] = (),
    progress: Progress | None = None,
    fused: bool | None = None,
) -> RunResult:
    """Draw the whole study of a case.

    workers   threads, default one a core where that is worth it; block: units in one block, default by the cache
    cluster   address of a Dask scheduler, or a number of worker processes to start here, in place of threads
    resume    folder in which finished chunks are kept, and from which they are taken where they are there
    elements  files that registered elements of the case: they are run on the workers of a cluster
    progress  called with the number of units just finished
    fused     count by a compiled kernel (extra `fast`): True or False, default where the study is large enough and
              the case can be compiled. A cluster takes the plain path.

    None of them changes the result by a bit, but `fused` the last bits of exponentials and logarithms.

    Raises EvaluationError for errors that are not numbers, ValueError for workers or block below 1,
    RunFolderError for a folder of something else, CannotFuse for a kernel that cannot be had, ClusterError and
    UnlikeWorker for a cluster that fails.
    """
    workers = workers_for(case) if workers is None else workers
    if workers < 1 or (block is not None and block < 1):
        raise ValueError(f"workers and block must be at least 1 (got {workers} and {block})")
    keep_freed_memory()
    files = tuple(ElementsFile.read(Path(path)) for path in elements)
    counted: Progress = (lambda units: None) if progress is None else progress
    model, plan = model_of(case), plan_of(case)
    kernel, path = _kernel(model, plan, fused if cluster is None else False)
    folder = None if resume is None else RunFolder.open(Path(resume), header_of(case, files, path))
    size = block or (default_block(case) if kernel is None else LARGEST_BLOCK)
    total = Total.empty(plan.frame, tuple(o.name for o in case.calibrations))
    missing: list[Block] = []
    for chunk in plan.blocks(units_in_chunk(case)):
        kept = None if folder is None else folder.kept(chunk)
        if kept is None:
            missing.append(chunk)
        else:
            total.add(kept)
            counted(chunk.count)
    if missing:
        with executor(workers, cluster, files, kernel) as chosen:
            for chunk, result in chosen.evaluate(model, plan, missing, size):
                total.add(result)
                if folder is not None:
                    folder.add(chunk, result)
                counted(result.block.count)
    if folder is not None:
        folder.finish()
    return RunResult(
        model,
        plan,
        total.tallies,
        total.clipped,
        total.blind,
        total.samples(),
        "fused" if kernel else "plain",
    )


def _kernel(model: Model, plan: Plan, wanted: bool | None) -> tuple[Kernel | None, str]:
    """The kernel to count with, if any, and what its bits depend on."""
    # the compiler is an extra, and slow to import
    from margin.propagation.fused.choose import kernel_for, path_of

    kernel = kernel_for(model, plan, wanted)
    return kernel, path_of(kernel)
