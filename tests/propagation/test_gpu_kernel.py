"""The kernel of a study for an accelerator: compiled for the processor here, it counts what the plain path counts."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from device_on_host import HostDevice
from pad_study import EVERY_SPREAD, NONE, ONE_POINT, TWO_POINT, pad_case, without_output_beyond
from same_counts import assert_same_bits, assert_same_counts
from test_gpu import device

from margin.backends.compiled.choose import CannotFuse
from margin.backends.compiled.layout import layout_of
from margin.backends.compiled.trace import traced
from margin.backends.device import fused_kernel, run_on_gpu
from margin.backends.device.fused_text import Counting
from margin.backends.device.space import NumpySpace, Space
from margin.backends.run import run
from margin.case import Case, load_case, with_changes
from margin.propagation.tally import EvaluationError

CASES = Path(__file__).parents[2] / "cases"
SPREAD: dict[str, Any] = {
    **EVERY_SPREAD,
    "use": {**EVERY_SPREAD["use"], "readings": 3},
    "study": {**EVERY_SPREAD["study"], "points": "sobol"},
}
BOTH = ("gpu fused", "plain")


@pytest.fixture
def host(tmp_path: Path) -> HostDevice:
    """Stands for a device; skips the test where there is no compiler."""
    if shutil.which("g++") is None:
        pytest.skip("no C++ compiler that could stand for a device")
    return HostDevice(folder=tmp_path)


@pytest.fixture(params=["compiled for the processor", "device"])
def kernels(request: pytest.FixtureRequest) -> Space:
    """Whatever takes kernels."""
    found: Space = device() if request.param == "device" else request.getfixturevalue("host")
    return found


def allowed(kernels: Space) -> float:
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


def test_a_kernel_counts_as_the_plain_path(kernels: Space) -> None:
    """Six calibrations, lots, an odd number of readings, better points: the same draws give the same counts."""
    found = run_on_gpu(pad(), space=kernels, fused=True)
    assert_same_counts(found, run(pad(), fused=False), BOTH, allowed(kernels))


@pytest.mark.parametrize("name", ["gripper_amplifier", "load_cell"])
def test_a_shipped_case_by_a_kernel(kernels: Space, name: str) -> None:
    """The gripper pad with its eight options and two named conditions of use; the tabulated load cell."""
    case = with_changes(load_case(CASES / name / "case.toml"), {"study.units": 300})
    found = run_on_gpu(case, space=kernels, fused=True)
    assert_same_counts(found, run(case, fused=False), BOTH, allowed(kernels))


def test_bins_of_a_block_hold_what_bins_of_the_device_hold(kernels: Space) -> None:
    """One calibration: its bins fit the memory of a block, which hands them over before 16 bits overflow."""
    case = pad_case(TWO_POINT, **SPREAD)
    found = run_on_gpu(case, space=kernels, fused=True)
    layout = layout_of(traced(found.model), found.plan.frame, 1)
    counting = Counting.of(layout, 227 * 1024)
    assert counting.tiles == 65535 // (1024 * layout.turns)
    assert Counting.of(layout, counting.shared).tiles == 0
    assert_same_counts(found, run(case, fused=False), BOTH, allowed(kernels))


def test_blocks_do_not_change_a_bit_of_a_kernel(kernels: Space) -> None:
    """Blocks that cut through sections, and blocks of a single lot."""
    whole = run_on_gpu(pad(), space=kernels, fused=True)
    for block in (10, 70):
        found = run_on_gpu(pad(), space=kernels, fused=True, block=block)
        assert_same_bits(found, whole)


def test_errors_that_are_no_numbers_are_named_as_on_the_plain_path(kernels: Space) -> None:
    """The block is counted by array operations then, which tell the unit and the load."""
    case = without_output_beyond(pad_case(NONE, sensor={"sensitivity": "4 uS +/- 10 %"}), 12.2e-6)
    with pytest.raises(EvaluationError, match="not numbers") as told:
        run(case, fused=False)
    with pytest.raises(EvaluationError) as by_kernel:
        run_on_gpu(case, space=kernels, fused=True)
    assert str(by_kernel.value).splitlines()[0] == str(told.value).splitlines()[0]


def test_large_studies_take_a_kernel_and_small_ones_do_not(
    host: HostDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By itself, where compiling pays."""
    case = pad_case(TWO_POINT, **SPREAD)
    assert run_on_gpu(case, space=host).path == "gpu"
    monkeypatch.setattr(fused_kernel, "WORTH_COMPILING", 1.0)
    assert run_on_gpu(case, space=host).path == "gpu fused"
    with monkeypatch.context() as larger:
        larger.setattr(fused_kernel, "USUAL_GRAPH", 1e-9)
        assert run_on_gpu(case, space=host).path == "gpu"
    assert run_on_gpu(case, space=host, fused=False).path == "gpu"


def test_a_kernel_that_cannot_be_had_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked for by name it is refused; otherwise array operations are taken."""
    case = pad_case(TWO_POINT, **SPREAD)
    with pytest.raises(CannotFuse, match="for a CUDA device only"):
        run_on_gpu(case, space=NumpySpace(), fused=True)
    monkeypatch.setattr(fused_kernel, "WORTH_COMPILING", 1.0)
    assert run_on_gpu(case, space=NumpySpace()).path == "gpu"
