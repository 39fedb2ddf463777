"""Checks across the tables of a case."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator
from typing import Any

from distributions import GaussianCopula, NotPositiveDefinite, correlation_matrix
from margin.case import units
from margin.case.faults import Fault, choices, nearest
from margin.case.levels import SENSIBLE
from margin.case.tables import DEFAULT_COUNTS
from margin.case.types import (
    CalibrationSpec,
    Dependence,
    ElementSpec,
    Quantity,
    Requirement,
    Role,
    UseCondition,
)
from margin.chain.parameter import Level


def require_match(
    sensor: Any, circuit: Any, kinds: tuple[str, str], accepting: Iterable[str], file: str
) -> Iterator[Fault]:
    """A circuit must accept what the sensor puts out, and hold the columns of an array at a virtual ground."""
    if sensor.output_kind != circuit.accepts:
        puts_out = f'the sensor of kind "{kinds[0]}" puts out a {sensor.output_kind}'
        reason = f"accepts a {circuit.accepts}, but {puts_out}"
        yield Fault(file, "circuit", "kind", kinds[1], reason, f"write {choices(accepting)}")
    elif getattr(sensor, "in_array", False) and not getattr(circuit, "virtual_ground", False):
        reason = "has no virtual ground, into which the columns of an array are read"
        mend = 'write "inverting amplifier", or leave rows and columns of [sensor] out'
        yield Fault(file, "circuit", "kind", kinds[1], reason, mend)


def require_switches(sensor: ElementSpec, stated: Container[str], file: str) -> Iterator[Fault]:
    """Switches of an array need lines that they switch; that these are 1 is then stated too."""
    lines = {"switch_leakage": ("columns",), "switch_resistance": ("rows", "columns")}
    for key, counts in lines.items():
        quantity = sensor.quantities.get(key)
        if quantity is None or key not in stated or not (quantity.nominal or quantity.spreads):
            continue
        if not any(count in stated for count in counts):
            reason = f"there is nothing to switch: the case states no {' or '.join(counts)} of an array"
            mend = f"state {' or '.join(counts)}, or leave {key} out"
            yield Fault(file, "sensor", key, None, reason, mend)


def require_error_limit(
    requirement: Requirement, loads: tuple[float, ...], written: Any, file: str
) -> Iterator[Fault]:
    """The permissible error must be above 0 at every check load."""
    fixed = requirement.span + requirement.full_scale + requirement.rated + requirement.absolute
    if loads and loads[0] == 0.0 and requirement.reading > 0.0 and fixed == 0.0:
        reason = "is 0 at the check load 0 N, where nothing conforms"
        mend = 'add a part of the span, for example "larger of 6 % of reading and 1 % of span"'
        yield Fault(file, "requirement", "permissible_error", written, reason, mend)


def require_one_count(requirement: Any, use: Any, file: str) -> Iterator[Fault]:
    """Counts of [requirement] and [use] must not differ where both state one."""
    for key in DEFAULT_COUNTS:
        stated, of_use = getattr(requirement, key), getattr(use, key)
        if stated is not None and of_use is not None and stated != of_use:
            reason = f"is {of_use} in [use]: a unit is judged by one number of them"
            mend = f"keep {key} in [requirement] alone"
            yield Fault(file, "requirement", key, stated, reason, mend)


def require_names(calibrations: tuple[CalibrationSpec, ...], file: str) -> Iterator[Fault]:
    """Calibration options need names of their own."""
    seen: set[str] = set()
    for number, each in enumerate(calibrations, 1):
        if each.name in seen:
            yield Fault(
                file, f"calibration {number}", "name", each.name, "is the name of an earlier option too",
                "write a name that distinguishes them",
            )  # fmt: skip
        seen.add(each.name)


def require_dependences(
    dependences: tuple[Dependence, ...],
    elements: dict[Role, ElementSpec],
    conditions: tuple[UseCondition, ...],
    file: str,
) -> Iterator[Fault]:
    """Dependences must tie two known spreads of one level, and must be able to hold together."""
    general = {q.name: q for spec in elements.values() for q in spec.quantities.values()}
    drawn = [general | {q.name: q for q in c.quantities.values()} for c in conditions] or [general]
    # a quantity of use may have its spread under a named condition alone
    known = {name: next((k[name] for k in drawn if k[name].spreads), general[name]) for name in general}
    pairs: set[frozenset[str]] = set()
    sound: list[Dependence] = []
    for number, each in enumerate(dependences, 1):
        table = f"dependence {number}"
        names = [each.first, each.second]
        found = list(_unknown(names, known, each, table, file))
        pair = frozenset((*names, each.level))
        if each.first == each.second:
            found.append(
                Fault(file, table, "between", names, "ties a quantity to itself", "name two quantities")
            )
        elif pair in pairs:
            found.append(
                Fault(file, table, "between", names, "is stated twice at this level", "keep one of them")
            )
        if not -1.0 <= each.rank_correlation <= 1.0:
            found.append(
                Fault(
                    file,
                    table,
                    "rank_correlation",
                    each.rank_correlation,
                    "must lie between -1 and 1",
                    "write 1.0 where both are one draw",
                )
            )
        if not found and each.measured_on is not None:
            found.extend(_not_measured_so(names, known, each, table, file))
        if not found and not any(_spread_at(each.level, [k[name] for name in names]) for k in drawn):
            mend = "give both a spread under one of them, or in [use]"
            found.append(
                Fault(file, table, "between", names, "have no condition of use in which both spread", mend)
            )
        pairs.add(pair)
        yield from found
        if not found:
            sound.append(each)
    if len(sound) == len(dependences):
        yield from _require_one_sample(sound, file)
        yield from _require_positive_definite(sound, file)


def _spread_at(level: Level, quantities: list[Quantity]) -> bool:
    """Whether each of them has a spread of that level."""
    return all(any(spread.level == level for spread in quantity.spreads) for quantity in quantities)


def _unknown(
    names: list[str], known: dict[str, Quantity], each: Dependence, table: str, file: str
) -> Iterator[Fault]:
    for name in names:
        quantity = known.get(name)
        if quantity is None:
            near = nearest(name, known)
            mend = f'did you mean "{near}"?' if near else "write such as sensor.sensitivity"
            yield Fault(file, table, "between", names, f'"{name}" is not a quantity of this case', mend)
        elif quantity.shared_with is not None:
            reason = f'"{name}" shares the deviation of "{quantity.shared_with}"'
            yield Fault(file, table, "between", names, reason, f'write "{quantity.shared_with}" in its place')
        elif all(spread.level != each.level for spread in quantity.spreads):
            role: Role = name.split(".")[0]  # type: ignore[assignment]
            levels = [spread.level for spread in quantity.spreads]
            if levels:
                mend = f"its spreads are per {choices(levels)}"
            else:
                level = each.level if each.level in SENSIBLE[role] else SENSIBLE[role][0]
                mend = f'give it one, for example "+/- 5 % per {level}"'
            yield Fault(file, table, "between", names, f'"{name}" has no spread per "{each.level}"', mend)


def _not_measured_so(
    names: list[str], known: dict[str, Quantity], each: Dependence, table: str, file: str
) -> Iterator[Fault]:
    """Spreads whose correlation was measured on n units must have been measured on n units themselves."""
    for name in names:
        counts = [s.measured_on for s in known[name].spreads if s.level == each.level]
        if counts[0] != each.measured_on:
            reason = f'the spread of {name} per "{each.level}" is not from {each.measured_on} units'
            mend = f'write it such as "+/- 8 % (2 sigma, from {each.measured_on} units)", or leave "from" out'
            yield Fault(file, table, "from", f"{each.measured_on} units", reason, mend)


def _require_one_sample(dependences: list[Dependence], file: str) -> Iterator[Fault]:
    """Quantities tied to one another rest on the same units, of which there are more than of them."""
    for level in dict.fromkeys(each.level for each in dependences):
        sets: list[tuple[set[str], set[int | None]]] = []
        for each in (d for d in dependences if d.level == level):
            touching = [s for s in sets if s[0] & {each.first, each.second}]
            names = {each.first, each.second}.union(*(s[0] for s in touching))
            counts = {each.measured_on}.union(*(s[1] for s in touching))
            sets = [s for s in sets if s not in touching] + [(names, counts)]
        for names, counts in sets:
            listed = ", ".join(sorted(names))
            if len(counts) > 1:
                reason = f'the ties per "{level}" among {listed} do not all rest on the same units'
                yield Fault(file, "dependence", "", None, reason, 'write the same "from" in each, or in none')
            count = next(iter(counts))
            if len(counts) == 1 and count is not None and count <= len(names):
                reason = f"{len(names)} quantities that move together ({listed}) cannot be known from {count} units"
                yield Fault(file, "dependence", "", None, reason, f"it takes {len(names) + 1} or more")


def _require_positive_definite(dependences: list[Dependence], file: str) -> Iterator[Fault]:
    for level in dict.fromkeys(each.level for each in dependences):
        ties = [each for each in dependences if each.level == level]
        names = tuple(dict.fromkeys(name for each in ties for name in (each.first, each.second)))
        pairs = [(each.first, each.second, each.rank_correlation) for each in ties]
        try:
            GaussianCopula(names, correlation_matrix(names, pairs))
        except NotPositiveDefinite as error:
            offered = ", ".join(
                f"{a} with {b}: {error.nearest[i, j]:.2f}"
                for i, a in enumerate(error.names)
                for j, b in enumerate(error.names)
                if i < j
            )
            reason = f'the rank correlations per "{level}" of {", ".join(error.names)} cannot all hold'
            yield Fault(file, "dependence", "", None, reason, f"the nearest that can: {offered}")


def shown_loads(loads: tuple[float, ...]) -> str:
    """Loads as text."""
    return ", ".join(units.show(load, "N") for load in loads)
