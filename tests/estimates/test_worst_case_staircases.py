"""Root sum square of chains with staircases: slopes without them, and the rounding of each reading, the classes of
sorting, as inputs of their own."""

from __future__ import annotations

import dataclasses
import itertools
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from pad_study import NONE, ONE_POINT, TWO_POINT, errors_of, pad_case

from margin.backends.run import run
from margin.case import Case
from margin.chain.converter import Converter
from margin.chain.parameter import Value
from margin.estimates.worst_case import Corners, first_order, worst_cases
from margin.estimates.worst_case.staircases import ROUNDING, class_error
from margin.propagation.calibrated import Classes, Coordinates
from margin.propagation.model import model_of

Array = NDArray[np.float64]

LOADS = ["4 N", "12 N", "30 N", "54 N"]
OPTIONS: dict[str, dict[str, Any]] = {
    "none": NONE,
    "tare": {"kind": "tare"},
    "tare of the signal": {"kind": "tare", "space": "signal"},
    "one-point": ONE_POINT,
    "two-point": TWO_POINT,
    "multi-point in logarithms": {"kind": "multi-point", "loads": LOADS, "space": "logarithm"},
    "piecewise": {"kind": "multi-point", "loads": LOADS, "fit": "piecewise"},
    "lot curve": {"kind": "lot-curve", "loads": LOADS, "sample_units": 3},
}
FILM = {
    "kind": "thin film",
    "sensitivity": "4 uS +/- 8 % (2 sigma)",
    "exponent": "0.85 +/- 0.03",
    "reference_load": "20 N",
    "reload_scatter": "1.5 %",
    "temperature_coefficient": "0.1 %/K",
}
CHAINS: dict[str, dict[str, Any]] = {
    "inverting amplifier": {
        "sensor": FILM,
        "circuit": {
            "kind": "inverting amplifier",
            "reference": "1.2 V",
            "feedback": "60 kohm +/- 1 %",
            "offset": "0 V +/- 1 mV",
        },
    },
    "divider": {
        "sensor": FILM,
        "circuit": {"kind": "voltage divider", "reference": "3.3 V", "resistor": "100 kohm +/- 1 %"},
    },
    "bridge": {
        "sensor": {
            "kind": "strain-gauge bridge",
            "rated_load": "60 N",
            "rated_output": "2 mV/V +/- 2 % (2 sigma)",
            "reload_scatter": "0.3 %",
        },
        "circuit": {
            "kind": "bridge amplifier",
            "reference": "3.3 V",
            "internal_resistor": "50 kohm",
            "gain_resistor": "167 ohm +/- 0.5 %",
        },
    },
}
"""All values invented."""


def case_of(chain: str, option: str, converter: dict[str, Any], **tables: Any) -> Case:
    """One chain with one calibration and a converter."""
    given = {
        "use": {"temperature": "15 degC to 35 degC"},
        "load": {"check": ["4 N", "20 N", "58 N"]},
        **tables,
    }
    return pad_case(OPTIONS[option], **CHAINS[chain], **given, converter=converter)


