"""Design checks over drawn units: all but a few of them held against the limit."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.chain.checks import CHECKS, Check, output_limits, resolution_at
from margin.chain.parameter import Value
from margin.estimates.intervals import clopper_pearson
from margin.estimates.results import DesignCheck
from margin.estimates.worst_case import Corners
from margin.propagation.assemble import drawn_chain, use_setting
from margin.propagation.grouping import Grouping
from margin.propagation.model import Model
from margin.propagation.plan import Plan
from margin.propagation.readings import condition_name, reading_event, use_conditions
from margin.propagation.run_result import RunResult

CHECKED_UNITS = 4000

BEYOND = 1e-3
"""Share of units that may exceed a check (common practice, no source): their errors count in the yield all the same."""

CERTAIN = 0.975
"""Confidence with which more than that must be shown."""


def design_checks(model: Model, plan: Plan) -> tuple[DesignCheck, ...]:
    """Every check that applies to this chain, at the unit that nearly all are better than, in its worst condition."""
    count = min(CHECKED_UNITS, plan.frame.units)
    # each unit under an outer draw and a lot of its own: the shares are those of all that may be produced
    source = model.source(Grouping(1, 1), 0, count)
    loads = np.asarray(model.case.check_loads).reshape(1, 1, 1, 1, -1)
    found: dict[str, DesignCheck] = {}
    for condition in use_conditions(model.case):
        event = reading_event(model.case, condition)
        chain = drawn_chain(model.case, event, source, "finished product")
        setting = use_setting(model.case, condition, event, source)
        response = chain.respond(loads, setting)
        for check in CHECKS:
            value = check.measure(chain, response, loads)
            if value is None:
                continue
            judged = _judge(check, value, check.limit(chain, response), condition_name(condition), count)
            before = found.get(check.name)
            if before is None or _worse(check, judged, before):
                found[check.name] = judged
    return tuple(found.values())


def _judge(check: Check, value: Value, limit: Value | None, condition: str, count: int) -> DesignCheck:
    """A check at the unit that all but BEYOND of the units are better than.

    It is exceeded where more than BEYOND of the units are shown to exceed it (Clopper and Pearson, 1934, one-sided):
    the worst of any number of units would in the end exceed every limit.
    """
    values = np.asarray(value, dtype=np.float64)
    if limit is None:
        ends = values.max() if check.favourable == "below" else values.min()
        note = f"{check.note}; worst of {count} units, condition {condition}"
        return DesignCheck(check.name, float(ends), None, check.unit, None, "for information", note)
    limits = np.asarray(limit, dtype=np.float64)
    shape = np.broadcast_shapes(values.shape, limits.shape, (count, 1, 1, 1, 1))
    values, limits = (np.broadcast_to(each, shape).reshape(count, -1) for each in (values, limits))
    distance = (limits - values) if check.favourable == "below" else (values - limits)
    worst = distance.argmin(axis=1)
    of_unit = distance[np.arange(count), worst]
    chosen = int(np.argsort(of_unit, kind="stable")[int(BEYOND * count)])
    held, kept = float(limits[chosen, worst[chosen]]), float(values[chosen, worst[chosen]])
    beyond = int(np.count_nonzero(of_unit < 0.0))
    share = float(of_unit[chosen]) / abs(held) if held != 0.0 else None
    shown, _ = clopper_pearson(beyond, count, 2.0 * CERTAIN - 1.0)
    verdict = "exceeded" if shown > BEYOND else "kept"
    note = (
        f"{check.note}; {100.0 * (1.0 - BEYOND):g} % of units are better, {beyond} of {count} exceed it, "
        f"condition {condition}"
    )
    return DesignCheck(check.name, kept, held, check.unit, share, verdict, note)


def _worse(check: Check, new: DesignCheck, old: DesignCheck) -> bool:
    if new.limit is not None and old.limit is not None:
        new_gap, old_gap = new.value - new.limit, old.value - old.limit
        return new_gap > old_gap if check.favourable == "below" else new_gap < old_gap
    return new.value > old.value if check.favourable == "below" else new.value < old.value


def saturation_frame(run: RunResult) -> pd.DataFrame:
    """One row a check load: load_N, saturated, blind (shares of readings), limit that the voltage as designed is nearer
    to ('low' or 'high'), resolution_N and noise_N as designed."""
    frame, model = run.plan.frame, run.model
    readings = frame.units * frame.readings / frame.loads.size
    chain, setting = model.nominal.chain, model.nominal.setting
    return pd.DataFrame(
        {
            "load_N": frame.loads,
            "saturated": run.clipped / readings,
            "blind": run.blind / readings,
            "limit": _nearer_limit(run),
            "resolution_N": resolution_at(chain, setting, frame.loads, 1e-3 * frame.span),
            "noise_N": _noise(run),
        }
    )


def _nearer_limit(run: RunResult) -> list[str]:
    """Limit of circuit and converter that the voltage as designed is nearer to at each load."""
    chain, setting = run.model.nominal.chain, run.model.nominal.setting
    loads = run.plan.frame.loads
    voltage = np.broadcast_to(
        np.asarray(chain.respond(loads, setting).voltage, dtype=np.float64), loads.shape
    )
    lowest, highest = output_limits(chain, setting)
    return ["low" if near else "high" for near in voltage - lowest < highest - voltage]


def _noise(run: RunResult) -> NDArray[np.float64]:
    """Load noise, N rms, of one reading as designed: the draws of level `reading` set to one sigma in turn."""
    case = run.model.case
    corners = Corners.of(run.model, case.calibrations[0])
    rows = []
    for column, variable in enumerate(corners.variables):
        if variable.factor.level == "reading" and variable.place is None:
            row = corners.column("centre").copy()
            row[column] += variable.sd
            rows.append(row)
    if not rows:
        return np.zeros(run.plan.frame.loads.size)
    still = corners.column("centre")
    errors = corners.errors(np.stack([still, *rows]))
    # not the root of a sum of squares, which overflows where the signal is all but gone
    return np.asarray(np.hypot.reduce(errors[1:] - errors[0], axis=0))
