"""A sensor's measured curve, checked when the case is read: every fault with its key, and where it ends."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Any

from margin.case import units
from margin.case.faults import Fault
from margin.case.grammar import read_text
from margin.case.types import ElementSpec

KIND = "tabulated"


def require_curve(spec: ElementSpec, written: dict[str, Any], file: str) -> Iterator[Fault]:
    """Faults of `loads` and `outputs` of a tabulated sensor; none for another kind.

    Numbers are finite by then. Loads must be forces, 0 or more, and ascend; outputs must be as many, of the kind that
    `output_kind` states, and rise or fall throughout: a load could not be told else.
    """
    if spec.kind != KIND or not {"loads", "outputs"} <= spec.options.keys():
        return
    loads, outputs = spec.options["loads"], spec.options["outputs"]
    shown_loads, shown_outputs = written.get("loads"), written.get("outputs")
    unit = "S" if spec.options.get("output_kind") == "conductance" else ""
    for key, wanted, values in (("loads", "N", shown_loads), ("outputs", unit, shown_outputs)):
        wrong = _of_other_kind(values, wanted)
        if wrong is not None:
            what = units.dimension_name(wanted)
            yield Fault(
                file, "sensor", key, values, f'"{wrong}" is no {what}', f"write such as {_LIKE[wanted]}"
            )
    if len(loads) < 2:
        yield Fault(file, "sensor", "loads", shown_loads, "a curve needs two or more loads", "add a load")
    elif len(loads) != len(outputs):
        reason = f"{len(outputs)} outputs for {len(loads)} loads"
        yield Fault(file, "sensor", "outputs", shown_outputs, reason, "write one output for each load")
    if loads[0] < 0.0:
        yield Fault(
            file, "sensor", "loads", shown_loads, "a load cannot be negative", "begin at 0 N or above"
        )
    for place, (one, other) in enumerate(pairwise(loads), 2):
        if other <= one:
            reason = f"the loads must ascend, and number {place} ({units.show(other, 'N')}) does not"
            yield Fault(
                file, "sensor", "loads", shown_loads, reason, "write each load once, the smallest first"
            )
            break
    steps = [other - one for one, other in pairwise(outputs)]
    rising = outputs[-1] > outputs[0]
    for place, step in enumerate(steps, 2):
        if step == 0.0 or (step > 0.0) != rising:
            reason = f"the outputs must rise or fall throughout, and number {place} does not"
            mend = "the output would not determine the load: average the readings, or leave the point out"
            yield Fault(file, "sensor", "outputs", shown_outputs, reason, mend)
            break


def beyond_curve(spec: ElementSpec, low: float, high: float) -> str | None:
    """What to say of loads in use, N, that a measured curve does not cover; None where it covers them."""
    if spec.kind != KIND or "loads" not in spec.options:
        return None
    first, last = spec.options["loads"][0], spec.options["loads"][-1]
    ends = [(low, min(first, high))] if low < first else []
    ends += [(max(last, low), high)] if high > last else []
    if not ends:
        return None
    places = " and ".join(f"{units.show(a, 'N')} to {units.show(b, 'N')}" for a, b in ends)
    return (
        f"sensor.loads: the curve was measured from {units.show(first, 'N')} to {units.show(last, 'N')}; at {places} "
        "it is extrapolated by the slopes of its ends"
    )


_LIKE = {
    "N": '"10 N"',
    "S": '"10 uS", or output_kind = "ratio"',
    "": '"1 mV/V", or output_kind = "conductance"',
}


def _of_other_kind(values: Any, wanted: str) -> str | None:
    """The first text that is not of the wanted dimension; plain numbers are in SI units of it."""
    for each in values if isinstance(values, list) else ():
        if isinstance(each, str):
            number = read_text(each).nominal
            if number is None:
                continue
            if units.to_coherent(Fraction(number.value), number.unit)[1] != units.unit(wanted).dimension:
                return each
    return None