class Differences:
    """Outputs of a case about the means of its variables, a step h = one standard deviation or up to a limit."""

    def __init__(self, case: Case) -> None:
        self.corners = Corners.of(model_of(case), case.calibrations[0])
        self.mean, self.u = self.corners.column("mean"), self.corners.column("sd")
        room = np.minimum(self.mean - self.corners.column("low"), self.corners.column("high") - self.mean)
        self.h = np.minimum(self.u, room)
        self.scale = self.u / self.h

    def at(self, moves: list[dict[int, float]]) -> Array:
        """Outputs (row, load), each variable of a row moved by so many steps."""
        rows = np.tile(self.mean, (len(moves), 1))
        for row, steps in zip(rows, moves, strict=True):
            for variable, step in steps.items():
                row[variable] += step * self.h[variable]
        return self.corners.errors(rows)

    def axis(self, step: float) -> Array:
        """(variable, load) outputs with each variable alone moved."""
        return self.at([{i: step} for i in range(self.u.size)])

    def first_order(self) -> Array:
        """(variable, load) c_i u_i."""
        contributions: Array = 0.5 * (self.axis(1.0) - self.axis(-1.0)) * self.scale[:, None]
        return contributions

    def variance(self) -> Array:
        """(load,) variance with terms of second order, JCGM 100, 5.1.2, note: term by term."""
        one = self.scale[:, None]
        whole = self.first_order()
        half = 0.5 * (self.axis(0.5) - self.axis(-0.5)) * one
        # Richardson: slope and third derivative from steps of h and of h / 2
        slope, third = (8.0 * half - whole) / 3.0, (8.0 * whole - 16.0 * half) * one**2
        bend = (self.axis(1.0) + self.axis(-1.0) - 2.0 * self.at([{}])) * one**2
        total: Array = np.sum(slope**2 + 0.5 * bend**2 + slope * third, axis=0)
        alone = {sign: self.axis(sign) for sign in (-1.0, 1.0)}
        for i, j in itertools.combinations(range(self.u.size), 2):
            signs = list(itertools.product((-1.0, 1.0), repeat=2))
            corner = dict(zip(signs, self.at([{i: p, j: q} for p, q in signs]), strict=True))
            a, b = self.scale[i], self.scale[j]
            total += (0.25 * (corner[1, 1] - corner[1, -1] - corner[-1, 1] + corner[-1, -1]) * a * b) ** 2
            # f_ijj: by how much the curvature along j changes with i, and the other way round
            along_j = [corner[p, 1] + corner[p, -1] - 2.0 * alone[p][i] for p in (-1.0, 1.0)]
            along_i = [corner[1, q] + corner[-1, q] - 2.0 * alone[q][j] for q in (-1.0, 1.0)]
            total += slope[i] * 0.5 * (along_j[1] - along_j[0]) * a * b**2
            total += slope[j] * 0.5 * (along_i[1] - along_i[0]) * b * a**2
        return total


def half_widths(case: Case) -> tuple[Array, Array]:
    """Root sum square of either order over COVERAGE: standard uncertainties as the frame gives them, N."""
    result = run(case, workers=1)
    ((_, found),) = worst_cases(result.model, result.plan.frame, result.tallies)
    columns = ("root_sum_square_N", "root_sum_square_second_N")
    first, second = (found.ways[name].to_numpy() / 3.0 for name in columns)
    return first, second


@pytest.mark.parametrize("chain", CHAINS)
@pytest.mark.parametrize("option", OPTIONS)
def test_coarse_converters_add_their_rounding_alone(chain: str, option: str) -> None:
    """Of 8, 10 and 12 bits the root sum square of both orders is that of 24 bits, within 1 %, with the rounding of
    each reading in quadrature: in use and at the calibration, a rectangular deviation of half a coarse count
    either way (JCGM 100, F.2.2.1), put before a converter of 24 bits by an offset drawn for each reading."""
    fine = Differences(case_of(chain, option, {"bits": 24}))
    first_fine, second_fine = np.sum(fine.first_order() ** 2, axis=0), fine.variance()
    for bits in (8, 10, 12):
        before = {"bits": 24, "offset": f"0 +/- {2 ** (23 - bits)} per reading"}
        rounded = Differences(case_of(chain, option, before))
        spread = [v.factor.quantity == "converter.offset" for v in rounded.corners.variables]
        own = np.array(spread) @ rounded.first_order() ** 2
        first, second = half_widths(case_of(chain, option, {"bits": bits}, study={"units": 20}))
        assert first == pytest.approx(np.sqrt(first_fine + own), rel=0.01)
        assert second == pytest.approx(np.sqrt(second_fine + own), rel=0.01)


@pytest.mark.parametrize("chain", CHAINS)
def test_draws_of_a_coarse_converter_scatter_as_much(chain: str) -> None:
    """Draws through the true staircase of 8 bits have the standard deviation of the root sum square, rounding of
    the reading and of the calibration included."""
    case = case_of(chain, "one-point", {"bits": 8}, study={"units": 4096, "points": "sobol"})
    (errors,) = errors_of(case).values()
    _, u = first_order(Corners.of(model_of(case), case.calibrations[0]))
    assert errors[:, 0, 0, 0, :].std(axis=0) == pytest.approx(u, rel=0.06)


