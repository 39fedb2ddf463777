"""Functions of a kernel against numpy and scipy over their range, and its uniforms against the generator of numpy."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtri

from distributions import Stream
from margin.propagation.fused import philox_text
from margin.propagation.fused import vector_functions as functions
from margin.propagation.fused.compiled import Compiled
from margin.propagation.fused.loops_text import LoopsText
from margin.propagation.fused.vector_text import VectorText

pytest.importorskip("llvmlite", reason="the fused path is an extra")

LANES = 4
Array = np.ndarray[Any, np.dtype[np.float64]]
RANDOM = np.random.default_rng(4)


def values_of(function: Callable[[VectorText, str], str], x: Array) -> Array:
    """The function compiled and called; the number of values is a multiple of the lanes."""
    t = VectorText(LANES)
    t.lines.append("define void @kernel(i64 %many, i64 %from, i64 %to) {")
    t.label("entry")
    source, target = (t.new(f"inttoptr i64 {name} to ptr") for name in ("%from", "%to"))

    def body(index: str) -> None:
        value = t.load(t.vector(source, 0, index), t.numbers)
        t.store(t.numbers, function(t, value), t.vector(target, 0, index))

    LoopsText(t).repeat("%many", body)
    t.line("ret void")
    t.lines.append("}")
    known = [
        f"declare {t.numbers} @llvm.{name}.v{LANES}f64({', '.join([t.numbers] * count)})"
        for name, count in (("fma", 3), ("sqrt", 1), ("fabs", 1))
    ]
    result = np.empty_like(x)
    Compiled("\n".join([*known, *t.lines]), 3)(x.size // LANES, x.ctypes.data, result.ctypes.data)
    return result


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


def test_the_normal_quantile_is_that_of_scipy() -> None:
    """In the middle, in both tails and in the far tail (Wichura's three regions), against scipy.special.ndtri."""
    u = np.concatenate([RANDOM.uniform(size=40_000), 10.0 ** RANDOM.uniform(-16.2, -1.0, 40_000)])
    np.testing.assert_allclose(values_of(functions.normal_quantile, u), ndtri(u), rtol=2e-15, atol=1e-17)
    near_one = 1.0 - u[40_000:]
    inside = near_one[near_one < 1.0][: 4 * 9_000]
    np.testing.assert_allclose(values_of(functions.normal_quantile, inside), ndtri(inside), rtol=2e-15)


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


def test_a_kernel_draws_the_uniforms_of_the_streams() -> None:
    """Philox in the kernel's text gives the numbers of the generator to the bit, from any block of four on."""
    lines = [
        philox_text.FUNCTION,
        "define void @kernel(i64 %k0, i64 %k1, i64 %first, i64 %blocks, i64 %to) {",
        "  %out = inttoptr i64 %to to ptr",
        "  call void @uniforms(i64 %k0, i64 %k1, i64 %first, i64 %blocks, ptr %out)",
        "  ret void",
        "}",
    ]
    stream, drawn = Stream(11), np.empty(400)
    k0, k1 = stream.key("any").view(np.int64).tolist()
    Compiled("\n".join(lines), 5)(k0, k1, 6, 100, drawn.ctypes.data)
    np.testing.assert_array_equal(drawn, stream.uniforms("any", 24, 400))
