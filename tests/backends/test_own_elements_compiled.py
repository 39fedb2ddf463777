"""Elements of one's own with the functions that engineers write: compiled, and counted as by array operations; what
cannot be compiled says where and what to write instead."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from pad_study import ONE_POINT, pad_case
from same_counts import assert_same_counts

from margin.backends.compiled.choose import CannotCompile, why_uncompiled
from margin.backends.run import run
from margin.case import Case
from margin.chain.elements import Contact
from margin.chain.setting import Setting
from margin.propagation.model import model_of

pytest.importorskip("llvmlite")

Law = Callable[[Any, Any], Any]
"""Conductance, S, from that of the plain law and its share of what 60 N gives."""


def in_place(g: Any, x: Any) -> Any:
    """Operators that change an array where it stands."""
    found = g * np.ones_like(x)
    found *= 1.0 + 0.02 * x
    found -= 0.001 * x
    found /= 1.01
    return found


def by_out(g: Any, x: Any) -> Any:
    """A result put into an array that is there."""
    found = g * 1.0
    np.multiply(found, 1.0 - 0.03 * x, out=found)
    return found


SOUND: dict[str, Law] = {
    "tanh": lambda g, x: g * (1.0 - 0.05 * np.tanh(2.0 * x)),
    "sinh and cosh": lambda g, x: g * np.cosh(0.3 * x) / (1.0 + 0.1 * np.sinh(x)),
    "cube root": lambda g, x: g * (1.0 + 0.02 * np.cbrt(x - 0.5)),
    "modulo operator": lambda g, x: g * (1.0 + 0.01 * ((7.0 * x) % 1.0)),
    "remainder of C": lambda g, x: g * (1.0 + 0.01 * np.fmod(7.0 * x, 1.0)),
    "whole quotient": lambda g, x: g * (1.0 + 0.003 * (x // 0.21)),
    "clip as a method": lambda g, x: g * (1.0 + 0.05 * x.clip(0.1, 0.8)),
    "clip with one end": lambda g, x: g * (1.0 + 0.05 * np.clip(x, None, 0.7)),
    "type of numbers": lambda g, x: g * (1.0 + 0.02 * (x > 0.4).astype(float)),
    "in place": in_place,
    "out": by_out,
    "small exponential": lambda g, x: g * (1.0 + 0.05 * np.expm1(-x)),
    "small logarithm": lambda g, x: g * (1.0 + 0.05 * np.log1p(x)),
    "base two": lambda g, x: g * np.exp2(0.05 * x) * (1.0 + 0.001 * np.log2(1.0 + x)),
    "arc tangent": lambda g, x: g * (1.0 - 0.04 * np.arctan(3.0 * x) - 0.01 * np.arctan2(x, 2.0)),
    "arc sine and tangent": lambda g, x: g * (1.0 - 0.02 * np.arcsin(np.minimum(x, 1.0)) + 0.02 * np.tan(x)),
    "steps": lambda g, x: g * (1.0 + 0.001 * (np.floor(9.0 * x) + np.ceil(5.0 * x) - np.trunc(3.0 * x))),
    "sign": lambda g, x: g * (1.0 + 0.01 * np.sign(x - 0.45)),
    "step of Heaviside": lambda g, x: g * (1.0 + 0.01 * np.heaviside(x - 0.45, 0.5)),
    "cases": lambda g, x: g * np.select([x < 0.2, x < 0.6], [1.0 + 0.1 * x, 1.02 + 0.0 * x], 1.01 - 0.02 * (x - 0.6)),
    "polynomial": lambda g, x: g * np.polyval([0.02, -0.03, 1.0], x),
    "copy, not a number": lambda g, x: np.where(np.isnan(x.copy()), 0.0, g * np.reciprocal(1.0 + 0.01 * x)),
    "smaller and larger": lambda g, x: g * (1.0 + 0.01 * np.fmax(x, 0.3) - 0.02 * np.fmin(x, 0.5)),
    "constant like an array": lambda g, x: g * np.full_like(x, 1.003) + np.copysign(0.0, -x),
}  # fmt: skip


def with_law(law: Law) -> Case:
    """A small case with a sensor of one's own."""
    case = pad_case(
        ONE_POINT,
        sensor={"sensitivity": "4 uS +/- 3 %", "reload_scatter": "1 %"},
        circuit={"feedback": "60 kohm +/- 1 %"},
        study={"units": 400},
    )
    sound = case.elements["sensor"].cls

    @dataclasses.dataclass(frozen=True, kw_only=True)
    class Own(sound):  # type: ignore[misc, valid-type]
        def output(self, contact: Contact, setting: Setting) -> Any:
            conductance = super().output(contact, setting)
            return law(conductance, conductance / 12e-6)

    own = dataclasses.replace(case.elements["sensor"], cls=Own)
    return dataclasses.replace(case, elements={**case.elements, "sensor": own})


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_element_is_compiled(name: str) -> None:
    """Counts of a sensor of one's own are those of array operations."""
    case = with_law(SOUND[name])
    assert why_uncompiled(model_of(case)) is None
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), ("kernel", "arrays"))


@pytest.mark.parametrize(
    "sensor",
    [
        {"reload_scatter": "1.5 %", "reload_scatter_exponent": 0.6},
        {
            "reload_scatter": "1.5 % +/- 0.2 % (2 sigma) per common",
            "reload_scatter_exponent": "0.6 +/- 0.2 (2 sigma) per common",
        },
    ],
)
def test_reload_scatter_that_depends_on_the_load_is_compiled(sensor: dict[str, object]) -> None:
    """Counts with a scatter that grows with the load are those of array operations."""
    case = pad_case(ONE_POINT, sensor={"sensitivity": "4 uS +/- 3 %", **sensor}, study={"units": 400})
    assert why_uncompiled(model_of(case)) is None
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), ("kernel", "arrays"))


UNSOUND: dict[str, tuple[Law, str, str]] = {
    "a branch": (lambda g, x: g if np.any(x > 2.0) else 1.01 * g, "branch", "numpy.where"),
    "plain arrays": (
        lambda g, x: g * np.asarray(x),
        "a plain array asked of drawn values",
        "numpy's functions",
    ),
    "a median": (lambda g, x: g * np.median(x), "numpy.median", "numpy.mean"),
}


@pytest.mark.parametrize("name", UNSOUND)
def test_what_cannot_be_compiled_says_why(name: str) -> None:
    """The reason names what was asked for, the element's method and its file, and what has the same effect; the study
    runs by array operations, or is refused where a kernel is demanded."""
    law, what, instead = UNSOUND[name]
    case = with_law(law)
    told = why_uncompiled(model_of(case))
    assert told is not None
    for part in (what, "Own.output (test_own_elements_compiled.py, line", instead):
        assert part in told
    assert run(case).path == "arrays"
    with pytest.raises(CannotCompile, match="cannot be compiled"):
        run(case, compiled=True)