def test_variables_of_the_smooth_chain_are_those_of_the_case() -> None:
    """Without the staircase a corner has the same variables in the same order, and the rounding of each reading: one in
    use and one at each load of the calibration, the unloaded unit included."""
    case = case_of("bridge", "two-point", {"bits": 12, "noise": 1.0})
    for tare, loads in ((False, 2), (True, 3)):
        option = dataclasses.replace(case.calibrations[0], tare=tare)
        corners = Corners.of(model_of(dataclasses.replace(case, calibrations=(option,))), option)
        smooth = corners.smooth().variables
        own = [v for v in smooth if v.factor.quantity != ROUNDING]
        assert [(v.key, v.load, v.low, v.high) for v in own] == [
            (v.key, v.load, v.low, v.high) for v in corners.variables
        ]
        assert len(smooth) - len(own) == 1 + loads


def test_the_error_of_two_classes() -> None:
    """Two classes of normal gains with standard deviation s are given the quartiles, -+q s: the rest has the
    variance s^2 (1 - 2 q sqrt(2 / pi) + q^2) (closed form of the half-normal distribution)."""
    s, q = 1e-3, 0.674490
    classes = Classes(np.array([1.0]), np.array([1.0 - q * s, 1.0 + q * s]))
    expected = s * np.sqrt(1.0 - 2.0 * q * np.sqrt(2.0 / np.pi) + q**2)
    assert class_error(classes) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("bits", [8, 24])
@pytest.mark.parametrize("chain", ["inverting amplifier", "divider"])
def test_sorting_into_classes_has_no_slope_of_its_steps(chain: str, bits: int) -> None:
    """Steps between classes do not enter the terms of second order: both orders agree within 2 %, and with the draws
    within the tolerance of a verdict."""
    option = {"kind": "classes", "classes": 5, "loads": ["30 N"]}
    case = pad_case(
        option, **CHAINS[chain], converter={"bits": bits}, study={"units": 4096, "points": "sobol"},
        load={"check": ["4 N", "20 N", "50 N"]},
    )  # fmt: skip
    first, second = half_widths(case)
    assert second == pytest.approx(first, rel=0.02)
    (errors,) = errors_of(case).values()
    assert errors[:, 0, 0, 0, :].std(axis=0) == pytest.approx(first, rel=0.2)


def test_an_ideal_converter_has_no_rounding() -> None:
    """Without a converter table there is no staircase: the corners are those of the case itself."""
    case = pad_case(ONE_POINT, **CHAINS["divider"])
    corners = Corners.of(model_of(case), case.calibrations[0])
    assert corners.smooth() is corners


class Truncating(Converter):
    """A converter of a user's own that cuts off instead of rounding."""

    kind = "truncating"

    def code_of_counts(self, counts: Value) -> Value:
        return np.asarray(np.floor(np.clip(counts, 0.0, self.top + 0.5)))


class Finer(Converter):
    """A converter of a user's own that reports quarters of a count."""

    kind = "finer"

    def code_of_counts(self, counts: Value) -> Value:
        return np.asarray(np.clip(np.round(4.0 * counts) / 4.0, 0.0, float(self.top)))


def with_converter(case: Case, own: type) -> Case:
    """The case with another class of converter."""
    spec = dataclasses.replace(case.elements["converter"], cls=own)
    return dataclasses.replace(case, elements={**case.elements, "converter": spec})


def test_converters_of_a_users_own_lose_their_staircase_too() -> None:
    """A converter that truncates has the same slopes as one that rounds."""
    case = case_of("inverting amplifier", "two-point", {"bits": 8}, study={"units": 20})
    for found, expected in zip(half_widths(with_converter(case, Truncating)), half_widths(case), strict=True):
        assert found == pytest.approx(expected, rel=1e-9)


def test_codes_between_whole_numbers_are_not_looked_up() -> None:
    """Readings of a converter with quarters of a count keep them: the load reported is that of the design curve
    at the code, and not at the whole number below."""
    case = with_converter(case_of("divider", "none", {"bits": 8}), Finer)
    model = model_of(case)
    corners = Corners.of(model, case.calibrations[0])
    row = corners.column("mean")[None]
    load = corners.errors(row)[0] + np.asarray(case.check_loads)
    code = np.asarray(model.nominal.chain.respond(np.asarray(case.check_loads), model.nominal.setting).code)
    assert np.any(code % 1.0 > 0.0)
    coordinates = Coordinates(model.nominal, "force", 1e-6)
    assert load == pytest.approx(coordinates.of(code, model.nominal.setting), rel=1e-9)
