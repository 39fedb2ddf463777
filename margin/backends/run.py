"""A study drawn by the way of computing that its size, its case and its caller ask for."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from margin.backends.cluster.workers import cluster_at
from margin.backends.compiled.block import Kernel
from margin.backends.compiled.choose import kernel_for, path_of
from margin.backends.threads import Threads, workers_for
from margin.case.types import Case
from margin.chain.own_elements import ElementsFile
from margin.propagation.executor import Executor
from margin.propagation.loop import draw_study
from margin.propagation.model import Model, model_of
from margin.propagation.plan import LARGEST_BLOCK, Plan, default_block, plan_of
from margin.propagation.run_result import Enough, Progress, RunResult
from margin.propagation.store import RunFolder, header_of


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
    files = tuple(ElementsFile.read(Path(path)) for path in elements)
    model = model_of(case) if model is None else model
    kernel, path = _kernel(model, plan, fused, cluster)
    return draw_study(
        model,
        plan,
        executor(workers, cluster, files, kernel),
        block or (default_block(case) if kernel is None else LARGEST_BLOCK),
        "plain" if kernel is None else "fused",
        enough=enough,
        folder=None if resume is None else RunFolder.open(Path(resume), header_of(case, files, path)),
        progress=progress,
    )


def _kernel(
    model: Model, plan: Plan, wanted: bool | None, cluster: str | int | None
) -> tuple[Kernel | None, str]:
    """The kernel to count with, if any, and what its bits depend on.

    Workers that are started here compile as this program does; those of a scheduler are asked, unless the kernel is
    wanted: one that then cannot do it refuses.
    """
    kernel = kernel_for(model, plan, wanted)
    if kernel is not None and isinstance(cluster, str) and not wanted:
        with cluster_at(cluster) as found:
            kernel = kernel if found.compiles_as_here() else None
    return kernel, path_of(kernel)


@contextmanager
def executor(
    workers: int, cluster: str | int | None, elements: tuple[ElementsFile, ...], kernel: Kernel | None = None
) -> Iterator[Executor]:
    """Threads, or a cluster (see `cluster_at`) for as long as it is needed."""
    if cluster is None:
        yield Threads(workers, kernel)
        return
    with cluster_at(cluster, elements, fused=kernel is not None) as found:
        yield found
