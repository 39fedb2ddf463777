"""Cases whose yield and lower bound are exact: one check load, a linear pad, an ideal converter, nothing else.

The sensitivity is 4 uS plus deviations in uS, which add up, and the design curve divides by 4 uS: the relative force
error is the sum of the relative deviations, to rounding. All values invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from margin.case.load import read_case
from margin.case.types import Case
from margin.validation import closed_forms, handbook
from margin.validation.closed_forms import Exact
from margin.validation.quadrature import within

UNIT = 0.01
"""Standard deviation of the relative error from unit to unit, where a case does not say otherwise."""

NOMINAL = 4.0
"""Sensitivity, uS."""

LOAD = "20 N"

WITHOUT: dict[str, Any] = {
    "exponent": 1, "reload_scatter": 0, "hysteresis": 0, "creep": 0, "ageing": 0,
    "temperature_coefficient": "0 1/K", "humidity_coefficient": "0 1/%RH",
}  # fmt: skip
"""What a pad is stated to be without, so that no default can take part."""

PREDICTIVE = "Student t predictive, Gelman et al., Bayesian Data Analysis, 3.2"

Entry = dict[str, Any]


@dataclass(frozen=True)
class ClosedCase:
    """A case and its exact yield and lower bound.

    title    what it is about; family: what cases of one kind have in common
    source   of the exact values
    limit    permissible error relative to the reading
    spreads  deviations of the sensitivity, as entries of a table in a case file
    tables   further tables of the case
    unknown  whether anything is common to all units, so that the study has outer draws
    """

    title: str
    family: str
    source: str
    exact: Exact
    limit: float
    spreads: tuple[Entry, ...]
    tables: dict[str, Any] = field(default_factory=dict)
    unknown: bool = True

    def case(self, confidence: float = 0.95, **study: Any) -> Case:
        """The case with these keys of its study; all units are drawn unless `draw` is stated."""
        return read_case(
            {
                "case": {"name": self.title, "data": "invented", "unstated": "zero"},
                "load": {"range": f"2 N to {LOAD}", "check": [LOAD]},
                "requirement": {
                    "permissible_error": f"{100.0 * self.limit:.9f} % of reading",
                    "confidence": confidence,
                },
                "interface": {"kind": "direct"},
                "sensor": {
                    "kind": "thin film",
                    "sensitivity": {"value": f"{NOMINAL:g} uS", "spread": list(self.spreads)},
                    "reference_load": LOAD,
                    **WITHOUT,
                    **self.tables.get("sensor", {}),
                },
                "circuit": {"kind": "inverting amplifier", "reference": "1.2 V", "feedback": "60 kohm"},
                "use": {
                    "temperature": "25 degC", "direction": "up", "conditions": 1, "loadings": 1, "readings": 1,
                    **self.tables.get("use", {}),
                },
                "station": {"temperature": "25 degC", **self.tables.get("station", {})},
                "calibration": [self.tables.get("calibration", {"kind": "none"})],
                "study": {"draw": "all units", **study},
            }
        )  # fmt: skip


def _uS(relative: float) -> str:
    return f"{NOMINAL * relative:.15g} uS"


def normal(level: str, sd: float, mean: float = 0.0) -> Entry:
    """Entry of a normal deviation; mean and sd relative."""
    return {"level": level, "shape": "normal", "mean": _uS(mean), "sd": _uS(sd)}


def _lot(sd: float, skewed: bool) -> Entry:
    if not skewed:
        return normal("lot", sd)
    scale = math.sqrt(2.0) * sd
    gamma = {"shape": "gamma", "exponent": 0.5, "scale": _uS(scale)}
    return {"level": "lot", "shape": "shifted", "location": _uS(-0.5 * scale), "base": gamma}


def shared_gain(limit: float, ratio: float, mean: float = 0.0) -> ClosedCase:
    """A gain error common to all units, `ratio` times as wide as their own; and a known mean error."""
    aside = f", mean error {100 * mean:g} %" if mean else ""
    return ClosedCase(
        f"gain {ratio:g} s{aside}, limit {limit / UNIT:g} s",
        "A gain error common to all units",
        "normal distribution, closed form",
        closed_forms.shared_gain(limit, UNIT, ratio * UNIT, mean),
        limit,
        (normal("unit", UNIT, mean), normal("common", ratio * UNIT)),
    )


def few_units(limit: float, units: int, ratio: float = 0.0) -> ClosedCase:
    """Mean and spread known from few units, with a common gain error `ratio` times the sample's spread."""
    gain = (normal("common", ratio * UNIT),) if ratio else ()
    return ClosedCase(
        f"{units} units{f', gain {ratio:g} s' if ratio else ''}, limit {limit / UNIT:g} s",
        "Two unknowns" if ratio else "Mean and spread from few units",
        "quadrature over mean and spread" if ratio else PREDICTIVE,
        closed_forms.few_units(limit, UNIT, units, ratio * UNIT),
        limit,
        ({**normal("unit", UNIT), "from_units": units}, *gain),
    )


def two_gains(limit: float, first: float, second: float) -> ClosedCase:
    """Two gain errors common to all units: their sum is one."""
    return ClosedCase(
        f"gains {first:g} s and {second:g} s, limit {limit / UNIT:g} s",
        "Two unknowns",
        "normal distribution, closed form",
        closed_forms.shared_gain(limit, UNIT, math.hypot(first, second) * UNIT),
        limit,
        (normal("unit", UNIT), normal("common", first * UNIT), normal("common", second * UNIT)),
    )


