"""Upper limits of the counts in a case: beyond the need of any product, memory and time."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from margin.case.faults import Fault
from margin.case.types import CalibrationSpec

MOST_READINGS = 1_000_000
"""Readings by which a unit is judged, or that are taken at its calibration."""

MOST_SAMPLED = 10_000_000
"""Readings by which the curve of a lot is found."""

MOST_TABLES = {"calibration": 50, "use.condition": 50, "shared": 200, "dependence": 500}
"""Entries of a list of tables."""

MOST_DEPTH = 32
"""Tables and lists within each other in a file."""


def require_few_tables(raw: dict[str, Any], file: str) -> Iterator[Fault]:
    """Faults of lists of tables that are too long to be meant."""
    use = raw.get("use")
    for name, most in MOST_TABLES.items():
        found = (use.get("condition") if isinstance(use, dict) else None) if "." in name else raw.get(name)
        if isinstance(found, list) and len(found) > most:
            reason = f"{len(found)} tables [[{name}]] are too many"
            yield Fault(file, name, "", None, reason, f"write {most} at most")


def require_few_readings(
    counts: dict[str, int],
    loads: int,
    conditions: int,
    calibrations: tuple[CalibrationSpec, ...],
    file: str,
) -> Iterator[Fault]:
    """Faults where readings of one unit would not fit into memory, or take for ever.

    counts  draws of each condition, loadings and readings; conditions: named ones
    """
    judged = loads * max(conditions, 1)
    for count in counts.values():
        judged *= count
    if judged > MOST_READINGS:
        shown = " x ".join(f"{count} {key}" for key, count in counts.items())
        places = f" x {conditions} named conditions" if conditions > 1 else ""
        reason = f"{shown}{places} at {loads} check loads are {judged} readings of each unit"
        mend = f"at most {MOST_READINGS} are possible: lower conditions, loadings or readings"
        yield Fault(file, "requirement", "", None, reason, mend)
    measured = [each for each in calibrations if each.loads or each.tare or each.kind == "tare"]
    if not measured:
        return
    # all options share the readings of one calibration
    reloads, samples = max(each.reloads for each in measured), max(each.samples for each in measured)
    grid = len({load for each in measured for load in each.loads}) + 1
    taken = reloads * samples * grid
    if taken > MOST_READINGS:
        reason = f"{reloads} reloads x {samples} samples at {grid} loads are {taken} readings of each unit"
        mend = f"at most {MOST_READINGS} are possible: lower reloads or samples (the largest of all options count)"
        yield Fault(file, "calibration", "", None, reason, mend)
    for number, each in enumerate(calibrations, 1):
        sampled = each.sample_units * taken if each.kind == "lot-curve" else 0
        if taken <= MOST_READINGS and sampled > MOST_SAMPLED:
            reason = f"{each.sample_units} units x {taken} readings of each at its calibration are {sampled}"
            mend = f"at most {MOST_SAMPLED} are possible: lower sample_units, reloads or samples"
            yield Fault(file, f"calibration {number}", "sample_units", each.sample_units, reason, mend)


def deeper_than(value: Any, most: int) -> bool:
    """Whether tables and lists lie deeper within each other than `most`; counted without recursion."""
    level = [value]
    for _ in range(most):
        level = [
            part
            for each in level
            if isinstance(each, dict | list)
            for part in (each.values() if isinstance(each, dict) else each)
            if isinstance(part, dict | list)
        ]
        if not level:
            return False
    return True
