"""Tables with readings side by side: one column a load, a sensor, a run or a direction."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from margin.bench.data.cells import one_number
from margin.bench.data.column_units import kind_of
from margin.bench.data.mapping import Wide
from margin.bench.data.named import Named, group_stem
from margin.bench.data.vocabulary import OUTPUT_FIELDS, branch_of, field_of, is_ambiguous, words_of

OVER = ("load", "lot", "sensor", "mounting", "run", "branch")


@dataclass(frozen=True)
class Open:
    """Columns side by side of which something must be stated."""

    columns: tuple[str, ...]
    why: str
    mend: str


def find_wide(free: Sequence[Named], taken: AbstractSet[str], output_unit: str | None) -> Wide | Open | None:
    """Readings side by side among columns that are not claimed; None for a table with one output column.

    taken  fields that are stated already
    """
    has_load = "load" in taken or any(
        each.field == "load" and each.load is None and each.numeric for each in free
    )
    loads = [each for each in free if each.load is not None and each.numeric]
    apart = any(each.kind in OUTPUT_FIELDS and each.load is None for each in free)
    if not has_load and not apart and len(loads) >= 2:
        if any(each.load is not None and not each.load[1] for each in loads):
            names = tuple(each.name for each in loads)
            mend = 'State what they are: --wide "load in N", --wide run, --wide mounting or --wide sensor.'
            return Open(names, "columns side by side whose names are bare numbers", mend)
        return _over_load(loads, "")
    beside = [each for each in free if _is_reading(each)]
    by_stem: dict[tuple[str, str | None], list[Named]] = {}
    for each in beside:
        found = group_stem(each.stem)
        by_stem.setdefault((found[0] if found else each.name, each.kind), []).append(each)
    group = max(by_stem.values(), key=len, default=[])
    with_units = [each for each in beside if each.kind in OUTPUT_FIELDS]
    if len({each.kind for each in with_units}) == 1 and len(with_units) > len(group):
        group = with_units
    if len(group) < 2:
        return None
    names = tuple(each.name for each in group)
    over = _over(group, taken, free)
    if over is None:
        mend = "State what they are: --wide sensor, --wide mounting, --wide run or --wide branch, or one --column."
        why = (
            "readings side by side that may be parts, mountings or runs: it decides the level of their spread"
        )
        return Open(names, why, mend)
    return _over_label(over, group)


def readings_beside(
    over: str,
    unit: str,
    columns: Sequence[str],
    values: Sequence[str],
    free: Sequence[Named],
    column: Callable[[str], str | None],
) -> Wide | Open:
    """A wide table as stated: over what, the unit of the loads (or of the readings), and where stated which columns.

    column  name in the file of a name as written, None where there is none
    """
    if over not in OVER:
        return Open((), f"readings side by side cannot be one a '{over}'", f"Write one of {', '.join(OVER)}.")
    known = {each.name: each for each in free}
    if columns:
        named = [column(name) for name in columns]
        lacking = tuple(name for name, found in zip(columns, named, strict=True) if found not in known)
        if lacking:
            return Open(lacking, "no such column is left for the readings", "Name columns of the file.")
        chosen = [known[name] for name in named if name is not None]
    elif over == "load":
        chosen = [each for each in free if each.load is not None]
    else:
        chosen = [each for each in free if _is_reading(each) or (each.load is not None and each.numeric)]
    if len(chosen) < 2:
        return Open(
            tuple(each.name for each in chosen), "fewer than two columns side by side", "Name their columns."
        )
    if values and len(values) != len(chosen):
        names = tuple(each.name for each in chosen)
        return Open(
            names, f"{len(values)} values are stated for {len(chosen)} columns", "State one a column."
        )
    if over != "load":
        found = _over_label(over, chosen)
        return Wide(over, found.columns, tuple(values) or found.values, found.units)
    if values:
        loads = [one_number(text, "," if "," in text else ".") for text in values]
    else:
        loads = [each.load for each in chosen]
    shown = []
    for each, load in zip(chosen, loads, strict=True):
        own = "" if load is None else load[1] or unit
        if load is None or kind_of(own) != "load":
            mend = 'State the unit, such as --wide "load in N", or the loads in a mapping file.'
            return Open((each.name,), "not a load with its unit", mend)
        shown.append(f"{load[0]!r} {own}")
    return Wide(
        "load",
        tuple(each.name for each in chosen),
        tuple(shown),
        tuple(_output_unit(each) for each in chosen),
    )


def _is_reading(each: Named) -> bool:
    """Whether a column may hold readings: an output by its unit or name, or numbers that nothing is known of."""
    if not each.numeric:
        return False
    if each.kind is not None:
        return each.kind in OUTPUT_FIELDS and each.field is not None
    numbered = group_stem(each.stem) is not None
    return each.field in OUTPUT_FIELDS or (
        numbered and each.load is None and each.field not in ("load", "time", "temperature")
    )


def _over(group: Sequence[Named], taken: AbstractSet[str], free: Sequence[Named]) -> str | None:
    """What columns side by side are one of; None where their names leave it open."""
    directions = [next((d for word in words_of(each.stem) if (d := branch_of(word))), None) for each in group]
    if len(group) == 2 and set(directions) == {"up", "down"}:
        return "branch"
    stems = {found[0] for each in group if (found := group_stem(each.stem)) is not None}
    if len(stems) == 1:
        stem = stems.pop()
        if is_ambiguous(stem):
            return None
        named = field_of(stem)
        if named in ("sensor", "lot", "mounting", "run"):
            return named
    others = {each.field for each in free if each not in group} | taken
    return None if "sensor" in others or len({each.kind for each in group}) > 1 else "sensor"


def _over_label(over: str, group: Sequence[Named]) -> Wide:
    if over == "branch":
        values = [
            next((d for word in words_of(each.stem) if (d := branch_of(word))), each.stem) for each in group
        ]
    else:
        values = [each.stem for each in group]
    values = values if len(set(values)) == len(values) or over == "branch" else [each.name for each in group]
    return Wide(
        over, tuple(each.name for each in group), tuple(values), tuple(_output_unit(each) for each in group)
    )


def _over_load(loads: Sequence[Named], unit: str) -> Wide:
    shown = [f"{each.load[0]!r} {each.load[1] or unit}" for each in loads if each.load is not None]
    return Wide(
        "load", tuple(each.name for each in loads), tuple(shown), tuple(_output_unit(each) for each in loads)
    )


def _output_unit(each: Named) -> str:
    return each.unit if each.kind in OUTPUT_FIELDS else ""
