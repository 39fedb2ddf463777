"""Times in service as a user states them."""

from __future__ import annotations

from distributions.errors import InvalidArgument
from margin.case.faults import ValueFault
from margin.case.tables import read_single


def hours_of(name: str, value: float | str) -> float:
    """A time, h, from a number or a text such as '1000 h'."""
    if not isinstance(value, str):
        return float(value)
    try:
        return read_single(value, "h")
    except ValueFault as fault:
        mend = "" if fault.mend else "; write for example '1000 h'"
        raise InvalidArgument(f"{name} {value!r}: {fault}{mend}") from fault
