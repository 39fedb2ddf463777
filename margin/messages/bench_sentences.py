"""Sentences of findings of a bench, from their plain data alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from margin.estimates import numbers
from margin.estimates.bench_plans import plan_words
from margin.estimates.number_columns import PERCENT
from margin.estimates.numbers import Scale

Plain = Mapping[str, Any]

_PER_LOAD = "/N"
_PPM_BELOW = 0.01


def plural(noun: str, number: int) -> str:
    """The noun behind a number: 'reading' behind 1, else 'readings'."""
    return noun if number == 1 else f"{noun}s"


def title(values: Plain) -> str:
    """What was measured, in one line: 'Bench of 6 thin film sensors'."""
    return f"Bench of {values['sensors']} {values['kind']} {plural('sensor', values['sensors'])}"


def _measured(subject: str, values: Plain, action: str) -> str:
    sizes: dict[str, list[str]] = {}
    for each in values["setups"]:
        sizes.setdefault(_size(each), []).append(each["name"])
    setups = "; ".join(f"{_listed(names)} ({_each(names)}{size})" for size, names in sizes.items())
    number = values["readings"]
    return f"{numbers.count(number)} {plural('reading', number)} in {subject}: {setups}"


def _listed(names: Sequence[str]) -> str:
    return "; ".join(names)


def _each(names: Sequence[str]) -> str:
    return "" if len(names) == 1 else "each "


def _size(setup: Plain) -> str:
    each = ((setup["mountings"], "mounting"), (setup["cycles"], "cycle"), (setup["readings"], "reading"))
    sensors = f"{setup['sensors']} {plural('sensor', setup['sensors'])}"
    return " x ".join([sensors, *(f"{number} {plural(noun, number)}" for number, noun in each)])


def scale_of_merit(values: Sequence[float], unit: str) -> Scale:
    """The prefix that suits the largest of the values; a unit per newton takes that of its numerator.

    Small temperature coefficients are in ppm/K (common practice, no source).
    """
    if unit == "%/K" and max(map(abs, values), default=0.0) < _PPM_BELOW:
        return Scale(1e4, "ppm/K")
    if unit.endswith(_PER_LOAD):
        base = numbers.scale_for(list(values), unit.removesuffix(_PER_LOAD))
        return Scale(base.factor, f"{base.unit}{_PER_LOAD}")
    return numbers.scale_for(list(values), unit)


def _merit(subject: str, values: Plain, action: str) -> str:
    mean = values["mean"]
    if mean["low"] is None:
        scale = scale_of_merit([mean["value"]], mean["unit"])
        return f"{subject}, {values['setup']}: {numbers.plain(mean['value'], scale=scale)} (no interval)"
    return f"{subject}, {values['setup']}: {number_shown(mean)}"


def number_shown(number: Plain, *, signed: bool = False) -> str:
    """A number with its interval and unit."""
    value, low, high = number["value"], number["low"], number["high"]
    scale = scale_of_merit([low, value, high], number["unit"])
    return numbers.with_interval(value, low, high, scale=scale, signed=signed)


def _spread(subject: str, values: Plain, action: str) -> str:
    found = values["standard_deviation"]
    scale = PERCENT if found["unit"] == "share" else Scale(1.0, "")
    shown = (
        f"{numbers.plain(found['value'], scale=scale)} (no interval)"
        if found["low"] is None
        else numbers.with_interval(found["value"], found["low"], found["high"], scale=scale)
    )
    return f"{subject} per {values['level']}, {values['setup']}: standard deviation {shown}"


def _model(subject: str, values: Plain, action: str) -> str:
    shown = f"{values['model']} (weight {numbers.plain(values['weight']['value'], digits=2)}"
    if values["next"] is not None:
        shown += f"; next {values['next']['model']}, AICc {values['next']['aicc_above_best']:.1f} higher"
    shown += ")"
    if values["lack_of_fit"] is None:
        return f"{shown}; lack of fit not testable without repeated loads"
    return f"{shown}; lack of fit resolved in {values['lack_of_fit']} of {values['sensors']} sensors"


def pair_shown(values: Plain) -> str:
    """'hard against soft': the second against the first."""
    return f"{values['second']} against {values['first']}"


def _test(values: Plain) -> str:
    return f"at {numbers.percent(values['confidence']['value'])}, {values['test']}"


def _difference(subject: str, values: Plain, action: str) -> str:
    shown = number_shown(values["difference"], signed=True)
    return f"{subject}: {pair_shown(values)} differs by {shown} {_test(values)}"


def _no_difference(subject: str, values: Plain, action: str) -> str:
    shown = number_shown(values["difference"], signed=True)
    return f"{subject}: {pair_shown(values)}, no difference resolved; {shown} {_test(values)}"


def _not_available(subject: str, values: Plain, action: str) -> str:
    where = f" ({'; '.join(values['where'])})" if values["where"] else ""
    measure = f". Measure next: {action}" if action else ""
    return f"{'; '.join(values['what'])}{where}: {values['why']}{measure}"


def _plan(plan: Plain) -> str:
    return plan_words(plan["measure"], plan["added"])


def _gain(plan: Plain) -> str:
    """'132 readings'."""
    return f"{numbers.count(plan['readings'])} readings"


def _next(subject: str, values: Plain, action: str) -> str:
    best, second = values["plan"], values["then"]
    shown = (
        f"{_plan(best)} ({_gain(best)}), the largest gain per reading: the interval on the {subject} becomes "
        f"{_percent(best)} narrower"
    )
    if second is None:
        return shown
    return f"{shown}; after that {_plan(second)} ({_gain(second)}, {_percent(second)} narrower)"


def _percent(plan: Plain) -> str:
    return numbers.join(f"{100.0 * plan['narrower']['value']:.0f}", "%")


def _next_for_interval(subject: str, values: Plain, action: str) -> str:
    plan = values["plan"]
    return f"{_plan(plan)} ({_gain(plan)}): so far the {subject} has no interval at all"


def _none_narrows(subject: str, values: Plain, action: str) -> str:
    shown = f"no plan narrows the interval on the {subject} by more than the draws resolve"
    other = values["instead"]
    return (
        shown
        if other is None
        else f"{shown}; {SENTENCES[other['kind']](other['subject'], other['values'], '')}"
    )


def _computed(subject: str, values: Plain, action: str) -> str:
    drawn = ""
    if values["units"] is not None:
        drawn = f"; outlook on {numbers.count(values['units'])} units, seed {values['seed']}"
    return f"{numbers.percent(values['confidence']['value'])} intervals{drawn}; margin {values['version']}"


SENTENCES: Mapping[str, Callable[[str, Plain, str], str]] = {
    "bench measured": _measured,
    "figure of merit": _merit,
    "spread by level": _spread,
    "model supported": _model,
    "no model fits every sensor": lambda subject, values, action: (
        "no candidate model could be fitted to every sensor"
    ),
    "difference of two setups": _difference,
    "no difference of two setups resolved": _no_difference,
    "not available": _not_available,
    "measure next": _next,
    "measure next for an interval": _next_for_interval,
    "no plan narrows": _none_narrows,
    "no outlook": lambda subject, values, action: "not determined, see the figures that are not available",
    "note on the data": lambda subject, values, action: str(values["text"]),
    "computed bench": _computed,
}
