"""The same blocks on Dask distributed: the same bits, also where a worker dies, and clear words where it fails."""

from __future__ import annotations

import os
import signal
import socket
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psutil
import pytest
from pad_study import EVERY_LEVEL, NONE, ONE_POINT, everything, pad_case
from same_counts import assert_same_bits

from margin.backends.cluster import payload
from margin.backends.cluster import workers as cluster
from margin.backends.cluster.payload import UnlikeWorker
from margin.backends.cluster.workers import ClusterError, cluster_at
from margin.backends.compiled import choose
from margin.backends.run import run
from margin.case import Case
from margin.chain.own_elements import ElementsFile
from margin.chain.registry import ELEMENTS
from margin.propagation import plan
from margin.propagation.plan import plan_of, units_in_chunk
from margin.propagation.run_result import RunResult
from margin.propagation.tally import EvaluationError


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    """Client of two worker processes that are started here, as for `cluster=2`."""
    with cluster_at(2) as found:
        yield found.client


@pytest.fixture
def address(client: Any) -> str:
    """Address of their scheduler."""
    found: str = client.scheduler.address
    return found


@pytest.fixture(scope="module")
def alone() -> RunResult:
    """What one thread of this process gives."""
    return run(everything("random"), workers=1)


def small() -> Case:
    return pad_case(ONE_POINT, sensor={"sensitivity": "4 uS +/- 6 %"}, load={"check": 2}, study={"units": 60})


@pytest.mark.parametrize("block", [None, 33])
def test_workers_elsewhere_change_no_bit(address: str, alone: RunResult, block: int | None) -> None:
    """Worker processes give the bits of one thread, with blocks of any size; every unit is counted once."""
    counted: list[int] = []
    found = run(everything("random"), cluster=address, block=block, progress=counted.append)
    assert_same_bits(alone, found)
    assert sum(counted) == found.plan.frame.units


