"""Sentences of findings on rare failures, from their plain data alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from margin.estimates import numbers
from margin.estimates.number_columns import PERCENT

Plain = Mapping[str, Any]

_PPM = numbers.Scale(1e6, "ppm")
_PPM_BELOW = 1e-3
METHODS = {
    "crude": "plain draws",
    "importance": "importance sampling",
    "subset": "subset sampling",
}
DRAWN_FOR_EVERY_UNIT = (
    "Epistemic uncertainty (few measured sensors, and the calibration station) is drawn afresh for every unit here: "
    "the probability is that of a unit of unknown origin, not a bound."
)


def probability_shown(values: Plain) -> str:
    """The probability with its interval, in ppm where it is small: '34 ppm (29 to 39 ppm)'."""
    found = values["probability"]
    scale = _PPM if found["high"] < _PPM_BELOW else PERCENT
    return numbers.with_interval(found["value"], found["low"], found["high"], scale=scale)


def _failure_probability(subject: str, values: Plain, action: str) -> str:
    level = numbers.percent(values["level"]["value"])
    return f"{probability_shown(values)} at {level}, calibration {subject!r}"


def one_in(values: Plain) -> str:
    """The probability as one unit in so many: 'about 1 unit in 29 000 (1 in 25 000 to 1 in 34 000)'; '' without one."""
    found = values["probability"]
    if not found["value"] or not found["low"]:
        return ""
    many, most, least = (numbers.count(_two_digits(1.0 / found[end])) for end in ("value", "low", "high"))
    return f"about 1 unit in {many} (1 in {least} to 1 in {most})"


def _two_digits(value: float) -> int:
    """A number of two significant digits."""
    return round(float(f"{value:.2g}"))


def permitted(values: Plain) -> str:
    """What the requirement permits to fail."""
    return (
        f"The requirement permits {numbers.percent(values['permitted']['value'])} of the units to fail; its verdict "
        "rests on the lower bound of the yield, which margin estimate reports."
    )


def _method(subject: str, values: Plain, action: str) -> str:
    how = METHODS[values["method"]]
    return (
        f"{how}, {numbers.count(values['evaluations'])} units evaluated ({numbers.count(values['searched'])} more to "
        f"find the failing unit): {values['why']}"
    )


def _cross_check(subject: str, values: Plain, action: str) -> str:
    sweeps = values["sweeps"]
    if not sweeps:
        return "none was made"
    runs = "1 independent run" if sweeps == 1 else f"{sweeps} independent runs"
    end = "nothing is missing now" if values["added"] else "no failing region was missed"
    return (
        f"{runs} of subset sampling, {numbers.count(values['evaluations'])} more units; design points added: "
        f"{values['added']}; {end if values['complete'] else 'incomplete, see the warning'}"
    )


def failing_at(condition: str, values: Plain) -> str:
    """'20 N in cool morning, error +2.41 N, permissible 2.4 N'."""
    within = "" if condition == "use" else f" in {condition}"
    load, error, permissible = (values[name]["value"] for name in ("load", "error", "permissible"))
    scale = numbers.scale_for([permissible], "N")
    found = numbers.with_sign(numbers.plain(error, scale=scale), True)
    return (
        f"{numbers.plain(load, 'N', digits=4)}{within}, error {found}, "
        f"permissible {numbers.plain(permissible, scale=scale)}"
    )


def _failing_unit(subject: str, values: Plain, action: str) -> str:
    distance = values["distance"]["value"]
    away = f"{distance:.1f} standard deviations from the median unit" if distance else "it is the median unit"
    return f"fails at {failing_at(subject, values)}; {away}"


def _factor(subject: str, values: Plain, action: str) -> str:
    where = f" ({values['where']})" if values["where"] else ""
    value = f" {values['value']}," if values["value"] else ""
    return f"{subject}{where}:{value} {score_shown(values)} standard deviations from the median"


def score_shown(values: Plain) -> str:
    """Standard deviations from the median: '+2.9'."""
    return f"{values['score']['value']:+.1f}"


def _computed(subject: str, values: Plain, action: str) -> str:
    return (
        f"seed {values['seed']}, at most {numbers.count(values['budget'])} units evaluated, coefficient of variation "
        f"wanted {values['target_cv']:g}, margin {values['version']}"
    )


SENTENCES: Mapping[str, Callable[[str, Plain, str], str]] = {
    "failure probability": _failure_probability,
    "method of a probability": _method,
    "cross-check of a probability": _cross_check,
    "warning": lambda subject, values, action: str(values["text"]),
    "most probable failing unit": _failing_unit,
    "no failing unit": lambda subject, values, action: "none was found",
    "factor of the failing unit": _factor,
    "epistemic uncertainty drawn for every unit": lambda subject, values, action: DRAWN_FOR_EVERY_UNIT,
    "computed rare failures": _computed,
}
