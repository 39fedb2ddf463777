"""The file of measures: reading it, with every fault in its place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationError

from margin.case import translate
from margin.case.faults import CaseError, Fault, ValueFault, choices, nearest
from margin.case.files import tables_of, text_of
from margin.case.names import OneLine, Printable, ShortName
from margin.case.tables import Table, read_single
from margin.case.types import Case
from margin.design.measures.apply import OF_OPTION, changed_case
from margin.design.measures.measure import OPTION_GROUP, Measure, Measures, Prices

MOST_MEASURES = 60

CHANGE = (
    'write "key=value" as after --change, such as "circuit.resistor=12 kohm +/- 0.1 %" or "option.reloads=3"'
)


def _seconds(value: Any) -> float:
    seconds = read_single(value, "s")
    if seconds < 0.0:
        raise ValueFault("a time cannot be negative", 'write for example "4 s"')
    return seconds


def _share(value: Any) -> float:
    share = read_single(value, "") if isinstance(value, str) and "%" in value else -1.0
    if not 0.0 <= share < 1.0:
        raise ValueFault("is not a share from 0 % to below 100 %", 'write for example "50 %"')
    return share


Money = Annotated[float, Field(allow_inf_nan=False, le=1e12)]
Price = Annotated[Money, Field(ge=0.0)]
Seconds = Annotated[float, BeforeValidator(_seconds)]
Share = Annotated[float, BeforeValidator(_share)]


class TodayTable(Table):
    """The design as it is today."""

    option: OneLine = Field(description="calibration option of the case that today's units get")
    notes: Printable = Field(default="", description="shown with the results")


class PricesTable(Table):
    """What production costs today."""

    currency: ShortName = Field(default="EUR", description="of all money in the file")
    unit: Price = Field(default=0.0, description="parts and assembly of a unit of today, without calibration")
    hour: Price = Field(default=0.0, description="an hour of the calibration station with its operator")
    rework: Price = Field(default=0.0, description="handling of a unit that fails")
    recovered: Share = Field(default=0.0, description="share of the failing units that conform after rework")
    volume: Annotated[Money, Field(ge=1.0)] | None = Field(
        default=None, description="units that share what is paid once"
    )


class MeasureTable(Table):
    """One measure."""

    name: ShortName = Field(description="as in reports")
    group: OneLine = Field(default="", description="at most one measure of a group is taken")
    cost: Money = Field(default=0.0, description="of one unit, in the currency of the file")
    once: Price = Field(default=0.0, description="paid once, shared by the volume")
    seconds: Seconds = Field(default=0.0, description="on the station, beside the calibration itself")
    changes: list[OneLine] = Field(default=[], description="key=value as after --change")
    option: OneLine | None = Field(default=None, description="calibration option in place of today's")
    source: Printable = Field(default="", description="of the cost")


TABLES: dict[str, type[Table]] = {"today": TodayTable, "prices": PricesTable, "measure": MeasureTable}


def load_measures(path: str | Path, case: Case) -> Measures:
    """Read a file of measures for a case. Raises CaseError with all its faults."""
    path = Path(path)
    return read_measures(text_of(path), case, path)


def read_measures(source: str | Mapping[str, Any], case: Case, path: Path | None = None) -> Measures:
    """Measures from TOML text or from what such text holds, each tried alone on the case.

    path  the file that messages name
    Raises CaseError with all faults.
    """
    file = "measures" if path is None else str(path)
    raw = tables_of(source, file) if isinstance(source, str) else dict(source)
    faults = [
        translate.unknown_table(name, value, TABLES, file)
        for name, value in raw.items()
        if name not in TABLES
    ]
    if "today" not in raw:
        reason = "missing: which calibration today's units get is not known"
        faults.append(Fault(file, "today", "", None, reason, f"write [today] option = {_options(case)}"))
    entries = raw.get("measure", [])
    if not isinstance(entries, list) or not entries:
        faults.append(Fault(file, "measure", "", None, "there is none", "write [[measure]] for each of them"))
        entries = []
    if len(entries) > MOST_MEASURES:
        reason = f"{len(entries)} measures are too many"
        faults.append(Fault(file, "measure", "", None, reason, f"write {MOST_MEASURES} at most"))
        entries = []
    today = _table("today", raw.get("today", {"option": ""}), file, faults, "today")
    prices = _table("prices", raw.get("prices", {}), file, faults, "prices")
    tables = [_table("measure", each, file, faults, f"measure {k}") for k, each in enumerate(entries, 1)]
    if faults:
        raise CaseError(faults)
    found = Measures(
        today.option,
        tuple(_measure(each) for each in tables),
        Prices(**prices.model_dump()),
        path,
        today.notes,
    )
    faults = list(_faults(found, [each.changes for each in tables], case, file))
    if faults:
        raise CaseError(faults)
    return found


def _table(name: str, raw: Any, file: str, faults: list[Fault], shown: str) -> Any:
    model = TABLES[name]
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        faults.extend(translate.faults_of(error, shown, raw, model, file))
        return None


def _measure(table: MeasureTable) -> Measure:
    pairs = tuple(
        (key.strip(), value.strip()) for key, _, value in (each.partition("=") for each in table.changes)
    )
    group = OPTION_GROUP if table.option is not None and not table.group else table.group
    return Measure(
        table.name, group, table.cost, table.once, table.seconds, pairs, table.option, table.source
    )


def _faults(found: Measures, written: list[list[str]], case: Case, file: str) -> Iterator[Fault]:
    options = [spec.name for spec in case.calibrations]
    if found.option not in options:
        yield Fault(
            file, "today", "option", found.option, "is no calibration option of the case", _mend(case)
        )
        return
    names: set[str] = set()
    for number, (measure, changes) in enumerate(zip(found.measures, written, strict=True), 1):
        place = f"measure {number}"
        if measure.name in names:
            yield Fault(file, place, "name", measure.name, "is the name of another measure", "write another")
        names.add(measure.name)
        if measure.option is not None and measure.option not in options:
            reason = "is no calibration option of the case"
            near = nearest(measure.option, options)
            guess = f'did you mean "{near}"? ' if near else ""
            yield Fault(file, place, "option", measure.option, reason, guess + _mend(case))
            continue
        if measure.option is not None and measure.group != OPTION_GROUP:
            reason = "cannot be the group of a measure that names a calibration option"
            mend = "leave group out: a unit is calibrated by one option"
            yield Fault(file, place, "group", measure.group, reason, mend)
        if not measure.changes and measure.option in (None, found.option):
            reason = "changes nothing of today's design"
            mend = 'write changes = ["key=value"], or option = the name of another calibration'
            yield Fault(file, place, "name", measure.name, reason, mend)
        if measure.once > 0.0 and found.prices.volume is None:
            mend = "write [prices] volume = the units that share it"
            yield Fault(
                file, place, "once", measure.once, "is paid once, by an unknown number of units", mend
            )
        yield from _change_faults(measure, changes, found.option, case, file, place)
    yield from _conflicts(found, file)


def _change_faults(
    measure: Measure, written: list[str], today: str, case: Case, file: str, place: str
) -> Iterator[Fault]:
    bad = [
        each
        for each, (key, _) in zip(written, measure.changes, strict=True)
        if "=" not in each or not key or key == OF_OPTION
    ]
    for each in bad:
        yield Fault(file, place, "changes", each, "is no change of a key", CHANGE)
    if bad or not (measure.changes or measure.option):
        return
    try:
        changed_case(case, today, [measure])
    except CaseError as error:
        for fault in error.faults:
            key = f"{fault.table}.{fault.key}".strip(".")
            said = f"is refused by the case: {key}: {fault.reason}" if key else f"is refused: {fault.reason}"
            yield Fault(file, place, "changes", list(written), said, fault.mend)


def _conflicts(found: Measures, file: str) -> Iterator[Fault]:
    """Measures that may be taken together and write the same key: the result would hang on their order."""
    first: dict[str, tuple[int, Measure]] = {}
    for number, measure in enumerate(found.measures, 1):
        for key in dict(measure.changes):
            last = key.rpartition(".")[2]
            same = f"option.{last}" if key.startswith("calibration.") else key
            at, other = first.setdefault(same, (number, measure))
            if other is not measure and (not measure.group or other.group != measure.group):
                reason = f'changes {key}, as measure {at} ("{other.name}") does'
                mend = f'give both the same group, so that one is taken: group = "{last}"'
                yield Fault(file, f"measure {number}", "changes", None, reason, mend)


def _options(case: Case) -> str:
    return choices(spec.name for spec in case.calibrations)


def _mend(case: Case) -> str:
    return f"options are {_options(case)}"
