"""Sentences of an acceptance test: the answer, how sure it is, what it costs, how to run it again."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from margin.case.again import words_of
from margin.design.acceptance.choice import least_outer
from margin.design.acceptance.counts import STEPS
from margin.design.acceptance.result import Acceptance, LimitRisks
from margin.design.acceptance.shares import Share
from margin.estimates import numbers
from margin.estimates.yield_result import Estimate

SAFETY = (
    "A guard band limits how many bad units are shipped. It is no safety assessment of the product: where a wrong "
    "force can hurt somebody or damage goods, assess that hazard, and follow the codes that hold where it is used."
)
ONLY_WHAT_IS_TESTED = (
    "The test sees each unit once, new, at one station's temperature, dwell and direction of load. What comes later in "
    "use, such as other temperatures, ageing and other placements, it cannot sort out: compare the shares bad in use "
    "with those bad at the station."
)
SIMULATED = (
    "Units are loaded again at the station after their calibration: placement, readings, temperature and dwell are "
    "drawn afresh. Nothing is assumed of the test beyond the case."
)
COSTS = "Costs count wrong decisions alone: bad units shipped and good units scrapped."

_MUCH = 0.5
"""Share scrapped from which a test limit is no remedy (common practice, no source)."""


def share_text(found: Estimate) -> str:
    """'0.77 % (0.70 to 0.84 %)'; a share of nothing says so."""
    reason = "nothing is shipped"
    value = numbers.share_value(found.value, found.low, found.high, reason=reason)
    return (
        f"{value} ({numbers.share_interval(found.low, found.high)})" if found.value == found.value else value
    )


def limit_text(limit: float | None) -> str:
    """A test limit as a multiple of the permissible error."""
    return "no test" if limit is None else numbers.plain(limit, digits=4)


def headline(found: Acceptance) -> str:
    """The answer in one line."""
    risk = f"consumer's risk of {_percent(found.risk)}"
    if found.verdict == "conforms":
        if found.chosen.limit is None:
            return f"{risk} is kept without a test"
        return f"test limit {limit_text(found.chosen.limit)} of the permissible error keeps a {risk}"
    return (
        f"no test limit is shown to keep a {risk}"
        if found.verdict == "undecided"
        else f"no test limit keeps a {risk}"
    )


def answer(found: Acceptance) -> tuple[str, ...]:
    """The test limit for the stated risk, what it leaves bad and what it scraps; or why there is none."""
    at, risk = found.chosen, found.chosen_risk
    left = f"{share_text(risk.sampled)} of the {_whole(found)} {_bad(found)}"
    stated = f"at most {_percent(found.risk)} was asked for"
    if found.verdict == "conforms" and at.limit is None:
        return (f"No test is needed for the stated risk: {left}; {stated}.", _field(found))
    if found.verdict == "conforms":
        ship = f"Ship units whose largest error at the test loads is at most {_limit(found, at)}."
        return ship, f"Then {left}; {stated}.", _scrap(at), _field(found)
    where = "without a test" if at.limit is None else f"at a limit of {_limit(found, at)}"
    if found.verdict == "undecided":
        drawn = numbers.count(found.units)
        return (
            f"Undecided by the {drawn} units drawn: no test limit is shown to keep the stated risk.",
            f"{'Nearest' if found.estimated is None else 'By the estimate alone'}, {where}: {left}, {_bound(risk)}; "
            f"{stated}.",
            *(() if at.limit is None else (_scrap(at),)),
            _more(found),
        )
    return (
        f"No test limit keeps the stated risk. Nearest, {where}: {left}; {stated}.",
        *(() if at.limit is None else (_scrap(at),)),
        "Bad units that the test cannot tell from good ones remain: reduce what makes them bad (margin budget).",
    )


def changes_of(found: Acceptance) -> dict[str, str]:
    """Changes of the case that let an undecided study decide; none where more units do, or nothing is undecided."""
    least = least_outer(found.case.requirement.confidence)
    if found.verdict != "undecided" or found.outer == 1 or found.outer >= least:
        return {}
    return {"study.outer": str(4 * least)}


def _more(found: Acceptance) -> str:
    """What an undecided study needs."""
    for key, value in changes_of(found).items():
        return (
            f"{found.outer} outer draws are too few for an upper bound: draw more, such as --change {key}={value} "
            f"--units {max(found.asked, 64 * int(value))}."
        )
    return f"Draw more units to decide, such as --units {4 * found.asked}."


def how_sure(found: Acceptance) -> tuple[str, ...]:
    """Intervals, epistemic uncertainty, and the uncertainty of the test itself."""
    level = numbers.percent(found.case.requirement.confidence)
    lines = [f"Intervals at {level} from {numbers.count(found.units)} simulated units."]
    if found.chosen_risk.draws is not None:
        lines.append(
            f"Over {numbers.count(found.outer)} outer draws (epistemic uncertainty, among it the station's reference): "
            f"{_bound(found.chosen_risk)}. The verdict holds the upper end of that bound against the stated risk."
        )
    if found.expanded == 0.0:
        lines.append("The reference of the station has no error in this case: no guard band follows from it.")
    else:
        lines.append(
            f"Expanded uncertainty of the test (k = 2): U = {numbers.percent(found.expanded)} of the permissible error "
            f"at {numbers.plain(found.at_load, 'N')}, the worst test load; test uncertainty ratio "
            f"{numbers.plain(found.ratio)}. It holds errors of the reference alone; placement and noise of the unit "
            "itself are simulated beside it."
        )
    lines.append(f"Limits are found in steps of {numbers.percent(1.0 / STEPS)} of the permissible error.")
    return tuple(lines)


def cost_lines(found: Acceptance) -> tuple[str, ...]:
    """What scrap and field failures cost, where costs are stated."""
    costs = found.costs
    if costs is None:
        return ("No costs are stated: --cost-bad and --cost-good give the limit of lowest cost.",)
    ends = (limit_text(costs.low), limit_text(costs.high))
    span = ends[0] if ends[0] == ends[1] else " to ".join(ends)
    return (
        f"Lowest cost with {numbers.plain(costs.bad)} for a shipped bad and {numbers.plain(costs.good)} for a scrapped "
        f"good unit: limit {limit_text(costs.limit)}, {_cost(costs.cost)} a unit produced; {_cost(costs.untested)} "
        f"without a test. Limits that the draws do not tell from it: {span}.",
        COSTS,
    )


def warnings(found: Acceptance) -> tuple[str, ...]:
    """What is wrong with the answer, how much it matters and what to do."""
    lines = []
    scrapped = found.chosen.scrapped.sampled.value
    if scrapped > _MUCH:
        lines.append(
            f"{numbers.percent(scrapped)} of the units are scrapped at this limit: the test is no remedy for the "
            "design. Reduce the leading causes first (margin budget)."
        )
    if found.verdict == "conforms" and found.chosen.limit is not None and found.chosen.limit > 1.0:
        lines.append(
            "The limit lies beyond the permissible error (relaxed acceptance): units are shipped that the station saw "
            "beyond it. Agree on that with the customer, or test at simple acceptance."
        )
    return tuple(lines)


def command_of(found: Acceptance, start: Sequence[str] = ()) -> str:
    """The command that gives this result again. start: its words up to the case and its changes."""
    words = list(start) or words_of(found.case, "accept", seed=True)
    words += ["--option", found.option, "--risk", _percent(found.risk).replace("\N{NO-BREAK SPACE}", " ")]
    test = found.test
    stated: tuple[tuple[str, object, object], ...] = (
        ("--risk-of", found.of, "shipped"),
        ("--against", found.against, "use"),
        ("--reloads", test.reloads, 1),
        ("--samples", test.samples, 1),
        ("--station", test.station, "same"),
    )
    for name, value, default in stated:
        words += [] if value == default else [name, str(value)]
    if test.loads != found.case.check_loads:
        for load in test.loads:
            words += ["--test-load", f"{load!r} N"]
    for limit in found.further:
        words += ["--limit", repr(limit)]
    if found.costs is not None:
        words += ["--cost-bad", repr(found.costs.bad), "--cost-good", repr(found.costs.good)]
    words += ["--units", str(found.asked)]
    words += [] if "--seed" in words else ["--seed", str(found.case.study.seed)]
    return shlex.join(words)


def _percent(risk: float) -> str:
    return numbers.percent(risk, digits=6)


def _whole(found: Acceptance) -> str:
    units = "readings of the units" if _of_readings(found) else "units"
    return f"{units} {found.of}"


def _of_readings(found: Acceptance) -> bool:
    return found.against == "use" and found.case.requirement.counts == "readings"


def _bad(found: Acceptance) -> str:
    also = "are shipped and " if found.of == "produced" else ""
    if _of_readings(found):
        return f"{also}lie beyond the permissible error in use"
    return also + (
        "fail in use" if found.against == "use" else "are beyond the permissible error at the station"
    )


def _limit(found: Acceptance, at: LimitRisks) -> str:
    limit = at.limit or 0.0
    band = 1.0 - limit
    multiple = f", {numbers.plain(band / found.expanded, digits=2)} U" if found.expanded > 0.0 else ""
    return f"{limit_text(limit)} of the permissible error there (guard band {numbers.percent(band)} of it{multiple})"


def _scrap(at: LimitRisks) -> str:
    good = share_text(at.use.scrapped_good.sampled)
    return f"The test scraps {share_text(at.scrapped.sampled)} of the units produced, good ones among them: {good}."


def _field(found: Acceptance) -> str:
    """Failures in use of what is shipped against the requirement; the share itself where it is not that of the risk."""
    field = found.chosen.use.bad_of_shipped
    said = (found.of, found.against) == ("shipped", "use")
    share = "" if said else f" {share_text(field.sampled)},"
    return (
        f"Field failures among the units shipped:{share} {_bound(field)}; the requirement allows "
        f"{_percent(1.0 - found.case.requirement.target)}: {found.field_verdict}. Without a test "
        f"{share_text(found.chosen.use.bad.sampled)} would fail."
    )


def _bound(share: Share) -> str:
    return f"upper bound {share_text(share.bound)}"


def _cost(found: Estimate) -> str:
    return numbers.with_interval(found.value, found.low, found.high)
