"""Columns of the tables of a bench: numbers with intervals, each column in one format."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import pandas as pd

from margin.bench import Merit
from margin.estimates import numbers
from margin.estimates.bench_plans import NOW
from margin.estimates.next_measurement import SPAN_COEFFICIENT, NextMeasurement
from margin.estimates.number_columns import NONE, PERCENT, Cell, Entry, column, plain_column
from margin.estimates.numbers import Scale
from margin.messages.bench_sentences import scale_of_merit

NOT_AVAILABLE = "not available"
WHOLE = "the whole bench"


def merit_column(merits: Sequence[Merit | None]) -> tuple[Cell, ...]:
    """One figure in all its values, in one format: value and interval; 'no interval' where there is none."""
    present = [m for m in merits if m is not None and m.value is not None]
    scale = scale_of_merit(
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
            cells.append(Cell(NOT_AVAILABLE))
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
            lone = NOT_AVAILABLE if pd.isna(entry.value) else f"{bare} (no interval)"
            shown[place] = lone if _open(entry) else cell.text
    return [shown[place] for place in range(len(rows))]


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
        float(str(row["narrower"])) if there and row["measure"] != NOW else None
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
        return "5 % to 95 % points over the epistemic uncertainty"
    return f"interval at {numbers.percent(outlook.confidence)}"
