"""Which levels of variation make sense for which part of the product."""

from __future__ import annotations

from margin.case.faults import ValueFault, choices
from margin.case.types import Role
from margin.chain.parameter import LEVELS, Level

SENSIBLE: dict[Role, tuple[Level, ...]] = {
    "interface": ("common", "lot", "unit", "mounting", "calibration", "condition", "loading", "reading"),
    "sensor": ("common", "lot", "unit", "mounting", "condition", "loading", "reading"),
    "circuit": ("common", "lot", "unit", "condition", "reading"),
    "converter": ("common", "lot", "unit", "condition", "reading"),
    "firmware": ("common", "lot", "unit", "condition", "reading"),
    "use": ("common", "condition", "loading", "reading"),
    "station": ("common", "station", "calibration", "loading", "reading"),
}
"""A circuit is soldered, so rebuilding the mechanics or putting a load on anew draws none of its parts; what
holds during use does not belong to a unit; a station does not know which lot or unit it calibrates."""

_WHY: dict[Role, str] = {
    "interface": "mechanics do not vary with the station that calibrates them",
    "sensor": "a sensor does not vary with its calibration or the station",
    "circuit": "parts of a circuit do not vary with mounting, calibration, station or placement of the load",
    "converter": "a converter does not vary with mounting, calibration, station or placement of the load",
    "firmware": "firmware does not vary with mounting, calibration, station or placement of the load",
    "use": "a condition of use does not belong to a lot, a unit or a calibration",
    "station": "a station does not vary with the lot, the unit or its use",
}


def check_level(word: str, role: Role) -> Level:
    """The level of that name, if a quantity of `role` can vary there; ValueFault otherwise."""
    for level in LEVELS:
        if level == word:
            if level not in SENSIBLE[role]:
                reason = f'a quantity of [{role}] cannot vary per "{word}": {_WHY[role]}'
                raise ValueFault(reason, f"write per {choices(SENSIBLE[role])}")
            return level
    raise ValueFault(f'"{word}" is not a level of variation', f"write per {choices(SENSIBLE[role])}")
