"""Sentences of a calibration plan, from its data alone."""

from __future__ import annotations

import math

from margin.case.types import CalibrationSpec
from margin.design.calibration_plan.candidates import in_one_unit
from margin.design.calibration_plan.result import CalibrationPlan, Plan
from margin.estimates import numbers
from margin.estimates.number_columns import bound_column, estimated, share_column

RATIO = (
    "Test uncertainty ratio: permissible error / expanded uncertainty U (coverage factor k = 2) of the reference at "
    "the same load, for one placement; U = 2 sqrt((u_gain · load)² + u_offset² + u_scatter²). A stated error that "
    "nothing corrects counts like a spread. At least 4 is a usual demand (common practice, no source)."
)
HEURISTIC = (
    "The search is a heuristic: load positions are improved one at a time on common draws, and another layout may be "
    "a little better. The yields do not depend on that: they are estimated on draws that had no part in the search."
)
NO_ADDING = (
    "--change gives another value to a key that an option has and cannot add an option: the plan is pasted as a "
    "[[calibration]] table."
)


def loads_in_words(spec: CalibrationSpec) -> str:
    """'8.3 and 60 N'; '–' for a calibration without loads."""
    if not spec.loads:
        return "–"
    shown, unit = in_one_unit(spec.loads)
    *first, last = shown
    return numbers.join(f"{', '.join(first)} and {last}" if first else last, unit)


def promise_in_words(found: CalibrationPlan, plan: Plan) -> str:
    """Time, yield and lower bound of a plan."""
    target = found.case.requirement.target
    (reached,) = share_column([estimated(plan.reached)])
    (bound,) = bound_column([estimated(plan.bound)], target)
    return (
        f"{numbers.plain(plan.seconds, 's')} a unit, yield {reached.text}, lower bound {bound.text} against "
        f"{numbers.percent(target)} required: {plan.verdict}"
    )


def steps_in_words(plan: Plan) -> str:
    """What the station does with a unit, and what firmware does with it."""
    spec = plan.spec
    if spec.kind == "none":
        return "no calibration"
    parts = ["the unloaded signal"] if spec.tare or spec.kind == "tare" else []
    if spec.loads:
        count = "load" if len(spec.loads) == 1 else f"{len(spec.loads)} loads"
        each = "" if len(spec.loads) == 1 else " each" if spec.reloads == 1 else " of each"
        times = f"once{each}" if spec.reloads == 1 else f"{spec.reloads} placements{each} averaged"
        branch = {"up": "on the way up", "down": "on the way down", "both": "on the way up and down"}[
            spec.direction
        ]
        parts.append(f"{count} ({loads_in_words(spec)}) {branch}, {times}")
    parts.append(f"dwell {numbers.plain(plan.dwell, 's')}")
    if spec.temperature_correction:
        parts.append("firmware corrects for the measured temperature")
    return "; ".join(parts)


def answer(found: CalibrationPlan) -> str:
    """The answer first: the plan to take, or the one that comes nearest."""
    chosen = found.chosen
    within = "" if found.most_seconds is None else f" within {numbers.plain(found.most_seconds, 's')} a unit"
    if chosen.verdict == "conforms":
        return f"{chosen.name!r} is the quickest plan{within} that conforms. {_sentence(found, chosen)}"
    shown = "none is shown to conform" if _undecided(found) else "none conforms"
    return f"Of the plans{within} {shown}; {chosen.name!r} comes nearest. {_sentence(found, chosen)}"


def _undecided(found: CalibrationPlan) -> bool:
    return any(plan.verdict == "undecided" for plan in found.plans)


def _sentence(found: CalibrationPlan, plan: Plan) -> str:
    steps = steps_in_words(plan)
    return f"{steps[0].upper()}{steps[1:]}. It takes {promise_in_words(found, plan)}."


def sureness(found: CalibrationPlan) -> str:
    """How sure the numbers are."""
    units = numbers.count(found.chosen.units)
    level = numbers.percent(found.case.requirement.confidence)
    return (
        f"Yields are from {units} units of draws that had no part in choosing the plans (seed "
        f"{found.case.study.seed}); the intervals of all plans hold together at {level}."
    )


