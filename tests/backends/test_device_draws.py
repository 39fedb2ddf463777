"""Draws of an accelerator, and a study on it: those of the host; the processor stands in where there is none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from device_on_host import cuda_device, host_device
from pad_study import EVERY_LEVEL, NONE, ONE_POINT, TWO_POINT, pad_case

from distributions import Beta, Distribution, Gamma, Normal, Rectangular, Stream, StudentT, Triangular
from distributions.points import unit_points
from margin.backends.device.device_array import NotOnDevice
from margin.backends.device.source import by_table, inverse
from margin.backends.device.space import CudaSpace, GpuUnavailable
from margin.backends.run import run
from margin.case import Case
from margin.estimates.errors import errors_frame
from margin.estimates.evaluate import evaluate
from margin.estimates.yields import yields_of
from margin.propagation.run_result import RunResult
from margin.propagation.tally import Frame


@pytest.fixture(params=["compiled for the processor", "device"])
def space(request: pytest.FixtureRequest, tmp_path: Path) -> CudaSpace:
    """Whatever takes kernels."""
    return cuda_device() if request.param == "device" else host_device(tmp_path)


def wide_case(points: str = "sobol", units: int = 2000) -> Case:
    """Every level of variation, dependent factors, few measured units, lots, conditions, six kinds of calibration."""
    return pad_case(
        NONE,
        ONE_POINT,
        {**TWO_POINT, "reloads": 2, "direction": "both", "tare": True},
        {"kind": "multi-point", "loads": ["6 N", "20 N", "40 N", "54 N"], "degree": 2},
        {"kind": "lot-curve", "sample_units": 3, "loads": ["6 N", "30 N", "54 N"], "degree": 1},
        {"kind": "classes", "classes": 3},
        **EVERY_LEVEL,
        dependence=[
            {"between": ["sensor.sensitivity", "sensor.exponent"], "rank_correlation": -0.5},
        ],
        study={"units": units, "outer": 4, "units_per_lot": 50, "points": points},
    )


def plain_case(units: int = 4000) -> Case:
    """One outer draw, two points, every spread a unit's, a loading's or a reading's."""
    return pad_case(
        NONE,
        TWO_POINT,
        sensor={
            "sensitivity": "4 uS +/- 10 %",
            "exponent": "0.9 +/- 0.02 (2 sigma)",
            "reload_scatter": "1.5 %",
        },
        converter={"bits": 12, "noise": 0.7},
        station={"temperature": "20 degC to 26 degC", "reference_scatter": "0.05 N"},
        use={"temperature": "5 degC to 40 degC", "conditions": 2, "readings": 2},
        study={"units": units},
    )


def require_near(plain: RunResult, other: RunResult, share: float) -> None:
    """Counts differ by no more than `share` of them: readings at the very edge of a code or a bin."""
    for name, tally in plain.tallies.items():
        found = other.tallies[name]
        for field in ("errors", "largest", "within", "shares", "halves", "lots"):
            one, two = getattr(tally, field), getattr(found, field)
            assert one.sum() == two.sum() or field in ("within", "halves"), f"{name}: {field}"
            assert np.abs(one - two).sum() <= share * one.sum(), f"{name}: {field}"
        np.testing.assert_allclose(found.low, tally.low, rtol=0.02)
        np.testing.assert_allclose(found.high, tally.high, rtol=0.02)


def inside_intervals(frame: Frame, plain: RunResult, other: RunResult) -> None:
    """Yields and percentiles of the second run lie in the intervals of the first."""
    for name, tally in plain.tallies.items():
        for counts, there in yields_of(frame, other.tallies[name], 0.95).items():
            own = yields_of(frame, tally, 0.95)[counts].sampled
            assert own.low <= there.sampled.value <= own.high, f"{name}: {counts}"
        one, two = (errors_frame(frame, t, 0.95) for t in (tally, other.tallies[name]))
        for column in one.columns[one.columns.str.endswith("_low")]:
            middle = column.removesuffix("_low")
            assert ((one[column] <= two[middle]) & (two[middle] <= one[f"{middle}_high"])).all(), middle


