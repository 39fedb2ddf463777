"""Hyperbolic, inverse and rounding functions of a kernel against those of numpy, over the range of doubles and at its
ends. What each must give is numpy's own value."""

from __future__ import annotations

import ctypes
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from device_on_host import WORDS_OF_CUDA, host_device
from graph_by_numpy import evaluated
from hypothesis import given, settings
from hypothesis import strategies as st
from test_kernel_functions import values_of

from margin.backends.compiled import kernel_text, tables
from margin.backends.compiled import vector_angles as angles
from margin.backends.compiled import vector_exponentials as exponentials
from margin.backends.compiled import vector_functions as functions
from margin.backends.compiled.graph import POINT, rewritten
from margin.backends.compiled.lower import lowered
from margin.backends.compiled.operations import OPERATIONS, Recorder
from margin.backends.compiled.traced import Traced
from margin.backends.device import study_text
from margin.backends.device.study_functions import SUPPORT

pytest.importorskip("llvmlite", reason="the fused path is an extra")

Array = np.ndarray[Any, np.dtype[np.float64]]
RANDOM = np.random.default_rng(9)
LARGEST = np.finfo(np.float64).max
EDGES = np.array([
    0.0, -0.0, np.inf, -np.inf, np.nan, 1.0, -1.0, 2.0, -2.0, 0.5, -0.5, 5e-324, -5e-324, 1e-310, -2.3e-308, 1e-17,
    -1e-17, 1e-8, np.nextafter(1.0, 0.0), np.nextafter(1.0, 2.0), 3.0, 8.0, 27.0, 1e7, -1e15, 1e300, -LARGEST, 709.8,
    -710.3, 711.0, -745.1, -1075.0,
])  # fmt: skip
"""Zeros of both signs, infinities, not a number, subnormal and large numbers, ends of the range of an exponential."""


