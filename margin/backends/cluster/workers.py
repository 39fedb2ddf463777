"""Chunks of a study on the workers of Dask distributed: on other machines, or on this one.

A worker gets the case and the numbers of a chunk, and gives back its counts. What a lost worker had is drawn
again by the others; draws are addressed by unit, so that it makes no difference who draws them.
"""

from __future__ import annotations

import importlib
import logging
import os
import socket
import subprocess
import sys
import uuid
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from typing import Any

from distributions.errors import MarginError
from margin.backends.cluster.payload import compiler_here, pack, unpack
from margin.backends.threads import evaluate_range
from margin.chain.own_elements import ElementsFile
from margin.propagation.model import Model
from margin.propagation.partial import BlockResult, packed, unpacked
from margin.propagation.plan import Block, Plan
from margin.version import version

PATIENCE = 30.0
"""Seconds to wait for a scheduler to answer and for a first worker to join."""

LOOPBACK = "127.0.0.1"
"""Where a scheduler and workers started here listen: Dask runs what it is sent, so that no other machine may reach
them."""

RETRIES = 2
"""Times that a chunk is tried again where a worker fails on it, as for lack of memory."""


_MEND = (
    "Start a cluster with `dask scheduler` and `dask worker ADDRESS` and give its address, such as "
    "tcp://192.168.1.5:8786, or give a number: so many workers are started here"
)


class ClusterError(MarginError, ValueError):
    """A cluster that cannot be reached or does not do its work: what is wrong, and the remedy."""


def evaluate_payload(payload: bytes, chunk: Block, size: int) -> bytes | ValueError:
    """On a worker: the packed result of a chunk, or what is wrong with the case, which no retry fixes."""
    try:
        model, plan, kernel = unpack(payload)
        return packed(evaluate_range(model, plan, chunk, size, kernel))
    except ValueError as error:
        return error


def compiler_of_worker() -> str:
    """On a worker: what would compile a kernel there."""
    return compiler_here()


@dataclass(frozen=True)
class Cluster:
    """Evaluates chunks through a client; `elements` are the files run on the workers.

    compiled  each worker counts by a kernel that it compiles once
    """

    client: Any
    elements: tuple[ElementsFile, ...]
    compiled: bool = False

    def compiles_as_here(self) -> bool:
        """Whether the compiler of every worker makes the code that this program's makes; False where one fails."""
        try:
            found: dict[str, str] = self.client.run(compiler_of_worker)
        except Exception:
            return False
        return set(found.values()) == {compiler_here()}

    def evaluate(
        self, model: Model, plan: Plan, chunks: Iterable[Block], size: int
    ) -> Iterator[tuple[Block, BlockResult]]:
        """Chunks with their results, as they finish; two a thread are under way, so that memory stays bounded.

        Raises what a worker found wrong with the case, ClusterError where the workers fail.
        """
        payload = pack(model.case, plan, self.elements, self.compiled)
        run, coming = uuid.uuid4().hex, iter(chunks)
        waiting: dict[Any, Block] = {}
        try:
            while True:
                for chunk in islice(coming, max(2 * self._threads() - len(waiting), 0)):
                    key = f"margin-{run}-{chunk.start}"
                    task = self.client.submit(
                        evaluate_payload, payload, chunk, size, key=key, retries=RETRIES
                    )
                    waiting[task] = chunk
                if not waiting:
                    return
                for task in self._finished(waiting):
                    chunk = waiting.pop(task)
                    yield chunk, _result_of(task, chunk)
        finally:
            self.client.cancel(list(waiting))

    def _threads(self) -> int:
        threads: int = sum(self.client.nthreads().values())
        return max(threads, 1)

    def _finished(self, waiting: dict[Any, Block]) -> list[Any]:
        """At least one task that is done. ClusterError where no worker is left to do any."""
        wait = _dask().wait
        deserted = False
        while True:
            try:
                with self.client.as_current():
                    return list(wait(list(waiting), timeout=PATIENCE, return_when="FIRST_COMPLETED").done)
            except TimeoutError:
                nobody = not self.client.nthreads()
                if nobody and deserted:
                    raise ClusterError(
                        f"the cluster has had no worker for {PATIENCE:g} s; start workers and run again"
                    ) from None
                deserted = nobody


