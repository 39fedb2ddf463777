"""A study drawn by the way of computing that its size, its case and its caller ask for."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

from distributions.errors import InvalidArgument
from margin.backends.cluster.workers import cluster_at
from margin.backends.compiled.block import Kernel
from margin.backends.compiled.choose import WORTH_COMPILING, bits_of, evaluations, kernel_for, why_uncompiled
from margin.backends.device.executor import Accelerator
from margin.backends.device.space import CudaSpace
from margin.backends.device.study_kernel import study_kernel
from margin.backends.threads import Threads, workers_for
from margin.case.types import Case
from margin.chain.own_elements import ElementsFile
from margin.propagation.executor import Executor
from margin.propagation.loop import draw_study
from margin.propagation.model import Model, model_of
from margin.propagation.plan import LARGEST_BLOCK, Plan, default_block, plan_of, units_in_chunk
from margin.propagation.run_result import Computation, Enough, Progress, RunResult
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
    compiled: bool | None = None,
    device: CudaSpace | None = None,
) -> RunResult:
    """Draw the study of a case.

    plan      what is drawn, by default a study of fixed size (see `plan_of`)
    enough    asked after each look of the plan, of counts that go on growing; what it leaves out is not drawn
    model     the case prepared for drawing, where that has been done
    workers   threads, default one a core where that is worth it; block: units in one block, default by the cache,
              on a device by its memory
    cluster   address of a Dask scheduler, or a number of worker processes to start here, in place of threads
    resume    folder in which finished chunks are kept, and from which they are taken where they are there
    elements  files that registered elements of the case: they are run on the workers of a cluster
    progress  called with the number of units just finished
    compiled  count by a compiled kernel: True or False, default where the study is large enough and
              the case can be compiled; on a cluster, where its workers compile as this program does.
    device    accelerator that counts by a kernel of its own, in place of threads (see `Accelerator`)

    From `workers` to `progress` none changes the result by a bit; `compiled` changes the last bits of exponentials
    and logarithms, `device` those of all functions.

    Raises EvaluationError for errors that are not numbers, ValueError for workers or block below 1 and for ways that
    exclude each other, RunFolderError for a folder of something else, CannotCompile for a kernel that is not
    available, NotOnDevice for a case that cannot be compiled for the device, ClusterError and UnlikeWorker for a
    cluster that fails.
    """
    plan = plan_of(case) if plan is None else plan
    workers = workers_for(case, plan.units_at(0)) if workers is None else workers
    if workers < 1 or (block is not None and block < 1):
        raise InvalidArgument(f"workers and block must be at least 1 (got {workers} and {block})")
    require_one_way(device=device is not None, cluster=cluster is not None, compiled=compiled)
    files = tuple(ElementsFile.read(Path(path)) for path in elements)
    model = model_of(case) if model is None else model
    if device is None:
        kernel = _kernel(model, plan, compiled, cluster)
        way = _on_processors(model, plan, executor(workers, cluster, files, kernel), kernel, compiled)
    else:
        way = _on_device(model, plan, device)
    header = header_of(case, files, way.bits, way.chunk)
    return draw_study(
        model,
        plan,
        way.executor,
        block or way.block,
        way.path,
        chunk=way.chunk,
        uncompiled=way.uncompiled,
        enough=enough,
        folder=None if resume is None else RunFolder.open(Path(resume), header),
        progress=progress,
    )


def require_one_way(*, device: bool, cluster: bool, compiled: bool | None) -> None:
    """ValueError for two ways to compute readings of which one would not be taken."""
    if device and cluster:
        raise InvalidArgument("a study is drawn on an accelerator or on a cluster, not on both: choose one")
    if device and compiled is False:
        raise InvalidArgument(
            "an accelerator computes readings by a compiled kernel alone: omit --not-compiled (compiled=False in "
            "Python), or run without the accelerator"
        )


@dataclass(frozen=True)
class _Way:
    """A way of computing. block, chunk: units; bits: what the last bits depend on; see also `RunResult`."""

    executor: AbstractContextManager[Executor]
    block: int
    chunk: int
    path: Computation
    bits: str
    uncompiled: str = ""


def _on_processors(
    model: Model,
    plan: Plan,
    executor: AbstractContextManager[Executor],
    kernel: Kernel | None,
    wanted: bool | None,
) -> _Way:
    chunk = units_in_chunk(model.case)
    if kernel is not None:
        return _Way(executor, LARGEST_BLOCK, chunk, "kernel", bits_of(kernel))
    worth = wanted is None and evaluations(model.case, plan) >= WORTH_COMPILING
    uncompiled = (why_uncompiled(model) or "") if worth else ""
    return _Way(executor, default_block(model.case), chunk, "arrays", bits_of(None), uncompiled)


def _on_device(model: Model, plan: Plan, device: CudaSpace) -> _Way:
    """A chunk is a whole piece of the plan: a device counts it in a moment."""
    kernel = study_kernel(model, plan, device)
    return _Way(
        nullcontext(Accelerator(kernel)),
        kernel.units_at_once,
        plan.frame.units,
        "device",
        f"device ({device.name})",
    )


def _kernel(model: Model, plan: Plan, wanted: bool | None, cluster: str | int | None) -> Kernel | None:
    """The kernel to count with, if any.

    Workers that are started here compile as this program does; those of a scheduler are asked, unless the kernel is
    wanted: one that then cannot do it refuses.
    """
    kernel = kernel_for(model, plan, wanted)
    if kernel is not None and isinstance(cluster, str) and not wanted:
        with cluster_at(cluster) as found:
            kernel = kernel if found.compiles_as_here() else None
    return kernel


@contextmanager
def executor(
    workers: int, cluster: str | int | None, elements: tuple[ElementsFile, ...], kernel: Kernel | None = None
) -> Iterator[Executor]:
    """Threads, or a cluster (see `cluster_at`) for as long as it is needed."""
    if cluster is None:
        yield Threads(workers, kernel)
        return
    with cluster_at(cluster, elements, compiled=kernel is not None) as found:
        yield found
