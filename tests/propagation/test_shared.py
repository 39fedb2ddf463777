"""One resistor or one reference behind two keys is one draw, however it is said."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pad_study import EVERY_SPREAD, NONE, ONE_POINT, errors_of, only, pad_case
from same_counts import assert_same_counts

from margin.backends.run import run
from margin.case.types import Case
from margin.estimates.budget import budget_of
from margin.propagation.factors import factors_of
from margin.propagation.model import model_of
from margin.propagation.readings import use_event

BRIDGE: dict[str, Any] = {
    "sensor": {"kind": "strain-gauge bridge", "rated_load": "60 N", "rated_output": "2 mV/V"},
    "circuit": {
        "kind": "bridge amplifier", "reference": "2.5 V", "internal_resistor": "50 kohm +/- 1 %",
        "gain_resistor": "200 ohm",
    },
    "converter": {"bits": 24, "reference": "absolute", "full_scale": "5 V"},
    "study": {"units": 200},
}  # fmt: skip
"""Gain 1 + internal / gain resistor: a deviation that both have cancels."""

NETWORK = [{"keys": ["circuit.internal_resistor", "circuit.gain_resistor"]}]
COUNT = 60.0 / (2e-3 * 251 * 2.5 / 5.0) / 2**24
"""N that one count stands for."""


def tied(
    rho: float, between: tuple[str, str] = ("circuit.internal_resistor", "circuit.gain_resistor")
) -> Any:
    return [{"between": list(between), "rank_correlation": rho}]


def two_parts(**more: Any) -> Case:
    """Both resistors with the tolerance of one of them."""
    circuit = {**BRIDGE["circuit"], "gain_resistor": "200 ohm +/- 1 %"}
    return pad_case(**{**BRIDGE, "circuit": circuit}, **more)


def test_a_ratio_of_a_shared_network_does_not_spread() -> None:
    """Tolerance of a network whose ratio alone counts leaves one count at most; of two parts it is percents."""
    assert np.abs(only(pad_case(**BRIDGE, shared=NETWORK))).max() < COUNT
    assert np.abs(only(two_parts())).max() > 0.5


def test_a_correlation_of_one_is_a_shared_network() -> None:
    """Of the same tolerance: the same errors, unit by unit, within rounding; -1 adds the two deviations."""
    shared = only(pad_case(**BRIDGE, shared=NETWORK))
    one = only(two_parts(dependence=tied(1.0)))
    np.testing.assert_allclose(one, shared, rtol=0.0, atol=1e-12)
    apart = only(two_parts(dependence=tied(-1.0)))
    # first order: gain 1 + 250 (1 + d) / (1 - d) off by 2 d of 250 / 251
    assert np.abs(apart).max() == pytest.approx(60 * 2 * 0.01 * 250 / 251, rel=0.02)


def test_one_absolute_deviation_is_taken_as_it_is() -> None:
    """A difference in ohms is the same number of ohms at both keys: G = 1 + (Ri + d) / (Rg + d), by hand."""
    circuit = {**BRIDGE["circuit"], "internal_resistor": "50 kohm +/- 5 ohm", "gain_resistor": "200 ohm"}
    case = pad_case(**{**BRIDGE, "circuit": circuit}, shared=NETWORK)
    (factor,) = [f for f in factors_of(case) if f.role == "circuit"]
    model = model_of(case)
    source = model.source(run(case).plan.frame.grouping, 0, 200)
    d = np.ravel(source.deviation(factor, use_event(case, None)))
    expected = (1 + (50e3 + d) / (200 + d)) / 251 - 1
    error = only(case)[:, 0, 0, 0, -1] / 60
    np.testing.assert_allclose(error, expected, atol=COUNT / 60)


def test_what_is_shared_keeps_the_draws_of_its_first_key() -> None:
    """Sharing a resistor leaves every other draw of the case, and those of the resistor itself, to the bit."""
    apart = factors_of(pad_case(**BRIDGE))
    assert factors_of(pad_case(**BRIDGE, shared=NETWORK)) == apart
    assert [f.name for f in apart if f.role == "circuit"] == ["circuit.internal_resistor per unit"]


def test_parts_of_two_roles_may_share_one_reference() -> None:
    """A reference that drives the circuit and scales an absolute converter cancels as a ratiometric one does."""
    tables: dict[str, Any] = {
        "circuit": {"reference": "1.2 V +/- 2 % per unit, +/- 1 % per lot"},
        "converter": {"bits": 24, "reference": "absolute", "full_scale": "1.2 V"},
    }
    shared = [{"keys": ["circuit.reference", "converter.full_scale"]}]
    assert np.abs(only(pad_case(**tables, shared=shared))).max() < 1e-4
    assert np.abs(only(pad_case(**tables))).max() > 1.0


def test_the_budget_has_one_line_for_a_shared_part() -> None:
    """Frozen, it is frozen at every key: the line carries the name of the first."""
    circuit = {**BRIDGE["circuit"], "offset": "0 mV +/- 1 mV"}
    case = pad_case(**{**BRIDGE, "circuit": circuit}, shared=NETWORK)
    budget = budget_of(model_of(case))
    assert set(budget["factor"]) == {"circuit.internal_resistor per unit", "circuit.offset per unit"}
    frozen = budget[budget["change"] == "frozen"].set_index("factor")["error_change_N"]
    assert abs(frozen["circuit.internal_resistor per unit"]) < 1e-3 * abs(frozen["circuit.offset per unit"])


def test_a_spread_known_from_few_units_is_shared_with_what_is_not_known() -> None:
    """Mean and spread drawn at level common are those of the one part."""
    circuit = {**BRIDGE["circuit"], "internal_resistor": "50 kohm +/- 1 % (2 sigma, from 5 units)"}
    tables = {**BRIDGE, "circuit": circuit, "study": {"units": 200, "outer": 10}}
    assert np.abs(only(pad_case(**tables, shared=NETWORK))).max() < COUNT


def test_correlations_of_one_hold_for_spreads_measured_together() -> None:
    """Two resistors of one network measured on the same units: covariance and means are drawn singular."""
    both = "+/- 1 % (2 sigma, from 5 units)"
    circuit = {
        **BRIDGE["circuit"],
        "internal_resistor": f"50 kohm {both}",
        "gain_resistor": f"200 ohm {both}",
    }
    tie = [{**tied(1.0)[0], "from": "5 units"}]
    case = pad_case(**{**BRIDGE, "circuit": circuit, "study": {"units": 200, "outer": 10}}, dependence=tie)
    assert np.abs(only(case)).max() < COUNT


def test_what_is_one_draw_shares_its_further_ties() -> None:
    """A third quantity tied to one of two resistors of correlation 1 is tied to the other: nothing contradicts."""
    ties = [*tied(1.0), *tied(0.5, ("circuit.gain_resistor", "circuit.reference"))]
    circuit = {**BRIDGE["circuit"], "gain_resistor": "200 ohm +/- 1 %", "reference": "2.5 V +/- 1 %"}
    (group,) = model_of(pad_case(**{**BRIDGE, "circuit": circuit}, dependence=ties)).groups
    i, j, k = (
        group.names.index(f"circuit.{n} per unit")
        for n in ("internal_resistor", "gain_resistor", "reference")
    )
    assert group.copula.rank_correlation[i, k] == group.copula.rank_correlation[j, k] == 0.5


@pytest.mark.parametrize("how", ["shared", "correlated"])
def test_a_compiled_kernel_draws_it_once_too(how: str) -> None:
    """The same whole numbers as plain arrays give, with everything else that is drawn around it."""
    pytest.importorskip("llvmlite", reason="the compiler is an extra")
    circuit = {**EVERY_SPREAD["circuit"], "feedback": "60 kohm +/- 1 %"}
    converter = {**EVERY_SPREAD["converter"], "gain_error": "0 % +/- 0.2 %"}
    more: dict[str, Any] = {"shared": [{"keys": ["circuit.feedback", "circuit.reference"]}]}
    if how == "correlated":
        circuit["reference"] = "1.2 V +/- 1 %"
        more = {"dependence": tied(1.0, ("circuit.feedback", "circuit.reference"))}
    case = pad_case(NONE, ONE_POINT, **{**EVERY_SPREAD, "circuit": circuit, "converter": converter}, **more)
    assert_same_counts(run(case, compiled=True), run(case, compiled=False), ("kernel", "arrays"))
    assert np.isfinite(errors_of(case, 20)["none"]).all()
