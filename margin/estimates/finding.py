"""A finding of a study: what was found, about what, in numbers, and what can be done about it. Data, no sentences."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from margin.estimates.yield_result import Estimate


@dataclass(frozen=True)
class Number:
    """A number with its interval and unit.

    low, high  None where the number is exact or has no interval
    unit       '' for a plain number, 'share' for a part of one, else an SI unit
    """

    value: float
    low: float | None = None
    high: float | None = None
    unit: str = ""

    @staticmethod
    def of(found: Estimate, unit: str) -> Number:
        """An estimate in its unit."""
        return Number(found.value, found.low, found.high, unit)


@dataclass(frozen=True)
class Finding:
    """What was found.

    kind     of finding: it decides which values there are (see `margin.messages.sentences`)
    subject  part, key of the case, factor or calibration option; '' for the whole design
    values   by name: numbers with interval and unit, names, further findings
    action   what can be done about it, by the name of the action; '' where nothing is
    """

    kind: str
    subject: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)
    action: str = ""

    def to_dict(self) -> dict[str, Any]:
        """The finding as plain data, as it stands in JSON."""
        return {
            "kind": self.kind,
            "subject": self.subject,
            "values": {name: plain(value) for name, value in self.values.items()},
            "action": self.action,
        }


def plain(value: Any) -> Any:
    """A value of a finding as plain data: dictionaries, lists, numbers, texts."""
    if isinstance(value, Finding):
        return value.to_dict()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return plain(dataclasses.asdict(value))
    if isinstance(value, Mapping):
        return {str(name): plain(each) for name, each in value.items()}
    if isinstance(value, tuple | list):
        return [plain(each) for each in value]
    return value
