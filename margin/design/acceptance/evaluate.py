"""Acceptance test of a case, from its units to the limit that keeps a stated consumer's risk."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np

from distributions.errors import InvalidArgument
from margin.case.types import Case
from margin.design.acceptance import risks
from margin.design.acceptance.choice import Operating
from margin.design.acceptance.counts import Counted, draw_and_count, limits_of
from margin.design.acceptance.result import AGAINST, OF, Acceptance, Against, LimitRisks, Of, Rule
from margin.design.acceptance.station_test import STATIONS, Station, StationTest, permissible_at
from margin.estimates.stages import Stage, no_progress
from margin.propagation.model import model_of
from margin.propagation.plan import plan_of
from margin.propagation.threads import default_workers
from margin.version import version

UNITS = 100_000
"""Units of a study that does not state them: a risk of 1 % is then known to a tenth of itself."""

LEAST_UNITS = 100
"""Fewest units of a study: fewer cannot show a risk of a few percent."""

RISK = 0.01
"""Consumer's risk where none is stated (common practice, no source)."""

MOST_LIMIT, MOST_PLACEMENTS = 10.0, 100

TABLE = (0.0, *(round(0.05 * k, 2) for k in range(4, 31)))
"""Limits of the operating table, as multiples of the permissible error; no test is added."""

COVERAGE = 2.0
"""Coverage factor of the expanded uncertainty of the test (common practice; JCGM 100, 6.3.3, from memory)."""

MULTIPLES = (0.0, 0.5, 1.0, 1.5)
"""Guard bands that are compared, as multiples of the expanded uncertainty: r = 0 is simple acceptance, 1 the rule of
ISO 14253-1 (JCGM 106, 8.3.2; from memory)."""


def acceptance(
    case: Case,
    option: str,
    *,
    risk: float = RISK,
    of: Of = "shipped",
    against: Against = "use",
    loads: Sequence[float] | None = None,
    reloads: int = 1,
    samples: int = 1,
    station: Station = "same",
    limits: Sequence[float] = (),
    cost_bad: float | None = None,
    cost_good: float | None = None,
    units: int | None = None,
    workers: int | None = None,
    block: int | None = None,
    stage: Stage = no_progress,
) -> Acceptance:
    """Draw units, calibrate them by an option, test them at the station, use them, and choose the test limit.

    risk      consumer's risk not to be exceeded, a share `of` the units 'shipped' or 'produced'; a unit is bad
              `against` the requirement in 'use', or by its true error at the test ('station')
    loads     N, at which units are tested, by default the check loads; reloads, samples: placements of each load,
              readings in each; the mean counts
    station   the 'same' as calibrates, or an 'other' one of its kind with a reference of its own
    limits    further test limits for the table, multiples of the permissible error
    cost_bad, cost_good   of a shipped bad and a scrapped good unit, in one currency
    units     drawn, by default those of the case, `UNITS` at most, `LEAST_UNITS` at least

    workers and block change the time, not a bit of the result. Raises InvalidArgument for an unknown option and for
    arguments out of range, EvaluationError for errors that are not numbers.
    """
    test = _test_of(case, loads, reloads, samples, station)
    _require_stated(risk, of, against, limits, cost_bad, cost_good)
    drawn = _with_units(_with_option(case, option), units)
    model, plan = model_of(drawn), plan_of(drawn)
    progress = stage("units tested and used", plan.frame.units)
    counted = draw_and_count(
        model,
        plan,
        test,
        limits_of((*TABLE, *limits)),
        workers=default_workers() if workers is None else workers,
        block=block,
        progress=progress,
    )
    operating = Operating(counted, plan.frame, case.requirement)
    verdict, column, estimated = operating.keeping(risk, against, of)
    expanded = COVERAGE * counted.uncertainty
    worst = int(np.argmax(expanded))
    u = float(expanded[worst])
    costs = None
    if cost_bad is not None and cost_good is not None:
        costs = operating.cheapest(cost_bad, cost_good, against)
    chosen = operating.at(column)
    named = [(f"consumer's risk {100.0 * risk:g} %", chosen.limit)] if verdict == "conforms" else []
    named += [] if costs is None else [("lowest cost", costs.limit)]
    return Acceptance(
        case=case,
        option=option,
        test=test,
        risk=risk,
        of=of,
        against=against,
        verdict=verdict,
        chosen=chosen,
        estimated=None if estimated is None else operating.at(estimated),
        expanded=u,
        at_load=test.loads[worst],
        ratio=risks.uncertainty_ratio(1.0, u),
        limits=_table(operating, counted, tuple(limits), chosen.limit),
        further=tuple(limits),
        rules=_rules(operating, u, named),
        costs=costs,
        units=plan.frame.units,
        outer=plan.frame.outer,
        asked=drawn.study.units,
        version=version(),
    )