def _result_of(task: Any, chunk: Block) -> BlockResult:
    last = chunk.start + chunk.count - 1
    try:
        found: bytes | ValueError = task.result()
    except Exception as error:
        raise ClusterError(
            f"units {chunk.start} to {last} failed on the workers ({type(error).__name__}: {error}); every worker "
            f"needs margin {version()} installed and memory for a block"
        ) from error
    if isinstance(found, ValueError):
        raise found
    return unpacked(found)[0]


@contextmanager
def cluster_at(
    place: str | int, elements: tuple[ElementsFile, ...] = (), compiled: bool = False
) -> Iterator[Cluster]:
    """A cluster for as long as it is needed: that of a scheduler's address, or so many workers started here.

    Raises ClusterError where the address does not answer, no worker joins, or the package is missing.
    """
    if isinstance(place, int):
        with _started_here(place) as address, _client(address, place) as client:
            yield Cluster(client, elements, compiled)
    else:
        with _client(place, 1) as client:
            yield Cluster(client, elements, compiled)


def _dask() -> Any:
    try:
        return importlib.import_module("distributed")
    except ImportError as error:
        raise ClusterError("a cluster needs Dask distributed: pip install 'margin[cluster]'") from error


@contextmanager
def _client(address: str, workers: int) -> Iterator[Any]:
    """Client of the scheduler at an address, once so many workers have joined."""
    logger = logging.getLogger("distributed")
    before = logger.level
    # a lost worker is no news to a user whose blocks are drawn again
    logger.setLevel(logging.CRITICAL)
    try:
        _require_listening(address)
        with _dask().Client(address, timeout=PATIENCE, set_as_default=False) as client:
            try:
                client.wait_for_workers(workers, timeout=PATIENCE)
            except TimeoutError:
                raise ClusterError(
                    f"cluster {address}: {len(client.nthreads())} of {workers} workers there after {PATIENCE:g} s. "
                    f"Start workers with `dask worker {address}`"
                ) from None
            yield client
    except OSError as error:
        raise ClusterError(f"cluster {address}: no scheduler answers there ({error}). {_MEND}") from error
    finally:
        logger.setLevel(before)


def _require_listening(address: str) -> None:
    """ClusterError for an address that is none; OSError where nobody listens, found before a client tries."""
    try:
        host, port = importlib.import_module("distributed.comm").get_address_host_port(address, strict=True)
    except ValueError as error:
        raise ClusterError(f"cluster {address!r} is no address ({error}). {_MEND}") from error
    socket.create_connection((host, port), PATIENCE).close()


@contextmanager
def _started_here(workers: int) -> Iterator[str]:
    """Address of a scheduler in this process with workers in processes of their own; they listen on the loopback
    interface alone, their web servers (without a dashboard) as well.

    The workers are started as commands: processes forked or spawned from here would run an unguarded script of
    the user's anew. They stand in a session of their own, so that Ctrl-C is answered here.
    """
    if workers < 1:
        raise ClusterError(f"cluster = {workers}: a cluster has 1 worker or more")
    # without an address for it, a web server listens on all interfaces though it has no dashboard to show
    web = f"{LOOPBACK}:0"
    local = {"host": LOOPBACK, "dashboard_address": web, "scheduler_kwargs": {"dashboard": False}}
    quiet = {"silence_logs": logging.CRITICAL}
    with _dask().LocalCluster(n_workers=0, threads_per_worker=1, **local, **quiet) as scheduler:
        command = [sys.executable, "-m", "distributed.cli.dask_worker", scheduler.scheduler_address]
        command += ["--host", LOOPBACK, "--dashboard-address", web, "--no-dashboard"]
        command += ["--nworkers", str(workers), "--nthreads", "1"]
        command += ["--death-timeout", f"{PATIENCE:g}"]
        process = subprocess.Popen(
            command,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(path or os.getcwd() for path in sys.path)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            yield scheduler.scheduler_address
        finally:
            process.terminate()
            try:
                process.wait(PATIENCE)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