def thermometer_line(found: CalibrationPlan) -> str:
    """What the plan would be without a thermometer; '' where the question does not arise."""
    if not found.chosen.thermometer or False not in found.corrections:
        return ""
    other = found.without
    if other is None:
        return "Without a thermometer no plan of the front is shown to conform."
    return f"Without a thermometer: {other.name!r}, {promise_in_words(found, other)}."


def unconfirmed_line(found: CalibrationPlan) -> str:
    """Plans that fresh draws left out; '' without any."""
    if not found.unconfirmed:
        return ""
    return (
        f"Left out, as fresh draws found them no better than a quicker plan: {'; '.join(found.unconfirmed)}."
    )


def reference_answer(found: CalibrationPlan) -> str:
    """How good the reference must be for the chosen plan."""
    need, chosen = found.need, found.chosen
    if not chosen.spec.loads:
        return "The plan uses no load: it asks nothing of the reference load cell."
    if not len(need.curve):
        return (
            "The case states no error of the reference load cell: state reference_gain, reference_offset or "
            "reference_scatter in [station]."
        )
    target = numbers.percent(found.case.requirement.target)
    if need.largest is None or need.least_ratio is None:
        return (
            f"Even with a perfect reference the lower bound stays below {target}: a better reference alone does not "
            "help."
        )
    largest, ratio, most = need.largest, need.least_ratio, numbers.plain(need.tried)
    at_most = numbers.plain(need.stated_ratio / need.tried)
    if math.isinf(largest.value):
        stays = (
            f"The lower bound stays at {target} or above up to {most} times the stated errors of the reference, the "
            f"most that was tried: a test uncertainty ratio of {at_most} at the loads of the plan"
        )
        if math.isinf(largest.low):
            return f"{stays} suffices."
        shown = f"{numbers.plain(largest.low)} times, a ratio of {_ratio(ratio.high)}"
        return f"{stays}; the interval of the bound does so up to {shown}."
    open_end = math.isinf(largest.high)
    top = f"more than {most}" if open_end else numbers.plain(largest.high)
    bottom = f"less than {at_most}" if open_end else numbers.plain(ratio.low)
    return (
        f"The reference may be {numbers.plain(largest.value)} ({numbers.plain(largest.low)} to {top}) times as "
        f"uncertain as stated before the lower bound falls below {target}: a test uncertainty ratio of "
        f"{numbers.plain(ratio.value)} ({bottom} to {_ratio(ratio.high)}), or {_uncertainty(found)}."
    )


def _uncertainty(found: CalibrationPlan) -> str:
    """The largest expanded uncertainty with its interval, at the load of the plan that needs the best reference."""
    need = found.need
    largest = need.largest_uncertainty
    assert largest is not None
    most = need.stated * need.tried
    scale = numbers.scale_for([largest.value, most], "N")
    top = numbers.plain(min(largest.high, most), scale=scale)
    top = f"more than {top}" if math.isinf(largest.high) else top
    bare = numbers.Scale(scale.factor, "")
    value, low = (numbers.plain(each, scale=bare) for each in (largest.value, largest.low))
    return f"U (k = 2) = {value} ({low} to {top}) at {numbers.plain(need.load, 'N')}"


def _ratio(value: float) -> str:
    return "no limit" if math.isinf(value) else numbers.plain(value)


def computed_lines(found: CalibrationPlan) -> tuple[str, ...]:
    """How the plan was found."""
    tried = " and ".join({False: "without", True: "with"}[each] for each in found.corrections)
    return (
        f"Searched: {numbers.count(found.candidates)} calibrations {tried} a thermometer, "
        f"{numbers.count(found.search_units)} units each on the same draws",
        "As the case has them: stage of the calibration, samples of a placement; options of the case compete with the "
        "rest, but for a curve of the lot",
        f"Front: plans whose gain over the quicker one is resolved by {numbers.count(found.choice_units)} units of "
        "other draws",
        f"Promised yields: draws of the study's own seed {found.case.study.seed}; confidence of each interval "
        f"{numbers.percent(found.confidence, digits=4)}",
        f"Time: handling, and loading, dwell and samples of each placement, as [station] states "
        f"them; margin {found.version}",
    )