def test_a_cluster_run_that_was_cut_off_goes_on_in_threads(
    address: str, alone: RunResult, tmp_path: Path
) -> None:
    """Chunks that a cluster finished before an interrupt are those that threads go on from."""

    def stop(units: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(everything("random"), cluster=address, resume=tmp_path, progress=stop)
    (kept,) = (tmp_path / "chunks").glob("*.chunk")
    written = kept.stat().st_mtime_ns
    assert_same_bits(alone, run(everything("random"), workers=2, resume=tmp_path))
    assert kept.stat().st_mtime_ns == written


SENSOR = '''
from __future__ import annotations
from dataclasses import dataclass
from typing import ClassVar
import numpy as np
import margin
from margin.chain.parameter import Value, parameter

@dataclass(frozen=True, kw_only=True)
class Root:
    """Conductance that grows with the root of the force."""
    kind: ClassVar[str] = "square root"
    output_kind: ClassVar[str] = "conductance"
    voltage_coefficient: ClassVar[float] = 0.0
    voltage_reference: ClassVar[float] = 1.0
    scale: Value = parameter("S", positive=True, doc="conductance at 1 N")

    def output(self, contact, setting):
        return FACTOR * self.scale * np.sqrt(np.maximum(contact.force, 0.0))

    def force_from(self, output, setting):
        return (np.maximum(output, 0.0) / self.scale) ** 2

margin.register("sensor", Root)
'''


def own_sensor(path: Path, factor: str) -> Case:
    """A case with the sensor that the file registers."""
    path.write_text(SENSOR.replace("FACTOR", factor), encoding="utf-8")
    ELEMENTS["sensor"].pop("square root", None)
    ElementsFile.read(path).run()
    return pad_case(NONE, sensor={"kind": "square root", "scale": "1 uS +/- 5 %"}, study={"units": 60})


@pytest.fixture
def own_sensor_file(tmp_path: Path) -> Iterator[Path]:
    """Where an elements file is written; the registry is afterwards as it was."""
    yield tmp_path / "own.py"
    ELEMENTS["sensor"].pop("square root", None)


def test_workers_run_the_files_that_register_elements(address: str, own_sensor_file: Path) -> None:
    """A sensor of one's own gives the same bits on workers, also once its file has changed."""
    for factor in ("1.0", "1.01"):
        case = own_sensor(own_sensor_file, factor)
        assert_same_bits(run(case, workers=1), run(case, cluster=address, elements=[own_sensor_file]))


def test_an_element_without_its_file_is_refused(address: str, own_sensor_file: Path) -> None:
    """An element that only this program knows cannot go to workers; the message says what to do."""
    case = own_sensor(own_sensor_file, "1.0")
    with pytest.raises(UnlikeWorker, match="put Root in a Python file"):
        run(case, cluster=address)
    own_sensor_file.write_text("", encoding="utf-8")
    with pytest.raises(UnlikeWorker, match="none of the files of elements registers"):
        run(case, cluster=address, elements=[own_sensor_file])


def test_what_a_worker_finds_wrong_is_told(address: str, own_sensor_file: Path) -> None:
    """A case that gives no number raises what it raises without a cluster."""
    case = own_sensor(own_sensor_file, "np.where(contact.force > 30.0, np.nan, 1.0)")
    with pytest.raises(EvaluationError, match="not numbers"):
        run(case, cluster=address, elements=[own_sensor_file])


def test_a_worker_of_other_arithmetic_is_refused(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that would compute other last bits is named with what differs."""
    here = payload.environment()
    monkeypatch.setattr(payload, "environment", lambda: here | {"numpy": "1.0", "arithmetic": "abc"})
    with pytest.raises(UnlikeWorker, match=r"numpy .*, not 1\.0; arithmetic .*, not abc"):
        run(small(), cluster=address)


@pytest.mark.parametrize("place", ["address", "number"])
def test_workers_count_by_the_kernel_where_it_is_wanted(address: str, place: str) -> None:
    """Each worker compiles the case; the bits are those of the kernel in threads."""
    pytest.importorskip("llvmlite", reason="the compiler is an extra")
    study = {"units": 1010, "outer": 4, "units_per_lot": 33}
    case = pad_case(ONE_POINT, {"kind": "classes", "classes": 3}, **EVERY_LEVEL, study=study)
    found = run(case, cluster=address if place == "address" else 1, compiled=True, block=33)
    assert found.path == "kernel"
    assert_same_bits(run(case, compiled=True), found)


def test_workers_are_asked_whether_they_compile_alike(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """By itself a cluster of unlike compilers takes array operations; who wants the kernel is told what differs."""
    pytest.importorskip("llvmlite", reason="the compiler is an extra")
    monkeypatch.setattr(choose, "WORTH_COMPILING", 0.0)
    case = small()
    assert run(case, cluster=address).path == "kernel"
    for module in (payload, cluster):
        monkeypatch.setattr(module, "compiler_here", lambda: "llvmlite 0.1, another processor")
    assert run(case, cluster=address).path == "arrays"
    with pytest.raises(UnlikeWorker, match=r"compiler llvmlite .*, not llvmlite 0\.1.*leave out compiled="):
        run(case, cluster=address, compiled=True)


def listening(process: psutil.Process) -> set[str]:
    """Addresses on which a process accepts connections over a network."""
    return {
        connection.laddr.ip
        for connection in process.net_connections("inet")
        if connection.status == psutil.CONN_LISTEN or connection.type == socket.SOCK_DGRAM
    }


def test_a_cluster_started_here_is_not_reached_from_elsewhere(client: Any) -> None:
    """Scheduler, workers and their keepers listen on the loopback interface alone (RFC 1122, 3.2.1.3: addresses
    127.x are never seen outside a host), without a dashboard."""
    here = psutil.Process()
    (command,) = [each for each in here.children() if "distributed.cli.dask_worker" in each.cmdline()]
    workers = set(client.run(os.getpid).values())
    started = [here, command, *command.children(recursive=True)]
    assert workers <= {each.pid for each in started}
    found = {each.pid: listening(each) for each in started}
    assert all(found[pid] for pid in (here.pid, command.pid, *workers))
    assert set().union(*found.values()) == {"127.0.0.1"}
    assert client.run_on_scheduler(has_dashboard) is False
    assert set(client.run(has_dashboard).values()) == {False}


def has_dashboard(dask_scheduler: Any = None, dask_worker: Any = None) -> bool:
    """Whether the web server of a scheduler or worker serves the pages of a dashboard."""
    served = (dask_scheduler or dask_worker).http_application.applications
    return bool(served)


BAD: dict[str, tuple[str | int, str]] = {
    "nobody listens": ("tcp://127.0.0.1:9", "no scheduler answers"),
    "no port": ("nowhere", "is no address"),
    "a page": ("http://127.0.0.1:9", "is no address"),
    "empty": ("", "is no address"),
    "no workers": (0, "1 worker or more"),
    "fewer than none": (-2, "1 worker or more"),
}


@pytest.mark.parametrize(("place", "told"), BAD.values(), ids=BAD.keys())
def test_a_cluster_that_is_none_is_refused(place: str | int, told: str) -> None:
    """An address that is none or does not answer, and a number below 1, get one clear message."""
    with pytest.raises(ClusterError, match=told):
        run(small(), cluster=place)


def test_dask_is_an_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without Dask the message says how to install it."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"pip install 'margin\[cluster\]'"):
        run(small(), cluster=1)


@pytest.mark.skipif(sys.platform == "win32", reason="processes are killed otherwise there")
def test_a_lost_worker_costs_only_its_blocks(
    client: Any, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a worker killed in the middle the bits are the same, and no more is begun again than a worker holds."""
    monkeypatch.setattr(plan, "VALUES_IN_CHUNK", 3200)
    case = everything("random", units=2000)
    chunks = len(list(plan_of(case).blocks(units_in_chunk(case))))
    pids, under_way = client.run(os.getpid), 2 * sum(client.nthreads().values())
    before = client.run_on_scheduler(tasks_begun)

    def kill_once(units: int) -> None:
        if pids:
            busiest = max(client.processing().items(), key=lambda each: len(each[1]))[0]
            os.kill(pids[busiest], signal.SIGKILL)
            pids.clear()

    found = run(case, cluster=address, progress=kill_once)
    begun = client.run_on_scheduler(tasks_begun) - before
    assert len(begun) == chunks > 15
    assert chunks <= begun.total() <= chunks + under_way
    assert_same_bits(run(case, workers=2), found)


def tasks_begun(dask_scheduler: Any) -> Counter[str]:
    """How often each task was given to a worker."""
    return Counter(key for key, _, finish, *_ in dask_scheduler.transition_log if finish == "processing")
