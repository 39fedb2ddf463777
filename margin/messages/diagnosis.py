"""Sentences of a diagnosis: whether anything is unusual, what, how sure that is, and what the data cannot tell."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN

from margin.bench.data.counted import counted
from margin.bench.merits.sweeps import SAME_TEMPERATURE
from margin.diagnosis.comparison import Compared
from margin.diagnosis.result import Diagnosed
from margin.estimates import numbers

NOT_SEEN = (
    "'Nothing unusual' does not say that nothing has changed: a change within the limits of a figure stays unseen. "
    "Loads that a calibrated firmware reports, or a baseline of more sensors, narrow them."
)
SAFETY = (
    "A diagnosis from readings is no inspection: look for damage before what reads low is loaded further."
)
OF_BENCH = (
    "The sensors of the bench stand for production only if they were drawn at random from it; a prototype of another "
    "lot may differ by what lots differ."
)
OF_CASE = (
    "The limits are those of the case: where its spreads are too narrow, an ordinary prototype looks unusual; where "
    "they are too wide, an unusual one looks ordinary."
)

ALIKE = 0.01
"""Share by which an applied load may exceed the load range: loads of a bench are nominal."""

_FINEST = -4
"""Last decimal place of a figure: 0.1 mN."""


def chance(p: float) -> str:
    """A probability: '0.03', '< 0.001'."""
    return "< 0.001" if p < 1e-3 else numbers.plain(p, digits=2)


def value_of(one: Compared) -> str:
    """Value with its unit, to a hundredth of the interval."""
    return f"{_rounded(one.value, one)} {one.figure.unit}"


def expected_of(one: Compared) -> str:
    """What is expected of an unchanged unit, without its unit."""
    return _rounded(one.expected, one)


def limits_of(one: Compared) -> str:
    """The limits within which an unchanged unit is expected."""
    return f"{_rounded(one.low, one)} to {_rounded(one.high, one)} {one.figure.unit}"


def _rounded(value: float, one: Compared) -> str:
    """To two digits of the half-width of the interval."""
    half = 0.5 * (one.high - one.low)
    last = numbers.first_digit(half if half > 0.0 else one.value or 1.0) - 1
    shown = numbers.fixed(value, max(last, _FINEST), ROUND_HALF_EVEN)
    return "0" if float(shown) == 0.0 else shown


def headline(found: Diagnosed) -> str:
    """The answer in a few words."""
    comparison = found.comparison
    if comparison.nothing_unusual:
        return "nothing unusual"
    count = len(comparison.unusual)
    if not count:
        return "unusual: the figures together, no single one"
    return f"unusual: {comparison.unusual[0].figure.name}" + (f" and {count - 1} more" if count > 1 else "")


def answer(found: Diagnosed) -> tuple[str, ...]:
    """The answer and, where something is unusual, what."""
    comparison = found.comparison
    total = len(comparison.figures)
    if comparison.nothing_unusual:
        return (
            f"Nothing unusual: all {total} figures of {found.prototype.label} lie within what production, remounting "
            f"and measurement explain (smallest probability, for as many comparisons, {chance(comparison.smallest)}).",
        )
    lines = []
    for one in comparison.unusual[:3]:
        lines.append(
            f"{one.figure.name[:1].upper()}{one.figure.name[1:]} is {value_of(one)}, where {limits_of(one)} is "
            f"expected; probability {chance(one.adjusted)} for as many comparisons."
        )
    rest = len(comparison.unusual) - len(lines)
    if rest > 0:
        lines.append(f"{rest} further {'figure is' if rest == 1 else 'figures are'} unusual.")
    together = comparison.together
    if together is not None and together.unusual and not lines:
        lines.append(
            "No single figure is unusual, but all together are: they do not go together as in other units (probability "
            f"{chance(together.adjusted)})."
        )
    first = f"Unusual: {len(comparison.unusual)} of {total} figures of {found.prototype.label}."
    return (first, *lines) if comparison.unusual else tuple(lines)


def how_sure(found: Diagnosed) -> tuple[str, ...]:
    """How the probabilities were had and what they mean."""
    comparison, risk = found.comparison, numbers.percent(1.0 - found.comparison.confidence)
    how = (
        "prediction limits by Student's t for one more unit of a normal production"
        if comparison.method == "Student t"
        else "the place of the prototype among the units drawn"
    )
    lines = [
        f"Baseline: {found.baseline.name}; {how}.",
        f"An unchanged prototype is called unusual with at most {risk}, all comparisons together (Holm).",
    ]
    if found.baseline.elsewhere:
        usual = counted(found.prototype.shape.runs, "run")
        lines.append(
            f"Temperatures: {usual} at {found.prototype.temperature:g} degC, compared with "
            f"{found.prototype.runs_elsewhere}."
        )
    if found.baseline.plan is not None and found.baseline.plan.age > 0.0:
        lines.append(
            f"Age of the prototype: {found.baseline.plan.age:g} h, in service as the case states it."
        )
    together = comparison.together
    if together is not None:
        lines.append(
            f"All figures together ({together.method} of {len(together.names)}): probability "
            f"{chance(together.p)}, for as many comparisons {chance(together.adjusted)}."
        )
    return tuple(lines)


def cautions(found: Diagnosed) -> tuple[str, ...]:
    """What the answer rests on."""
    own = OF_BENCH if found.baseline.by == "bench" else OF_CASE
    return (*found.prototype.cautions, *_beyond(found), *_other_loads(found), NOT_SEEN, own, SAFETY)


def _beyond(found: Diagnosed) -> tuple[str, ...]:
    """Runs at temperatures for which the case states nothing."""
    (low, high), shape = found.baseline.stated, found.baseline.shape
    beyond = [
        f"{each.temperature:g} degC"
        for each in (shape, *shape.elsewhere)
        if not low - SAME_TEMPERATURE <= each.temperature <= high + SAME_TEMPERATURE
    ]
    if not beyond:
        return ()
    span = f"{low:.3g} to {high:.3g} degC" if high > low else f"{low:.3g} degC"
    return (
        f"Runs at {', '.join(beyond)}: use, calibration and design curve of the case lie at {span}. What is expected "
        "there rests on its temperature coefficients alone; check the temperatures of the readings.",
    )


def _other_loads(found: Diagnosed) -> tuple[str, ...]:
    """Readings up to a load below or above the load range of the case, as those in another unit are."""
    (low, high), top = found.baseline.load_range, found.prototype.shape.top
    if low <= top <= (1.0 + ALIKE) * high:
        return ()
    return (
        f"Loads up to {top:.3g} N, where the load range of the case is {low:.3g} to {high:.3g} N: check the unit of "
        "the loads. What is expected there is extrapolated.",
    )


def missing(found: Diagnosed) -> tuple[str, ...]:
    """Figures that the data cannot give, each with what to measure."""
    return tuple(f"{one.what}: {one.why}; measure {one.measure}" for one in found.baseline.missing)


CATALOGUE = (
    "Causes are those of the catalogue, each with the shape that the catalogue gives it: a cause of another shape can "
    "be taken for one of them, with a high probability too. Confirm by a test before anything is changed."
)


def causes(found: Diagnosed) -> tuple[str, ...]:
    """Which causes explain the readings, which act alike, and what to test next; or why none were ranked."""
    if found.causes is None:
        return (f"Causes were not ranked: {found.no_causes}.",)
    ranking = found.causes.ranking
    names, probability = ranking.ranking[0]
    leads = " or ".join(names)
    shown = numbers.percent(min(probability, 0.999), digits=2)
    lines = {
        "ambiguous": f"Most probable, and not settled: {leads} ({shown}).",
        "one cause": f"Most probable cause: {leads} ({shown}, where the catalogue holds the true one).",
        "alike": f"Most probable: {leads}, which act alike in these readings ({shown} together).",
        "nothing unusual": f"No cause of the catalogue is more probable than that nothing is unusual ({shown}).",
        "none of the catalogue": f"No cause of the catalogue explains the readings ({shown}): look for another one.",
    }
    told = [lines[ranking.verdict]]
    if ranking.pairs:
        told.append(f"Two causes together would explain more: {' and '.join(ranking.pairs[0].names)}.")
    if found.causes.tests:
        first = found.causes.tests[0]
        between = f", which separates {', '.join(first.separates)}" if first.separates else ""
        told.append(f"Next test: {first.name} (about {first.test.minutes:g} min){between}.")
    return (*told, CATALOGUE)