def _table(
    operating: Operating, counted: Counted, further: tuple[float, ...], chosen: float | None
) -> tuple[LimitRisks, ...]:
    wanted = sorted({*TABLE, *further, *([] if chosen is None else [chosen])})
    return (*(operating.at(counted.place(limit)) for limit in wanted), operating.at(operating.no_test))


def _rules(
    operating: Operating, expanded: float, named: Sequence[tuple[str, float | None]]
) -> tuple[Rule, ...]:
    """Limits by guard band, then by risk and cost; a limit between two counted ones counts as the stricter."""
    found = []
    for multiple in MULTIPLES if expanded > 0.0 else MULTIPLES[:1]:
        name = "simple acceptance" if multiple == 0.0 else f"guard band {multiple:g} U"
        width = risks.guard_band(expanded, multiple)
        at = operating.at(operating.column(1.0 - width)) if width < 1.0 else None
        found.append(Rule(name, width, multiple, at))
    for name, limit in named:
        band = None if limit is None else 1.0 - limit
        ratio = None if band is None or expanded == 0.0 else band / expanded
        found.append(Rule(name, band, ratio, operating.at(operating.column(limit))))
    return (*found, Rule("no test", None, None, operating.at(operating.no_test)))


def _with_option(case: Case, option: str) -> Case:
    found = [one for one in case.calibrations if one.name == option]
    if not found:
        there = ", ".join(repr(one.name) for one in case.calibrations)
        raise InvalidArgument(f"no calibration option {option!r} in {case.name!r}; there are {there}")
    return dataclasses.replace(case, calibrations=tuple(found))


def _with_units(case: Case, units: int | None) -> Case:
    if units is not None and (isinstance(units, bool) or units != int(units) or units < LEAST_UNITS):
        raise InvalidArgument(f"units must be a whole number, {LEAST_UNITS} at least (got {units!r})")
    count = max(min(case.study.units, UNITS), LEAST_UNITS) if units is None else int(units)
    return dataclasses.replace(case, study=dataclasses.replace(case.study, units=count, draw="all units"))


def _test_of(
    case: Case, loads: Sequence[float] | None, reloads: int, samples: int, station: Station
) -> StationTest:
    found = tuple(sorted(case.check_loads if loads is None else (float(load) for load in loads)))
    if not found:
        raise InvalidArgument(
            "a test needs a load: give one such as '10 N', or leave loads out for the check loads"
        )
    low, high = case.load_low, case.load_high
    for load in found:
        if not low <= load <= high:
            raise InvalidArgument(
                f"test load {load:g} N lies outside the load range, {low:g} N to {high:g} N; test within it"
            )
    if len(set(found)) < len(found):
        raise InvalidArgument(f"test loads {', '.join(f'{load:g} N' for load in found)}: give each load once")
    for load, permissible in zip(found, permissible_at(case, found), strict=True):
        if not permissible > 0.0:
            raise InvalidArgument(
                f"test load {load:g} N: no error is permissible there; test at a higher load"
            )
    for name, count in (("reloads", reloads), ("samples", samples)):
        if isinstance(count, bool) or count != int(count) or not 1 <= count <= MOST_PLACEMENTS:
            raise InvalidArgument(
                f"{name} must be a whole number from 1 to {MOST_PLACEMENTS} (got {count!r})"
            )
    if station not in STATIONS:
        raise InvalidArgument(f"station must be one of {', '.join(map(repr, STATIONS))} (got {station!r})")
    return StationTest(found, reloads, samples, station)


def _require_stated(
    risk: float, of: str, against: str, limits: Sequence[float], bad: float | None, good: float | None
) -> None:
    if not 0.0 < risk < 1.0:
        raise InvalidArgument(
            f"risk must lie between 0 % and 100 % (got {risk!r}): write for example '1 %' or 0.01"
        )
    for name, value, known in (("of", of, OF), ("against", against, AGAINST)):
        if value not in known:
            raise InvalidArgument(f"{name} must be one of {', '.join(map(repr, known))} (got {value!r})")
    for limit in limits:
        if not 0.0 < limit <= MOST_LIMIT:
            raise InvalidArgument(
                f"a test limit is a multiple of the permissible error above 0 and up to {MOST_LIMIT:g} (got {limit!r})"
            )
    if (bad is None) != (good is None):
        raise InvalidArgument(
            "lowest cost needs both costs: state cost_bad, of a shipped bad unit, and cost_good, of a scrapped good one"
        )
    for name, cost in (("cost_bad", bad), ("cost_good", good)):
        if cost is not None and not 0.0 < cost < math.inf:
            raise InvalidArgument(f"{name} must be a number above 0 (got {cost!r})")
