"""How much more to measure: the interval on the yield, or of the spreads, against what a next bench day adds.

With a case the study is run again with other counts behind its measured spreads, on the same draws. Without one the
interval of the spread itself is looked ahead. Effort is counted in readings.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from margin.bench import Merit, NotMeasurableError, Spreads, outlook_of_components
from margin.bench.outlook import TOGETHER
from margin.case.types import Case
from margin.chain.parameter import Level
from margin.estimates.bench_findings import BenchSize
from margin.estimates.bench_plans import (
    CYCLES,
    HEAT,
    MOUNTINGS,
    NOW,
    SENSORS,
    VERY_MANY,
    plan_words,
)
from margin.estimates.finding import Finding, Number
from margin.estimates.stages import Stage, no_progress
from margin.estimates.yield_result import Yield
from margin.estimates.yield_with_more import Added, measured_levels, yields_with_more

SPREAD_TOGETHER = "spread of the sensitivity, all levels together"
"""What a fresh sensor in a fresh mounting scatters by from one placement of the load to the next."""

MORE_SENSORS = (3, 6, 12, 24)
MORE_MOUNTINGS = (1, 2, 4)
MORE_CYCLES = (3, 5, 10)
UNITS = 20_000
"""Units of each study that is run again."""

SPAN_COEFFICIENT = "temperature coefficient of span"
WARM_CYCLES = 2
"""Cycles at another temperature that a temperature run of one mounted sensor takes at least."""


@dataclass(frozen=True)
class Plan:
    """What a next bench day adds: sensors, mountings of each sensor, cycles of each mounting, or a temperature run."""

    measure: str
    added: int
    size: BenchSize
    readings: int


@dataclass(frozen=True)
class NextMeasurement:
    """Outlook on more measuring.

    table      one row a plan and quantity: measure ('now', 'sensors', 'mountings of each sensor', 'cycles of each
               mounting', 'temperature run of sensors'), added, sensors, mountings, cycles (after it), readings (to
               take), quantity, value, low, high, width, narrower (share of the present width taken off; not a number
               where the noise of the draws hides it), per_1000_readings (the same for each 1000 readings), note.
               Yields are shares, spreads relative, temperature coefficients in %/K.
    decides    the quantity by which the plans are compared
    advice     finding: which next measurement narrows that interval most for its effort
    confidence of the intervals of spreads; those of a yield are its 5 % and 95 % points over epistemic uncertainty
    seed       of the draws of a yield, None without a case
    units      drawn for each count, 0 without a case
    """

    table: pd.DataFrame
    decides: str
    advice: Finding
    confidence: float
    seed: int | None = None
    units: int = 0

    def of(self, quantity: str) -> pd.DataFrame:
        """Rows of one quantity."""
        return self.table[self.table["quantity"] == quantity].reset_index(drop=True)


def next_measurement(
    size: BenchSize,
    spreads: Spreads | None,
    merits: Mapping[str, list[Merit]],
    *,
    case: Case | None = None,
    option: str | None = None,
    units: int = UNITS,
    confidence: float = 0.95,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> NextMeasurement:
    """Compare plans for the next bench day.

    size     what was measured, of the setup that is looked ahead from
    spreads  of that setup; None where there are none
    merits   figures of its single sensors, by name, for the temperature run
    case     whose spreads carry 'from N units'; the yield is then what counts
    option   calibration option whose yield it is; None: the one of least effort that conforms, else the best
    units    drawn for each count of sensors, with the case's seed: the rows differ by the counts alone

    Raises ValueError for an option that the case lacks, NotMeasurableError where there is neither a
    spread nor a case with measured spreads.
    """
    plans = _plans(size)
    rows: list[dict[str, object]] = []
    decides = ""
    seed, drawn_units = None, 0
    if case is not None and measured_levels(case):
        levels = measured_levels(case)
        added = {plan: _added_units(plan, size, levels) for plan in plans if plan.measure != HEAT}
        chosen, found = yields_with_more(
            case, option, added.values(), units=units, workers=workers, stage=stage
        )
        decides, seed, drawn_units = f"yield with '{chosen}'", case.study.seed, units
        rows += [
            _row(plan, decides, *_of_yield(found[more] if more or plan.measure == NOW else None))
            for plan, more in added.items()
        ]
    if spreads is not None:
        rows += _spread_rows(spreads, plans, confidence)
        decides = decides or SPREAD_TOGETHER
    rows += _temperature_rows(merits.get(SPAN_COEFFICIENT, []), plans, confidence)
    if not decides:
        lacking = "" if case is None else ", and the case has no spread with 'from N units'"
        raise NotMeasurableError(
            f"nothing to look ahead from, the bench shows no spread{lacking}",
            "measure a second sensor and a second cycle",
        )
    table = _with_gains(pd.DataFrame(rows))
    return NextMeasurement(table, decides, _advised(table, decides), confidence, seed, drawn_units)


def _plans(size: BenchSize) -> list[Plan]:
    s, m, c, r = size.sensors, size.mountings, size.cycles, size.readings
    plans = [Plan(NOW, 0, size, 0)]
    plans += [
        Plan(SENSORS, k, dataclasses.replace(size, sensors=s + k), k * m * c * r)
        for k in (*MORE_SENSORS, VERY_MANY)
    ]
    plans += [
        Plan(MOUNTINGS, k, dataclasses.replace(size, mountings=m + k), s * k * c * r) for k in MORE_MOUNTINGS
    ]
    plans += [Plan(CYCLES, k, dataclasses.replace(size, cycles=c + k), s * m * k * r) for k in MORE_CYCLES]
    plans += [Plan(HEAT, k, size, k * WARM_CYCLES * r) for k in MORE_SENSORS]
    return plans


def _added_units(plan: Plan, now: BenchSize, levels: Container[Level]) -> Added:
    """Units that a plan adds at the `levels` that were measured: a further sensor brings its mountings with it."""
    more: dict[Level, int] = {}
    if plan.measure == SENSORS:
        more = {"unit": plan.added, "mounting": plan.added * max(now.mountings - 1, 0)}
    elif plan.measure == MOUNTINGS:
        more = {"mounting": plan.added * now.sensors}
    return tuple((level, count) for level, count in more.items() if level in levels)


def _of_yield(found: Yield | None) -> tuple[float, float | None, float | None, str, float]:
    """Value, ends, note, and how far the noise of the draws leaves the width open (both ends as the lower one)."""
    if found is None:
        return float("nan"), None, None, "the case has no measured spread that this would narrow", 0.0
    if found.knowledge is None or found.known_low is None:
        return found.sampled.value, None, None, "nothing in the case is left open", 0.0
    low, high = found.knowledge
    noise = 0.5 * (found.known_low.high - found.known_low.low) * float(np.sqrt(2.0))
    return found.sampled.value, low, high, "", noise


def _spread_rows(spreads: Spreads, plans: list[Plan], confidence: float) -> list[dict[str, object]]:
    """Intervals of the relative spreads of the sensitivity."""
    asked = [plan for plan in plans if plan.measure != HEAT and plan.added < VERY_MANY]
    sizes = [(plan.size.sensors, plan.size.mountings, plan.size.cycles) for plan in asked]
    table = outlook_of_components(spreads.components["ln_sensitivity"], sizes, confidence=confidence)
    rows = []
    levels = table["level"].nunique()
    for place, record in enumerate(table.to_dict("records")):
        plan = asked[place // levels]
        low, high = (None if pd.isna(record[end]) else float(record[end]) for end in ("low", "high"))
        rows.append(
            _row(plan, _named(str(record["level"])), float(record["sd"]), low, high, str(record["note"]))
        )
    return rows


def _named(level: str) -> str:
    if level == TOGETHER:
        return SPREAD_TOGETHER
    return f"spread of the sensitivity per {level}"


def _temperature_rows(
    merits: Iterable[Merit], plans: list[Plan], confidence: float
) -> list[dict[str, object]]:
    """Mean temperature coefficient over sensors: mean +/- t(n - 1) s / sqrt(n), if the same s came out of more."""
    values = np.array([m.value for m in merits if m.value is not None])
    asked = [plan for plan in plans if plan.measure in (NOW, HEAT)]
    if values.size < 2:
        note = "one temperature" if not values.size else "one sensor was cycled at two temperatures"
        value = float(values[0]) if values.size else float("nan")
        return [_row(plan, SPAN_COEFFICIENT, value, None, None, note) for plan in asked]
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    rows = []
    for plan in asked:
        count = values.size + plan.added
        half = float(stats.t.ppf((1 + confidence) / 2, count - 1)) * sd / float(np.sqrt(count))
        rows.append(_row(plan, SPAN_COEFFICIENT, mean, mean - half, mean + half, ""))
    return rows


def _row(
    plan: Plan,
    quantity: str,
    value: float,
    low: float | None,
    high: float | None,
    note: str,
    noise: float = 0.0,
) -> dict[str, object]:
    many = plan.added >= VERY_MANY
    return {
        "measure": plan.measure, "added": plan.added, "words": plan_words(plan.measure, plan.added),
        "sensors": None if many else plan.size.sensors, "mountings": plan.size.mountings,
        "cycles": plan.size.cycles, "readings": None if many else plan.readings, "quantity": quantity,
        "value": value, "low": low, "high": high, "note": note, "noise": noise,
    }  # fmt: skip


def _with_gains(table: pd.DataFrame) -> pd.DataFrame:
    """Width of each interval, and what share of the present one it takes off, also for each 1000 readings."""
    table = table.astype(dict.fromkeys(("value", "low", "high", "sensors", "readings", "noise"), float))
    table["width"] = table["high"] - table["low"]
    now = table[table["measure"] == NOW].set_index("quantity")
    present, noise = table["quantity"].map(now["width"]), table["quantity"].map(now["noise"])
    shrunk = present - table["width"]
    hidden = (
        (shrunk.abs() <= np.hypot(noise, table["noise"])) & (table["noise"] > 0) & (table["measure"] != NOW)
    )
    table["narrower"] = (shrunk / present).where((present > 0) & ~hidden)
    table.loc[hidden, "note"] = "below resolution: the noise of the draws hides any change"
    readings = table["readings"].where(table["readings"] > 0)
    table["per_1000_readings"] = 1000.0 * table["narrower"] / readings
    return table.drop(columns="noise")


LEAST = 0.05
"""Share of the present width below which a narrowing is not worth a bench day, and is not advised (a convention)."""


def _advised(table: pd.DataFrame, decides: str) -> Finding:
    """What to measure next, for the quantity that decides; for the spread itself where nothing helps that."""
    found = _advice(table, decides)
    if found is not None:
        return found
    other = _advice(table, SPREAD_TOGETHER) if decides != SPREAD_TOGETHER else None
    return Finding("no plan narrows", decides, {"instead": other})


def _advice(table: pd.DataFrame, quantity: str) -> Finding | None:
    rows = table[(table["quantity"] == quantity) & (table["readings"] > 0)]
    now = table[(table["quantity"] == quantity) & (table["measure"] == NOW)]
    if not np.isfinite(now["width"]).all():
        can = rows[np.isfinite(rows["width"])].sort_values("readings", kind="stable")
        return (
            None
            if can.empty
            else Finding("measure next for an interval", quantity, {"plan": _as_data(can.iloc[0])})
        )
    useful = rows[rows["narrower"] > LEAST].sort_values("per_1000_readings", ascending=False, kind="stable")
    if useful.empty:
        return None
    best = useful.iloc[0]
    others = useful[useful["measure"] != best["measure"]]
    then = None if others.empty else _as_data(others.iloc[0])
    return Finding("measure next", quantity, {"plan": _as_data(best), "then": then})


def _as_data(row: pd.Series) -> dict[str, object]:
    """A plan as data: what it adds, its readings, and the share of the present width that it takes off."""
    narrower = None if pd.isna(row["narrower"]) else Number(float(row["narrower"]), unit="share")
    return {
        "measure": str(row["measure"]),
        "added": int(row["added"]),
        "readings": round(float(row["readings"])),
        "narrower": narrower,
    }
