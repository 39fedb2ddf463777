"""Functions of a kernel against numpy and scipy over their range, and its draws against the generator of numpy."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtri

from distributions import Stream
from margin.backends.compiled import vector_functions as functions
from margin.backends.compiled.loops_text import LoopsText
from margin.backends.compiled.machine_code import Compiled
from margin.backends.compiled.normal_quantile import normal_quantile, quantile_table
from margin.backends.compiled.philox_text import normals_function, uniforms_function
from margin.backends.compiled.vector_functions import quotient
from margin.backends.compiled.vector_text import VectorText, intrinsics

pytest.importorskip("llvmlite", reason="the compiler is an extra")

LANES = 4
Array = np.ndarray[Any, np.dtype[np.float64]]
RANDOM = np.random.default_rng(4)


def values_of(
    function: Callable[..., str], x: Array, lanes: int = LANES, other: Array | None = None
) -> Array:
    """The function of one or two arrays compiled and called; the number of values is a multiple of the lanes."""
    t, table = VectorText(lanes), quantile_table()
    t.lines.append("define void @kernel(i64 %many, i64 %from, i64 %other, i64 %to, i64 %quantiles) {")
    t.label("entry")
    t.line("%table = inttoptr i64 %quantiles to ptr")
    first, second, target = (t.new(f"inttoptr i64 {name} to ptr") for name in ("%from", "%other", "%to"))
    sources = (first,) if other is None else (first, second)

    def body(index: str) -> None:
        values = [t.load(t.vector(source, 0, index), t.numbers) for source in sources]
        t.store(t.numbers, function(t, *values), t.vector(target, 0, index))

    LoopsText(t).repeat("%many", body)
    t.line("ret void")
    t.lines.append("}")
    result = np.empty_like(x)
    code = Compiled("\n".join([*intrinsics(lanes), *t.lines]), 5)
    beside = x if other is None else other
    code(x.size // lanes, x.ctypes.data, beside.ctypes.data, result.ctypes.data, table.ctypes.data)
    return result


def quantile(t: VectorText, u: str) -> str:
    return normal_quantile(t, u, "%table")


@pytest.mark.parametrize(
    ("function", "reference", "x"),
    [
        (functions.exponential, np.exp, RANDOM.uniform(-700.0, 700.0, 40_000)),
        (functions.logarithm, np.log, np.exp(RANDOM.uniform(-700.0, 700.0, 40_000))),
        (functions.logarithm, np.log, RANDOM.uniform(0.5, 2.0, 40_000)),
        (functions.arc_cosine, np.arccos, RANDOM.uniform(-1.0, 1.0, 40_000)),
    ],
    ids=["exp", "log", "log near 1", "arccos"],
)
def test_functions_are_right_to_two_units_in_the_last_place(
    function: Callable[[VectorText, str], str], reference: Any, x: Array
) -> None:
    """Over the range of doubles, against numpy."""
    wanted = reference(x)
    assert np.max(np.abs(values_of(function, x) - wanted) / np.spacing(np.abs(wanted))) <= 2.0


def test_sine_and_cosine_are_right_to_1e_15() -> None:
    """Over some turns to both sides, against numpy; the error is that of a number near 1."""
    x = RANDOM.uniform(-40.0, 40.0, 40_000)
    np.testing.assert_allclose(values_of(functions.sine, x), np.sin(x), rtol=0.0, atol=1e-15)
    np.testing.assert_allclose(values_of(functions.cosine, x), np.cos(x), rtol=0.0, atol=2e-15)


@pytest.mark.parametrize("lanes", [4, 8])
def test_the_normal_quantile_is_that_of_scipy(lanes: int) -> None:
    """In the middle, in both tails and at their ends, in every octave, against scipy.special.ndtri."""
    u = np.concatenate([RANDOM.uniform(size=40_000), 10.0 ** RANDOM.uniform(-16.2, -1.0, 40_000)])
    np.testing.assert_allclose(values_of(quantile, u, lanes), ndtri(u), rtol=2e-15, atol=1e-17)
    near_one = 1.0 - u[40_000:]
    inside = near_one[near_one < 1.0][: 8 * 4_500]
    np.testing.assert_allclose(values_of(quantile, inside, lanes), ndtri(inside), rtol=2e-15)
    powers = 0.5 ** np.arange(1.0, 55.0)
    ends = np.concatenate([powers, np.nextafter(powers, 1.0)[:-1], 1.0 - powers[:-1], [1.0 - 2.0**-53] * 2])
    ends = np.concatenate([ends, ends[: -ends.size % 8]])
    np.testing.assert_allclose(values_of(quantile, ends, lanes), ndtri(ends), rtol=2e-15, atol=1e-300)


def test_the_normal_quantile_has_handbook_values() -> None:
    """Percentage points of the normal distribution (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1), to the
    digits that the standard ones have from memory: 1.959964, 2.326348, 2.575829, 3.090232; the median is 0."""
    u = np.array([0.975, 0.99, 0.995, 0.999, 0.025, 0.01, 0.005, 0.5])
    wanted = [1.959964, 2.326348, 2.575829, 3.090232, -1.959964, -2.326348, -2.575829, 0.0]
    np.testing.assert_allclose(values_of(quantile, u), wanted, rtol=0.0, atol=5e-7)
    assert values_of(quantile, u)[-1] == 0.0


def test_a_quotient_without_division_is_that_of_numpy() -> None:
    """Quotients by numbers of many kinds, to the bit, also next to the edges of bins."""
    for divisor in (58.0, 60.0, 1.0 / 3.0, 0.1, 7.0e3, np.nextafter(2.0, 1.0), np.nextafter(1.0, 2.0)):
        edges = np.ldexp(1.0 + np.arange(128) / 128.0, RANDOM.integers(-20, 6, 128)) * divisor
        near = np.concatenate([edges + k * np.spacing(edges) for k in range(-3, 4)])
        x = np.concatenate([near, -near, RANDOM.normal(size=40_000) * divisor])
        found = values_of(lambda t, v, d=divisor: quotient(t, v, t.number(d), t.number(1.0 / d)), x)  # type: ignore[misc]
        np.testing.assert_array_equal(found, x / divisor)


def test_functions_hand_on_what_is_no_number() -> None:
    """Zero, the infinities and what is not a number, as numpy has them."""
    x = np.array([0.0, -np.inf, np.inf, np.nan, -720.0, 710.0, 1.0, 0.0])
    np.testing.assert_array_equal(
        values_of(functions.exponential, x), [1, 0, np.inf, np.nan, 0, np.inf, np.e, 1]
    )
    x = np.array([0.0, -1.0, np.inf, np.nan, 1.0, 1.0, 1.0, 1.0])
    np.testing.assert_array_equal(
        values_of(functions.logarithm, x), [-np.inf, np.nan, np.inf, np.nan, 0, 0, 0, 0]
    )


@pytest.mark.parametrize("lanes", [4, 8])
@pytest.mark.parametrize("kind", ["uniforms", "normals"])
def test_a_kernel_draws_what_the_streams_draw(kind: str, lanes: int) -> None:
    """Uniforms of Philox in the kernel's text are those of the generator to the bit, and the normal draws are quantiles
    of them, from any block of four on."""
    function = {"uniforms": uniforms_function, "normals": normals_function}[kind]
    lines = [
        *intrinsics(lanes),
        function(lanes),
        "define void @kernel(i64 %k0, i64 %k1, i64 %first, i64 %many, i64 %to, i64 %quantiles) {",
        "  %out = inttoptr i64 %to to ptr",
        "  %table = inttoptr i64 %quantiles to ptr",
        f"  call void @{kind}(i64 %k0, i64 %k1, i64 %first, i64 %many, ptr %out, ptr %table)",
        "  ret void",
        "}",
        "attributes #0 = { nounwind }",
    ]
    stream, drawn = Stream(11), np.empty(400)
    k0, k1 = stream.key("any").view(np.int64).tolist()
    Compiled("\n".join(lines), 6)(k0, k1, 6, 400 // lanes, drawn.ctypes.data, quantile_table().ctypes.data)
    uniforms = stream.uniforms("any", 24, 400)
    if kind == "uniforms":
        np.testing.assert_array_equal(drawn, uniforms)
    else:
        np.testing.assert_allclose(drawn, ndtri(uniforms), rtol=2e-15)
