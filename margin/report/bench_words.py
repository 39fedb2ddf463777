"""How the findings of a bench are told: numbers with intervals, definitions, and plain statements."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import pandas as pd

from margin.bench import Merit
from margin.bench.data.counted import plural
from margin.bench.data.weights import readings
from margin.estimates import numbers
from margin.estimates.bench_findings import Findings, Setup
from margin.estimates.bench_tables import models_of
from margin.estimates.next_measurement import SPAN_COEFFICIENT, NextMeasurement
from margin.estimates.number_columns import NONE, PERCENT, Cell, Entry, column, plain_column
from margin.estimates.numbers import Scale

NOT_HAD = "not available"
WHOLE = "the whole bench"

_PER_LOAD = "/N"
_PPM_BELOW = 0.01


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


def merit_column(merits: Sequence[Merit | None]) -> tuple[Cell, ...]:
    """One figure in all its values, in one format: value and interval; 'no interval' where there is none."""
    present = [m for m in merits if m is not None and m.value is not None]
    scale = _prefixed(
        [v for m in present for v in (m.value, m.low, m.high) if v is not None], _unit_of(present)
    )
    bare = Scale(scale.factor, "")
    with_ends = column([_entry_of(m) for m in merits], scale)
    alone = iter(plain_column([m.value for m in present if _entry_of(m) is None], scale))
    ends = column([_entry_of(m) for m in merits], bare)
    cells = []
    for merit, shown, end in zip(merits, with_ends, ends, strict=True):
        if merit is None:
            cells.append(Cell(NONE))
        elif merit.value is None:
            cells.append(Cell(NOT_HAD))
        elif _entry_of(merit) is None:
            cells.append(Cell(next(alone), "no interval"))
        else:
            cells.append(Cell(shown.value, end.interval))
    return tuple(cells)


def _entry_of(merit: Merit | None) -> Entry | None:
    if merit is None or merit.value is None or merit.low is None or merit.high is None:
        return None
    return Entry(merit.value, merit.low, merit.high)


def _unit_of(merits: Sequence[Merit]) -> str:
    return merits[0].unit if merits else ""


def _prefixed(values: list[float], unit: str) -> Scale:
    """The prefix that suits the largest of the values; a unit per newton takes that of its numerator.

    Small temperature coefficients read in ppm/K, as in datasheets.
    """
    if unit == "%/K" and max(map(abs, values), default=0.0) < _PPM_BELOW:
        return Scale(1e4, "ppm/K")
    if unit.endswith(_PER_LOAD):
        base = numbers.scale_for(values, unit.removesuffix(_PER_LOAD))
        return Scale(base.factor, f"{base.unit}{_PER_LOAD}")
    return numbers.scale_for(values, unit)


def component_column(rows: Sequence[Mapping[Hashable, Any]]) -> list[str]:
    """Spreads of parameters, each parameter in one format; the sensitivity relative (in %), else its own unit."""
    shown: dict[int, str] = {}
    for parameter in dict.fromkeys(str(row["parameter"]) for row in rows):
        places = [place for place, row in enumerate(rows) if str(row["parameter"]) == parameter]
        scale = PERCENT if parameter == "sensitivity" else Scale(1.0, "")
        entries = [Entry(*(float(str(rows[p][name])) for name in ("sd", "low", "high"))) for p in places]
        cells = column([None if _open(e) else e for e in entries], scale)
        alone = [e.value if _open(e) and not pd.isna(e.value) else None for e in entries]
        for place, entry, cell, bare in zip(places, entries, cells, plain_column(alone, scale), strict=True):
            lone = NOT_HAD if pd.isna(entry.value) else f"{bare} (no interval)"
            shown[place] = lone if _open(entry) else cell.text
    return [shown[place] for place in range(len(rows))]


def model_statement(setup: Setup) -> str:
    """Which candidate model the sensors support, and whether it suits."""
    table = models_of(setup)
    if table.empty or pd.isna(table["aicc"].iloc[0]):
        return "no candidate model could be fitted to every sensor"
    best = table.iloc[0]
    said = f"{best['model']} (weight {numbers.plain(float(best['weight']), digits=2)}"
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
        return f"{row['figure']}: {pair} differs by {ends} at {numbers.percent(confidence)}, {row['test']}"
    return f"{row['figure']}: {pair}, no difference resolved; {ends} at {numbers.percent(confidence)}, {row['test']}"


def difference_shown(row: Mapping[Hashable, Any]) -> str:
    """A difference with its interval and unit."""
    low, value, high = (float(str(row[name])) for name in ("low", "difference", "high"))
    scale = _prefixed([low, value, high], str(row["unit"]))
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


def outlook_column(rows: Sequence[Mapping[Hashable, Any]]) -> list[tuple[str, str, str]]:
    """Interval, width and gain of the rows of one quantity, each in one format and the quantity's unit."""
    relative = any(str(row["quantity"]) != SPAN_COEFFICIENT for row in rows)
    scale, width_unit = (PERCENT, "points") if relative else (Scale(1.0, "%/K"), "%/K")
    ends = [(float(str(row["low"])), float(str(row["high"]))) for row in rows]
    given = [not _open(pair) for pair in ends]
    intervals = column(
        [
            Entry(0.5 * (low + high), low, high) if there else None
            for (low, high), there in zip(ends, given, strict=True)
        ],
        scale,
    )
    widths = plain_column(
        [high - low if there else None for (low, high), there in zip(ends, given, strict=True)],
        Scale(scale.factor, width_unit),
    )
    gains = [
        float(str(row["narrower"])) if there and row["measure"] != "now" else None
        for row, there in zip(rows, given, strict=True)
    ]
    unresolved = [gain is not None and pd.isna(gain) for gain in gains]
    narrower = whole_percents([None if un else gain for gain, un in zip(gains, unresolved, strict=True)])
    return [
        (cell.interval, width, "below resolution" if un else gain)
        if there
        else (str(row["note"]) or "no interval", NONE, NONE)
        for row, there, cell, width, un, gain in zip(
            rows, given, intervals, widths, unresolved, narrower, strict=True
        )
    ]


def _open(ends: tuple[float, ...]) -> bool:
    """Whether any of the numbers is none."""
    return any(math.isnan(number) for number in ends)


def whole_percents(shares: Sequence[float | None]) -> list[str]:
    """Shares that guide a choice, as whole percentages: '31 %', '< 1 %'."""
    return [
        NONE
        if share is None
        else numbers.join("0" if share == 0.0 else "< 1", "%")
        if 0.0 <= share < 0.005
        else numbers.join(f"{100.0 * share:.0f}", "%")
        for share in shares
    ]


def outlook_level(outlook: NextMeasurement, quantity: str) -> str:
    """What the ends of an interval of the outlook are."""
    if quantity.startswith("yield"):
        return "5 to 95 % points over what is not known"
    return f"interval at {numbers.percent(outlook.confidence)}"