def test_draws_of_a_stream_are_those_of_the_host(space: CudaSpace) -> None:
    """Uniforms of any stretch of a stream are equal to the bit."""
    stream = Stream(11)
    for start, count in ((0, 1000), (3, 5), ((1 << 35) + 1, 1023)):
        found = space.uniforms(stream, "a factor", start, count).to_host()
        assert np.array_equal(found, stream.uniforms("a factor", start, count))


def test_sobol_points_are_those_of_the_host(space: CudaSpace) -> None:
    """One dimension of a section's scrambled points is equal to the bit."""
    stream, names = Stream(11), ("first", "second", "third")
    for name in names:
        found = space.sobol(stream, names, name, 1001, 5000, 4).to_host()
        wanted = unit_points("sobol", stream, names, 1001, 5000, 4)[names.index(name)]
        assert np.array_equal(found, wanted)


@pytest.mark.parametrize(
    "shape",
    [
        Normal(1.0, 0.1),
        Rectangular(-1.0, 2.0),
        Triangular(0.0, 2.0),
        StudentT(0.0, 1.0, 5.0),
        Gamma(2.0, 1.0),
    ],
)
def test_inverse_on_the_device(space: CudaSpace, shape: Distribution) -> None:
    """Values of uniforms agree with the shape's own inverse out to one in 1e12."""
    u = np.concatenate([np.logspace(-12.0, -0.5, 300), 1.0 - np.logspace(-12.0, -0.5, 300)])
    found = inverse(space, shape, space.array(u)).to_host()
    np.testing.assert_allclose(found, shape.ppf(u), rtol=2e-4, atol=2e-5)


@pytest.mark.parametrize("shape", [Normal(0.0, 1.0), Beta(2.0, 3.0), StudentT(0.0, 1.0, 4.0)])
def test_table_of_an_inverse_reaches_both_tails(space: CudaSpace, shape: Distribution) -> None:
    """Straight lines between the knots keep four digits in the middle and in either tail."""
    u = np.concatenate([np.logspace(-13.0, -0.31, 500), 1.0 - np.logspace(-11.0, -0.31, 500)])
    found = by_table(space, shape, space.array(u)).to_host()
    np.testing.assert_allclose(found, shape.ppf(u), rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("points", ["sobol", "random", "latin"])
def test_counts_are_those_of_the_ordinary_run(space: CudaSpace, points: str) -> None:
    """All levels, dependences and calibrations: the same draws give the same counts but for roundings at an edge."""
    case = wide_case(points)
    require_near(run(case, workers=1), run(case, device=space), 2e-3)


def test_yields_and_percentiles_lie_in_the_intervals(space: CudaSpace) -> None:
    """Yields and error percentiles agree with the ordinary run within its intervals."""
    case = plain_case()
    plain = run(case, workers=1)
    inside_intervals(plain.plan.frame, plain, run(case, device=space))


def test_same_bits_twice_and_in_any_block(space: CudaSpace) -> None:
    """A seed gives one result on one kind of device, however the units are cut."""
    case = wide_case(units=600)
    first = run(case, device=space)
    for other in (run(case, device=space), run(case, device=space, block=150)):
        for name, tally in first.tallies.items():
            for field in ("errors", "low", "high", "largest", "within", "shares", "halves", "lots"):
                assert np.array_equal(getattr(tally, field), getattr(other.tallies[name], field)), field
        assert np.array_equal(first.clipped, other.clipped)
        assert np.array_equal(first.samples["none"], other.samples["none"])


def test_what_takes_host_arrays_alone_is_refused(space: CudaSpace) -> None:
    """An array of the device is not copied to the host behind the user's back."""
    with pytest.raises(NotOnDevice, match="host memory only"):
        np.asarray(space.array([1.0]))


def test_no_accelerator_is_said_plainly() -> None:
    """Without CuPy or a device the message says what to install."""
    try:
        CudaSpace()
    except GpuUnavailable as fault:
        assert "extra 'gpu'" in str(fault)
    else:
        pytest.skip("there is an accelerator")


def test_accelerator_and_cluster_are_a_choice() -> None:
    """A study is not drawn on both."""
    with pytest.raises(ValueError, match="choose one"):
        evaluate(plain_case(10), gpu=True, cluster=1)
