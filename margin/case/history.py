"""The load history of a case: steps as written, or the rows of a file; and what is read of it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Any

from margin.case import units
from margin.case.faults import CaseError, Fault, ValueFault
from margin.case.files import file_beside, rows_of, text_of
from margin.case.loads import require_inside
from margin.case.tables import HistoryTable, LoadTable, read_single
from margin.case.types import LoadHistory

MOST_STEPS = 100_000
MOST_LOADS = 200
"""Different loads that are read, at most."""

RECOVERY = 10.0
"""s, time constant with which a zero return vanishes where the case states none (common practice, no source)."""

_STEP = re.compile(r"(?P<load>.+?)\s+for\s+(?P<time>[^,]+?)(?P<read>\s*,\s*read)?")
_STEP_MEND = 'write such as "20 N for 1 s, read" or "0 N for 5 s"'
_HEAD = re.compile(r"\s*(?P<name>load|time|read)\s*(?:\((?P<unit>[^()]+)\)|\[(?P<other>[^\[\]]+)\])?\s*")
_FILE_MEND = (
    "write the columns load (N) and time (s), the time at which each load begins, and at will read (0 or 1)"
)

Steps = list[tuple[float, float, bool]]


def read_history(table: HistoryTable, load: LoadTable, case: Path | None, file: str) -> LoadHistory:
    """The history of a case. Raises CaseError with its faults.

    case  path of the case file, None in memory; file: its name in messages
    """
    faults: list[Fault] = []
    if (table.steps is None) == (table.file is None):
        both = "both steps and a file" if table.steps is not None else "neither steps nor a file"
        raise CaseError([Fault(file, "history", "steps", None, f"there are {both}", "write one of them")])
    if table.steps is not None:
        steps = _written(table.steps, file, faults)
        key: str = "steps"
    else:
        assert table.file is not None
        key = "file"
        steps = _of_file(file_beside(case, table.file, file=file, table="history", key="file"))
    if faults:
        raise CaseError(faults)
    if not any(read for _, _, read in steps):
        steps = [(at, lasting, at >= load.range[0] and at > 0.0) for at, lasting, _ in steps]
    try:
        _require(steps, table.repeat, load)
    except ValueFault as fault:
        raise CaseError([Fault(file, "history", key, table.file, fault.reason, fault.mend)]) from fault
    whole = steps * table.repeat
    recovery = RECOVERY if table.recovery is None else table.recovery
    loads, seconds, read = zip(*whole, strict=True)
    return LoadHistory(loads, seconds, read, recovery)


def _require(steps: Steps, repeat: int, load: LoadTable) -> None:
    """ValueFault for a history too long, without a reading, or read outside the range or at too many loads."""
    if len(steps) * repeat > MOST_STEPS:
        raise ValueFault(
            f"{len(steps) * repeat} steps are too many (at most {MOST_STEPS})", "shorten it, or lower repeat"
        )
    read = {at for at, _, is_read in steps if is_read}
    if not read:
        low = units.show(load.range[0], "N")
        raise ValueFault(
            f"no step is read: none reaches the load range from {low}", 'mark a step by ", read"'
        )
    for at in sorted(read):
        require_inside(at, *load.range)
    if len(read) > MOST_LOADS:
        raise ValueFault(
            f"{len(read)} different loads are read (at most {MOST_LOADS})",
            "mark fewer steps as read, or round their loads",
        )


def _written(texts: Sequence[str], file: str, faults: list[Fault]) -> Steps:
    steps: Steps = []
    for number, text in enumerate(texts, 1):
        found = _STEP.fullmatch(text.strip())
        try:
            if found is None:
                raise ValueFault("is not a step of a history", _STEP_MEND)
            steps.append((_load(found["load"]), _seconds(found["time"]), found["read"] is not None))
        except ValueFault as fault:
            faults.append(Fault(file, "history", f"steps {number}", text, fault.reason, fault.mend))
    return steps


def _load(text: str) -> float:
    load = read_single(text, "N")
    if load < 0.0:
        raise ValueFault("a load cannot be negative", _STEP_MEND)
    return load


def _seconds(text: str) -> float:
    seconds = read_single(text, "s")
    if not seconds > 0.0:
        raise ValueFault("a step lasts longer than 0 s", _STEP_MEND)
    return seconds


def _of_file(path: Path) -> Steps:
    """Steps of a CSV file: each load begins at its time and lasts until that of the next row; the last row ends it."""
    name = str(path)
    rows = rows_of(text_of(path, largest=MOST_STEPS * 60), name)
    head = [_HEAD.fullmatch(cell) for cell in next(rows, [])]
    names = [found["name"] if found else "" for found in head]
    for wanted in ("load", "time"):
        if names.count(wanted) != 1:
            raise CaseError([Fault(name, "", "", None, f"has no column {wanted}, or several", _FILE_MEND)])
    factors: dict[str, float] = {}
    for found in head:
        if found is None or found["name"] == "read":
            continue
        written = found["unit"] or found["other"]
        coherent = {"load": "N", "time": "s"}[found["name"]]
        if written is None:
            raise CaseError([Fault(name, "", found["name"], None, "states no unit", _FILE_MEND)])
        try:
            factors[found["name"]] = units.to_si(Fraction(1), written.strip(), coherent)
        except units.UnitError as error:
            raise CaseError([Fault(name, "", found["name"], None, str(error), _FILE_MEND)]) from error
    points = list(_points(rows, names, factors, name))
    if len(points) < 2:
        raise CaseError(
            [Fault(name, "", "", None, "holds fewer than two rows", "the last row ends the history")]
        )
    steps = []
    for line, ((at, begin, read), (_, end, _)) in enumerate(
        zip(points, islice(points, 1, None), strict=False), 2
    ):
        if not end > begin:
            raise CaseError(
                [
                    Fault(
                        name,
                        "",
                        f"line {line + 1}",
                        None,
                        "its time is not after that of the line before",
                        "sort the rows",
                    )
                ]
            )
        steps.append((at, end - begin, read))
    return steps


def _points(
    rows: Iterator[list[str]], names: list[str], factors: dict[str, float], file: str
) -> Iterator[tuple[float, float, bool]]:
    """Load (N), time (s) and whether it is read, of each row."""
    for line, row in enumerate(rows, 2):
        if not any(cell.strip() for cell in row):
            continue
        cells: dict[str, Any] = dict(zip(names, row, strict=False))
        values = {}
        for key in ("load", "time"):
            text = cells.get(key, "").strip()
            try:
                values[key] = float(text) * factors[key]
            except ValueError:
                values[key] = math.nan
            if not math.isfinite(values[key]) or (key == "load" and values[key] < 0.0):
                raise CaseError(
                    [Fault(file, "", f"line {line}", text, f"is no {key}", "write a number, 0 or above")]
                )
        read = cells.get("read", "0").strip() or "0"
        if read not in ("0", "1"):
            raise CaseError(
                [Fault(file, "", f"line {line}", read, "is no mark of a reading", "write 0 or 1")]
            )
        yield values["load"], values["time"], read == "1"