def one_point(limit: float, ratio: float, placements: int, reload: float = 0.005) -> ClosedCase:
    """A one-point calibration: the station's gain error is `ratio` times the scatter of a placement."""
    return ClosedCase(
        f"{placements} placement{'s' if placements > 1 else ''}, limit {limit / reload:g} r",
        "One-point calibration, gain error of the station",
        "quadrature over the placement at the calibration",
        closed_forms.one_point_calibration(limit, ratio * reload, reload, placements),
        limit,
        (),
        {
            "sensor": {"reload_scatter": f"{100.0 * reload:g} %"},
            "station": {"reference_gain": f"+/- {100.0 * ratio * reload:g} % (1 sigma)"},
            "use": {"loadings": placements},
            "calibration": {"kind": "one-point", "loads": [LOAD]},
        },
    )


def lots(limit: float, ratio: float, *, skewed: bool = False) -> ClosedCase:
    """Lots that differ `ratio` times as much as their units; nothing is unknown."""
    return ClosedCase(
        f"{'skewed' if skewed else 'normal'} lots {ratio:g} s, limit {limit / UNIT:g} s",
        "Production lots",
        "gamma distribution, quadrature" if skewed else "normal distribution, closed form",
        closed_forms.lots(limit, UNIT, ratio * UNIT, skewed=skewed),
        limit,
        (normal("unit", UNIT), _lot(ratio * UNIT, skewed)),
        unknown=False,
    )


def lots_and_gain(limit: float, ratio: float, gain: float, *, skewed: bool = False) -> ClosedCase:
    """The same lots under a gain error common to all of them."""
    return ClosedCase(
        f"{'skewed' if skewed else 'normal'} lots {ratio:g} s, gain {gain:g} s, limit {limit / UNIT:g} s",
        "Production lots and a common gain error",
        "gamma distribution, quadrature" if skewed else "normal distribution, closed form",
        closed_forms.lots_and_gain(limit, UNIT, ratio * UNIT, gain * UNIT, skewed=skewed),
        limit,
        (normal("unit", UNIT), normal("common", gain * UNIT), _lot(ratio * UNIT, skewed)),
    )


def jump(limit: float, size: float, probability: float) -> ClosedCase:
    """A common gain error that is there with a probability, and is not else."""
    discrete = {
        "level": "common", "shape": "discrete", "values": ["0 uS", _uS(size)],
        "weights": [1.0 - probability, probability],
    }  # fmt: skip
    return ClosedCase(
        f"error {size / UNIT:g} s with probability {100 * probability:g} %, limit {limit / UNIT:g} s",
        "A common error of two values",
        "normal distribution, closed form",
        closed_forms.jump(limit, UNIT, size, probability),
        limit,
        (normal("unit", UNIT), discrete),
    )


def additive(section: str, limit: float, sds: tuple[float, ...], *, rectangular: bool) -> ClosedCase:
    """The additive model of JCGM 101: four inputs, normal or rectangular, of these standard deviations."""
    if rectangular:
        halves = [math.sqrt(3.0) * sd for sd in sds]
        share = handbook.share_of_uniform_sum(limit, halves)
        spreads = tuple(
            {"level": "unit", "shape": "rectangular", "low": _uS(-half), "high": _uS(half)} for half in halves
        )
    else:
        share = float(within(0.0, math.hypot(*sds), limit))
        spreads = tuple(normal("unit", sd) for sd in sds)
    what = f"four {'equal' if len(set(sds)) == 1 else 'unequal'} {'rectangular' if rectangular else 'normal'} inputs"
    return ClosedCase(
        f"{what}, limit {100 * limit:g} %",
        "Sums of inputs",
        f"JCGM 101:2008, {section}, {'distribution of a sum of uniforms' if rectangular else 'closed form'}",
        Exact(share, share),
        limit,
        spreads,
        unknown=False,
    )


def conformance(limit: float, mean: float) -> ClosedCase:
    """One normal error about a mean: the probability that a measured value conforms."""
    share = handbook.conformance_probability(mean, UNIT, -limit, limit)
    return ClosedCase(
        f"mean {mean / UNIT:g} s, limits +/- {limit / UNIT:g} s",
        "Probability of conformance",
        "JCGM 106:2012, 7.2, normal distribution",
        Exact(share, share),
        limit,
        (normal("unit", UNIT, mean),),
        unknown=False,
    )


def all_cases() -> tuple[ClosedCase, ...]:
    """Cases of the validation, in the order in which they are shown."""
    return (
        additive("9.2.2", 0.0392, (UNIT,) * 4, rectangular=False),
        additive("9.2.3", 0.0388, (UNIT,) * 4, rectangular=True),
        additive("9.2.4", 0.0340, (0.2 * UNIT,) * 3 + (2.0 * UNIT,), rectangular=True),
        conformance(0.02, 0.008),
        *bound_cases(),
    )


def bound_cases() -> tuple[ClosedCase, ...]:
    """Those that are about the lower bound: something unknown, lots, or both."""
    return (
        shared_gain(0.0196, 0.1),
        shared_gain(0.0196, 0.3),
        shared_gain(0.0196, 1.0),
        shared_gain(0.0258, 0.3),
        shared_gain(0.0258, 0.3, UNIT),
        few_units(0.025, 5),
        few_units(0.025, 6),
        few_units(0.025, 30),
        few_units(0.025, 100),
        one_point(0.015, 1.0, 1),
        one_point(0.015, 1.0, 2),
        two_gains(0.0258, 0.3, 0.5),
        few_units(0.025, 6, 0.3),
        lots(0.0258, 1.0),
        lots(0.0258, 1.0, skewed=True),
        lots_and_gain(0.0258, 0.5, 0.3),
        lots_and_gain(0.0258, 0.5, 0.3, skewed=True),
        jump(0.0196, 0.03, 0.15),
    )
