"""The next best measurement: no gain is advised that the draws do not resolve, or that is not worth its effort."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from margin.estimates.bench_findings import BenchSize
from margin.estimates.bench_plans import CYCLES, MOUNTINGS, NOW, SENSORS
from margin.estimates.next_measurement import LEAST, SPREAD_TOGETHER, Plan, _advised, _row, _with_gains

SIZE = BenchSize(6, 2, 3, 9, 1)
YIELD = "yield with 'one-point'"


def table(*rows: tuple[str, int, float, float], of: str = YIELD) -> pd.DataFrame:
    """Plans (measure, readings to take, width of the interval, half width of its noise)."""
    made: list[dict[str, Any]] = []
    for measure, readings, width, noise in rows:
        plan = Plan(measure, 0 if measure == NOW else 3, SIZE, readings)
        made.append(_row(plan, of, 0.9, 0.9 - width, 0.9, "", noise))
    return pd.DataFrame(made)


def advised(*tables: pd.DataFrame) -> Any:
    """What is advised for the yield."""
    return _advised(_with_gains(pd.concat(tables, ignore_index=True)), YIELD)


def test_a_gain_within_the_noise_of_the_draws_is_not_advised() -> None:
    """The plan with the largest gain per reading is passed over where that gain lies within the noise of both widths;
    the next one, resolved, is advised, and nothing after it."""
    found = advised(
        table((NOW, 0, 0.10, 0.02), (CYCLES, 10, 0.08, 0.02), (SENSORS, 300, 0.05, 0.02)),
    )
    assert (found.kind, found.values["plan"]["measure"], found.values["then"]) == (
        "measure next",
        SENSORS,
        None,
    )
    assert found.values["plan"]["narrower"].value == pytest.approx(0.5)


def test_where_no_gain_is_resolved_the_spread_is_looked_at_instead() -> None:
    """With every gain of the yield in the noise, it is said that none narrows it, and what narrows the spread."""
    lost = table((NOW, 0, 0.10, 0.05), (CYCLES, 10, 0.08, 0.05), (SENSORS, 300, 0.07, 0.05))
    spread = table((NOW, 0, 0.10, 0.0), (MOUNTINGS, 100, 0.06, 0.0), of=SPREAD_TOGETHER)
    found = advised(lost, spread)
    assert found.kind == "no plan narrows"
    assert found.values["instead"].values["plan"]["measure"] == MOUNTINGS
    alone = advised(lost)
    assert alone.kind == "no plan narrows" and alone.values["instead"] is None


def test_a_gain_that_is_not_worth_its_readings_is_not_advised() -> None:
    """A narrowing by less than a twentieth is named neither first nor after another."""
    small = 0.10 * (1.0 - 0.9 * LEAST)
    found = advised(table((NOW, 0, 0.10, 0.0), (CYCLES, 1, small, 0.0), (SENSORS, 300, 0.05, 0.0)))
    assert (found.values["plan"]["measure"], found.values["then"]) == (SENSORS, None)
    assert advised(table((NOW, 0, 0.10, 0.0), (CYCLES, 1, small, 0.0))).kind == "no plan narrows"
