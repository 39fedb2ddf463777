"""Looks of a study that draws until its verdict is decided: sufficiency, and units still needed."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from margin.calibration.cost import seconds_per_unit
from margin.case.build import nominal_element
from margin.case.types import LEAST_INNER, CalibrationSpec, Case
from margin.estimates.outer_draws import noise_and_scatter
from margin.estimates.yield_result import Verdict, Yield
from margin.estimates.yields import cells_of, yield_of
from margin.propagation.plan import FIRST_OUTER, PILOT_INNER, PILOT_OUTER, Plan
from margin.propagation.run_result import RunResult

NOISE_OVER_SCATTER = 0.5
"""Variance of counting relative to that between outer draws that a study is laid out for: the bias that it brings is
then a fifth of the scatter, and extrapolated away; with more units a draw there would be fewer draws."""

FAILURES = 12.0
"""Units of an outer draw that fail at the required yield, at least: with fewer a yield takes few values, and the
interval of the bound is wide (see `outer_draws.FEW_FAILURES`)."""

USUAL_INNER = 256
"""Most units in an outer draw where no verdict hangs on it."""

MOST_TIMES = 1000.0
"""Times the units of a study beyond which more draws are no advice."""


def confidence_at(case: Case, plan: Plan) -> float:
    """Confidence of the intervals that a verdict is read from.

    A study of fixed size is looked at once. One that draws on spends half of what is left of its error at each look,
    so that all looks together stay within it (Bonferroni's inequality; spending as Lan and DeMets, 'Discrete
    sequential boundaries for clinical trials', Biometrika 70, 1983).
    """
    stated = case.requirement.confidence
    if case.study.draw == "all units":
        return stated
    return float(1.0 - (1.0 - stated) * 0.5 ** len(plan.looks))


def in_order_of_effort(case: Case) -> tuple[CalibrationSpec, ...]:
    """Calibration options by time on the station; of those that cost the same, those without a thermometer first, then
    as the case lists them. The order does not depend on what is drawn."""
    station = nominal_element(case.elements["station"])

    def effort(spec: CalibrationSpec) -> tuple[float, bool]:
        return seconds_per_unit(spec, station, case.study.units_per_lot), spec.temperature_correction

    return tuple(sorted(case.calibrations, key=effort))


def verdicts_at(drawn: RunResult) -> dict[str, Verdict]:
    """Verdict of each option's yield by what has been drawn."""
    need = drawn.model.case.requirement
    return {name: found.verdict(need.target) for name, found in _decisive(drawn).items()}


def is_decided(case: Case, verdicts: Mapping[str, Verdict]) -> bool:
    """Whether no option that could be recommended is undecided: none that takes less effort than the first that
    conforms."""
    for spec in in_order_of_effort(case):
        if verdicts[spec.name] == "undecided":
            return False
        if verdicts[spec.name] == "conforms":
            return True
    return True


def decided(drawn: RunResult) -> bool:
    """Whether what has been drawn suffices for the recommendation."""
    return is_decided(drawn.model.case, verdicts_at(drawn))


def inner_size(pilot: RunResult) -> int:
    """Units in an outer draw for the study that follows a pilot: a power of two.

    As many as keep the noise of counting below NOISE_OVER_SCATTER of the scatter between outer draws, for the options
    that the pilot leaves undecided, and as let some units fail in each draw at the required yield.
    """
    case, frame = pilot.model.case, pilot.plan.frame
    verdicts, counts = verdicts_at(pilot), case.requirement.counts
    wanted: dict[str, float] = {}
    for name, tally in pilot.tallies.items():
        noise, scatter = noise_and_scatter(cells_of(frame, tally, counts))
        # a scatter below the error of its own estimate is not resolved
        least = noise * math.sqrt(2.0 / PILOT_OUTER)
        wanted[name] = (
            PILOT_INNER * noise / (NOISE_OVER_SCATTER * max(scatter, least)) if noise > 0.0 else 0.0
        )
    open_ones = [wanted[name] for name, verdict in verdicts.items() if verdict == "undecided"]
    size = max(open_ones) if open_ones else min(float(np.median(list(wanted.values()))), USUAL_INNER)
    some_fail = FAILURES / max(1.0 - case.requirement.target, 1e-6)
    most = max(case.study.units // FIRST_OUTER, LEAST_INNER)
    return 1 << round(math.log2(min(max(size, some_fail), most)))


def units_to_decide(found: Yield, target: float, units: int) -> int | None:
    """Units that would probably decide an undecided verdict; None where they are out of reach.

    Intervals narrow with the root of the outer draws or units.
    """
    bound = found.bound
    distance = abs(bound.value - target)
    half = bound.value - bound.low if bound.value >= target else bound.high - bound.value
    times = math.inf if distance <= 0.0 else (half / distance) ** 2
    if times > MOST_TIMES:
        return None
    needed = units * max(times, 1.0)
    step = 10.0 ** (math.floor(math.log10(needed)) - 1)
    return int(math.ceil(needed / step * (1.0 - 1e-9)) * step)


def _decisive(drawn: RunResult) -> dict[str, Yield]:
    case, frame = drawn.model.case, drawn.plan.frame
    confidence = confidence_at(case, drawn.plan)
    return {
        name: yield_of(frame, tally, case.requirement.counts, confidence)
        for name, tally in drawn.tallies.items()
    }
