"""Plans for the next bench day: what is added, and in how many words a plan is named."""

from __future__ import annotations

NOW = "now"
SENSORS, MOUNTINGS, CYCLES = "sensors", "mountings of each sensor", "cycles of each mounting"
HEAT = "temperature run of sensors"
MEASURES = (SENSORS, MOUNTINGS, CYCLES, HEAT)
"""What a next bench day can add."""

VERY_MANY = 100_000
"""Added to a count: as if the spreads were known."""

_ONE = {SENSORS: "sensor", MOUNTINGS: "mounting of each sensor", CYCLES: "cycle of each mounting"}
"""Each measure in the singular."""


def plan_words(measure: str, added: int) -> str:
    """A plan by its measure and number: '3 more sensors', '1 more mounting of each sensor'."""
    if measure == NOW:
        return "as measured"
    if added >= VERY_MANY:
        return f"any number of {measure}"
    if measure == HEAT:
        return f"temperature run of {added} sensors"
    return f"{added} more {_ONE[measure] if added == 1 else measure}"