def spread(beyond: float = np.inf) -> Array:
    """Numbers of both signs and all sizes up to a limit, the edges among them."""
    found = np.concatenate([
        RANDOM.uniform(-1.0, 1.0, 8_000), RANDOM.uniform(-20.0, 20.0, 8_000), RANDOM.uniform(-720.0, 720.0, 8_000),
        RANDOM.choice([-1.0, 1.0], 8_000) * 10.0 ** RANDOM.uniform(-320.0, 308.0, 8_000),
        RANDOM.choice([-1.0, 1.0], 8_000) * 10.0 ** RANDOM.uniform(-18.0, 2.0, 8_000), EDGES,
    ])  # fmt: skip
    kept = found[~(np.abs(found) > beyond)]
    return kept[: kept.size // 8 * 8]


def assert_near(found: Array, wanted: Array, units: float) -> None:
    """Within so many units in the last place; infinities, signs of zeros and what is not a number agree."""
    np.testing.assert_array_equal(np.isnan(found), np.isnan(wanted))
    with np.errstate(invalid="ignore", over="ignore"):
        apart = np.abs(found - wanted) / np.spacing(np.minimum(np.abs(wanted), 0.99 * LARGEST))
        same = (found == wanted) | np.isnan(wanted)
    assert np.max(np.where(same, 0.0, apart)) <= units
    zero = wanted == 0.0
    np.testing.assert_array_equal(np.signbit(found[zero]), np.signbit(wanted[zero]))


@pytest.mark.parametrize(
    ("function", "reference", "beyond"),
    [
        (exponentials.less_one, np.expm1, np.inf),
        (exponentials.hyperbolic_tangent, np.tanh, np.inf),
        (exponentials.hyperbolic_sine, np.sinh, np.inf),
        (exponentials.hyperbolic_cosine, np.cosh, np.inf),
        (exponentials.power_of_two, np.exp2, np.inf),
        (exponentials.logarithm_of_more, np.log1p, np.inf),
        (exponentials.logarithm_to_base_two, np.log2, np.inf),
        (exponentials.cube_root, np.cbrt, np.inf),
        (angles.tangent, np.tan, angles.LARGEST_ANGLE),
        (angles.arc_tangent, np.arctan, np.inf),
        (functions.arc_sine, np.arcsin, np.inf),
    ],
    ids=lambda each: getattr(each, "__name__", ""),
)
@pytest.mark.parametrize("lanes", [4, 8])
def test_functions_of_one_number_are_right_to_four_units(
    function: Callable[..., str], reference: Any, beyond: float, lanes: int
) -> None:
    """In the last place, over the range of doubles and at its edges."""
    x = spread(beyond)
    with np.errstate(all="ignore"):
        assert_near(values_of(function, x, lanes), reference(x), 4.0)


def test_powers_of_two_and_their_logarithms_are_exact() -> None:
    """2^k and log2(2^k) of every whole k that a double has, subnormal ones among them."""
    k = np.concatenate([np.arange(-1074.0, 1024.0), [0.0, 0.0]])
    np.testing.assert_array_equal(values_of(exponentials.power_of_two, k), np.ldexp(1.0, k.astype(int)))
    powers = np.ldexp(1.0, k.astype(int))
    np.testing.assert_array_equal(values_of(exponentials.logarithm_to_base_two, powers), k)


TWO: list[tuple[Callable[..., str], Any, float]] = [
    (angles.arc_tangent_of_two, np.arctan2, 2.0),
    (angles.remainder, np.remainder, 0.0),
    (angles.rest_towards_zero, np.fmod, 0.0),
    (angles.whole_quotient, np.floor_divide, 0.0),
]


def pairs() -> tuple[Array, Array]:
    """Every edge with every edge, numbers of like size, and multiples of a number with its neighbours."""
    a, b = (each.ravel() for each in np.meshgrid(EDGES, EDGES))
    ones, others = RANDOM.uniform(-50.0, 50.0, (2, 20_000))
    step = RANDOM.uniform(0.001, 3.0, 20_000)
    near = RANDOM.integers(-9, 9, 20_000) * step
    near += RANDOM.integers(-1, 2, 20_000) * np.spacing(near)
    a, b = np.concatenate([a, ones, near]), np.concatenate([b, others, step])
    many = a.size // 8 * 8
    return a[:many], b[:many]


@pytest.mark.parametrize(
    ("function", "reference", "units"), TWO, ids=["arctan2", "remainder", "fmod", "floor_divide"]
)
def test_functions_of_two_numbers_are_those_of_numpy(
    function: Callable[..., str], reference: Any, units: float
) -> None:
    """An angle to two units in the last place; remainders and whole quotients to the bit, up to the largest quotient
    that a kernel keeps to itself."""
    a, b = pairs()
    with np.errstate(all="ignore"):
        if units == 0.0:
            beyond = np.abs(a / b) >= angles.LARGEST_QUOTIENT
            a = np.where(beyond & np.isfinite(a) & (b != 0.0), 0.25 * b, a)
        wanted = reference(a, b)
        found = values_of(function, a, other=b)
    assert_near(found, wanted, units)


@settings(max_examples=25, deadline=None)
@given(
    a=st.lists(st.floats(-1e6, 1e6), min_size=4, max_size=4),
    b=st.lists(st.floats(1e-6, 1e6) | st.floats(-1e6, -1e-6), min_size=4, max_size=4),
)
def test_a_number_is_its_whole_quotient_and_its_remainder(a: list[float], b: list[float]) -> None:
    """The remainder lies between 0 and the divisor, and differs from the number by whole divisors (to the rounding of
    their product)."""
    x, y = np.array(a), np.array(b)
    rest = values_of(angles.remainder, x, other=y)
    quotient = values_of(angles.whole_quotient, x, other=y)
    np.testing.assert_array_equal(quotient, np.rint(quotient))
    assert np.all((rest == 0.0) | (np.sign(rest) == np.sign(y)))
    assert np.all(np.abs(rest) <= np.abs(y))
    np.testing.assert_allclose(
        quotient * y + rest, x, rtol=0.0, atol=4.0 * np.spacing(max(np.abs(x).max(), np.abs(y).max()))
    )


@pytest.mark.parametrize("ufunc", list(OPERATIONS), ids=lambda each: each.__name__)
def test_an_operation_is_lowered_to_what_numpy_has(ufunc: np.ufunc) -> None:
    """Every recorded operation, in the form that a kernel has it, evaluated by numpy: within three units in the last
    place, edges among the numbers."""
    names = [f"x{i}" for i in range(ufunc.nin)]
    recorder = Recorder()
    given_ = [Traced.of(recorder, recorder.graph.node("given", (), POINT, name)) for name in names]
    logical = ufunc in (np.bitwise_and, np.bitwise_or, np.bitwise_xor, np.invert)
    if logical:
        given_ = [each > 0.0 for each in given_]
    x = [RANDOM.uniform(-3.0, 3.0, 3_000)] if ufunc.nin == 1 else list(RANDOM.uniform(0.1, 5.0, (2, 3_000)))
    edges = EDGES[np.abs(EDGES) != LARGEST]
    if ufunc not in (np.power, np.float_power, np.hypot):
        grid = [edges] if ufunc.nin == 1 else [each.ravel() for each in np.meshgrid(edges, edges)]
        x = [np.concatenate([one, other]) for one, other in zip(x, grid, strict=True)]
    end = ufunc(*given_).node
    made = rewritten([end], lowered)[end.number]
    with np.errstate(all="ignore"):
        values = dict(zip(names, (each.reshape(-1, 1, 1, 1, 1) for each in x), strict=True))
        found = evaluated(None, None, (made,), values)[made.number].ravel()  # type: ignore[arg-type]
        wanted = ufunc(*(each > 0.0 for each in x)) if logical else ufunc(*x)
    assert end.is_truth == (wanted.dtype == np.bool_)
    if end.is_truth:
        np.testing.assert_array_equal(found, wanted)
    else:
        # the power of a number near 5 by its logarithm
        assert_near(found, wanted, 16.0 if "power" in ufunc.__name__ else 3.0)


def test_both_kernels_have_words_for_every_operation() -> None:
    """What is left after lowering has an instruction in the text of the processor and in that of an accelerator, and a
    function of numpy for tables of codes."""
    recorder = Recorder()
    values = [Traced.of(recorder, recorder.graph.node("given", (), POINT, name)) for name in ("a", "b")]
    ends = [ufunc(*values[: ufunc.nin]).node for ufunc in OPERATIONS]
    ops = {node.op for node in rewritten([*ends, *recorder.required.values()], lowered).values()}
    ops -= {"given", "constant"}
    assert ops <= set(tables.NUMPY)
    own = {"negative", "minimum", "maximum", "and", "or", "not", "finite", "where"}
    for tables_of in (
        kernel_text._ARITHMETIC,
        kernel_text._COMPARED,
        kernel_text._FUNCTIONS,
        kernel_text._UNARY,
    ):
        own |= set(tables_of)
    assert ops <= own
    assert ops <= {*study_text._INFIX, *study_text._CALLED, "where"}


def test_remainders_of_an_accelerator_are_those_of_numpy(tmp_path: Path) -> None:
    """The words that its kernel calls, compiled for the processor: to the bit, over all edges."""
    host_device(tmp_path)
    body = "{ for (long i = 0; i < n; ++i) { rest[i] = rest_of(a[i], b[i]); whole[i] = whole_quotient(a[i], b[i]); } }"
    head = 'extern "C" void both(long n, const double* a, const double* b, double* rest, double* whole)'
    source, library = tmp_path / "words.cpp", tmp_path / "words.so"
    source.write_text("\n".join([WORDS_OF_CUDA, SUPPORT, head, body]))
    command = [
        "g++",
        "-O1",
        "-std=c++17",
        "-shared",
        "-fPIC",
        "-ffp-contract=off",
        str(source),
        "-o",
        str(library),
    ]
    subprocess.run(command, check=True, capture_output=True)
    a, b = pairs()
    rest, whole = np.empty_like(a), np.empty_like(a)
    pointers = [ctypes.c_void_p(each.ctypes.data) for each in (a, b, rest, whole)]
    ctypes.CDLL(str(library)).both(ctypes.c_long(a.size), *pointers)
    with np.errstate(all="ignore"):
        assert_near(rest, np.remainder(a, b), 0.0)
        assert_near(whole, np.floor_divide(a, b), 0.0)
