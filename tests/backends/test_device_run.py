"""The kernel of a study for an accelerator: compiled for the processor here, it counts what array operations count."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from device_on_host import HostDevice, cuda_device, host_device
from pad_study import EVERY_SPREAD, NONE, ONE_POINT, TWO_POINT, pad_case, with_a_branch, without_output_beyond
from same_counts import assert_same_bits, assert_same_counts

from margin.backends.compiled.layout import layout_of
from margin.backends.compiled.trace import traced
from margin.backends.device.device_array import NotOnDevice
from margin.backends.device.space import CudaSpace
from margin.backends.device.study_kernel import StudyKernel
from margin.backends.device.study_text import Counting
from margin.backends.run import run
from margin.case import Case, load_case, with_changes
from margin.propagation.store import RunFolderError
from margin.propagation.tally import EvaluationError

CASES = Path(__file__).parents[2] / "cases"
SPREAD: dict[str, Any] = {
    **EVERY_SPREAD,
    "use": {**EVERY_SPREAD["use"], "readings": 3},
    "study": {**EVERY_SPREAD["study"], "points": "sobol"},
}
BOTH = ("device", "arrays")


@pytest.fixture(params=["compiled for the processor", "device"])
def kernels(request: pytest.FixtureRequest, tmp_path: Path) -> CudaSpace:
    """Whatever takes kernels."""
    return cuda_device() if request.param == "device" else host_device(tmp_path)


def allowed(kernels: CudaSpace) -> float:
    """Share of the counts that may stand elsewhere: functions of a device round in their own way."""
    return 0.0 if isinstance(kernels, HostDevice) else 2e-3


def pad(**changes: Any) -> Case:
    """A pad with something at every level of variation and calibrations of several kinds."""
    return pad_case(
        NONE,
        {"name": "tared", "kind": "tare", "space": "signal"},
        {**ONE_POINT, "reloads": 2},
        {
            **TWO_POINT,
            "space": "logarithm",
            "direction": "both",
            "samples": 3,
            "temperature_correction": True,
        },
        {"kind": "multi-point", "loads": ["6 N", "20 N", "54 N"], "fit": "piecewise", "space": "signal"},
        {"kind": "lot-curve", "sample_units": 3, "loads": ["6 N", "30 N", "54 N"], "degree": 1},
        **{**SPREAD, **changes},
    )


def test_a_kernel_counts_as_array_operations(kernels: CudaSpace) -> None:
    """Six calibrations, lots, an odd number of readings, better points: the same draws give the same counts."""
    found = run(pad(), device=kernels)
    assert_same_counts(found, run(pad(), compiled=False), BOTH, allowed(kernels))


def test_a_new_zero_under_a_preload_is_that_of_array_operations(kernels: CudaSpace) -> None:
    """Reload scatter of the unloaded reading, in use and at the station, is drawn apart in a kernel as well."""
    case = pad_case(
        {**NONE, "rezero": True}, {**TWO_POINT, "rezero": True, "reloads": 2},
        interface={"kind": "load concentrator", "preload": "5 N"}, sensor={"reload_scatter": "2 %"},
        use={"loadings": 2}, study={"units": 300},
    )  # fmt: skip
    found = run(case, device=kernels)
    assert_same_counts(found, run(case, compiled=False), BOTH, allowed(kernels))


@pytest.mark.parametrize("name", ["gripper_amplifier", "load_cell"])
def test_a_shipped_case_by_a_kernel(kernels: CudaSpace, name: str) -> None:
    """The gripper pad with its eight options and two named conditions of use; the tabulated load cell."""
    case = with_changes(load_case(CASES / name / "case.toml"), {"study.units": 300})
    found = run(case, device=kernels)
    assert_same_counts(found, run(case, compiled=False), BOTH, allowed(kernels))


def test_bins_of_a_block_hold_what_bins_of_the_device_hold(kernels: CudaSpace) -> None:
    """One calibration: its bins fit the memory of a block, which hands them over before 16 bits overflow."""
    case = pad_case(TWO_POINT, **SPREAD)
    found = run(case, device=kernels)
    layout = layout_of(traced(found.model), found.plan.frame, 1)
    counting = Counting.of(layout, 227 * 1024)
    assert counting.tiles == 65535 // (1024 * layout.turns)
    assert Counting.of(layout, counting.shared).tiles == 0
    assert_same_counts(found, run(case, compiled=False), BOTH, allowed(kernels))


def test_blocks_do_not_change_a_bit_of_a_kernel(kernels: CudaSpace) -> None:
    """Blocks that cut through sections, and blocks of a single lot."""
    whole = run(pad(), device=kernels)
    for block in (10, 70):
        found = run(pad(), device=kernels, block=block)
        assert_same_bits(found, whole)


def test_errors_that_are_no_numbers_are_named_as_by_array_operations(kernels: CudaSpace) -> None:
    """The block is counted by array operations then, which tell the unit and the load."""
    case = without_output_beyond(pad_case(NONE, sensor={"sensitivity": "4 uS +/- 10 %"}), 12.2e-6)
    with pytest.raises(EvaluationError, match="not numbers") as told:
        run(case, compiled=False)
    with pytest.raises(EvaluationError) as by_kernel:
        run(case, device=kernels)
    assert str(by_kernel.value).splitlines()[0] == str(told.value).splitlines()[0]


def test_a_case_that_cannot_be_compiled_is_refused(kernels: CudaSpace) -> None:
    """The message gives the reason and what to do."""
    with pytest.raises(NotOnDevice, match=r"cannot be compiled .*run it without the accelerator"):
        run(with_a_branch(pad_case(TWO_POINT, **SPREAD)), device=kernels)


def test_a_device_counts_by_a_kernel_alone(kernels: CudaSpace) -> None:
    """Array operations, or a cluster, cannot be asked for beside it."""
    for other, told in (({"compiled": False}, "--not-compiled"), ({"cluster": 2}, "choose one")):
        with pytest.raises(ValueError, match=told):
            run(pad(), device=kernels, **other)


def test_a_kept_study_goes_on_on_the_device(kernels: CudaSpace, tmp_path: Path) -> None:
    """Sections that were finished are taken as they are, to the bit; another way of computing is refused."""
    case, kept = pad(), tmp_path / "kept"
    whole = run(case, device=kernels, resume=kept)
    dropped = sorted((kept / "chunks").iterdir())[2:5:2]
    for file in dropped:
        file.unlink()
    counted: list[int] = []
    assert_same_bits(run(case, device=kernels, resume=kept, progress=counted.append, block=20), whole)
    assert all(file.exists() for file in dropped)
    assert sum(counted) == whole.plan.frame.units
    with pytest.raises(RunFolderError, match="path device"):
        run(case, compiled=False, resume=kept)


def test_an_error_that_is_a_number_on_the_host_is_counted_there(
    kernels: CudaSpace, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A block that the device finds wrong and array operations do not is counted by those."""
    case = pad()
    monkeypatch.setattr(StudyKernel, "counted", lambda kernel, model, plan, parts: parts[0].start + 3)
    assert_same_counts(run(case, device=kernels), run(case, compiled=False), BOTH)
