"""How the findings of a bench are told: numbers with intervals, definitions, and plain statements."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from typing import Any

import pandas as pd

from margin.bench import Merit
from margin.bench.data.counted import plural
from margin.bench.data.weights import readings
from margin.estimates import numbers
from margin.estimates.bench_findings import Findings, Setup
from margin.estimates.bench_tables import models_of
from margin.estimates.next_measurement import SPAN_COEFFICIENT, NextMeasurement
from margin.estimates.numbers import Scale

PERCENT = Scale(100.0, "%")
NOT_HAD = "not to be had"
WHOLE = "the whole bench"

_PER_LOAD = "/N"


def title(findings: Findings) -> str:
    """What was measured, in one line."""
    sensors = findings.data.frame.groupby(["lot", "sensor"], observed=True).ngroups
    return f"Bench of {sensors} {findings.kind} {plural('sensor', sensors)}"


def readings_of(findings: Findings) -> int:
    """Readings of the bench, those behind the means of a condensed one counted."""
    return round(float(readings(findings.data.frame).sum()))


def extent(findings: Findings) -> str:
    """How much was measured."""
    setups = ", ".join(f"{s.name} ({_size(s)})" for s in findings.setups)
    number = readings_of(findings)
    return f"{numbers.count(number)} {plural('reading', number)} in {findings.data.source}: {setups}"


def _size(setup: Setup) -> str:
    size = setup.size
    each = ((size.mountings, "mounting"), (size.cycles, "cycle"), (size.readings, "reading"))
    return " x ".join([str(size.sensors), *(f"{number} {plural(noun, number)}" for number, noun in each)])


def scale_of(merits: Iterable[Merit], unit: str) -> Scale:
    """One prefix for a figure in all its values."""
    values = [v for m in merits for v in (m.value, m.low, m.high) if v is not None]
    if unit.endswith(_PER_LOAD):
        base = numbers.scale_for(values, unit.removesuffix(_PER_LOAD))
        return Scale(base.factor, f"{base.unit}{_PER_LOAD}")
    return numbers.scale_for(values, unit)


def merit_parts(merit: Merit, scale: Scale) -> tuple[str, str]:
    """Value and interval of a figure; the interval is 'no interval' where there is none."""
    if merit.value is None:
        return NOT_HAD, ""
    if merit.low is None or merit.high is None:
        return numbers.plain(merit.value, scale=scale), "no interval"
    bare = Scale(scale.factor, "")
    value = numbers.value_only(merit.value, merit.low, merit.high, scale=scale)
    return value, numbers.interval(merit.low, merit.high, scale=bare)


def merit_shown(merit: Merit, scale: Scale) -> str:
    """Value with its interval in one cell."""
    value, ends = merit_parts(merit, scale)
    return f"{value} ({ends})" if ends else value


def component_shown(row: Mapping[Hashable, Any]) -> str:
    """Spread of a parameter at a level, relative (in %) for the sensitivity, else in the parameter's own unit."""
    sd, low, high = row["sd"], row["low"], row["high"]
    if pd.isna(sd):
        return NOT_HAD
    scale = PERCENT if row["parameter"] == "sensitivity" else Scale(1.0, "")
    if pd.isna(low) or pd.isna(high):
        return f"{numbers.plain(float(str(sd)), scale=scale)} (no interval)"
    return numbers.with_interval(float(str(sd)), float(str(low)), float(str(high)), scale=scale)


def model_statement(setup: Setup) -> str:
    """Which candidate model the sensors support, and whether it suits."""
    table = models_of(setup)
    if table.empty or pd.isna(table["aicc"].iloc[0]):
        return "no candidate model could be fitted to every sensor"
    best = table.iloc[0]
    said = f"{best['model']} (weight {best['weight']:.2g}"
    if len(table) > 1 and not pd.isna(table["delta"].iloc[1]):
        said += f"; next {table['model'].iloc[1]}, AICc {table['delta'].iloc[1]:.1f} higher"
    said += ")"
    if best["lack_of_fit"] is None or pd.isna(best["lack_of_fit"]):
        return f"{said}; lack of fit not testable without repeated loads"
    return f"{said}; lack of fit resolved in {best['lack_of_fit']:.0f} of {best['sensors']:.0f} sensors"


def difference_statements(findings: Findings) -> dict[str, tuple[tuple[str, ...], tuple[str, ...]]]:
    """By what is compared: what differs (resolved), and what does not."""
    found = {}
    for by, comparison in findings.comparisons.items():
        rows = comparison.differences.to_dict("records")
        resolved = tuple(_difference(row, findings.confidence) for row in rows if row["resolved"])
        rest = tuple(_difference(row, findings.confidence) for row in rows if not row["resolved"])
        found[by] = (resolved, rest)
    return found


def _difference(row: Mapping[Hashable, Any], confidence: float) -> str:
    ends = difference_shown(row)
    pair = f"{row['second']} against {row['first']}"
    if row["resolved"]:
        return f"{row['figure']}: {pair} differs by {ends} at {100 * confidence:g} %, {row['test']}"
    return f"{row['figure']}: {pair}, no difference resolved; {ends} at {100 * confidence:g} %, {row['test']}"


def difference_shown(row: Mapping[Hashable, Any]) -> str:
    """A difference with its interval and unit."""
    low, value, high = (float(str(row[name])) for name in ("low", "difference", "high"))
    unit = str(row["unit"])
    per = unit.endswith(_PER_LOAD)
    base = numbers.scale_for([low, value, high], unit.removesuffix(_PER_LOAD))
    scale = Scale(base.factor, base.unit + (_PER_LOAD if per else ""))
    return numbers.with_interval(value, low, high, scale=scale, signed=True)


def gathered(findings: Findings) -> list[tuple[str, str, str, str]]:
    """What cannot be had: what, where, why, what to measure; lacks with one cause and mend in one row."""
    groups: dict[tuple[str, str], tuple[dict[str, None], dict[str, None]]] = {}
    for each in findings.missing:
        what, where = groups.setdefault((each.why, each.measure), ({}, {}))
        what[each.what] = None
        where[each.where] = None
    everywhere = {f"{setup.circuit}, {setup.interface}" for setup in findings.setups}
    return [
        (
            "; ".join(what),
            WHOLE if everywhere <= set(where) or "" in where else "; ".join(where),
            why,
            measure,
        )
        for (why, measure), (what, where) in groups.items()
    ]


def outlook_value(row: Mapping[Hashable, Any]) -> tuple[str, str, str]:
    """Interval, width and gain of a row of the outlook, in the unit of its quantity."""
    quantity = str(row["quantity"])
    scale = Scale(1.0, "%/K") if quantity == SPAN_COEFFICIENT else PERCENT
    low, high, gain = (float(str(row[name])) for name in ("low", "high", "narrower"))
    if pd.isna(low) or pd.isna(high):
        return str(row["note"]) or "no interval", "–", "–"
    width = numbers.plain(
        high - low, digits=2, scale=Scale(scale.factor, "" if scale is PERCENT else scale.unit)
    )
    width = f"{width} points" if scale is PERCENT else width
    if row["measure"] == "now":
        return numbers.interval(low, high, scale=scale), width, "–"
    shown = "below resolution" if pd.isna(gain) else numbers.percent(gain, digits=2)
    return numbers.interval(low, high, scale=scale), width, shown


def outlook_level(outlook: NextMeasurement, quantity: str) -> str:
    """What the ends of an interval of the outlook are."""
    if quantity.startswith("yield"):
        return "5 to 95 % points over what is not known"
    return f"interval at {100 * outlook.confidence:g} %"
