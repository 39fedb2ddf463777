"""Sample size and duration of a test that shows a life, and what a finished test leaves open.

A test is passed where no more units fail than allowed. With n units of reliability R each, and failures independent,
the number that fails is binomial; the test shows R with confidence C where a population of reliability R passes it with
a probability of at most 1 - C.
"""

from __future__ import annotations

import math

from scipy.stats import beta, binom, chi2

from distributions.errors import InvalidArgument

MOST_UNITS = 10_000_000
"""Sample size beyond which a test is no plan."""


def units_needed(
    reliability: float, confidence: float, *, failures: int = 0, duration: float = 1.0, shape: float = 1.0
) -> int:
    """Smallest number of units whose test shows the reliability.

    reliability, confidence  shares between 0 and 1: of units that live, of the statement
    failures   that the test allows
    duration   of the test, as a multiple of the life to be shown
    shape      of the Weibull distribution of lives, taken as known (Weibayes); without effect at a duration of 1

    A unit that would live with R survives a test of L lives with R^(L^shape). Success run for no failures:
    n = ln(1 - C) / (L^shape ln R) (Abernethy, The New Weibull Handbook, chapter 6, from memory). InvalidArgument for
    other values, and where more than 10 million units were needed.

    >>> units_needed(0.9, 0.9), units_needed(0.95, 0.95)
    (22, 59)
    """
    survival = survival_of_test(reliability, duration, shape)
    _require_share("confidence", confidence)
    _require_count("failures", failures)

    def passes(units: int) -> bool:
        # the difference to 1 of a tiny share of failures is kept by logarithms
        return bool(binom.cdf(failures, units, -math.expm1(math.log(survival))) <= 1.0 - confidence)

    low, high = failures, failures + 1
    while not passes(high):
        low, high = high, 2 * high
        if high > MOST_UNITS:
            raise InvalidArgument(
                f"more than {MOST_UNITS} units would have to be tested: test for longer, allow fewer failures, or "
                "show a lower reliability"
            )
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if passes(middle) else (middle, high)
    return high


def survival_of_test(reliability: float, duration: float, shape: float) -> float:
    """Probability that a unit of this reliability over one life survives a test of `duration` lives: R^(L^shape).

    InvalidArgument for a reliability outside 0 to 1, a duration or shape not above 0, and a probability that is 0 or 1
    as a number.
    """
    _require_share("reliability", reliability)
    _require_positive("duration", duration)
    _require_positive("shape", shape)
    try:
        survival = math.exp(duration**shape * math.log(reliability))
    except OverflowError:
        survival = 0.0
    if not 0.0 < survival < 1.0:
        raise InvalidArgument(
            f"a test of {duration:g} lives with a shape of {shape:g} says nothing of a reliability of {reliability:g}: "
            f"{'every' if survival == 1.0 else 'no'} unit would survive it; state another duration"
        )
    return survival


def reliability_shown(
    units: int, confidence: float, *, failures: int = 0, duration: float = 1.0, shape: float = 1.0
) -> float:
    """Reliability over one life that a finished test shows: lower end of its one-sided interval; 0 where all failed.

    units, failures  tested, and failed before the end
    duration, shape  see `units_needed`

    Clopper and Pearson (Biometrika 26, 1934) for the survival of the test, brought to one life by the shape.
    InvalidArgument for other values.

    >>> round(reliability_shown(22, 0.9), 3)
    0.901
    """
    _require_count("units", units)
    _require_count("failures", failures)
    if not 0 <= failures <= units or units < 1:
        raise InvalidArgument(
            f"{failures} of {units} units cannot have failed; state all units that were tested"
        )
    _require_share("confidence", confidence)
    _require_positive("duration", duration)
    _require_positive("shape", shape)
    if failures == units:
        return 0.0
    survival = float(beta.ppf(1.0 - confidence, units - failures, failures + 1))
    return math.exp(math.log(survival) / duration**shape) if survival > 0.0 else 0.0


def life_shown(times: float, failures: int, confidence: float, *, shape: float, reliability: float) -> float:
    """Life that a share `reliability` of units reaches, at least, from a test with a stated shape (Weibayes).

    times  sum of t^shape over all units tested, t the time of each in any one unit, failed or not

    Characteristic life eta = (2 times / chi2(C; 2 r + 2))^(1 / shape), of which a share R lives
    eta (-ln R)^(1 / shape), in the unit of the times; Abernethy, as above. With no failure this is the success run.
    InvalidArgument for values outside their range.

    >>> round(life_shown(22 * 1000.0**2, 0, 0.9, shape=2.0, reliability=0.9))
    1003
    """
    _require_positive("sum of times", times)
    _require_count("failures", failures)
    _require_share("confidence", confidence)
    _require_share("reliability", reliability)
    _require_positive("shape", shape)
    scale = 2.0 * times / float(chi2.ppf(confidence, 2 * failures + 2))
    return float((scale * -math.log(reliability)) ** (1.0 / shape))


def _require_share(name: str, value: float) -> None:
    if not 0.0 < value < 1.0:
        raise InvalidArgument(f"the {name} is {value:g}; it lies between 0 and 1, both excluded")


def _require_positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise InvalidArgument(f"the {name} is {value:g}; it must be above 0 and finite, such as 1")


def _require_count(name: str, value: int) -> None:
    if value != int(value) or value < 0:
        raise InvalidArgument(f"the number of {name} is {value}; it is a whole number from 0")
